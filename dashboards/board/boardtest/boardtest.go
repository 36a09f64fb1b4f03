// Package boardtest has a made-up drive for the tests of boards and servers.
package boardtest

import (
	"math"
	"time"

	"gearwitness/capture"
	"gearwitness/dashboards/board"
	"gearwitness/decode"
	"gearwitness/decode/alarm"
	"gearwitness/decode/finding"
	"gearwitness/signals"
)

// A drive made up for the tests: the figures are chosen, not
// measured, and no physics is claimed. Second k of every minute is easy to
// predict: gears 1 to 6 of 8 s each, then back to 1.

var feedRatios = []float64{4.119540, 2.265747, 1.471264, 1.129175, 0.879293, 0.6888}

const (
	Step      = 10 * time.Millisecond
	feedGear  = 8 * time.Second
	feedShift = 450 * time.Millisecond
)

// Feed plays the made-up drive into a board.
type Feed struct {
	Table *decode.Table
	File  *signals.File
	Now   capture.Stamp
	begin capture.Stamp
	Out   decode.Output
	Batch capture.Batch
	Quiet map[string]bool // signals left out from now on
}

// New returns the drive, beginning at that time.
func New(begin capture.Stamp) *Feed {
	gears := signals.Named[int64]{{Name: "R", V: -1}, {Name: "N", V: 0}}
	for i, n := range []string{"1", "2", "3", "4", "5", "6"} {
		gears = append(gears, signals.Entry[int64]{Name: n, V: int64(i + 1)})
	}
	derived := append(append(signals.Named[int64]{}, gears...), signals.Entry[int64]{Name: "standing", V: 100}, signals.Entry[int64]{Name: "between", V: 101})
	fast, slow := capture.Stamp(30*time.Millisecond), capture.Stamp(300*time.Millisecond)
	t := &decode.Table{}
	for _, in := range []decode.Info{
		{Name: "engine_speed", Unit: "rpm", StaleAfter: fast},
		{Name: "reduced_carrier_speed", Unit: "rpm", StaleAfter: fast},
		{Name: "output_speed", Unit: "rpm", StaleAfter: fast},
		{Name: "pedal", Unit: "%", StaleAfter: fast, Title: "accelerator pedal", Digits: 1},
		{Name: "lever", StaleAfter: fast, Title: "selector lever", States: signals.Named[int64]{{Name: "P", V: 0}, {Name: "R", V: 1}, {Name: "N", V: 2}, {Name: "D", V: 3}}},
		{Name: "commanded_gear", StaleAfter: fast, States: gears},
		{Name: "lockup", StaleAfter: fast, Title: "converter clutch command", States: signals.Named[int64]{{Name: "open", V: 0}, {Name: "slipping", V: 1}, {Name: "applied", V: 2}}},
		{Name: "vehicle_speed", Unit: "km/h", StaleAfter: fast, Digits: 1},
		{Name: "oil_pan", Unit: "°C", StaleAfter: slow, Title: "oil in the pan", Digits: 1},
		{Name: "oil_outlet", Unit: "°C", StaleAfter: slow, Title: "oil at the converter outlet", Digits: 1},
		{Name: "coolant", Unit: "°C", StaleAfter: slow},
		{Name: "main_pressure", Unit: "kPa", StaleAfter: slow, Digits: 1},
		{Name: "gear", Origin: decode.FromAnalysis, StaleAfter: fast, States: derived},
		{Name: "ratio", Origin: decode.FromAnalysis, StaleAfter: fast, Digits: 3},
		{Name: "input_speed", Unit: "rpm", Origin: decode.FromAnalysis, StaleAfter: fast},
		{Name: "converter_slip", Unit: "rpm", Origin: decode.FromAnalysis, StaleAfter: fast},
		{Name: "oil_temperature_difference", Unit: "K", Origin: decode.FromAnalysis, StaleAfter: slow, Digits: 1},
		{Name: "slip.low-gears clutch", Unit: "rpm", Origin: decode.FromAnalysis, StaleAfter: fast},
		{Name: "slip.odd-gears clutch", Unit: "rpm", Origin: decode.FromAnalysis, StaleAfter: fast},
		{Name: "slip.high-gears clutch", Unit: "rpm", Origin: decode.FromAnalysis, StaleAfter: fast},
		{Name: "slip.drum brake", Unit: "rpm", Origin: decode.FromAnalysis, StaleAfter: fast},
		{Name: "slip.crawler brake", Unit: "rpm", Origin: decode.FromAnalysis, StaleAfter: fast},
	} {
		t.Add(in)
	}
	f := &signals.File{
		Vehicle: signals.About{Title: "Parcel van, 2.2 l diesel, six-speed automatic"},
		Transmission: &signals.Transmission{
			Roles: signals.Roles{
				EngineSpeed: "engine_speed", OutputSpeed: "output_speed", VehicleSpeed: "vehicle_speed", Pedal: "pedal", Lever: "lever",
				CommandedGear: "commanded_gear", Lockup: "lockup", OilPan: "oil_pan", OilOutlet: "oil_outlet", Coolant: "coolant",
			},
			Elements: signals.Named[signals.Element]{
				{Name: "low-gears clutch", V: signals.Element{Clutch: []string{"reduced carrier", "small sun"}}},
				{Name: "odd-gears clutch", V: signals.Element{Clutch: []string{"reduced carrier", "large sun drum"}}},
				{Name: "high-gears clutch", V: signals.Element{Clutch: []string{"input", "rear carrier"}}},
				{Name: "drum brake", V: signals.Element{Brake: "large sun drum"}},
				{Name: "crawler brake", V: signals.Element{Brake: "rear carrier"}},
				{Name: "crawler one-way clutch", V: signals.Element{OneWay: []string{"rear carrier", "ground"}}},
			},
			Gears: signals.Named[signals.Gear]{
				{Name: "1", V: signals.Gear{Holds: []string{"low-gears clutch", "crawler one-way clutch"}}},
				{Name: "2", V: signals.Gear{Holds: []string{"low-gears clutch", "drum brake"}}},
				{Name: "3", V: signals.Gear{Holds: []string{"low-gears clutch", "odd-gears clutch"}}},
				{Name: "4", V: signals.Gear{Holds: []string{"low-gears clutch", "high-gears clutch"}}},
				{Name: "5", V: signals.Gear{Holds: []string{"odd-gears clutch", "high-gears clutch"}}},
				{Name: "6", V: signals.Gear{Holds: []string{"high-gears clutch", "drum brake"}}},
			},
		},
	}
	return &Feed{
		Table: t, File: f, Now: begin, begin: begin, Quiet: map[string]bool{},
		Batch: capture.Batch{Channels: []capture.Channel{{Name: "powertrain", Device: "test", BitRate: 500000, Passive: true}}},
	}
}

// Board returns a new board of the feed's vehicle.
func (f *Feed) Board(clock capture.Clock) *board.Board {
	f.File.Transmission.Ratios = nil
	for i, g := range f.File.Transmission.Gears {
		f.File.Transmission.Ratios = append(f.File.Transmission.Ratios, signals.Entry[float64]{Name: g.Name, V: feedRatios[i]})
	}
	b := board.New(board.Options{File: f.File, Table: f.Table, Clock: clock})
	b.Sources([]board.Source{{Address: "van:?seed=7", State: board.SourceOpen}})
	return b
}

// Run plays d of the drive into b, in batches of 20 ms.
func (f *Feed) Run(b *board.Board, d time.Duration) {
	for end := f.Now.Add(d); f.Now < end; {
		f.Out.Reset()
		f.Batch.Reset()
		for range 2 {
			f.Advance()
			f.Now = f.Now.Add(Step)
		}
		b.Batch(&f.Batch)
		b.Take(&f.Out)
	}
}

// put rounds as a sensor does, and so that every processor gets the same.
func (f *Feed) put(name string, v float64) {
	if v = math.Round(v*64) / 64; !f.Quiet[name] {
		f.Out.Samples = append(f.Out.Samples, decode.Sample{Time: f.Now, Signal: f.Table.Index(name), Value: v})
	}
}

// Advance appends one Step of the drive to Out and Batch.
func (f *Feed) Advance() {
	t := f.Now.Sub(f.begin)
	if !f.Quiet["bus"] {
		for k := range 3 {
			f.Batch.Frames = append(f.Batch.Frames, capture.Frame{Time: f.Now, ID: uint32(0x110 + k), Len: 8})
		}
	}
	n := len(feedRatios)
	k := int(t/feedGear) % n
	in := t % feedGear
	prev := (k + n - 1) % n
	// Share of the shift that has passed, as a smooth step.
	p := 1.0
	if first := t < feedGear; !first && in < feedShift {
		x := float64(in) / float64(feedShift)
		p = x * x * (3 - 2*x)
	}
	ratio := feedRatios[prev] + (feedRatios[k]-feedRatios[prev])*p
	sec := t.Seconds()
	output := 420 + 12*sec/(1+sec/60) + 180*float64(k) + 90*in.Seconds()/8 - 180*(1-p)
	input := output * ratio
	convSlip := 18 + 8*math.Sin(sec*1.3)
	if k < 2 {
		convSlip += 220 * math.Exp(-in.Seconds())
	}
	f.put("engine_speed", input+convSlip)
	f.put("reduced_carrier_speed", input*87/128)
	f.put("output_speed", output)
	f.put("pedal", 34+10*math.Sin(sec/3))
	f.put("lever", 3)
	commanded := k + 1
	if in > feedGear-150*time.Millisecond {
		commanded = (k+1)%n + 1
	}
	f.put("commanded_gear", float64(commanded))
	f.put("lockup", map[bool]float64{true: 2, false: 0}[k > 1 && p == 1])
	f.put("vehicle_speed", output*0.0375)
	f.put("main_pressure", 820+40*math.Sin(sec))
	pan := 62 + 24*(1-math.Exp(-sec/200))
	outlet := pan + 9 + 6*math.Sin(sec/11) + 5*(1-p)
	if t%(100*time.Millisecond) == 0 {
		f.put("oil_pan", pan)
		f.put("oil_outlet", outlet)
		f.put("coolant", 84+math.Sin(sec/20))
		f.put("oil_temperature_difference", outlet-pan)
	}
	gear := float64(k + 1)
	if p < 1 {
		gear = 101
	}
	f.put("gear", gear)
	f.put("ratio", ratio)
	f.put("input_speed", input)
	f.put("converter_slip", convSlip)
	for j, e := range f.File.Transmission.Elements[:5] {
		slip := input * (0.3 + 0.12*float64(j)) * map[bool]float64{true: -1, false: 1}[j == 3 && k == 0]
		for _, h := range f.File.Transmission.Gears[k].V.Holds {
			if h == e.Name {
				slip = slip*(1-p) + 3*math.Sin(sec*7+float64(j))
			}
		}
		f.put("slip."+e.Name, slip)
	}
	if t >= feedGear && in == feedShift {
		type shift struct {
			From     string         `json:"from"`
			To       string         `json:"to"`
			Start    decode.Seconds `json:"start_s"`
			End      decode.Seconds `json:"end_s"`
			Duration decode.Seconds `json:"duration_s"`
			Flare    float64        `json:"flare_rpm"`
		}
		start := f.Now.Add(-feedShift)
		f.Out.Events = append(f.Out.Events, decode.Event{Time: f.Now, Kind: decode.KindShift, Fields: shift{
			From: f.File.Transmission.Gears[prev].Name, To: f.File.Transmission.Gears[k].Name,
			Start: decode.Seconds(start), End: decode.Seconds(f.Now), Duration: decode.Seconds(feedShift), Flare: float64(8 + 5*k),
		}})
	}
}

// Alarm raises or clears the alarm of hot oil.
func (f *Feed) Alarm(b *board.Board, state string) {
	b.Take(&decode.Output{Events: []decode.Event{{Time: f.Now, Kind: decode.KindAlarm, Fields: map[string]string{
		"alarm": "outlet_hot", "level": "stop", "state": state, "say": "Oil at the converter outlet is too hot. Stop where it is safe and let it idle in neutral.",
	}}}})
}

// Found puts findings on the board and raises their alarms, as the chain does.
func (f *Feed) Found(b *board.Board) {
	set, standing := finding.NewSet(nil, nil), alarm.NewStanding()
	var out decode.Output
	late, slips := finding.Key{Kind: finding.ShiftFlares, Part: "shift", Name: "3-4"}, finding.Key{Kind: finding.ElementSlips, Part: "element", Name: "drum brake"}
	set.Once(f.Now-20e9, late, finding.Sight{Value: 96, Gear: "4"}, &out)
	set.Once(f.Now-15e9, finding.Key{Kind: finding.ShiftMissing, Part: "shift", Name: "2-3"}, finding.Sight{Value: math.NaN()}, &out)
	set.Once(f.Now-2e9, slips, finding.Sight{Value: 484, Gear: "2", Load: "drive", Sure: 0.5, Or: "the main pressure is low"}, &out)
	set.Absent(f.Now-1e9, late, &out)
	for i, n := 0, len(out.Events); i < n; i++ {
		standing.Take(&out.Events[i], &out)
	}
	b.Take(&out)
}

// Mark puts a mark on the board, as the chain does with one from the page.
func (f *Feed) Mark(b *board.Board, text string) {
	b.Take(&decode.Output{Events: []decode.Event{{Time: f.Now, Kind: decode.KindMark, Fields: map[string]string{"text": text}}}})
}
