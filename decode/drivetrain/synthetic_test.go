package drivetrain

import (
	"encoding/json"
	"math"
	"testing"
	"time"

	"gearwitness/capture"
	"gearwitness/decode"
	"gearwitness/signals"
	"gearwitness/signals/unit"
)

// The parcel van's gearbox, as in signals/van.yaml: invented; its ratios are
// computed exactly in decode/geartrain's tests.
const (
	ratio1 = 4.11954023
	ratio2 = 2.26574713
	ratio3 = 1.47126437
	ratio4 = 1.12917492
	ratioR = -3.43295019
)

func named[T any](pairs ...any) signals.Named[T] {
	var out signals.Named[T]
	for i := 0; i < len(pairs); i += 2 {
		out = append(out, signals.Entry[T]{Name: pairs[i].(string), V: pairs[i+1].(T)})
	}
	return out
}

// rig is a vehicle of which every signal is sent on its own.
type rig struct {
	t      *testing.T
	file   *signals.File
	table  *decode.Table
	a      *Analyzer
	out    decode.Output
	period time.Duration
}

var leverNamed = named[int64]("P", int64(0), "R", int64(1), "N", int64(2), "D", int64(3), "not available", int64(15))
var gearNamed = named[int64]("N", int64(0), "1", int64(1), "2", int64(2), "3", int64(3), "4", int64(4), "R", int64(7))

// newRig makes a vehicle whose signals come every period.
func newRig(t *testing.T, period time.Duration, resolution float64, tr *signals.Transmission, names ...string) *rig {
	t.Helper()
	r := &rig{t: t, table: &decode.Table{}, period: period}
	r.file = &signals.File{Format: 1, Transmission: tr}
	fr := signals.Frame{Every: period}
	for _, n := range names {
		s := signals.Signal{Bits: 16, Resolution: resolution, Number: signals.Signed, Unit: "rpm"}
		info := decode.Info{Name: n, Unit: "rpm", StaleAfter: capture.Stamp(3 * period)}
		if tr.Train == nil {
			s.Number = signals.Unsigned
		}
		switch n {
		case "lever":
			s.States, info.States, info.Unit = leverNamed, leverNamed, ""
		case "command":
			s.States, info.States, info.Unit = gearNamed, gearNamed, ""
		case "pedal":
			info.Unit = "%"
		case "pan", "outlet":
			info.Unit = "°C"
		case "road":
			info.Unit = "km/h"
		case "torque":
			info.Unit = "N·m"
		}
		s.Unit = unit.Unit(info.Unit)
		fr.Signals = append(fr.Signals, signals.Entry[signals.Signal]{Name: n, V: s})
		r.table.Add(info)
	}
	r.file.Frames = named[signals.Frame]("all", fr)
	a, err := New(r.file, r.table)
	if err != nil {
		t.Fatal(err)
	}
	r.a = a
	return r
}

// run feeds what f says from 0 to end and finishes.
func (r *rig) run(end time.Duration, f func(t float64) map[string]float64) {
	names := r.file.Frames[0].V.Signals
	for at := time.Duration(0); at <= end; at += r.period {
		r.a.Advance(capture.Stamp(at), &r.out)
		values := f(at.Seconds())
		for _, s := range names {
			v, ok := values[s.Name]
			if !ok {
				continue
			}
			if res := s.V.Resolution; res > 0 && len(s.V.States) == 0 {
				v = math.Round(v/res) * res
			}
			smp := decode.Sample{Time: capture.Stamp(at), Signal: r.table.Index(s.Name), Value: v}
			if math.IsNaN(v) {
				smp.Status = decode.NotAvailable
			}
			r.a.Sample(smp)
		}
	}
	r.a.Finish(capture.Stamp(end), &r.out)
}

// gears returns the derived gear by tick, "" where it is not available.
func (r *rig) gears() map[time.Duration]string { return r.texts("gear") }

func (r *rig) texts(name string) map[time.Duration]string {
	out := make(map[time.Duration]string)
	i := r.table.Index(name)
	if i < 0 {
		r.t.Fatalf("no signal %s", name)
	}
	for _, s := range r.out.Samples {
		if s.Signal == i {
			if _, twice := out[time.Duration(s.Time)]; twice {
				r.t.Fatalf("%s: two samples at %v", name, time.Duration(s.Time))
			}
			text := ""
			if s.Status == decode.Valid {
				text = r.table.Text(s)
			}
			out[time.Duration(s.Time)] = text
		}
	}
	return out
}

func (r *rig) values(name string) map[time.Duration]float64 {
	out := make(map[time.Duration]float64)
	i := r.table.Index(name)
	for _, s := range r.out.Samples {
		if s.Signal == i && s.Status == decode.Valid {
			out[time.Duration(s.Time)] = s.Value
		}
	}
	return out
}

// events returns the events of a kind as JSON objects.
func (r *rig) events(kind string) []map[string]any {
	var out []map[string]any
	for _, e := range r.out.Events {
		b, err := json.Marshal(e)
		if err != nil {
			r.t.Fatal(err)
		}
		var m map[string]any
		if err := json.Unmarshal(b, &m); err != nil {
			r.t.Fatal(err)
		}
		if m["kind"] == kind {
			out = append(out, m)
		}
	}
	return out
}

func near(t *testing.T, what string, got any, want, tolerance float64) {
	t.Helper()
	f, ok := got.(float64)
	if !ok || math.Abs(f-want) > tolerance {
		t.Errorf("%s: %v, expected %g within %g", what, got, want, tolerance)
	}
}

// plainRatios is a gearbox without a train.
func plainRatios() *signals.Transmission {
	return &signals.Transmission{
		Roles:  signals.Roles{InputSpeed: "in", OutputSpeed: "out"},
		Ratios: named[float64]("1", 3.0, "2", 2.0, "3", 1.5, "4", 1.0, "R", 3.5),
	}
}

// vanTrain is the van's gear train.
func vanTrain() *signals.Transmission {
	return &signals.Transmission{
		Roles: signals.Roles{OutputSpeed: "out"},
		Train: &signals.Train{
			Shafts: []string{"input", "reduced carrier", "small sun", "large sun drum", "rear carrier", "output"},
			Sets: named[signals.Set](
				"front", signals.Set{Sun: "ground", Ring: "input", Carrier: "reduced carrier", SunTeeth: 41, RingTeeth: 87},
				"rear, long pinions", signals.Set{Sun: "large sun drum", Ring: "output", Carrier: "rear carrier", SunTeeth: 36, RingTeeth: 84},
				"rear, short pinions", signals.Set{Sun: "small sun", Ring: "output", Carrier: "rear carrier", SunTeeth: 30, RingTeeth: 84, DoublePinion: true},
			),
			Input: "input", Output: "output",
			Sensors: named[signals.Sensor]("rc", signals.Sensor{Shaft: "reduced carrier"}, "drum", signals.Sensor{Shaft: "large sun drum"}, "out", signals.Sensor{Shaft: "output"}),
		},
		Elements: named[signals.Element](
			"low", signals.Element{Clutch: []string{"reduced carrier", "small sun"}},
			"odd", signals.Element{Clutch: []string{"reduced carrier", "large sun drum"}},
			"high", signals.Element{Clutch: []string{"input", "rear carrier"}},
			"drum brake", signals.Element{Brake: "large sun drum"},
			"crawler brake", signals.Element{Brake: "rear carrier"},
			"one-way", signals.Element{OneWay: []string{"rear carrier", "ground"}},
		),
		Gears: named[signals.Gear](
			"1", signals.Gear{Holds: []string{"low", "one-way"}},
			"2", signals.Gear{Holds: []string{"low", "drum brake"}},
			"3", signals.Gear{Holds: []string{"low", "odd"}},
			"4", signals.Gear{Holds: []string{"low", "high"}},
			"5", signals.Gear{Holds: []string{"odd", "high"}},
			"6", signals.Gear{Holds: []string{"high", "drum brake"}},
			"R", signals.Gear{Holds: []string{"odd", "crawler brake"}},
		),
	}
}

// vanSpeeds are the three sensors' readings for an input and output speed with
// the low-gears clutch holding: from the Willis rows of the van's sets by hand,
//
//	n_rc = 87/128 n_in
//	drum from 36 n_d + 84 n_o = 120 n_c and 30 n_s - 84 n_o = -54 n_c, n_s = n_rc
func vanSpeeds(in, out float64) (rc, drum float64) {
	rc = 87. / 128 * in
	carrier := (84*out - 30*rc) / 54
	drum = (120*carrier - 84*out) / 36
	return
}

// ramp goes from a to b between t0 and t1.
func ramp(t, t0, t1, a, b float64) float64 {
	switch {
	case t <= t0:
		return a
	case t >= t1:
		return b
	}
	return a + (b-a)*(t-t0)/(t1-t0)
}
