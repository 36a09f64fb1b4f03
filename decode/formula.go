package decode

import (
	"fmt"

	"github.com/expr-lang/expr"
	"github.com/expr-lang/expr/ast"
	"github.com/expr-lang/expr/parser"
	"github.com/expr-lang/expr/vm"

	"gearwitness/capture"
)

// Formula is an expression of a vehicle file over the signals of a table. It
// belongs to one Computer or one set of alarms.
type Formula struct {
	inputs []int32
	names  []string
	prog   *vm.Program
	env    map[string]any
}

type names []string

func (n *names) Visit(node *ast.Node) {
	if id, ok := (*node).(*ast.IdentifierNode); ok {
		*n = append(*n, id.Value)
	}
}

// CompileFormula compiles an expression; every name in it is a signal of the
// table.
func CompileFormula(text string, t *Table) (*Formula, error) {
	tree, err := parser.Parse(text)
	if err != nil {
		return nil, err
	}
	var ns names
	ast.Walk(&tree.Node, &ns)
	f := &Formula{env: make(map[string]any)}
	for _, n := range ns {
		if _, again := f.env[n]; again {
			continue
		}
		i := t.Index(n)
		if i < 0 {
			return nil, fmt.Errorf("formula %q: no signal is called %q", text, n)
		}
		f.env[n] = 0.0
		f.inputs, f.names = append(f.inputs, i), append(f.names, n)
	}
	f.prog, err = expr.Compile(text, expr.Env(f.env))
	return f, err
}

// Inputs lists the signals the formula reads.
func (f *Formula) Inputs() []int32 { return f.inputs }

func (f *Formula) run(v *View, at capture.Stamp) any {
	for i, in := range f.inputs {
		x, ok := v.Value(in, at)
		if !ok {
			return nil
		}
		f.env[f.names[i]] = x
	}
	out, err := expr.Run(f.prog, f.env)
	if err != nil {
		return nil
	}
	return out
}

// Number evaluates the formula as a number; false when it has no value.
func (f *Formula) Number(v *View, at capture.Stamp) (float64, bool) {
	x, ok := f.run(v, at).(float64)
	return x, ok
}

// Truth evaluates the formula as a condition; ok is false when the inputs that
// count do not decide it.
func (f *Formula) Truth(v *View, at capture.Stamp) (truth, ok bool) {
	truth, ok = f.run(v, at).(bool)
	return truth, ok
}
