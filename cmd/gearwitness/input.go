package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"
	"time"

	"gearwitness/capture"
	"gearwitness/capture/archive"
	"gearwitness/decode"
	"gearwitness/decode/nmea"
	"gearwitness/decode/pipeline"
	"gearwitness/signals"
)

// input is something to decode as fast as it can be read.
type input struct {
	file   *signals.File
	chain  *pipeline.Pipeline
	source capture.Source
	unread []string // lines of a session's journal, in words
}

// openInput opens a capture file, a session folder or any source. The vehicle
// file is the one named, or what a session and the van bring along. truth is
// for the van and may be nil.
func openInput(ctx context.Context, text, vehicle string, truth io.Writer, o pipeline.Options) (*input, error) {
	u := capture.URL{Scheme: "capture", Path: text}
	var err error
	if capture.IsURL(text) {
		if u, err = capture.ParseURL(text); err != nil {
			return nil, usageError{err}
		}
	}
	if u.Scheme == "van" && !u.Query.Has("for") {
		return nil, usagef("%s drives without end; say how long, such as %s", text, strings.TrimSuffix(text, "?")+map[bool]string{true: "&", false: "?"}[len(u.Query) > 0]+"for=10m")
	}
	in := new(input)
	if in.file, err = inputVehicle(u, text, vehicle); err != nil {
		return nil, err
	}
	if in.chain, err = pipeline.New(in.file, o); err != nil {
		return nil, err
	}
	if u.Scheme == "capture" && isSession(u.Path) {
		if in.unread, err = injectMarks(in.chain, u.Path); err != nil {
			return nil, err
		}
	}
	opening := opening{file: in.file, truth: truth}
	if u.Scheme != "van" && u.Scheme != "capture" {
		opening.clock = capture.NewSessionClock()
	}
	in.source, err = opening.open(ctx, u)
	if err == nil && u.Scheme == "lines" {
		in.source = nmea.Guarded(in.source) // consent is given to a recording
	}
	return in, err
}

func inputVehicle(u capture.URL, text, vehicle string) (*signals.File, error) {
	switch {
	case vehicle != "":
		return loadVehicle(vehicle)
	case u.Scheme == "van":
		return demoVehicle()
	case u.Scheme == "capture" && isSession(u.Path):
		return sessionVehicle(u.Path)
	}
	if u.Scheme == "capture" {
		if _, err := os.Stat(u.Path); err != nil {
			return nil, fmt.Errorf("%s cannot be read: %w", u.Path, plainFileError(err))
		}
	}
	return nil, errNoVehicle(text)
}

func errNoVehicle(what string) error {
	return usagef("%s does not say what its frames mean: give --vehicle FILE; signals/van.yaml is one to learn from", what)
}

// decode runs the input to its end, shows how far it is and hands each output
// to write, which must not keep it.
func (in *input) decode(ctx context.Context, show *progress, write func(*decode.Output, capture.Stamp) error) (tally, error) {
	return decodeAll(ctx, in.source, in.chain, write, func(t tally) {
		show.show(func() string {
			return fmt.Sprintf("decoding: %s of driving, %s frames", t.span().Round(time.Second), grouped(t.frames))
		})
	})
}

// tally counts what went through the chain.
type tally struct {
	frames, samples, events uint64
	first, last             capture.Stamp
	any                     bool
	damage, cut             []string // where a recording stops being one, in words
}

func (t *tally) batch(b *capture.Batch) {
	for i := range b.Frames {
		t.stamp(b.Frames[i].Time)
	}
	for i := range b.Lines {
		t.stamp(b.Lines[i].Time)
	}
	t.frames += uint64(len(b.Frames))
	for _, n := range b.Notes {
		switch n.Kind {
		case archive.NoteDamage:
			t.damage = append(t.damage, n.Text)
		case archive.NoteCut:
			t.cut = append(t.cut, n.Text)
		}
	}
}

// broken says what a recording lacks. The error is about damage; that it was
// cut off is no fault, a power failure leaves it so.
func (t *tally) broken(w io.Writer) error {
	for _, text := range t.cut {
		fmt.Fprintf(w, "Cut off: %s\n", text)
	}
	for _, text := range t.damage {
		fmt.Fprintf(w, "Damaged: %s\n", text)
	}
	if t.damage != nil {
		return wrongError{"the recording is damaged; only what stands before the damage was used"}
	}
	return nil
}

func (t *tally) stamp(at capture.Stamp) {
	if !t.any {
		t.first, t.last, t.any = at, at, true
	}
	t.last = max(t.last, at)
}

func (t *tally) span() time.Duration { return t.last.Sub(t.first) }

// decodeAll drives a source through the chain to its end. Each output is
// handed to write and reused.
func decodeAll(ctx context.Context, source capture.Source, chain *pipeline.Pipeline, write func(*decode.Output, capture.Stamp) error, progress func(tally)) (tally, error) {
	var t tally
	run := pipeline.Run{Source: source, Chain: chain, After: func(s pipeline.Step) error {
		t.batch(s.Batch)
		if s.End != nil && !errors.Is(s.End, io.EOF) {
			return s.End
		}
		t.samples += uint64(len(s.Out.Samples))
		t.events += uint64(len(s.Out.Events))
		progress(t)
		return write(s.Out, chain.Settled())
	}}
	err := run.Do(ctx)
	return t, err
}
