package compare

import (
	"cmp"
	"fmt"
	"hash/fnv"
	"maps"
	"math"
	"slices"
	"sort"
	"strings"
)

// Tolerances within which two shifts are alike. Pedal and oil temperature:
// common practice, no source. Engine torque: ours.
const (
	PedalPercent  = 5.0
	OilKelvin     = 10.0
	TorqueNm      = 15.0
	TorqueShare   = 0.1 // of the larger, where that is more than TorqueNm
	significance  = 0.05
	fewestToShow  = 2 // for an interval
	overlayStep   = 0.01
	overlayBefore = 0.2
	overlayAfter  = 0.3
)

// Comparison is two sessions' shifts side by side.
type Comparison struct {
	Groups []Group `json:"groups"`
	// Summary says in plain sentences what stands out, the clearest first; it is
	// never empty.
	Summary []string `json:"summary"`
	// Notes say what this comparison cannot know.
	Notes []string `json:"notes"`
}

// Group is one change of gear under one load, in both sessions.
type Group struct {
	From string `json:"from"`
	To   string `json:"to"`
	Kind string `json:"kind"` // see Shift.Kind
	// All counts the shifts of each session, Alike those with a counterpart in the
	// other session, which alone are compared.
	All   [2]int `json:"all"`
	Alike [2]int `json:"alike"`
	// NotReached counts, of those alike, the ones that did not reach the new gear
	// for good; they have no duration.
	NotReached [2]int `json:"not_reached"`
	// NotKnown names the conditions that neither session knows, such as "oil
	// temperature": the shifts may differ in them.
	NotKnown []string `json:"not_known"`
	Figures  []Figure `json:"figures"`
	Overlay  Overlay  `json:"overlay"`
	Words    string   `json:"words"`
}

// Name is the group in words: "2-3 power-on up".
func (g *Group) Name() string { return g.From + "-" + g.To + " " + g.Kind }

// Verdict of a figure.
type Verdict string

// Verdicts.
const (
	Larger  Verdict = "larger"  // in the second session, beyond chance and what the measurement can tell
	Smaller Verdict = "smaller" // the same the other way
	Alike   Verdict = "no difference shown"
	TooFew  Verdict = "too few to tell"
)

// Figure is one measured figure of a group in both sessions.
type Figure struct {
	Name   string     `json:"name"` // duration, delay, flare, bind-up, overshoot
	Unit   string     `json:"unit"` // empty: a share
	N      [2]int     `json:"n"`
	Median [2]float64 `json:"median"`
	// Difference is the second median minus the first, Interval where it lies with
	// 95 % confidence (bootstrap); nil with fewer than two values on a side.
	Difference float64   `json:"difference"`
	Interval   *Interval `json:"interval_95,omitempty"`
	Test       *RankTest `json:"rank_test,omitempty"`
	// PAll is the test's P with regard to all groups tested for this figure (Holm).
	PAll *float64 `json:"p_all,omitempty"`
	// Share is the part of all pairs in which the second session's value is larger.
	Share   float64 `json:"share_larger"`
	Verdict Verdict `json:"verdict"`
	Words   string  `json:"words"`
}

// quantity is a figure that shifts have.
type quantity struct {
	name, unit string
	more, less string  // what a larger and a smaller value is called
	small      float64 // differences below are within what the measurement can tell
	digits     int
	of         func(*Shift) (float64, bool)
}

func pointer(p *float64) (float64, bool) {
	if p == nil {
		return 0, false
	}
	return *p, true
}

// The smallest differences that are claimed are ours: 20 ms is what a shift's times
// are good for at speeds sent 100 times a second; a command is often sent no
// more than 50 times.
var quantities = [...]quantity{
	{"duration", "s", "longer", "shorter", 0.02, 2, func(s *Shift) (float64, bool) {
		if s.Duration == nil || !s.Settled {
			return 0, false
		}
		return float64(*s.Duration) / 1e9, true
	}},
	{"delay", "s", "longer", "shorter", 0.05, 2, func(s *Shift) (float64, bool) {
		if s.Delay == nil {
			return 0, false
		}
		return float64(*s.Delay) / 1e9, true
	}},
	{"flare", "rpm", "higher", "lower", 10, 0, func(s *Shift) (float64, bool) { return pointer(s.Flare) }},
	{"bind-up", "m/s²", "stronger", "weaker", 0.1, 2, func(s *Shift) (float64, bool) { return pointer(s.BindUp) }},
	{"overshoot", "", "larger", "smaller", 0.03, 3, func(s *Shift) (float64, bool) { return s.Overshoot, s.End != nil }},
}

// condition is what must be alike.
type condition struct {
	name  string
	of    func(*Shift) *float64
	alike func(a, b float64) bool
}

var conditions = [...]condition{
	{"pedal", func(s *Shift) *float64 { return s.Pedal }, within(PedalPercent)},
	{"oil temperature", func(s *Shift) *float64 { return s.OilTemperature }, within(OilKelvin)},
	{"engine torque", func(s *Shift) *float64 { return s.TorqueBefore }, func(a, b float64) bool {
		return math.Abs(a-b) <= max(TorqueNm, TorqueShare*max(math.Abs(a), math.Abs(b)))
	}},
}

func within(tolerance float64) func(a, b float64) bool {
	return func(a, b float64) bool { return math.Abs(a-b) <= tolerance }
}

// conditionsOf returns the conditions that some of the shifts know and the names
// of the others.
func conditionsOf(lists ...[]*Shift) (use []condition, unknown []string) {
	unknown = []string{}
	for _, c := range conditions {
		known := slices.ContainsFunc(lists, func(l []*Shift) bool {
			return slices.ContainsFunc(l, func(s *Shift) bool { return c.of(s) != nil })
		})
		if known {
			use = append(use, c)
		} else {
			unknown = append(unknown, c.name)
		}
	}
	return use, unknown
}

// alike tells whether two shifts happened under the same conditions. A shift
// that does not know a condition is like no other.
func alike(a, b *Shift, use []condition) bool {
	for _, c := range use {
		x, y := c.of(a), c.of(b)
		if x == nil || y == nil || !c.alike(*x, *y) {
			return false
		}
	}
	return true
}

// counterparts returns the shifts of a that have a like one in b.
func counterparts(a, b []*Shift, use []condition) []*Shift {
	return slices.DeleteFunc(slices.Clone(a), func(s *Shift) bool {
		return !slices.ContainsFunc(b, func(o *Shift) bool { return alike(s, o, use) })
	})
}

// Set is the shifts of one change of gear under one load.
type Set struct {
	From, To, Kind string // see Shift.Kind
	Shifts         []*Shift
}

// Name is the set in words: "2-3 power-on up".
func (s *Set) Name() string { return s.From + "-" + s.To + " " + s.Kind }

// Sets sorts shifts into sets, in an order for people: by the first gear, then
// the second, then the kind.
func Sets(shifts []Shift) []Set {
	m := groups(shifts)
	var sets []Set
	for _, k := range keysOf(m) {
		sets = append(sets, Set{k.from, k.to, k.kind, m[k]})
	}
	return sets
}

type groupKey struct{ from, to, kind string }

// groups sorts shifts by gears and kind.
func groups(shifts []Shift) map[groupKey][]*Shift {
	m := map[groupKey][]*Shift{}
	for i := range shifts {
		s := &shifts[i]
		m[s.key()] = append(m[s.key()], s)
	}
	return m
}

func (s *Shift) key() groupKey { return groupKey{s.From, s.To, s.Kind()} }

// keysOf returns the keys of several maps in the order of Sets.
func keysOf(all ...map[groupKey][]*Shift) []groupKey {
	seen := map[groupKey]bool{}
	for _, m := range all {
		for k := range m {
			seen[k] = true
		}
	}
	return slices.SortedFunc(maps.Keys(seen), func(a, b groupKey) int {
		return cmp.Or(cmp.Compare(a.from, b.from), cmp.Compare(a.to, b.to), cmp.Compare(a.kind, b.kind))
	})
}

// Compare compares the shifts of two sessions of one vehicle.
func Compare(a, b []Shift) *Comparison {
	c := &Comparison{Groups: []Group{}, Notes: []string{
		"Road slope and the vehicle's load are not measured; compare drives over like roads with like loads.",
	}}
	inA, inB := groups(a), groups(b)
	values := map[string][2][]float64{}
	for _, k := range keysOf(inA, inB) {
		all := [2][]*Shift{inA[k], inB[k]}
		use, unknown := conditionsOf(all[0], all[1])
		like := [2][]*Shift{counterparts(all[0], all[1], use), counterparts(all[1], all[0], use)}
		g := Group{From: k.from, To: k.to, Kind: k.kind, NotKnown: unknown, Figures: []Figure{}, Overlay: overlay(like)}
		for i := range all {
			g.All[i], g.Alike[i] = len(all[i]), len(like[i])
			for _, s := range like[i] {
				if !s.Settled || s.Duration == nil {
					g.NotReached[i]++
				}
			}
		}
		for _, q := range quantities {
			v := [2][]float64{q.values(like[0]), q.values(like[1])}
			if len(v[0]) == 0 || len(v[1]) == 0 {
				continue
			}
			values[g.Name()+" "+q.name] = v
			g.Figures = append(g.Figures, q.figure(v, seed(k, q.name)))
		}
		c.Groups = append(c.Groups, g)
	}
	c.adjust()
	for i := range c.Groups {
		c.Groups[i].words()
	}
	c.summary()
	return c
}

func (q *quantity) values(list []*Shift) []float64 {
	var v []float64
	for _, s := range list {
		if x, ok := q.of(s); ok {
			v = append(v, x)
		}
	}
	return v
}

func seed(k groupKey, name string) uint64 {
	h := fnv.New64a()
	fmt.Fprint(h, k.from, "\x00", k.to, "\x00", k.kind, "\x00", name)
	return h.Sum64()
}

func (q *quantity) figure(v [2][]float64, seed uint64) Figure {
	f := Figure{Name: q.name, Unit: q.unit, N: [2]int{len(v[0]), len(v[1])}, Median: [2]float64{Median(v[0]), Median(v[1])}}
	f.Difference = f.Median[1] - f.Median[0]
	test := MannWhitney(v[0], v[1])
	f.Share = test.U / float64(len(v[0])*len(v[1]))
	if len(v[0]) >= fewestToShow && len(v[1]) >= fewestToShow {
		i := bootstrap(seed, func(s [][]float64) float64 { return median(s[1]) - median(s[0]) }, v[0], v[1])
		f.Interval = &i
	}
	if smallestP(len(v[0]), len(v[1])) <= significance {
		f.Test = &test
	}
	return f
}

// adjust judges each figure with regard to how many groups it was tested in.
func (c *Comparison) adjust() {
	for _, q := range quantities {
		var p []float64
		var figures []*Figure
		for i := range c.Groups {
			for k := range c.Groups[i].Figures {
				if f := &c.Groups[i].Figures[k]; f.Name == q.name && f.Test != nil {
					p = append(p, f.Test.P)
					figures = append(figures, f)
				}
			}
		}
		for i, adjusted := range holm(p) {
			figures[i].PAll = &adjusted
		}
		for i := range c.Groups {
			for k := range c.Groups[i].Figures {
				if f := &c.Groups[i].Figures[k]; f.Name == q.name {
					f.judge(&q)
				}
			}
		}
	}
}

func (f *Figure) judge(q *quantity) {
	switch {
	case f.Test == nil:
		f.Verdict = TooFew
	case *f.PAll > significance || math.Abs(f.Difference) < q.small:
		f.Verdict = Alike
	case f.Difference > 0:
		f.Verdict = Larger
	default:
		f.Verdict = Smaller
	}
	f.Words = f.sentence(q)
}

// sentence is the figure in plain words.
func (f *Figure) sentence(q *quantity) string {
	value := func(v float64) string {
		s := fmt.Sprintf("%.*f", q.digits, v)
		if q.unit != "" {
			s += " " + q.unit
		}
		return s
	}
	s := fmt.Sprintf("%s: median %s in the first session (%d), %s in the second (%d)", upperFirst(q.name), value(f.Median[0]), f.N[0], value(f.Median[1]), f.N[1])
	interval := ""
	if f.Interval != nil {
		interval = fmt.Sprintf("; the difference lies between %s and %s with 95 %% confidence", signed(value(f.Interval.Low)), signed(value(f.Interval.High)))
	}
	switch f.Verdict {
	case TooFew:
		return s + interval + fmt.Sprintf("; too few to tell: with %d and %d even the clearest difference comes about by chance in %s", f.N[0], f.N[1], cases(smallestP(f.N[0], f.N[1])))
	case Alike:
		if *f.PAll <= significance {
			return s + interval + fmt.Sprintf("; a difference below %s is within what the measurement can tell", value(q.small))
		}
		return s + interval + "; no difference shown"
	}
	word := q.more
	if f.Verdict == Smaller {
		word = q.less
	}
	share := f.Share
	if f.Verdict == Smaller {
		share = 1 - share
	}
	return s + fmt.Sprintf(": %s %s", value(math.Abs(f.Difference)), word) + interval +
		fmt.Sprintf("; in %.0f of 100 pairs the second is %s; chance alone does this in %s", math.Floor(100*share), word, cases(*f.PAll))
}

// signed gives a figure its sign; one that is rounded to 0 has none.
func signed(s string) string {
	figure, unit, _ := strings.Cut(s, " ")
	switch {
	case strings.Trim(figure, "-0.") == "":
		return strings.TrimPrefix(s, "-")
	case figure[0] == '-':
		return strings.TrimSpace("−" + figure[1:] + " " + unit)
	}
	return "+" + s
}

func upperFirst(s string) string { return strings.ToUpper(s[:1]) + s[1:] }

// cases says a probability in words.
func cases(p float64) string {
	switch {
	case p < 0.001:
		return "fewer than 1 of 1,000 cases"
	case p < 0.01:
		return fmt.Sprintf("%.0f of 1,000 cases", math.Ceil(1000*p))
	}
	return fmt.Sprintf("%.0f of 100 cases", math.Ceil(float64(100*p)-1e-9))
}

func (g *Group) words() {
	switch {
	case g.All[0] == 0:
		g.Words = "Only the second session has this shift: nothing to compare."
	case g.All[1] == 0:
		g.Words = "Only the first session has this shift: nothing to compare."
	case g.Alike[0] == 0:
		g.Words = fmt.Sprintf("Not comparable: none of %d and %d shifts were made under like conditions (pedal within %g %%, oil temperature within %g K, engine torque within %g %% or %g N·m).",
			g.All[0], g.All[1], PedalPercent, OilKelvin, 100*TorqueShare, TorqueNm)
	default:
		g.Words = fmt.Sprintf("%d of %d and %d of %d shifts were made under like conditions.", g.Alike[0], g.All[0], g.Alike[1], g.All[1])
		if n := g.NotReached; n[0]+n[1] > 0 {
			g.Words += fmt.Sprintf(" The new gear was not reached for good in %d and %d of them.", n[0], n[1])
		}
	}
	if len(g.NotKnown) > 0 && g.All[0] > 0 && g.All[1] > 0 {
		g.Words += " Not known, and so not compared: " + strings.Join(g.NotKnown, ", ") + "."
	}
}

// summary collects the differences shown, the least likely by chance first.
func (c *Comparison) summary() {
	type line struct {
		p    float64
		text string
	}
	var lines []line
	tested, few := 0, 0
	for i := range c.Groups {
		g := &c.Groups[i]
		for _, f := range g.Figures {
			switch f.Verdict {
			case Larger, Smaller:
				lines = append(lines, line{*f.PAll, g.Name() + ": " + strings.ToLower(f.Words[:1]) + f.Words[1:] + "."})
				fallthrough
			case Alike:
				tested++
			case TooFew:
				few++
			}
		}
	}
	slices.SortStableFunc(lines, func(a, b line) int {
		switch {
		case a.p < b.p:
			return -1
		case a.p > b.p:
			return 1
		}
		return 0
	})
	c.Summary = []string{}
	for _, l := range lines {
		c.Summary = append(c.Summary, l.text)
	}
	switch {
	case len(lines) == 0 && tested == 0 && few == 0:
		c.Summary = append(c.Summary, "Not comparable: the two sessions have no shifts made under like conditions.")
	case len(lines) == 0 && tested == 0:
		c.Summary = append(c.Summary, "Too few like shifts to tell: drive the same shifts again, four or more of each, with the same pedal and warm oil.")
	case len(lines) == 0:
		c.Summary = append(c.Summary, fmt.Sprintf("No difference shown in %s compared. That is no proof that there is none.", figures(tested)))
	}
	if few > 0 && tested > 0 {
		c.Summary = append(c.Summary, fmt.Sprintf("For %s there are too few like shifts to tell.", figures(few)))
	}
}

// Overlay is the progress of the like shifts of both sessions over the time from
// their start.
type Overlay struct {
	T     []float64 `json:"t_s"`
	Bands [2]Band   `json:"bands"`
}

// Band is the median and the quartiles of several curves; a value is null where
// fewer than half of them are known.
type Band struct {
	N      int        `json:"n"`
	Median []*float64 `json:"median"`
	Low    []*float64 `json:"low"`
	High   []*float64 `json:"high"`
}

func overlay(lists [2][]*Shift) Overlay {
	o := Overlay{T: []float64{}}
	end := 0.0
	for i, l := range lists {
		o.Bands[i] = Band{Median: []*float64{}, Low: []*float64{}, High: []*float64{}}
		for _, s := range l {
			if len(s.Curve) > 0 {
				o.Bands[i].N++
				if s.Duration != nil {
					end = max(end, float64(*s.Duration)/1e9)
				}
			}
		}
	}
	if o.Bands[0].N+o.Bands[1].N == 0 {
		return o
	}
	end = min(end, 3) + overlayAfter
	for k := -int(math.Round(overlayBefore / overlayStep)); float64(k)*overlayStep <= end+1e-9; k++ {
		t := float64(k) / math.Round(1/overlayStep)
		o.T = append(o.T, t)
		for i, l := range lists {
			o.Bands[i].add(l, t)
		}
	}
	return o
}

func (b *Band) add(list []*Shift, t float64) {
	var v []float64
	for _, s := range list {
		if p, ok := s.Curve.at(t); ok {
			v = append(v, p)
		}
	}
	if len(v) == 0 || 2*len(v) < b.N {
		b.Median, b.Low, b.High = append(b.Median, nil), append(b.Low, nil), append(b.High, nil)
		return
	}
	sort.Float64s(v)
	round := func(x float64) *float64 { x = math.Round(x*1000) / 1000; return &x }
	b.Median, b.Low, b.High = append(b.Median, round(median(v))), append(b.Low, round(quantile(v, 0.25))), append(b.High, round(quantile(v, 0.75)))
}

// figures counts them in words that agree with the number.
func figures(n int) string {
	if n == 1 {
		return "1 figure"
	}
	return fmt.Sprintf("%d figures", n)
}
