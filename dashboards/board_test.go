package dashboards

import (
	"fmt"
	"io"
	"testing"
	"time"

	"gearwitness/capture"
	"gearwitness/decode"
)

// The daemon's goroutine pays for Take and Batch; neither allocates.
func TestTakeAllocates(t *testing.T) {
	f := newFeed(0)
	b := f.board(capture.NewSessionClock())
	f.run(b, 2*time.Second)
	f.out.Reset()
	f.batch.Reset()
	f.step()
	if n := testing.AllocsPerRun(100, func() {
		f.now = f.now.Add(feedStep)
		for i := range f.out.Samples {
			f.out.Samples[i].Time = f.now
		}
		for i := range f.batch.Frames {
			f.batch.Frames[i].Time = f.now
		}
		b.Batch(&f.batch)
		b.Take(&f.out)
	}); n != 0 {
		t.Errorf("got %g allocations a batch, want 0", n)
	}
}

// saturated is what 20 ms of a full 1 Mbit/s bus give: about 9,000 frames a
// second with four signals each, and the analysis at 100 Hz.
func saturated(f *feed) decode.Output {
	var out decode.Output
	for i := range 180 * 4 {
		out.Samples = append(out.Samples, decode.Sample{Signal: int32(i % len(f.table.Signals)), Value: float64(i)})
	}
	return out
}

func take(b *Board, out *decode.Output, at capture.Stamp) {
	n := capture.Stamp(len(out.Samples))
	for i := range out.Samples {
		out.Samples[i].Time = at + capture.Stamp(i)*capture.Stamp(20*time.Millisecond)/n
	}
	b.Take(out)
}

func BenchmarkTake(b *testing.B) {
	for _, clients := range []int{0, 8} {
		b.Run(fmt.Sprintf("slow-clients=%d", clients), func(b *testing.B) {
			f := newFeed(0)
			board := f.board(capture.NewSessionClock())
			out := saturated(f)
			s := NewServer(Options{Board: board})
			p, stop := start(b, s)
			for range clients { // they ask and never read
				c := p.dial(b)
				defer c.Close()
				if _, err := io.WriteString(c, "GET /api/v1/live HTTP/1.1\r\nHost: localhost\r\n\r\n"); err != nil {
					b.Fatal(err)
				}
			}
			at := capture.Stamp(0)
			b.ReportAllocs()
			for b.Loop() {
				at += capture.Stamp(20 * time.Millisecond)
				take(board, &out, at)
			}
			per := b.Elapsed().Seconds() / float64(b.N)
			b.ReportMetric(float64(len(out.Samples))/per, "samples/s")
			b.ReportMetric(100*per/0.020, "%core-at-1Mbit/s")
			stop()
		})
	}
}

// The cost of one page: what is sent 20 times a second, every signal changing.
func BenchmarkLiveUpdate(b *testing.B) {
	f := newFeed(0)
	board := f.board(capture.NewSessionClock())
	out := saturated(f)
	st := stream{s: NewServer(Options{Board: board}), sent: make([]reading, len(board.latest)), now: make([]reading, len(board.latest))}
	bytes := 0
	b.ReportAllocs()
	for i := 0; b.Loop(); i++ {
		for k := range out.Samples {
			out.Samples[k].Value = float64(i%1000 + k)
		}
		take(board, &out, capture.Stamp(i)*capture.Stamp(liveEvery))
		st.buf = st.buf[:0]
		st.values()
		bytes += len(st.buf)
	}
	b.ReportMetric(float64(bytes)/float64(b.N), "B/update")
}

func BenchmarkHistory(b *testing.B) {
	f := newFeed(0)
	board := f.board(nil)
	f.run(board, 10*time.Minute)
	which := []int32{0, 1, 2, 12, 13, 14, 15, 16, 17, 18, 19, 20}
	b.ReportAllocs()
	for b.Loop() {
		h := board.History(which, 0, f.now, 2000)
		if len(h.X) == 0 {
			b.Fatal("nothing there")
		}
	}
}
