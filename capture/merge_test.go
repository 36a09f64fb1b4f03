package capture

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"reflect"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"
)

// script is a source that delivers prepared batches, each after a pause.
type script struct {
	channels []Channel
	steps    []step
	end      error
	stop     chan struct{}
}

type step struct {
	after time.Duration
	batch Batch
}

func newScript(name string, end error, steps ...step) *script {
	return &script{channels: []Channel{{Name: name}}, steps: steps, end: end, stop: make(chan struct{})}
}

func (s *script) Next(ctx context.Context, b *Batch) error {
	b.Channels = s.channels
	if len(s.steps) == 0 {
		if s.end == nil {
			select {
			case <-s.stop:
				return os.ErrClosed
			case <-ctx.Done():
				return ctx.Err()
			}
		}
		return s.end
	}
	if pause := s.steps[0].after; pause > 0 {
		select {
		case <-time.After(pause):
		case <-ctx.Done():
			return ctx.Err()
		}
	}
	next := s.steps[0].batch
	s.steps = s.steps[1:]
	b.Frames = append(b.Frames, next.Frames...)
	b.Lines = append(b.Lines, next.Lines...)
	b.Losses = append(b.Losses, next.Losses...)
	b.Notes = append(b.Notes, next.Notes...)
	return nil
}

func (s *script) Close() error { close(s.stop); return nil }

// declared is a script that knows its channels beforehand.
type declared struct{ *script }

func (d declared) Channels() []Channel { return d.channels }

func frames(times ...Stamp) Batch {
	var b Batch
	for _, t := range times {
		b.Frames = append(b.Frames, Frame{Time: t, ID: uint32(t)})
	}
	return b
}

func ms(n int) Stamp { return Stamp(n) * 1e6 }

// all reads a source to its end.
func all(t *testing.T, s Source) (Batch, error) {
	t.Helper()
	var b Batch
	for {
		if err := s.Next(t.Context(), &b); err != nil {
			return b, err
		}
	}
}

func busTimes(b Batch) (out []string) {
	for _, f := range b.Frames {
		out = append(out, fmt.Sprintf("%s %d", b.Channels[f.Bus].Name, f.Time))
	}
	return out
}

func TestMergeOrdersFiles(t *testing.T) {
	m := Merge(MergeOptions{},
		newScript("a", io.EOF, step{batch: frames(1, 4)}, step{batch: frames(4, 9)}),
		newScript("b", io.EOF, step{batch: frames(2, 4, 5)}, step{batch: frames(11)}),
		newScript("c", io.EOF))
	defer m.Close()
	b, err := all(t, m)
	want := []string{"a 1", "b 2", "a 4", "a 4", "b 4", "b 5", "a 9", "b 11"}
	if got := busTimes(b); !slices.Equal(got, want) || err != io.EOF {
		t.Errorf("got %v, %v; want %v", got, err, want)
	}
	if len(b.Notes)+len(b.Losses) > 0 {
		t.Errorf("nothing went wrong, but: %v %v", b.Notes, b.Losses)
	}
}

// TestMergeIsDeterministic merges the same three sources, cut into other
// batches and read at another pace each time, with queues far too small.
func TestMergeIsDeterministic(t *testing.T) {
	var want Batch
	for seed := range uint64(50) {
		cut := rand.New(rand.NewPCG(seed, 0))
		var sources []Source
		for i, name := range []string{"a", "b", "c"} {
			r := rand.New(rand.NewPCG(uint64(i), 7)) // the content does not depend on the run
			s := newScript(name, io.EOF)
			s.channels = append(s.channels, Channel{Name: name + "2", Kind: Text})
			var b Batch
			at := Stamp(0)
			for n := range 300 {
				at += Stamp(r.IntN(3)) // many equal times
				switch r.IntN(10) {
				case 0:
					b.Lines = append(b.Lines, Line{Time: at, Port: 1, Text: fmt.Sprint(n)})
				case 1:
					b.Notes = append(b.Notes, Note{Time: at, Text: fmt.Sprint(name, n)})
				default:
					b.Frames = append(b.Frames, Frame{Time: at, ID: uint32(n)})
				}
				if cut.IntN(20) == 0 || n == 299 {
					s.steps = append(s.steps, step{batch: b})
					b = Batch{}
				}
			}
			sources = append(sources, s)
		}
		m := Merge(MergeOptions{Queue: 1 + cut.IntN(8)}, sources...)
		got, err := all(t, m)
		m.Close()
		if err != io.EOF {
			t.Fatal(err)
		}
		if seed == 0 {
			want = got
			if len(got.Frames)+len(got.Lines)+len(got.Notes) != 900 || len(got.Losses) != 0 {
				t.Fatalf("%d frames, %d lines, %d notes, losses %v; want 900 in all and no loss", len(got.Frames), len(got.Lines), len(got.Notes), got.Losses)
			}
			if !slices.IsSortedFunc(got.Frames, func(x, y Frame) int { return int(x.Time - y.Time) }) {
				t.Fatal("frames are not in time order")
			}
			continue
		}
		if !reflect.DeepEqual(got, want) {
			t.Fatalf("seed %d gives another result", seed)
		}
	}
}

func TestMergeWindow(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		start := time.Now()
		m := Merge(MergeOptions{Window: 50 * time.Millisecond},
			newScript("a", nil, step{10 * time.Millisecond, frames(ms(10))}, step{20 * time.Millisecond, frames(ms(25), ms(30))}),
			newScript("b", nil, step{35 * time.Millisecond, frames(ms(5), ms(20))}))
		defer m.Close()
		var b Batch
		next := func(at time.Duration, want ...string) {
			t.Helper()
			b.Reset()
			if err := m.Next(t.Context(), &b); err != nil {
				t.Fatal(err)
			}
			if got := busTimes(b); !slices.Equal(got, want) || time.Since(start) != at {
				t.Errorf("after %v: %v; want after %v: %v", time.Since(start), got, at, want)
			}
		}
		// As soon as b has come to 20 ms, all up to there goes out in order.
		next(35*time.Millisecond, "b 5000000", "a 10000000", "b 20000000")
		// b says no more: what came at 30 ms goes out when its window is over.
		next(80*time.Millisecond, "a 25000000", "a 30000000")
		if len(b.Notes) != 0 {
			t.Errorf("nothing came late, but: %v", b.Notes)
		}
	})
}

func TestMergeLate(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		m := Merge(MergeOptions{Window: 50 * time.Millisecond},
			newScript("a", io.EOF, step{0, frames(ms(10))}),
			newScript("b", io.EOF, step{200 * time.Millisecond, frames(ms(4), ms(12))}))
		defer m.Close()
		b, err := all(t, m)
		want := []string{"a 10000000", "b 10000000", "b 12000000"}
		if got := busTimes(b); !slices.Equal(got, want) || err != io.EOF {
			t.Errorf("got %v, %v; want %v", got, err, want)
		}
		if len(b.Notes) != 1 || !strings.Contains(b.Notes[0].Text, "1 frames or lines came up to 6ms behind") {
			t.Errorf("notes %v; want one about the frame that came 6 ms late", b.Notes)
		}
	})
}

func TestMergeSlowReader(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var many []Stamp
		for i := range 100 {
			many = append(many, ms(i))
		}
		m := Merge(MergeOptions{Window: 10 * time.Millisecond, Queue: 30},
			newScript("a", io.EOF, step{0, frames(many...)}),
			newScript("b", io.EOF, step{0, frames(ms(1))}))
		defer m.Close()
		synctest.Wait() // nobody reads until all has come
		b, err := all(t, m)
		if len(b.Frames) != 31 || err != io.EOF {
			t.Errorf("%d frames, %v; want 30 of a and 1 of b", len(b.Frames), err)
		}
		want := []Loss{{Time: ms(99), Channel: b.Losses[0].Channel, Reason: ReasonQueue, Count: 70, Detail: "the program did not keep up with its sources"}}
		if !reflect.DeepEqual(b.Losses, want) || b.Channels[b.Losses[0].Channel].Name != "a" {
			t.Errorf("losses %+v, want %+v on a", b.Losses, want)
		}
	})
}

func TestMergeOneFails(t *testing.T) {
	broken := errors.New("adapter a unplugged")
	m := Merge(MergeOptions{},
		declared{newScript("a", broken, step{batch: frames(3)})},
		declared{newScript("b", io.EOF, step{batch: frames(1, 5)})})
	defer m.Close()
	b, err := all(t, m)
	if got, want := busTimes(b), []string{"b 1", "a 3", "b 5"}; !slices.Equal(got, want) || err != io.EOF {
		t.Errorf("got %v, %v; want %v and io.EOF", got, err, want)
	}
	if len(b.Notes) != 1 || b.Notes[0].Kind != "lost" || b.Notes[0].Text != broken.Error() || b.Notes[0].Channel != 0 {
		t.Errorf("notes %+v, want one that a is lost", b.Notes)
	}
	if len(b.Losses) != 1 || b.Losses[0].Reason != ReasonUnknown || b.Losses[0].Channel != 0 {
		t.Errorf("losses %+v, want one of a", b.Losses)
	}

	m = Merge(MergeOptions{}, newScript("a", broken), newScript("b", broken))
	defer m.Close()
	if _, err := all(t, m); !errors.Is(err, broken) {
		t.Errorf("all failed: got %v, want their error", err)
	}
}

func TestMergeChannels(t *testing.T) {
	m := Merge(MergeOptions{}, declared{newScript("a", io.EOF)}, newScript("b", io.EOF), declared{newScript("c", io.EOF)})
	defer m.Close()
	b, _ := all(t, m)
	var names []string
	for _, c := range b.Channels {
		names = append(names, c.Name)
	}
	if want := []string{"a", "c", "b"}; !slices.Equal(names, want) {
		t.Errorf("channels %v, want %v: those known beforehand first", names, want)
	}

	many := newScript("x", io.EOF)
	for range 299 {
		many.channels = append(many.channels, Channel{Name: "x"})
	}
	many.steps = []step{{batch: Batch{Frames: []Frame{{Time: 1, Bus: 254}, {Time: 2, Bus: 255}}}}}
	m = Merge(MergeOptions{}, many, newScript("y", io.EOF))
	defer m.Close()
	b, _ = all(t, m)
	if len(b.Frames) != 1 || len(b.Channels) != 255 || len(b.Losses) != 1 || b.Losses[0].Count != 1 {
		t.Errorf("300 channels: %d frames, %d channels, losses %v; want 1, 255 and 1 lost", len(b.Frames), len(b.Channels), b.Losses)
	}
}

func TestMergeOneSource(t *testing.T) {
	s := newScript("a", io.EOF)
	if m := Merge(MergeOptions{Window: time.Second}, s); m != Source(s) {
		t.Errorf("one source: got %T, want the source itself", m)
	}
}

func TestMergeClose(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		m := Merge(MergeOptions{Window: time.Second}, newScript("a", nil), newScript("b", nil))
		waiting := make(chan error)
		go func() { waiting <- m.Next(t.Context(), new(Batch)) }()
		synctest.Wait()
		if err := m.Close(); err != nil {
			t.Error(err)
		}
		if err := <-waiting; !errors.Is(err, os.ErrClosed) {
			t.Errorf("a waiting Next got %v, want os.ErrClosed", err)
		}
		if err := m.Close(); !errors.Is(err, os.ErrClosed) {
			t.Errorf("closed twice: %v", err)
		}

		m = Merge(MergeOptions{Window: time.Second}, newScript("a", nil), newScript("b", nil))
		defer m.Close()
		ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
		defer cancel()
		if err := m.Next(ctx, new(Batch)); !errors.Is(err, context.DeadlineExceeded) {
			t.Errorf("got %v at the end of the context", err)
		}
	})
}

// TestMergeForgetful checks that memory is bounded while nobody reads for long.
func TestMergeForgetful(t *testing.T) {
	a := newScript("a", io.EOF)
	for i := range 3 * maxWords {
		b := frames(Stamp(i))
		b.Losses = []Loss{{Time: Stamp(i), Reason: ReasonMalformed, Count: 2}}
		b.Notes = []Note{{Time: Stamp(i)}}
		a.steps = append(a.steps, step{time.Millisecond, b})
	}
	synctest.Test(t, func(t *testing.T) {
		a.stop = make(chan struct{})
		m := Merge(MergeOptions{Window: time.Hour}, a, newScript("b", io.EOF)).(*merge)
		defer m.Close()
		<-time.After(time.Minute)
		synctest.Wait()
		in := m.inputs[0]
		if len(in.held.Losses) != maxWords || len(in.held.Notes) != maxWords || len(m.seen) > maxSeen {
			t.Errorf("held: %d losses, %d notes, %d arrivals", len(in.held.Losses), len(in.held.Notes), len(m.seen))
		}
		var sum uint64
		for _, l := range in.held.Losses {
			sum += l.Count
		}
		if sum != 6*maxWords {
			t.Errorf("%d lost lines counted, want %d", sum, 6*maxWords)
		}
	})
}

func BenchmarkMerge(b *testing.B) {
	const n = 4096
	for _, sources := range []int{2, 4} {
		b.Run(fmt.Sprintf("sources=%d", sources), func(b *testing.B) {
			total := 0
			var out Batch
			for b.Loop() {
				var in []Source
				for i := range sources {
					s := newScript("x", io.EOF)
					for k := range 8 {
						var batch Batch
						for j := range n / 8 {
							batch.Frames = append(batch.Frames, Frame{Time: Stamp((k*n/8+j)*10 + i)})
						}
						s.steps = append(s.steps, step{batch: batch})
					}
					in = append(in, s)
				}
				m := Merge(MergeOptions{}, in...)
				for {
					out.Reset()
					if m.Next(context.Background(), &out) != nil {
						break
					}
					total += len(out.Frames)
				}
				m.Close()
			}
			b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(total), "ns/frame")
		})
	}
}

// Channels and Send are asked from other goroutines while Next runs and at the end:
// for the race detector.
func TestMergeIsSharedSafely(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var steps []step
		for i := range 50 {
			steps = append(steps, step{time.Millisecond, frames(ms(i))})
		}
		m := Merge(MergeOptions{Window: 5 * time.Millisecond}, newScript("a", io.EOF, steps...), &outlet{declared: declared{newScript("b", io.EOF, steps...)}})
		stop := make(chan struct{})
		for range 2 {
			go func() {
				for {
					select {
					case <-stop:
						return
					case <-time.After(time.Millisecond):
						_ = m.(Channeler).Channels()
						_ = Send(m, Frame{Bus: 1})
					}
				}
			}()
		}
		if b, err := all(t, m); err != io.EOF || len(b.Frames) != 100 {
			t.Errorf("%d frames, %v; want 100 and io.EOF", len(b.Frames), err)
		}
		close(stop)
		m.Close()
	})
}
