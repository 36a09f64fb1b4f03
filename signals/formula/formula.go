// Package formula reads the formulas of a vehicle file, checks their names,
// types and units, and evaluates them over the latest values of signals.
//
// The syntax is that of github.com/expr-lang/expr, of which a small fixed part
// is allowed: numbers, + - * / % ^, comparisons, and or not, true and false,
// condition ? a : b, texts to compare states with, and the functions listed by
// Functions. expr parses; this package checks units, which expr does not know,
// and evaluates without allocating.
//
// A value may be missing, and missing is neither zero nor false: a number is
// missing when anything it needs is, a condition when the rest does not decide
// it (a missing value "or" true is true). Division by zero gives a missing
// number.
//
//	p, problems := formula.Number("oil_outlet - oil_pan", unit.Kelvin, scope)
//	run := p.Start()
//	run.In[0], run.In[1] = 104, 88 // in the order of p.Inputs()
//	v, ok := run.Number(now)       // 16, true
//
// A Program is immutable and safe for use by several goroutines; a Run is not.
package formula

import (
	"math"

	"gearwitness/signals/diag"
	"gearwitness/signals/unit"
)

// Symbol is what a name in a formula stands for.
type Symbol struct {
	Index  int // returned by Program.Inputs
	Unit   unit.Unit
	States map[string]float64 // value of each state's text; nil for a plain number
}

// Scope is the names a formula may use.
type Scope interface {
	// Symbol returns what a name stands for; false when there is none.
	Symbol(name string) (Symbol, bool)
	// SymbolNames lists the names, to suggest the nearest spelling.
	SymbolNames() []string
}

// Problem is one mistake in a formula. From counts code points from 0.
type Problem struct {
	From, Length int
	diag.Message
}

// Program is a checked formula.
type Program struct {
	inputs  []int
	names   []string
	number  func(r *Run) float64 // NaN: missing
	truth   func(r *Run) logic
	windows []window
}

// Inputs returns Symbol.Index of every name the formula reads, once each.
func (p *Program) Inputs() []int { return p.inputs }

// Names returns the names of the inputs, in their order.
func (p *Program) Names() []string { return p.names }

// Start returns a run with every input missing and nothing remembered.
func (p *Program) Start() *Run {
	r := &Run{In: make([]float64, len(p.inputs)), program: p}
	for i := range r.In {
		r.In[i] = math.NaN()
	}
	for _, w := range p.windows {
		r.memory = append(r.memory, newMemory(w))
	}
	return r
}

// Window returns the longest time in nanoseconds that the formula looks back; 0
// for one that does not.
func (p *Program) Window() int64 {
	longest := int64(0)
	for _, w := range p.windows {
		longest = max(longest, w.length)
	}
	return longest
}

// Run evaluates one Program as time goes on. Set In, then ask: the functions that
// look back remember what they saw at each call, so the times of the calls must
// not decrease. A value holds from one call to the next.
type Run struct {
	In      []float64 // latest value of each input, NaN where it is missing
	program *Program
	memory  []memory
	now     int64
}

// Number evaluates a formula that gives a number, at now in nanoseconds; false
// when the value is missing.
func (r *Run) Number(now int64) (float64, bool) {
	r.now = now
	v := r.program.number(r)
	return v, !math.IsNaN(v) && !math.IsInf(v, 0)
}

// Truth evaluates a condition at now in nanoseconds; known is false when
// missing inputs leave it open.
func (r *Run) Truth(now int64) (truth, known bool) {
	r.now = now
	l := r.program.truth(r)
	return l == yes, l != unknown
}

// logic is three-valued (Kleene): unknown and false is false, unknown or true
// is true.
type logic uint8

const (
	no logic = iota
	yes
	unknown
)

func (a logic) and(b logic) logic {
	switch {
	case a == no || b == no:
		return no
	case a == yes && b == yes:
		return yes
	}
	return unknown
}

func (a logic) or(b logic) logic { return a.not().and(b.not()).not() }

func (a logic) not() logic {
	if a == unknown {
		return unknown
	}
	return 1 - a
}

func truth(b bool) logic {
	if b {
		return yes
	}
	return no
}
