package sensor

import (
	"encoding/json"
	"math"
	"os"
	"testing"

	"pgregory.net/rapid"
)

type vector struct {
	Kind     string
	In, Want json.RawMessage
	Source   string
}

func load(t *testing.T) []vector {
	t.Helper()
	text, err := os.ReadFile("testdata/vectors.json")
	if err != nil {
		t.Fatal(err)
	}
	var list []vector
	if err := json.Unmarshal(text, &list); err != nil {
		t.Fatal(err)
	}
	return list
}

func read[T any](t *testing.T, raw json.RawMessage) T {
	t.Helper()
	var v T
	if err := json.Unmarshal(raw, &v); err != nil {
		t.Fatalf("%s: %v", raw, err)
	}
	return v
}

// Tolerances are those of the published figures: tables print two decimals, the
// coefficients of a curve reproduce its table within 0.03 K.
func TestVectors(t *testing.T) {
	type numbers = map[string]float64
	fitted := Coefficients{}
	ran := map[string]int{}
	for _, v := range load(t) {
		near := func(got, want, tolerance float64) {
			t.Helper()
			if !(math.Abs(got-want) <= tolerance) {
				t.Errorf("%s %s: got %v, want %v within %v (%s)", v.Kind, v.In, got, want, tolerance, v.Source)
			}
		}
		ran[v.Kind]++
		switch v.Kind {
		case "ntc_beta":
			in := read[numbers](t, v.In)
			near(Beta(in["ohm"], in["r25"], in["beta"]), read[float64](t, v.Want), 0.01)
		case "sensor.ntc_beta":
			in, want := read[numbers](t, v.In), read[numbers](t, v.Want)
			if in["t0_c"] != 25 {
				t.Fatalf("%s: reference at %v", v.Kind, in["t0_c"])
			}
			near(Beta(in["ohm"], in["r0"], in["beta"]), want["celsius"], 0.001)
		case "steinhart":
			in := read[numbers](t, v.In)
			near(Coefficients{in["a"], in["b"], in["c"]}.Celsius(in["ohm"]), read[float64](t, v.Want), 0.03)
		case "steinhart_fit":
			in, want := read[[3][2]float64](t, v.In), read[numbers](t, v.Want)
			c, err := Fit([3]float64{in[0][0], in[1][0], in[2][0]}, [3]float64{in[0][1], in[1][1], in[2][1]})
			if err != nil {
				t.Error(err)
			}
			near(c.A/want["a"], 1, 1e-6)
			near(c.B/want["b"], 1, 1e-6)
			near(c.C/want["c"], 1, 1e-6)
		case "sensor.steinhart_fit":
			in, want := read[map[string][3][2]float64](t, v.In)["points_c_ohm"], read[numbers](t, v.Want)
			c, err := Fit([3]float64{in[0][1], in[1][1], in[2][1]}, [3]float64{in[0][0], in[1][0], in[2][0]})
			if err != nil {
				t.Error(err)
			}
			near(c.A/want["A"], 1, 1e-9)
			near(c.B/want["B"], 1, 1e-9)
			near(c.C/want["C"], 1, 1e-9)
			if fitted == (Coefficients{}) {
				fitted = c // the first, which the following cases refer to
			}
		case "sensor.ntc_steinhart":
			near(fitted.Celsius(read[map[string]any](t, v.In)["ohm"].(float64)), read[numbers](t, v.Want)["celsius"], 0.001)
		case "sensor.divider":
			in := read[numbers](t, v.In)
			got, ok := Divider(in["sense_v"], in["supply_v"], in["pullup_ohm"])
			if !ok {
				t.Errorf("%s: refused", v.In)
			}
			near(got, read[numbers](t, v.Want)["ohm"], 1e-6)
		case "pt100":
			got, ok := PlatinumCelsius(read[numbers](t, v.In)["ohm"], 100)
			if !ok {
				t.Errorf("%s: refused", v.In)
			}
			near(got, read[float64](t, v.Want), 0.02)
		case "sensor.pt100":
			want := read[numbers](t, v.Want)
			near(Platinum(read[numbers](t, v.In)["celsius"], 100), want["ohm"], want["tolerance"]+1e-9)
		case "sensor.pt100_inverse":
			want := read[numbers](t, v.Want)
			got, ok := PlatinumCelsius(read[numbers](t, v.In)["ohm"], 100)
			if !ok {
				t.Errorf("%s: refused", v.In)
			}
			near(got, want["celsius"], want["tolerance"])
		case "coil_at_20":
			in := read[numbers](t, v.In)
			near(CopperAt(in["ohm"], in["celsius"], 20), read[float64](t, v.Want), 1e-4)
		case "sensor.copper":
			in := read[numbers](t, v.In)
			near(CopperAt(in["ohm"], in["at_c"], in["to_c"]), read[numbers](t, v.Want)["ohm_alpha_0_00393"], 1e-6)
		case "ratiometric_sender":
			in := read[numbers](t, v.In)
			supply := 5.0
			if s, ok := in["supply"]; ok {
				supply = s
			}
			got, ok := Ratiometric(in["volt"], supply)
			want, err := 0.0, json.Unmarshal(v.Want, new(float64))
			if err == nil && string(v.Want) != "null" {
				want = read[float64](t, v.Want)
				near(got*in["full_scale_kpa"], want, 1e-6)
			} else if ok {
				t.Errorf("%s: got %v, want none (%s)", v.In, got, v.Want)
			}
		case "sensor.ratiometric":
			in := read[numbers](t, v.In)
			want := read[map[string]any](t, v.Want)
			got, ok := Ratiometric(in["volts"], in["supply_v"])
			if ok != (want["status"] == "valid") {
				t.Errorf("%s: got %v, %v; want %v", v.In, got, ok, want)
			} else if ok {
				near(got*in["full_scale_kpa"], want["kpa"].(float64), 1e-6)
			}
		case "tooth_rpm":
			in := read[numbers](t, v.In)
			near(ToothRPM(in["hz"], in["teeth"]), read[float64](t, v.Want), 1e-4)
		case "sensor.hall":
			in := read[numbers](t, v.In)
			near(ToothRPM(in["hertz"], in["teeth"]), read[numbers](t, v.Want)["rpm"], 1e-9)
		default:
			t.Errorf("no way to run a case of kind %s", v.Kind)
		}
	}
	if len(ran) != 16 || ran["sensor.ntc_steinhart"] < 20 || ran["sensor.pt100"] < 15 {
		t.Errorf("ran %v", ran)
	}
}

func TestPlatinumThereAndBack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		celsius := rapid.Float64Range(-200, 850).Draw(t, "celsius")
		back, ok := PlatinumCelsius(Platinum(celsius, 1000), 1000)
		if !ok || math.Abs(back-celsius) > 1e-6 {
			t.Errorf("%v became %v, %v", celsius, back, ok)
		}
	})
	for _, ohm := range []float64{-1, 0, 18, 400, math.NaN(), math.Inf(1)} {
		if c, ok := PlatinumCelsius(ohm, 100); ok {
			t.Errorf("%v Ω is %v °C", ohm, c)
		}
	}
}

func TestFitGoesThroughItsPoints(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		// Points of a beta curve: always a thermistor.
		beta := rapid.Float64Range(3000, 4500).Draw(t, "beta")
		var ohm, celsius [3]float64
		for i, base := range []float64{-20, 40, 100} {
			celsius[i] = base + rapid.Float64Range(-15, 15).Draw(t, "shift")
			ohm[i] = 10000 * math.Exp(beta*(1/(celsius[i]+273.15)-1/298.15))
		}
		c, err := Fit(ohm, celsius)
		if err != nil {
			t.Fatal(err)
		}
		for i := range ohm {
			if got := c.Celsius(ohm[i]); math.Abs(got-celsius[i]) > 1e-6 {
				t.Errorf("%v Ω: got %v, want %v", ohm[i], got, celsius[i])
			}
		}
	})
	for _, bad := range [][2][3]float64{
		{{100, 100, 200}, {0, 50, 100}}, {{0, 10, 20}, {0, 50, 100}}, {{100, 200, 300}, {0, 50, 100}}, {{300, 200, 100}, {-300, 50, 100}},
	} {
		if c, err := Fit(bad[0], bad[1]); err == nil {
			t.Errorf("Fit(%v) = %v", bad, c)
		}
	}
}

func TestNothingComesFromNothing(t *testing.T) {
	if v := Beta(0, 10000, 3435); !math.IsNaN(v) {
		t.Errorf("0 Ω is %v °C", v)
	}
	if v := (Coefficients{1e-3, 2e-4, 1e-7}).Celsius(-5); !math.IsNaN(v) {
		t.Errorf("-5 Ω is %v °C", v)
	}
	for _, u := range []float64{0, 0.01, 4.99, 5, 6, -1, math.NaN()} {
		if r, ok := Divider(u, 5, 2200); ok {
			t.Errorf("%v V is %v Ω", u, r)
		}
	}
	if s, ok := Ratiometric(math.NaN(), 5); ok {
		t.Errorf("no voltage is %v", s)
	}
}
