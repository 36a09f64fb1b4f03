package drivetrain

import (
	"math"
	"testing"
	"time"

	"gearwitness/capture"
	"gearwitness/decode"
	"gearwitness/signals"
)

// A shift whose ratio goes in a straight line from 2.0 to 1.5 between 2.0 s and
// 2.4 s: by the definition p is 5 % at 2.02 s and 95 % at 2.38 s.
func upshift(t float64) map[string]float64 {
	out := 800 + 20*t
	return map[string]float64{"out": out, "in": out * ramp(t, 2.0, 2.4, 2.0, 1.5)}
}

func TestShiftByRatio(t *testing.T) {
	r := newRig(t, 10*time.Millisecond, 0.125, plainRatios(), "in", "out")
	r.run(4*time.Second, upshift)
	shifts := r.events("shift")
	if len(shifts) != 1 {
		t.Fatalf("%d shifts, expected 1: %v", len(shifts), shifts)
	}
	s := shifts[0]
	if s["from"] != "2" || s["to"] != "3" || s["direction"] != "up" || s["settled"] != true {
		t.Errorf("shift is %v", s)
	}
	near(t, "start", s["start_s"], 2.02, 0.002)
	near(t, "end", s["end_s"], 2.38, 0.002)
	near(t, "duration", s["duration_s"], 0.36, 0.003)
	near(t, "flare", s["flare_rpm"], 0, 1)

	// The gear: allowed is max(30, 2 %) of about 1,680 rpm, 33.6 rpm; the ratio
	// moves 1.25 a second, 1,050 rpm a second at the input, so gear 2 is lost
	// 32 ms after 2.0 s and gear 3 confirmed 80 ms after it came within 24.6 ms
	// of 2.4 s.
	gears := r.gears()
	for at, g := range gears {
		s := at.Seconds()
		want := ""
		switch {
		case s <= 2.02:
			want = "2"
		case s > 2.04 && s < 2.37:
			want = "between"
		case s >= 2.47:
			want = "3"
		default:
			continue
		}
		if g != want {
			t.Errorf("gear at %v is %q, expected %q", at, g, want)
		}
	}
	if len(gears) < 400 {
		t.Errorf("%d gear samples in 4 s of 10 ms ticks", len(gears))
	}
	if g := gears[0]; g != "2" {
		t.Errorf("gear at the beginning is %q; its pattern begins there, so it counts from there", g)
	}
}

// 50 ms periods and steps of 10 rpm: the shift is found, and says how far its
// times may be off.
func TestSparseShift(t *testing.T) {
	r := newRig(t, 50*time.Millisecond, 10, plainRatios(), "in", "out")
	r.run(4*time.Second, upshift)
	shifts := r.events("shift")
	if len(shifts) != 1 {
		t.Fatalf("%d shifts, expected 1", len(shifts))
	}
	doubt := shifts[0]["uncertainty_s"].(float64)
	if doubt < 0.025 {
		t.Errorf("uncertainty %g s with messages 50 ms apart", doubt)
	}
	near(t, "start", shifts[0]["start_s"], 2.02, 0.03)
	near(t, "end", shifts[0]["end_s"], 2.38, 0.03)
	for at, g := range r.gears() {
		if s := at.Seconds(); s > 2.1 && s < 2.3 && g != "between" {
			t.Errorf("gear at %v is %q with the ratio between gears", at, g)
		}
	}
}

// A flare: 100 rpm above the old gear's line before the ratio phase.
func TestFlare(t *testing.T) {
	r := newRig(t, 10*time.Millisecond, 0.125, plainRatios(), "in", "out")
	r.run(4*time.Second, func(t float64) map[string]float64 {
		v := upshift(t)
		if t > 1.8 && t < 2.0 {
			v["in"] += 100 * math.Sin(math.Pi*(t-1.8)/0.2)
		}
		return v
	})
	shifts := r.events("shift")
	if len(shifts) != 1 {
		t.Fatalf("%d shifts, expected 1", len(shifts))
	}
	near(t, "flare", shifts[0]["flare_rpm"], 100, 1)
	near(t, "start", shifts[0]["start_s"], 2.02, 0.002)
}

// An unsigned output speed in reverse, and standing before it.
func TestReverseUnsigned(t *testing.T) {
	r := newRig(t, 10*time.Millisecond, 0.125, plainRatios(), "in", "out")
	r.run(3*time.Second, func(t float64) map[string]float64 {
		out := ramp(t, 1, 2, 0, 200)
		return map[string]float64{"out": out, "in": 3.5 * out}
	})
	gears := r.gears()
	if g := gears[500*time.Millisecond]; g != "standing" {
		t.Errorf("at standstill: %q", g)
	}
	if g := gears[2500*time.Millisecond]; g != "R" {
		t.Errorf("with ratio 3.5 and an output speed without sign: %q, expected R", g)
	}
	if n := len(r.events("shift")); n != 0 {
		t.Errorf("%d shifts out of standstill, expected none", n)
	}
}

// Input speed from the engine while the converter clutch is applied.
func TestGearFromEngine(t *testing.T) {
	tr := plainRatios()
	tr.Roles = signals.Roles{OutputSpeed: "out", EngineSpeed: "engine", Lockup: "lock"}
	r := newRig(t, 10*time.Millisecond, 0.125, tr, "engine", "out", "lock")
	r.run(3*time.Second, func(t float64) map[string]float64 {
		v := map[string]float64{"out": 1000, "engine": 1500, "lock": 1}
		if t < 1 {
			v["engine"], v["lock"] = 1700, 0
		}
		return v
	})
	gears := r.gears()
	if g := gears[500*time.Millisecond]; g != "" {
		t.Errorf("gear with an open converter and no input speed: %q, expected none", g)
	}
	if g := gears[2*time.Second]; g != "3" {
		t.Errorf("gear with a locked converter: %q, expected 3", g)
	}
	near(t, "input speed", r.values("input_speed")[2*time.Second], 1500, 0.2)
}

// Engagement: the lever goes to D at 1.0 s; the input falls from 700 rpm in a
// straight line between 1.4 s and 1.8 s, so that 80 % of its way is done at
// 1.72 s.
func TestEngagement(t *testing.T) {
	tr := plainRatios()
	tr.Roles.Lever = "lever"
	r := newRig(t, 10*time.Millisecond, 0.125, tr, "in", "out", "lever")
	r.run(4*time.Second, func(t float64) map[string]float64 {
		v := map[string]float64{"out": 0, "in": ramp(t, 1.4, 1.8, 700, 0), "lever": 2}
		if t >= 1 {
			v["lever"] = 3
		}
		return v
	})
	ev := r.events("engagement")
	if len(ev) != 1 {
		t.Fatalf("%d engagements, expected 1: %v", len(ev), ev)
	}
	near(t, "start", ev[0]["start_s"], 1.0, 0.001)
	near(t, "end", ev[0]["end_s"], 1.72, 0.001)
	if ev[0]["from"] != "N" || ev[0]["to"] != "D" || ev[0]["engaged"] != true {
		t.Errorf("engagement is %v", ev[0])
	}
}

// Any split of the same samples gives the same output.
func TestBatchesDoNotMatter(t *testing.T) {
	one := newRig(t, 10*time.Millisecond, 0.125, plainRatios(), "in", "out")
	one.run(4*time.Second, upshift)
	for _, every := range []int{1, 7, 100000} {
		two := newRig(t, 10*time.Millisecond, 0.125, plainRatios(), "in", "out")
		n := 0
		for at := time.Duration(0); at <= 4*time.Second; at += 10 * time.Millisecond {
			for name, v := range upshift(at.Seconds()) {
				two.a.Sample(decode.Sample{Time: capture.Stamp(at), Signal: two.table.Index(name), Value: math.Round(v/0.125) * 0.125})
			}
			if n++; n%every == 0 {
				two.a.Advance(capture.Stamp(at), &two.out)
			}
		}
		two.a.Finish(capture.Stamp(4*time.Second), &two.out)
		if len(one.out.Samples) != len(two.out.Samples) || len(one.out.Events) != len(two.out.Events) {
			t.Fatalf("advancing every %d messages: %d samples and %d events instead of %d and %d", every, len(two.out.Samples), len(two.out.Events), len(one.out.Samples), len(one.out.Events))
		}
		for i := range one.out.Samples {
			if one.out.Samples[i] != two.out.Samples[i] {
				t.Fatalf("advancing every %d messages: sample %d is %+v instead of %+v", every, i, two.out.Samples[i], one.out.Samples[i])
			}
		}
	}
}

// A silence of a year is stepped over, and what stood before it is gone.
func TestSilence(t *testing.T) {
	r := newRig(t, 10*time.Millisecond, 0.125, plainRatios(), "in", "out")
	feed := func(from capture.Stamp) {
		for i := range capture.Stamp(50) {
			at := from + i*10e6
			r.a.Sample(decode.Sample{Time: at, Signal: 0, Value: 2000})
			r.a.Sample(decode.Sample{Time: at, Signal: 1, Value: 1000})
		}
	}
	year := capture.Stamp(365 * 24 * time.Hour)
	feed(0)
	feed(year)
	r.a.Finish(year+second, &r.out)
	gears := r.gears()
	if len(gears) < 95 || len(gears) > 120 {
		t.Errorf("%d gear samples, expected about 100", len(gears))
	}
	none := 0
	for at, g := range gears {
		if g == "" {
			none++
			if at%time.Duration(year) != 500*time.Millisecond {
				t.Errorf("gear not available at %v, expected 0.5 s, the first tick after the last message", at)
			}
		}
	}
	if none != 2 {
		t.Errorf("%d samples say that the gear is not available, expected one for each silence", none)
	}
	if g := gears[time.Duration(year)+200*time.Millisecond]; g != "2" {
		t.Errorf("gear after the silence: %q", g)
	}
}

// Times a recording cannot have must do no harm.
func TestHostileTimes(t *testing.T) {
	r := newRig(t, 10*time.Millisecond, 0.125, plainRatios(), "in", "out")
	for _, at := range []capture.Stamp{math.MinInt64, math.MaxInt64, 0, -1, 5, 1e18, 3} {
		r.a.Sample(decode.Sample{Time: at, Signal: 0, Value: math.NaN()})
		r.a.Sample(decode.Sample{Time: at, Signal: 1, Value: math.Inf(1)})
		r.a.Sample(decode.Sample{Time: at, Signal: 99})
		r.a.Sample(decode.Sample{Time: at, Signal: -1})
	}
	r.a.Advance(math.MaxInt64, &r.out)
	r.a.Finish(math.MaxInt64, &r.out)
	if len(r.out.Samples) > 1000 {
		t.Errorf("%d samples from nothing", len(r.out.Samples))
	}
}

func TestWithoutTransmission(t *testing.T) {
	table := &decode.Table{}
	table.Add(decode.Info{Name: "x"})
	a, err := New(&signals.File{}, table)
	if err != nil {
		t.Fatal(err)
	}
	var out decode.Output
	a.Sample(decode.Sample{Time: 1})
	a.Advance(1e9, &out)
	a.Finish(2e9, &out)
	if len(table.Signals) != 1 || len(out.Samples) != 0 {
		t.Errorf("signals %d, samples %d; expected nothing to be added", len(table.Signals), len(out.Samples))
	}
}

func TestMissingRole(t *testing.T) {
	table := &decode.Table{}
	_, err := New(&signals.File{Transmission: &signals.Transmission{Roles: signals.Roles{Pedal: "pedal"}}}, table)
	if err == nil {
		t.Error("a role that names no signal is no error")
	}
}
