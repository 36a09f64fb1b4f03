package drivetrain

import (
	"math"
	"testing"
	"time"
)

// drive23 is second gear, a shift into third between 2.0 s and 2.4 s, third: the
// low-gears clutch holds all the while, the drum brake lets go of the drum and
// the odd-gears clutch takes it.
func drive23(t float64) (in, out, rc, drum float64) {
	out = 800 + 20*t
	in = out * ramp(t, 2.0, 2.4, ratio2, ratio3)
	rc, drum = vanSpeeds(in, out)
	return
}

func vanValues(t float64) map[string]float64 {
	_, out, rc, drum := drive23(t)
	return map[string]float64{"out": out, "rc": rc, "drum": drum}
}

func TestTrainShift(t *testing.T) {
	r := newRig(t, 10*time.Millisecond, 0.25, vanTrain(), "rc", "drum", "out")
	r.run(4*time.Second, vanValues)
	shifts := r.events("shift")
	if len(shifts) != 1 {
		t.Fatalf("%d shifts, expected 1: %v", len(shifts), shifts)
	}
	near(t, "start", shifts[0]["start_s"], 2.02, 0.003)
	near(t, "end", shifts[0]["end_s"], 2.38, 0.003)
	gears := r.gears()
	if g := gears[time.Second]; g != "2" {
		t.Errorf("gear at 1 s: %q", g)
	}
	if g := gears[3*time.Second]; g != "3" {
		t.Errorf("gear at 3 s: %q", g)
	}
	// Slips, against the speeds they were made from.
	for _, at := range []time.Duration{time.Second, 2200 * time.Millisecond, 3 * time.Second} {
		in, out, rc, drum := drive23(at.Seconds())
		carrier := (36*drum + 84*out) / 120
		for name, want := range map[string]float64{"input_speed": in, "slip.low": 0, "slip.odd": rc - drum, "slip.high": in - carrier, "slip.drum brake": drum, "slip.crawler brake": carrier, "slip.one-way": carrier} {
			got, ok := r.values(name)[at]
			if !ok || math.Abs(got-want) > 3 {
				t.Errorf("%s at %v: %g (%v), expected %.1f", name, at, got, ok, want)
			}
		}
	}
}

// Sensors that fail in every way, one at a time: no false gear, the shift is
// still found, and slips that cannot be told are absent.
func TestSensorFails(t *testing.T) {
	faults := map[string]func(t float64) (fails bool, reads float64){
		"drops out for 0.3 s in gear 2": func(t float64) (bool, float64) { return t > 1 && t < 1.3, 0 },
		"drops out during the shift":    func(t float64) (bool, float64) { return t > 1.9 && t < 2.6, 0 },
		"drops out at the end of it":    func(t float64) (bool, float64) { return t > 2.25 && t < 2.8, 0 },
		"not available from 1 s on":     func(t float64) (bool, float64) { return t > 1, math.NaN() },
		"not available at all":          func(t float64) (bool, float64) { return true, math.NaN() },
		"reads 0 from the beginning":    func(t float64) (bool, float64) { return true, 0 },
	}
	for what, fault := range faults {
		for _, sensor := range []string{"rc", "drum", "out"} {
			tr := vanTrain()
			tr.Roles.Lever, tr.Roles.VehicleSpeed, tr.Roles.CommandedGear = "lever", "road", "command"
			r := newRig(t, 10*time.Millisecond, 0.25, tr, "rc", "drum", "out", "lever", "road", "command")
			r.run(5*time.Second, func(t float64) map[string]float64 {
				v := vanValues(t)
				v["lever"], v["road"], v["command"] = 3, v["out"]/20, 2
				if t > 1.7 {
					v["command"] = 3
				}
				if fails, reads := fault(t); fails {
					v[sensor] = reads
				}
				return v
			})
			name := sensor + " " + what
			lost := 0
			for at, g := range r.gears() {
				s := at.Seconds()
				if s > 4.94 {
					continue // the last ticks
				}
				wrong := false
				switch {
				case s < 1.95:
					wrong = g != "2"
				case s > 2.05 && s < 2.3:
					wrong = g != "between" && g != ""
				case s > 2.55:
					wrong = g != "3"
				default:
					continue
				}
				if wrong {
					if g != "between" && g != "" {
						t.Errorf("%s: gear at %v is %q", name, at, g)
					}
					lost++
				}
			}
			limit := 0
			switch what {
			case "reads 0 from the beginning":
				limit = 110 // until the doubt is strong enough
			}
			if lost > limit {
				t.Errorf("%s: %d ticks without the gear, expected at most %d", name, lost, limit)
			}
			shifts := r.events("shift")
			if len(shifts) != 1 {
				t.Errorf("%s: %d shifts: %v", name, len(shifts), shifts)
				continue
			}
			near(t, name+": start", shifts[0]["start_s"], 2.02, 0.02)
			near(t, name+": end", shifts[0]["end_s"], 2.38, 0.02)
			for _, el := range []string{"low", "odd", "high", "drum brake", "crawler brake", "one-way"} {
				for at, got := range r.values("slip." + el) {
					in, out, rc, drum := drive23(at.Seconds())
					carrier := (36*drum + 84*out) / 120
					want := map[string]float64{"low": 0, "odd": rc - drum, "high": in - carrier, "drum brake": drum, "crawler brake": carrier, "one-way": carrier}[el]
					if math.Abs(got-want) > max(10, 0.01*math.Abs(want)) && !(what == "reads 0 from the beginning" && at < 1200*time.Millisecond) {
						t.Errorf("%s: slip of %s at %v is %.1f, expected %.1f or none", name, el, at, got, want)
						break
					}
				}
			}
			stood := sensor == "drum" && what == "drops out for 0.3 s in gear 2" // reads 0 all the same
			if len(r.events("sensor")) == 0 && !stood {
				t.Errorf("%s: no word of it", name)
			}
		}
	}
}

// Sensors that do not know the sense of rotation.
func TestMagnitudeSensors(t *testing.T) {
	tr := vanTrain()
	for i := range tr.Train.Sensors {
		tr.Train.Sensors[i].V.Magnitude = true
	}
	r := newRig(t, 10*time.Millisecond, 0.25, tr, "rc", "drum", "out")
	r.run(6*time.Second, func(t float64) map[string]float64 {
		out := 400 + 20*t
		ratio := ramp(t, 2, 2.4, ratio1, ratio2)
		if t > 3 {
			ratio = ramp(t, 4, 4.4, ratio2, ratio3)
		}
		rc, drum := vanSpeeds(out*ratio, out)
		return map[string]float64{"rc": math.Abs(rc), "drum": math.Abs(drum), "out": math.Abs(out)}
	})
	gears := r.gears()
	for at, want := range map[time.Duration]string{time.Second: "1", 3 * time.Second: "2", 5 * time.Second: "3"} {
		if g := gears[at]; g != want {
			t.Errorf("gear at %v is %q, expected %s", at, g, want)
		}
	}
	if n := len(r.events("shift")); n != 2 {
		t.Errorf("%d shifts, expected 2", n)
	}
	for at, slip := range r.values("slip.low") {
		if math.Abs(slip) > 10 {
			t.Errorf("slip of the clutch that held all the while at %v: %.1f rpm", at, slip)
			break
		}
	}
}
