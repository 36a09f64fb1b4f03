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
	"gearwitness/decode/readings"
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

// printProcedures prints the procedures and the bench sheet of a vehicle file.
func printProcedures(w io.Writer, name string, f *signals.File) error {
	var b strings.Builder
	for _, e := range f.Procedures {
		p := &e.V
		fmt.Fprintf(&b, "%s: %s\n", e.Name, p.Title)
		if p.Note != "" {
			fmt.Fprintf(&b, "  %s\n", p.Note)
		}
		for _, c := range p.Cautions {
			fmt.Fprintf(&b, "  ! %s\n", c)
		}
		for _, n := range p.Before {
			fmt.Fprintf(&b, "  needs  %s\n", n.V.Say)
		}
		for _, n := range p.StopWhen {
			fmt.Fprintf(&b, "  ends   %s\n", n.V.Say)
		}
		for i, s := range p.Steps {
			fmt.Fprintf(&b, "  %d. %s: %s\n", i+1, s.Name, s.V.Say)
			fmt.Fprintf(&b, "     %s\n", conditionsOf(&s.V))
		}
		b.WriteByte('\n')
	}
	if len(f.Procedures) == 0 {
		fmt.Fprintf(&b, "%s has no procedures.\n", name)
	}
	if len(f.Readings) == 0 {
		fmt.Fprintf(&b, "%s has no bench sheet.\n", name)
		_, err := io.WriteString(w, b.String())
		return err
	}
	t := newTable(&b, "NAME", "READING", "EXPECTED", "HOW")
	for _, l := range readings.Sheet(f) {
		t.row(l.Name, l.Title, l.LimitText(), l.Note)
	}
	if err := t.Flush(); err != nil {
		return err
	}
	_, err := io.WriteString(w, b.String())
	return err
}

// conditionsOf says in a line what a step counts.
func conditionsOf(s *signals.Step) string {
	var parts []string
	add := func(format string, args ...any) { parts = append(parts, fmt.Sprintf(format, args...)) }
	if len(s.Gears) > 0 {
		add("gears %s", strings.Join(s.Gears, " "))
	}
	if s.Until != "" {
		add("until %s", s.Until)
	}
	for _, h := range s.Hold {
		add("%s %g to %g", h.Name, h.V.Low, h.V.High)
	}
	if s.Grace > 0 {
		add("may be left for %s", signals.FormatDuration(s.Grace))
	}
	if s.For > 0 {
		add("for %s", signals.FormatDuration(s.For))
	}
	if s.AtMost > 0 {
		add("at most %s", signals.FormatDuration(s.AtMost))
	}
	if n := s.Count(); n > 1 {
		add("%d times", n)
	}
	if s.Rest > 0 {
		add("%s of rest between", signals.FormatDuration(s.Rest))
	}
	add("within %s", signals.FormatDuration(s.Within))
	return strings.Join(parts, ", ")
}
