package report

import (
	"cmp"
	"slices"
	"strings"
	"testing"
	"time"

	"gearwitness/capture"
	"gearwitness/capture/archive"
	"gearwitness/decode"
	"gearwitness/decode/alarm"
	"gearwitness/decode/drivetrain"
	"gearwitness/decode/pipeline"
	"gearwitness/signals"
)

// bench is a vehicle whose figures these tests put in by hand: plain ratios, a flare
// limit of 100 rpm and one alarm of each level.
const bench = `
format: 1
vehicle: {title: Bench}
buses: {powertrain: {bitrate: 500 kbit/s}}
frames:
  speeds:
    id: 0x100
    every: 10 ms
    signals:
      engine: {start: 1.1, bits: 16, unit: rpm}
      input: {start: 3.1, bits: 16, unit: rpm}
      output: {start: 5.1, bits: 16, unit: rpm}
      lock: {start: 7.1, bits: 2, states: {0: open, 1: applied}}
      lever: {start: 7.3, bits: 2, states: {0: P, 1: R, 2: N, 3: D}}
      speed: {start: 8.1, bits: 8, unit: km/h}
  oil:
    id: 0x101
    every: 100 ms
    signals:
      pan: {start: 1.1, bits: 8, offset: -40, unit: °C}
      outlet: {start: 2.1, bits: 8, offset: -40, unit: °C}
      coolant: {start: 3.1, bits: 8, offset: -40, unit: °C}
      torque: {start: 4.1, bits: 16, unit: N·m}
transmission:
  roles: {engine_speed: engine, input_speed: input, output_speed: output, lockup: lock, lever: lever, vehicle_speed: speed, oil_pan: pan, oil_outlet: outlet, coolant: coolant, engine_torque: torque}
  ratios: {"1": 4, "2": 2, "3": 1, R: -3}
  limits: {flare: 100 rpm}
alarms:
  warm: {when: pan > 90, level: note, say: Warm.}
  hotter: {when: pan > 100, for: 10 s, level: caution, say: Hot.}
  hottest: {when: pan > 110, for: 2 min, level: stop, say: Stop.}
`

// figures are a drive of the bench: samples and events, as the chain would give them.
type figures struct {
	t        *testing.T
	file     *signals.File
	table    *decode.Table
	out      decode.Output
	counters decode.Counters
	papers   Papers
}

// newFigures reads the bench with some of its text replaced.
func newFigures(t *testing.T, replace ...string) *figures {
	t.Helper()
	f, list := signals.Parse("bench.yaml", []byte(strings.NewReplacer(replace...).Replace(bench)), nil)
	if err := list.Err(); err != nil {
		t.Fatal(err)
	}
	chain, err := pipeline.New(f, pipeline.Options{})
	if err != nil {
		t.Fatal(err)
	}
	return &figures{t: t, file: f, table: chain.Table()}
}

func (x *figures) sample(at capture.Stamp, name string, v float64) {
	x.t.Helper()
	i := x.table.Index(name)
	if i < 0 {
		x.t.Fatalf("no signal %s", name)
	}
	x.out.Samples = append(x.out.Samples, decode.Sample{Time: at, Signal: i, Value: v})
}

func (x *figures) event(at capture.Stamp, kind string, fields any) {
	x.out.Events = append(x.out.Events, decode.Event{Time: at, Kind: kind, Fields: fields})
}

// inGear puts in n ticks of a gear, each with a ratio.
func (x *figures) inGear(gear string, ratios ...float64) {
	x.t.Helper()
	states := x.table.Signals[x.table.Index(drivetrain.SignalGear)].States
	k := states.Index(gear)
	if k < 0 {
		x.t.Fatalf("no gear %s", gear)
	}
	for _, r := range ratios {
		at := capture.Stamp(len(x.out.Samples)) * drivetrain.Tick
		x.sample(at, drivetrain.SignalGear, float64(states[k].V))
		x.sample(at, drivetrain.SignalRatio, r)
	}
}

func (x *figures) report() *Report {
	x.t.Helper()
	b, err := NewBuilder(x.file, x.table)
	if err != nil {
		x.t.Fatal(err)
	}
	b.Take(&x.out)
	return b.Finish(x.counters, x.papers)
}

// is fails unless the report has this line of the result.
func is(t *testing.T, r *Report, want Check) {
	t.Helper()
	if got := check(t, r, want.Name); got != want {
		t.Errorf("got  %+v\nwant %+v", got, want)
	}
}

// absent fails if the report has a line of this name.
func absent(t *testing.T, r *Report, name string) {
	t.Helper()
	for _, c := range r.Checks() {
		if c.Name == name {
			t.Errorf("nothing was there to judge, and yet: %+v", c)
		}
	}
}

func at(s float64) *decode.Seconds { d := decode.Seconds(s * 1e9); return &d }
func of(v float64) *float64        { return &v }

// A ratio may be 3 % off either way (common practice, no source), which is judged
// after 3 s, by the middle one: half of the ticks lie at or below it.
func TestJudgesRatios(t *testing.T) {
	for name, c := range map[string]struct {
		gear     string
		ratios   []float64
		measured string
		limit    string
		want     Verdict
	}{
		"as computed":        {"1", slices.Repeat([]float64{4}, 300), "4.000 (0.00 %), 3 s", "4.000 ± 3 %", Within},
		"just within, above": {"2", slices.Repeat([]float64{2.0598}, 300), "2.060 (+2.99 %), 3 s", "2.000 ± 3 %", Within},
		"at the limit above": {"2", slices.Repeat([]float64{2.06}, 300), "2.060 (+3.00 %), 3 s", "2.000 ± 3 %", Within},
		"beyond it above":    {"2", slices.Repeat([]float64{2.0602}, 300), "2.060 (+3.01 %), 3 s", "2.000 ± 3 %", Beyond},
		"just within, below": {"2", slices.Repeat([]float64{1.9402}, 300), "1.940 (−2.99 %), 3 s", "2.000 ± 3 %", Within},
		"at the limit below": {"2", slices.Repeat([]float64{1.94}, 300), "1.940 (−3.00 %), 3 s", "2.000 ± 3 %", Within},
		"beyond it below":    {"2", slices.Repeat([]float64{1.9398}, 300), "1.940 (−3.01 %), 3 s", "2.000 ± 3 %", Beyond},
		"far above":          {"2", slices.Repeat([]float64{2.5}, 300), "2.100 (+5.00 %), 3 s", "2.000 ± 3 %", Beyond}, // counted up to 5 %
		"far below":          {"2", slices.Repeat([]float64{1.5}, 300), "1.900 (−5.00 %), 3 s", "2.000 ± 3 %", Beyond},
		"reverse too high":   {"R", slices.Repeat([]float64{-3.12}, 400), "3.120 (+4.00 %), 4 s", "3.000 ± 3 %", Beyond},
		"too short":          {"3", slices.Repeat([]float64{1.2}, 299), "3 s only", "1.000 ± 3 %", NotTested}, // 2.99 s, to two figures
		"half off":           {"3", append(slices.Repeat([]float64{1}, 150), slices.Repeat([]float64{1.04}, 150)...), "1.000 (0.00 %), 3 s", "1.000 ± 3 %", Within},
		"more than half off": {"3", append(slices.Repeat([]float64{1}, 149), slices.Repeat([]float64{1.04}, 151)...), "1.040 (+4.00 %), 3 s", "1.000 ± 3 %", Beyond},
		"rounded":            {"3", slices.Repeat([]float64{1.00004}, 1234), "1.000 (0.00 %), 12 s", "1.000 ± 3 %", Within},
		"rounded up":         {"3", slices.Repeat([]float64{1.00006}, 1250), "1.000 (+0.01 %), 12 s", "1.000 ± 3 %", Within}, // 12.5 s, to the even second
	} {
		t.Run(name, func(t *testing.T) {
			x := newFigures(t)
			x.inGear(c.gear, c.ratios...)
			r := x.report()
			is(t, r, Check{Name: "Ratio of gear " + c.gear, Measured: c.measured, Limit: c.limit, Source: "common practice", Verdict: c.want})
			other := map[string]string{"1": "2", "2": "3", "3": "1", "R": "1"}[c.gear]
			if got := check(t, r, "Ratio of gear "+other); got.Measured != "not driven" || got.Verdict != NotTested {
				t.Errorf("%+v; want it not driven", got)
			}
		})
	}
}

// Between gears and while the gear is not known, the ratio is nobody's.
func TestRatioOfNoGear(t *testing.T) {
	x := newFigures(t)
	x.inGear("2", slices.Repeat([]float64{2}, 300)...)
	x.inGear("between", slices.Repeat([]float64{3}, 5000)...)
	x.inGear("standing", slices.Repeat([]float64{3}, 5000)...)
	gear := x.table.Index(drivetrain.SignalGear)
	for i := range 5000 {
		at := capture.Stamp(len(x.out.Samples)) * drivetrain.Tick
		x.out.Samples = append(x.out.Samples, decode.Sample{Time: at, Signal: gear, Status: decode.NotAvailable, Value: x.out.Samples[0].Value})
		x.sample(at, drivetrain.SignalRatio, 3+float64(i))
	}
	is(t, x.report(), Check{Name: "Ratio of gear 2", Measured: "2.000 (0.00 %), 3 s", Limit: "2.000 ± 3 %", Source: "common practice", Verdict: Within})
}

// up is a sound upshift, changed by the test.
func up(from, to string, start float64, change func(*drivetrain.ShiftEvent)) drivetrain.ShiftEvent {
	s := drivetrain.ShiftEvent{From: from, To: to, Start: at(start), End: at(start + 0.5), Duration: at(0.5), Direction: "up", Command: at(start - 0.2), Delay: at(0.2), Settled: true, Held: true}
	if change != nil {
		change(&s)
	}
	return s
}

// Each thing that can be wrong with a shift counts on its line and on no other.
func TestJudgesShifts(t *testing.T) {
	type event struct {
		at     float64
		kind   string
		fields any
	}
	shift := func(start float64, change func(*drivetrain.ShiftEvent)) event {
		return event{start, decode.KindShift, up("1", "2", start, change)}
	}
	flare := func(rpm float64) func(*drivetrain.ShiftEvent) {
		return func(s *drivetrain.ShiftEvent) { s.Flare = &rpm }
	}
	missed := event{5, drivetrain.KindMissed, drivetrain.MissedEvent{From: "1", To: "2", Command: at(5)}}
	came := event{6, drivetrain.KindMissed, drivetrain.MissedEvent{From: "2", To: "3", Command: at(6), Came: at(8)}}
	unasked := event{7, drivetrain.KindUncommanded, up("2", "3", 7, func(s *drivetrain.ShiftEvent) { s.Uncommanded, s.Command, s.Delay = true, nil, nil })}

	const comes, uncommanded, reaches, flares, dips = "Every commanded shift comes", "No shift without a command", "Every shift reaches its gear and stays", "Flare of upshifts", "Dip of acceleration in shifts"
	ours := func(name, measured string, v Verdict) Check {
		return Check{Name: name, Measured: measured, Limit: "0", Source: "self-evident", Verdict: v}
	}
	ofFlare := func(measured string, v Verdict) Check {
		return Check{Name: flares, Measured: measured, Limit: "100 rpm", Source: "vehicle file", Verdict: v}
	}
	for name, c := range map[string]struct {
		events []event
		want   []Check
		absent []string
	}{
		"none": {nil, []Check{{Name: "Shifts", Measured: "none", Verdict: NotTested}}, []string{comes, uncommanded, reaches, flares, dips}},
		"sound": {[]event{shift(1, nil), shift(2, nil)}, []Check{
			ours(comes, "0 of 2 did not come as a shift", Within), ours(uncommanded, "0 of 2", Within), ours(reaches, "0 of 2 did not", Within),
		}, []string{"Shifts", flares, dips}},
		"one did not come": {[]event{shift(1, nil), missed}, []Check{
			ours(comes, "1 of 2 did not come as a shift", Beyond), ours(uncommanded, "0 of 1", Within), ours(reaches, "0 of 1 did not", Within),
		}, nil},
		"one came late": {[]event{shift(1, nil), shift(2, nil), came}, []Check{ours(comes, "1 of 3 did not come as a shift", Beyond), ours(uncommanded, "0 of 2", Within)}, nil},
		"none came":     {[]event{missed, came}, []Check{ours(comes, "2 of 2 did not come as a shift", Beyond), ours(uncommanded, "0 of 0", Within)}, []string{"Shifts", reaches}},
		"one unasked for": {[]event{shift(1, nil), unasked}, []Check{
			ours(comes, "0 of 1 did not come as a shift", Within), ours(uncommanded, "1 of 2", Beyond),
		}, nil},
		"a shift that nobody asked for": {[]event{shift(1, nil), shift(2, func(s *drivetrain.ShiftEvent) { s.Uncommanded, s.Command = true, nil })}, []Check{
			ours(comes, "0 of 2 did not come as a shift", Within), ours(uncommanded, "1 of 2", Beyond),
		}, nil},
		"commands not known": {[]event{shift(1, func(s *drivetrain.ShiftEvent) { s.Command, s.Delay = nil, nil })}, []Check{
			ours(reaches, "0 of 1 did not", Within),
		}, []string{comes, uncommanded}},
		"did not stay": {[]event{shift(1, func(s *drivetrain.ShiftEvent) { s.Settled = false }), shift(2, nil)}, []Check{ours(reaches, "1 of 2 did not", Beyond), ours(comes, "0 of 2 did not come as a shift", Within)}, nil},
		"did not hold": {[]event{shift(1, func(s *drivetrain.ShiftEvent) { s.Held = false }), shift(2, nil)}, []Check{ours(reaches, "1 of 2 did not", Beyond)}, nil},

		"flare just within": {[]event{shift(1, flare(12)), shift(65, flare(99.4)), shift(70, nil)}, []Check{ofFlare("up to 99 rpm (1-2 at 1:05)", Within)}, nil},
		"flare at":          {[]event{shift(1, flare(100)), shift(65, flare(99.4))}, []Check{ofFlare("up to 100 rpm (1-2 at 0:01)", Within)}, nil},
		"flare just beyond": {[]event{shift(1, flare(100.02))}, []Check{ofFlare("up to 100.02 rpm (1-2 at 0:01)", Beyond)}, nil}, // 100 would read as within
		"flare beyond":      {[]event{shift(1, flare(100.6))}, []Check{ofFlare("up to 101 rpm (1-2 at 0:01)", Beyond)}, nil},
		"flare below none":  {[]event{shift(1, flare(-3.4))}, []Check{ofFlare("up to -3 rpm (1-2 at 0:01)", Within)}, nil},
		"dip": {[]event{shift(1, func(s *drivetrain.ShiftEvent) { s.BindUp = of(0.344) }), shift(3725, func(s *drivetrain.ShiftEvent) { s.BindUp = of(1.236) }), shift(3730, func(s *drivetrain.ShiftEvent) { s.BindUp = of(0.1) })},
			[]Check{{Name: dips, Measured: "up to 1.24 m/s² (1-2 at 1:02:05)", Verdict: Info}}, []string{flares}},
	} {
		t.Run(name, func(t *testing.T) {
			x := newFigures(t)
			x.sample(0, "speed", 0)
			for _, e := range c.events {
				x.event(capture.Stamp(e.at*1e9), e.kind, e.fields)
			}
			r := x.report()
			for _, want := range c.want {
				is(t, r, want)
			}
			for _, name := range c.absent {
				absent(t, r, name)
			}
		})
	}
}

// Without a word in the vehicle file a flare may be 150 rpm (common practice, no source).
func TestUsualFlare(t *testing.T) {
	for rpm, want := range map[float64]Check{
		149: {Measured: "up to 149 rpm (1-2 at 0:00)", Verdict: Within},
		150: {Measured: "up to 150 rpm (1-2 at 0:00)", Verdict: Within},
		151: {Measured: "up to 151 rpm (1-2 at 0:00)", Verdict: Beyond},
	} {
		x := newFigures(t, "  limits: {flare: 100 rpm}\n", "")
		x.event(0, decode.KindShift, up("1", "2", 0, func(s *drivetrain.ShiftEvent) { s.Flare = &rpm }))
		want.Name, want.Limit, want.Source = "Flare of upshifts", "150 rpm", "common practice"
		is(t, x.report(), want)
	}
}

// An engagement may take 1.5 s (common practice, no source); one that failed is beyond
// whatever the others took.
func TestJudgesEngagements(t *testing.T) {
	took := func(s float64) drivetrain.EngagementEvent {
		return drivetrain.EngagementEvent{From: "N", To: "D", Start: at(10), End: at(10 + s), Duration: at(s), Engaged: true}
	}
	back := took(0.7)
	back.To = "R"
	failed := drivetrain.EngagementEvent{From: "P", To: "R", Start: at(20)}
	unsure := drivetrain.EngagementEvent{From: "P", To: "D", Start: at(20), Engaged: true}
	for name, c := range map[string]struct {
		list     []drivetrain.EngagementEvent
		measured string
		want     Verdict
	}{
		"none":                 {nil, "none", NotTested},
		"just within":          {[]drivetrain.EngagementEvent{took(1.494), back}, "2, the longest 1.49 s (N to D)", Within},
		"at the limit":         {[]drivetrain.EngagementEvent{back, took(1.5)}, "2, the longest 1.50 s (N to D)", Within},
		"just beyond":          {[]drivetrain.EngagementEvent{took(1.501)}, "1, the longest 1.501 s (N to D)", Beyond},
		"beyond":               {[]drivetrain.EngagementEvent{took(1.51), back}, "2, the longest 1.51 s (N to D)", Beyond},
		"one failed":           {[]drivetrain.EngagementEvent{back, failed, took(0.4)}, "3, the longest 0.70 s (N to R); 1 did not engage", Beyond},
		"one without an end":   {[]drivetrain.EngagementEvent{back, unsure}, "2, the longest 0.70 s (N to R); 1 did not engage", Beyond},
		"all failed":           {[]drivetrain.EngagementEvent{failed, failed}, "2; 2 did not engage", Beyond},
		"engaged at once":      {[]drivetrain.EngagementEvent{took(0)}, "1, the longest 0.00 s (N to D)", Within},
		"the first of equals":  {[]drivetrain.EngagementEvent{took(0.7), back}, "2, the longest 0.70 s (N to D)", Within},
		"longest in the midst": {[]drivetrain.EngagementEvent{took(0.3), back, took(0.4)}, "3, the longest 0.70 s (N to R)", Within},
	} {
		t.Run(name, func(t *testing.T) {
			x := newFigures(t)
			for _, e := range c.list {
				x.event(capture.Stamp(*cmp.Or(e.End, e.Start)), decode.KindEngagement, e)
			}
			is(t, x.report(), Check{Name: "Engagement from standstill", Measured: c.measured, Limit: "1.5 s", Source: "common practice", Verdict: c.want})
		})
	}
	x := newFigures(t, "lever: lever, ", "")
	absent(t, x.report(), "Engagement from standstill")
}

// The converter clutch is held to what it is told: letting go while commanded to hold
// is beyond, letting go when told is not.
func TestJudgesConverter(t *testing.T) {
	const holds, shudders = "Converter clutch holds while commanded", "Converter clutch does not shudder"
	locked := func(x *figures, s float64) {
		x.event(capture.Stamp(s*1e9), decode.KindConverter, drivetrain.ConverterEvent{State: "locked", Commanded: "applied"})
	}
	opened := func(x *figures, s float64, commanded string) {
		x.event(capture.Stamp(s*1e9), decode.KindConverter, drivetrain.ConverterEvent{State: "open", Commanded: commanded})
	}
	for name, c := range map[string]struct {
		events func(x *figures)
		want   Check
	}{
		"never locked":       {func(x *figures) { opened(x, 5, "open") }, Check{Measured: "never locked", Limit: "lets go 0 times", Source: "self-evident", Verdict: NotTested}},
		"let go when told":   {func(x *figures) { locked(x, 10); opened(x, 17, "open") }, Check{Measured: "locked once, 7 s in all; let go never", Limit: "lets go 0 times", Source: "self-evident", Verdict: Within}},
		"held to the end":    {func(x *figures) { locked(x, 10); opened(x, 30, "open"); locked(x, 60) }, Check{Measured: "locked twice, 60 s in all; let go never", Limit: "lets go 0 times", Source: "self-evident", Verdict: Within}},
		"let go though told": {func(x *figures) { locked(x, 10); opened(x, 17, "applied") }, Check{Measured: "locked once, 7 s in all; let go once", Limit: "lets go 0 times", Source: "self-evident", Verdict: Beyond}},
		"open told twice":    {func(x *figures) { locked(x, 10); opened(x, 17, "open"); opened(x, 40, "open") }, Check{Measured: "locked once, 7 s in all; let go never", Limit: "lets go 0 times", Source: "self-evident", Verdict: Within}},
		"let go three times ": {func(x *figures) {
			for i := range 3 {
				locked(x, float64(10*i))
				opened(x, float64(10*i+2), "applied")
			}
		}, Check{Measured: "locked 3 times, 6 s in all; let go 3 times", Limit: "lets go 0 times", Source: "self-evident", Verdict: Beyond}},
	} {
		t.Run(name, func(t *testing.T) {
			x := newFigures(t)
			x.sample(0, "speed", 0)
			c.events(x)
			x.sample(100e9, "speed", 0)
			c.want.Name = holds
			r := x.report()
			is(t, r, c.want)
			if c.want.Verdict == NotTested {
				absent(t, r, shudders)
			} else {
				is(t, r, Check{Name: shudders, Measured: "never", Limit: "0 times", Source: "common practice", Verdict: Within})
			}
		})
	}

	x := newFigures(t)
	locked(x, 1)
	x.event(2e9, "shudder", drivetrain.ShudderEvent{State: "shudder", Amplitude: 41.6, Frequency: 11.4, Gear: "3"})
	r := x.report()
	is(t, r, Check{Name: shudders, Measured: "once", Limit: "0 times", Source: "common practice", Verdict: Beyond})
	if text := html(t, r); !strings.Contains(text, "The converter clutch shuddered: 42 rpm at 11 Hz in gear 3") {
		t.Error("the report does not tell of the shudder")
	}

	x = newFigures(t, "lockup: lock, ", "") // what it is told is not broadcast
	x.sample(0, "speed", 0)
	locked(x, 1)
	opened(x, 3.5, "applied")
	is(t, x.report(), Check{Name: holds, Measured: "locked once, 2.5 s in all", Verdict: Info})

	x = newFigures(t, "engine_speed: engine, ", "") // no converter slip
	locked(x, 1)
	r = x.report()
	absent(t, r, holds)
	absent(t, r, shudders)
}

// A stall test is judged against the figure of the vehicle file where it has one, and
// counts for nothing where the vehicle moved.
func TestJudgesStalls(t *testing.T) {
	for name, c := range map[string]struct {
		stall drivetrain.StallEvent
		want  Check
	}{
		"as stated":          {drivetrain.StallEvent{EngineSpeed: 2449.6, Lever: "D", Stated: 2500, Finding: "as stated"}, Check{Name: "Stall speed in D", Measured: "2450 rpm, as stated", Limit: "about 2500 rpm", Source: "vehicle file", Verdict: Within}},
		"too low":            {drivetrain.StallEvent{EngineSpeed: 1900, Lever: "R", Stated: 2500, Finding: "too low"}, Check{Name: "Stall speed in R", Measured: "1900 rpm, too low", Limit: "about 2500 rpm", Source: "vehicle file", Verdict: Beyond}},
		"too high":           {drivetrain.StallEvent{EngineSpeed: 2900, Stated: 2500, Finding: "too high"}, Check{Name: "Stall speed", Measured: "2900 rpm, too high", Limit: "about 2500 rpm", Source: "vehicle file", Verdict: Beyond}},
		"nothing stated":     {drivetrain.StallEvent{EngineSpeed: 2000, Lever: "D"}, Check{Name: "Stall speed in D", Measured: "2000 rpm", Verdict: Info}},
		"held too long":      {drivetrain.StallEvent{EngineSpeed: 2000, Lever: "D", TooLong: true}, Check{Name: "Stall speed in D", Measured: "2000 rpm; held too long", Verdict: Info}},
		"too soon":           {drivetrain.StallEvent{EngineSpeed: 2500, Lever: "D", Stated: 2500, Finding: "as stated", TooSoon: true}, Check{Name: "Stall speed in D", Measured: "2500 rpm, as stated; too soon after the last", Limit: "about 2500 rpm", Source: "vehicle file", Verdict: Within}},
		"the vehicle moved":  {drivetrain.StallEvent{EngineSpeed: 2500, Lever: "D", Stated: 2500, Finding: "as stated", Moved: true}, Check{Name: "Stall speed in D", Measured: "2500 rpm, as stated; the vehicle moved, so this figure does not count", Limit: "about 2500 rpm", Source: "vehicle file", Verdict: NotTested}},
		"moved, and too low": {drivetrain.StallEvent{EngineSpeed: 1500, Lever: "D", Stated: 2500, Finding: "too low", Moved: true}, Check{Name: "Stall speed in D", Measured: "1500 rpm, too low; the vehicle moved, so this figure does not count", Limit: "about 2500 rpm", Source: "vehicle file", Verdict: NotTested}},
	} {
		t.Run(name, func(t *testing.T) {
			x := newFigures(t)
			x.event(5e9, "stall", c.stall)
			is(t, x.report(), c.want)
		})
	}
}

// One suspect is enough; where nothing was found to work, nothing was tested.
func TestJudgesParts(t *testing.T) {
	for name, c := range map[string]struct {
		verdicts []string
		measured string
		want     Verdict
	}{
		"all work":          {[]string{"cleared", "cleared"}, "2 found to work, evidence against none", Within},
		"some undecided":    {[]string{"cleared", "undecided", "undecided"}, "1 found to work, evidence against none; 2 undecided", Within},
		"nothing decided":   {[]string{"undecided", "undecided"}, "0 found to work, evidence against none; 2 undecided", NotTested},
		"one suspect":       {[]string{"cleared", "suspect", "undecided"}, "evidence against: part 1; 1 undecided", Beyond},
		"suspects only":     {[]string{"suspect", "suspect"}, "evidence against: part 0, part 1", Beyond},
		"nothing was there": {nil, "", ""},
	} {
		t.Run(name, func(t *testing.T) {
			x := newFigures(t)
			for i, v := range c.verdicts {
				x.event(9e9, drivetrain.KindSuspect, drivetrain.Suspect{Element: "part " + string(rune('0'+i)), Part: "element", Verdict: v, Reasons: []string{"because"}})
			}
			const parts = "Clutches, brakes, sensors and switches"
			r := x.report()
			if c.verdicts == nil {
				absent(t, r, parts)
				return
			}
			is(t, r, Check{Name: parts, Measured: c.measured, Limit: "no evidence against any", Source: "self-evident", Verdict: c.want})
		})
	}
}

// Oil is judged by the hottest it has been: 120 °C in the pan (common practice, no source).
func TestJudgesOil(t *testing.T) {
	for name, c := range map[string]struct {
		pan      []float64 // °C, every 10 s
		oil      *drivetrain.OilEvent
		measured string
		want     Verdict
	}{
		"cold":               {[]float64{-12.6, -12.4, 3}, nil, "-13 to 3 °C", Within},
		"just within":        {[]float64{90, 119.4, 100}, nil, "90 to 119 °C", Within},
		"at the limit":       {[]float64{90, 120, 100}, nil, "90 to 120 °C", Within},
		"just beyond":        {[]float64{90, 120.25, 100}, nil, "90 to 120.2 °C", Beyond}, // 120 would read as within
		"beyond":             {[]float64{121, 90}, nil, "90 to 121 °C", Beyond},
		"beyond all through": {[]float64{125, 126, 127}, nil, "125 to 127 °C", Beyond},
		"time above 110":     {[]float64{90, 112}, &drivetrain.OilEvent{Above110: 42e9}, "90 to 112 °C, above 110 °C for 42 s", Within},
		"never above 110":    {[]float64{90, 112}, &drivetrain.OilEvent{}, "90 to 112 °C", Within},
	} {
		t.Run(name, func(t *testing.T) {
			x := newFigures(t)
			for i, v := range c.pan {
				x.sample(capture.Stamp(i)*10e9, "pan", v)
			}
			if c.oil != nil {
				x.event(60e9, "oil", *c.oil)
			}
			r := x.report()
			is(t, r, Check{Name: "Oil in the pan", Measured: c.measured, Limit: "120 °C", Source: "common practice", Verdict: c.want})
			absent(t, r, "Oil at the converter outlet")
			absent(t, r, "Oil temperature, outlet minus pan")
		})
	}

	x := newFigures(t)
	for i, v := range []float64{2.4, -1.6, 5.5, 3.7} { // mean 2.5
		x.sample(capture.Stamp(i)*1e9, "outlet", 100+v)
		x.sample(capture.Stamp(i)*1e9, drivetrain.SignalOilDifference, v)
	}
	r := x.report()
	is(t, r, Check{Name: "Oil at the converter outlet", Measured: "98 to 106 °C", Verdict: Info})
	is(t, r, Check{Name: "Oil temperature, outlet minus pan", Measured: "−2 to +6 K, mean +2.5 K", Verdict: Info})
	x.event(9e9, "oil", drivetrain.OilEvent{LockupFirst: of(3.26), LockupLast: of(-0.04)})
	is(t, x.report(), Check{Name: "Oil temperature, outlet minus pan", Measured: "−2 to +6 K, mean +2.5 K; in steady lock-up +3.3 K early and 0.0 K late", Verdict: Info})

	// In other units: 248 °F are 120 °C, 86 °F 30 °C.
	x = newFigures(t, "pan: {start: 1.1, bits: 8, offset: -40, unit: °C}", "pan: {start: 1.1, bits: 16, unit: °F}", "outlet: {start: 2.1", "outlet: {start: 6.1", "  warm: {when: pan > 90, level: note, say: Warm.}\n", "")
	x.sample(0, "pan", 86)
	x.sample(1e9, "pan", 248)
	is(t, x.report(), Check{Name: "Oil in the pan", Measured: "30 to 120 °C", Limit: "120 °C", Source: "common practice", Verdict: Within})
	x.sample(2e9, "pan", 250)
	is(t, x.report(), Check{Name: "Oil in the pan", Measured: "30 to 121 °C", Limit: "120 °C", Source: "common practice", Verdict: Beyond})
}

// An alarm that was raised is beyond, one that only notes is for information, and one
// that could not be judged says so.
func TestJudgesAlarms(t *testing.T) {
	x := newFigures(t)
	change := func(s float64, name string, level signals.Level, state string, missing ...string) {
		x.event(capture.Stamp(s*1e9), decode.KindAlarm, alarm.Change{Alarm: name, Level: level.String(), State: state, Missing: missing})
	}
	is(t, x.report(), Check{Name: "Alarm warm", Measured: "not raised", Limit: "never pan > 90", Source: "vehicle file", Verdict: Within})
	x.sample(0, "speed", 0)
	change(10, "warm", signals.LevelNote, "raised")
	change(12.5, "warm", signals.LevelNote, "cleared")
	change(20, "hotter", signals.LevelCaution, "raised")
	change(30, "hotter", signals.LevelCaution, "cleared")
	change(31, "hotter", signals.LevelCaution, "cleared") // twice: nothing more
	change(33, "hotter", signals.LevelCaution, "raised")
	change(35, "hottest", signals.LevelStop, "no data", "pan")
	change(36, "hottest", signals.LevelStop, "data again")
	change(37, "hottest", signals.LevelStop, "no data", "pan")
	x.sample(43e9, "speed", 0)
	r := x.report()
	is(t, r, Check{Name: "Alarm warm", Measured: "raised once, 2.5 s in all", Limit: "never pan > 90", Source: "vehicle file", Verdict: Info})
	is(t, r, Check{Name: "Alarm hotter", Measured: "raised twice, 20 s in all", Limit: "never pan > 100 for 10 s", Source: "vehicle file", Verdict: Beyond})
	is(t, r, Check{Name: "Alarm hottest", Measured: "not raised; could not be judged twice for want of a value", Limit: "never pan > 110 for 2 min 00 s", Source: "vehicle file", Verdict: Within})
	if text := html(t, r); !strings.Contains(text, "hottest, stop: no data (no value: pan)") {
		t.Error("the report does not tell what was missing")
	}
}

// A recording is complete when something was recorded and nothing is known to be
// missing; each kind of loss alone is beyond.
func TestJudgesRecording(t *testing.T) {
	lost := func(n uint64) []decode.LossCount { return []decode.LossCount{{Reason: "overrun", Count: n}} }
	one := func(c decode.ChannelCount) decode.Counters {
		c.Frames += 1_234_567
		return decode.Counters{Channels: []decode.ChannelCount{c}}
	}
	frame := func(f decode.FrameCount) decode.Counters {
		c := one(decode.ChannelCount{})
		c.Frames = []decode.FrameCount{f}
		return c
	}
	for name, c := range map[string]struct {
		counters decode.Counters
		pause    capture.Stamp // between two samples
		damage   []string
		measured string
		want     Verdict
	}{
		"complete":        {one(decode.ChannelCount{Lines: 33}), 1e9, nil, "1,234,600 frames; 0 lost, 0 unusable, 0 gaps over 1 s", Within},
		"nothing at all":  {decode.Counters{}, 1e9, nil, "0 frames; 0 lost, 0 unusable, 0 gaps over 1 s", Beyond},
		"one lost":        {one(decode.ChannelCount{Lost: lost(1)}), 1e9, nil, "1,234,567 frames; 1 lost, 0 unusable, 0 gaps over 1 s", Beyond},
		"not known how":   {one(decode.ChannelCount{Lost: lost(0)}), 1e9, nil, "1,234,567 frames; 0 lost and more that nobody counted, 0 unusable, 0 gaps over 1 s", Beyond},
		"a bad line":      {one(decode.ChannelCount{BadLines: 1}), 1e9, nil, "1,234,567 frames; 0 lost, 1 unusable, 0 gaps over 1 s", Beyond},
		"short":           {frame(decode.FrameCount{Good: 9, Short: 2}), 1e9, nil, "1,234,567 frames; 0 lost, 2 unusable, 0 gaps over 1 s", Beyond},
		"check byte":      {frame(decode.FrameCount{Good: 9, Checksum: 3}), 1e9, nil, "1,234,567 frames; 0 lost, 3 unusable, 0 gaps over 1 s", Beyond},
		"repeated":        {frame(decode.FrameCount{Good: 9, Repeated: 4}), 1e9, nil, "1,234,567 frames; 0 lost, 4 unusable, 0 gaps over 1 s", Beyond},
		"counter skipped": {frame(decode.FrameCount{Good: 9, Missed: 5}), 1e9, nil, "1,234,567 frames; 5 lost, 0 unusable, 0 gaps over 1 s", Beyond},
		"too late":        {decode.Counters{Channels: []decode.ChannelCount{{Frames: 10}}, TooLate: 6}, 1e9, nil, "10 frames; 0 lost, 6 unusable, 0 gaps over 1 s", Beyond},
		"wrong stamps":    {decode.Counters{Channels: []decode.ChannelCount{{Frames: 10}}, Timeless: 6}, 1e9, nil, "10 frames; 0 lost, 6 unusable, 0 gaps over 1 s", Beyond},
		"a gap":           {one(decode.ChannelCount{}), 1e9 + 1, nil, "1,234,567 frames; 0 lost, 0 unusable, 1 gap over 1 s", Beyond},
		"damaged":         {one(decode.ChannelCount{}), 1e9, []string{"cut off"}, "1,234,567 frames; 0 lost, 0 unusable, 0 gaps over 1 s", Beyond},
	} {
		t.Run(name, func(t *testing.T) {
			x := newFigures(t)
			x.counters, x.papers.Damage = c.counters, c.damage
			x.sample(5e9, "speed", 0)
			x.sample(5e9+c.pause, "speed", 0)
			is(t, x.report(), Check{Name: "Recording complete", Measured: c.measured, Limit: "none lost", Source: "self-evident", Verdict: c.want})
		})
	}
}

// Trouble codes are told as each unit's memory told them last.
func TestTellsCodes(t *testing.T) {
	const name = "Trouble codes of control units"
	x := newFigures(t)
	absent(t, x.report(), name)
	told := func(s float64, unit, memory string, codes ...string) {
		x.event(capture.Stamp(s*1e9), decode.KindFaults, decode.Faults{Channel: "obd", Unit: unit, Memory: memory, Codes: codes})
	}
	told(1, "unit 2", "stored", "P0741", "P0700")
	told(2, "unit 1", "pending")
	is(t, x.report(), Check{Name: name, Measured: "obd, unit 2, stored: P0741, P0700", Verdict: Info})
	told(3, "unit 1", "pending", "P0111")
	is(t, x.report(), Check{Name: name, Measured: "obd, unit 1, pending: P0111; obd, unit 2, stored: P0741, P0700", Verdict: Info})
	told(4, "unit 1", "pending")
	told(5, "unit 2", "stored")
	is(t, x.report(), Check{Name: name, Measured: "none", Verdict: Info})
}

// The summary counts what has a limit, names what is beyond, and says how much was
// not tested.
func TestSummary(t *testing.T) {
	x := newFigures(t)
	x.papers.Meta = archive.Meta{Started: time.Date(2026, 3, 7, 14, 15, 3, 0, time.UTC)}
	x.counters = decode.Counters{Channels: []decode.ChannelCount{{Frames: 10}}}
	x.sample(0, "pan", 121)
	x.event(1e9, decode.KindEngagement, drivetrain.EngagementEvent{From: "N", To: "D", Start: at(1)})
	// Within: three alarms, the recording. Not tested: four ratios, shifts, converter.
	if text := html(t, x.report()); !strings.Contains(text, "Of 6 checks with a limit, 4 were within it and 2 beyond it; 6 more could not be made on this drive. Beyond: engagement from standstill; oil in the pan.") {
		t.Errorf("the summary is another: %s", text[strings.Index(text, "Of "):][:300])
	}
}
