package formula

import (
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"gearwitness/signals/unit"
)

const sec = int64(1e9)

func unitOf(t *testing.T, s string) unit.Unit {
	t.Helper()
	u, err := unit.Parse(s)
	if err != nil {
		t.Fatal(err)
	}
	return u
}

// feed gives (time in s, value) pairs and returns the last result.
func feed(t *testing.T, formula string, u string, steps ...float64) (float64, bool) {
	t.Helper()
	p, problems := Number(formula, unitOf(t, u), scope{})
	if problems != nil {
		t.Fatalf("%s: %v", formula, problems)
	}
	r := p.Start()
	var v float64
	var ok bool
	for i := 0; i < len(steps); i += 2 {
		r.In[0] = steps[i+1]
		v, ok = r.Number(int64(math.Round(steps[i] * 1e9)))
	}
	return v, ok
}

// Expected values by hand: x is 10 from 0 s, 20 from 1 s, 50 from 3 s.
func TestWindowsByHand(t *testing.T) {
	x := []float64{0, 10, 1, 20, 3, 50}
	nan := math.NaN()
	for _, c := range []struct {
		formula string
		more    []float64
		want    float64
	}{
		{`delay(a, "2 s")`, nil, 20},
		{`delay(a, "2.5 s")`, nil, 10},
		{`delay(a, "4 s")`, nil, nan},                // not seen that long
		{`rate(main, "2 s") - 15`, nil, 0},           // (50 - 20) / 2
		{`mean(a, "2 s")`, nil, 20},                  // all of it at 20
		{`mean(a, "3 s")`, nil, (10 + 40) / 3.0},     // 1 s at 10, 2 s at 20
		{`mean(a, "2 s")`, []float64{4, 50}, 35},     // 1 s at 20, 1 s at 50
		{`max(a, "2 s")`, []float64{3.5, 30}, 50},    //
		{`min(a, "2.6 s")`, []float64{3.5, 30}, 10},  // 10 held until 1 s
		{`min(a, "2.5 s")`, []float64{3.5, 30}, 20},  // and no longer at 1 s
		{`max(a, "1 s")`, []float64{9, 5}, 50},       // 50 held until 9 s
		{`max(a, "1 s")`, []float64{9, 5, 10, 5}, 5}, // and has left at 10 s
		{`hold(a, "2 s")`, []float64{4, nan}, 50},
		{`hold(a, "2 s")`, []float64{5.1, nan}, nan},
		{`mean(a, "1 s")`, []float64{4, nan, 4.5, 50, 5, 50}, nan}, // a gap empties it
		{`mean(a, "1 s")`, []float64{4, nan, 4.5, 60, 5.5, 70}, 60},
		{`max(a, "1 s")`, []float64{3, 7, 4, 7}, 7}, // said again for 3 s: the last word counts
	} {
		u := ""
		if strings.HasPrefix(c.formula, "rate") {
			u = "kPa/s"
		}
		got, ok := feed(t, c.formula, u, append(append([]float64{}, x...), c.more...)...)
		if ok == math.IsNaN(c.want) || ok && math.Abs(got-c.want) > 1e-12 {
			t.Errorf("%s after %v: got %v, %v; want %v", c.formula, c.more, got, ok, c.want)
		}
	}
}

// The windows against a reference that keeps every sample and sums by hand.
func TestWindowsLikeTheReference(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		name := rapid.SampledFrom([]string{"delay", "mean", "max", "min"}).Draw(t, "name")
		length := rapid.Int64Range(1, 20).Draw(t, "length") * sec / 10
		p := &Program{windows: []window{{name, length}}}
		r := Run{memory: []memory{newMemory(p.windows[0])}}
		m := &r.memory[0]
		var times []int64
		var values []float64
		now := int64(0)
		for range rapid.IntRange(1, 300).Draw(t, "steps") {
			now += rapid.Int64Range(0, 5).Draw(t, "pause") * sec / 20
			x := float64(rapid.IntRange(-3, 3).Draw(t, "x"))
			m.push(now, x)
			if n := len(times); n > 0 && times[n-1] == now {
				values[n-1] = x
			} else {
				times, values = append(times, now), append(values, x)
			}
			begin := now - length
			want, area := math.NaN(), 0.0
			for i, at := range times {
				end := now
				if i+1 < len(times) {
					end = times[i+1]
				}
				if end <= begin && i+1 < len(times) {
					continue // gone before the window
				}
				if name == "delay" && at <= begin {
					want = values[i]
				}
				if name == "max" && !(want > values[i]) || name == "min" && !(want < values[i]) {
					want = values[i]
				}
				area += values[i] * float64(end-max(at, begin)) / 1e9
			}
			if name == "mean" {
				want = area / (float64(length) / 1e9)
			}
			if times[0] > begin {
				want = math.NaN()
			}
			got := m.get(now)
			if math.IsNaN(got) != math.IsNaN(want) || math.Abs(got-want) > 1e-9 {
				t.Fatalf("%s over %v at %v: got %v, want %v\ntimes %v\nvalues %v", name, length, now, got, want, times, values)
			}
		}
	})
}

func TestWindowMemoryIsBounded(t *testing.T) {
	m := newMemory(window{"max", maxWindow})
	for i := range int64(3 * maxSteps) {
		m.push(i*1e5, float64(-i)) // falling: every step may yet be the largest
	}
	if len(m.time) > 3*maxSteps || cap(m.time) > 4*maxSteps || len(m.time)-m.head > maxSteps {
		t.Errorf("%d steps remembered, room for %d", len(m.time)-m.head, cap(m.time))
	}
}

func TestWindowUnitsAndMistakes(t *testing.T) {
	for formula, u := range map[string]string{
		`rate(oil_pan, "10 s")`:                     "K/s",
		`rate(oil_pan, "10 s") * 60`:                "K/min",
		`rate(engine_speed, "100 ms")`:              "rpm/s",
		`mean(oil_pan, "1 min")`:                    "°C",
		`oil_outlet - delay(oil_pan, "5 s")`:        "K",
		`integral(convert(main, "kPa"), "1 s") / 1`: "",
		`max(engine_speed, "5 s")`:                  "rpm",
	} {
		_, problems := Number(formula, unitOf(t, u), scope{})
		if strings.HasPrefix(formula, "integral") {
			if len(problems) != 1 || !strings.Contains(problems[0].Text(), "the formula gives") {
				t.Errorf("%s: %v", formula, problems)
			}
			continue
		}
		if problems != nil {
			t.Errorf("%s in %s: %v", formula, u, problems)
		}
	}
	for formula, want := range map[string]string{
		`rate(oil_pan, "10 s") + engine_speed`: "cannot add temperature rate",
		`mean(a, 5)`:                           `expected a window in quotes, as in mean(x, "5 s")`,
		`mean(a, "5")`:                         `expected a window such as "5 s"`,
		`mean(a, "5 rpm")`:                     `expected a window in ms, s or min`,
		`mean(a, "1 h")`:                       `expected a window from 1 ms to 10 min`,
		`mean(a, "-1 s")`:                      `expected a window from 1 ms to 10 min`,
		`mean(5, "1 s")`:                       `expected something that changes with time`,
		`mean(a)`:                              `expected mean(x, "5 s"), found 1 arguments`,
	} {
		_, problems := Number(formula, "", scope{})
		if len(problems) != 1 || !strings.Contains(problems[0].Text(), want) {
			t.Errorf("%s: got %v; want %q", formula, problems, want)
		}
	}
}

func TestWindowsDoNotAllocateForLong(t *testing.T) {
	p, problems := Number(`mean(a, "1 s") + max(a, "1 s") + hold(a, "1 s")`, "", scope{})
	if problems != nil {
		t.Fatal(problems)
	}
	r, now := p.Start(), int64(0)
	step := func() {
		now += sec / 100
		r.In[0] = float64(now / (sec / 100) % 7)
		r.Number(now)
	}
	for range 1000 {
		step()
	}
	if n := testing.AllocsPerRun(1000, step); n != 0 {
		t.Errorf("%v allocations an evaluation, want 0", n)
	}
}
