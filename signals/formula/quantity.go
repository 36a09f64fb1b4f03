package formula

import (
	"math"

	"github.com/expr-lang/expr/ast"

	"gearwitness/signals/diag"
	"gearwitness/signals/portable"
	"gearwitness/signals/unit"
)

// quantity is what a number in a formula measures, as far as it is known while
// checking. Formulas compute with plain figures in the units of their signals:
// kPa + bar is as wrong as kPa + rpm, though both are pressures, so the scale
// is followed too until a literal number takes part in a product.
type quantity struct {
	failed   bool // a problem was reported: say nothing more
	literal  bool // a bare number: fits any unit
	constant float64
	unit     unit.Unit // as written, for messages; "" once computed
	dim      unit.Dim
	factor   float64 // SI value of 1; 0 = unknown
	// points counts absolute temperatures: 1 for °C, 0 for a difference of two,
	// 2 for the sum (which must be halved again); NaN = unknown.
	points float64
}

func quantityOf(u unit.Unit) quantity {
	in, ok := unit.Lookup(u)
	if !ok {
		return quantity{failed: true}
	}
	q := quantity{unit: u, dim: in.Dim, factor: in.Factor}
	if in.Offset != 0 {
		q.points = 1
	}
	return q
}

// String names the quantity in messages.
func (q quantity) String() string {
	switch {
	case q.unit != "":
		return string(q.unit)
	case q.dim.Temperature == 1 && q.dim == unit.Kelvin.Dim() && q.points == 0:
		return "a temperature difference"
	}
	return q.dim.Name()
}

func (q quantity) times(k float64) quantity {
	q.unit = ""
	q.constant *= k
	if k != 1 && k != -1 {
		q.factor = 0
	}
	q.points *= k
	return q
}

// same checks that two quantities can be compared or chosen between.
func (c *compiler) same(n ast.Node, verb string, a, b quantity) quantity {
	switch {
	case a.failed || b.failed:
		return quantity{failed: true}
	case a.literal:
		return b
	case b.literal:
		return a
	case a.dim != b.dim:
		c.fail(n, diag.Say("cannot %s %v (%s) and %v (%s)", verb, a, a.dim.Name(), b, b.dim.Name()))
		return quantity{failed: true}
	case a.factor != 0 && b.factor != 0 && math.Abs(a.factor/b.factor-1) > 1e-9:
		c.fail(n, diag.Say("cannot %s %v and %v as they stand", verb, a, b).Hint("write convert(..., %q) around the second", string(a.unit)))
		return quantity{failed: true}
	case differ(a.points, b.points):
		c.fail(n, diag.Say("cannot %s a temperature and a temperature difference", verb))
		return quantity{failed: true}
	}
	if a.factor == 0 {
		a.factor = b.factor
	}
	if math.IsNaN(a.points) {
		a.points = b.points
	}
	if a.unit != b.unit {
		a.unit = ""
	}
	return a
}

func differ(a, b float64) bool { return !math.IsNaN(a) && !math.IsNaN(b) && math.Abs(a-b) > 1e-9 }

// sum is the quantity of a + b or, with sign -1, a - b.
func (c *compiler) sum(n ast.Node, a, b quantity, sign float64) quantity {
	points := a.points + float64(sign*b.points)
	if a.literal != b.literal && (a.points != 0 || b.points != 0) {
		points = math.NaN() // oil - 20: twenty degrees colder, or the difference from 20 °C
	}
	verb := "add"
	if sign < 0 {
		verb = "subtract"
	}
	a.points, b.points = math.NaN(), math.NaN()
	q := c.same(n, verb, a, b)
	q.points = points
	if a.dim == unit.Kelvin.Dim() {
		q.unit = ""
	}
	return q
}

func product(a, b quantity) quantity {
	switch {
	case a.failed || b.failed:
		return quantity{failed: true}
	case b.literal:
		return a.times(b.constant)
	case a.literal:
		return b.times(a.constant)
	}
	q := quantity{dim: a.dim.Mul(b.dim), factor: a.factor * b.factor}
	if a.points != 0 || b.points != 0 {
		q.points = math.NaN()
	}
	return q
}

func inverse(q quantity) quantity {
	if q.literal {
		q.constant = 1 / q.constant
		return q
	}
	q.unit = ""
	q.dim = q.dim.Pow(-1)
	if q.factor != 0 {
		q.factor = 1 / q.factor
	}
	if q.points != 0 {
		q.points = math.NaN()
	}
	return q
}

func (c *compiler) power(n ast.Node, a, b quantity) quantity {
	switch {
	case a.failed || b.failed:
		return quantity{failed: true}
	case !b.literal && !b.dim.Zero():
		c.fail(n, diag.Say("cannot raise to a power in %v", b).Hint("an exponent is a bare number"))
		return quantity{failed: true}
	case a.literal || a.dim.Zero():
		return quantity{}
	case !b.literal || b.constant != math.Trunc(b.constant) || math.Abs(b.constant) > 6:
		c.fail(n, diag.Say("cannot raise %v to this power", a).Expect("a whole number from -6 to 6"))
		return quantity{failed: true}
	}
	k := int8(b.constant)
	q := quantity{dim: a.dim.Pow(k), points: a.points}
	if a.factor != 0 {
		q.factor = portable.Pow(a.factor, float64(k))
	}
	if a.points != 0 && k != 1 {
		q.points = math.NaN()
	}
	return q
}

// result checks what the whole formula gives against the unit stated for it.
func (c *compiler) result(n ast.Node, q quantity, u unit.Unit) {
	in, ok := unit.Lookup(u)
	if q.failed || q.literal || !ok {
		return
	}
	whole := Problem{From: 0, Length: 1 << 20}
	switch {
	case !q.dim.SameButAngle(in.Dim):
		what := q.String()
		if name := q.dim.Name(); name != what {
			what += " (" + name + ")"
		}
		whole.Message = diag.Say("the formula gives %s", what)
		if u == unit.None {
			whole.Message = whole.Expect("a bare number").Hint("add the key unit")
		} else {
			whole.Message = whole.Expect("%s (%s)", u, in.Dim.Name())
		}
	case q.factor != 0 && math.Abs(q.factor/in.Factor-1) > 1e-9:
		whole.Message = diag.Say("the formula gives %.6g %s for every %s", q.factor/in.Factor, symbol(u), given(q)).Hint("multiply by that figure or use convert(..., %q)", string(u))
	case in.Offset != 0 && differ(q.points, 1):
		whole.Message = diag.Say("the formula gives a temperature difference").Expect("%s", u).Hint("a difference is in K")
	case in.Offset == 0 && in.Dim == unit.Kelvin.Dim() && differ(q.points, 0):
		whole.Message = diag.Say("the formula gives a temperature in °C").Expect("one in %s", u)
	default:
		return
	}
	c.problems = append(c.problems, whole)
}

func symbol(u unit.Unit) string {
	if u == unit.None {
		return "(a bare number)"
	}
	return string(u)
}

func given(q quantity) string {
	if q.unit != "" {
		return string(q.unit)
	}
	return "1 of its result"
}
