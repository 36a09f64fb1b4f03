//go:build unix

package dashboards

import (
	"context"
	"errors"
	"fmt"
	"io"
	"syscall"
	"testing"
	"time"

	"gearwitness/capture"
	"gearwitness/capture/archive"
	"gearwitness/dashboards/board"
	"gearwitness/decode"
	"gearwitness/decode/pipeline"
	"gearwitness/decode/van"
	"gearwitness/signals"
)

// BenchmarkLive does what the daemon does with the frames of a saturated
// 1 Mbit/s bus, 9,000 a second: record them to disk, decode and analyse them,
// and show them on a board nobody looks at. It tells the processor time of the
// whole process, the recorder's goroutine included, as part of the time the
// frames take on the bus. Goal: under 3 % of a core, nothing lost.
func BenchmarkLive(b *testing.B) {
	const rate = 9000
	file, found := signals.Parse("van.yaml", signals.Van(), nil)
	if file == nil {
		b.Fatal(found)
	}
	src, err := van.Open(context.Background(), van.Options{Seed: 7, For: time.Minute}, file, nil)
	if err != nil {
		b.Fatal(err)
	}
	defer src.Close()
	var drive capture.Batch
	for err == nil {
		err = src.Next(context.Background(), &drive)
	}
	if !errors.Is(err, io.EOF) {
		b.Fatal(err)
	}
	// Adapters hand over what has come in every few milliseconds.
	for _, every := range []time.Duration{2 * time.Millisecond, 20 * time.Millisecond} {
		b.Run(fmt.Sprintf("batch=%v", every), func(b *testing.B) {
			session, err := archive.Create(b.TempDir(), archive.Meta{}, signals.Van(), archive.Options{})
			if err != nil {
				b.Fatal(err)
			}
			chain, err := pipeline.New(file, pipeline.Options{})
			if err != nil {
				b.Fatal(err)
			}
			shown := board.New(board.Options{File: file, Table: chain.Table(), Clock: capture.NewSessionClock(), Plan: chain.Plan()})
			batch := capture.Batch{Channels: drive.Channels}
			var out decode.Output
			sent := 0
			start := processorTime(b)
			for b.Loop() {
				batch.Reset()
				for range int(every.Seconds() * rate) {
					f := drive.Frames[sent%len(drive.Frames)]
					f.Time = capture.Stamp(sent) * 1e9 / rate
					batch.Frames = append(batch.Frames, f)
					sent++
				}
				out.Reset()
				session.Record(&batch)
				shown.Batch(&batch)
				if err := chain.Push(&batch, &out); err != nil {
					b.Fatal(err)
				}
				shown.Take(&out)
			}
			if err := session.Close(); err != nil {
				b.Fatal(err)
			}
			used := processorTime(b) - start
			b.ReportMetric(float64(used.Nanoseconds())/float64(sent), "cpu-ns/frame")
			b.ReportMetric(100*used.Seconds()*rate/float64(sent), "%core-at-1Mbit/s")
			b.ReportMetric(float64(session.Status().Lost), "lost")
		})
	}
}

// processorTime is what the process has used so far, in all its threads.
func processorTime(tb testing.TB) time.Duration {
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		tb.Fatal(err)
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}
