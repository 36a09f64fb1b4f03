package pcapng

import (
	"bytes"
	"context"
	"io"
	"testing"

	"gearwitness/capture"
)

// traffic makes a batch of n classic frames with 8 bytes, a tenth of a
// millisecond apart, half of them with 29 bits.
func traffic(n int) *capture.Batch {
	b := &capture.Batch{Channels: []capture.Channel{{Name: "powertrain", Device: "can0", BitRate: 500_000}}}
	for i := range n {
		f := capture.Frame{Time: capture.Stamp(1_700_000_000_000_000_000 + int64(i)*100_000), ID: 0x123, Len: 8}
		if i%2 == 1 {
			f.ID, f.Flags = 0x0CF00400, capture.Extended
		}
		le.PutUint64(f.Data[:], uint64(i)*0x9E3779B97F4A7C15)
		b.Frames = append(b.Frames, f)
	}
	return b
}

const benchFrames = 1 << 17

func benchFile() []byte {
	e := NewEncoder(Header{Application: "bench"})
	return e.AppendBatch(nil, traffic(benchFrames))
}

func BenchmarkWalk(b *testing.B) {
	file := benchFile()
	r := bytes.NewReader(nil)
	b.SetBytes(int64(len(file)))
	for b.Loop() {
		r.Reset(file)
		if n, err := Walk(r); err != nil || n.Packets != benchFrames {
			b.Fatal(n, err)
		}
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/benchFrames, "ns/frame")
}

func BenchmarkRead(b *testing.B) {
	file := benchFile()
	var batch capture.Batch
	ctx := context.Background()
	b.SetBytes(int64(len(file)))
	for b.Loop() {
		n := 0
		r := NewReader(bytes.NewReader(file), "")
		for {
			batch.Reset()
			if err := r.Next(ctx, &batch); err == io.EOF {
				break
			} else if err != nil {
				b.Fatal(err)
			}
			n += len(batch.Frames)
		}
		if n != benchFrames {
			b.Fatal(n)
		}
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/benchFrames, "ns/frame")
}

func BenchmarkEncode(b *testing.B) {
	e := NewEncoder(Header{Application: "bench"})
	batch := traffic(1024)
	var dst []byte
	for b.Loop() {
		dst = e.AppendBatch(dst[:0], batch)
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/1024, "ns/frame")
}
