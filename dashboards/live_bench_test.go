package dashboards

import (
	"fmt"
	"io"
	"testing"
	"time"

	"gearwitness/capture"
	"gearwitness/dashboards/board"
	"gearwitness/dashboards/board/boardtest"
	"gearwitness/decode"
)

// saturated is what 20 ms of a full 1 Mbit/s bus give: about 9,000 frames a
// second with four signals each, and the analysis at 100 Hz.
func saturated(f *boardtest.Feed) decode.Output {
	var out decode.Output
	for i := range 180 * 4 {
		out.Samples = append(out.Samples, decode.Sample{Signal: int32(i % len(f.Table.Signals)), Value: float64(i)})
	}
	return out
}

func take(b *board.Board, out *decode.Output, at capture.Stamp) {
	n := capture.Stamp(len(out.Samples))
	for i := range out.Samples {
		out.Samples[i].Time = at + capture.Stamp(i)*capture.Stamp(20*time.Millisecond)/n
	}
	b.Take(out)
}

func BenchmarkTake(b *testing.B) {
	for _, clients := range []int{0, 8} {
		b.Run(fmt.Sprintf("slow-clients=%d", clients), func(b *testing.B) {
			f := boardtest.New(0)
			shown := f.Board(capture.NewSessionClock())
			out := saturated(f)
			s := NewServer(Options{Board: shown})
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
				take(shown, &out, at)
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
	f := boardtest.New(0)
	shown := f.Board(capture.NewSessionClock())
	out := saturated(f)
	st := stream{s: NewServer(Options{Board: shown}), sent: make([]board.Reading, len(f.Table.Signals)), now: make([]board.Reading, len(f.Table.Signals))}
	bytes := 0
	b.ReportAllocs()
	for i := 0; b.Loop(); i++ {
		for k := range out.Samples {
			out.Samples[k].Value = float64(i%1000 + k)
		}
		take(shown, &out, capture.Stamp(i)*capture.Stamp(liveEvery))
		st.buf = st.buf[:0]
		st.values()
		bytes += len(st.buf)
	}
	b.ReportMetric(float64(bytes)/float64(b.N), "B/update")
}
