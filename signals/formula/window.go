package formula

import (
	"fmt"
	"math"

	"github.com/expr-lang/expr/ast"

	"gearwitness/signals/diag"
	"gearwitness/signals/unit"
)

// Functions that look back over a stated window. Between two evaluations a value
// holds: the window knows x as steps. A missing x empties it, and until it has
// seen x for its whole length its own value is missing; only hold bridges gaps.
//
//	rate(x, w)      (x(now) - x(now - w)) / w, per second
//	delay(x, w)     x(now - w)
//	mean(x, w)      integral of x from now - w to now, divided by w
//	integral(x, w)  integral of x from now - w to now, in unit · s
//	max(x, w)       largest value from now - w to now; min the smallest
//	hold(x, w)      x, or its last value while that is no older than w

// maxWindow is the longest window, maxSteps the most steps it remembers; older
// ones fall out of it: 65 s of changes each millisecond, 11 min at 100 Hz.
const (
	maxWindow = int64(600e9)
	maxSteps  = 1 << 16
)

type window struct {
	name   string
	length int64 // ns
}

// memory is what a window remembers during a run: the steps of x, oldest first,
// from the one that held at the window's begin.
type memory struct {
	window
	head  int       // first step still of interest
	time  []int64   // when each step began
	value []float64 // what it holds
	sum   []float64 // integral of x up to there [unit · s]
	best  []int     // max and min: steps before the newest that may be the extreme, in order
	front int       // first of best still of interest
}

func newMemory(w window) memory { return memory{window: w} }

// push tells the memory x at now and forgets what has left the window.
func (m *memory) push(now int64, x float64) {
	if math.IsNaN(x) {
		m.head, m.front = 0, 0
		m.time, m.value, m.sum, m.best = m.time[:0], m.value[:0], m.sum[:0], m.best[:0]
		return
	}
	n := len(m.time)
	switch {
	case n > 0 && m.time[n-1] == now: // again at the same time: the last word counts
		m.value[n-1] = x
	case n > 0 && m.value[n-1] == x:
	default:
		sum := 0.0
		if n > 0 {
			sum = m.sum[n-1] + m.value[n-1]*float64(now-m.time[n-1])/1e9
			m.rank(n - 1)
		}
		m.time, m.value, m.sum = append(m.time, now), append(m.value, x), append(m.sum, sum)
	}
	for m.head+1 < len(m.time) && (m.time[m.head+1] <= now-m.length || len(m.time)-m.head > maxSteps) {
		m.head++
	}
	for m.front < len(m.best) && m.best[m.front] < m.head {
		m.front++
	}
	if m.head > 64 && m.head > len(m.time)/2 {
		m.compact()
	}
}

// rank enters step i, now that it cannot change any more, among those that may
// be the extreme: a step that is no better than a later one can never be it.
func (m *memory) rank(i int) {
	if m.name != "max" && m.name != "min" {
		return
	}
	for len(m.best) > m.front && !m.better(m.value[m.best[len(m.best)-1]], m.value[i]) {
		m.best = m.best[:len(m.best)-1]
	}
	m.best = append(m.best, i)
}

// better tells whether a is more extreme than b.
func (m *memory) better(a, b float64) bool {
	if m.name == "max" {
		return a > b
	}
	return a < b
}

// compact moves the steps of interest to the front of their memory.
func (m *memory) compact() {
	m.time = m.time[:copy(m.time, m.time[m.head:])]
	m.value = m.value[:copy(m.value, m.value[m.head:])]
	m.sum = m.sum[:copy(m.sum, m.sum[m.head:])]
	m.best = m.best[:copy(m.best, m.best[m.front:])]
	for i := range m.best {
		m.best[i] -= m.head
	}
	m.head, m.front = 0, 0
}

// get returns the window's value at now, NaN where it has none.
func (m *memory) get(now int64) float64 {
	begin := now - m.length
	if len(m.time) == 0 || m.time[m.head] > begin {
		return math.NaN()
	}
	last := len(m.time) - 1
	switch m.name {
	case "delay":
		return m.value[m.head]
	case "rate":
		return (m.value[last] - m.value[m.head]) / (float64(m.length) / 1e9)
	case "max", "min":
		if m.front < len(m.best) && m.better(m.value[m.best[m.front]], m.value[last]) {
			return m.value[m.best[m.front]]
		}
		return m.value[last]
	}
	upTo := func(i int, t int64) float64 { return m.sum[i] + m.value[i]*float64(t-m.time[i])/1e9 }
	area := upTo(last, now) - upTo(m.head, begin)
	if m.name == "mean" {
		return area / (float64(m.length) / 1e9)
	}
	return area
}

// look compiles a function that looks back.
func (c *compiler) look(n ast.Node, name string, args []ast.Node) value {
	x := c.number(args[0])
	s, ok := args[1].(*ast.StringNode)
	if !ok {
		c.fail(args[1], diag.Expect("a window in quotes, as in %s(x, \"5 s\")", name))
		return nothing
	}
	length, err := readWindow(s.Value)
	if err != nil {
		c.fail(s, said(err))
		return nothing
	}
	if x.q.literal {
		c.fail(args[0], diag.Expect("something that changes with time").Got("a figure"))
		return nothing
	}
	q := x.q
	switch name {
	case "rate":
		q.unit = ""
		q.dim = q.dim.Div(unit.Second.Dim())
		if !math.IsNaN(q.points) {
			q.points = 0
		}
	case "integral":
		q.unit = ""
		q.dim = q.dim.Mul(unit.Second.Dim())
		if q.points != 0 {
			q.points = math.NaN()
		}
	}
	i := len(c.p.windows)
	c.p.windows = append(c.p.windows, window{name, length})
	eval := x.eval
	if name == "hold" {
		return value{func(r *Run) float64 {
			m, v := &r.memory[i], eval(r)
			if math.IsNaN(v) {
				if n := len(m.time); n > 0 && r.now-m.time[0] <= m.length {
					return m.value[0]
				}
				return v
			}
			m.time, m.value = append(m.time[:0], r.now), append(m.value[:0], v)
			return v
		}, q}
	}
	return value{func(r *Run) float64 {
		m := &r.memory[i]
		m.push(r.now, eval(r))
		return m.get(r.now)
	}, q}
}

// readWindow reads a length of time such as "5 s".
func readWindow(s string) (int64, error) {
	var v float64
	var symbol, rest string
	if n, _ := fmt.Sscanf(s, "%g%s%s", &v, &symbol, &rest); n != 2 {
		return 0, diag.Expect(`a window such as "5 s"`).Got("%q", s)
	}
	u, err := unit.Parse(symbol)
	if err != nil || u.Dim() != unit.Second.Dim() {
		return 0, diag.Expect(`a window in ms, s or min such as "5 s"`).Got("%q", s)
	}
	sec, err := unit.Convert(v, u, unit.Second)
	ns := math.Round(sec * 1e9)
	if err != nil || !(ns >= 1e6 && ns <= float64(maxWindow)) {
		return 0, diag.Expect("a window from 1 ms to 10 min").Got("%q", s)
	}
	return int64(ns), nil
}
