package board_test

import (
	"encoding/json"
	"fmt"
	"testing"
	"time"

	"gearwitness/capture"
	"gearwitness/dashboards/board"
	"gearwitness/dashboards/board/boardtest"
)

// The daemon's goroutine pays for Take and Batch; neither allocates.
func TestTakeAllocates(t *testing.T) {
	f := boardtest.New(0)
	b := f.Board(capture.NewSessionClock())
	f.Run(b, 2*time.Second)
	f.Out.Reset()
	f.Batch.Reset()
	f.Advance()
	if n := testing.AllocsPerRun(100, func() {
		f.Now = f.Now.Add(boardtest.Step)
		for i := range f.Out.Samples {
			f.Out.Samples[i].Time = f.Now
		}
		for i := range f.Batch.Frames {
			f.Batch.Frames[i].Time = f.Now
		}
		b.Batch(&f.Batch)
		b.Take(&f.Out)
	}); n != 0 {
		t.Errorf("got %g allocations a batch, want 0", n)
	}
}

// What is noted for the bus view costs no allocation once its memory is full.
func TestTrafficAllocates(t *testing.T) {
	b, batch := busy(100)
	for range 600 {
		later(batch, 1600*time.Millisecond)
		b.Batch(batch)
	}
	if n := testing.AllocsPerRun(100, func() {
		later(batch, 1600*time.Millisecond)
		b.Batch(batch)
	}); n != 0 {
		t.Errorf("got %g allocations a batch, want 0", n)
	}
}

// busy is a board and 20 ms of a saturated 1 Mbit/s bus: about 9,000 frames a
// second of 8 bytes, of so many identifiers, none of them described.
func busy(ids int) (*board.Board, *capture.Batch) {
	f := boardtest.New(0)
	b := f.Board(nil)
	batch := &capture.Batch{Channels: f.Batch.Channels}
	for i := range 180 {
		batch.Frames = append(batch.Frames, capture.Frame{Time: capture.Stamp(i) * 111_111, ID: uint32(i%ids) * 7, Len: 8})
	}
	return b, batch
}

func later(b *capture.Batch, d time.Duration) {
	for i := range b.Frames {
		f := &b.Frames[i]
		f.Time = f.Time.Add(d)
		f.Data[0]++
		f.Data[2] += byte(i)
		f.Data[7] ^= f.Data[2] >> 3
	}
}

// The share of a core that noting a saturated bus takes: the goal is under 3 %.
func BenchmarkBatch(b *testing.B) {
	for _, ids := range []int{10, 100, 180} {
		b.Run(fmt.Sprintf("identifiers=%d", ids), func(b *testing.B) {
			board, batch := busy(ids)
			b.ReportAllocs()
			for b.Loop() {
				later(batch, 20*time.Millisecond)
				board.Batch(batch)
			}
			per := b.Elapsed().Seconds() / float64(b.N)
			b.ReportMetric(100*per/0.020, "%core-at-1Mbit/s")
		})
	}
}

func BenchmarkHistory(b *testing.B) {
	f := boardtest.New(0)
	board := f.Board(nil)
	f.Run(board, 10*time.Minute)
	which := []int32{0, 1, 2, 12, 13, 14, 15, 16, 17, 18, 19, 20}
	b.ReportAllocs()
	for b.Loop() {
		h := board.History(which, 0, f.Now, 2000)
		if len(h.X) == 0 {
			b.Fatal("nothing there")
		}
	}
}

// What one question costs, of a page that asks once a second.
func BenchmarkBusView(b *testing.B) {
	shown, batch := busy(100)
	for range 3000 {
		later(batch, 20*time.Millisecond)
		shown.Batch(batch)
	}
	size := 0
	for b.Loop() {
		body, err := json.Marshal(shown.Traffic())
		if err != nil {
			b.Fatal(err)
		}
		size = len(body)
	}
	b.ReportMetric(float64(size), "B/answer")
}
