package decode

import (
	"fmt"
	"slices"
	"strings"

	"gearwitness/capture"
	"gearwitness/signals"
)

// Computer evaluates computed signals in event time. One is evaluated once
// after every frame, line or tick that brought a new sample of at least one of
// its inputs. It has a value when its formula has one from the inputs that
// count at that time; when it loses it, because an input says "not available"
// or has grown stale, one sample with status NotAvailable marks the moment.
type Computer struct {
	View  *View
	list  []computed // every one after those it depends on
	users [][]int32  // by signal: entries of list that read it
	dirty bool
	due   capture.Stamp // no later than the first moment one can lose its value
}

type computed struct {
	signal  int32
	formula *Formula
	dirty   bool
	present bool
	until   capture.Stamp // its value counts up to here
}

// Formulas compiles the computed signals of a vehicle file over a complete
// table, in an order in which each stands after those it reads. Those that read
// results of the analysis, themselves or through others, come apart: they can
// only be evaluated after it. Ring of dependencies: an error.
func Formulas(f *signals.File, t *Table) (direct, derived []*Computed, err error) {
	all := make([]*Computed, len(f.Computed))
	bySignal := make(map[int32]*Computed)
	for i, e := range f.Computed {
		fm, err := CompileNumber(e.V.Formula, e.V.Unit, t)
		if err != nil {
			return nil, nil, fmt.Errorf("computed signal %s: %w", e.Name, err)
		}
		all[i] = &Computed{Name: e.Name, Signal: t.Index(e.Name), Formula: fm}
		bySignal[all[i].Signal] = all[i]
	}
	const visiting, done = 1, 2
	state := make(map[*Computed]int)
	var visit func(c *Computed, path []string) error
	visit = func(c *Computed, path []string) error {
		path = append(path, c.Name)
		switch state[c] {
		case visiting:
			return fmt.Errorf("computed signals depend on each other in a ring: %s", strings.Join(path, ", "))
		case done:
			return nil
		}
		state[c] = visiting
		late := false
		own := &t.Signals[c.Signal]
		for _, in := range c.Formula.Inputs() {
			if t.Signals[in].Origin == FromAnalysis {
				late = true
			}
			if d := bySignal[in]; d != nil {
				if err := visit(d, path); err != nil {
					return err
				}
				late = late || slices.Contains(derived, d)
			}
			own.StaleAfter = max(own.StaleAfter, t.Signals[in].StaleAfter)
		}
		state[c] = done
		if late {
			derived = append(derived, c)
		} else {
			direct = append(direct, c)
		}
		return nil
	}
	for _, c := range all {
		if err := visit(c, nil); err != nil {
			return nil, nil, err
		}
	}
	return direct, derived, nil
}

// Computed is one computed signal, compiled.
type Computed struct {
	Name    string
	Signal  int32
	Formula *Formula
}

// NewComputer returns a Computer for signals in the order Formulas gave them.
func NewComputer(list []*Computed, t *Table) *Computer {
	c := &Computer{View: NewView(t), users: make([][]int32, len(t.Signals)), due: never}
	for i, e := range list {
		c.list = append(c.list, computed{signal: e.Signal, formula: e.Formula})
		for _, in := range e.Formula.Inputs() {
			c.users[in] = append(c.users[in], int32(i))
		}
	}
	return c
}

// Reads tells whether a signal is an input of a computed one.
func (c *Computer) Reads(signal int32) bool { return len(c.users[signal]) > 0 }

// Put takes in a sample.
func (c *Computer) Put(s Sample) {
	c.View.Put(s)
	for _, i := range c.users[s.Signal] {
		c.list[i].dirty = true
		c.dirty = true
	}
}

// Evaluate appends the computed signals that follow from what was put since the
// last call; at is the time of that.
func (c *Computer) Evaluate(at capture.Stamp, out *Output) {
	if !c.dirty {
		return
	}
	c.dirty = false
	for i := range c.list {
		if c.list[i].dirty {
			c.list[i].dirty = false
			c.evaluate(&c.list[i], at, out)
		}
	}
}

func (c *Computer) evaluate(e *computed, at capture.Stamp, out *Output) {
	v, ok := e.formula.Number(c.View, at)
	s := Sample{Time: at, Signal: e.signal, Value: v}
	if !ok {
		if !e.present {
			return
		}
		s.Status, s.Value = NotAvailable, 0
	}
	e.present, e.until = ok, never
	if ok {
		for _, in := range e.formula.Inputs() {
			if until, counts := c.View.Until(in, at); counts {
				e.until = min(e.until, until)
			}
		}
		c.due = min(c.due, e.until)
	}
	out.Samples = append(out.Samples, s)
	c.Put(s)
}

// Due tells whether Advance has something to do at now.
func (c *Computer) Due(now capture.Stamp) bool { return now >= c.due }

// Advance moves event time to now, before anything of that time is put, and
// appends a sample for every computed signal that has lost its value since.
func (c *Computer) Advance(now capture.Stamp, out *Output) {
	for now >= c.due {
		at := never
		for i := range c.list {
			if e := &c.list[i]; e.present {
				at = min(at, e.until)
			}
		}
		c.due = at
		if at > now {
			return
		}
		for i := range c.list {
			if e := &c.list[i]; e.present && e.until == at {
				e.dirty, c.dirty = true, true
				e.until = never // a formula may have a value without that input
			}
		}
		c.Evaluate(at, out)
	}
}
