package pipeline

import (
	"context"
	"errors"
	"io"

	"gearwitness/capture"
	"gearwitness/decode"
)

// Step is one batch of a source and what the chain gave out for it.
type Step struct {
	Batch *capture.Batch
	Out   *decode.Output
	// End is nil while more may come; then io.EOF, or why the source gave up. The
	// chain is finished then: Out holds all there is.
	End error
}

// Run reads a source through a chain. For each batch the order is: read, Before,
// decode, After.
type Run struct {
	Source capture.Source
	// Chain decodes; nil: nothing does. Before may put another in its place, as where
	// a playback jumps.
	Chain *Pipeline
	// Before is given each batch before it is decoded and may change it; nil: nothing
	// is to be done.
	Before func(*capture.Batch) error
	// After takes what came of it. The step and all it holds are reused.
	After func(Step) error
}

// Enough is what After returns where nothing more is wanted of the source.
var Enough = errors.New("nothing more is wanted of the source")

// Do runs until the source or ctx ends. It returns nil at io.EOF and where After has had
// Enough; else the first error of Before, the chain, After or the source.
func (r *Run) Do(ctx context.Context) error {
	var (
		batch capture.Batch
		out   decode.Output
	)
	for {
		batch.Reset()
		out.Reset()
		end := ctx.Err() // not every source looks
		if end == nil {
			end = r.Source.Next(ctx, &batch)
		}
		if r.Before != nil {
			if err := r.Before(&batch); err != nil {
				return err
			}
		}
		if err := r.decode(&batch, &out, end != nil); err != nil {
			return err
		}
		switch err := r.After(Step{&batch, &out, end}); {
		case errors.Is(err, Enough):
			return nil
		case err != nil:
			return err
		case errors.Is(end, io.EOF):
			return nil
		case end != nil:
			return end
		}
	}
}

func (r *Run) decode(batch *capture.Batch, out *decode.Output, last bool) error {
	if r.Chain == nil {
		return nil
	}
	err := r.Chain.Push(batch, out)
	if err == nil && last {
		r.Chain.Finish(out)
	}
	return err
}
