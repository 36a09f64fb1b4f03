package compare

import (
	"math"
	"slices"
	"strings"

	"gearwitness/capture"
	"gearwitness/decode"
	"gearwitness/decode/alarm"
	"gearwitness/decode/drivetrain"
	"gearwitness/decode/geartrain"
	"gearwitness/decode/procedure"
	"gearwitness/decode/readings"
	"gearwitness/decode/series"
	"gearwitness/signals"
	"gearwitness/signals/unit"
)

// Collector gathers the record of one session. It belongs to one goroutine.
type Collector struct {
	shiftCurves
	record Record
	gears  map[string]int // position in record.Gears

	watched []watched
	route   []int16 // by signal: position in watched, -1 for none
	derived []bool  // by signal: of the analysis
	role    struct {
		gear, ratio, in, engine, torque, pedal, road, pan, outlet, coolant, command, lock, slip int
	}
	slips     []int // by element
	pressures []int
	gearOf    func(v float64) int // by value of the derived gear
	askedFor  func(v float64) int // by value of the role commanded gear
	lockSlips func(v float64) bool
	lockHolds func(v float64) bool

	begun        bool
	next, newest capture.Stamp // ticks

	moved   int // ticks
	ticks   int
	carry   carrying
	locks   locking
	moment  gathering
	switchs []watchedSwitch
	parts   map[[2]string]*partTime
	alarms  map[string]*partTime
}

// watched is a signal with its recent past, in the unit that is compared.
type watched struct {
	ring           *series.Ring
	factor, offset float64
	age            capture.Stamp
}

// A tick is looked at once everything that bears on it must have come: the gear of
// a tick may be decided a second later.
const (
	tickStep = drivetrain.Tick
	behind   = capture.Stamp(3e9)
	farthest = capture.Stamp(math.MaxInt64 / 2)
)

// States of the gearbox where there is no position of a gear.
const (
	standing = -1 - iota
	neutral
	between
	notKnown
)

// NewCollector returns a collector for the samples and events of a vehicle file.
func NewCollector(f *signals.File, t *decode.Table) (*Collector, error) {
	gears, err := gears(f.Transmission)
	if err != nil {
		return nil, err
	}
	c := &Collector{shiftCurves: newShiftCurves(f, t, gears), gears: map[string]int{}, route: make([]int16, len(t.Signals)), derived: make([]bool, len(t.Signals)),
		parts: map[[2]string]*partTime{}, alarms: map[string]*partTime{}}
	c.record = Record{Format: Format, Gears: gears, Titles: map[string]string{}, Shifts: []Shift{}}
	for i, g := range gears {
		c.gears[g.Name] = i
	}
	for i := range c.route {
		c.route[i], c.derived[i] = -1, t.Signals[i].Origin == decode.FromAnalysis
	}
	watch := func(name string, to unit.Unit) int {
		i := t.Index(name)
		if name == "" || i < 0 {
			return -1
		}
		if c.route[i] >= 0 {
			return int(c.route[i])
		}
		w := watched{ring: series.NewRing(behind + 1e9), factor: 1, age: t.Signals[i].StaleAfter}
		if from := t.Signals[i].Unit; to != "" && from != "" && from != to {
			zero, err0 := unit.Convert(0, from, to)
			one, err1 := unit.Convert(1, from, to)
			if err0 != nil || err1 != nil {
				return -1 // a signal of another kind in that role: nothing to compare
			}
			w.factor, w.offset = one-zero, zero
		}
		c.watched = append(c.watched, w)
		c.route[i] = int16(len(c.watched) - 1)
		return len(c.watched) - 1
	}
	r := &c.role
	r.gear, r.ratio, r.slip = watch(drivetrain.SignalGear, ""), watch(drivetrain.SignalRatio, ""), watch(drivetrain.SignalConverterSlip, "rpm")
	r.in, r.engine, r.torque, r.pedal, r.road, r.pan, r.outlet, r.coolant, r.command, r.lock = -1, -1, -1, -1, -1, -1, -1, -1, -1, -1
	c.lockSlips, c.lockHolds = never, never
	tr := f.Transmission
	if tr == nil {
		return c, nil
	}
	r.in = watch(tr.Roles.InputSpeed, "rpm")
	if r.in < 0 {
		r.in = watch(drivetrain.SignalInputSpeed, "rpm")
	}
	r.engine, r.torque = watch(tr.Roles.EngineSpeed, "rpm"), watch(tr.Roles.EngineTorque, "N·m")
	r.pedal, r.road = watch(tr.Roles.Pedal, "%"), watch(tr.Roles.VehicleSpeed, "km/h")
	r.pan, r.outlet, r.coolant = watch(tr.Roles.OilPan, "°C"), watch(tr.Roles.OilOutlet, "°C"), watch(tr.Roles.Coolant, "°C")
	r.command, r.lock = watch(tr.Roles.CommandedGear, ""), watch(tr.Roles.Lockup, "")
	c.record.Commanded, c.record.Outlet = r.command >= 0, tr.Roles.OilOutlet
	c.record.Matters = mattersOf(tr.Limits)
	if i := t.Index(drivetrain.SignalGear); i >= 0 {
		c.gearOf = c.states(t.Signals[i].States, false)
	}
	if i := t.Index(tr.Roles.CommandedGear); i >= 0 {
		c.askedFor = c.states(t.Signals[i].States, true)
	}
	if i := t.Index(tr.Roles.Lockup); i >= 0 {
		c.lockSlips, c.lockHolds = drivetrain.LockStates(&t.Signals[i])
	}
	if tr.Train != nil {
		for _, e := range tr.Elements {
			c.carry.add(e.Name, len(e.V.OneWay) > 0)
			if len(e.V.OneWay) > 0 {
				c.record.OneWay = append(c.record.OneWay, e.Name)
			}
			c.slips = append(c.slips, watch(drivetrain.SlipPrefix+e.Name, "rpm"))
			c.title(e.Name, e.V.Title)
		}
	} else if r.ratio >= 0 && r.in >= 0 {
		c.carry.add("", false) // the gear as a whole
	}
	c.carry.init(c)
	for i := range t.Signals {
		if s := &t.Signals[i]; s.Origin != decode.FromAnalysis && s.Unit != "" && c.route[i] < 0 {
			if _, err := unit.Convert(1, s.Unit, "kPa"); err == nil && !slices.ContainsFunc(c.record.Pressures, func(o string) bool { return follows(f, s.Name, o) }) {
				c.pressures = append(c.pressures, watch(s.Name, "kPa"))
				c.record.Pressures = append(c.record.Pressures, s.Name)
			}
		}
	}
	for _, s := range tr.Switches {
		i := t.Index(s.Name)
		if i < 0 || r.command < 0 || tr.Train == nil {
			continue
		}
		c.switchs = append(c.switchs, watchedSwitch{name: s.Name, element: s.V.Element, signal: watch(s.Name, ""), closed: closedValue(t.Signals[i].States, s.V.Closed)})
	}
	for i := range t.Signals {
		c.title(t.Signals[i].Name, t.Signals[i].Title)
	}
	return c, nil
}

func never(float64) bool { return false }

func (c *Collector) title(name, title string) {
	if title != "" && title != name {
		c.record.Titles[name] = title
	}
}

// follows tells that a signal is computed from another, so that both say the same.
func follows(f *signals.File, name, other string) bool {
	i := f.Computed.Index(name)
	return i >= 0 && strings.Contains(f.Computed[i].V.Formula, other)
}

// states returns what the values of a gear's signal mean, by the names of its states;
// where asked for, a value without a name of its own is a gear's number, as in SAE
// J1939.
func (c *Collector) states(states signals.Named[int64], asked bool) func(float64) int {
	of := map[float64]int{}
	if asked {
		of[0] = neutral
		for i, g := range c.record.Gears {
			if n := number(g.Name); n != 0 {
				of[n] = i
			}
		}
	}
	for _, s := range states {
		of[float64(s.V)] = notKnown
		for i, g := range c.record.Gears {
			if strings.EqualFold(g.Name, s.Name) {
				of[float64(s.V)] = i
			}
		}
		switch strings.ToLower(s.Name) {
		case "n", "neutral", "p", "park":
			of[float64(s.V)] = neutral
		case "standing":
			of[float64(s.V)] = standing
		case "between":
			of[float64(s.V)] = between
		}
	}
	return func(v float64) int {
		if g, ok := of[v]; ok {
			return g
		}
		return notKnown
	}
}

// number is a gear's number by its name: "3" is 3, "R" -1; 0 for none.
func number(name string) float64 {
	n := 0.0
	for _, c := range name {
		if c < '0' || c > '9' || n > 99 {
			if strings.EqualFold(name, "R") {
				return -1
			}
			return 0
		}
		n = float64(10*n) + float64(c-'0')
	}
	return n
}

// closedValue is the value of a switch that means pressure.
func closedValue(states signals.Named[int64], text string) float64 {
	for _, s := range states {
		if strings.EqualFold(s.Name, text) {
			return float64(s.V)
		}
	}
	return 1
}

// gears lists the gears of a vehicle file that have a ratio: those written down,
// or what the train makes of the element table.
func gears(t *signals.Transmission) ([]Gear, error) {
	list := []Gear{}
	if t == nil {
		return list, nil
	}
	if t.Train == nil {
		for _, r := range t.Ratios {
			ratio := r.V
			if r.Name != "" && (r.Name[0] == 'R' || r.Name[0] == 'r') {
				ratio = -math.Abs(ratio)
			}
			list = append(list, Gear{Name: r.Name, Ratio: ratio})
		}
		return list, nil
	}
	report, err := geartrain.NewReport(t)
	if err != nil {
		return nil, err
	}
	for _, g := range report.Gears {
		if g.Ratio != nil {
			x := Gear{Name: g.Gear, Ratio: *g.Ratio}
			if i := t.Gears.Index(g.Gear); i >= 0 {
				x.Holds = t.Gears[i].V.Holds
			}
			list = append(list, x)
		}
	}
	return list, nil
}

// Gears returns the gears of the vehicle file that have a ratio.
func (c *Collector) Gears() []Gear { return c.record.Gears }

// Reading takes in a bench reading of the session; a later one of the same name
// replaces it.
func (c *Collector) Reading(e readings.Entry) {
	for i := range c.record.Readings {
		if c.record.Readings[i].Reading == e.Reading {
			c.record.Readings[i] = e
			return
		}
	}
	if len(c.record.Readings) < maxParts {
		c.record.Readings = append(c.record.Readings, e)
	}
}

// Take takes in what one step of the pipeline gave out.
func (c *Collector) Take(out *decode.Output) {
	c.shiftCurves.take(out, &c.record)
	for i := range out.Samples {
		s := &out.Samples[i]
		if int(s.Signal) >= len(c.route) || c.route[s.Signal] < 0 {
			continue
		}
		w := &c.watched[c.route[s.Signal]]
		v := math.NaN()
		if s.Status == decode.Valid {
			v = float64(s.Value*w.factor) + w.offset
		}
		w.ring.Push(s.Time, v)
		if c.derived[s.Signal] {
			c.reach(s.Time)
		}
	}
	for i := range out.Events {
		c.event(&out.Events[i])
	}
}

// reach looks at the ticks that are old enough now that the analysis has come to t.
func (c *Collector) reach(t capture.Stamp) {
	if t <= -farthest || t >= farthest || c.begun && t <= c.newest {
		return
	}
	if !c.begun {
		c.begun, c.next = true, t
	}
	if c.newest != 0 && t-c.newest > 2*behind {
		c.upTo(c.newest)
		c.next = t // nothing to be known of the silence between
	}
	c.newest = t
	c.upTo(t - behind)
}

func (c *Collector) upTo(t capture.Stamp) {
	for c.next <= t {
		c.tick(c.next)
		c.next += tickStep
	}
}

// instant is what is known of one tick; NaN what is not.
type instant struct {
	at                                                                 capture.Stamp
	gear, asked                                                        int
	slips, holds                                                       bool // asked of the converter clutch
	engine, in, ratio, slip, torque, pedal, road, pan, outlet, coolant float64
}

// oil is the temperature that counts for shifts: in the pan, else at the outlet.
func (n *instant) oil() float64 {
	if !math.IsNaN(n.pan) {
		return n.pan
	}
	return n.outlet
}

func (c *Collector) hold(i int, at capture.Stamp) float64 {
	if i < 0 {
		return math.NaN()
	}
	w := &c.watched[i]
	if v, ok := w.ring.Hold(at, w.age); ok {
		return v
	}
	return math.NaN()
}

func (c *Collector) tick(at capture.Stamp) {
	r := &c.role
	n := instant{at: at, gear: notKnown, asked: notKnown, engine: c.hold(r.engine, at), in: c.hold(r.in, at), ratio: c.hold(r.ratio, at), slip: c.hold(r.slip, at),
		torque: c.hold(r.torque, at), pedal: c.hold(r.pedal, at), road: c.hold(r.road, at), pan: c.hold(r.pan, at), outlet: c.hold(r.outlet, at), coolant: c.hold(r.coolant, at)}
	if c.gearOf != nil {
		n.gear = c.gearOf(c.hold(r.gear, at))
	}
	if c.askedFor != nil {
		n.asked = c.askedFor(c.hold(r.command, at))
	}
	if lock := c.hold(r.lock, at); !math.IsNaN(lock) {
		n.slips, n.holds = c.lockSlips(lock), c.lockHolds(lock)
	}
	if n.gear != notKnown {
		c.ticks++
		if n.gear != standing && n.gear != neutral {
			c.moved++
		}
	}
	c.carry.step(c, &n)
	c.locks.step(c, &n)
	c.moment.step(c, &n)
	for i := range c.switchs {
		c.switchs[i].step(c, &n)
	}
}

func (c *Collector) event(e *decode.Event) {
	r := &c.record
	switch f := e.Fields.(type) {
	case drivetrain.MissedEvent:
		c.lost(Lost{Kind: LostMissed, At: decode.Seconds(e.Time), From: f.From, To: f.To, Left: f.Left, Came: f.Came != nil})
	case drivetrain.ShiftEvent:
		if e.Kind == drivetrain.KindUncommanded {
			c.lost(Lost{Kind: LostUnasked, At: decode.Seconds(e.Time), From: f.From, To: f.To})
		}
	case drivetrain.EngagementEvent:
		if len(r.Engagements) < maxEvents {
			r.Engagements = append(r.Engagements, f)
		}
	case drivetrain.ConverterEvent:
		if f.Took != nil && len(r.LockTimes) < maxEvents {
			r.LockTimes = append(r.LockTimes, LockTime{Holds: f.State == "locked", At: decode.Seconds(e.Time), Seconds: float64(*f.Took) / 1e9})
		}
	case drivetrain.ShudderEvent:
		r.Shudders++
	case drivetrain.StallEvent:
		if len(r.Stalls) < maxEvents {
			r.Stalls = append(r.Stalls, f)
		}
	case drivetrain.OilEvent:
		r.Oil = &f
	case drivetrain.SensorEvent:
		c.part(f.Signal, f.Finding, e.Time)
	case drivetrain.SwitchEvent:
		c.part(f.Signal, f.Finding, e.Time)
	case drivetrain.LeverEvent:
		for _, s := range f.Suspects {
			c.part(s, f.Finding, e.Time)
		}
		if len(f.Suspects) == 0 {
			c.part("lever contacts", f.Finding, e.Time)
		}
	case drivetrain.Suspect:
		if len(r.Suspects) < maxParts {
			r.Suspects = append(r.Suspects, f)
		}
	case alarm.Change:
		c.alarm(f, e.Time)
	case procedure.Change:
		if f.State == "ended" {
			c.procedure(f)
		}
	case decode.Faults:
		for i := range r.Faults {
			if o := &r.Faults[i]; o.Channel == f.Channel && o.Unit == f.Unit && o.Memory == f.Memory {
				*o = f
				return
			}
		}
		if len(r.Faults) < maxParts {
			r.Faults = append(r.Faults, f)
		}
	}
}

func (c *Collector) lost(l Lost) {
	if len(c.record.Lost) < maxEvents {
		c.record.Lost = append(c.record.Lost, l)
	}
}

func (c *Collector) procedure(p procedure.Change) {
	for i := range c.record.Procedures {
		if c.record.Procedures[i].Procedure == p.Procedure {
			c.record.Procedures[i] = p
			return
		}
	}
	if len(c.record.Procedures) < maxParts {
		c.record.Procedures = append(c.record.Procedures, p)
	}
}

// partTime follows what is told of one part.
type partTime struct {
	count int
	total capture.Stamp
	since capture.Stamp
	on    bool
}

func (p *partTime) begin(at capture.Stamp) {
	p.count++
	if !p.on {
		p.on, p.since = true, at
	}
}

func (p *partTime) end(at capture.Stamp) {
	if p.on {
		p.total += max(0, at-p.since)
	}
	p.on = false
}

// soundAgain is what the analysis says of a sensor that counts again.
const soundAgain = "counts again"

func (c *Collector) part(name, finding string, at capture.Stamp) {
	for k, p := range c.parts {
		if k[0] == name && k[1] != finding {
			p.end(at)
		}
	}
	if finding == soundAgain {
		return
	}
	k := [2]string{name, finding}
	if c.parts[k] == nil {
		if len(c.parts) >= maxParts {
			return
		}
		c.parts[k] = new(partTime)
	}
	c.parts[k].begin(at)
}

func (c *Collector) alarm(a alarm.Change, at capture.Stamp) {
	p := c.alarms[a.Alarm]
	if p == nil {
		if len(c.alarms) >= maxParts {
			return
		}
		p = new(partTime)
		c.alarms[a.Alarm] = p
	}
	switch a.State {
	case "raised":
		p.begin(at)
	case "cleared":
		p.end(at)
	}
	c.title(a.Alarm, a.Say)
}

// Finish ends the session and returns its record.
func (c *Collector) Finish() *Record {
	c.shiftCurves.finish(&c.record)
	if c.begun {
		c.upTo(c.newest)
	}
	r := &c.record
	r.Seconds, r.Moved = c.seconds(c.ticks), c.seconds(c.moved)
	c.carry.finish(c)
	c.locks.end(c)
	for i := range c.switchs {
		c.switchs[i].finish(c)
	}
	list := func(p *partTime) (int, float64) {
		p.end(c.newest)
		return p.count, round(float64(p.total)/1e9, 2)
	}
	for k, p := range c.parts {
		n, s := list(p)
		r.Parts = append(r.Parts, Part{k[0], k[1], n, s})
	}
	for name, p := range c.alarms {
		if n, s := list(p); n > 0 {
			r.Alarms = append(r.Alarms, Part{name, "raised", n, s})
		}
	}
	byName := func(a, b Part) int { return strings.Compare(a.Part+"\x00"+a.Finding, b.Part+"\x00"+b.Finding) }
	slices.SortFunc(r.Parts, byName)
	slices.SortFunc(r.Alarms, byName)
	return r
}

func (c *Collector) seconds(ticks int) float64 {
	return round(float64(ticks)*(float64(tickStep)/1e9), 2)
}

// round keeps so many decimals.
func round(v float64, decimals int) float64 {
	scale := 1.0
	for range decimals {
		scale *= 10
	}
	return math.Round(v*scale) / scale
}

// known is a figure for a record, with so many decimals; nil for NaN.
func known(v float64, decimals int) *float64 {
	if math.IsNaN(v) {
		return nil
	}
	v = round(v, decimals)
	return &v
}

// average is a running mean of what is known.
type average struct {
	sum float64
	n   int
}

func (m *average) add(v float64) {
	if !math.IsNaN(v) {
		m.sum += v
		m.n++
	}
}

func (m *average) mean() float64 {
	if m.n == 0 {
		return math.NaN()
	}
	return m.sum / float64(m.n)
}

// sparse is a list of which every second entry is left out whenever it has grown to
// twice its bound.
type sparse[T any] struct {
	list  []T
	every int // so many of those that come are kept one
	seen  int
}

func (s *sparse[T]) add(v T, bound int) {
	s.every = max(s.every, 1)
	if s.seen++; (s.seen-1)%s.every != 0 {
		return
	}
	if s.list = append(s.list, v); len(s.list) < 2*bound {
		return
	}
	for i := range bound {
		s.list[i] = s.list[2*i]
	}
	s.list = slices.Delete(s.list, bound, len(s.list))
	s.every *= 2
}
