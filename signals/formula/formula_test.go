package formula

import (
	"math"
	"slices"
	"strings"
	"testing"

	"github.com/expr-lang/expr"
	"pgregory.net/rapid"

	"gearwitness/signals/unit"
)

// scope is a small gearbox.
type scope struct{}

var symbols = []struct {
	name string
	unit unit.Unit
}{
	{"engine_speed", "rpm"}, {"input_speed", "rpm"}, {"shaft", "rev/s"}, {"oil_pan", "°C"}, {"oil_outlet", "°C"},
	{"main", "kPa"}, {"boost", "bar"}, {"torque", "N·m"}, {"pedal", "%"}, {"lever", ""}, {"a", ""}, {"b", ""}, {"c", ""},
}

func (scope) Symbol(name string) (Symbol, bool) {
	for i, s := range symbols {
		if s.name == name {
			sym := Symbol{Index: i, Unit: s.unit}
			if name == "lever" {
				sym.States = map[string]float64{"P": 0, "R": 1, "N": 2, "D": 3}
			}
			return sym, true
		}
	}
	return Symbol{}, false
}

func (scope) SymbolNames() []string {
	var names []string
	for _, s := range symbols {
		names = append(names, s.name)
	}
	return names
}

// set fills the inputs of a run; names not given stay missing.
func set(r *Run, values map[string]float64) {
	for i, n := range r.program.Names() {
		r.In[i] = math.NaN()
		if v, ok := values[n]; ok {
			r.In[i] = v
		}
	}
}

func TestNumber(t *testing.T) {
	missing := math.NaN()
	values := map[string]float64{"engine_speed": 2000, "input_speed": 1500, "oil_pan": 80, "oil_outlet": 104.5, "main": 750, "boost": 1.5, "torque": 100, "pedal": 25, "lever": 3, "a": 0}
	for _, c := range []struct {
		formula string
		unit    unit.Unit
		want    float64
	}{
		{"oil_outlet - oil_pan", "K", 24.5},
		{"(oil_outlet + oil_pan) / 2", "°C", 92.25},
		{"oil_pan - 20", "°C", 60},
		{"main / 100", "bar", 7.5},
		{`convert(main, "bar") + boost`, "bar", 9},
		{`convert(oil_pan, "°F")`, "°F", 176},
		{"input_speed / engine_speed", "", 0.75},
		{"100 * (1 - input_speed / engine_speed)", "%", 25},
		{"torque * engine_speed * 3.14159265358979 / 30 / 1000", "kW", 20.943951023932},
		{"max(engine_speed, input_speed, 1800)", "rpm", 2000},
		{"min(engine_speed, 1800)", "rpm", 1800},
		{"clamp(engine_speed, 0, 1000)", "rpm", 1000},
		{"abs(input_speed - engine_speed)", "rpm", 500},
		{"-engine_speed + 1", "rpm", -1999},
		{"engine_speed % 300", "rpm", 200},
		{"a ** 2 + 2 ^ 3", "", 8},
		{"engine_speed > 1000 ? 1 : 2", "", 1},
		{`lever == "D" ? input_speed : 0`, "rpm", 1500},
		{"1 / a", "", missing},         // division by zero
		{"b + 1", "", missing},         // no value yet
		{"b ^ 0", "", missing},         // nor does a power of nothing exist
		{"b > 1 ? 1 : 2", "", missing}, // not decided
		{"max(b, 5)", "", missing},
		{"clamp(b, 1, 2)", "", missing},
	} {
		p, problems := Number(c.formula, c.unit, scope{})
		if problems != nil {
			t.Errorf("%s: %v", c.formula, problems)
			continue
		}
		r := p.Start()
		set(r, values)
		got, ok := r.Number(0)
		if ok == math.IsNaN(c.want) || ok && math.Abs(got-c.want) > 1e-12*math.Abs(c.want) {
			t.Errorf("%s: got %v, %v; want %v", c.formula, got, ok, c.want)
		}
	}
}

func TestConditionWithMissingValues(t *testing.T) {
	values := map[string]float64{"a": 5, "lever": 2}
	for formula, want := range map[string]logic{
		"a > 3":                 yes,
		"a > 3 and a <= 4":      no,
		"not (a == 5)":          no,
		"a != 5 or a >= 5":      yes,
		"b > 3":                 unknown,
		"b > 3 or a > 3":        yes, // decided without b
		"b > 3 and a < 3":       no,
		"b > 3 and a > 3":       unknown,
		"not (b > 3)":           unknown,
		`lever == "N"`:          yes,
		`"N" == lever`:          yes,
		`lever != "N"`:          no,
		`lever in ["P", "N"]`:   yes,
		`lever in ["P", "R"]`:   no,
		`not (lever in ["P"])`:  yes,
		`lever not in ["P"]`:    yes,
		"a in [b, 5]":           yes, // whatever b is
		"a in [b, 6]":           unknown,
		"a in [1, 5]":           yes,
		"1 < a < 10":            yes,
		"10 < a < 20":           no,
		"true":                  yes,
		"a > 1 ? b > 1 : a > 2": unknown,
		"a < 1 ? b > 1 : a > 2": yes,
	} {
		p, problems := Condition(formula, scope{})
		if problems != nil {
			t.Errorf("%s: %v", formula, problems)
			continue
		}
		r := p.Start()
		set(r, values)
		truth, known := r.Truth(0)
		if truth != (want == yes) || known != (want != unknown) {
			t.Errorf("%s: got %v, known %v; want %v", formula, truth, known, want)
		}
	}
}

func TestMistakes(t *testing.T) {
	for _, c := range []struct {
		formula string
		unit    unit.Unit
		from    int
		want    string
	}{
		{"engine_sped", "rpm", 0, `unknown signal "engine_sped"; did you mean "engine_speed"?`},
		{"1 + oil_pam", "°C", 4, `unknown signal "oil_pam"; did you mean "oil_pan"?`},
		{"engine_speed + main", "rpm", 13, "cannot add rpm (rotational speed) and kPa (pressure)"},
		{"main + boost", "kPa", 5, `cannot add kPa and bar as they stand; write convert(..., "kPa") around the second`},
		{"engine_speed - shaft", "rpm", 13, "cannot subtract rpm and rev/s as they stand"},
		{"oil_outlet - oil_pan", "°C", 0, "the formula gives a temperature difference; expected °C; a difference is in K"},
		{"oil_pan", "K", 0, "the formula gives a temperature in °C; expected one in K"},
		{"max(oil_pan, oil_outlet - oil_pan)", "°C", 0, "cannot take max of a temperature and a temperature difference"},
		{"engine_speed", "kPa", 0, "the formula gives rpm (rotational speed); expected kPa (pressure)"},
		{"engine_speed", "", 0, "expected a bare number; add the key unit"},
		{"main", "bar", 0, "the formula gives 0.01 bar for every kPa"},
		{"engine_speed ^ pedal", "", 13, "cannot raise rpm to this power"},
		{"2 ^ engine_speed", "", 2, "an exponent is a bare number"},
		{`engine_speed + "x"`, "rpm", 15, `expected a number, found the text "x"`},
		{"median(a)", "", 0, "unknown function \"median\""},
		{"mni(a, b)", "", 0, `did you mean "min"?`},
		{"clamp(a, 1)", "", 0, "expected clamp(x, low, high), found 2 arguments"},
		{"a > 3", "", 2, "expected a number, found a condition"},
		{"(a + ", "", 4, "cannot be read as a formula: it ends too early"},
		{"a +* b", "", 3, "cannot be read as a formula: * does not fit here"},
		{"a b", "", 2, "b does not fit here"},
		{"1,5 * a", "", 1, "decimals are written with a point"},
		{"a = b", "", 2, "== compares"},
		{"a × b", "", 2, "× means nothing here; expected names"},
		{"1e999", "", 4, "the number 1e999 is too large"},
		{"99999999999999999999 * a", "", 21, "the number 99999999999999999999 is too large"},
		{"'a", "", 1, "the quote that ends a text is missing"},
		{"", "", 0, "expected a formula, found nothing"},
		{"let x = 1; x", "", 4, "expected a number, found something that formulas here do not have"},
		{"[1, 2]", "", 0, "expected a number"},
		{"convert(a * 2, \"bar\")", "bar", 10, "cannot tell the unit of this"},
		{"convert(main, \"rpm\")", "rpm", 0, "kPa is a unit of pressure, rpm of rotational speed"},
		{"convert(main, \"brr\")", "bar", 14, `unknown unit "brr"`},
		{"1 / 0", "", 2, "divides by 0"},
		{"a / (3 - 3)", "", 2, "divides by 0"},
		{"a % 0", "", 2, "divides by 0"},
		{"9**9**9**9**9", "", 7, "too large to be a number"}, // from the right: 9^(9^9) is the first to be
		{"1e200 * 1e200 + a", "", 6, "too large to be a number"},
		{"0 ^ -1", "", 2, "too large to be a number"},
		{"(-4) ^ 0.5", "", 5, "is no number"},
		{strings.Repeat("(", 2000), "", 0, "expected a formula of at most 1000 bytes"},
	} {
		_, problems := Number(c.formula, c.unit, scope{})
		if len(problems) != 1 || !strings.Contains(problems[0].Text(), c.want) || problems[0].From != c.from {
			t.Errorf("%q in %s: got %+v; want one at %d with %q", c.formula, c.unit, problems, c.from, c.want)
		}
	}
	for _, c := range []struct {
		formula string
		from    int
		want    string
	}{
		{"engine_speed > main", 13, "cannot compare rpm (rotational speed) and kPa (pressure)"},
		{`lever == "X"`, 9, `lever has no state "X"; expected one of D, N, P, R`},
		{`lever < "N"`, 6, "states have no order"},
		{`a == "N"`, 5, "a has no states; compare it with a number"},
		{`a + 1 == "N"`, 9, "can be compared with a signal that has states only"},
		{"lever", 0, `expected a condition, found a number; write for instance lever == "`},
		{"a + b", 2, "expected a condition such as a > 5, found"},
		{"lever in 5", 9, "expected a list after in"},
	} {
		_, problems := Condition(c.formula, scope{})
		if len(problems) != 1 || !strings.Contains(problems[0].Text(), c.want) || problems[0].From != c.from {
			t.Errorf("%q: got %+v; want one at %d with %q", c.formula, problems, c.from, c.want)
		}
	}
	if _, problems := Number("x1 + x2 + main + engine_speed", "rpm", scope{}); len(problems) != 2 {
		t.Errorf("want both unknown names, got %v", problems)
	}
}

// The evaluator is checked against expr's own virtual machine, which shares
// only the parser with it.
func TestEvaluatesLikeExpr(t *testing.T) {
	var tree func(t *rapid.T, depth int) string
	tree = func(t *rapid.T, depth int) string {
		if depth == 0 || rapid.IntRange(0, 4).Draw(t, "leaf") == 0 {
			return rapid.SampledFrom([]string{"a", "b", "c", "1.5", "-2.0", "7.0"}).Draw(t, "atom")
		}
		x, y := tree(t, depth-1), tree(t, depth-1)
		switch rapid.IntRange(0, 6).Draw(t, "shape") {
		case 0:
			return "(" + x + " > " + y + " ? " + x + " : " + y + ")"
		case 1:
			return "abs(" + x + ")"
		case 2:
			return "min(" + x + ", " + y + ")"
		case 3:
			return "((" + x + " <= " + y + " and not (" + y + " == 7.0)) ? " + y + " : " + x + ")"
		}
		return "(" + x + rapid.SampledFrom([]string{" + ", " - ", " * ", " / "}).Draw(t, "operator") + y + ")"
	}
	rapid.Check(t, func(t *rapid.T) {
		src := tree(t, 4)
		if len(src) > maxLength {
			return
		}
		env := map[string]float64{}
		for _, n := range []string{"a", "b", "c"} {
			env[n] = rapid.Float64Range(-100, 100).Draw(t, n)
		}
		want, err := expr.Eval(src, map[string]any{"a": env["a"], "b": env["b"], "c": env["c"]})
		if err != nil {
			t.Fatalf("%s: %v", src, err)
		}
		p, problems := Number(src, "", scope{})
		if problems != nil {
			t.Fatalf("%s: %v", src, problems)
		}
		r := p.Start()
		set(r, env)
		got, ok := r.Number(0)
		w := want.(float64)
		if known := !math.IsNaN(w) && !math.IsInf(w, 0); !known {
			return // here division by zero is missing, there it may go on as infinity
		}
		if ok && got != w {
			t.Errorf("%s with %v: got %v, want %v", src, env, got, w)
		}
		if !ok && !strings.Contains(src, "/") {
			t.Errorf("%s with %v: missing, want %v", src, env, w)
		}
	})
}

func TestNames(t *testing.T) {
	if got := Names(`b + abs(a) > 2 ? slip["low clutch"] : rate(b, "1 s")`); !slices.Equal(got, []string{"b", "a", "slip.low clutch"}) {
		t.Errorf("got %q", got)
	}
	if got := Names("(("); got != nil {
		t.Errorf("got %q from nothing", got)
	}
}

func TestNoAllocations(t *testing.T) {
	p, problems := Number(`lever == "D" and oil_pan > 20 ? max(engine_speed, input_speed) - 3 : clamp(engine_speed, 1, 2)`, "rpm", scope{})
	if problems != nil {
		t.Fatal(problems)
	}
	r := p.Start()
	for i := range r.In {
		r.In[i] = 3
	}
	if n := testing.AllocsPerRun(100, func() { r.Number(1) }); n != 0 {
		t.Errorf("%v allocations an evaluation, want 0", n)
	}
}

func FuzzFormula(f *testing.F) {
	for _, s := range []string{"oil_outlet - oil_pan", `lever in ["P"] ? a : b`, "((((", `slip["x"]`, "a|abs()", "1 .. 5", "#", "{a: 1}.a", "a?.b", "`", "\\"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, src string) {
		for _, compile := range []func() (*Program, []Problem){
			func() (*Program, []Problem) { return Number(src, "K", scope{}) },
			func() (*Program, []Problem) { return Condition(src, scope{}) },
		} {
			p, problems := compile()
			if (p == nil) == (problems == nil) {
				t.Fatalf("%q: program %v, problems %v", src, p, problems)
			}
			for _, q := range problems {
				if q.From < 0 || q.Length < 1 || q.Text() == "" {
					t.Errorf("%q: %+v", src, q)
				}
			}
		}
	})
}

func BenchmarkNumber(b *testing.B) {
	p, _ := Number("abs(oil_outlet - oil_pan) * 2 + 1", "K", scope{})
	r := p.Start()
	r.In[0], r.In[1] = 90, 80
	b.ReportAllocs()
	for b.Loop() {
		r.Number(0)
	}
}
