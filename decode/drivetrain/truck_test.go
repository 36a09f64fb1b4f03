package drivetrain_test

import (
	"context"
	"encoding/json"
	"errors"
	"io"
	"math"
	"testing"

	"gearwitness/capture"
	"gearwitness/capture/pcapng"
	"gearwitness/capture/testneed"
	"gearwitness/decode"
	"gearwitness/decode/pipeline"
	"gearwitness/signals"
)

// The gearbox of the recorded truck broadcasts gears, ratio and lock-up, which the
// derived figures are compared with.
func TestTruck(t *testing.T) {
	r, err := pcapng.Open(testneed.Truck(t))
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	f, err := signals.Load("../../signals/truck.yaml")
	if err != nil {
		t.Fatal(err)
	}
	p, err := pipeline.New(f, pipeline.Options{})
	if err != nil {
		t.Fatal(err)
	}
	var out decode.Output
	var b capture.Batch
	for {
		b.Reset()
		err := r.Next(context.Background(), &b)
		if perr := p.Push(&b, &out); perr != nil {
			t.Fatal(perr)
		}
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	p.Finish(&out)

	type sample struct {
		at float64
		v  float64
	}
	column := func(name string) (list []sample) {
		i := p.Table().Index(name)
		if i < 0 {
			t.Fatalf("no signal %s", name)
		}
		for _, s := range out.Samples {
			if s.Signal == i && s.Status == decode.Valid {
				list = append(list, sample{s.Time.Seconds(), s.Value})
			}
		}
		return list
	}
	// last value at or before t
	at := func(list []sample, t float64) (v float64, ok bool) {
		for _, s := range list {
			if s.at > t {
				break
			}
			v, ok = s.v, true
		}
		return
	}

	gear, current, selected, shifting := column("gear"), column("current_gear"), column("selected_gear"), column("shift_in_process")
	var changes []float64
	for _, l := range [][]sample{current, selected, shifting} {
		for i := 1; i < len(l); i++ {
			if l[i].v != l[i-1].v {
				changes = append(changes, l[i].at)
			}
		}
	}
	steady := 0
	for _, c := range current {
		s, _ := at(selected, c.at)
		bit, _ := at(shifting, c.at)
		calm := s == c.v && bit == 0
		for _, x := range changes {
			calm = calm && math.Abs(x-c.at) >= 0.5
		}
		if !calm {
			continue
		}
		steady++
		if g, ok := at(gear, c.at); !ok || g != c.v {
			t.Errorf("gear at %.3f s is %g (%v), the gearbox broadcasts %g", c.at, g, ok, c.v)
		}
	}
	if steady < 200 {
		t.Errorf("only %d steady samples", steady)
	}

	// No gear while the ratio is between gears, from the speeds as they were
	// sent: more than 3 % and 40 rpm away from every ratio.
	input, output := column("input_shaft_speed"), column("output_shaft_speed")
	claimed, away := 0, 0
	for _, g := range gear {
		i, _ := at(input, g.at)
		o, _ := at(output, g.at)
		far := true
		for _, r := range f.Transmission.Ratios {
			if d := math.Abs(i - r.V*o); d < 40 || d < 0.03*i {
				far = false
			}
		}
		if !far {
			continue
		}
		away++
		if g.v != 101 {
			claimed++
			t.Errorf("gear %g claimed at %.2f s with input %.1f and output %.1f rpm", g.v, g.at, i, o)
		}
	}
	if away < 20 {
		t.Errorf("only %d samples between gears", away)
	}
	t.Logf("%d steady samples, %d between gears", steady, away)

	var shifts, converter []map[string]any
	for _, e := range out.Events {
		raw, err := json.Marshal(e)
		if err != nil {
			t.Fatal(err)
		}
		var m map[string]any
		if err := json.Unmarshal(raw, &m); err != nil {
			t.Fatal(err)
		}
		switch e.Kind {
		case decode.KindShift:
			shifts = append(shifts, m)
			t.Log(string(raw))
		case decode.KindConverter:
			converter = append(converter, m)
			t.Log(string(raw))
		}
	}
	if len(shifts) != 1 || shifts[0]["from"] != "2" || shifts[0]["to"] != "3" {
		t.Fatalf("shifts: %v, expected one from 2 to 3", shifts)
	}
	// By hand from the recorded speeds: p = 5 % is ratio 1.7898, passed between
	// 8.0501 s (1.8016) and 8.0592 s (1.7808); p = 95 % is 1.4262, passed
	// between 8.4693 s (1.4381) and 8.4792 s (1.4098).
	if s := shifts[0]["start_s"].(float64); s < 8.045 || s > 8.065 {
		t.Errorf("start %g s, expected 8.05 to 8.06", s)
	}
	if s := shifts[0]["end_s"].(float64); s < 8.465 || s > 8.485 {
		t.Errorf("end %g s, expected 8.47 to 8.48", s)
	}
	// The gearbox sets its lock-up bit at 3.829 s.
	if len(converter) == 0 || converter[0]["state"] != "locked" {
		t.Fatalf("converter: %v, expected it to lock", converter)
	}
	if s := converter[0]["since_s"].(float64); math.Abs(s-3.829) > 0.5 {
		t.Errorf("locked since %g s, the gearbox says 3.829", s)
	}
	for _, c := range converter[1:] {
		if c["time_s"].(float64) < 15.4 && c["state"] != "locked" {
			t.Errorf("converter %v at %v s, the gearbox says it is locked", c["state"], c["time_s"])
		}
	}
}
