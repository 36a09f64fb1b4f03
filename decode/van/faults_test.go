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

// alone skips a long drive of the mechanics under the race detector: one goroutine
// has nothing to race with.
func alone(t *testing.T) {
	t.Helper()
	if raceDetector {
		t.Skip("one goroutine alone, and long: runs without the race detector")
	}
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

func TestLateFillFlares(t *testing.T) {
	alone(t)
	healthy := truthOf(t, withFault(t, "shifts", ""), 2*time.Minute)
	for fault, shift := range map[string][2]string{
		"odd-gears-clutch-fills-late":  {"2", "3"},
		"high-gears-clutch-fills-late": {"3", "4"},
		"drum-brake-fills-late":        {"5", "6"},
	} {
		before, _, _, _ := shiftsOf(healthy, shift[0], shift[1])
		small, _, _, n := shiftsOf(truthOf(t, withFault(t, "shifts", fault+"=60"), 2*time.Minute), shift[0], shift[1])
		large, _, _, m := shiftsOf(truthOf(t, withFault(t, "shifts", fault+"=150"), 2*time.Minute), shift[0], shift[1])
		// 50 rpm is noticed, 150 to 200 a fault (road-test practice).
		if n == 0 || m == 0 || before > 30 || large < 100 || small >= large {
			t.Errorf("%s: flare %.0f rpm when sound, %.0f with 60 ms, %.0f with 150 ms (%d and %d shifts %s-%s)",
				fault, before, small, large, n, m, shift[0], shift[1])
		}
	}
	// First gear's one-way clutch holds whatever the drum brake does: the shift is
	// late, but cannot flare.
	_, soon, _, _ := shiftsOf(healthy, "1", "2")
	flare, late, _, n := shiftsOf(truthOf(t, withFault(t, "shifts", "drum-brake-fills-late=150"), 2*time.Minute), "1", "2")
	if n == 0 || flare > 30 || late <= soon {
		t.Errorf("drum-brake-fills-late in 1-2: flare %.0f rpm, delay %.3f s, %.3f s when sound", flare, late, soon)
	}
}

func TestLateReleaseBindsUp(t *testing.T) {
	alone(t)
	healthy := truthOf(t, withFault(t, "shifts", ""), 2*time.Minute)
	for fault, shift := range map[string][2]string{
		"drum-brake-releases-late":       {"2", "3"},
		"odd-gears-clutch-releases-late": {"3", "4"},
		"low-gears-clutch-releases-late": {"4", "5"},
	} {
		both := 0 // ms in which old and new element both carry more than a little
		list := truthWith(t, withFault(t, "shifts", fault), 2*time.Minute, false, func(s *sim) {
			c := s.ctl
			if c.phase != steady && c.off >= 0 && c.off < numFriction && c.on < numFriction && s.carries(c.off) &&
				math.Abs(s.fric.impulse[c.on]) > 30*dt {
				both++
			}
		})
		_, before, dipBefore, _ := shiftsOf(healthy, shift[0], shift[1])
		_, after, dipAfter, n := shiftsOf(list, shift[0], shift[1])
		if n == 0 || after < before+0.1 || dipAfter < dipBefore*1.02 || both < 200 {
			t.Errorf("%s: %d shifts %s-%s, delay %.3f s (sound %.3f), dip %.2f m/s2 (sound %.2f), both elements carry for %d ms",
				fault, n, shift[0], shift[1], after, before, dipAfter, dipBefore, both)
		}
	}
}

func TestConverterFaults(t *testing.T) {
	alone(t)
	slip := func(fault string) (mean, swing float64) {
		s := van(t, withFault(t, "lock-up", fault))
		var n int
		last, turns := 0.0, 0
		rising := false
		run(s, 3*time.Minute, func() {
			if s.ctl.phase == steady && s.ctl.lockup != lockOpen && s.ctl.since > 2 && s.eng.torque > 40 {
				x := -s.fric.slip[lockupClutch] * rpm
				mean += math.Abs(x)
				n++
				if up := x > last; up != rising && math.Abs(x-last) > 0.01 {
					rising = up
					turns++
				}
				last = x
			}
		})
		return mean / float64(n), float64(turns) / 2 / (float64(n) * dt)
	}
	sound, _ := slip("")
	slipping, _ := slip("lock-up-clutch-slips")
	shuddering, hertz := slip("lock-up-clutch-shudders")
	if sound > 25 || slipping < 40 {
		t.Errorf("mean slip of the converter clutch: sound %.1f rpm, slipping %.1f rpm", sound, slipping)
	}
	// Shudder is 5 to 20 Hz (road-test practice).
	if shuddering < 2*sound || hertz < 5 || hertz > 20 {
		t.Errorf("shudder: mean slip %.1f rpm, %.1f Hz", shuddering, hertz)
	}
}

func TestHeatFaults(t *testing.T) {
	alone(t)
	end := func(fault string) *sim {
		s := van(t, withFault(t, "town", fault))
		run(s, 13*time.Minute, func() {})
		return s
	}
	sound, cooler, coolant := end(""), end("cooler-restricted"), end("coolant-hot")
	if a, b := sound.heat.outlet-sound.heat.pan, cooler.heat.outlet-cooler.heat.pan; b < a+8 {
		t.Errorf("outlet above pan: %.1f K sound, %.1f K with a restricted cooler", a, b)
	}
	if d := coolant.heat.coolant - sound.heat.coolant; d < 15 {
		t.Errorf("coolant only %.1f K hotter", d)
	}
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

// What the sensors say, sound and faulty.
func TestSensorFaults(t *testing.T) {
	alone(t)
	type state struct{ zeros, missing, n int }
	watch := func(fault string, q quantity, truth func(s *sim) float64) (c state, ratio float64) {
		s := van(t, withFault(t, "varied", fault))
		x := newSensors(s, 1)
		var sum, want float64
		run(s, time.Minute, func() {
			x.step()
			if s.steps%10 != 0 || math.Abs(truth(s)) < 300 {
				return
			}
			v := x.read(q)
			c.n++
			switch {
			case math.IsNaN(v):
				c.missing++
			case v == 0:
				c.zeros++
			default:
				sum += v
				want += truth(s)
			}
		})
		return c, sum / want
	}
	for i, name := range sensorNames {
		truth := func(s *sim) float64 {
			return map[quantity]float64{qReducedCarrierSpeed: s.shafts[reducedCarrier], qDrumSpeed: s.shafts[sunDrum],
				qOutputSpeed: s.shafts[outputShaft], qEngineSpeed: s.u[engine] * rpm}[sensorQuantity[i]]
		}
		q := sensorQuantity[i]
		if c, r := watch("", q, truth); c.zeros+c.missing > 0 || math.Abs(r-1) > 0.001 {
			t.Errorf("%s, sound: %+v, reads %.4f of the truth", name, c, r)
		}
		// 300 ms in 1 to 6 s: about 8 % of the time.
		if c, _ := watch(name+"-drops-out", q, truth); float64(c.zeros) < 0.03*float64(c.n) || float64(c.zeros) > 0.2*float64(c.n) {
			t.Errorf("%s-drops-out: %+v", name, c)
		}
		if c, _ := watch(name+"-missing@40s", q, truth); c.missing < c.n/10 || c.missing == c.n {
			t.Errorf("%s-missing@40s: %+v", name, c)
		}
		if _, r := watch(name+"-reads-low=4", q, truth); math.Abs(r-0.96) > 0.001 {
			t.Errorf("%s-reads-low=4: reads %.4f of the truth", name, r)
		}
	}
}

func TestSwitchesAndContacts(t *testing.T) {
	alone(t)
	// Every pressure switch follows its element within 0.3 s when sound.
	s := van(t, DefaultOptions())
	x := newSensors(s, 1)
	var wrong [numFriction]int
	run(s, 3*time.Minute, func() {
		x.step()
		if s.ctl.phase == steady && s.ctl.t > 0.3 && s.ctl.since > 0.3 {
			for i := range wrong {
				if (x.read(qLowPressure+quantity(i)) == 1) != (s.m.gear[s.ctl.gear].holds&(1<<i) != 0) {
					wrong[i]++
				}
			}
		}
	})
	for i, n := range wrong {
		if n > 0 {
			t.Errorf("%s: switch wrong for %d ms of steady gears", elementNames[i], n)
		}
	}
	for i, name := range []string{"low-gears", "odd-gears", "high-gears", "drum-brake", "crawler-brake"} {
		for k, word := range []string{"open", "closed"} {
			s := van(t, withFault(t, "varied", name+"-pressure-switch-stuck-"+word))
			x := newSensors(s, 1)
			run(s, time.Minute, func() {
				if x.step(); x.read(qLowPressure+quantity(i)) != float64(k) {
					t.Fatalf("%s switch stuck %s reads otherwise at %v", name, word, s.now())
				}
			})
		}
	}
	// The contacts' codes: even, all different, and an open wire makes them odd.
	seen := map[[4]bool]int{}
	for lever := range leverOrder {
		var code [4]bool
		closed := 0
		for i := range code {
			if code[i] = contactClosed(i, lever); code[i] {
				closed++
			}
		}
		seen[code]++
		if closed%2 != 0 || closed == 0 {
			t.Errorf("lever %c: contacts %v", leverOrder[lever], code)
		}
	}
	if len(seen) != len(leverOrder) {
		t.Errorf("codes repeat: %v", seen)
	}
	for i, name := range contactNames {
		s := van(t, withFault(t, "engagements", "lever-contact-"+name+"-open"))
		x := newSensors(s, 1)
		odd := 0
		run(s, 30*time.Second, func() {
			x.step()
			sum := x.read(qContactA) + x.read(qContactB) + x.read(qContactC) + x.read(qContactM)
			if int(sum)%2 != 0 && s.drv.contactChanged > 0.05 {
				odd++
			}
			if x.read(qContactA+quantity(i)) != 0 {
				t.Fatalf("contact %s closed in spite of its fault", name)
			}
		})
		if odd == 0 {
			t.Errorf("contact %s open: no odd code in 30 s", name)
		}
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
