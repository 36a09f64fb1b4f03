package compare

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"gearwitness/signals"
)

// obs makes observations of one kind under one condition.
func obs(kind string, x float64, values ...float64) (list []observation) {
	for _, y := range values {
		list = append(list, observation{kind: kind, order: kind, y: y, x: [conditions]float64{x, math.NaN(), math.NaN()}})
	}
	return list
}

// rpm is a figure like flare, of one condition.
func rpm() *figure {
	return &figure{key: "flare", name: "flare", unit: "rpm", worse: +1, more: "higher", less: "lower", matters: 25, reason: "so be it", repeat: 3,
		conditions: []condition{{"oil temperature", "K", 10, 0.2}}}
}

// told compares a figure by itself.
func told(f *figure, a, b []observation) (Row, *studied) {
	s := &studied{f: f, kinds: f.fit(a, b)}
	s.all = f.together(s.kinds)
	holdInCheck([]*studied{s}, nil)
	return s.row(&Record{}), s
}

// Four against five shifts of one kind, 94 and 2 rpm: as few as a relearn drive has. A
// rank test of 4 and 5 values without ties has 126 arrangements (9 over 4), so that the
// clearest has a one-sided probability of 1/126.
func TestFewShiftsThatDifferMuch(t *testing.T) {
	then, now := obs("3-4", 70, 93, 94, 95, 94), obs("3-4", 74, 2, 3, 2, 1, 2)
	for _, k := range []string{"1-2", "2-3", "4-5", "5-6"} { // the kinds that are as they were
		then, now = append(then, obs(k, 70, 2, 3, 2, 4)...), append(now, obs(k, 74, 3, 2, 3, 2, 2)...)
	}
	r, s := told(rpm(), then, now)
	if r.Judged != Different || r.Direction != Better || r.What != "Flare, 3-4" || r.Then != "94 rpm" || r.Now != "2 rpm" {
		t.Errorf("%+v; want 3-4 clearly different, better, 94 rpm then and 2 rpm now", r)
	}
	if f := r.Figure; math.Abs(f.Ranks-1./126) > 5e-6 || !f.Exact || f.Beyond > 1e-4 || f.CI[0] < -98 || f.CI[1] > -86 || f.N != [2]int{4, 5} {
		t.Errorf("%+v; want ranks 1/126, counted, and an interval near -92", f)
	}
	for i, k := range r.Kinds {
		if (k.Judged == Different) != (s.kinds[i].name == "3-4") || k.Judged != Different && k.Judged != Alike {
			t.Errorf("%s: %s; want the other kinds alike", k.What, k.Judged)
		}
	}
	if r, _ := told(rpm(), now, then); r.Direction != Worse {
		t.Errorf("the other way round: %s; want worse", r.Direction)
	}
}

// The four answers, by values: what is there but small; what is alike; what cannot be
// told, and that as many more as it says do tell.
func TestAnswers(t *testing.T) {
	spread := func(mean, by float64, n int) (v []float64) {
		for i := range n {
			v = append(v, mean+by*(float64(i)-float64(n-1)/2)/float64(n-1)*2)
		}
		return v
	}
	for _, c := range []struct {
		name string
		a, b []float64
		want Answer
	}{
		{"the same", spread(10, 3, 6), spread(10, 3, 6), Alike},
		{"less than what matters", spread(10, 3, 12), spread(20, 3, 12), Small},
		{"more than what matters", spread(10, 3, 6), spread(60, 3, 6), Different},
		{"about what matters", spread(10, 3, 5), spread(35, 3, 5), TooFew},
		{"wide", spread(100, 33, 5), spread(100, 33, 5), TooFew},
		{"two of each, far apart", spread(10, 1, 2), spread(120, 1, 2), TooFew},
		{"one of each", []float64{10}, []float64{10}, Alike},
	} {
		r, _ := told(rpm(), obs("2-3", 70, c.a...), obs("2-3", 70, c.b...))
		if r.Judged != c.want {
			t.Errorf("%s: %s; want %s (%s)", c.name, r.Judged, c.want, r.Words)
		}
		if c.want == TooFew && c.name != "about what matters" {
			n := r.Figure.More
			if n == 0 || !strings.Contains(r.Words, "more of this") {
				t.Errorf("%s: %q; want how many more", c.name, r.Words)
				continue
			}
			// As many more, spread alike.
			if r, _ := told(rpm(), obs("2-3", 70, c.a...), obs("2-3", 70, spread(mean(c.b), span(c.b), len(c.b)+n)...)); r.Judged == TooFew {
				t.Errorf("%s: with the %d more that were asked for still %s", c.name, n, r.Words)
			}
		}
	}
}

func mean(v []float64) float64 {
	sum := 0.0
	for _, x := range v {
		sum += x
	}
	return sum / float64(len(v))
}

func span(v []float64) float64 { return (v[len(v)-1] - v[0]) / 2 }

// A figure that depends on the oil's temperature, 0.4 a kelvin, and on nothing else:
// where both sessions vary, regression takes it off, whatever the temperatures; where
// they have no temperature in common it is no change either, but not alike.
func TestLikeByRegression(t *testing.T) {
	random := rand.New(rand.NewPCG(1, 2))
	session := func(low, high, more float64, n int) (list []observation) {
		for i := range n {
			x := low + (high-low)*float64(i)/float64(n-1)
			list = append(list, obs("2-3", x, 20+0.4*(x-60)+more+2*random.NormFloat64())...)
		}
		return list
	}
	f := rpm()
	f.matters = 10
	r, s := told(f, session(20, 90, 0, 15), session(-10, 60, 0, 15))
	if r.Judged != Alike || math.Abs(s.kinds[0].d) > 5 {
		t.Errorf("15 shifts at 20 to 90 °C against 15 at -10 to 60 °C: %s; want alike", r.Words)
	}
	if b := s.f.line.b[0]; math.Abs(b-0.4) > 0.08 {
		t.Errorf("slope %.2f; want 0.4", b)
	}
	r, _ = told(f, session(20, 90, 0, 15), session(-10, 60, 40, 15))
	if r.Judged != Different {
		t.Errorf("and with 40 rpm more: %s; want clearly different", r.Words)
	}
	r, _ = told(f, session(-15, -14, 0, 5), session(80, 81, 0, 5))
	if r.Judged != TooFew || !strings.Contains(r.Words, "driven too differently") {
		t.Errorf("cold against warm: %s: %s; want that it was driven too differently", r.Judged, r.Words)
	}
	r, _ = told(f, session(-15, -14, 0, 5), session(80, 81, 150, 5))
	if r.Judged != Different {
		t.Errorf("cold against warm with 150 rpm more: %s; want clearly different, for no temperature does that", r.Words)
	}
}

// Of sessions that do not differ, with the usual spread, 5 % at most may be called
// different at all, and next to none by more than what matters; of those that differ
// by twice what matters nearly all.
func TestErrorsOfTheComparison(t *testing.T) {
	random := rand.New(rand.NewPCG(3, 4))
	session := func(more float64) (list []observation) {
		for _, k := range []string{"1-2", "2-3", "3-4"} {
			for range 4 {
				list = append(list, obs(k, 60+20*random.Float64(), 10+more+4*random.NormFloat64())...)
			}
		}
		return list
	}
	const trials = 400
	apart, far, found := 0, 0, 0
	for range trials {
		r, s := told(rpm(), session(0), session(0))
		if s.all.zero <= 0.05 {
			apart++
		}
		if r.Judged == Different {
			far++
		}
		if r, _ := told(rpm(), session(0), session(50)); r.Judged == Different {
			found++
		}
	}
	// The standard deviation of 5 % of 400 is 1.1 %.
	if float64(apart)/trials > 0.08 || far > 0 || float64(found)/trials < 0.99 {
		t.Errorf("of %d pairs without a difference %d called different, %d clearly so; of those with twice what matters %d; want 5 %%, none, and nearly all", trials, apart, far, found)
	}
}

// One value that is far off changes little (its weight is bounded).
func TestOutlier(t *testing.T) {
	r, _ := told(rpm(), obs("2-3", 70, 2, 3, 2, 4, 3, 2, 3, 2), obs("2-3", 70, 3, 2, 3, 2, 900, 2, 3, 4))
	if r.Judged == Different || r.Figure.Now > 10 {
		t.Errorf("one of eight at 900 rpm: %s; want no verdict by it", r.Words)
	}
}

// A figure of parts: 20 % less torque at every level.
func TestRelative(t *testing.T) {
	var a, b []observation
	for i := range 6 {
		for _, level := range []float64{40, 80, 160} {
			kind := "about " + string(rune('a'+int(level/40)))
			a = append(a, obs(kind, 70, math.Log(level*(1+0.01*float64(i%3))))...)
			b = append(b, obs(kind, 70, math.Log(0.75*level*(1+0.01*float64(i%3))))...)
		}
	}
	f := &figure{key: "engine_torque", about: "engine", name: "torque", kinds: "speeds", unit: "N·m", worse: -1, more: "higher", less: "lower", matters: math.Log(1.15), repeat: math.Log(1.03), relative: true}
	r, _ := told(f, a, b)
	if r.Judged != Different || r.Direction != Worse || math.Abs(r.Figure.Diff+0.25) > 0.01 || !strings.Contains(r.Words, "25 % lower") {
		t.Errorf("%+v; want 25 %% lower, worse", r)
	}
}

// An inverse by hand: of a diagonal with one pair off it, 1/(2*3-1*1) times the
// adjugate.
func TestInverse(t *testing.T) {
	got := inverse([conditions][conditions]float64{{2, 1, 0}, {1, 3, 0}, {0, 0, 4}})
	want := [conditions][conditions]float64{{0.6, -0.2, 0}, {-0.2, 0.4, 0}, {0, 0, 0.25}}
	for i := range want {
		for j := range want {
			if math.Abs(got[i][j]-want[i][j]) > 1e-12 {
				t.Fatalf("got %v; want %v", got, want)
			}
		}
	}
}

// What matters is stated by the vehicle file where somebody knows better: with 150 rpm
// a flare of 94 against 2 rpm is a difference, but small.
func TestMattersOfTheVehicleFile(t *testing.T) {
	flares := func(values ...float64) *Record {
		r := &Record{Format: Format}
		for _, v := range values {
			s := shifts(12, 70, 65, 400)[0]
			s.Flare = &v
			r.Shifts = append(r.Shifts, s)
		}
		return r
	}
	then, now := flares(93, 94, 95, 94), flares(2, 3, 2, 1, 2)
	row := func(c *Comparison) *Row {
		for i := range c.Rows {
			if c.Rows[i].key == "flare" {
				return &c.Rows[i]
			}
		}
		t.Fatal("no row of the flare")
		return nil
	}
	if r := row(Compare(then, now)); r.Judged != Different {
		t.Errorf("as usual: %s; want clearly different", r.Judged)
	}
	now.Matters = mattersOf(signals.Limits{Matters: signals.Matters{FlareRPM: 150, ShiftDelay: 200 * time.Millisecond, PressurePct: 10}})
	if r := row(Compare(then, now)); r.Judged != Small || r.Figure.Matters != 150 || r.Figure.Reason != "by the vehicle file" {
		t.Errorf("with 150 rpm: %s, %+v; want different but small", r.Judged, r.Figure)
	}
	if m := now.Matters; len(m) != 3 || m["shift_delay"] != 0.2 || m["pressure"] != 0.1 {
		t.Errorf("%v; want the three that the file states, in s and parts", m)
	}
}
