package pipeline

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"slices"
	"testing"
	"time"

	"gearwitness/capture"
	"gearwitness/capture/pcapng"
	"gearwitness/capture/testneed"
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

// BenchmarkOffline walks over the blocks of a capture file, reads it and decodes
// it in turn. Of each the fastest round counts, for whatever else the machine
// does only adds time; the ratios then mean something on any machine. Goals,
// set when the walk took 9 ns a frame: 0.3 of its speed for decoding alone, 0.12
// with the whole analysis, which is 30 and 75 ns a frame; an hour of a saturated
// 1 Mbit/s bus in under 3 s.
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
			var walking, reading, decoding fastest
			samples := 0
			for b.Loop() {
				walking.run(func() { walk(b, file, frames) })
				reading.run(func() { offline(b, file, nil) })
				p, err := New(f, c.o)
				if err != nil {
					b.Fatal(err)
				}
				decoding.run(func() { samples = offline(b, file, p) })
			}
			per := func(d fastest) float64 { return float64(d) / frames }
			b.ReportMetric(per(walking), "walk-ns/frame")
			b.ReportMetric(per(reading), "read-ns/frame")
			b.ReportMetric(per(decoding), "decode-ns/frame")
			b.ReportMetric(1e9/per(decoding), "frames/s")
			b.ReportMetric(per(decoding)*9000*3600/1e9, "s/hour-at-1Mbit/s")
			b.ReportMetric(float64(walking)/float64(decoding), "of-walk")
			b.ReportMetric(float64(samples)/frames, "samples/frame")
		})
	}
}

// fastest is the shortest time [ns] that something took.
type fastest int64

func (f *fastest) run(work func()) {
	start := time.Now()
	work()
	if d := fastest(time.Since(start)); *f == 0 || d < *f {
		*f = d
	}
}

// BenchmarkAgainstTshark compares decoding with tshark (GPL, an independent
// reader) printing identifiers and data of the same file. Goal: at least 100
// times faster; the whole analysis stands beside it for comparison.
func BenchmarkAgainstTshark(b *testing.B) {
	tshark := testneed.Tool(b, "tshark")
	const frames = 200_000 // enough for tshark's start not to matter
	f, traffic := drive(b, time.Minute)
	file := saturated(b, traffic, frames)
	var printing, decoding, whole fastest
	chain := func(o Options) func() {
		return func() {
			p, err := New(f, o)
			if err != nil {
				b.Fatal(err)
			}
			offline(b, file, p)
		}
	}
	for b.Loop() {
		printing.run(func() {
			cmd := exec.Command(tshark, "-r", file, "-T", "fields", "-e", "can.id", "-e", "data.data")
			lines := new(lineCount)
			cmd.Stdout = lines
			if err := cmd.Run(); err != nil || *lines != frames {
				b.Fatalf("tshark: %v; %d lines, want %d", err, *lines, frames)
			}
		})
		for range 5 {
			decoding.run(chain(Options{DecodeOnly: true}))
			whole.run(chain(Options{}))
		}
	}
	b.ReportMetric(float64(printing)/frames, "tshark-ns/frame")
	b.ReportMetric(float64(decoding)/frames, "decode-ns/frame")
	b.ReportMetric(float64(printing)/float64(decoding), "times-faster")
	b.ReportMetric(float64(printing)/float64(whole), "times-faster-whole")
}

// lineCount counts the lines written to it.
type lineCount int

func (n *lineCount) Write(p []byte) (int, error) {
	*n += lineCount(bytes.Count(p, []byte{'\n'}))
	return len(p), nil
}

// BenchmarkTenHours runs ten hours of driving through the whole chain and tells
// the most memory it had. Goal: independent of the length, and far below the
// 150 MB that the whole program may take.
func BenchmarkTenHours(b *testing.B) {
	f, traffic := drive(b, 5*time.Minute)
	for _, hours := range []int{1, 10} {
		b.Run(fmt.Sprintf("hours=%d", hours), func(b *testing.B) {
			runtime.GC()
			var before, now runtime.MemStats
			runtime.ReadMemStats(&before)
			most := uint64(0)
			for b.Loop() {
				p, err := New(f, Options{})
				if err != nil {
					b.Fatal(err)
				}
				var out decode.Output
				batch := capture.Batch{Channels: traffic.Channels}
				for again := range hours * 12 {
					for part := range slices.Chunk(traffic.Frames, 1024) {
						batch.Reset()
						batch.Frames = append(batch.Frames, part...)
						for i := range batch.Frames {
							batch.Frames[i].Time += capture.Stamp(again) * capture.Stamp(5*time.Minute)
						}
						out.Reset()
						if err := p.Push(&batch, &out); err != nil {
							b.Fatal(err)
						}
					}
					runtime.ReadMemStats(&now)
					most = max(most, now.HeapInuse+now.StackInuse-min(before.HeapInuse+before.StackInuse, now.HeapInuse))
				}
			}
			b.ReportMetric(float64(most)/(1<<20), "peak-MiB")
			b.ReportMetric(float64(hours)*float64(b.N)*3600/b.Elapsed().Seconds(), "times-real-time")
		})
	}
}

// The whole chain allocates for what happened (events, and records of shifts),
// not for frames, samples or ticks.
func TestWholeChainAllocatesForEventsOnly(t *testing.T) {
	f, traffic := drive(t, 2*time.Minute)
	p, err := New(f, Options{})
	if err != nil {
		t.Fatal(err)
	}
	half := len(traffic.Frames) / 2
	batch := capture.Batch{Channels: traffic.Channels}
	var out decode.Output
	events := 0
	push := func(frames []capture.Frame) {
		for part := range slices.Chunk(frames, 1024) {
			batch.Frames = part
			out.Reset()
			if err := p.Push(&batch, &out); err != nil {
				t.Fatal(err)
			}
			events += len(out.Events)
		}
	}
	push(traffic.Frames[:half])
	var before, after runtime.MemStats
	events = 0
	runtime.ReadMemStats(&before)
	push(traffic.Frames[half:])
	runtime.ReadMemStats(&after)
	if n, most := after.Mallocs-before.Mallocs, uint64(100+50*events); events == 0 || n > most {
		t.Errorf("%d allocations for %d frames with %d events; expected at most %d, and some events", n, len(traffic.Frames)-half, events, most)
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
