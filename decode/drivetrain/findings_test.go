package drivetrain

import (
	"encoding/binary"
	"math"
	"strings"
	"testing"
	"time"

	"gearwitness/capture"
	"gearwitness/decode"
	"gearwitness/signals"
)

// A slip of 10 rpm that swings by 30 rpm at 11 Hz for three seconds.
func TestShudder(t *testing.T) {
	tr := plainRatios()
	tr.Roles.EngineSpeed, tr.Roles.Lockup = "engine", "lock"
	r := newRig(t, 10*time.Millisecond, 0.125, tr, "in", "out", "engine", "lock")
	r.run(8*time.Second, func(t float64) map[string]float64 {
		slip := 10.0
		if t > 3 && t < 6 {
			slip += 30 * math.Sin(2*math.Pi*11*t)
		}
		return map[string]float64{"in": 1500, "out": 1000, "engine": 1500 + slip, "lock": 1}
	})
	var found []map[string]any
	for _, e := range r.events("converter") {
		if e["state"] == "shudder" {
			found = append(found, e)
		}
	}
	if len(found) != 1 {
		t.Fatalf("%d shudders, expected 1: %v", len(found), r.events("converter"))
	}
	near(t, "amplitude", found[0]["amplitude_rpm"], 30, 3)
	near(t, "frequency", found[0]["frequency_hz"], 11, 1)
	near(t, "begin", found[0]["since_s"], 3, 0.8)
	near(t, "end", found[0]["end_s"], 6, 0.8)
}

// The odd-gears clutch takes 1,540 rpm of slip down to 0 in a straight line of
// 0.4 s; between p = 5 % and 95 % the integral is 1540 * 0.45 * 0.4 = 277.2 rpm s.
// Its share in third is 0.5159 (computed exactly, see decode/geartrain), the
// engine gives 100 N m: 0.5159 * 100 * 277.2 * pi/30 = 1,498 J.
func TestSlipEnergy(t *testing.T) {
	tr := vanTrain()
	tr.Roles.EngineTorque = "torque"
	r := newRig(t, 10*time.Millisecond, 0.25, tr, "rc", "drum", "out", "torque")
	r.run(4*time.Second, func(t float64) map[string]float64 {
		rc, drum := vanSpeeds(1000*ramp(t, 2, 2.4, ratio2, ratio3), 1000)
		return map[string]float64{"out": 1000, "rc": rc, "drum": drum, "torque": 100}
	})
	shifts := r.events("shift")
	if len(shifts) != 1 {
		t.Fatalf("%d shifts, expected 1", len(shifts))
	}
	energy, _ := shifts[0]["slip_energy_kj"].(map[string]any)
	near(t, "energy of the odd-gears clutch", energy["odd"], 1.498, 0.04)
	if len(energy) != 1 {
		t.Errorf("energy of %v, expected that of the clutch that takes over", energy)
	}
}

// Both elements of an upshift hold for 0.2 s: the output loses 400 rpm/s for so
// long, 2.0 m/s2 at 20 rpm per km/h below a level of 200 rpm/s before and after:
// 600 / 20 / 3.6 = 8.3 m/s2, of which a window of 80 ms sees all.
func TestBindUp(t *testing.T) {
	tr := plainRatios()
	tr.Roles.VehicleSpeed = "road"
	r := newRig(t, 10*time.Millisecond, 0.125, tr, "in", "out", "road")
	r.run(6*time.Second, func(t float64) map[string]float64 {
		out := 600 + 200*t
		switch {
		case t > 3.2:
			out -= 600 * 0.2
		case t > 3:
			out -= 600 * (t - 3)
		}
		return map[string]float64{"out": out, "road": out / 20, "in": out * ramp(t, 3.2, 3.5, 2.0, 1.5)}
	})
	shifts := r.events("shift")
	if len(shifts) != 1 {
		t.Fatalf("%d shifts, expected 1", len(shifts))
	}
	near(t, "bind-up", shifts[0]["bind_up_mps2"], 600/20/3.6, 0.6)
}

// Speed ratio: turbine speed over pump speed (common practice, no source), while the
// engine runs.
func TestConverterSpeedRatio(t *testing.T) {
	tr := plainRatios()
	tr.Roles.EngineSpeed = "engine"
	r := newRig(t, 10*time.Millisecond, 0.125, tr, "in", "out", "engine")
	phases := []struct{ in, engine, want float64 }{{0, 2400, 0}, {1500, 2000, 0.75}, {1800, 1800, 1}, {2200, 2000, 1.1}, {0, 100, math.NaN()}}
	r.run(5*time.Second-1, func(t float64) map[string]float64 {
		p := phases[int(t)]
		return map[string]float64{"in": p.in, "out": p.in / 2, "engine": p.engine}
	})
	ratios := r.values("converter_speed_ratio")
	for i, p := range phases {
		got, ok := ratios[time.Duration(i)*time.Second+500*time.Millisecond]
		if ok == math.IsNaN(p.want) || ok && math.Abs(got-p.want) > 1e-9 {
			t.Errorf("input %g rpm, engine %g rpm: %v, %v, expected %v", p.in, p.engine, got, ok, p.want)
		}
	}
}

func TestStallTest(t *testing.T) {
	tr := plainRatios()
	tr.Roles.EngineSpeed, tr.Roles.Pedal, tr.Roles.Lever = "engine", "pedal", "lever"
	tr.Limits = signals.Limits{StallRPM: 2500, StallToleranceRPM: 150}
	for _, c := range []struct {
		top     float64
		finding string
	}{{2450, "as stated"}, {2250, "too low"}, {2800, "too high"}} {
		r := newRig(t, 10*time.Millisecond, 0.125, tr, "in", "out", "engine", "pedal", "lever")
		r.run(8*time.Second, func(t float64) map[string]float64 {
			v := map[string]float64{"in": 0, "out": 0, "engine": 800, "pedal": 0, "lever": 3}
			if t > 2 && t < 5 {
				v["pedal"], v["engine"] = 100, ramp(t, 2, 3, 800, c.top)
			}
			return v
		})
		stalls := r.events("stall")
		if len(stalls) != 1 {
			t.Fatalf("%d stall tests, expected 1", len(stalls))
		}
		near(t, "engine speed", stalls[0]["engine_rpm"], c.top, 5)
		near(t, "duration", stalls[0]["duration_s"], 3, 0.05)
		if stalls[0]["finding"] != c.finding {
			t.Errorf("stall at %g rpm: %v, expected %s", c.top, stalls[0]["finding"], c.finding)
		}
	}
}

// Contact b is open: in R the code is that of no position.
func TestLeverContacts(t *testing.T) {
	tr := plainRatios()
	tr.Roles.Lever = "lever"
	tr.Contacts = &signals.LeverContacts{Closed: "1", Monitor: "m", Codes: named[signals.LeverCode](
		"P", signals.LeverCode{Contacts: []string{"a", "m"}},
		"R", signals.LeverCode{Contacts: []string{"a", "b"}},
	)}
	r := newRig(t, 10*time.Millisecond, 1, tr, "in", "out", "lever", "a", "b", "m")
	r.run(8*time.Second, func(t float64) map[string]float64 {
		v := map[string]float64{"in": 0, "out": 0, "lever": 0, "a": 1, "b": 0, "m": 1}
		if t > 3 {
			v["lever"], v["m"] = 1, 0
		}
		return v
	})
	events := r.events("lever")
	if len(events) != 1 {
		t.Fatalf("%d findings, expected 1: %v", len(events), events)
	}
	if s, _ := events[0]["suspects"].([]any); events[0]["lever"] != "R" || len(s) != 1 || s[0] != "b" {
		t.Errorf("finding %v, expected contact b in R", events[0])
	}
	blamed := false
	for _, s := range r.a.Suspects() {
		blamed = blamed || s.Element == "b" && s.Verdict == VerdictSuspect
	}
	if !blamed {
		t.Errorf("contact b is not suspected: %+v", r.a.Suspects())
	}
}

// A gear asked for that never comes, and a shift that the recording cuts off.
func TestMissedAndUnfinished(t *testing.T) {
	tr := plainRatios()
	tr.Roles.CommandedGear = "command"
	r := newRig(t, 10*time.Millisecond, 0.125, tr, "in", "out", "command")
	r.run(6*time.Second, func(t float64) map[string]float64 {
		v := map[string]float64{"out": 1000, "in": 1000 * ramp(t, 5, 6, 2.0, 1.7), "command": 2}
		if t > 2 && t < 4 {
			v["command"] = 3
		}
		return v
	})
	missed := r.events(KindMissed)
	if len(missed) != 1 || missed[0]["from"] != "2" || missed[0]["to"] != "3" {
		t.Fatalf("missed shifts: %v, expected one from 2 to 3", missed)
	}
	near(t, "command", missed[0]["command_s"], 2.01, 0.001)
	cut := r.events(KindUnfinished)
	if len(cut) != 1 || cut[0]["from"] != "2" {
		t.Errorf("unfinished shifts: %v, expected one out of 2", cut)
	}
	if n := len(r.events("shift")); n != 0 {
		t.Errorf("%d shifts, expected none", n)
	}
}

// Whatever is fed in, in whatever order: no panic, nothing endless, and no sample
// at a time off the grid.
func FuzzAnalyzer(f *testing.F) {
	f.Add([]byte{0, 10, 0, 100, 1, 10, 0, 50, 2, 0, 0, 3})
	f.Add([]byte{0, 255, 255, 255, 1, 255, 0, 0})
	f.Fuzz(func(t *testing.T, data []byte) {
		tr := vanTrain()
		tr.Roles.Lever, tr.Roles.CommandedGear, tr.Roles.EngineSpeed, tr.Roles.Pedal = "lever", "command", "engine", "pedal"
		r := newRig(t, 10*time.Millisecond, 0.25, tr, "rc", "drum", "out", "lever", "command", "engine", "pedal")
		var at capture.Stamp
		for len(data) >= 4 {
			at += capture.Stamp(int8(data[1])) * 1e6
			v := float64(int16(binary.LittleEndian.Uint16(data[2:])))
			r.a.Sample(decode.Sample{Time: at, Signal: int32(data[0] % 8), Value: v, Status: decode.Status(data[0] / 8 % 4)})
			r.a.Advance(at, &r.out)
			data = data[4:]
		}
		r.a.Finish(at, &r.out)
		for _, s := range r.out.Samples {
			if s.Time%Tick != 0 {
				t.Fatalf("a sample at %d ns", s.Time)
			}
			if s.Status == decode.Valid && (math.IsNaN(s.Value) || math.IsInf(s.Value, 0)) {
				t.Fatalf("%s is %g", r.table.Signals[s.Signal].Name, s.Value)
			}
		}
		r.events("shift") // every event marshals
	})
}

// What a lever's state says is a position, none, or a forward one that has another name.
func TestLeverWords(t *testing.T) {
	for text, want := range map[string]leverPosition{
		"P": leverP, "park": leverP, "Parking lock": leverP, "R": leverR, "reverse": leverR, "N": leverN, " neutral ": leverN,
		"D": leverD, "1": leverD, "L2": leverD, "manual": leverD, "Sport": leverD,
		"": leverUnknown, "not available": leverUnknown, "invalid": leverUnknown, "error": leverUnknown, "Unknown": leverUnknown,
		"unknown position": leverUnknown, "reserved 14": leverUnknown, "between R and N": leverUnknown,
		"pu": leverD, "re": leverD, "ne": leverD, "un": leverD, "n2": leverD, // words of their own
	} {
		if got := leverOf(text); got != want {
			t.Errorf("lever %q is %q, want %q", text, leverNames[got], leverNames[want])
		}
	}
}

// A stall is one from 1 s at full pedal on, from 2 s on it is judged, and above 5 s it
// was held too long; where the vehicle moves off it is one from 2 s on, for a start at
// full pedal is none. The next one has to wait for a minute.
func TestStallLimits(t *testing.T) {
	run := func(moves float64, pedal float64, presses ...[2]float64) []map[string]any {
		tr := plainRatios()
		tr.Roles.EngineSpeed, tr.Roles.Pedal, tr.Roles.Lever = "engine", "pedal", "lever"
		tr.Limits = signals.Limits{StallRPM: 2500, StallToleranceRPM: 150}
		r := newRig(t, 10*time.Millisecond, 0.125, tr, "in", "out", "engine", "pedal", "lever")
		r.run(time.Duration((presses[len(presses)-1][1]+8)*1e9), func(t float64) map[string]float64 {
			v := map[string]float64{"in": 0, "out": 0, "engine": 800, "pedal": 0, "lever": 3}
			for _, p := range presses {
				if t >= p[0] && t < p[1] {
					v["pedal"], v["engine"] = pedal, 2500
				}
			}
			if moves > 0 && t >= moves {
				v["out"], v["in"] = 100*(t-moves), 300*(t-moves)
			}
			return v
		})
		return r.events("stall")
	}
	for _, c := range []struct {
		seconds, pedal float64
		moves          float64 // s after the press, 0 never
		want           string
	}{
		{0.95, 100, 0, "none"},
		{1.05, 100, 0, "told"},
		{1.95, 100, 0, "told"},
		{2.05, 100, 0, "judged"},
		{4.95, 100, 0, "judged"},
		{5.05, 100, 0, "judged, too long"},
		{3, 79, 0, "none"},
		{3, 81, 0, "judged"},
		{4, 100, 1.5, "none"}, // a start at full pedal
		{5, 100, 2.6, "judged, moved"},
	} {
		moves := c.moves
		if moves > 0 {
			moves += 2
		}
		list := run(moves, c.pedal, [2]float64{2, 2 + c.seconds})
		got := "none"
		if len(list) == 1 {
			got = "told"
			if list[0]["finding"] != nil {
				got = "judged"
			}
			for _, k := range []string{"too_long", "moved"} {
				if list[0][k] == true {
					got += ", " + strings.ReplaceAll(k, "_", " ")
				}
			}
		}
		if len(list) > 1 || got != c.want {
			t.Errorf("%g s at %g %%, moving off after %g s: %s, want %s (%v)", c.seconds, c.pedal, c.moves, got, c.want, list)
		}
	}
	for pause, want := range map[float64]any{59: true, 61: nil} {
		list := run(0, 100, [2]float64{2, 5}, [2]float64{5 + pause, 8 + pause})
		if len(list) != 2 || list[0]["too_soon"] != nil || list[1]["too_soon"] != want {
			t.Errorf("after %g s: %v, want the second too soon: %v", pause, list, want)
		}
	}
}
