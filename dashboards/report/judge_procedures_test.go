package report

import (
	"strings"
	"testing"

	"gearwitness/capture"
	"gearwitness/capture/archive"
	"gearwitness/decode"
	"gearwitness/decode/procedure"
)

// benchProcedures belongs before the alarms of the bench.
const benchProcedures = `procedures:
  pulls:
    title: Pulls
    cautions: Mind the road.
    steps:
      up: {say: Pull, hold: {output: [100, 200]}, for: 2 s, at_most: 5 s, times: 3, rest: 60 s, within: 10 min}
      stand: {say: Stand, until: output < 50, within: 30 s}
readings:
  level: {title: Level, unit: mm, limits: [10, 20]}
  smell: {title: Smell, unit: mm}
alarms:
`

// The last run of a procedure counts: done is within, not done is beyond where it had
// begun, and whatever ended otherwise was not tested.
func TestJudgesProcedures(t *testing.T) {
	change := func(state, verdict string, began bool, why ...string) procedure.Change {
		c := procedure.Change{Procedure: "pulls", Title: "Pulls", State: state, Verdict: verdict, Why: why}
		if began {
			c.BeganAt, c.Duration = at(10), at(95)
			c.Steps = []procedure.StepResult{{Step: "up", Count: 3, Of: 3}, {Step: "stand", Count: 0, Of: 1}}
		}
		return c
	}
	begun := procedure.Change{Procedure: "pulls", Title: "Pulls", State: procedure.Begun}
	for name, c := range map[string]struct {
		list     []procedure.Change
		measured string
		want     Verdict
	}{
		"done":            {[]procedure.Change{begun, change(procedure.Ended, procedure.Done, true)}, "done: up 3 of 3, stand 0 of 1", Within},
		"not done":        {[]procedure.Change{begun, change(procedure.Ended, procedure.NotDone, true, "Too slow.", "Try again.")}, "not done: up 3 of 3, stand 0 of 1. Too slow. Try again.", Beyond},
		"stopped":         {[]procedure.Change{begun, change(procedure.Ended, procedure.Stopped, true, "It was stopped by hand.")}, "stopped: up 3 of 3, stand 0 of 1. It was stopped by hand.", NotTested},
		"refused":         {[]procedure.Change{change(procedure.Refused, "", false, "Oil is cold.")}, "not begun. Oil is cold.", NotTested},
		"never begun":     {[]procedure.Change{change(procedure.Ended, procedure.NotDone, false, "The recording ended.")}, "not begun. The recording ended.", NotTested},
		"waiting only":    {[]procedure.Change{change(procedure.Waiting, "", false)}, "", ""},
		"the last counts": {[]procedure.Change{begun, change(procedure.Ended, procedure.NotDone, true), begun, change(procedure.Ended, procedure.Done, true)}, "done: up 3 of 3, stand 0 of 1; asked for twice, the last counts", Within},
	} {
		t.Run(name, func(t *testing.T) {
			x := newFigures(t, "alarms:\n", benchProcedures)
			for i, e := range c.list {
				x.event(capture.Stamp(i)*60e9, decode.KindProcedure, e)
			}
			r := x.report()
			if c.want == "" {
				absent(t, r, "Procedure: Pulls")
				return
			}
			is(t, r, Check{Name: "Procedure: Pulls", Measured: c.measured, Limit: "up 3 times for 2 s, at most 5 s, stand once", Source: "vehicle file", Verdict: c.want})
		})
	}
}

// A reading has the verdict that it was given when it was entered; what was not read is
// not tested, and without a limit none is named.
func TestJudgesReadings(t *testing.T) {
	entry := func(text string) archive.Entry { return archive.Entry{Kind: "reading", Fields: []byte(text)} }
	for name, c := range map[string]struct {
		journal []archive.Entry
		want    []Check
		absent  string
	}{
		"none entered": {nil, nil, "Reading: Level"},
		"good": {[]archive.Entry{entry(`{"reading":"level","title":"Level","value":12.5,"unit":"mm","verdict":"good"}`)}, []Check{
			{Name: "Reading: Level", Measured: "12.5 mm", Limit: "10 to 20 mm", Source: "vehicle file", Verdict: Within},
			{Name: "Reading: Smell", Measured: "not read", Verdict: NotTested},
		}, ""},
		"bad": {[]archive.Entry{entry(`{"reading":"level","title":"Level","value":-3,"unit":"mm","verdict":"bad"}`)}, []Check{
			{Name: "Reading: Level", Measured: "−3 mm", Limit: "10 to 20 mm", Source: "vehicle file", Verdict: Beyond},
		}, ""},
		"noted": {[]archive.Entry{entry(`{"reading":"smell","title":"Smell","value":3,"unit":"mm","verdict":"noted"}`)}, []Check{
			{Name: "Reading: Smell", Measured: "3 mm", Verdict: Info},
			{Name: "Reading: Level", Measured: "not read", Limit: "10 to 20 mm", Source: "vehicle file", Verdict: NotTested},
		}, ""},
		"the last counts": {[]archive.Entry{
			entry(`{"reading":"level","title":"Level","value":5,"unit":"mm","verdict":"bad"}`),
			entry(`{"reading":"level","title":"Level","value":15,"unit":"mm","verdict":"good"}`),
			entry(`{"reading":"smell","title":"Smell","value":3,"unit":"mm","verdict":"noted"}`),
		}, []Check{{Name: "Reading: Level", Measured: "15 mm", Limit: "10 to 20 mm", Source: "vehicle file", Verdict: Within}}, ""},
	} {
		t.Run(name, func(t *testing.T) {
			x := newFigures(t, "alarms:\n", benchProcedures)
			x.papers.Journal = c.journal
			r := x.report()
			for _, want := range c.want {
				is(t, r, want)
			}
			if c.absent != "" {
				absent(t, r, c.absent)
			}
		})
	}
}

// The account of a procedure: when, how long, the oil, what was needed, and each step
// with what was measured while it counted.
func TestPrintsProcedures(t *testing.T) {
	x := newFigures(t, "alarms:\n", benchProcedures)
	x.sample(0, "speed", 0)
	needs := []procedure.NeedResult{{Need: "warm", Say: "Oil warm", Met: true}, {Need: "calm", Say: "Nobody behind"}}
	x.event(70e9, decode.KindProcedure, procedure.Change{Procedure: "pulls", Title: "Pulls", State: procedure.Begun, Needs: needs, BeganAt: at(70)})
	x.event(80e9, decode.KindStep, procedure.Progress{Procedure: "pulls", Step: "up", State: procedure.Counted, Count: 1, Of: 3, Duration: at(2.54),
		Figures: []procedure.Figure{{Signal: "output", Unit: "rpm", Band: []float64{100, 200}, Least: 101.5, Most: 199, Mean: 150}, {Signal: "pan", Unit: "°C", Least: -4, Most: -2, Mean: -3.5}}})
	x.event(90e9, decode.KindStep, procedure.Progress{Procedure: "pulls", Step: "up", State: procedure.Again, Count: 1, Of: 3, Why: "Too early."})
	x.event(99e9, decode.KindStep, procedure.Progress{Procedure: "pulls", Step: "stand", State: procedure.Counted, Count: 1, Of: 1, Duration: at(5)})
	x.event(165e9, decode.KindProcedure, procedure.Change{Procedure: "pulls", Title: "Pulls", State: procedure.Ended, Verdict: procedure.NotDone, Why: []string{"Too slow."},
		BeganAt: at(70), Duration: at(95), OilBegin: of(-4.26), OilEnd: of(61), Steps: []procedure.StepResult{{Step: "up", State: "not done", Count: 1, Of: 3, Spoiled: 2, Duration: 94.6e9, OilBegin: of(20), OilEnd: of(61.04),
			Figures: []procedure.Figure{{Signal: "output", Unit: "rpm", Band: []float64{100, 200}, Least: 101.5, Most: 199, Mean: 150}}}}})
	r := x.report()
	for name, want := range map[string]string{
		"Began at": "1:10", "Took": "95 s", "Because": "Too slow.", "Oil in the pan": "−4.3 °C at the beginning, 61.0 °C at the end", "Needed": "✓ Oil warm   ✕ Nobody behind",
	} {
		if got := facts(t, r)[name]; got != want {
			t.Errorf("%s: %q, want %q", name, got, want)
		}
	}
	shows(t, r,
		"upPull | not done | 1 of 3 | 95 s | 2 | output 101.5 to 199 rpm, mean 150 (band 100 to 200) | 20.0 to 61.0",
		"1:20 | up: 1 of 3, in 2.5 s; output 101.5 to 199 rpm, mean 150 (band 100 to 200); pan −4 to −2 °C, mean −3.5",
		"1:30 | up: not counted. Too early.",
	)
	for _, row := range rows(t, r) {
		if strings.Contains(row, "stand: 1 of 1") {
			t.Error("a step that counts once is told twice")
		}
	}
}
