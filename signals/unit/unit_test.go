package unit

import (
	"encoding/json"
	"math"
	"os"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

func TestVectors(t *testing.T) {
	text, err := os.ReadFile("testdata/vectors.json")
	if err != nil {
		t.Fatal(err)
	}
	var cases []struct {
		From, To, Source string
		Value, Want      float64
	}
	if err := json.Unmarshal(text, &cases); err != nil {
		t.Fatal(err)
	}
	if len(cases) < 20 {
		t.Fatalf("only %d cases", len(cases))
	}
	for _, c := range cases {
		from, err := Parse(c.From)
		if err != nil {
			t.Error(err)
			continue
		}
		to, err := Parse(c.To)
		if err != nil {
			t.Error(err)
			continue
		}
		got, err := Convert(c.Value, from, to)
		// The published figures carry seven digits and more; 1e-6 relative, and
		// 1e-6 absolute where the answer is a rounded temperature.
		if err != nil || math.Abs(got-c.Want) > 1e-6*math.Max(1, math.Abs(c.Want)) {
			t.Errorf("%v %s in %s: got %v, %v; want %v (%s)", c.Value, c.From, c.To, got, err, c.Want, c.Source)
		}
	}
}

func TestParse(t *testing.T) {
	for in, want := range map[string]Unit{
		"rpm": "rpm", "RPM": "rpm", "1/min": "rpm", "°C": "°C", "degC": "°C", "℃": "°C", "N.m": "N·m", "Nm": "N·m", "N·m": "N·m",
		"ohm": "Ω", "mohm": "mΩ", "m/s2": "m/s²", "km/h": "km/h", "kph": "km/h", "kpa": "kPa", "%": "%", "": "", " bar ": "bar",
		"lbf·ft": "lbf·ft", "ft-lb": "lbf·ft", "us": "µs", "µs": "µs", "μs": "µs", "\u2126": "Ω", "PS": "PS", "hp": "hp",
	} {
		if got, err := Parse(in); err != nil || got != want {
			t.Errorf("Parse(%q) = %q, %v; want %q", in, got, err, want)
		}
	}
	for in, want := range map[string]string{
		"rpn":                     `did you mean "rpm"?`,
		"banana":                  `unknown unit "banana"; expected a unit such as rpm, °C, kPa`,
		"MV":                      `unknown unit "MV"`,   // mega or milli: not for us to guess
		"mpa":                     `did you mean "MPa"?`, // likewise
		strings.Repeat("x", 1000): "a unit of 1000 letters",
	} {
		if got, err := Parse(in); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("Parse(%q) = %q, %v; want an error with %q", in, got, err, want)
		}
	}
}

func TestDifferencesNeverGetAnOffset(t *testing.T) {
	// NIST SP 811 B.9: an interval of 1 °C is 1 K is 1.8 °F.
	for _, c := range []struct {
		v, want  float64
		from, to Unit
	}{{10, 18, "°C", "°F"}, {18, 10, "°F", "K"}, {12.5, 12.5, "K", "°C"}} {
		if got, err := ConvertDifference(c.v, c.from, c.to); err != nil || math.Abs(got-c.want) > 1e-12 {
			t.Errorf("a difference of %v %s in %s: got %v, %v; want %v", c.v, c.from, c.to, got, err, c.want)
		}
	}
	if got, _ := Convert(10, "°C", "°F"); got != 50 {
		t.Errorf("10 °C is %v °F, want 50", got)
	}
}

func TestConvertRefusesOtherQuantities(t *testing.T) {
	for _, c := range []struct{ from, to Unit }{{"rpm", "kPa"}, {"rpm", "Hz"}, {"", "rpm"}, {"°C", "%"}, {"banana", "rpm"}, {"rpm", "banana"}} {
		if v, err := Convert(1, c.from, c.to); err == nil {
			t.Errorf("1 %s became %v %s", c.from, v, c.to)
		}
	}
	if _, err := Convert(1, "rpm", "kPa"); err.Error() != "rpm is a unit of rotational speed, kPa of pressure" {
		t.Errorf("got %q", err)
	}
}

func TestThereAndBack(t *testing.T) {
	units := Table()
	rapid.Check(t, func(t *rapid.T) {
		a := rapid.SampledFrom(units).Draw(t, "from")
		b := rapid.SampledFrom(units).Draw(t, "to")
		v := rapid.Float64Range(-1e6, 1e6).Draw(t, "value")
		there, err := Convert(v, a.Symbol, b.Symbol)
		if (err == nil) != (a.Dim == b.Dim) {
			t.Fatalf("%s to %s: %v, dimensions %v and %v", a.Symbol, b.Symbol, err, a.Dim, b.Dim)
		}
		if err != nil {
			return
		}
		back, _ := Convert(there, b.Symbol, a.Symbol)
		// Offsets of 273.15 and 15 digits leave about 1e-12 of the larger figure.
		if slack := 1e-12 * (math.Abs(v) + 1000) * math.Max(1, b.Factor/a.Factor); math.Abs(back-v) > slack {
			t.Errorf("%v %s -> %v %s -> %v", v, a.Symbol, there, b.Symbol, back)
		}
	})
}

func TestTable(t *testing.T) {
	seen := make(map[string]Unit)
	for _, in := range Table() {
		if in.Source == "" || in.Name == "" || in.Factor <= 0 {
			t.Errorf("%q lacks a source, a name or a factor", in.Symbol)
		}
		for _, s := range append([]string{string(in.Symbol), in.Name}, in.Aliases...) {
			if other, ok := seen[s]; ok && other != in.Symbol {
				t.Errorf("%q means both %q and %q", s, other, in.Symbol)
			}
			seen[s] = in.Symbol
			if got, err := Parse(s); err != nil || got != in.Symbol {
				t.Errorf("Parse(%q) = %q, %v; want %q", s, got, err, in.Symbol)
			}
		}
		if us := in.Symbol.US(); !Comparable(in.Symbol, us) {
			t.Errorf("%s shows as %s, which it does not convert to", in.Symbol, us)
		}
	}
}

func TestDimensions(t *testing.T) {
	torque, speed, power := Unit("N·m").Dim(), Unit("rpm").Dim(), Unit("kW").Dim()
	if p := torque.Mul(speed); p == power || !p.SameButAngle(power) {
		t.Errorf("torque times speed is %v (%s); want power but for the angle", p, p.Name())
	}
	if d := Unit("V").Dim().Div(Unit("A").Dim()); d != Unit("Ω").Dim() || d.Name() != "resistance" {
		t.Errorf("V/A is %v", d)
	}
	if d := Unit("m/s").Dim().Pow(2); d.Name() != "length^2 · time^-2" {
		t.Errorf("(m/s)^2 is %q", d.Name())
	}
	if !Unit("kPa").Dim().Div(Unit("psi").Dim()).Zero() {
		t.Error("a ratio of pressures is no bare number")
	}
}

func FuzzParse(f *testing.F) {
	for _, s := range []string{"rpm", "°C", "", "N·m", "\xff"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		u, err := Parse(s)
		if err != nil {
			return
		}
		if again, err := Parse(string(u)); err != nil || again != u {
			t.Errorf("Parse(%q) = %q, which reads as %q, %v", s, u, again, err)
		}
	})
}
