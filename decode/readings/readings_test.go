package readings

import (
	"encoding/json"
	"math"
	"os"
	"strings"
	"testing"
	"time"

	"gearwitness/signals"
)

func vanFile(t testing.TB) *signals.File {
	t.Helper()
	f, list := signals.Parse("van.yaml", signals.Van(), nil)
	if err := list.Err(); err != nil {
		t.Fatal(err)
	}
	return f
}

// Limits of coils: 6.1 ± 0.5 Ω and 12.9 ± 0.6 Ω at 20 °C, common practice, no
// source.
func TestJudge(t *testing.T) {
	f := vanFile(t)
	for _, c := range []struct {
		name, value, at string
		verdict, text   string
	}{
		{"low_gears_coil", "6.2 Ω", "23 °C", Good, "6.2 Ω at 23 °C, 6.128 Ω at 20 °C"},
		{"low_gears_coil", "6.2", "23", Good, "6.2 Ω at 23 °C, 6.128 Ω at 20 °C"},
		{"low_gears_coil", "0.0062 kΩ", "73.4 °F", Good, "6.2 Ω at 23 °C, 6.128 Ω at 20 °C"},
		{"low_gears_coil", "7.5 ohm", "90 °C", Good, "7.5 Ω at 90 °C, 5.882 Ω at 20 °C"}, // too much only as it stands
		{"low_gears_coil", "6.6", "20 °C", Good, "6.6 Ω at 20 °C, 6.6 Ω at 20 °C"},
		{"low_gears_coil", "6.61", "20 °C", Bad, "6.61 Ω at 20 °C, 6.61 Ω at 20 °C"},
		{"low_gears_coil", "5.6", "20 °C", Good, "5.6 Ω at 20 °C, 5.6 Ω at 20 °C"},
		{"odd_gears_coil", "12.9", "-10 °C", Bad, "12.9 Ω at −10 °C, 14.624 Ω at 20 °C"},
		{"low_gears_coil", "6.2", "23 C", Good, "6.2 Ω at 23 °C, 6.128 Ω at 20 °C"},
		{"low_gears_coil", "6.2", "73.4F", Good, "6.2 Ω at 23 °C, 6.128 Ω at 20 °C"},
		{"low_gears_coil", "OL", "", Bad, "open circuit"},
		{"low_gears_coil", "open", "23 °C", Bad, "open circuit"},
		{"main_pressure_idle", "5.4 bar", "", Good, "540 kPa"},
		{"main_pressure_idle", "100 psi", "", Good, "689.4757 kPa"},
		{"main_pressure_idle", "8.1 bar", "", Bad, "810 kPa"},
		{"fluid", "clear red", "", Good, "clear red"},
		{"fluid", " Dark ", "", Bad, "dark"},
	} {
		e, err := Judge(f, Input{Reading: c.name, Value: c.value, At: c.at, By: " M. Okafor "})
		if err != nil || e.Verdict != c.verdict || e.Text() != c.text || e.By != "M. Okafor" || e.Entered != strings.TrimSpace(c.value) {
			t.Errorf("%s = %q at %q: %q, %s, %v; want %q, %s", c.name, c.value, c.at, e.Text(), e.Verdict, err, c.text, c.verdict)
		}
		kept, err := json.Marshal(e.Stamped(time.Unix(0, 0).UTC()))
		if err != nil {
			t.Fatal(err)
		}
		if back, err := Parse(kept); err != nil || back.Text() != e.Text() || back.Wall != "1970-01-01T00:00:00Z" {
			t.Errorf("kept as %s, read as %+v, %v", kept, back, err)
		}
	}
}

// A pressure is good from its lower limit to its upper one, both included; so is a
// temperature written as keyboards can.
func TestLimitsOfReadings(t *testing.T) {
	f := vanFile(t)
	for value, want := range map[string]string{"399.9 kPa": Bad, "400 kPa": Good, "400.1": Good, "799.9": Good, "800 kPa": Good, "8 bar": Good, "800.1": Bad, "-500": Bad, "0": Bad} {
		if e, err := Judge(f, Input{Reading: "main_pressure_idle", Value: value}); err != nil || e.Verdict != want {
			t.Errorf("%s: %s, %v; want %s", value, e.Verdict, err, want)
		}
	}
	for in, want := range map[string]string{"5C": "5°C", "5 C": "5 °C", "-40F": "-40°F", "0C": "0°C", "9F": "9°F", "23 °C": "23 °C", "23": "23", "C": "C", "K": "K", "300K": "300K", "": "", " F": " °F"} {
		if got := degrees(in); got != want {
			t.Errorf("%q is read as %q, want %q", in, got, want)
		}
	}
}

func TestRefusals(t *testing.T) {
	f := vanFile(t)
	for _, c := range []struct {
		in   Input
		want string
	}{
		{Input{Reading: "low_gear_coil", Value: "6"}, `did you mean "low_gears_coil"?`},
		{Input{Reading: "zzz", Value: "6"}, "there are low_gears_coil, odd_gears_coil"},
		{Input{Reading: "low_gears_coil", Value: "6.2 Ω"}, "the temperature of the coil is missing"},
		{Input{Reading: "low_gears_coil", Value: "6.2 Ω", At: "400"}, "expected -60 to 250 °C"},
		{Input{Reading: "low_gears_coil", Value: "6.2 Ω", At: "warm"}, "temperature of the coil: expected a figure such as 5 °C"},
		{Input{Reading: "low_gears_coil", Value: "6,2 Ω", At: "20"}, "the decimal sign is a point"},
		{Input{Reading: "low_gears_coil", Value: "-6", At: "20"}, "expected a resistance from 0 up"},
		{Input{Reading: "main_pressure_idle", Value: "OL"}, "expected a figure such as 5 kPa"},
		{Input{Reading: "main_pressure_idle", Value: "5 V"}, "V is a unit of voltage, kPa of pressure"},
		{Input{Reading: "main_pressure_idle", Value: ""}, "expected a figure in kPa, found none"},
		{Input{Reading: "main_pressure_idle", Value: "500", At: "20 °C"}, "a temperature goes with the resistance of a coil only"},
		{Input{Reading: "fluid", Value: "derk"}, `did you mean "dark"?`},
		{Input{Reading: "fluid", Value: "ruby"}, "expected one of: clear red, clear brown"},
		{Input{Reading: "fluid", Value: "dark", Note: strings.Repeat("x", 501)}, "the note: expected at most 500 bytes"},
		{Input{Reading: "fluid", Value: "dark", By: "a\nb"}, "who measured: expected at most 500 bytes on one line"},
	} {
		if e, err := Judge(f, c.in); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%+v gives %+v, %v; want an error with %q", c.in, e, err, c.want)
		}
	}
	if _, err := Judge(&signals.File{}, Input{}); err == nil || !strings.Contains(err.Error(), "no bench sheet") {
		t.Errorf("without a sheet: %v", err)
	}
	if _, err := Parse([]byte(`{"reading":5}`)); err == nil {
		t.Error("what is no reading was read as one")
	}
}

// The vectors of testdata/coil_at_20.json are computed apart from this program: annealed copper, 0.00393/K
// at 20 °C, IEC 60028.
func TestCoilVectors(t *testing.T) {
	text, err := os.ReadFile("testdata/coil_at_20.json")
	if err != nil {
		t.Fatal(err)
	}
	var vectors []struct {
		Input  struct{ Ohm, Celsius float64 }
		Expect float64
	}
	if err := json.Unmarshal(text, &vectors); err != nil || len(vectors) != 3 {
		t.Fatal(len(vectors), err)
	}
	f := vanFile(t)
	for _, v := range vectors {
		ohm, _ := json.Marshal(v.Input.Ohm)
		celsius, _ := json.Marshal(v.Input.Celsius)
		e, err := Judge(f, Input{Reading: "low_gears_coil", Value: string(ohm), At: string(celsius)})
		if err != nil || math.Abs(*e.Corrected-v.Expect) > 1e-4 {
			t.Errorf("%+v: %v, %v", v, e.Corrected, err)
		}
	}
}

func TestSheet(t *testing.T) {
	lines := Sheet(vanFile(t))
	if len(lines) != 7 {
		t.Fatalf("%d lines", len(lines))
	}
	for i, want := range map[int]string{0: "5.6 to 6.6 Ω at 20 °C", 1: "12.3 to 13.5 Ω at 20 °C", 5: "400 to 800 kPa", 6: "clear red or clear brown"} {
		if got := lines[i].LimitText(); got != want {
			t.Errorf("%s: %q, want %q", lines[i].Name, got, want)
		}
	}
}

func FuzzJudge(f *testing.F) {
	for _, s := range []string{"6.2 Ω|23 °C", "|", "1e308|1e308", "-0|20", "6,2|", "nan|inf", "5 bar|20", "9e99 kΩ|-59"} {
		value, at, _ := strings.Cut(s, "|")
		f.Add("low_gears_coil", value, at)
		f.Add("main_pressure_idle", value, "")
		f.Add("fluid", value, "")
	}
	file := vanFile(f)
	f.Fuzz(func(t *testing.T, name, value, at string) {
		e, err := Judge(file, Input{Reading: name, Value: value, At: at})
		if err != nil {
			return
		}
		kept, err := json.Marshal(e)
		if err != nil {
			t.Fatalf("%q = %q at %q cannot be kept: %v", name, value, at, err)
		}
		if _, err := Parse(kept); err != nil {
			t.Fatal(err)
		}
	})
}
