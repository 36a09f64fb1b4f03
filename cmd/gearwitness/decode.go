package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"gearwitness/capture"
	"gearwitness/decode"
	"gearwitness/decode/pipeline"
)

func newDecode() *cobra.Command {
	var o decodeOptions
	cmd := &cobra.Command{
		Use:   "decode INPUT",
		Short: "Decode and analyse a recording as fast as possible",
		Long: `decode computes samples and events from INPUT, the same ones that were seen live
and the same on every run. INPUT is a capture file (pcapng), a session folder,
or any source (van:?seed=7&for=20m, slcan:...), which is then not paced.

Samples are CSV (time_s,signal,value,unit), events one JSON object a line. The
name - is standard output. A file appears only when it is complete. Of a damaged
recording what stands before the damage is decoded.

Exit status: 0 done, 1 the recording is damaged, 2 used wrong, 3 failed.`,
		Example: `  gearwitness decode sessions/2026-11-25_10-00-00_parcel-van --events -
  gearwitness decode drive.pcapng --vehicle van.yaml --samples samples.csv --events events.jsonl
  gearwitness decode 'van:?seed=7&for=5m' --events - --truth truth.jsonl`,
		Args: argument("INPUT", "a capture file, a session folder or a source"),
		RunE: func(cmd *cobra.Command, args []string) error {
			o.input = args[0]
			return o.run(cmd.Context(), cmd.OutOrStdout(), cmd.ErrOrStderr())
		},
	}
	f := cmd.Flags()
	f.StringVar(&o.vehicle, "vehicle", "", "vehicle file; a session and the van bring their own")
	f.StringVar(&o.samples, "samples", "", "write samples to this CSV file")
	f.StringVar(&o.events, "events", "", "write events to this JSON Lines file")
	f.StringVar(&o.truth, "truth", "", "van only: write what really happened to this JSON Lines file")
	f.StringArrayVar(&o.procedures, "procedure", nil, procedureUsage+"; NAME@SECONDS: then or not at all; repeatable")
	return cmd
}

type decodeOptions struct {
	input, vehicle, samples, events, truth string
	procedures                             []string
}

func (o *decodeOptions) run(ctx context.Context, stdout, stderr io.Writer) (err error) {
	toStdout := 0
	for _, name := range []string{o.samples, o.events, o.truth} {
		if name == "-" {
			toStdout++
		}
	}
	if toStdout > 1 {
		return usagef("only one of --samples, --events and --truth can go to standard output")
	}

	if err := distinct(o.samples, o.events, o.truth); err != nil {
		return err
	}
	var truth *output
	defer func() { truth.discard() }()
	if o.truth != "" {
		if !capture.IsURL(o.input) || !strings.HasPrefix(o.input, "van:") {
			return usagef("--truth: only the van knows what really happened; %s does not", o.input)
		}
		if truth, err = createOutput(o.truth, stdout); err != nil {
			return err
		}
	}
	in, err := openInput(ctx, o.input, o.vehicle, truthWriter(truth), pipeline.Options{})
	if err != nil {
		return err
	}
	defer in.source.Close()
	if err := in.coach(o.procedures); err != nil {
		return err
	}
	var sink writers
	defer sink.discard()
	if err := sink.create(o.samples, o.events, in.chain, stdout); err != nil {
		return err
	}

	began := time.Now()
	show := newProgress(stderr)
	defer show.done()
	total, err := in.decode(ctx, show, sink.write)
	if err != nil {
		return err
	}
	if err := sink.commit(); err != nil {
		return err
	}
	if err := truth.commit(); err != nil {
		return err
	}
	show.done()
	fmt.Fprintf(stderr, "%s of driving, %s frames decoded in %s: %s samples, %s events.\n",
		total.span().Round(10*time.Millisecond), grouped(total.frames), time.Since(began).Round(10*time.Millisecond),
		grouped(total.samples), grouped(total.events))
	for _, line := range append(in.unread, doubts(in.chain.Counters())...) {
		fmt.Fprintln(stderr, line)
	}
	return total.broken(stderr)
}

// writers are the two files that samples and events go to.
type writers struct {
	samples, events *output
	rows            *decode.SampleWriter
	lines           *decode.EventWriter
	chain           *pipeline.Pipeline
}

func (w *writers) create(samples, events string, chain *pipeline.Pipeline, stdout io.Writer) (err error) {
	w.chain = chain
	if w.samples, err = createOutput(samples, stdout); err != nil {
		return err
	}
	if w.samples != nil {
		w.rows = decode.NewSampleWriter(w.samples, chain.Table())
	}
	if w.events, err = createOutput(events, stdout); err != nil {
		return err
	}
	if w.events != nil {
		w.lines = decode.NewEventWriter(w.events)
	}
	return nil
}

// write takes what one step produced; settled is the pipeline's.
func (w *writers) write(out *decode.Output, settled capture.Stamp) error {
	if w.samples != nil {
		if err := w.rows.Write(out.Samples, settled); err != nil {
			return fmt.Errorf("%s cannot be written: %w", w.samples.name, plainFileError(err))
		}
	}
	if w.events != nil {
		if err := w.lines.Write(out.Events, w.chain.EventsSettled()); err != nil {
			return fmt.Errorf("%s cannot be written: %w", w.events.name, plainFileError(err))
		}
	}
	return nil
}

// open tells whether there is anything to write to.
func (w *writers) open() bool { return w.samples != nil || w.events != nil }

func (w *writers) commit() error {
	var err error
	if w.samples != nil {
		err = w.rows.Close()
	}
	if w.events != nil {
		err = errors.Join(err, w.lines.Close())
	}
	return errors.Join(err, w.samples.commit(), w.events.commit())
}

func (w *writers) discard() {
	w.samples.discard()
	w.events.discard()
}

// truthWriter keeps a nil output from becoming a non-nil interface.
func truthWriter(o *output) io.Writer {
	if o == nil {
		return nil
	}
	return o
}

// argument asks for exactly one argument in words.
func argument(name, what string) cobra.PositionalArgs {
	return func(cmd *cobra.Command, args []string) error {
		switch {
		case len(args) == 0:
			return usagef("%s: %s is missing: %s", cmd.CommandPath(), name, what)
		case len(args) > 1:
			return usagef("%s takes one %s, found %d: quote names with blanks or & in them", cmd.CommandPath(), name, len(args))
		}
		return nil
	}
}

// grouped writes a count with commas between thousands.
func grouped(n uint64) string {
	s := fmt.Sprint(n)
	for i := len(s) - 3; i > 0; i -= 3 {
		s = s[:i] + "," + s[i:]
	}
	return s
}
