package pipeline

import (
	"context"
	"errors"
	"io"
	"slices"
	"testing"

	"gearwitness/capture"
	"gearwitness/decode"
)

// parts is a source that gives one batch after the other and then ends.
type parts struct {
	list [][]capture.Frame
	end  error
	read int
}

func (p *parts) Next(_ context.Context, b *capture.Batch) error {
	b.Channels = channels
	if p.read == len(p.list) {
		return p.end
	}
	b.Frames = append(b.Frames, p.list[p.read]...)
	p.read++
	return nil
}

func (p *parts) Close() error { return nil }

// A run gives what pushing by hand gives, in the order read, before, decode, after,
// and what is left at the end; how the source ends is told.
func TestRun(t *testing.T) {
	torn := errors.New("the adapter is gone")
	file := twoShafts()
	frames := []capture.Frame{frame(0, 1, 1, 2), frame(20*ms, 1, 3, 4), frame(2000*ms, 1, 5, 6)}
	want, wantEvents := run(t, newPipeline(t, file, Options{}), frames...)
	if len(want) < 6 {
		t.Fatalf("by hand: %q", want)
	}
	for _, end := range []error{io.EOF, torn} {
		chain := newPipeline(t, file, Options{})
		var order, got, events []string
		var last error
		r := Run{
			Source: &parts{list: [][]capture.Frame{frames[:1], frames[1:]}, end: end}, Chain: chain,
			Before: func(b *capture.Batch) error {
				order = append(order, "before")
				return nil
			},
			After: func(s Step) error {
				order, last = append(order, "after"), s.End
				a, b := texts(t, chain.Table(), s.Out)
				got, events = append(got, a...), append(events, b...)
				return nil
			},
		}
		err := r.Do(t.Context())
		if wantErr := map[bool]error{true: nil, false: torn}[end == io.EOF]; err != wantErr || last != end {
			t.Errorf("ended with %v and told %v, want %v and %v", err, last, wantErr, end)
		}
		if !slices.Equal(order, []string{"before", "after", "before", "after", "before", "after"}) {
			t.Errorf("order: %q", order)
		}
		if !slices.Equal(got, want) || !slices.Equal(events, wantEvents) {
			t.Errorf("got %q %q, want %q %q", got, events, want, wantEvents)
		}
	}
}

// What Before takes out is not decoded, a chain that it puts in place decodes, and
// reading ends where After has enough or either fails.
func TestRunIsSteered(t *testing.T) {
	file, fault := twoShafts(), errors.New("no")
	source := func() *parts { // the first frame waits for the one after it
		return &parts{list: [][]capture.Frame{{frame(-1*ms, 0x70), frame(0, 1, 1, 2)}, {frame(20*ms, 1, 3, 4)}, {frame(40*ms, 1, 5, 6)}}, end: io.EOF}
	}
	for _, tt := range []struct {
		name    string
		before  func(r *Run, b *capture.Batch, n int) error
		after   func(n int) error
		err     error
		read    int
		samples int // of the chain in place at the end
	}{
		{"nothing special", func(*Run, *capture.Batch, int) error { return nil }, func(int) error { return nil }, nil, 3, 6},
		{"taken out", func(_ *Run, b *capture.Batch, n int) error { b.Frames = b.Frames[:0]; return nil }, func(int) error { return nil }, nil, 3, 0},
		{"another chain", func(r *Run, _ *capture.Batch, n int) error {
			if n == 2 {
				r.Chain = newPipeline(t, file, Options{})
			}
			return nil
		}, func(int) error { return nil }, nil, 3, 4},
		{"enough", func(*Run, *capture.Batch, int) error { return nil }, func(n int) error { return map[bool]error{true: Enough}[n == 2] }, nil, 2, 4},
		{"before fails", func(_ *Run, _ *capture.Batch, n int) error { return map[bool]error{true: fault}[n == 2] }, func(int) error { return nil }, fault, 2, 2},
		{"after fails", func(*Run, *capture.Batch, int) error { return nil }, func(n int) error { return map[bool]error{true: fault}[n == 1] }, fault, 1, 2},
	} {
		t.Run(tt.name, func(t *testing.T) {
			s := source()
			r := Run{Source: s, Chain: newPipeline(t, file, Options{})}
			first, n, samples := r.Chain, 0, 0
			r.Before = func(b *capture.Batch) error {
				n++
				return tt.before(&r, b, n)
			}
			r.After = func(step Step) error {
				if r.Chain != first {
					first, samples = r.Chain, 0
				}
				for _, x := range step.Out.Samples {
					if r.Chain.Table().Signals[x.Signal].Origin == decode.FromFrame {
						samples++
					}
				}
				return tt.after(n)
			}
			if err := r.Do(t.Context()); err != tt.err {
				t.Errorf("got %v, want %v", err, tt.err)
			}
			if s.read != tt.read || samples != tt.samples {
				t.Errorf("%d batches read and %d samples, want %d and %d", s.read, samples, tt.read, tt.samples)
			}
		})
	}

	// Without a chain, batches go by as they are.
	seen := 0
	r := Run{Source: source(), After: func(s Step) error {
		seen += len(s.Batch.Frames)
		if len(s.Out.Samples) > 0 {
			return errors.New("decoded")
		}
		return nil
	}}
	if err := r.Do(t.Context()); err != nil || seen != 4 {
		t.Errorf("without a chain: %v, %d frames", err, seen)
	}
}

// endless is a source that neither ends nor looks at its context, as some do while
// they have something to give.
type endless struct{ parts }

func (e *endless) Next(_ context.Context, b *capture.Batch) error {
	b.Channels = channels
	b.Frames = append(b.Frames, frame(capture.Stamp(e.read)*ms, 1, 1, 2))
	e.read++
	return nil
}

// A run ends with its context, whatever the source does, and gives out all there is
// up to there.
func TestRunEndsWithItsContext(t *testing.T) {
	ctx, cancel := context.WithCancel(t.Context())
	s, samples := new(endless), 0
	r := Run{Source: s, Chain: newPipeline(t, twoShafts(), Options{}), After: func(step Step) error {
		for _, x := range step.Out.Samples {
			if x.Signal < 2 {
				samples++
			}
		}
		if s.read == 100 {
			cancel()
		}
		return nil
	}}
	if err := r.Do(ctx); !errors.Is(err, context.Canceled) || s.read != 100 || samples != 200 {
		t.Errorf("%v after %d batches with %d samples; want it cancelled after 100 with 200", err, s.read, samples)
	}
}
