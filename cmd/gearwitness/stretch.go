package main

import (
	"context"
	"io"
	"time"

	"gearwitness/capture"
	"gearwitness/dashboards"
	"gearwitness/decode"
	"gearwitness/decode/pipeline"
	"gearwitness/signals"
)

// stretchLead is how far before a stretch decoding begins, so that the analysis
// has found its feet there.
const stretchLead = 30 * time.Second

// stretchOf decodes stretches of a recording anew, the one being written too:
// what is on disk by then.
func stretchOf(file *signals.File, path string) dashboards.Stretch {
	return func(ctx context.Context, from, to capture.Stamp, take func([]decode.Sample)) error {
		source, err := openRecording(path)
		if err != nil {
			return err
		}
		if c, ok := source.(io.Closer); ok {
			defer c.Close()
		}
		chain, err := pipeline.New(file, pipeline.Options{})
		if err != nil {
			return err
		}
		begin := from.Add(-stretchLead)
		if f, ok := source.(interface{ SkipTo(capture.Stamp) error }); ok {
			if err := f.SkipTo(begin); err != nil {
				return err
			}
		}
		begun := false
		run := pipeline.Run{Source: source, Chain: chain,
			Before: func(b *capture.Batch) error {
				// Frames come in the order in which they were recorded.
				if begun = begun || latest(b) >= begin; !begun {
					b.Reset()
				}
				return nil
			},
			After: func(s pipeline.Step) error {
				if take(s.Out.Samples); chain.Settled() >= to {
					return pipeline.Enough
				}
				return nil
			}}
		return run.Do(ctx)
	}
}

// latest is the last time stamp of a batch.
func latest(b *capture.Batch) capture.Stamp {
	var t capture.Stamp
	if n := len(b.Frames); n > 0 {
		t = b.Frames[n-1].Time
	}
	if n := len(b.Lines); n > 0 {
		t = max(t, b.Lines[n-1].Time)
	}
	return t
}
