package geartrain_test

import (
	"math"
	"slices"
	"strings"
	"testing"

	. "gearwitness/decode/geartrain"
	"gearwitness/signals"
)

// Coils of 6.1 ± 0.5 ohm and of 12.9 ± 0.6 ohm at 20 °C (common practice, no
// source). By hand with 0.00393 / K (IEC 60028, from memory):
//
//	6.1 at 80 °C   6.1 * 1.2358 = 7.538        12.9 at 80 °C  15.942
//	5.6 at 90 °C   5.6 * 1.2751 = 7.1406       6.6 at 90 °C   8.4157
//	12.3 at -20 °C 12.3 * 0.8428 = 10.3664     13.5 at -20 °C 11.3778
//
// and the published 5.00 ohm at 90 °C that are 3.92 ohm at 20 °C.
func TestCoils(t *testing.T) {
	for _, c := range []struct{ ohm, celsius, want float64 }{{7.538, 80, 6.1}, {15.942, 80, 12.9}, {6.1, 20, 6.1}, {5.141, -20, 6.1}, {5, 90, 3.92}} {
		if got := CoilAt20(c.ohm, c.celsius); math.Abs(got-c.want) > 0.002 {
			t.Errorf("%g ohm at %g °C are %g at 20 °C, expected %g", c.ohm, c.celsius, got, c.want)
		}
		if got := CoilAt(c.want, c.celsius); math.Abs(got-c.ohm) > 0.002 {
			t.Errorf("%g ohm at 20 °C are %g at %g °C, expected %g", c.want, got, c.celsius, c.ohm)
		}
	}
	tr, _ := demo(t)
	tr.Solenoids = signals.Named[signals.Solenoid]{
		named("low", signals.Solenoid{Element: "low-gears clutch", Normally: "low", Ohm: 6.1, Tolerance: 0.5}),
		named("odd", signals.Solenoid{Element: "odd-gears clutch", Normally: "high", Ohm: 12.9, Tolerance: 0.6}),
	}
	r, err := NewReport(tr)
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		got  OhmBand
		want OhmBand
	}{
		{r.Solenoids.Coils[0].At[3], OhmBand{90, 7.1406, 8.4157}},
		{r.Solenoids.Coils[1].At[0], OhmBand{-20, 10.3664, 11.3778}},
		{r.Solenoids.Coils[1].At[1], OhmBand{20, 12.3, 13.5}},
	} {
		if c.got.Celsius != c.want.Celsius || math.Abs(c.got.Low-c.want.Low) > 1e-3 || math.Abs(c.got.High-c.want.High) > 1e-3 {
			t.Errorf("band %+v, expected %+v", c.got, c.want)
		}
	}
}

// Which gear the demonstration's box falls to without current, by its table: the
// elements that are normally high are those of one row, of none, or none at all.
func TestWithoutCurrent(t *testing.T) {
	for _, c := range []struct {
		high  []string
		gear  string
		state State
		ratio float64
	}{
		{[]string{"odd-gears clutch", "high-gears clutch"}, "5", InGear, 0.87929},
		{[]string{"high-gears clutch", "low-gears clutch"}, "4", InGear, 1.12917},
		{[]string{"low-gears clutch"}, "1", InGear, 4.11954}, // the one-way clutch holds by itself
		{[]string{"drum brake", "odd-gears clutch"}, "", InputLocked, 0},
		{[]string{"drum brake", "odd-gears clutch", "low-gears clutch"}, "", TiedUp, 0},
		{nil, "", Neutral, 0},
	} {
		tr, _ := demo(t)
		// A gear that a one-way clutch holds alone is no gear to fall to without pressure.
		tr.Gears = append(slices.Clone(tr.Gears), named("F", signals.Gear{Holds: []string{"crawler one-way clutch"}}))
		for _, e := range tr.Elements {
			if len(e.V.OneWay) > 0 {
				continue
			}
			s := signals.Solenoid{Element: e.Name, Normally: "low"}
			for _, h := range c.high {
				if h == e.Name {
					s.Normally = "high"
				}
			}
			tr.Solenoids = append(tr.Solenoids, named("of "+e.Name, s))
		}
		r, err := NewReport(tr)
		if err != nil {
			t.Fatal(err)
		}
		s := r.Solenoids
		if s.Gear != c.gear || s.State != c.state || len(s.Pressed) != len(c.high) || s.Untold != nil {
			t.Errorf("%v: gear %q, %s, pressure on %v; expected gear %q, %s", c.high, s.Gear, s.State, s.Pressed, c.gear, c.state)
		}
		if c.ratio != 0 && (s.Ratio == nil || math.Abs(*s.Ratio-c.ratio) > 1e-5) {
			t.Errorf("%v: ratio %v, expected %g", c.high, s.Ratio, c.ratio)
		}
		var text strings.Builder
		if err := r.WriteText(&text); err != nil {
			t.Fatal(err)
		}
		if c.gear == "5" && !strings.Contains(text.String(), "without current: gear 5, ratio 0.8793 (pressure on odd-gears clutch and high-gears clutch)") {
			t.Errorf("the text does not tell: %s", text.String())
		}
	}
}
