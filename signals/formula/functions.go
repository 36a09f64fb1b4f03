package formula

import (
	"errors"
	"maps"
	"math"
	"slices"
	"strings"

	"github.com/expr-lang/expr/ast"

	"gearwitness/signals/diag"
	"gearwitness/signals/unit"
)

// function is one function of formulas.
type function struct {
	usage    string
	low, top int // number of arguments
}

var functions = map[string]function{
	"abs":      {"abs(x)", 1, 1},              // x without its sign
	"min":      {"min(a, b, ...)", 2, 16},     // the smallest; min(x, "5 s") the smallest x of the last five seconds
	"max":      {"max(a, b, ...)", 2, 16},     // the largest; max(x, "5 s") the largest x of the last five seconds
	"clamp":    {"clamp(x, low, high)", 3, 3}, // x, but never below low or above high
	"convert":  {`convert(x, "bar")`, 2, 2},   // x in another unit
	"rate":     {`rate(x, "1 s")`, 2, 2},      // change of x over the window, per second
	"delay":    {`delay(x, "1 s")`, 2, 2},     // x as it was that long ago
	"mean":     {`mean(x, "5 s")`, 2, 2},      // mean of x over the window, by time
	"integral": {`integral(x, "10 s")`, 2, 2}, // integral of x over the window, in its unit times seconds
	"hold":     {`hold(x, "2 s")`, 2, 2},      // x, or its last value while that is no older than the window
}

func functionNames() []string { return slices.Sorted(maps.Keys(functions)) }

func (c *compiler) call(n ast.Node, name string, args []ast.Node) value {
	f, ok := functions[name]
	if !ok {
		c.fail(n, diag.Say("unknown function %q", name).Expect("one of %s", strings.Join(functionNames(), ", ")).Suggest(name, functionNames()))
		return nothing
	}
	if len(args) < f.low || len(args) > f.top {
		c.fail(n, diag.Expect("%s", f.usage).Got("%d arguments", len(args)))
		return nothing
	}
	if _, looks := args[len(args)-1].(*ast.StringNode); looks && len(args) == 2 && (name == "min" || name == "max") {
		return c.look(n, name, args)
	}
	switch name {
	case "rate", "delay", "mean", "integral", "hold":
		return c.look(n, name, args)
	case "abs":
		v := c.number(args[0])
		x, q := v.eval, v.q
		q.constant = math.Abs(q.constant)
		return value{func(r *Run) float64 { return math.Abs(x(r)) }, q}
	case "convert":
		return c.convert(n, args)
	}
	values := make([]value, len(args))
	for i, a := range args {
		values[i] = c.number(a)
	}
	q := values[0].q
	for _, v := range values[1:] {
		q = c.same(n, "take "+name+" of", q, v.q)
	}
	if q.literal {
		q.constant = math.NaN() // one of them
	}
	if name == "clamp" {
		x, low, high := values[0].eval, values[1].eval, values[2].eval
		return value{func(r *Run) float64 { return math.Min(math.Max(x(r), low(r)), high(r)) }, q}
	}
	pick := math.Min
	if name == "max" {
		pick = math.Max
	}
	return value{func(r *Run) float64 {
		v := values[0].eval(r)
		for i := 1; i < len(values); i++ {
			w := values[i].eval(r)
			if math.IsNaN(v) || math.IsNaN(w) {
				v = math.NaN()
				continue
			}
			v = pick(v, w)
		}
		return v
	}, q}
}

// said returns an error as a message.
func said(err error) diag.Message {
	var m diag.Message
	if errors.As(err, &m) {
		return m
	}
	return diag.Say("%v", err)
}

func (c *compiler) convert(n ast.Node, args []ast.Node) value {
	v := c.number(args[0])
	s, ok := args[1].(*ast.StringNode)
	if !ok {
		c.fail(args[1], diag.Expect(`a unit in quotes, as in convert(x, "bar")`))
		return nothing
	}
	to, err := unit.Parse(s.Value)
	if err != nil {
		c.fail(s, said(err))
		return nothing
	}
	if v.q.failed {
		return nothing
	}
	if v.q.unit == "" {
		c.fail(args[0], diag.Say("cannot tell the unit of this").Expect("a signal, as in convert(x, %q)", s.Value))
		return nothing
	}
	f, err := unit.Conversion(v.q.unit, to)
	if err != nil {
		c.fail(n, said(err))
		return nothing
	}
	x := v.eval
	return value{func(r *Run) float64 { return f(x(r)) }, quantityOf(to)}
}
