package drivetrain_test

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"io"
	"math"
	"sort"
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

// vanFile is the vehicle file of the demonstration.
func vanFile(t testing.TB) *signals.File {
	t.Helper()
	f, err := signals.Load("../../signals/van.yaml")
	if err != nil {
		t.Fatal(err)
	}
	return f
}

// drive is a drive of the virtual van: what the analysis found, and the truth.
type drive struct {
	table   *decode.Table
	samples []decode.Sample // of the analysis only
	events  []decode.Event
	truth   []truth
}

// truth is one line of the van's truth channel.
type truth struct {
	Time       float64            `json:"time_s"`
	Kind       string             `json:"kind"`
	Gear       string             `json:"gear"`
	Slip       map[string]float64 `json:"slip_rpm"`
	Input      float64            `json:"input_rpm"`
	Output     float64            `json:"output_rpm"`
	From       string             `json:"from"`
	To         string             `json:"to"`
	Start      float64            `json:"start_s"`
	End        float64            `json:"end_s"`
	Flare      float64            `json:"flare_rpm"`
	Commanded  float64            `json:"commanded_s"`
	Lockup     string             `json:"lockup"` // what is commanded
	LockupSlip float64            `json:"lockup_slip_rpm"`
	Asked      string             `json:"commanded"`
	Pedal      float64            `json:"pedal"`
}

// runVan drives the van and decodes it as any other recording. With told the truth
// is kept too.
func runVan(t testing.TB, f *signals.File, o van.Options, told *bytes.Buffer) *drive {
	t.Helper()
	return runVanAs(t, f, f, o, told)
}

// runVanAs drives the van and reads its frames with another vehicle file.
func runVanAs(t testing.TB, drives, f *signals.File, o van.Options, told *bytes.Buffer) *drive {
	t.Helper()
	if told != nil {
		o.Truth = told
	}
	ctx := context.Background()
	src, err := van.Open(ctx, o, drives, nil)
	if err != nil {
		t.Fatal(err)
	}
	p, err := pipeline.New(f, pipeline.Options{})
	if err != nil {
		t.Fatal(err)
	}
	d := &drive{table: p.Table()}
	var b capture.Batch
	var out decode.Output
	keep := func() {
		for _, s := range out.Samples {
			if d.table.Signals[s.Signal].Origin == decode.FromAnalysis {
				d.samples = append(d.samples, s)
			}
		}
		d.events = append(d.events, out.Events...)
		out.Reset()
	}
	for {
		b.Reset()
		err := src.Next(ctx, &b)
		if perr := p.Push(&b, &out); perr != nil {
			t.Fatal(perr)
		}
		keep()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	p.Finish(&out)
	keep()
	if err := src.Close(); err != nil {
		t.Fatal(err)
	}
	if told == nil {
		return d
	}
	lines := bufio.NewScanner(told)
	lines.Buffer(nil, 1<<20)
	for lines.Scan() {
		var x truth
		if err := json.Unmarshal(lines.Bytes(), &x); err != nil {
			t.Fatal(err)
		}
		d.truth = append(d.truth, x)
	}
	return d
}

// found is one shift the analysis reported.
type found struct {
	From, To                 string
	Start_s, End_s, Time_s   *float64
	Flare_rpm, Uncertainty_s float64
}

func (d *drive) shifts(t testing.TB) []found {
	var out []found
	for _, e := range d.events {
		if e.Kind != decode.KindShift {
			continue
		}
		b, err := json.Marshal(e)
		if err != nil {
			t.Fatal(err)
		}
		var s found
		if err := json.Unmarshal(b, &s); err != nil {
			t.Fatal(err)
		}
		out = append(out, s)
	}
	return out
}

// tally is the score of one or several drives.
type tally struct {
	steady, right, wrongGear int
	shifts, missed, extra    int
	start, end               []float64 // errors [ms]
	slips, slipsWrong        int
	slipsAbsent              int
	lost, lostTold           int // shifts that were asked for and never were one
}

func tick(s float64) int64 { return int64(math.Round(s * 100)) }

// compare scores a drive. A sample is steady where the true gear has not changed
// for half a second and will not for another.
func (c *tally) compare(t testing.TB, f *signals.File, name string, d *drive) {
	gear := make(map[int64]string)
	slip := make([]map[int64]float64, len(d.table.Signals))
	for _, s := range d.samples {
		n := int64(s.Time) / 10e6
		info := &d.table.Signals[s.Signal]
		switch {
		case s.Status != decode.Valid:
		case info.Name == "gear":
			gear[n] = d.table.Text(s)
		case strings.HasPrefix(info.Name, "slip."):
			if slip[s.Signal] == nil {
				slip[s.Signal] = make(map[int64]float64)
			}
			slip[s.Signal][n] = s.Value
		}
	}
	var states []truth
	var shifts []truth
	lost := 0
	for _, x := range d.truth {
		switch x.Kind {
		case "state":
			states = append(states, x)
		case "shift":
			shifts = append(shifts, x)
		case "lost_shift":
			lost++
		}
	}
	const margin = 50
	changed := -margin // index of the last change
	next := 0
	shown := 0
	for i, x := range states {
		if i > 0 && x.Gear != states[i-1].Gear {
			changed = i
		}
		for next < len(states) && (next <= i || states[next].Gear == states[next-1].Gear) {
			next++
		}
		n := tick(x.Time)
		if i-changed >= margin && next-i > margin && i+margin < len(states) {
			c.steady++
			switch g := gear[n]; {
			case g == x.Gear, x.Gear == "between" && within(f, x, g):
				c.right++
			default:
				if g != "between" && g != "" {
					c.wrongGear++
				}
				if shown++; shown <= 3 {
					t.Logf("%s: gear at %.2f s is %q, truth %q (input %.0f, output %.0f)", name, x.Time, g, x.Gear, x.Input, x.Output)
				}
			}
		}
		for e, want := range x.Slip {
			k := d.table.Index("slip." + e)
			got, ok := slip[k][n]
			if !ok {
				c.slipsAbsent++
				continue
			}
			c.slips++
			if math.Abs(got-want) > max(10, 0.01*math.Abs(want)) {
				if c.slipsWrong++; c.slipsWrong%1000 == 1 {
					t.Logf("%s: slip of %s at %.2f s is %.1f, truth %.1f, gear %q", name, e, x.Time, got, want, x.Gear)
				}
			}
		}
	}
	told := 0
	for _, e := range d.events {
		if e.Kind == drivetrain.KindMissed {
			told++
		}
	}
	c.lost, c.lostTold = c.lost+lost, c.lostTold+told
	seen := d.shifts(t)
	used := make([]bool, len(seen))
	for _, x := range shifts {
		c.shifts++
		best := -1
		for i, s := range seen {
			if s.From == x.From && s.To == x.To && s.End_s != nil && math.Abs(*s.End_s-x.End) < 1 && (best < 0 || math.Abs(*s.End_s-x.End) < math.Abs(*seen[best].End_s-x.End)) {
				best = i
			}
		}
		if best < 0 || seen[best].Start_s == nil {
			c.missed++
			t.Logf("%s: shift %s-%s at %.3f..%.3f s not found", name, x.From, x.To, x.Start, x.End)
			continue
		}
		used[best] = true
		ds, de := 1000*(*seen[best].Start_s-x.Start), 1000*(*seen[best].End_s-x.End)
		if math.Abs(ds) > 20 || math.Abs(de) > 20 {
			t.Logf("%s: shift %s-%s at %.3f..%.3f s: start %+.1f ms, end %+.1f ms", name, x.From, x.To, x.Start, x.End, ds, de)
		}
		c.start, c.end = append(c.start, math.Abs(ds)), append(c.end, math.Abs(de))
	}
	for i, s := range seen {
		if !used[i] {
			c.extra++
			t.Logf("%s: shift %s-%s at %.3f s is not in the truth", name, s.From, s.To, *s.Time_s)
		}
	}
}

// steady calls each for the samples from a time on at which the true gear has not
// changed for half a second and will not for another.
func (d *drive) steady(from float64, each func(at float64, truth, shown string)) {
	gear := d.table.Index("gear")
	shown := make(map[int64]string)
	for _, s := range d.samples {
		if s.Signal == gear && s.Status == decode.Valid {
			shown[int64(s.Time)/10e6] = d.table.Text(s)
		}
	}
	var states []truth
	for _, x := range d.truth {
		if x.Kind == "state" {
			states = append(states, x)
		}
	}
	const margin = 50
	run := 0 // samples of one gear up to here
	for i := range states {
		if i > 0 && states[i].Gear != states[i-1].Gear {
			run = 0
		}
		if run++; run <= 2*margin || states[i].Gear == "between" {
			continue
		}
		if x := states[i-margin]; x.Time >= from {
			each(x.Time, x.Gear, shown[tick(x.Time)])
		}
	}
}

// within tells that the truth's slips are within what the analysis is asked to
// count as engaged, max(30 rpm, 2 % of input), though not exactly none.
func within(f *signals.File, x truth, gear string) bool {
	g := f.Transmission.Gears.Index(gear)
	if g < 0 {
		return false
	}
	for _, e := range f.Transmission.Gears[g].V.Holds {
		if math.Abs(x.Slip[e]) > max(30, 0.02*x.Input) {
			return false
		}
	}
	return true
}

func worst(v []float64) (worst, median float64) {
	if len(v) == 0 {
		return
	}
	s := append([]float64(nil), v...)
	sort.Float64s(s)
	return s[len(s)-1], s[len(s)/2]
}

// What the analysis finds against what really happened, over more than 200
// shifts, with every sensor sound, with drop-outs of each, and with elements
// that slip or come late.
func TestAgainstTruth(t *testing.T) {
	f := vanFile(t)
	var all tally
	drives := []struct{ drive, fault string }{
		{"varied", ""},
		{"shifts", ""},
		{"shifts", "reduced-carrier-speed-drops-out"},
		{"shifts", "drum-speed-drops-out"},
		{"shifts", "output-speed-drops-out"},
		{"shifts", "drum-speed-missing"},
		{"town", "reduced-carrier-speed-missing"},
		{"varied", "output-speed-missing"},
		{"shifts", "drum-brake-fills-late"},
		{"shifts", "odd-gears-clutch-slips"},
		{"varied", "high-gears-clutch-slips"},
		{"varied", "low-gears-clutch-slips@30s"},
	}
	length, least := 150*time.Second, 200
	if raceDetector {
		drives, length, least = drives[1:3], 90*time.Second, 20
	}
	for i, c := range drives {
		o := van.DefaultOptions()
		o.Drive, o.For, o.Seed = c.drive, length, uint64(11+i)
		if c.fault != "" {
			in, err := van.ParseFault(c.fault)
			if err != nil {
				t.Fatal(err)
			}
			o.Faults = append(o.Faults, in)
		}
		var one tally
		name := strings.TrimSpace(c.drive + " " + c.fault)
		one.compare(t, f, name, runVan(t, f, o, new(bytes.Buffer)))
		ws, ms := worst(one.start)
		we, me := worst(one.end)
		t.Logf("%s: gear %d/%d, shifts %d, start worst %.1f median %.1f ms, end worst %.1f median %.1f ms, slips off %d of %d, absent %d",
			name, one.right, one.steady, one.shifts, ws, ms, we, me, one.slipsWrong, one.slips, one.slipsAbsent)
		if part := float64(one.right) / float64(one.steady); part < 0.995 || one.wrongGear > 0 {
			t.Errorf("%s: gear right in %.2f %% of %d steady samples, expected 99.5 %%; another gear claimed in %d", name, 100*part, one.steady, one.wrongGear)
		}
		if ws > 20 || we > 20 {
			t.Errorf("%s: shift times off by up to %.1f and %.1f ms, expected 20", name, ws, we)
		}
		if one.missed > 0 || one.extra > 0 || one.lost != one.lostTold {
			t.Errorf("%s: %d shifts missed, %d too many; %d lost ones told, expected %d", name, one.missed, one.extra, one.lostTold, one.lost)
		}
		// Where an element catches, speeds change by more than 10 rpm in the
		// millisecond between the sensor and the end of its message.
		if part := float64(one.slipsWrong) / float64(one.slips); part > 0.005 {
			t.Errorf("%s: %.2f %% of slips more than 1 %% and 10 rpm off, expected 0.5 %%", name, 100*part)
		}
		all.shifts += one.shifts
		all.start, all.end = append(all.start, one.start...), append(all.end, one.end...)
	}
	ws, ms := worst(all.start)
	we, me := worst(all.end)
	t.Logf("%d shifts: start worst %.1f median %.1f ms, end worst %.1f median %.1f ms", all.shifts, ws, ms, we, me)
	if all.shifts < least {
		t.Errorf("only %d shifts, expected %d", all.shifts, least)
	}
}

// A file with plain ratios and neither input speed nor train: the gear is told where
// the converter is locked and never wrong, and nothing is made of what was not seen.
func TestNeitherInputNorTrain(t *testing.T) {
	f := *vanFile(t)
	tr := *f.Transmission
	tr.Train, tr.Elements, tr.Gears, tr.Switches, tr.Solenoids = nil, nil, nil, nil, nil
	for _, g := range []struct {
		name  string
		ratio float64
	}{{"1", 4.1195}, {"2", 2.2657}, {"3", 1.4713}, {"4", 1.1292}, {"5", 0.8793}, {"6", 0.7}, {"R", -3.433}} {
		tr.Ratios = append(tr.Ratios, signals.Entry[float64]{Name: g.name, V: g.ratio})
	}
	f.Transmission = &tr
	for _, lockup := range []string{tr.Roles.Lockup, ""} {
		tr.Roles.Lockup = lockup
		o := van.DefaultOptions()
		o.Drive, o.For, o.Seed = "varied", 300*time.Second, 3
		d := runVanAs(t, vanFile(t), &f, o, new(bytes.Buffer))
		right, steady := 0, 0
		d.steady(0, func(at float64, truth, shown string) {
			switch steady++; shown {
			case truth:
				right++
			case "", "between":
			default:
				t.Errorf("lock-up %q: gear %s at %.2f s, truth %s", lockup, shown, at, truth)
			}
		})
		if right < steady*3/4 {
			t.Errorf("lock-up %q: gear told in %d of %d steady samples, expected three quarters", lockup, right, steady)
		}
		for _, e := range d.events {
			if e.Kind == drivetrain.KindMissed || e.Kind == drivetrain.KindSuspect {
				t.Errorf("lock-up %q: %s at %v: %+v", lockup, e.Kind, e.Time, e.Fields)
			}
		}
	}
}

// When the converter clutch took hold and let go, against the van's own slip of it;
// and how hot a stall made the oil at the converter's outlet.
func TestLockupTimes(t *testing.T) {
	f := vanFile(t)
	o := van.DefaultOptions()
	o.Drive, o.For, o.Seed = "hills", 150*time.Second, 3
	d := runVan(t, f, o, new(bytes.Buffer))
	var states []truth
	for _, x := range d.truth {
		if x.Kind == "state" {
			states = append(states, x)
		}
	}
	locked, opened := 0, 0
	for _, e := range d.events {
		c, ok := e.Fields.(drivetrain.ConverterEvent)
		if !ok || c.Took == nil {
			continue
		}
		asked := float64(*c.Command) / 1e9
		i := sort.Search(len(states), func(i int) bool { return states[i].Time >= asked })
		if was, is := states[max(0, i-10)].Lockup, states[min(i+10, len(states)-1)].Lockup; (was == "open") != (c.State == "locked") || (is == "open") != (c.State == "open") {
			t.Errorf("%s at %.2f s: asked for at %.2f s; the van commanded %s before and %s after", c.State, float64(e.Time)/1e9, asked, was, is)
		}
		for i < len(states) && (math.Abs(states[i].LockupSlip) <= 30) != (c.State == "locked") {
			i++
		}
		want := states[min(i, len(states)-1)].Time - asked
		if took := float64(*c.Took) / 1e9; math.Abs(took-want) > 0.15 {
			t.Errorf("%s at %.2f s took %.2f s, truth %.2f s", c.State, float64(e.Time)/1e9, took, want)
		}
		if c.State == "locked" {
			locked++
		} else {
			opened++
		}
	}
	if locked < 2 || opened < 2 {
		t.Errorf("times of %d locks and %d releases, expected 2 of each", locked, opened)
	}

	o.Drive, o.For = "stall", 20*time.Second
	stalls := 0
	for _, e := range runVan(t, f, o, nil).events {
		if s, ok := e.Fields.(drivetrain.StallEvent); ok {
			stalls++
			if s.OutletAfter == nil || *s.OutletAfter-*s.OutletBefore < 10 || *s.OilAfter-*s.OilBefore > 2 {
				t.Errorf("oil in a stall: %+v; the outlet heats by 10 K and more, the pan hardly", s)
			}
		}
	}
	if stalls != 1 {
		t.Errorf("%d stalls, expected 1", stalls)
	}
}

// How far the acceleration falls in the torque phase of an upshift under power, against
// the van's own output speed; a tyre of 0.345 m behind an axle of 3.90.
func TestTorquePhase(t *testing.T) {
	o := van.DefaultOptions()
	o.Drive, o.For, o.Seed = "varied", 50*time.Second, 3
	d := runVan(t, vanFile(t), o, new(bytes.Buffer))
	output := make(map[int64]float64)
	for _, x := range d.truth {
		if x.Kind == "state" {
			output[tick(x.Time)] = x.Output
		}
	}
	// rate is the slope up to a time over a window [rpm/s].
	rate := func(at, window float64) float64 { return (output[tick(at)] - output[tick(at-window)]) / window }
	told := 0
	for _, e := range d.events {
		s, ok := e.Fields.(drivetrain.ShiftEvent)
		if !ok || s.Direction != "up" || s.Load != "power-on" || s.Start == nil || s.TorqueDip == nil || s.Pedal == nil || *s.Pedal < 20 {
			continue
		}
		start := float64(*s.Start) / 1e9
		before, least := rate(start-0.4, 0.3), math.Inf(1)
		for at := start - 0.4; at < start+0.06; at += 0.01 {
			least = min(least, rate(at, 0.08))
		}
		// Uneven teeth move a slope over 80 ms by some 0.06 m/s2; the least of many by more.
		want := (before - least) * 2 * math.Pi / 60 * 0.345 / 3.90
		if math.Abs(*s.TorqueDip-want) > 0.2+0.15*want {
			t.Errorf("%s-%s: acceleration falls by %.2f m/s2, truth %.2f", s.From, s.To, *s.TorqueDip, want)
		}
		told++
	}
	if told < 3 {
		t.Errorf("%d upshifts told of their torque phase, expected 3", told)
	}
}
