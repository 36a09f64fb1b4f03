package drivetrain

import (
	"math"
	"testing"
	"time"
)

// commandedRig is a gearbox with plain ratios that broadcasts the gear asked for.
func commandedRig(t *testing.T) *rig {
	tr := plainRatios()
	tr.Roles.CommandedGear = "command"
	return newRig(t, 10*time.Millisecond, 0.125, tr, "in", "out", "command")
}

// A gear that comes although the one before is still asked for is no shift.
func TestUncommanded(t *testing.T) {
	r := commandedRig(t)
	r.run(6*time.Second, func(t float64) map[string]float64 {
		return map[string]float64{"out": 1000, "in": 1000 * ramp(t, 3, 3.4, 2.0, 3.0), "command": 2}
	})
	if n := len(r.events("shift")); n != 0 {
		t.Errorf("%d shifts, expected none", n)
	}
	got := r.events(KindUncommanded)
	if len(got) != 1 || got[0]["from"] != "2" || got[0]["to"] != "1" {
		t.Fatalf("%v, expected 2-1 without a command", got)
	}
	near(t, "start", got[0]["start_s"], 3.02, 0.002)
	near(t, "end", got[0]["end_s"], 3.38, 0.002)
}

// A gear that was asked for at 2 s and comes at 8 s was lost.
func TestLateShift(t *testing.T) {
	r := commandedRig(t)
	r.run(11*time.Second, func(t float64) map[string]float64 {
		v := map[string]float64{"out": 1000, "in": 1000 * ramp(t, 8, 8.4, 2.0, 1.5), "command": 2}
		if t > 2 {
			v["command"] = 3
		}
		return v
	})
	if n := len(r.events("shift")); n != 0 {
		t.Errorf("%d shifts, expected none", n)
	}
	got := r.events(KindMissed)
	if len(got) != 1 || got[0]["from"] != "2" || got[0]["to"] != "3" {
		t.Fatalf("%v, expected 2-3 lost", got)
	}
	near(t, "command", got[0]["command_s"], 2.01, 0.001)
	near(t, "came", got[0]["came_s"], 8.38, 0.002)
}

// The ratio reaches the new gear 1 s before that is asked for: slip, no shift.
func TestSlippedThere(t *testing.T) {
	r := commandedRig(t)
	r.run(8*time.Second, func(t float64) map[string]float64 {
		v := map[string]float64{"out": 1000, "in": 1000 * ramp(t, 3, 3.4, 2.0, 3.0), "command": 2}
		if t > 4.4 {
			v["command"] = 1
		}
		return v
	})
	if n := len(r.events("shift")); n != 0 {
		t.Errorf("%d shifts, expected none", n)
	}
}

// The new gear holds for 0.35 s and slips away again: a shift, with its end. After
// 0.2 s it would be none.
func TestHeldForAMoment(t *testing.T) {
	for _, c := range []struct {
		held   float64
		shifts int
	}{{0.35, 1}, {0.2, 0}} {
		r := commandedRig(t)
		r.run(9*time.Second, func(t float64) map[string]float64 {
			v := map[string]float64{"out": 1000, "in": 1000 * (ramp(t, 3, 3.4, 2.0, 1.5) + ramp(t, 3.38+c.held, 3.48+c.held, 0, 0.2)), "command": 2}
			if t > 2.5 {
				v["command"] = 3
			}
			return v
		})
		shifts := r.events("shift")
		if len(shifts) != c.shifts {
			t.Errorf("held for %g s: %d shifts, expected %d", c.held, len(shifts), c.shifts)
			continue
		}
		for _, s := range shifts {
			near(t, "end", s["end_s"], 3.38, 0.002)
			if s["settled"] != true {
				t.Error("not settled")
			}
		}
	}
}

// From 3 s to 5 s p is at 95 % but for a ripple of 0.3 %, then it goes on to 100 %:
// the end may be any time between.
func TestHoveringEnd(t *testing.T) {
	r := commandedRig(t)
	r.run(9*time.Second, func(t float64) map[string]float64 {
		p := ramp(t, 2.6, 3, 0, 0.95)
		if t > 3 {
			p = ramp(t, 5, 5.05, 0.95, 1) + 0.003*math.Sin(2*math.Pi*13*t)
		}
		v := map[string]float64{"out": 1000, "in": 1000 * (2 - 0.5*p), "command": 2}
		if t > 2.4 {
			v["command"] = 3
		}
		return v
	})
	shifts := r.events("shift")
	if len(shifts) != 1 {
		t.Fatalf("%d shifts, expected 1: %v", len(shifts), r.events(KindMissed))
	}
	near(t, "end", shifts[0]["end_s"], 4, 0.06)
	near(t, "uncertainty", shifts[0]["uncertainty_s"], 1, 0.06)
}

// The output speed is lost in fifth. Without it third and fifth of the van look alike: reduced carrier
// and drum turn as one. Later the box drops from fifth to third, which the input speed
// shows, times 1.47126/0.87929 within 0.3 s, but not where it went; with the road
// speed it does, for 20 rpm of output per km/h have been learned before.
func TestGearsAlike(t *testing.T) {
	const ratio5 = 0.87928994 // see decode/geartrain
	for _, withRoad := range []bool{false, true} {
		tr := vanTrain()
		names := []string{"rc", "drum", "out"}
		if withRoad {
			tr.Roles.VehicleSpeed = "road"
			names = append(names, "road")
		}
		r := newRig(t, 10*time.Millisecond, 0.25, tr, names...)
		const out = 1700.0
		r.run(7*time.Second, func(t float64) map[string]float64 {
			in := out * (ratio4 + ramp(t, 2, 2.3, 0, ratio5-ratio4) + ramp(t, 4, 4.3, 0, ratio3-ratio5))
			rc := 87. / 128 * in
			_, drum := vanSpeeds(out*ratio4, out) // in fourth
			if t > 2.3 {
				drum = rc
			} else {
				drum = ramp(t, 2, 2.3, drum, 87./128*out*ratio5)
			}
			v := map[string]float64{"rc": rc, "drum": drum, "out": out, "road": out / 20}
			if t > 3 {
				v["out"] = math.NaN()
			}
			return v
		})
		gears := r.gears()
		want := ""
		if withRoad {
			want = "3"
		}
		for at, g := range map[time.Duration]string{1500 * time.Millisecond: "4", 3500 * time.Millisecond: "5", 6 * time.Second: want} {
			if gears[at] != g {
				t.Errorf("road speed %v, at %v: gear %q, expected %q", withRoad, at, gears[at], g)
			}
		}
		if n := len(r.events("shift")); withRoad && n != 2 || !withRoad && n != 1 {
			t.Errorf("road speed %v: %d shifts", withRoad, n)
		}
	}
}
