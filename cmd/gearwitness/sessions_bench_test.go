package main

import (
	"context"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"runtime/metrics"
	"testing"
	"time"

	"gearwitness/capture/archive"
)

// BenchmarkSession does with a session all that takes long and reports the most
// that the heap held: below 150 MB, and the same for a drive twice as long.
//
//	go test -run '^$' -bench Session -benchtime 1x ./cmd/gearwitness
func BenchmarkSession(b *testing.B) {
	for _, length := range []string{"30m", "1h"} {
		root := b.TempDir()
		folder := filepath.Join(root, record(b, root, "van:?seed=7&for="+length, "Long drive", march))
		ctx, quiet := context.Background(), &progress{tell: func(string) {}}
		export := func(as string) func() error {
			return func() error {
				o := exportOptions{session: folder, output: filepath.Join(root, "out."+as), as: as, step: 100 * time.Millisecond}
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
			{"csv", export("csv")},
			{"parquet", export("parquet")},
			{"openmetrics", export("openmetrics")},
			{"zip", export("zip")},
		} {
			b.Run(fmt.Sprintf("work=%s/drive=%s", work.name, length), func(b *testing.B) {
				peak := watchHeap()
				for b.Loop() {
					if err := work.do(); err != nil {
						b.Fatal(err)
					}
				}
				b.ReportMetric(float64(peak())/1e6, "peak-MB")
			})
		}
		if err := os.RemoveAll(filepath.Join(root, "out.csv")); err != nil {
			b.Fatal(err)
		}
	}
}

// watchHeap looks at the heap each millisecond until the returned function is
// called, which gives the most it held.
func watchHeap() func() uint64 {
	stop, done := make(chan struct{}), make(chan uint64)
	go func() {
		tick := time.NewTicker(time.Millisecond)
		defer tick.Stop()
		sample := []metrics.Sample{{Name: "/memory/classes/heap/objects:bytes"}}
		var most uint64
		for {
			metrics.Read(sample)
			most = max(most, sample[0].Value.Uint64())
			select {
			case <-tick.C:
			case <-stop:
				done <- most
				return
			}
		}
	}()
	return func() uint64 {
		close(stop)
		return <-done
	}
}
