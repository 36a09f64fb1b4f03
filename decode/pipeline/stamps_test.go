package pipeline

import (
	"encoding/binary"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"gearwitness/capture"
	"gearwitness/decode"
	"gearwitness/decode/procedure"
)

// chained runs traffic through the whole chain with a procedure waiting to begin, and
// returns samples and events as lines.
func chained(t testing.TB, p *Pipeline, b *capture.Batch) (samples, events []string, out decode.Output) {
	t.Helper()
	p.Inject(procedure.Request{Procedure: "warm_up", Action: procedure.Begin, Wait: true}.Event(3_333_333_333))
	if err := p.Push(b, &out); err != nil {
		t.Fatal(err)
	}
	p.Finish(&out)
	samples, events = texts(t, p.Table(), &out)
	return samples, events, out
}

// A frame with a time stamp that cannot be right costs itself and nothing else: the
// rest gives what it gives without that frame, and a note says so.
func TestOneWrongStamp(t *testing.T) {
	f, traffic := drive(t, 8*time.Second)
	for name, stamp := range map[string]capture.Stamp{
		"the last there is":   math.MaxInt64,
		"the first there is":  math.MinInt64,
		"2116":                capture.Farthest,
		"before 1824":         -capture.Farthest,
		"just possible":       capture.Farthest - 1,
		"2100":                4_102_444_800e9,
		"an hour and more":    3609e9,
		"long before":         -1e18,
		"just possible, past": -capture.Farthest + 1,
	} {
		for where, i := range map[string]int{"first": 0, "in between": len(traffic.Frames) / 2, "last but one": len(traffic.Frames) - 2} {
			t.Run(name+"/"+where, func(t *testing.T) {
				wrong := *traffic
				wrong.Frames = slices.Clone(traffic.Frames)
				wrong.Frames[i].Time = stamp
				without := *traffic
				without.Frames = slices.Delete(slices.Clone(traffic.Frames), i, i+1)
				p, err := New(f, Options{})
				if err != nil {
					t.Fatal(err)
				}
				samples, events, _ := chained(t, p, &wrong)
				if p, err = New(f, Options{}); err != nil {
					t.Fatal(err)
				}
				want, wantEvents, _ := chained(t, p, &without)
				if i == 0 && stamp < 0 && -capture.Farthest < stamp {
					// It begins the recording, which then has a gap as long as that.
					if len(samples) < len(want)-1000 {
						t.Errorf("%d samples; %d without that frame", len(samples), len(want))
					}
					return
				}
				wantLines(t, samples, want...)
				notes := slices.DeleteFunc(events, func(e string) bool { return slices.Contains(wantEvents, e) })
				if len(notes) != 1 || !strings.Contains(notes[0], "a time stamp of ") && !strings.Contains(notes[0], "steps back by ") {
					t.Errorf("events beside those without that frame: %q; want one note", notes)
				}
			})
		}
	}
}

// A gap of any length is a gap: what bears the new time is decoded.
func TestTheYearAfterNext(t *testing.T) {
	for _, far := range []capture.Stamp{3 * capture.Leap, 70 * 365 * 24 * capture.Leap, capture.Farthest - 2*Tick} {
		f := twoShafts()
		f.Transmission, f.Alarms, f.Computed = nil, nil, nil
		p := newPipeline(t, f, Options{})
		out, events := run(t, p, frame(0, 2, 1, 2), frame(far, 2, 3, 4), frame(far+Tick, 2, 5, 6))
		if c := p.Counters(); len(out) != 6 || c.Timeless+c.TooLate+c.Late > 0 {
			t.Errorf("after a gap of %v: samples %q, events %q, %+v", time.Duration(far), out, events, c)
		}
		if p.Now() != far+Tick {
			t.Errorf("now %d, want %d", p.Now(), far+Tick)
		}
	}
}

// A line far ahead keeps none of those behind it waiting, and lines with stamps that
// cannot be right are counted.
func TestLinesWithWrongStamps(t *testing.T) {
	for _, split := range []bool{false, true} {
		p := newPipeline(t, twoShafts(), Options{})
		var lines []capture.Line
		for i, at := range []capture.Stamp{0, math.MaxInt64, 100 * ms, 50 * capture.Leap, 200 * ms, math.MinInt64, 300 * ms} {
			lines = append(lines, capture.Line{Time: at, Port: 1, Text: string(rune('a' + i))})
		}
		var out decode.Output
		for len(lines) > 0 {
			n := len(lines)
			if split {
				n = 1
			}
			if err := p.Push(&capture.Batch{Channels: channels, Lines: lines[:n]}, &out); err != nil {
				t.Fatal(err)
			}
			lines = lines[n:]
		}
		if p.Now() != 200*ms {
			t.Errorf("now %d ns; want 0.2 s, for the last line waits", p.Now())
		}
		p.Finish(&out)
		c := p.Counters()
		if c.Timeless != 3 || c.Channels[1].Lines != 4 || p.Now() != 300*ms {
			t.Errorf("wrong stamps %d, lines %d, now %d ns; want 3, 4 and 0.3 s", c.Timeless, c.Channels[1].Lines, p.Now())
		}
		_, events := texts(t, p.Table(), &out)
		wantLines(t, events, `{"time_s":0.3,"kind":"note","text":"a time stamp of 9223372036.854775807 s cannot be right; what bears such a stamp is not decoded"}`)
	}
}

// Stamps of any kind cost no more than as many gaps, whatever batches they come in.
func FuzzStamps(f *testing.F) {
	file, traffic := drive(f, 4*time.Second)
	add := func(stamps ...int64) {
		var b []byte
		for _, s := range stamps {
			b = binary.LittleEndian.AppendUint64(b, uint64(s))
		}
		f.Add(b, uint8(3))
	}
	add(0, math.MaxInt64, 10e6, math.MinInt64, 20e6)
	add(1e18, -1e18, 1e18+1, 1e18+3600e9, 1e18+7200e9, 1e18)
	add(math.MaxInt64/2-1, math.MaxInt64/2-2, math.MinInt64/2+2, 5, 6, math.MaxInt64)
	add(math.MinInt64/2+2, -5, 0, 4e18, 4e18+1, 4e18+20e6, 4e18+40e6, 4.5e18, 4.5e18+1)
	f.Fuzz(func(t *testing.T, raw []byte, part uint8) {
		n := min(len(raw)/8, 24)
		var frames []capture.Frame
		for i := range n {
			fr := traffic.Frames[i%len(traffic.Frames)]
			fr.Time = capture.Stamp(binary.LittleEndian.Uint64(raw[8*i:]))
			frames = append(frames, fr)
		}
		newChain := func() *Pipeline {
			p, err := New(file, Options{})
			if err != nil {
				t.Fatal(err)
			}
			return p
		}
		whole := newChain()
		want, wantEvents, out := chained(t, whole, &capture.Batch{Channels: traffic.Channels, Frames: frames})
		// Behind each frame the analysis runs on until everything has grown stale, some
		// two seconds of ticks, each with a sample of each of its figures.
		analysed := 0
		for _, s := range out.Samples {
			if whole.Table().Signals[s.Signal].Origin == decode.FromAnalysis {
				analysed++
			}
		}
		if most := (n + 1) * 300 * 30; analysed > most {
			t.Errorf("%d samples of the analysis for %d frames; expected at most %d", analysed, n, most)
		}
		c := whole.Counters()
		if got := int(c.Channels[0].Frames + c.TooLate + c.Timeless); got != n {
			t.Errorf("%d frames of %d are accounted for: %+v", got, n, c)
		}
		split := newChain()
		split.Inject(procedure.Request{Procedure: "warm_up", Action: procedure.Begin, Wait: true}.Event(3_333_333_333))
		var got decode.Output
		for b := range slices.Chunk(frames, int(part%7)+1) {
			if err := split.Push(&capture.Batch{Channels: traffic.Channels, Frames: b}, &got); err != nil {
				t.Fatal(err)
			}
		}
		split.Finish(&got)
		samples, events := texts(t, split.Table(), &got)
		wantLines(t, samples, want...)
		wantLines(t, events, wantEvents...)
	})
}
