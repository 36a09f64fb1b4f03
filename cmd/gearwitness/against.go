package main

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/spf13/cobra"

	"gearwitness/capture"
	"gearwitness/decode/fit"
	"gearwitness/decode/pipeline"
	"gearwitness/signals"
)

// runAgainst holds a vehicle file against a recording, or against what comes
// from an adapter until Ctrl-C.
func (o *checkOptions) runAgainst(cmd *cobra.Command, name string, file *signals.File) error {
	u := capture.URL{Scheme: "capture", Path: o.against}
	if capture.IsURL(o.against) {
		var err error
		if u, err = capture.ParseURL(o.against); err != nil {
			return usageError{err}
		}
	}
	comparison, err := fit.New(file, fit.Options{With: o.with})
	if errors.Is(err, fit.ErrNoSignal) {
		return usagef("--with: %w", err)
	}
	if err != nil {
		return err
	}
	opening := opening{file: file}
	switch u.Scheme {
	case "capture":
	case "van":
		// The van speaks by its own file, whatever the one under test makes of it.
		if opening.file, err = demoVehicle(); err != nil {
			return err
		}
	default:
		opening.clock = capture.NewSessionClock()
	}
	ctx := cmd.Context()
	source, err := opening.open(ctx, u)
	if err != nil {
		return err
	}
	defer source.Close()
	show := newProgress(cmd.ErrOrStderr())
	defer show.done()
	seen, err := hold(ctx, source, comparison, show)
	if err != nil {
		return err
	}
	show.done()
	report := comparison.Finish()
	if o.json {
		err = writeJSON(cmd, report)
	} else {
		err = report.WriteText(cmd.OutOrStdout(), name, o.against)
	}
	if err == nil {
		err = seen.broken(cmd.ErrOrStderr())
	}
	if err == nil && report.Wrong > 0 {
		return wrongError{}
	}
	return err
}

// hold drives a source to its end and returns what came. An adapter has none: Ctrl-C ends it, and
// what came until then counts.
func hold(ctx context.Context, source capture.Source, c *fit.Comparison, show *progress) (tally, error) {
	var t tally
	run := pipeline.Run{Source: source, After: func(s pipeline.Step) error {
		t.batch(s.Batch)
		if err := c.Push(s.Batch); err != nil {
			return err
		}
		if ctx.Err() != nil && t.any {
			return pipeline.Enough
		}
		show.show(func() string {
			return fmt.Sprintf("comparing: %s of driving, %s frames", t.span().Round(time.Second), grouped(t.frames))
		})
		return nil
	}}
	err := run.Do(ctx)
	return t, err
}
