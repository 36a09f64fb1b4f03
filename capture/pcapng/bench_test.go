package pcapng

import (
	"bytes"
	"context"
	"io"
	"testing"
	"time"

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

func walkAll(b *testing.B, file []byte) {
	if n, err := Walk(bytes.NewReader(file)); err != nil || n.Packets != benchFrames {
		b.Fatal(n, err)
	}
}

func readAll(b *testing.B, file []byte, batch *capture.Batch) {
	n := 0
	r := NewReader(bytes.NewReader(file), "")
	for {
		batch.Reset()
		if err := r.Next(context.Background(), batch); err == io.EOF {
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

func perFrame(d time.Duration, n int) float64 {
	return float64(d.Nanoseconds()) / float64(n) / benchFrames
}

func BenchmarkWalk(b *testing.B) {
	file := benchFile()
	b.SetBytes(int64(len(file)))
	for b.Loop() {
		walkAll(b, file)
	}
	b.ReportMetric(perFrame(b.Elapsed(), b.N), "ns/frame")
}

func BenchmarkRead(b *testing.B) {
	file := benchFile()
	var batch capture.Batch
	b.SetBytes(int64(len(file)))
	for b.Loop() {
		readAll(b, file, &batch)
	}
	b.ReportMetric(perFrame(b.Elapsed(), b.N), "ns/frame")
}

// BenchmarkReadAgainstWalk takes turns, so that its ratio means something on a
// machine that does other things as well.
func BenchmarkReadAgainstWalk(b *testing.B) {
	file := benchFile()
	var batch capture.Batch
	var walking, reading time.Duration
	for b.Loop() {
		start := time.Now()
		walkAll(b, file)
		middle := time.Now()
		readAll(b, file, &batch)
		walking += middle.Sub(start)
		reading += time.Since(middle)
	}
	b.ReportMetric(perFrame(walking, b.N), "walk-ns/frame")
	b.ReportMetric(perFrame(reading, b.N), "read-ns/frame")
	b.ReportMetric(float64(reading)/float64(walking), "read/walk")
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
