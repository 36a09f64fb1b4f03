package van

import (
	"math"
	"net/url"
	"strings"
	"testing"
	"time"
)

func withFault(t testing.TB, drive, fault string) Options {
	t.Helper()
	o := DefaultOptions()
	o.Drive = drive
	if fault != "" {
		in, err := ParseFault(fault)
		if err != nil {
			t.Fatal(err)
		}
		o.Faults = []Injection{in}
	}
	return o
}

// slipIn returns the largest slip of an element while the van drives in the
// gears that need it and no shift is under way.
func slipIn(t testing.TB, o Options, element int, d time.Duration) float64 {
	s := van(t, o)
	var most float64
	run(s, d, func() {
		if s.ctl.phase == steady && s.ctl.since > 0.5 && s.m.gear[s.ctl.gear].holds&(1<<element) != 0 {
			slip := s.fric.slip[element]
			if element == oneWay {
				slip = -slip // ahead is its right
			}
			most = math.Max(most, slip*rpm)
			if element != oneWay {
				most = math.Max(most, -slip*rpm)
			}
		}
	})
	return most
}

func TestSlippingElementSlips(t *testing.T) {
	for i, name := range elementNames {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			drive := "shifts"
			if i == crawlerBrake {
				drive = "engagements"
			}
			fault := strings.ReplaceAll(name, " ", "-") + "-slips"
			if n := slipIn(t, withFault(t, drive, ""), i, 100*time.Second); n > 1e-6 {
				t.Errorf("sound: slips by %g rpm", n)
			}
			if n := slipIn(t, withFault(t, drive, fault), i, 100*time.Second); n < 30 {
				t.Errorf("with %s: slips by %g rpm only", fault, n)
			}
		})
	}
}

// shiftsOf collects the shifts from one gear to another, power on.
func shiftsOf(list []told, from, to string) (flare, delay, dip float64, n int) {
	for _, x := range of(list, "shift") {
		if x.From == from && x.To == to {
			n++
			flare = math.Max(flare, x.Flare)
			delay += x.Start - x.Commanded
			dip += x.Dip
		}
	}
	return flare, delay / float64(max(n, 1)), dip / float64(max(n, 1)), n
}

func TestLowMainPressureSlips(t *testing.T) {
	s := van(t, withFault(t, "varied", "main-pressure-low"))
	slipped := 0
	run(s, 4*time.Minute, func() {
		if s.ctl.phase == steady && s.ctl.since > 0.5 && s.ctl.gear >= 2 && s.heldGear() < 0 {
			slipped++
		}
	})
	if slipped < 100 {
		t.Errorf("slipped for %d ms", slipped)
	}
}

func TestOutletSensorReadsHigh(t *testing.T) {
	s := van(t, withFault(t, "varied", "oil-outlet-sensor-reads-high=15"))
	x := newSensors(s, 1)
	s.step()
	x.step()
	if d := x.read(qOilOutlet) - x.read(qOilPan); math.Abs(d-15) > 0.5 {
		t.Errorf("after a soak the outlet reads %.1f K above the pan; expected 15", d)
	}
}

// Each fault is in the truth, with its time and size, and none before its start.
func TestFaultsAreTold(t *testing.T) {
	for _, f := range Faults() {
		o := withFault(t, "varied", f.Name+"@2s")
		list := of(truthOf(t, o, 3*time.Second), "fault")
		if len(list) != 1 || list[0].Name != f.Name || list[0].Start != 2 || list[0].Size != f.Default && f.Unit != "" || list[0].Unit != f.Unit {
			t.Errorf("%s: told %+v", f.Name, list)
		}
		if list := of(truthOf(t, o, 1900*time.Millisecond), "fault"); len(list) != 0 {
			t.Errorf("%s: told before its start: %+v", f.Name, list)
		}
	}
}

func TestFaultStartsAtItsTime(t *testing.T) {
	o := withFault(t, "varied", "drum-brake-slips@90s=0")
	a, b := van(t, DefaultOptions()), van(t, o)
	for a.now() < 90*time.Second {
		a.step()
		b.step()
		if a.u != b.u {
			t.Fatalf("differs at %v, before the fault begins", a.now())
		}
	}
	differs := false
	for range 60_000 {
		a.step()
		b.step()
		differs = differs || a.u != b.u
	}
	if !differs {
		t.Error("the fault changed nothing in the minute after its start")
	}
}

func TestParseFault(t *testing.T) {
	for _, c := range []struct {
		in   string
		want Injection
	}{
		{"drum-brake-slips", Injection{"drum-brake-slips", 0, 80}},
		{"drum-brake-slips@120s=350", Injection{"drum-brake-slips", 2 * time.Minute, 350}},
		{"drum-brake-slips=350", Injection{"drum-brake-slips", 0, 350}},
		{"lever-contact-m-open@1m30s", Injection{"lever-contact-m-open", 90 * time.Second, 0}},
	} {
		got, err := ParseFault(c.in)
		if err != nil || got != c.want {
			t.Errorf("%s: got %+v, %v; want %+v", c.in, got, err, c.want)
		}
		if again, err := ParseFault(got.String()); err != nil || again != got {
			t.Errorf("%s: written as %s, read as %+v, %v", c.in, got, again, err)
		}
	}
	for in, want := range map[string]string{
		"drum-brake-slip":            `did you mean "drum-brake-slips"?`,
		"gremlins":                   "expected one of: low-gears-clutch-slips",
		"drum-brake-slips@soon":      "expected a time since the start of the drive",
		"drum-brake-slips@-3s":       "expected a time since the start of the drive",
		"drum-brake-slips=much":      "expected a number of N·m from 0 to 5000",
		"drum-brake-slips=NaN":       "expected a number",
		"drum-brake-slips=1e9":       "from 0 to 5000",
		"lever-contact-m-open=3":     "has no size",
		"":                           "unknown fault",
		"cooler-restricted=120":      "from 0 to 100",
		strings.Repeat("x", 100_000): "unknown fault",
	} {
		if _, err := ParseFault(in); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%.40s: error %v; expected it to say %q", in, err, want)
		}
	}
}

func TestParseOptions(t *testing.T) {
	q, err := url.ParseQuery("seed=7&for=20m&drive=town&oil=15&ambient=-5&fault=drum-brake-slips@2m=350&fault=cooler-restricted")
	if err != nil {
		t.Fatal(err)
	}
	o, err := ParseOptions(q)
	if err != nil {
		t.Fatal(err)
	}
	if o.Seed != 7 || o.For != 20*time.Minute || o.Drive != "town" || o.Oil != 15 || o.Ambient != -5 || len(o.Faults) != 2 ||
		o.Faults[0] != (Injection{"drum-brake-slips", 2 * time.Minute, 350}) || o.Faults[1].Size != 80 {
		t.Errorf("got %+v", o)
	}
	if again, err := ParseOptions(o.Query()); err != nil || again.Query().Encode() != o.Query().Encode() {
		t.Errorf("written as %s, read as %+v, %v", o.Query().Encode(), again, err)
	}
	if o, err := ParseOptions(nil); err != nil || o.Seed != 1 || o.For != 0 || o.Drive != "varied" {
		t.Errorf("an empty query gives %+v, %v", o, err)
	}
	for query, want := range map[string]string{
		"sed=7":           `did you mean "seed"?`,
		"seed=-1":         "expected a whole number",
		"seed=1&seed=2":   "given 2 times",
		"for=0s":          "expected a time above 0",
		"for=745h":        "up to 744h",
		"for=99999999h":   "up to 744h",
		"for=twenty":      "such as 90s or 20m",
		"drive=towm":      `did you mean "town"?`,
		"oil=hot":         "expected degrees Celsius from -30 to 110",
		"ambient=NaN":     "expected degrees Celsius",
		"fault=nothing":   "unknown fault",
		"speed=4&seed=99": "unknown option",
	} {
		q, err := url.ParseQuery(query)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := ParseOptions(q); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: error %v; expected it to say %q", query, err, want)
		}
	}
}

func TestRandomOptions(t *testing.T) {
	names := map[string]bool{}
	for seed := range uint64(200) {
		o := RandomOptions(seed, 1)
		if len(o.Faults) != 1 {
			t.Fatalf("seed %d: %+v", seed, o)
		}
		names[o.Faults[0].Name] = true
		if again, err := ParseOptions(o.Query()); err != nil || again.Query().Encode() != o.Query().Encode() {
			t.Errorf("seed %d: %s does not read back: %v", seed, o.Query().Encode(), err)
		}
	}
	if len(names) < len(Faults())*2/3 {
		t.Errorf("200 drives meet only %d of %d faults", len(names), len(Faults()))
	}
	if o := RandomOptions(3, 0); len(o.Faults) != 0 {
		t.Errorf("a healthy drive has %v", o.Faults)
	}
}

func FuzzParseOptions(f *testing.F) {
	f.Add("seed=7&for=20m&fault=drum-brake-slips@2m=350")
	f.Add("fault=cooler-restricted@1h=&oil=1e3")
	f.Add("fault=@=&fault==@&drive=&for=-1s")
	f.Fuzz(func(t *testing.T, query string) {
		q, err := url.ParseQuery(query)
		if err != nil {
			return
		}
		o, err := ParseOptions(q)
		if err != nil {
			if len(err.Error()) > 4000 {
				t.Fatalf("an error of %d bytes", len(err.Error()))
			}
			return
		}
		again, err := ParseOptions(o.Query())
		if err != nil || again.Query().Encode() != o.Query().Encode() {
			t.Fatalf("%q: written as %s, read as %+v, %v", query, o.Query().Encode(), again, err)
		}
	})
}
