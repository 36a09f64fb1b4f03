package compare

import (
	"fmt"
	"hash/fnv"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"time"

	"gearwitness/decode/compare/stats"
)

// Past is one session of a vehicle's history.
type Past struct {
	Name    string
	Started time.Time
	Record
}

// History is how the shifts of one vehicle changed over its sessions.
type History struct {
	Sessions []string       `json:"sessions"` // in order of time
	Groups   []HistoryGroup `json:"groups"`
	Summary  []string       `json:"summary"` // in plain words, never empty
}

// HistoryGroup is one figure of one change of gear under one load, over the
// sessions. Only shifts alike to one and the same are counted: the one that
// finds like ones in most sessions.
type HistoryGroup struct {
	From   string `json:"from"`
	To     string `json:"to"`
	Kind   string `json:"kind"`
	Figure string `json:"figure"`
	Unit   string `json:"unit"`
	// Conditions of the shift that all counted ones are like.
	Conditions string         `json:"conditions"`
	Points     []HistoryPoint `json:"points"`
	Trend      *Trend         `json:"trend,omitempty"` // nil with too few sessions
	Words      string         `json:"words"`
}

// Name is the group in words: "2-3 power-on up, duration".
func (g *HistoryGroup) Name() string { return g.From + "-" + g.To + " " + g.Kind + ", " + g.Figure }

// HistoryPoint is one session of a HistoryGroup.
type HistoryPoint struct {
	Session int       `json:"session"` // index of History.Sessions
	Started time.Time `json:"started"`
	N       int       `json:"n"`
	Median  float64   `json:"median"`
	// Interval is where the median lies with 95 % confidence; nil with fewer than
	// two shifts.
	Interval *Interval `json:"interval_95,omitempty"`
}

// Trend is the test of Mann (Econometrica 13, 1945) and Kendall for a rise or
// fall over the sessions, on their medians.
type Trend struct {
	Tau float64 `json:"tau"` // -1 falls throughout, 1 rises throughout
	P   float64 `json:"p"`   // two-sided
	// PerSession is the median of the slopes between all pairs of sessions (Theil
	// and Sen), in the figure's unit per session.
	PerSession float64 `json:"per_session"`
}

// fewestSessions is the number from which a steady rise is unlikely by chance:
// of 4! orders 2 are steady (P = 0.083), of 5! likewise (P = 0.017).
const fewestSessions = 5

// Trace follows every figure over two or more sessions.
func Trace(list []Past) *History {
	list = slices.Clone(list)
	slices.SortStableFunc(list, func(a, b Past) int { return a.Started.Compare(b.Started) })
	h := &History{Sessions: []string{}, Groups: []HistoryGroup{}, Summary: []string{}}
	var maps []map[groupKey][]*Shift
	for _, p := range list {
		h.Sessions = append(h.Sessions, p.Name)
		maps = append(maps, groups(p.Shifts))
	}
	for _, k := range keysOf(maps...) {
		lists := make([][]*Shift, len(list))
		for i, m := range maps {
			lists[i] = m[k]
		}
		use, _ := conditionsOf(lists...)
		model := commonest(lists, use)
		for i, l := range lists {
			lists[i] = slices.DeleteFunc(slices.Clone(l), func(s *Shift) bool { return !alike(model, s, use) })
		}
		for _, q := range quantities {
			g := HistoryGroup{From: k.from, To: k.to, Kind: k.kind, Figure: q.name, Unit: q.unit, Conditions: describe(model, use), Points: []HistoryPoint{}}
			for i, l := range lists {
				v := q.values(l)
				if len(v) == 0 {
					continue
				}
				p := HistoryPoint{Session: i, Started: list[i].Started, N: len(v), Median: stats.Median(v)}
				if len(v) >= fewestToShow {
					in := bootstrap(seed(k, q.name)+uint64(i), v)
					p.Interval = &in
				}
				g.Points = append(g.Points, p)
			}
			if len(g.Points) >= 2 {
				g.judge(&q)
				h.Groups = append(h.Groups, g)
			}
		}
	}
	h.summary()
	return h
}

// commonest returns the shift that is like some of most sessions, and of those
// the one that is like most shifts.
func commonest(lists [][]*Shift, use []likeness) *Shift {
	var best *Shift
	bestSessions, bestShifts := -1, -1
	for _, l := range lists {
		for _, s := range l {
			sessions, shifts := 0, 0
			for _, other := range lists {
				n := 0
				for _, o := range other {
					if alike(s, o, use) {
						n++
					}
				}
				shifts += n
				sessions += min(n, 1)
			}
			if sessions > bestSessions || sessions == bestSessions && shifts > bestShifts {
				best, bestSessions, bestShifts = s, sessions, shifts
			}
		}
	}
	return best
}

// describe says under which conditions a shift was made.
func describe(s *Shift, use []likeness) string {
	text := ""
	add := func(format string, p *float64) {
		if p != nil {
			if text != "" {
				text += ", "
			}
			text += fmt.Sprintf(format, *p)
		}
	}
	add("pedal %.0f %%", s.Pedal)
	add("oil %.0f °C", s.OilTemperature)
	add("engine torque %.0f N·m", s.TorqueBefore)
	if text == "" {
		return "conditions not known"
	}
	return "about " + text
}

func (g *HistoryGroup) judge(q *quantity) {
	first, last := g.Points[0], g.Points[len(g.Points)-1]
	unit := ""
	if q.unit != "" {
		unit = " " + q.unit
	}
	g.Words = fmt.Sprintf("%s: median %.*f%s in the first of %d sessions, %.*f%s in the last (%s)",
		upperFirst(q.name), q.digits, first.Median, unit, len(g.Points), q.digits, last.Median, unit, g.Conditions)
	if len(g.Points) < fewestSessions {
		g.Words += fmt.Sprintf("; too few sessions to tell a trend (%d or more are needed)", fewestSessions)
		return
	}
	v := make([]float64, len(g.Points))
	for i, p := range g.Points {
		v[i] = p.Median
	}
	t := MannKendall(v)
	g.Trend = &t
	switch {
	case t.P > significance:
		g.Words += "; no trend shown"
	case math.Abs(last.Median-first.Median) < q.small:
		g.Words += "; the change is within what the measurement can tell"
	default:
		word := "rises"
		if t.PerSession < 0 {
			word = "falls"
		}
		g.Words += fmt.Sprintf("; %s by about %.*f%s a session; chance alone does this in %s", word, q.digits+1, math.Abs(t.PerSession), unit, cases(t.P))
	}
}

func (h *History) summary() {
	tested := 0
	for i := range h.Groups {
		g := &h.Groups[i]
		if g.Trend == nil {
			continue
		}
		tested++
		if g.Trend.P <= significance {
			h.Summary = append(h.Summary, g.From+"-"+g.To+" "+g.Kind+": "+g.Words+".")
		}
	}
	switch {
	case len(h.Sessions) < 2:
		h.Summary = append(h.Summary, "One session has no history.")
	case tested == 0:
		h.Summary = append(h.Summary, fmt.Sprintf("Too few sessions with like shifts to tell a trend: %d or more are needed.", fewestSessions))
	case len(h.Summary) == 0:
		h.Summary = append(h.Summary, fmt.Sprintf("No trend shown in %s.", figures(tested)))
	case tested > 1:
		h.Summary = append(h.Summary, fmt.Sprintf("%d figures were looked at; about one of twenty shows a trend by chance.", tested))
	}
}

// MannKendall tests values in order of time for a trend. Up to ten values
// without ties P is exact, from the number of orders with at most so many
// inversions; otherwise from the normal distribution with variance
//
//	(n (n-1) (2n+5) - sum(t (t-1) (2t+5))) / 18
//
// and continuity correction, t the numbers of equal values. There must be two
// values or more.
func MannKendall(v []float64) Trend {
	n := len(v)
	s := 0
	var slopes []float64
	for i := range v {
		for k := i + 1; k < n; k++ {
			switch {
			case v[k] > v[i]:
				s++
			case v[k] < v[i]:
				s--
			}
			slopes = append(slopes, (v[k]-v[i])/float64(k-i))
		}
	}
	pairs := n * (n - 1) / 2
	t := Trend{Tau: float64(s) / float64(pairs), PerSession: stats.Median(slopes)}
	variance := float64(n * (n - 1) * (2*n + 5))
	sorted := slices.Sorted(slices.Values(v))
	ties := false
	for i := 0; i < n; {
		k := i
		for k < n && sorted[k] == sorted[i] {
			k++
		}
		e := k - i
		ties = ties || e > 1
		variance -= float64(e * (e - 1) * (2*e + 5))
		i = k
	}
	switch {
	case n <= 10 && !ties:
		// S = pairs - 2 inversions.
		t.P = min(1, 2*fewInversions(n, (pairs-max(s, -s))/2))
	case variance <= 0:
		t.P = 1
	default:
		z := max(0, math.Abs(float64(s))-1) / math.Sqrt(variance/18)
		t.P = math.Erfc(z / math.Sqrt2)
	}
	return t
}

// fewInversions is the share of the orders of n values that have at most k
// inversions.
func fewInversions(n, k int) float64 {
	count := []float64{1}
	total := 1.0
	for i := 2; i <= n; i++ {
		next := make([]float64, len(count)+i-1)
		for c, w := range count {
			for d := range i {
				next[c+d] += w
			}
		}
		count = next
		total *= float64(i)
	}
	sum := 0.0
	for _, w := range count[:k+1] {
		sum += w
	}
	return sum / total
}

// likeness is what must be alike.
type likeness struct {
	name  string
	of    func(*Shift) *float64
	alike func(a, b float64) bool
}

var likenesses = [...]likeness{
	{"pedal", func(s *Shift) *float64 { return s.Pedal }, within(pedalPercent)},
	{"oil temperature", func(s *Shift) *float64 { return s.OilTemperature }, within(oilKelvin)},
	{"engine torque", func(s *Shift) *float64 { return s.TorqueBefore }, func(a, b float64) bool {
		return math.Abs(a-b) <= max(torqueNm, torqueShare*max(math.Abs(a), math.Abs(b)))
	}},
}

func within(tolerance float64) func(a, b float64) bool {
	return func(a, b float64) bool { return math.Abs(a-b) <= tolerance }
}

// conditionsOf returns the conditions that some of the shifts know and the names
// of the others.
func conditionsOf(lists ...[]*Shift) (use []likeness, unknown []string) {
	unknown = []string{}
	for _, c := range likenesses {
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
func alike(a, b *Shift, use []likeness) bool {
	for _, c := range use {
		x, y := c.of(a), c.of(b)
		if x == nil || y == nil || !c.alike(*x, *y) {
			return false
		}
	}
	return true
}

// quantity is a figure that shifts have.
type quantity struct {
	name, unit string
	more, less string  // what a larger and a smaller value is called
	small      float64 // differences below are within what the measurement can tell
	digits     int
	of         func(*Shift) (float64, bool)
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

// Tolerances within which two shifts are alike. Pedal and oil temperature:
// common practice, no source. Engine torque: ours.
const (
	pedalPercent = 5.0
	oilKelvin    = 10.0
	torqueNm     = 15.0
	torqueShare  = 0.1 // of the larger, where that is more than torqueNm
	fewestToShow = 2   // for an interval
)

// Interval is a confidence interval.
type Interval struct {
	Low  float64 `json:"low"`
	High float64 `json:"high"`
}

// resamples is how often the bootstrap draws.
const resamples = 2000

// bootstrap returns the 95 % percentile interval (Efron) of the median of values
// drawn with replacement from those given; the draws are the same on every run.
func bootstrap(seed uint64, values []float64) Interval {
	random := rand.New(rand.NewPCG(seed, 0x67656172))
	drawn := make([]float64, len(values))
	got := make([]float64, resamples)
	for k := range got {
		for j := range drawn {
			drawn[j] = values[random.IntN(len(values))]
		}
		got[k] = stats.Median(drawn)
	}
	return Interval{stats.Quantile(got, 0.025), stats.Quantile(got, 0.975)}
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

// figures counts them in words that agree with the number.
func figures(n int) string {
	if n == 1 {
		return "1 figure"
	}
	return fmt.Sprintf("%d figures", n)
}
