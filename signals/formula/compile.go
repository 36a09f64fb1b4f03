package formula

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"regexp"
	"slices"
	"strings"
	"unicode/utf8"

	"github.com/expr-lang/expr/ast"
	"github.com/expr-lang/expr/file"
	"github.com/expr-lang/expr/parser"

	"gearwitness/signals/diag"
	"gearwitness/signals/portable"
	"gearwitness/signals/unit"
)

// maxLength of a formula in bytes: bounds the depth of the tree as well.
const maxLength = 1000

// Number compiles a formula that gives a number in unit u.
func Number(src string, u unit.Unit, scope Scope) (*Program, []Problem) {
	c := compiler{scope: scope, p: &Program{}}
	if root := c.parse(src); root != nil {
		v := c.number(root)
		c.p.number = v.eval
		c.result(root, v.q, u)
	}
	return c.done()
}

// Condition compiles a formula that is true or false.
func Condition(src string, scope Scope) (*Program, []Problem) {
	c := compiler{scope: scope, p: &Program{}}
	if root := c.parse(src); root != nil {
		c.p.truth = c.condition(root)
	}
	return c.done()
}

// Names returns the names of signals that stand in a formula, in order of
// appearance; nil if it cannot be read.
func Names(src string) []string {
	c := compiler{p: &Program{}}
	root := c.parse(src)
	if root == nil {
		return nil
	}
	v := namesVisitor{bases: make(map[ast.Node]bool)}
	ast.Walk(&root, &v)
	slices.SortStableFunc(v.list, func(a, b place) int { return cmp.Compare(a.from, b.from) })
	var names []string
	for _, p := range v.list {
		if !v.bases[p.node] && !slices.Contains(names, p.name) {
			names = append(names, p.name)
		}
	}
	return names
}

type place struct {
	node ast.Node
	from int
	name string
}

// namesVisitor gathers names; bases are the nodes that are only part of one,
// such as slip in slip["low clutch"], and the names of functions.
type namesVisitor struct {
	list  []place
	bases map[ast.Node]bool
}

func (v *namesVisitor) Visit(n *ast.Node) {
	switch n := (*n).(type) {
	case *ast.IdentifierNode:
		v.list = append(v.list, place{n, n.Location().From, n.Value})
	case *ast.CallNode:
		v.bases[n.Callee] = true
	case *ast.MemberNode:
		if name, ok := memberName(n); ok {
			v.bases[n.Node] = true
			v.list = append(v.list, place{n, n.Node.Location().From, name})
		}
	}
}

type compiler struct {
	scope    Scope
	p        *Program
	problems []Problem
}

func (c *compiler) done() (*Program, []Problem) {
	if len(c.problems) > 0 {
		slices.SortStableFunc(c.problems, func(a, b Problem) int { return cmp.Compare(a.From, b.From) })
		return nil, c.problems
	}
	return c.p, nil
}

// parse has expr read the text; its recursion is bounded by maxLength.
func (c *compiler) parse(src string) (root ast.Node) {
	if strings.TrimSpace(src) == "" {
		c.problems = append(c.problems, Problem{0, 1, diag.Expect("a formula").Got("nothing")})
		return nil
	}
	if len(src) > maxLength || !utf8.ValidString(src) {
		c.problems = append(c.problems, Problem{0, 1, diag.Expect("a formula of at most %d bytes of UTF-8", maxLength).Got("%d", len(src))})
		return nil
	}
	length := utf8.RuneCountInString(src)
	defer func() {
		if p := recover(); p != nil {
			c.problems = append(c.problems, Problem{0, length, unreadable(p)})
			root = nil
		}
	}()
	tree, err := parser.Parse(src)
	if err != nil {
		p := Problem{0, length, unreadable(err)}
		var at *file.Error
		if errors.As(err, &at) {
			p.From = min(max(at.From, 0), max(length-1, 0))
			p.Length = min(max(at.To-at.From, 1), length-p.From)
			p.Message = unreadable(message(at.Message))
		}
		c.problems = append(c.problems, p)
		return nil
	}
	return tree.Node
}

func unreadable(why any) diag.Message { return diag.Say("cannot be read as a formula: %v", why) }

// Notes of expr that are put in words of our own; anything else stands as it is.
var (
	misplaced   = regexp.MustCompile(`^unexpected token \w+\("(.*)"\)$`)
	noCharacter = regexp.MustCompile(`^unrecognized character: \S+ '(.*)'$`)
	noNumber    = regexp.MustCompile(`^invalid \w+ literal: .* parsing "(.*)": (.*)$`)
)

// message turns expr's notes on tokens into words for people.
func message(s string) string {
	s, _, _ = strings.Cut(s, "\n")
	s = strings.TrimSpace(s)
	switch {
	case strings.Contains(s, "token EOF"):
		return "it ends too early"
	case s == "literal not terminated":
		return "the quote that ends a text is missing"
	}
	if m := misplaced.FindStringSubmatch(s); m != nil {
		switch m[1] {
		case "=":
			return "= does not fit here; == compares"
		case ",":
			return "a comma does not fit here; decimals are written with a point"
		}
		return m[1] + " does not fit here"
	}
	if m := noCharacter.FindStringSubmatch(s); m != nil {
		return fmt.Sprintf("%s means nothing here; expected names, numbers and + - * / %% ^ == != < <= > >= and or not in", m[1])
	}
	if m := noNumber.FindStringSubmatch(s); m != nil {
		if strings.HasSuffix(m[2], "out of range") {
			return fmt.Sprintf("the number %s is too large", m[1])
		}
		return fmt.Sprintf("%s is not a number", m[1])
	}
	return s
}

func (c *compiler) fail(n ast.Node, m diag.Message) {
	loc := n.Location()
	length := loc.To - loc.From
	if id, ok := n.(*ast.IdentifierNode); ok {
		length = utf8.RuneCountInString(id.Value)
	}
	c.problems = append(c.problems, Problem{max(loc.From, 0), max(length, 1), m})
}

// value is a compiled number: how to compute it and what it measures.
type value struct {
	eval func(r *Run) float64
	q    quantity
}

var nothing = value{func(*Run) float64 { return math.NaN() }, quantity{failed: true}}

func constant(v float64) value {
	return value{func(*Run) float64 { return v }, quantity{literal: true, constant: v}}
}

// name compiles a signal's name.
func (c *compiler) name(n ast.Node, name string) (value, Symbol, bool) {
	s, ok := c.scope.Symbol(name)
	if !ok {
		c.fail(n, c.unknown(name))
		return nothing, s, false
	}
	i := slices.Index(c.p.names, name)
	if i < 0 {
		i = len(c.p.names)
		c.p.names = append(c.p.names, name)
		c.p.inputs = append(c.p.inputs, s.Index)
	}
	return value{func(r *Run) float64 { return r.In[i] }, quantityOf(s.Unit)}, s, true
}

func (c *compiler) unknown(name string) diag.Message {
	m := diag.Say("unknown signal %q", name)
	if f, ok := functions[name]; ok {
		return m.Hint("%s is a function: %s", name, f.usage)
	}
	return m.Suggest(name, c.scope.SymbolNames())
}

// memberName returns the name in slip["low-gears clutch"].
func memberName(n *ast.MemberNode) (string, bool) {
	base, ok := n.Node.(*ast.IdentifierNode)
	key, ok2 := n.Property.(*ast.StringNode)
	if !ok || !ok2 || n.Optional || n.Method {
		return "", false
	}
	return base.Value + "." + key.Value, true
}

// number compiles a node that must give a number.
func (c *compiler) number(n ast.Node) value {
	switch n := n.(type) {
	case *ast.IntegerNode:
		return constant(float64(n.Value))
	case *ast.FloatNode:
		return constant(n.Value)
	case *ast.IdentifierNode:
		v, _, _ := c.name(n, n.Value)
		return v
	case *ast.MemberNode:
		if name, ok := memberName(n); ok {
			v, _, _ := c.name(n, name)
			return v
		}
	case *ast.UnaryNode:
		if n.Operator == "-" || n.Operator == "+" {
			v := c.number(n.Node)
			if n.Operator == "+" {
				return v
			}
			inner := v.eval
			return value{func(r *Run) float64 { return -inner(r) }, v.q.times(-1)}
		}
	case *ast.BinaryNode:
		if v, ok := c.arithmetic(n); ok {
			return v
		}
	case *ast.ConditionalNode:
		cond := c.condition(n.Cond)
		a, b := c.number(n.Exp1), c.number(n.Exp2)
		q := c.same(n, "choose between", a.q, b.q)
		return value{func(r *Run) float64 {
			x, y := a.eval(r), b.eval(r) // both, so that functions that look back see every call
			switch cond(r) {
			case yes:
				return x
			case no:
				return y
			}
			return math.NaN()
		}, q}
	case *ast.CallNode:
		if id, ok := n.Callee.(*ast.IdentifierNode); ok {
			return c.call(n, id.Value, n.Arguments)
		}
	case *ast.BuiltinNode:
		return c.call(n, n.Name, n.Arguments)
	case *ast.StringNode:
		c.fail(n, diag.Expect("a number").Got("the text %q", n.Value).Hint("texts are compared with signals that have states, as in lever == \"D\""))
		return nothing
	}
	c.fail(n, diag.Expect("a number").Got("%s", c.describe(n)))
	return nothing
}

func (c *compiler) describe(n ast.Node) string {
	switch n := n.(type) {
	case *ast.BinaryNode:
		if comparisons[n.Operator] || n.Operator == "and" || n.Operator == "or" || n.Operator == "&&" || n.Operator == "||" {
			return "a condition"
		}
		if slices.Contains([]string{"+", "-", "*", "/", "%", "^", "**"}, n.Operator) {
			return "a number"
		}
		return fmt.Sprintf("the operator %q, which formulas here do not have", n.Operator)
	case *ast.BoolNode, *ast.UnaryNode:
		return "a condition"
	case *ast.StringNode:
		return fmt.Sprintf("the text %q", n.Value)
	case *ast.IdentifierNode, *ast.IntegerNode, *ast.FloatNode, *ast.CallNode, *ast.BuiltinNode, *ast.ConditionalNode:
		return "a number"
	}
	return "something that formulas here do not have"
}

func (c *compiler) arithmetic(n *ast.BinaryNode) (value, bool) {
	var f func(a, b float64) float64
	switch n.Operator {
	case "+", "-", "*", "/", "%", "^", "**":
	default:
		return nothing, false
	}
	a, b := c.number(n.Left), c.number(n.Right)
	var q quantity
	switch n.Operator {
	case "+":
		f = func(a, b float64) float64 { return a + b }
		q = c.sum(n, a.q, b.q, +1)
	case "-":
		f = func(a, b float64) float64 { return a - b }
		q = c.sum(n, a.q, b.q, -1)
	case "*":
		f = func(a, b float64) float64 { return a * b }
		q = product(a.q, b.q)
	case "/":
		f = func(a, b float64) float64 { return a / b }
		q = product(a.q, inverse(b.q))
	case "%":
		f = math.Mod
		q = c.same(n, "take the remainder of", a.q, b.q)
	default:
		f = portable.Pow
		q = c.power(n, a.q, b.q)
	}
	if a.q.literal && b.q.literal {
		q = quantity{literal: true, constant: f(a.q.constant, b.q.constant)}
	}
	if m, never := hopeless(n.Operator, a.q, b.q, q); never {
		c.fail(n, m)
		return nothing, true
	}
	x, y := a.eval, b.eval
	// Each operator gets its own closure: one call less in a hot path.
	switch n.Operator {
	case "+":
		return value{func(r *Run) float64 { return x(r) + y(r) }, q}, true
	case "-":
		return value{func(r *Run) float64 { return x(r) - y(r) }, q}, true
	case "*":
		return value{func(r *Run) float64 { return x(r) * y(r) }, q}, true
	case "/":
		return value{func(r *Run) float64 { return finite(x(r) / y(r)) }, q}, true
	}
	return value{func(r *Run) float64 {
		a, b := x(r), y(r)
		if math.IsNaN(a) || math.IsNaN(b) { // math.Pow(NaN, 0) is 1
			return math.NaN()
		}
		return finite(f(a, b))
	}, q}, true
}

// hopeless tells whether an operation can never have a value, whatever its signals
// are: what is computed of figures alone is known while checking. min and max of
// figures are not followed; their constant is NaN.
func hopeless(operator string, a, b, result quantity) (diag.Message, bool) {
	if (operator == "/" || operator == "%") && b.literal && b.constant == 0 {
		return diag.Say("this divides by 0 and never has a value"), true
	}
	if !result.literal || math.IsNaN(a.constant) || math.IsNaN(b.constant) {
		return diag.Message{}, false
	}
	switch c := result.constant; {
	case math.IsInf(c, 0):
		return diag.Say("this is too large to be a number, and never has a value"), true
	case math.IsNaN(c):
		return diag.Say("this is no number, and never has a value"), true
	}
	return diag.Message{}, false
}

func finite(v float64) float64 {
	if math.IsInf(v, 0) {
		return math.NaN()
	}
	return v
}

var comparisons = map[string]bool{"==": true, "!=": true, "<": true, "<=": true, ">": true, ">=": true, "in": true}

// condition compiles a node that must be true or false.
func (c *compiler) condition(n ast.Node) func(*Run) logic {
	switch n := n.(type) {
	case *ast.BoolNode:
		v := truth(n.Value)
		return func(*Run) logic { return v }
	case *ast.UnaryNode:
		if n.Operator == "not" || n.Operator == "!" {
			inner := c.condition(n.Node)
			return func(r *Run) logic { return inner(r).not() }
		}
	case *ast.BinaryNode:
		switch n.Operator {
		case "and", "&&":
			a, b := c.condition(n.Left), c.condition(n.Right)
			return func(r *Run) logic { return a(r).and(b(r)) } // both, so that functions that look back see every call
		case "or", "||":
			a, b := c.condition(n.Left), c.condition(n.Right)
			return func(r *Run) logic { return a(r).or(b(r)) }
		}
		if comparisons[n.Operator] {
			return c.comparison(n)
		}
	case *ast.ConditionalNode:
		cond, a, b := c.condition(n.Cond), c.condition(n.Exp1), c.condition(n.Exp2)
		return func(r *Run) logic {
			x, y := a(r), b(r)
			switch cond(r) {
			case yes:
				return x
			case no:
				return y
			}
			return unknown
		}
	case *ast.IdentifierNode:
		if _, s, ok := c.name(n, n.Value); ok {
			hint := n.Value + " > 0"
			for _, text := range slices.Sorted(keys(s.States)) {
				hint = fmt.Sprintf("%s == %q", n.Value, text)
			}
			c.fail(n, diag.Expect("a condition").Got("a number").Hint("write for instance %s", hint))
		}
		return func(*Run) logic { return unknown }
	}
	c.fail(n, diag.Expect("a condition such as a > 5").Got("%s", c.describe(n)))
	return func(*Run) logic { return unknown }
}

func keys(m map[string]float64) func(func(string) bool) {
	return func(yield func(string) bool) {
		for k := range m {
			if !yield(k) {
				return
			}
		}
	}
}

func (c *compiler) comparison(n *ast.BinaryNode) func(*Run) logic {
	open := func(*Run) logic { return unknown }
	if n.Operator == "in" {
		list, ok := n.Right.(*ast.ArrayNode)
		if !ok || len(list.Nodes) == 0 {
			c.fail(n.Right, diag.Expect(`a list after in, such as lever in ["P", "N"]`))
			return open
		}
		var any func(*Run) logic
		for _, item := range list.Nodes {
			one := c.equal(n, n.Left, item, "==")
			if any == nil {
				any = one
				continue
			}
			before := any
			any = func(r *Run) logic { return before(r).or(one(r)) }
		}
		return any
	}
	return c.equal(n, n.Left, n.Right, n.Operator)
}

func (c *compiler) equal(n ast.Node, left, right ast.Node, operator string) func(*Run) logic {
	open := func(*Run) logic { return unknown }
	if text, ok := left.(*ast.StringNode); ok { // "D" == lever
		if _, both := right.(*ast.StringNode); !both {
			swapped := map[string]string{"<": ">", ">": "<", "<=": ">=", ">=": "<="}
			if s, ok := swapped[operator]; ok {
				operator = s
			}
			left, right = right, ast.Node(text)
		}
	}
	if text, ok := right.(*ast.StringNode); ok {
		name, isName := "", false
		switch l := left.(type) {
		case *ast.IdentifierNode:
			name, isName = l.Value, true
		case *ast.MemberNode:
			name, isName = memberName(l)
		}
		if !isName {
			c.fail(text, diag.Say("the text %q can be compared with a signal that has states only", text.Value))
			return open
		}
		v, s, ok := c.name(left, name)
		if !ok {
			return open
		}
		if len(s.States) == 0 {
			c.fail(text, diag.Say("%s has no states", name).Hint("compare it with a number"))
			return open
		}
		want, ok := s.States[text.Value]
		if !ok {
			texts := slices.Sorted(keys(s.States))
			c.fail(text, diag.Say("%s has no state %q", name, text.Value).Expect("one of %s", strings.Join(texts, ", ")).Suggest(text.Value, texts))
			return open
		}
		if operator != "==" && operator != "!=" {
			c.fail(n, diag.Say("states have no order").Hint("compare %s by == or !=", name))
			return open
		}
		equal := truth(operator == "==")
		eval := v.eval
		return func(r *Run) logic {
			x := eval(r)
			switch {
			case math.IsNaN(x):
				return unknown
			case x == want:
				return equal
			}
			return equal.not()
		}
	}
	a, b := c.number(left), c.number(right)
	c.same(n, "compare", a.q, b.q)
	x, y := a.eval, b.eval
	return func(r *Run) logic {
		a, b := x(r), y(r)
		if math.IsNaN(a) || math.IsNaN(b) {
			return unknown
		}
		switch operator {
		case "==":
			return truth(a == b)
		case "!=":
			return truth(a != b)
		case "<":
			return truth(a < b)
		case "<=":
			return truth(a <= b)
		case ">":
			return truth(a > b)
		}
		return truth(a >= b)
	}
}
