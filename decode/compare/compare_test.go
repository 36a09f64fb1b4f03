package compare

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"iter"
	"math"
	"reflect"
	"strings"
	"testing"
	"time"

	"gearwitness/capture"
	"gearwitness/decode"
	"gearwitness/decode/drivetrain"
	"gearwitness/decode/pipeline"
	"gearwitness/decode/van"
	"gearwitness/signals"
)

// drive gathers the shifts of a drive of the virtual van.
func near(got, want, tolerance float64) bool { return math.Abs(got-want) <= tolerance }

func drive(t testing.TB, query map[string][]string) *Record {
	t.Helper()
	file, list := signals.Parse("van.yaml", signals.Van(), nil)
	if err := list.Err(); err != nil {
		t.Fatal(err)
	}
	return driveWith(t, file, query)
}

// driveWith reads the drive with another vehicle file than the van's.
func driveWith(t testing.TB, file *signals.File, query map[string][]string) *Record {
	t.Helper()
	c, steps := driveSteps(t, file, query)
	for out := range steps {
		c.Take(out)
	}
	return c.Finish()
}

// atOnce does the same, with everything in one step.
func atOnce(t testing.TB, query map[string][]string) *Record {
	t.Helper()
	var all decode.Output
	c, steps := newDrive(t, query)
	for out := range steps {
		all.Samples = append(all.Samples, out.Samples...)
		all.Events = append(all.Events, out.Events...)
	}
	c.Take(&all)
	return c.Finish()
}

// newDrive returns a collector and what the pipeline gives out of a drive, step
// by step.
func newDrive(t testing.TB, query map[string][]string) (*Collector, iter.Seq[*decode.Output]) {
	t.Helper()
	file, list := signals.Parse("van.yaml", signals.Van(), nil)
	if err := list.Err(); err != nil {
		t.Fatal(err)
	}
	return driveSteps(t, file, query)
}

func driveSteps(t testing.TB, file *signals.File, query map[string][]string) (*Collector, iter.Seq[*decode.Output]) {
	t.Helper()
	own, _ := signals.Parse("van.yaml", signals.Van(), nil)
	chain, err := pipeline.New(file, pipeline.Options{})
	if err != nil {
		t.Fatal(err)
	}
	o, err := van.ParseOptions(query)
	if err != nil {
		t.Fatal(err)
	}
	source, err := van.Open(t.Context(), o, own, nil)
	if err != nil {
		t.Fatal(err)
	}
	c, err := NewCollector(file, chain.Table())
	if err != nil {
		t.Fatal(err)
	}
	return c, func(yield func(*decode.Output) bool) {
		defer source.Close()
		var b capture.Batch
		var out decode.Output
		for {
			b.Reset()
			out.Reset()
			readErr := source.Next(t.Context(), &b)
			if err := chain.Push(&b, &out); err != nil {
				t.Fatal(err)
			}
			if errors.Is(readErr, io.EOF) {
				chain.Finish(&out)
			} else if readErr != nil {
				t.Fatal(readErr)
			}
			if !yield(&out) || readErr != nil {
				return
			}
		}
	}
}

// TestCollectorCurves checks what the definition of a shift says of its curve: 5
// % at the start, 95 % at the end, near 0 before and near 1 behind.
func TestCollectorCurves(t *testing.T) {
	r := drive(t, map[string][]string{"seed": {"3"}, "for": {"4m"}})
	if len(r.Gears) != 7 || r.Gears[0].Name != "1" || !near(r.Gears[0].Ratio, 4.11954, 0.00001) {
		t.Errorf("gears %v; want the seven of the van, the first with ratio 4.1195 (the train's published ratio)", r.Gears)
	}
	checked := 0
	for i := range r.Shifts {
		s := &r.Shifts[i]
		if s.Start == nil || s.End == nil || s.SlippedBefore {
			continue
		}
		checked++
		if p, ok := s.Curve.at(0); !ok || !near(p, 0.05, 0.02) {
			t.Errorf("%s-%s at %d: progress at its start is %.3f (%v); want 0.05", s.From, s.To, *s.Start, p, ok)
		}
		d := float64(*s.Duration) / 1e9
		if p, ok := s.Curve.at(d); !ok || !near(p, 0.95, 0.02) {
			t.Errorf("%s-%s at %d: progress at its end is %.3f (%v); want 0.95", s.From, s.To, *s.Start, p, ok)
		}
		if first, last := s.Curve[0], s.Curve[len(s.Curve)-1]; first.T > -0.28 || last.T < d+0.3 {
			t.Errorf("%s-%s at %d: the curve covers %.2f s to %.2f s; want 0.3 s before to 0.5 s after %.2f s", s.From, s.To, *s.Start, first.T, last.T, d)
		}
	}
	if checked < 20 {
		t.Errorf("%d shifts seen; want 20 for this test to mean anything", checked)
	}
	var a, b bytes.Buffer
	if err := r.WriteJSON(&a); err != nil {
		t.Fatal(err)
	}
	if err := atOnce(t, map[string][]string{"seed": {"3"}, "for": {"4m"}}).WriteJSON(&b); err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(a.Bytes(), b.Bytes()) {
		t.Error("the same drive in one step gives another shifts file than in many")
	}
	var back struct {
		Format int
		Gears  []Gear
		Shifts []struct {
			From, To string
			Start    float64 `json:"start_s"`
			Curve    [][2]float64
		}
	}
	if err := json.Unmarshal(a.Bytes(), &back); err != nil {
		t.Fatal(err)
	}
	if back.Format != Format || !reflect.DeepEqual(back.Gears, r.Gears) || len(back.Shifts) != len(r.Shifts) || len(back.Shifts[0].Curve) != len(r.Shifts[0].Curve) {
		t.Error("the shifts file does not hold what was gathered")
	}
}

// TestCurvesAreThinned checks that of many like shifts a bounded number keep
// their curves, spread evenly over the session, and all keep their figures.
func TestCurvesAreThinned(t *testing.T) {
	const shifts, every = 1000, capture.Stamp(10e9)
	c, _ := newDrive(t, map[string][]string{"for": {"1s"}})
	for i := range capture.Stamp(shifts) {
		start, end := decode.Seconds(i*every+every/2), decode.Seconds(i*every+every/2+500e6)
		var out decode.Output
		for at := capture.Stamp(start) - 400e6; at < capture.Stamp(end)+600e6; at += 10e6 {
			out.Samples = append(out.Samples, decode.Sample{Time: at, Signal: c.ratio, Value: 2, Status: decode.Valid})
		}
		e := drivetrain.ShiftEvent{From: "1", To: "2", Start: &start, End: &end, Direction: "up", Load: "power-on"}
		if i%10 == 0 { // the few that another set has keep all their curves
			e.From, e.To = "2", "3"
		}
		out.Events = append(out.Events, decode.Event{Kind: decode.KindShift, Fields: e})
		c.Take(&out)
	}
	r := c.Finish()
	if len(r.Shifts) != shifts {
		t.Fatalf("%d shifts kept; want all %d", len(r.Shifts), shifts)
	}
	with := map[string][]int{}
	for i := range r.Shifts {
		if s := &r.Shifts[i]; len(s.Curve) > 0 {
			with[s.From] = append(with[s.From], i)
		}
	}
	if n := len(with["2"]); n != shifts/10 {
		t.Errorf("%d of %d shifts 2-3 have a curve; want all", n, shifts/10)
	}
	// 900 shifts: every eighth.
	list := with["1"]
	if len(list) != 113 || list[0] > 1 {
		t.Fatalf("%d of 900 shifts 1-2 have a curve, at %v; want every eighth, from the first on", len(list), list)
	}
	for i := 1; i < len(list); i++ {
		if gap := list[i] - list[i-1]; gap < 8 || gap > 9 {
			t.Errorf("curves of shift %d and %d, none between; want them spread evenly", list[i-1], list[i])
		}
	}
}

// shifts makes n upshifts 2-3 with the given durations in milliseconds.
func shifts(pedal, oil, torque float64, ms ...float64) []Shift {
	var list []Shift
	for _, d := range ms {
		start, end, length := decode.Seconds(0), decode.Seconds(d*1e6), decode.Seconds(d*1e6)
		p, o, tq := pedal, oil, torque
		s := Shift{ShiftEvent: drivetrain.ShiftEvent{From: "2", To: "3", Direction: "up", Load: "power-on", Settled: true,
			Start: &start, End: &end, Duration: &length, Pedal: &p, OilTemperature: &o}, TorqueBefore: &tq}
		for k := -30; k <= 80; k++ {
			x := float64(k) / 100
			s.Curve = append(s.Curve, Point{x, min(max(0.05+0.9*x/(d/1000), 0), 1)})
		}
		list = append(list, s)
	}
	return list
}

// TestOverlay lays shifts of known straight curves over each other.
func TestOverlay(t *testing.T) {
	o := Compare(&Record{Shifts: shifts(30, 80, 100, 300, 400, 500)}, &Record{Shifts: shifts(30, 80, 100, 600)}).Overlays[0].Overlay
	if o.T[0] != -0.2 || math.Abs(o.T[len(o.T)-1]-0.9) > 1e-9 || o.Bands[0].N != 3 || o.Bands[1].N != 1 {
		t.Fatalf("times %g to %g, %d and %d curves; want -0.2 to 0.9 (the longest shift and 0.3 s), 3 and 1", o.T[0], o.T[len(o.T)-1], o.Bands[0].N, o.Bands[1].N)
	}
	for k, at := range o.T {
		if at == 0.2 {
			// By hand: 0.05 + 0.9 x 0.2/0.4 = 0.5; 0.2/0.6: 0.35. Quartiles of
			// 0.41, 0.5, 0.65 by type 7: 0.455 and 0.575.
			if m := *o.Bands[0].Median[k]; m != 0.5 {
				t.Errorf("median at 0.2 s is %g; want 0.5", m)
			}
			if l, h := *o.Bands[0].Low[k], *o.Bands[0].High[k]; l != 0.455 || h != 0.575 {
				t.Errorf("quartiles at 0.2 s are %g and %g; want 0.455 and 0.575", l, h)
			}
			if m := *o.Bands[1].Median[k]; m != 0.35 {
				t.Errorf("median of the second session at 0.2 s is %g; want 0.35", m)
			}
			return
		}
	}
	t.Error("no point at 0.2 s")
}

func TestPlus(t *testing.T) {
	for s, want := range map[string]string{"0.00 s": "0.00 s", "0 rpm": "0 rpm", "-0.020": "−0.020", "−0.02 s": "−0.02 s", "12 rpm": "+12 rpm", "-7 rpm": "−7 rpm"} {
		if got := plus(s); got != want {
			t.Errorf("%q with its sign is %q; want %q", s, got, want)
		}
	}
}

// TestTrace follows a clutch that wears over six sessions, given out of order,
// and the same with too few sessions.
func TestTrace(t *testing.T) {
	day := time.Date(2026, 3, 1, 9, 0, 0, 0, time.UTC)
	var list []Past
	for _, k := range []int{3, 0, 5, 1, 4, 2} {
		ms := 300 + 40*float64(k)
		list = append(list, Past{Name: fmt.Sprintf("session %d", k), Started: day.AddDate(0, k, 0), Record: Record{Shifts: shifts(30, 80, 100, ms, ms+5, ms+10)}})
	}
	list[0].Shifts = append(list[0].Shifts, shifts(80, 80, 300, 900)...) // other conditions: not counted
	h := Trace(list)
	if len(h.Sessions) != 6 || h.Sessions[0] != "session 0" || h.Sessions[5] != "session 5" {
		t.Errorf("sessions %v; want them in order of time", h.Sessions)
	}
	for _, g := range h.Groups {
		if g.Figure != "duration" {
			continue
		}
		if len(g.Points) != 6 || g.Points[3].N != 3 || !near(g.Points[3].Median, 0.425, 1e-9) {
			t.Errorf("points %+v; want six, the fourth of 3 shifts and 0.425 s", g.Points)
		}
		if g.Trend == nil || g.Trend.Tau != 1 || !near(g.Trend.PerSession, 0.04, 1e-9) || !near(g.Trend.P, 2.0/720, 1e-9) || !strings.Contains(g.Words, "rises by about 0.040 s a session") {
			t.Errorf("trend %+v, %q; want a rise of 0.04 s a session, P 2/6!", g.Trend, g.Words)
		}
	}
	if !strings.Contains(h.Summary[0], "2-3 power-on up: Duration") {
		t.Errorf("summary %q; want the rise told", h.Summary)
	}
	few := Trace(list[:3])
	for _, g := range few.Groups {
		if g.Trend != nil || !strings.Contains(g.Words, "too few sessions") {
			t.Errorf("three sessions: %+v; want too few to tell", g)
		}
	}
	if got := Trace(nil).Summary; len(got) != 1 {
		t.Errorf("no sessions: %q", got)
	}
}

// TestCollectorForgets feeds an hour of ratios and expects seconds to be kept.
func TestCollectorForgets(t *testing.T) {
	var table decode.Table
	ratio := table.Add(decode.Info{Name: drivetrain.SignalRatio, Origin: decode.FromAnalysis})
	c, err := NewCollector(&signals.File{}, &table)
	if err != nil {
		t.Fatal(err)
	}
	var out decode.Output
	for at := capture.Stamp(0); at < 3600e9; at += 10e6 {
		out.Reset()
		out.Samples = append(out.Samples, decode.Sample{Time: at, Signal: ratio, Value: 1})
		c.Take(&out)
	}
	if n := len(c.past); n < int(kept/10e6) || n > 8192 {
		t.Errorf("%d ratios kept; want the last %d s and little more", n, kept/1e9)
	}
}
