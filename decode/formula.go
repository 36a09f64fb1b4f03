package decode

import (
	"fmt"
	"math"

	"gearwitness/capture"
	"gearwitness/signals/formula"
	"gearwitness/signals/unit"
)

// Formula is an expression of a vehicle file over the signals of a table. It
// may remember earlier values (rate, mean ...), so it belongs to one Computer
// or one set of alarms.
type Formula struct {
	inputs []int32
	run    *formula.Run
	window capture.Stamp
}

// CompileNumber compiles an expression that gives a number in unit u; every
// name in it is a signal of the table.
func CompileNumber(text string, u unit.Unit, t *Table) (*Formula, error) {
	return start(formula.Number(text, u, scope{t}))
}

// CompileCondition compiles an expression that is true or false; every name in
// it is a signal of the table.
func CompileCondition(text string, t *Table) (*Formula, error) {
	return start(formula.Condition(text, scope{t}))
}

func start(p *formula.Program, problems []formula.Problem) (*Formula, error) {
	if len(problems) > 0 {
		return nil, fmt.Errorf("character %d: %s", problems[0].From+1, problems[0].Text())
	}
	f := &Formula{run: p.Start(), window: capture.Stamp(p.Window())}
	for _, i := range p.Inputs() {
		f.inputs = append(f.inputs, int32(i))
	}
	return f, nil
}

// scope shows a table to formulas.
type scope struct{ *Table }

func (s scope) Symbol(name string) (formula.Symbol, bool) {
	i := s.Index(name)
	if i < 0 {
		return formula.Symbol{}, false
	}
	in := &s.Signals[i]
	sym := formula.Symbol{Index: int(i), Unit: in.Unit}
	if len(in.States) > 0 {
		sym.States = make(map[string]float64, len(in.States))
		for _, st := range in.States {
			sym.States[st.Name] = float64(st.V)
		}
	}
	return sym, true
}

func (s scope) SymbolNames() []string {
	names := make([]string, len(s.Signals))
	for i := range s.Signals {
		names[i] = s.Signals[i].Name
	}
	return names
}

// Inputs lists the signals the formula reads. The slice is the formula's own.
func (f *Formula) Inputs() []int32 { return f.inputs }

// Window is how far the formula looks back; 0 for one that reads the values of
// the moment only.
func (f *Formula) Window() capture.Stamp { return f.window }

// Number evaluates the formula as a number at a time, which must not lie before
// that of an earlier call; false when it has no value.
func (f *Formula) Number(v *View, at capture.Stamp) (float64, bool) {
	f.load(v, at)
	return f.run.Number(int64(at))
}

// Truth evaluates the formula as a condition, likewise; known is false when the
// inputs that count do not decide it.
func (f *Formula) Truth(v *View, at capture.Stamp) (truth, known bool) {
	f.load(v, at)
	return f.run.Truth(int64(at))
}

func (f *Formula) load(v *View, at capture.Stamp) {
	for i, in := range f.inputs {
		x, ok := v.Value(in, at)
		if !ok {
			x = math.NaN()
		}
		f.run.In[i] = x
	}
}
