package report

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"gearwitness/capture"
	"gearwitness/decode"
	"gearwitness/decode/procedure"
	"gearwitness/decode/readings"
	"gearwitness/signals"
)

// procedureRun is a procedure that was asked for: refused, or begun and ended.
type procedureRun struct {
	at    capture.Stamp // when it began, was refused or ended without having begun
	needs []procedure.NeedResult
	end   procedure.Change
	tries list // what was counted, what came to nothing
}

// procedureChange takes in what became of a procedure.
func (b *Builder) procedureChange(at capture.Stamp, c procedure.Change) {
	switch {
	case c.State == procedure.Waiting:
		return
	case c.State == procedure.Ended && c.BeganAt != nil:
		if b.underWay != nil {
			b.underWay.end, b.underWay = c, nil
		}
		return
	}
	if b.procedureCount++; len(b.procedures) == maxListed {
		return
	}
	b.procedures = append(b.procedures, procedureRun{at: at, needs: c.Needs, end: c}) // never grows, so what points to one stays good
	if c.State == procedure.Begun {
		b.underWay = &b.procedures[len(b.procedures)-1]
	}
}

func (b *Builder) procedureStep(at capture.Stamp, p procedure.Progress) {
	run := b.underWay
	if run == nil {
		return
	}
	switch p.State {
	case procedure.Counted:
		if p.Of > 1 {
			run.tries.add(at, "%s: %d of %d, in %s%s", p.Step, p.Count, p.Of, length(capture.Stamp(*p.Duration)), figuresText(p.Figures))
		}
	case procedure.Again:
		run.tries.add(at, "%s: not counted. %s", p.Step, p.Why)
	}
}

// figuresText writes what was measured, for the end of a line.
func figuresText(list []procedure.Figure) string {
	text := ""
	for _, f := range list {
		text += "; " + figureText(f)
	}
	return text
}

func figureText(f procedure.Figure) string {
	u := ""
	if f.Unit != "" {
		u = " " + f.Unit
	}
	text := fmt.Sprintf("%s %g to %g%s, mean %g", f.Signal, f.Least, f.Most, u, f.Mean)
	if len(f.Band) == 2 {
		text += fmt.Sprintf(" (band %g to %g)", f.Band[0], f.Band[1])
	}
	return strings.ReplaceAll(text, " -", " −")
}

// judgeProcedures has a line for each procedure that was asked for, by its last
// run, and one for each line of the bench sheet once something has been entered.
func (r *Report) judgeProcedures() {
	for _, e := range r.b.file.Procedures {
		var last *procedureRun
		runs := 0
		for i := range r.b.procedures {
			if r.b.procedures[i].end.Procedure == e.Name {
				last = &r.b.procedures[i]
				runs++
			}
		}
		if last == nil {
			continue
		}
		var limit []string
		for _, s := range e.V.Steps {
			limit = append(limit, fmt.Sprintf("%s %s", s.Name, stepGoal(&s.V)))
		}
		c := Check{Name: "Procedure: " + e.V.Title, Measured: verdictText(&last.end), Limit: strings.Join(limit, ", "), Source: ofVehicle, Verdict: NotTested}
		switch {
		case last.end.Verdict == procedure.Done:
			c.Verdict = Within
		case last.end.Verdict == procedure.NotDone && last.end.BeganAt != nil:
			c.Verdict = Beyond
		}
		if runs > 1 {
			c.Measured += fmt.Sprintf("; asked for %s, the last counts", times(runs))
		}
		r.add(c)
	}
	if len(r.readings) == 0 {
		return
	}
	for _, l := range readings.Sheet(r.b.file) {
		c := Check{Name: "Reading: " + l.Title, Measured: "not read", Limit: l.LimitText(), Source: ofVehicle, Verdict: NotTested}
		if e := r.reading(l.Name); e != nil {
			c.Measured, c.Limit = e.Text(), l.LimitText()
			c.Verdict = map[string]Verdict{readings.Good: Within, readings.Bad: Beyond, readings.Noted: Info}[e.Verdict]
		}
		if c.Limit == "" {
			c.Source = ""
		}
		r.add(c)
	}
}

// stepGoal says what a step counts, in short.
func stepGoal(s *signals.Step) string {
	text := ""
	if s.For > 0 {
		text = " for " + length(capture.Stamp(s.For))
	}
	if s.AtMost > 0 {
		text += ", at most " + length(capture.Stamp(s.AtMost))
	}
	if n := s.Count(); n > 1 {
		return times(n) + text
	}
	return "once" + text
}

// verdictText says how a procedure ended, in a line.
func verdictText(c *procedure.Change) string {
	if c.State == procedure.Refused {
		return "not begun. " + strings.Join(c.Why, " ")
	}
	text := c.Verdict
	if c.BeganAt == nil {
		text = "not begun"
	}
	var steps []string
	for _, s := range c.Steps {
		steps = append(steps, fmt.Sprintf("%s %d of %d", s.Step, s.Count, s.Of))
	}
	if steps != nil {
		text += ": " + strings.Join(steps, ", ")
	}
	if len(c.Why) > 0 {
		text += ". " + strings.Join(c.Why, " ")
	}
	return text
}

// reading returns what counts of a line of the sheet, nil where nothing does.
func (r *Report) reading(name string) *readings.Entry {
	for i, e := range slices.Backward(r.readings) {
		if e.Reading == name {
			return &r.readings[i]
		}
	}
	return nil
}

// journalReadings are the readings in a journal, the oldest first.
func journalReadings(p *Papers) []readings.Entry {
	var all []readings.Entry
	for _, e := range p.Journal {
		if e.Kind != readings.Kind {
			continue
		}
		if x, err := readings.Parse(e.Fields); err == nil {
			all = append(all, x)
		}
	}
	return all
}

// procedureView is a procedure as the page shows it.
type procedureView struct {
	Title, Verdict, Class string
	Facts                 []row
	Steps                 []stepView
	Tries                 lines
}

type stepView struct{ Name, Say, State, Count, Took, Spoiled, Figures, Oil string }

// readingView is a line of the bench sheet.
type readingView struct{ Title, Value, Limit, Verdict, Class, Note, When string }

func (r *Report) procedureViews(v *view) {
	for i := range r.b.procedures {
		run := &r.b.procedures[i]
		c := &run.end
		p := procedureView{Title: r.hide(c.Title), Verdict: c.Verdict, Class: "open", Tries: r.lines(&run.tries)}
		add := func(name, text string) {
			if text != "" {
				p.Facts = append(p.Facts, row{name, r.hide(text)})
			}
		}
		switch {
		case c.BeganAt == nil:
			p.Verdict = "not begun"
			add("Asked for at", r.clock(run.at))
		case c.Verdict == procedure.Done:
			p.Class = "within"
		case c.Verdict == procedure.NotDone:
			p.Class = "beyond"
		}
		if c.BeganAt != nil {
			add("Began at", r.clock(capture.Stamp(*c.BeganAt)))
			add("Took", length(capture.Stamp(*c.Duration)))
		}
		if c.OilBegin != nil && c.OilEnd != nil {
			add("Oil in the pan", fmt.Sprintf("%s °C at the beginning, %s °C at the end", figure(c.OilBegin, 1), figure(c.OilEnd, 1)))
		}
		add("Because", strings.Join(c.Why, " "))
		var needs []string
		for _, n := range run.needs {
			mark := "✓ "
			if !n.Met {
				mark = "✕ "
			}
			needs = append(needs, mark+n.Say)
		}
		add("Needed", strings.Join(needs, "   "))
		for _, s := range c.Steps {
			x := stepView{Name: s.Step, State: s.State, Count: fmt.Sprintf("%d of %d", s.Count, s.Of), Took: length(capture.Stamp(s.Duration)), Spoiled: fmt.Sprint(s.Spoiled),
				Figures: strings.TrimPrefix(figuresText(s.Figures), "; ")}
			if i := r.b.file.Procedures.Index(c.Procedure); i >= 0 {
				steps := r.b.file.Procedures[i].V.Steps
				if j := steps.Index(s.Step); j >= 0 {
					x.Say = r.hide(steps[j].V.Say)
				}
			}
			if s.OilBegin != nil && s.OilEnd != nil {
				x.Oil = figure(s.OilBegin, 1) + " to " + figure(s.OilEnd, 1)
			}
			p.Steps = append(p.Steps, x)
		}
		v.Procedures = append(v.Procedures, p)
	}
	v.MoreProcedures = r.b.procedureCount - len(r.b.procedures)
	if len(r.readings) == 0 {
		return
	}
	class := map[string]string{readings.Good: "within", readings.Bad: "beyond", readings.Noted: "info"}
	for _, l := range readings.Sheet(r.b.file) {
		e := r.reading(l.Name)
		if e == nil {
			v.Readings = append(v.Readings, readingView{Title: l.Title, Limit: l.LimitText(), Verdict: "not read", Class: "open"})
			continue
		}
		x := readingView{Title: l.Title, Value: e.Text(), Limit: l.LimitText(), Verdict: e.Verdict, Class: class[e.Verdict], Note: r.hide(e.Note), When: when(*e)}
		var before []string
		for i := range r.readings {
			if o := &r.readings[i]; o != e && o.Reading == e.Reading {
				before = append(before, fmt.Sprintf("%s (%s)", o.Text(), o.Verdict))
			}
		}
		if before != nil {
			x.Note = strings.TrimSpace(x.Note + " Entered before, and superseded: " + strings.Join(before, "; ") + ".")
		}
		v.Readings = append(v.Readings, x)
	}
}

// when says when a reading was entered and by whom.
func when(e readings.Entry) string {
	text := ""
	if t, err := time.Parse(time.RFC3339, e.Wall); err == nil {
		text = t.Format("2 January 2006, 15:04")
	}
	if e.By != "" {
		text += ", " + e.By
	}
	return strings.TrimPrefix(text, ", ")
}

// ownSection tells kinds of journal entry that the report shows elsewhere.
func ownSection(kind string) bool {
	switch kind {
	case readings.Kind, decode.KindCoach, decode.KindProcedure, decode.KindStep:
		return true
	}
	return false
}
