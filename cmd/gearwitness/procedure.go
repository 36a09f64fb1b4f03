package main

import (
	"context"
	"fmt"
	"io"
	"strconv"
	"strings"

	"gearwitness/capture"
	"gearwitness/decode/pipeline"
	"gearwitness/decode/procedure"
	"gearwitness/signals"
	"gearwitness/signals/diag"
)

const procedureUsage = "begin this procedure of the vehicle file as soon as what it needs holds"

// knownProcedure says what there is when a name means no procedure.
func knownProcedure(f *signals.File, name string) error {
	var names []string
	for _, e := range f.Procedures {
		if e.Name == name {
			return nil
		}
		names = append(names, e.Name)
	}
	if names == nil {
		return usagef("--procedure %s: the vehicle file has no procedures", name)
	}
	hint := diag.Suggest(name, names)
	if hint == "" {
		hint = "; there are " + strings.Join(names, ", ")
	}
	return usagef("--procedure: there is no procedure %q in the vehicle file%s", name, hint)
}

// beginning is a procedure to begin in a recording: NAME, as soon as what it
// needs holds, or NAME@SECONDS from its start, at that moment or not at all.
type beginning struct {
	request procedure.Request
	after   capture.Stamp
}

func parseBeginning(text string, f *signals.File) (beginning, error) {
	name, at, timed := strings.Cut(text, "@")
	b := beginning{request: procedure.Request{Procedure: name, Action: procedure.Begin, Wait: !timed}}
	if err := knownProcedure(f, name); err != nil {
		return b, err
	}
	if !timed {
		return b, nil
	}
	s, err := strconv.ParseFloat(at, 64)
	if err != nil || !(s >= 0 && s < 1e7) {
		return b, usagef("--procedure %s: expected NAME@SECONDS from the start of the recording, such as %s@90", text, name)
	}
	b.after = capture.Stamp(s * 1e9)
	return b, nil
}

// coached is a source that has procedures begun, counted from its first frame
// or line.
type coached struct {
	capture.Source
	chain *pipeline.Pipeline
	list  []beginning
}

// Next is that of capture.Source.
func (c *coached) Next(ctx context.Context, b *capture.Batch) error {
	err := c.Source.Next(ctx, b)
	if first, ok := firstStamp(b); ok && c.list != nil {
		for _, x := range c.list {
			c.chain.Inject(x.request.Event(first + x.after))
		}
		c.list = nil
	}
	return err
}

func firstStamp(b *capture.Batch) (first capture.Stamp, ok bool) {
	for i := range b.Frames {
		if !ok || b.Frames[i].Time < first {
			first, ok = b.Frames[i].Time, true
		}
	}
	for i := range b.Lines {
		if !ok || b.Lines[i].Time < first {
			first, ok = b.Lines[i].Time, true
		}
	}
	return first, ok
}

// coach has procedures begun in an input.
func (in *input) coach(texts []string) error {
	var list []beginning
	for _, t := range texts {
		b, err := parseBeginning(t, in.file)
		if err != nil {
			return err
		}
		list = append(list, b)
	}
	if list != nil {
		in.source = &coached{in.source, in.chain, list}
	}
	return nil
}

// announce shows the cautions of a procedure that is about to begin, and what it
// needs.
func announce(w io.Writer, f *signals.File, name string) {
	p := f.Procedures[f.Procedures.Index(name)].V
	fmt.Fprintf(w, "Procedure: %s\n", p.Title)
	for _, c := range p.Cautions {
		fmt.Fprintf(w, "  ! %s\n", c)
	}
	if len(p.Before) == 0 {
		return
	}
	fmt.Fprintln(w, "  It begins as soon as all of this holds:")
	for _, n := range p.Before {
		fmt.Fprintf(w, "  - %s\n", n.V.Say)
	}
}
