package pipeline

import (
	"context"
	"errors"
	"io"
	"os"
	"path/filepath"
	"testing"
	"time"

	"gearwitness/capture"
	"gearwitness/capture/pcapng"
	"gearwitness/decode"
	"gearwitness/decode/van"
	"gearwitness/signals"
)

// drive returns the demonstration's vehicle file and some of its traffic.
func drive(b testing.TB, d time.Duration) (*signals.File, *capture.Batch) {
	b.Helper()
	f, found := signals.Parse("van.yaml", signals.Van(), nil)
	if f == nil {
		b.Fatal(found)
	}
	src, err := van.Open(context.Background(), van.Options{Seed: 7, For: d}, f, nil)
	if err != nil {
		b.Fatal(err)
	}
	defer src.Close()
	var all capture.Batch
	for {
		if err := src.Next(context.Background(), &all); errors.Is(err, io.EOF) {
			return f, &all
		} else if err != nil {
			b.Fatal(err)
		}
	}
}

// saturated writes the file of a bus at its limit and returns its path: the
// traffic over and over, at 9,000 frames a second, about what 1 Mbit/s carries.
func saturated(b *testing.B, traffic *capture.Batch, frames int) string {
	b.Helper()
	file, err := os.Create(filepath.Join(b.TempDir(), "bench.pcapng"))
	if err != nil {
		b.Fatal(err)
	}
	defer file.Close()
	w := pcapng.NewWriter(file, pcapng.Header{Application: "bench"})
	batch := capture.Batch{Channels: traffic.Channels}
	for i := range frames {
		f := traffic.Frames[i%len(traffic.Frames)]
		f.Time = capture.Stamp(i) * 1e9 / 9000
		batch.Frames = append(batch.Frames, f)
	}
	if err := w.WriteBatch(&batch); err != nil {
		b.Fatal(err)
	}
	if err := w.Close(batch.Frames[frames-1].Time); err != nil {
		b.Fatal(err)
	}
	return file.Name()
}

// BenchmarkOffline decodes a capture file and walks over its blocks
// in turn, so that the ratio of the two means something on a machine that does
// other things as well. Goals: at least 0.3 of the walk's speed for decoding
// alone, 0.12 with the whole analysis.
func BenchmarkOffline(b *testing.B) {
	const frames = 500_000
	f, traffic := drive(b, time.Minute)
	file := saturated(b, traffic, frames)
	for _, c := range []struct {
		name string
		o    Options
	}{
		{"decode only", Options{DecodeOnly: true}},
		{"whole", Options{}},
	} {
		b.Run(c.name, func(b *testing.B) {
			var walking, reading, decoding time.Duration
			samples := 0
			for b.Loop() {
				start := time.Now()
				walk(b, file, frames)
				walking += time.Since(start)

				start = time.Now()
				offline(b, file, nil)
				reading += time.Since(start)

				start = time.Now()
				p, err := New(f, c.o)
				if err != nil {
					b.Fatal(err)
				}
				samples = offline(b, file, p)
				decoding += time.Since(start)
			}
			per := func(d time.Duration) float64 { return float64(d.Nanoseconds()) / float64(b.N) / frames }
			b.ReportMetric(per(walking), "walk-ns/frame")
			b.ReportMetric(per(reading), "read-ns/frame")
			b.ReportMetric(per(decoding), "decode-ns/frame")
			b.ReportMetric(1e9/per(decoding), "frames/s")
			b.ReportMetric(float64(walking)/float64(decoding), "of-walk")
			b.ReportMetric(float64(samples)/frames, "samples/frame")
		})
	}
}

func walk(b *testing.B, path string, frames uint64) {
	file, err := os.Open(path)
	if err != nil {
		b.Fatal(err)
	}
	defer file.Close()
	if w, err := pcapng.Walk(file); err != nil || w.Packets != frames {
		b.Fatal(w, err)
	}
}

// offline reads a file through p, or only reads it, and returns the number of
// samples.
func offline(b *testing.B, path string, p *Pipeline) (samples int) {
	r, err := pcapng.Open(path)
	if err != nil {
		b.Fatal(err)
	}
	defer r.Close()
	var batch capture.Batch
	var out decode.Output
	for {
		batch.Reset()
		err := r.Next(context.Background(), &batch)
		if errors.Is(err, io.EOF) {
			return samples
		}
		if err != nil {
			b.Fatal(err)
		}
		if p == nil {
			continue
		}
		out.Reset()
		if err := p.Push(&batch, &out); err != nil {
			b.Fatal(err)
		}
		samples += len(out.Samples)
	}
}
