package signals

import (
	"maps"
	"reflect"
	"slices"
	"strings"
	"time"

	"gearwitness/signals/diag"
	"gearwitness/signals/formula"
	"gearwitness/signals/unit"
)

// Procedure is a coached drive or test whose conditions are watched: what must
// hold before it begins, its steps in order, and what ends it at once.
type Procedure struct {
	Title    string      `key:"title" help:"what it is called" need:"yes"`
	Note     string      `key:"note" help:"free text"`
	Cautions []string    `key:"cautions" help:"what can hurt somebody or something; shown before it can begin" need:"yes"`
	Before   Named[Need] `key:"before" help:"what must hold for it to begin"`
	StopWhen Named[Need] `key:"stop_when" help:"what ends it at once, such as wheels that move in a stall test"`
	Steps    Named[Step] `key:"steps" help:"what is done, in order" need:"yes"`
}

// Need is a condition with its words.
type Need struct {
	When string `key:"when" help:"condition over signal names" need:"yes"`
	Say  string `key:"say" help:"the same in words, for people" need:"yes"`
}

// Step is one step of a procedure. It counts Times times one of
//
//   - Gears engaged in order while the bands of Hold hold: a sequence;
//   - Until and Hold holding together for the time For;
//   - the same held and left again after For, before AtMost is over.
type Step struct {
	Say  string       `key:"say" help:"what the driver is told" need:"yes"`
	Hold Named[Range] `key:"hold" help:"bands [lowest, highest] of signals, in their units, that must hold while it counts" name:"identifier"`
	// Grace is how long a band may be left without harm.
	Grace   time.Duration `key:"grace" help:"how long a band may be left while it counts; no time when left out"`
	Gears   []string      `key:"gears" help:"gears engaged in this order: one sequence"`
	Until   string        `key:"until" help:"condition that must hold"`
	For     time.Duration `key:"for" help:"how long until and hold must hold together"`
	AtMost  time.Duration `key:"at_most" help:"how long they may hold at most; longer ends the procedure"`
	Times   int           `key:"times" help:"how often; once when left out"`
	Rest    time.Duration `key:"rest" help:"time from the end of one try to the next, such as a cool-down"`
	Within  time.Duration `key:"within" help:"time limit of the step" need:"yes"`
	Measure []string      `key:"measure" help:"further signals whose least, greatest and mean value are wanted"`
}

// Count returns how often the step is to be done.
func (s *Step) Count() int { return max(1, s.Times) }

// Longest times of a procedure: what takes longer than a day's drive is a
// mistake.
const maxStepTime = 8 * time.Hour

// Bounds on what a file may hold of them.
const (
	maxSteps = 50
	maxTimes = 100
)

// Reading is one line of the bench sheet: what is measured by hand or seen, and
// what it should be. It has a value with limits, or one of some choices.
type Reading struct {
	Title    string       `key:"title" help:"what is measured" need:"yes"`
	Solenoid string       `key:"solenoid" help:"a solenoid of the transmission: resistance of its coil, with its limits at 20 °C"`
	Unit     unit.Unit    `key:"unit" help:"unit of the value, such as kPa"`
	Limits   *Range       `key:"limits" help:"[lowest, highest] good value, in this unit"`
	Choices  Named[Grade] `key:"choices" help:"what may be seen, each good or bad, such as {clear red: good, dark: bad}"`
	Note     string       `key:"note" help:"how it is measured"`
}

// Grade is what a choice means.
type Grade uint8

// Grades.
const (
	Good Grade = iota
	Bad
)

// String returns the grade's word.
func (g Grade) String() string { return scalars[reflect.TypeFor[Grade]()].write(g) }

// validateProcedures checks conditions, bands and times; all are the signals of
// the file and of the analysis.
func (r *rules) validateProcedures(all scope) {
	f := r.file
	condition := func(p, key, src string) {
		if r.has(p, key) {
			_, list := formula.Condition(src, all)
			r.problems(sub(p, key), src, list)
		}
	}
	figure := func(p, key, name string) {
		k, ok := all[name]
		switch {
		case !ok:
			r.unknown(p, "signal", name, all.SymbolNames())
		case len(k.states) > 0:
			r.wrong(p, diag.About(key).Expect("a signal with a figure").Got("%s, which has states", name).Hint("use until for it"))
		}
	}
	gears := gearsOf(f.Transmission)
	for _, e := range f.Procedures {
		root := sub("", "procedures", e.Name)
		if r.bad[root] {
			continue
		}
		if at := sub(root, "cautions"); r.has(root, "cautions") {
			if len(e.V.Cautions) == 0 {
				r.wrong(at, diag.About("cautions").Expect("at least one, for somebody sits in the vehicle"))
			}
			for i, c := range e.V.Cautions {
				if strings.TrimSpace(c) == "" {
					r.wrong(sub(at, itoa(i)), diag.About("cautions").Expect("a sentence").Got("nothing"))
				}
			}
		}
		for key, needs := range map[string]Named[Need]{"before": e.V.Before, "stop_when": e.V.StopWhen} {
			for _, n := range needs {
				condition(sub(root, key, n.Name), "when", n.V.When)
			}
		}
		if n := len(e.V.Steps); n == 0 && r.has(root, "steps") || n > maxSteps {
			r.wrongKey(root, "steps", diag.Expect("1 to %d", maxSteps).Got("%d", n))
		}
		for i := range e.V.Steps {
			s := &e.V.Steps[i]
			p := sub(root, "steps", s.Name)
			if r.bad[p] {
				continue
			}
			for _, h := range s.V.Hold {
				figure(sub(p, "hold", h.Name), "hold", h.Name)
			}
			for i, m := range s.V.Measure {
				figure(sub(p, "measure", itoa(i)), "measure", m)
			}
			condition(p, "until", s.V.Until)
			r.validateStep(&s.V, p, at(*s), gears)
		}
	}
}

// validateStep checks that a step can be done at all.
func (r *rules) validateStep(s *Step, p string, entry span, gears []string) {
	written := func(key string) bool { _, ok := r.spans[sub(p, key)]; return ok }
	switch {
	case written("gears"):
		for _, key := range []string{"until", "for", "at_most"} {
			if written(key) {
				r.wrongKey(p, key, diag.Say("does not go with gears").Hint("a sequence ends with its last gear"))
			}
		}
		if n := len(s.Gears); n < 2 || n > 50 {
			r.wrongKey(p, "gears", diag.Expect("two to 50 gears in the order they are engaged").Got("%d", n))
		}
		for i, g := range s.Gears {
			switch q := sub(p, "gears", itoa(i)); {
			case !slices.Contains(gears, g) && len(gears) == 0:
				r.wrong(q, diag.Say("unknown gear %q", g).Expect("a transmission with gears or ratios in this file"))
			case !slices.Contains(gears, g):
				r.unknown(q, "gear", g, gears)
			case i > 0 && s.Gears[i-1] == g:
				r.wrong(q, diag.About("gears").Say("%q stands here twice in a row", g))
			}
		}
	case !written("until") && !written("hold"):
		r.fail(entry, diag.Say("step %q has no end", at1(p)).Expect("gears, until, or hold with for"))
	case !written("until") && !written("for"):
		r.fail(entry, diag.Say("missing key \"for\"").Expect("how long the bands of hold must hold"))
	}
	if written("grace") && !written("hold") {
		r.wrongKey(p, "grace", diag.Say("goes with hold, whose bands it is about"))
	}
	if written("at_most") && s.AtMost <= s.For {
		r.wrongKey(p, "at_most", diag.Expect("more than the %s of for", writeDuration(s.For)).Got("%s", writeDuration(s.AtMost)))
	}
	if written("at_most") && s.Grace > 0 {
		r.wrongKey(p, "grace", diag.Say("does not go with at_most, which counts every moment"))
	}
	if r.has(p, "times") && (s.Times < 1 || s.Times > maxTimes) {
		r.wrongKey(p, "times", diag.Expect("1 to %d", maxTimes).Got("%d", s.Times))
		return
	}
	least := time.Duration(s.Count())*s.For + time.Duration(s.Count()-1)*s.Rest
	switch {
	case !r.has(p, "within"):
	case s.Within <= 0 || s.Within > maxStepTime:
		r.wrongKey(p, "within", diag.Expect("a time above 0, at most %s", writeDuration(maxStepTime)).Got("%s", writeDuration(s.Within)))
	case s.Within <= least:
		r.wrongKey(p, "within", diag.Expect("more than the %s that the step itself takes", writeDuration(least)).Got("%s", writeDuration(s.Within)))
	}
}

// at1 returns the last part of a path.
func at1(p string) string { return p[strings.LastIndexByte(p, 0)+1:] }

// validateReadings checks that each line of the bench sheet asks for one thing.
func (r *rules) validateReadings() {
	f := r.file
	var solenoids []string
	if f.Transmission != nil {
		solenoids = names(f.Transmission.Solenoids)
	}
	for _, e := range f.Readings {
		p := sub("", "readings", e.Name)
		if r.bad[p] {
			continue
		}
		written := func(key string) bool { _, ok := r.spans[sub(p, key)]; return ok }
		switch {
		case written("solenoid"):
			for _, key := range []string{"unit", "limits", "choices"} {
				if written(key) {
					r.wrongKey(p, key, diag.Say("does not go with solenoid, whose resistance and tolerance say it"))
				}
			}
			if i := slices.Index(solenoids, e.V.Solenoid); !r.has(p, "solenoid") {
			} else if i < 0 {
				r.unknown(sub(p, "solenoid"), "solenoid", e.V.Solenoid, solenoids)
			} else if s := f.Transmission.Solenoids[i].V; s.Ohm == 0 {
				r.wrong(sub(p, "solenoid"), diag.Say("solenoid %q has no resistance in this file", e.V.Solenoid).Expect("resistance: and tolerance: there"))
			}
		case written("choices"):
			for _, key := range []string{"unit", "limits"} {
				if written(key) {
					r.wrongKey(p, key, diag.Say("does not go with choices, which are words"))
				}
			}
			if len(e.V.Choices) < 2 && !r.bad[sub(p, "choices")] {
				r.wrongKey(p, "choices", diag.Expect("two or more").Got("%d", len(e.V.Choices)))
			}
		case !written("unit") && !written("limits"):
			r.fail(at(e), diag.Say("reading %q does not say what is read", e.Name).Expect("solenoid, choices, or unit and limits"))
		}
	}
}

// gearsOf returns the names of the gears that the analysis can find engaged.
func gearsOf(t *Transmission) []string {
	if t == nil {
		return nil
	}
	return append(names(t.Gears), names(t.Ratios)...)
}

// withAnalysis returns the signals that conditions of alarms and procedures may
// use: those of the file and those of the analysis.
func withAnalysis(f *File, signals scope) scope {
	all := maps.Clone(signals)
	gears := States{{Name: "N", V: 0}, {Name: "R", V: -1}, {Name: "standing", V: 100}, {Name: "between", V: 101}}
	if t := f.Transmission; t != nil {
		for _, e := range t.Elements {
			all["slip."+e.Name] = known{unit: unit.RPM}
		}
		for _, g := range gearsOf(t) {
			if n, err := readInt(g); err == nil {
				gears = append(gears, Entry[int64]{Name: g, V: n})
			}
		}
	}
	for _, a := range Analysis {
		if _, own := all[a.Name]; !own {
			k := known{unit: a.Unit}
			if a.Name == "gear" {
				k.states = gears
			}
			all[a.Name] = k
		}
	}
	return all
}

// proceduresUse enters the signals that procedures refer to.
func (f *File) proceduresUse(used map[string]bool) {
	condition := func(src string) {
		for _, n := range formula.Names(src) {
			used[n] = true
		}
	}
	for _, e := range f.Procedures {
		for _, n := range slices.Concat(e.V.Before, e.V.StopWhen) {
			condition(n.V.When)
		}
		for _, s := range e.V.Steps {
			condition(s.V.Until)
			for _, h := range s.V.Hold {
				used[h.Name] = true
			}
			for _, m := range s.V.Measure {
				used[m] = true
			}
		}
	}
}

// adviseProcedures warns of procedures and readings that will not do what was
// probably meant.
func (f *File) adviseProcedures(list *diag.List) {
	ranges := make(map[string]*Range)
	for i := range f.Frames {
		for j := range f.Frames[i].V.Signals {
			s := &f.Frames[i].V.Signals[j]
			ranges[s.Name] = s.V.Range
		}
	}
	for _, e := range f.Procedures {
		if e.Pos.File != f.source {
			continue
		}
		w := at(e)
		if len(e.V.Before) == 0 {
			list.Warn(w.pos, w.length, diag.Say("procedure %q can begin at any time", e.Name).Hint("before: would say what must hold"))
		}
		for _, s := range e.V.Steps {
			for _, h := range s.V.Hold {
				if rng := ranges[h.Name]; rng != nil && (h.V.High < rng.Low || h.V.Low > rng.High) {
					list.Warn(h.Pos, len(h.Name), diag.Say("the band [%s, %s] of %s lies outside its range [%s, %s]: the step can never count",
						writeFloat(h.V.Low), writeFloat(h.V.High), h.Name, writeFloat(rng.Low), writeFloat(rng.High)))
				}
			}
			if len(s.V.Gears) > 0 && len(s.V.Hold) > 0 && s.V.Grace == 0 {
				list.Warn(s.Pos, len(s.Name), diag.Say("step %q forgives no moment outside its bands", s.Name).Hint("grace: 1 s is usual"))
			}
			if s.V.AtMost > 0 && s.V.Rest == 0 {
				list.Warn(s.Pos, len(s.Name), diag.Say("step %q lets one try follow the other at once", s.Name).Hint("rest: would say how long to wait"))
			}
		}
	}
	for _, e := range f.Readings {
		if e.Pos.File == f.source && e.V.Solenoid == "" && len(e.V.Choices) == 0 && e.V.Limits == nil {
			list.Warn(e.Pos, len(e.Name), diag.Say("reading %q has no limits: it is noted, not judged", e.Name))
		}
	}
}

// CoilLimits returns the limits of a coil's resistance [Ω] at 20 °C; false where
// the file states none.
func (s *Solenoid) CoilLimits() (Range, bool) {
	return Range{s.Ohm - s.Tolerance, s.Ohm + s.Tolerance}, s.Ohm > 0
}
