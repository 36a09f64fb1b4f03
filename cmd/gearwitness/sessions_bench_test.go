package main

import (
	"cmp"
	"context"
	"encoding/binary"
	"flag"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"runtime/debug"
	"runtime/metrics"
	"strings"
	"testing"
	"time"

	"gearwitness/capture"
	"gearwitness/capture/archive"
	"gearwitness/signals"
)

var drives = flag.String("drives", "", "lengths of the drives of the benchmark of sessions, such as 1h,10h; as given, for both kinds of traffic")

// BenchmarkSession does with a session all that takes long and reports the most
// that the heap held, and the process: below 150 MB, and the same for a drive
// twice as long. One kind of traffic is the van's as it is, the other a saturated
// bus of 1 Mbit/s.
//
//	go test -run '^$' -bench Session -benchtime 1x ./cmd/gearwitness
//	go test -run '^$' -bench Session/traffic=saturated -benchtime 1x -timeout 3h ./cmd/gearwitness -args -drives 1h,10h
func BenchmarkSession(b *testing.B) {
	for _, traffic := range []struct {
		name   string
		drives string
		open   func(length string) (*signals.File, capture.Source)
	}{
		{"van", "30m,1h", func(length string) (*signals.File, capture.Source) {
			file, err := demoVehicle()
			if err != nil {
				b.Fatal(err)
			}
			return file, drivenVan(b, file, "van:?seed=7&for="+length)
		}},
		{"saturated", "10m,20m", func(length string) (*signals.File, capture.Source) { return openSaturated(b, length) }},
	} {
		b.Run("traffic="+traffic.name, func(b *testing.B) {
			for length := range strings.SplitSeq(cmp.Or(*drives, traffic.drives), ",") {
				b.Run("drive="+length, func(b *testing.B) {
					root := b.TempDir()
					file, from := traffic.open(length)
					name := recordFrom(b, root, file, from, "Long drive", march)
					benchSession(b, root, filepath.Join(root, name))
				})
			}
		})
	}
}

func benchSession(b *testing.B, root, folder string) {
	ctx, quiet := context.Background(), &progress{tell: func(string) {}}
	export := func(as string) func() error {
		return func() error {
			to := filepath.Join(root, "out")
			defer os.RemoveAll(to)
			o := exportOptions{session: folder, output: to, as: as, step: 100 * time.Millisecond}
			return o.run(ctx, io.Discard, io.Discard)
		}
	}
	for _, work := range []struct {
		name string
		do   func() error
	}{
		{"seal", func() error {
			_, err := sealFolder(ctx, folder, nil, quiet)
			return err
		}},
		{"verify", func() error {
			v, found, err := verifyFolder(ctx, folder, archive.VerifyOptions{}, true, quiet)
			if err == nil && !v.Holds {
				err = fmt.Errorf("does not hold: %v", found)
			}
			return err
		}},
		{"report", func() error {
			r, err := reportOf(ctx, folder, "", false, quiet)
			if err != nil {
				return err
			}
			return r.Write(io.Discard)
		}},
		{"compare", func() error {
			_, err := shiftsOf(ctx, folder, "", quiet)
			return err
		}},
		{"decode", func() error {
			o := decodeOptions{input: folder, samples: filepath.Join(root, "samples.csv"), events: filepath.Join(root, "events.jsonl")}
			defer os.Remove(o.samples)
			return o.run(ctx, io.Discard, io.Discard)
		}},
		{"csv", export("csv")},
		{"parquet", export("parquet")},
		{"openmetrics", export("openmetrics")},
		{"zip", export("zip")},
	} {
		b.Run("work="+work.name, func(b *testing.B) {
			peak := watchMemory()
			for b.Loop() {
				if err := work.do(); err != nil {
					b.Fatal(err)
				}
			}
			heap, process := peak()
			b.ReportMetric(float64(heap)/1e6, "peak-MB")
			b.ReportMetric(float64(process)/1e6, "process-MB")
		})
	}
}

// Traffic of a saturated bus.
const (
	undescribed     = 7200 // frames a second that the vehicle file does not know
	undescribedKind = 64   // identifiers
)

// openSaturated is the van on a bus of 1 Mbit/s that carries all it can, about
// 9,000 frames a second: the vehicle's own frames come five times as often,
// 1,800 a second, and frames that nobody has described fill the rest.
func openSaturated(b *testing.B, length string) (*signals.File, capture.Source) {
	text := string(signals.Van())
	for _, change := range [][2]string{{"500 kbit/s", "1 Mbit/s"}, {"every: 10 ms", "every: 2 ms"}, {"every: 20 ms", "every: 4 ms"}, {"every: 100 ms", "every: 20 ms"}} {
		if !strings.Contains(text, change[0]) {
			b.Fatalf("the van's file has no %q", change[0])
		}
		text = strings.ReplaceAll(text, change[0], change[1])
	}
	file, list := signals.Parse("saturated.yaml", []byte(text), nil)
	if err := list.Err(); err != nil {
		b.Fatal(err)
	}
	return file, &saturated{Source: drivenVan(b, file, "van:?seed=7&for="+length)}
}

// saturated adds undescribed frames between those of a source.
type saturated struct {
	capture.Source
	own  capture.Batch
	sent int // undescribed frames
}

func (s *saturated) Next(ctx context.Context, to *capture.Batch) error {
	s.own.Reset()
	err := s.Source.Next(ctx, &s.own)
	to.Channels = s.own.Channels
	to.Losses, to.Notes = append(to.Losses, s.own.Losses...), append(to.Notes, s.own.Notes...)
	for _, f := range s.own.Frames {
		for {
			at := capture.Stamp(s.sent) * 1e9 / undescribed
			if at >= f.Time {
				break
			}
			kind := uint32(s.sent % undescribedKind)
			other := capture.Frame{Time: at, ID: 0x300 + kind, Len: 8, Bus: f.Bus}
			if kind%4 == 0 {
				other.ID, other.Flags = 0x0CFE0000+kind, capture.Extended
			}
			binary.BigEndian.PutUint32(other.Data[:], uint32(s.sent))             // counts
			binary.BigEndian.PutUint32(other.Data[4:], uint32(s.sent)*2654435761) // looks random
			to.Frames = append(to.Frames, other)
			s.sent++
		}
		to.Frames = append(to.Frames, f)
	}
	return err
}

// watchMemory looks each millisecond, until the returned function is called,
// which gives the most that the heap and the whole process held.
func watchMemory() func() (heap, process uint64) {
	debug.FreeOSMemory() // what came before does not count
	stop, done := make(chan struct{}), make(chan struct{})
	var heap, process uint64
	go func() {
		defer close(done)
		tick := time.NewTicker(time.Millisecond)
		defer tick.Stop()
		sample := []metrics.Sample{{Name: "/memory/classes/heap/objects:bytes"}, {Name: "/memory/classes/total:bytes"}, {Name: "/memory/classes/heap/released:bytes"}}
		for {
			metrics.Read(sample)
			heap = max(heap, sample[0].Value.Uint64())
			process = max(process, sample[1].Value.Uint64()-sample[2].Value.Uint64())
			select {
			case <-tick.C:
			case <-stop:
				return
			}
		}
	}()
	return func() (uint64, uint64) {
		close(stop)
		<-done
		return heap, process
	}
}
