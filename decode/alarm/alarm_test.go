package alarm

import (
	"encoding/json"
	"strings"
	"testing"
	"time"

	"gearwitness/capture"
	"gearwitness/decode"
	"gearwitness/signals"
)

const ms = capture.Stamp(time.Millisecond)

// rig feeds samples to one rule over two signals, oil and speed, which grow
// stale after 100 ms.
type rig struct {
	t          *testing.T
	table      decode.Table
	view       *decode.View
	set        *Set
	oil, speed int32
}

func newRig(t *testing.T, a signals.Alarm) *rig {
	t.Helper()
	r := &rig{t: t}
	r.oil = r.table.Add(decode.Info{Name: "oil", Unit: "°C", StaleAfter: 100 * ms})
	r.speed = r.table.Add(decode.Info{Name: "speed", Unit: "rpm", StaleAfter: 100 * ms})
	r.view = decode.NewView(&r.table)
	f := &signals.File{Alarms: signals.Named[signals.Alarm]{{Name: "hot", V: a}}}
	var err error
	if r.set, err = New(f, r.view, &r.table); err != nil {
		t.Fatal(err)
	}
	return r
}

// put feeds one sample and returns what happens up to its time, one short text an
// event.
func (r *rig) put(at capture.Stamp, signal int32, value float64, status decode.Status) string {
	var out decode.Output
	r.set.Advance(at, &out)
	x := decode.Sample{Time: at, Signal: signal, Value: value, Status: status}
	r.view.Put(x)
	r.set.Changed(&x)
	r.set.Evaluate(at, &out)
	r.set.Advance(at+1, &out)
	return r.text(&out)
}

func (r *rig) pass(at capture.Stamp) string {
	var out decode.Output
	r.set.Advance(at, &out)
	return r.text(&out)
}

func (r *rig) text(out *decode.Output) string {
	var parts []string
	for _, e := range out.Events {
		text, err := json.Marshal(e)
		if err != nil {
			r.t.Fatal(err)
		}
		s := strings.TrimPrefix(string(text), `{"time_s":`)
		s = strings.Replace(s, `,"kind":"alarm","alarm":"hot","level":"caution","state":`, " ", 1)
		parts = append(parts, strings.TrimSuffix(strings.Replace(s, `,"say":"Hot."`, "", 1), "}"))
	}
	return strings.Join(parts, "; ")
}

func (r *rig) want(got, want string) {
	r.t.Helper()
	if got != want {
		r.t.Errorf("got %q, want %q", got, want)
	}
}

func TestRaisedAfterItsTimeAndClearedBelowItsBand(t *testing.T) {
	r := newRig(t, signals.Alarm{When: "oil > 130", For: 50 * time.Millisecond, Clear: "oil < 120", Level: signals.LevelCaution, Say: "Hot."})
	r.want(r.put(0, r.oil, 131, decode.Valid), "")
	r.want(r.put(40*ms, r.oil, 130, decode.Valid), "") // too short
	r.want(r.put(50*ms, r.oil, 131, decode.Valid), "")
	r.want(r.put(90*ms, r.oil, 140, decode.Valid), "")
	if s := r.set.List(90 * ms)[0]; s.State != Pending || s.Since != 50*ms || s.Missing != nil {
		t.Errorf("status %+v", s)
	}
	// The moment is that of the rule, not of the next sample.
	r.want(r.put(110*ms, r.oil, 140, decode.Valid), `0.1 "raised"`)
	r.want(r.put(120*ms, r.oil, 125, decode.Valid), "") // inside the band
	if s := r.set.List(120 * ms)[0]; s.State != Raised || s.Since != 100*ms {
		t.Errorf("status %+v", s)
	}
	r.want(r.put(130*ms, r.oil, 119, decode.Valid), `0.13 "cleared","raised_s":0.1`)
	r.want(r.put(140*ms, r.oil, 125, decode.Valid), "")
}

func TestWithoutAClearConditionTheOppositeEnds(t *testing.T) {
	r := newRig(t, signals.Alarm{When: "oil > 130 and speed > 100", Level: signals.LevelCaution, Say: "Hot."})
	r.want(r.put(0, r.oil, 131, decode.Valid), "")
	r.want(r.put(0, r.speed, 200, decode.Valid), `0 "raised"`)
	r.want(r.put(10*ms, r.speed, 50, decode.Valid), `0.01 "cleared","raised_s":0`)
}

func TestMissingInputsNeitherRaiseNorClear(t *testing.T) {
	r := newRig(t, signals.Alarm{When: "oil > 130", For: 50 * time.Millisecond, Clear: "oil < 120", Level: signals.LevelCaution, Say: "Hot."})
	r.want(r.pass(5000*ms), "") // nothing has come yet: no loss
	if s := r.set.List(5000 * ms)[0]; len(s.Missing) != 1 || s.Missing[0] != "oil" {
		t.Errorf("status %+v", s)
	}
	r.want(r.put(6000*ms, r.oil, 131, decode.Valid), "")
	// Lost while pending: the time it held does not count any more.
	r.want(r.put(6040*ms, r.oil, 0, decode.NotAvailable), `6.04 "no data","missing":["oil"]`)
	r.want(r.put(6045*ms, r.oil, 0, decode.Faulty), "")
	r.want(r.pass(6100*ms), "")
	r.want(r.put(6120*ms, r.oil, 131, decode.Valid), `6.12 "data again"`)
	r.want(r.pass(6180*ms), `6.17 "raised"`)
	// Lost while raised: it stays raised, and says at what time it went blind.
	r.want(r.pass(6500*ms), `6.22 "no data","missing":["oil"]`)
	if s := r.set.List(6500 * ms)[0]; s.State != Raised || len(s.Missing) != 1 {
		t.Errorf("status %+v", s)
	}
	r.want(r.put(6600*ms, r.oil, 500, decode.Implausible), "")
	r.want(r.put(6610*ms, r.oil, 115, decode.Valid), `6.61 "data again"; 6.61 "cleared","raised_s":6.17`)
}

func TestAConditionThatTheRestDecidesIsDecided(t *testing.T) {
	r := newRig(t, signals.Alarm{When: "oil > 130 or speed > 100", Level: signals.LevelCaution, Say: "Hot."})
	r.want(r.put(0, r.oil, 131, decode.Valid), `0 "raised"`) // whatever the speed
}

func TestRefusesConditionsThatAreNone(t *testing.T) {
	var table decode.Table
	table.Add(decode.Info{Name: "oil", Unit: "°C"})
	for _, a := range []signals.Alarm{{When: "oill > 3"}, {When: "oil"}, {When: "oil > 3", Clear: "oil <"}} {
		f := &signals.File{Alarms: signals.Named[signals.Alarm]{{Name: "hot", V: a}}}
		if _, err := New(f, decode.NewView(&table), &table); err == nil || !strings.HasPrefix(err.Error(), "alarm hot: ") {
			t.Errorf("%+v: %v", a, err)
		}
	}
}

// What ends an alarm may read other signals than what raises it: it is watched too,
// and its end tells of the values it needs.
func TestWhatClearReadsIsWatched(t *testing.T) {
	r := newRig(t, signals.Alarm{When: "oil > 130", Clear: "speed < 50", Level: signals.LevelCaution, Say: "Hot."})
	if !r.set.Reads(r.oil) || !r.set.Reads(r.speed) {
		t.Errorf("reads oil %v, speed %v; want both", r.set.Reads(r.oil), r.set.Reads(r.speed))
	}
	r.want(r.put(0, r.speed, 60, decode.Valid), "")
	r.want(r.put(10*ms, r.oil, 131, decode.Valid), `0.01 "raised"`)
	r.want(r.put(20*ms, r.oil, 100, decode.Valid), "") // the opposite of when ends nothing here
	r.want(r.put(30*ms, r.speed, 50, decode.Valid), "")
	r.want(r.put(40*ms, r.speed, 49, decode.Valid), `0.04 "cleared","raised_s":0.01`)

	// What it needs is missing: it stays, though when can be decided.
	r = newRig(t, signals.Alarm{When: "oil > 130", Clear: "speed < 50", Level: signals.LevelCaution, Say: "Hot."})
	r.want(r.put(0, r.speed, 60, decode.Valid), "")
	r.want(r.put(10*ms, r.oil, 131, decode.Valid), `0.01 "raised"`)
	r.want(r.put(20*ms, r.speed, 0, decode.Faulty), `0.02 "no data","missing":["speed"]`)
	r.want(r.put(50*ms, r.oil, 100, decode.Valid), "")
	r.want(r.put(70*ms, r.speed, 10, decode.Valid), `0.07 "data again"; 0.07 "cleared","raised_s":0.01`)
	// Stale after 100 ms, to the nanosecond and without a further sample.
	r.want(r.put(80*ms, r.oil, 131, decode.Valid), `0.08 "raised"`)
	r.want(r.put(90*ms, r.speed, 60, decode.Valid), "")
	r.want(r.pass(190*ms-1), "") // oil is stale since 180 ms, but nobody needs it to end the alarm
	r.want(r.pass(190*ms), `0.19 "no data","missing":["oil","speed"]`)
}

// At, just below and just above: the value, the time it must hold, and the end.
func TestAlarmLimits(t *testing.T) {
	for _, c := range []struct {
		when, clear string
		values      [3]float64 // of oil, every 10 ms
		want        string
	}{
		{"oil > 130", "", [3]float64{130, 130.5, 130}, `0.01 "raised"|0.02 "cleared","raised_s":0.01`},
		{"oil >= 130", "", [3]float64{130, 130, 129.5}, `0 "raised"|0.02 "cleared","raised_s":0`},
		{"oil > 130", "oil < 120", [3]float64{130.5, 120, 119.5}, `0 "raised"|0.02 "cleared","raised_s":0`},
		{"oil > 130", "oil <= 120", [3]float64{130.5, 120.5, 120}, `0 "raised"|0.02 "cleared","raised_s":0`},
		{"oil < 10", "oil > 20", [3]float64{10, 9.5, 20}, `0.01 "raised"`},
	} {
		r := newRig(t, signals.Alarm{When: c.when, Clear: c.clear, Level: signals.LevelCaution, Say: "Hot."})
		var got []string
		for i, v := range c.values {
			if text := r.put(capture.Stamp(i)*10*ms, r.oil, v, decode.Valid); text != "" {
				got = append(got, text)
			}
		}
		if text := strings.Join(got, "|"); text != c.want {
			t.Errorf("when %s, clear %s, oil %v: %s, want %s", c.when, c.clear, c.values, text, c.want)
		}
	}

	hold := signals.Alarm{When: "oil > 130", For: 50 * time.Millisecond, Level: signals.LevelCaution, Say: "Hot."}
	r := newRig(t, hold)
	r.want(r.put(10*ms, r.oil, 131, decode.Valid), "")
	r.want(r.pass(60*ms-1), "")
	r.want(r.pass(60*ms), `0.06 "raised"`)
	r = newRig(t, hold)
	r.want(r.put(10*ms, r.oil, 131, decode.Valid), "")
	r.want(r.put(60*ms-1, r.oil, 130, decode.Valid), "") // a nanosecond too short
	r.want(r.pass(100*ms), "")
	r = newRig(t, hold)
	r.want(r.put(10*ms, r.oil, 131, decode.Valid), "")
	// It has held long enough when the value that ends it comes: that is two events.
	r.want(r.put(60*ms, r.oil, 130, decode.Valid), `0.06 "raised"; 0.06 "cleared","raised_s":0.06`)
}

// Figures are judged on ticks: what is so between two of them only is not seen, and
// what is seen is told of at the tick. The opposite of when ends at the tick too.
func TestFiguresAreJudgedOnTicks(t *testing.T) {
	r := newRig(t, signals.Alarm{When: "oil > 130", Level: signals.LevelCaution, Say: "Hot."})
	r.want(r.put(1*ms, r.oil, 140, decode.Valid), "")
	r.want(r.put(9*ms, r.oil, 120, decode.Valid), "")
	r.want(r.put(10*ms, r.oil, 120, decode.Valid), "")
	r.want(r.put(12*ms, r.oil, 140, decode.Valid), "")
	r.want(r.pass(20*ms), "") // a sample of that time may come yet
	r.want(r.pass(20*ms+1), `0.02 "raised"`)
	r.want(r.put(30*ms, r.oil, 120, decode.Valid), `0.03 "cleared","raised_s":0.02`)
}

// A state that lasts less than a tick is seen, at its own time.
func TestNoStateIsMissed(t *testing.T) {
	var r rig
	r.t = t
	lamp := r.table.Add(decode.Info{Name: "lamp", StaleAfter: 100 * ms, States: signals.States{{Name: "off", V: 0}, {Name: "on", V: 1}}})
	r.view = decode.NewView(&r.table)
	var err error
	f := &signals.File{Alarms: signals.Named[signals.Alarm]{{Name: "hot", V: signals.Alarm{When: `lamp == "on"`, Level: signals.LevelCaution, Say: "Hot."}}}}
	if r.set, err = New(f, r.view, &r.table); err != nil {
		t.Fatal(err)
	}
	r.want(r.put(1*ms, lamp, 0, decode.Valid), "")
	r.want(r.put(3*ms, lamp, 1, decode.Valid), `0.003 "raised"`)
	r.want(r.put(4*ms, lamp, 1, decode.Valid), "")
	r.want(r.put(5*ms, lamp, 0, decode.Valid), `0.005 "cleared","raised_s":0.003`)
	r.want(r.put(6*ms, lamp, 0, decode.NotAvailable), `0.006 "no data","missing":["lamp"]`)
	r.want(r.put(7*ms, lamp, 1, decode.Valid), `0.007 "data again"; 0.007 "raised"`)
}
