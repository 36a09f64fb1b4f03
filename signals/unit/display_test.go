package unit

import (
	"math"
	"testing"
)

func TestDisplay(t *testing.T) {
	for _, c := range []struct {
		unit   Unit
		system System
		value  float64
		want   float64
		symbol string
		digits int
		source string
	}{
		{"°C", Metric, 90, 90, "°C", 0, "as it is"},
		{"°C", Customary, 100, 212, "°F", 0, "NIST SP 811 B.9: boiling point of water"},
		{"°C", Customary, -40, -40, "°F", 0, "where both scales meet"},
		{"K", Customary, 10, 18, "°F", 0, "NIST SP 811 B.9: an interval of 1 K is 1.8 °F"},
		{"K", Metric, 10, 10, "K", 0, "as it is"},
		{"K/min", Customary, 5, 9, "°F/min", 0, "the same, a minute"},
		{"°F", Metric, 212, 100, "°C", 0, "NIST SP 811 B.9"},
		{"kPa", Customary, 6.894757, 1, "psi", 1, "NIST SP 811 B.8: psi = 6.894 757 kPa"},
		{"bar", Metric, 3, 3, "bar", 0, "as it is"},
		{"bar", Customary, 1, 14.50377, "psi", -1, "NIST SP 811 B.8, 100 kPa"},
		{"psi", Metric, 1, 6.894757, "kPa", -1, "NIST SP 811 B.8"},
		{"kPa/s", Customary, 6.894757, 1, "psi/s", 1, "the same, a second"},
		{"km/h", Customary, 1.609344, 1, "mph", 0, "NIST SP 811 B.8: mile = 1.609 344 km"},
		{"N·m", Customary, 1.355818, 1, "lbf·ft", 0, "NIST SP 811 B.8: 1.355 818 N·m"},
		{"kW", Customary, 0.7456999, 1, "hp", 0, "NIST SP 811 B.8: 550 ft·lbf/s"},
		{"m/s²", Customary, 0.3048, 1, "ft/s²", -1, "NIST SP 811 B.8"},
		{"mm", Customary, 25.4, 1, "in", 1, "NIST SP 811 B.8"},
		{"L/min", Customary, 3.785412, 1, "gal/min", 1, "NIST SP 811 B.8: gallon (US)"},
		{"kg", Customary, 0.4535924, 1, "lb", 0, "NIST SP 811 B.8"},
		{"rpm", Customary, 800, 800, "rpm", 0, "no other"},
		{"", Customary, 3, 3, "", 0, "a number"},
		{"banana", Customary, 3, 3, "banana", 0, "no unit of ours"},
	} {
		d := c.unit.Display(c.system)
		if got := c.value*d.Factor + d.Offset; math.Abs(got-c.want) > 2e-6*math.Max(1, math.Abs(c.want)) || d.Symbol != c.symbol || d.Digits != c.digits {
			t.Errorf("%g %s: got %g %s with %+d digits, want %g %s with %+d (%s)", c.value, c.unit, got, d.Symbol, d.Digits, c.want, c.symbol, c.digits, c.source)
		}
	}
	if d := Celsius.Display(Customary); d.Factor != 1.8 || d.Offset != 32 {
		t.Errorf("°C in °F: got %+v, want 1.8 and 32 to the last digit", d)
	}
}

// What is shown in a system is shown as it is when it comes in that system.
func TestSystemsAreClosed(t *testing.T) {
	for _, in := range Table() {
		if m := in.Symbol.Metric(); m.Metric() != m || m.Dim() != in.Dim {
			t.Errorf("%s is shown as %s, and that as %s", in.Symbol, m, m.Metric())
		}
		if us := in.Symbol.US(); us.US() != us || us.Dim() != in.Dim {
			t.Errorf("%s is shown as %s, and that as %s", in.Symbol, us, us.US())
		}
		for _, s := range []System{Metric, Customary} {
			if d := in.Symbol.Display(s); d.Offset != 0 && in.Symbol != "°C" && in.Symbol != "°F" {
				t.Errorf("%s: offset %g", in.Symbol, d.Offset)
			}
		}
	}
}
