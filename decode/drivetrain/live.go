package drivetrain

import (
	"math"
	"math/bits"
	"slices"

	"gearwitness/capture"
	"gearwitness/decode"
	"gearwitness/decode/finding"
)

// Limits of what is told while it happens; common practice, no source, unless said.
const (
	settled      = second             // after a gear has been reached its elements have settled
	takeoverMore = 500 * millisecond  // before it is told that it has not
	unaskedMore  = 1500 * millisecond // and where nobody says whether a shift was asked for
	flareNote    = 40                 // rpm: several times what sound shifts show
	bindNote     = 0.45               // m/s²: healthy shifts stay below 0.3
	lateNote     = 0.2                // s, over what upshifts under power usually take to begin
	keptDelays   = 32
	offPart      = 0.015 // by which a sensor that all others contradict is off
	offFor       = second
	lockupMore   = 5 // rpm over the limit
	huntTimes    = 3 // openings against the command
	huntWithin   = 60 * second
	torquePulls  = 15 // N·m, where no pedal is broadcast
	sureSlip     = 0.9
	sureEither   = 0.5
	sigmaTimes   = 3
	stillSlipped = 0.8 // of the pedal at which an element slipped: less is no proof that it holds
)

// live tells at each tick what can be seen to be wrong.
type live struct {
	set *finding.Set

	command   int
	reached   bool // the gear asked for has been engaged
	reachedAt capture.Stamp
	overdue   bool // told that it has not come
	slipPedal []float64
	alone     capture.Stamp // since when one element alone slips and no gear is commanded; 0: not
	alone1    int
	offSensor int
	offSince  capture.Stamp
	opened    [huntTimes]capture.Stamp
	openings  int
	contact   string
	engineOff capture.Stamp // since when the engine speed is below what it drives; 0: not
	delays    []float64     // of the last upshifts under power
}

func newLive(a *Analyzer) live {
	l := live{set: finding.NewSet(a.file, a.table), command: notKnown, offSensor: -1, slipPedal: make([]float64, len(a.model.elements))}
	for i := range l.slipPedal {
		l.slipPedal[i] = math.Inf(1)
	}
	return l
}

// step looks at the tick under evaluation. Events from first on are those of this tick.
func (l *live) step(a *Analyzer, first int, out *decode.Output) {
	n := &a.now
	if a.shift.command != l.command {
		l.command, l.reached, l.overdue = a.shift.command, false, false
	}
	if n.engaged && n.gear == l.command && !l.reached {
		l.reached, l.reachedAt = true, n.at
	}
	events := out.Events[first:]
	for i := range events {
		l.event(a, &events[i], out)
	}
	l.sensors(a, out)
	l.offOne(a, out)
	l.elements(a, out)
	l.shifts(a, out)
	l.lockup(a, out)
	l.switches(a, out)
	l.contacts(a, out)
}

func element(name string) finding.Key {
	return finding.Key{Kind: finding.ElementSlips, Part: "element", Name: name}
}

// pulls tells whether the engine drives, as far as that is known.
func (n *instant) pulls() bool {
	switch {
	case known(n.pedal):
		return n.pedal >= pullingPedal
	case known(n.torque):
		return n.torque >= torquePulls
	}
	return true
}

func (n *instant) loadName() string {
	if n.pulls() {
		return "drive"
	}
	return "coast"
}

// mustCarry gives the elements that have to carry at this tick, and the gear asked
// for: those of the gear asked for once it has been engaged or should have been;
// during a shift those that both gears need. Where no gear is commanded it is the
// gear whose elements stood still last.
func (a *Analyzer) mustCarry() (set uint64, gear int) {
	n, m, s := &a.now, a.model, &a.shift
	if m.train == nil || n.gear == standing || n.gear == neutral || n.gear == notKnown || n.lever.parked() {
		return 0, notKnown
	}
	if a.commanded < 0 {
		g := a.evidence.grip.gear
		if g < 0 {
			return 0, notKnown
		}
		return m.gears[g].mask, g
	}
	if n.command < 0 || n.command != s.command {
		return 0, notKnown
	}
	gear = n.command
	set = m.gears[gear].mask
	if a.live.reached && n.at-a.live.reachedAt >= settled || n.at-s.commandAt >= n.takeover() {
		return set, gear
	}
	if s.commandBefore < 0 && s.from < 0 {
		return 0, gear
	}
	if s.commandBefore >= 0 {
		set &= m.gears[s.commandBefore].mask
	}
	if s.from >= 0 {
		set &= m.gears[s.from].mask
	}
	return set, gear
}

// elements looks for elements that slip while they have to carry.
func (l *live) elements(a *Analyzer, out *decode.Output) {
	n, m := &a.now, a.model
	must, gear := a.mustCarry()
	if gear < 0 || must == 0 || n.have != 1<<len(m.sensors)-1 || !(n.in >= fastRPM) || !n.pulls() {
		l.alone = 0
		return
	}
	g := &m.gears[gear]
	limit := max(finding.SlipRPM, finding.SlipPart*n.in)
	limit = math.Sqrt(float64(limit*limit) + float64(g.spread*g.spread))
	var slipping uint64
	for set := must; set != 0; set &= set - 1 {
		e := bits.TrailingZeros64(set)
		slip := a.matcher.slips[e]
		if known(slip) && math.Abs(slip) > limit && !(m.oneWay[e] && slip > 0) {
			if sigma := a.sigmaNow(e); known(sigma) && math.Abs(slip) <= limit+float64(sigmaTimes*sigma) {
				continue
			}
			slipping |= 1 << e
		}
	}
	if a.commanded < 0 && !l.longAlone(n, slipping) {
		slipping = 0
	}
	x := finding.Sight{Gear: g.name, Load: n.loadName(), Sure: sureSlip}
	if l.offSensor >= 0 && l.offSince != 0 {
		if g.alike>>l.offSensor&1 == 0 {
			return // the sensor, and no element, explains it
		}
		x.Sure, x.Or = sureEither, "the "+m.sensors[l.offSensor].name+" reads wrong"
	}
	if bits.OnesCount64(slipping) > 1 {
		x.Sure, x.Or = sureEither, "the main pressure is low"
	}
	for set := must; set != 0; set &= set - 1 {
		e := bits.TrailingZeros64(set)
		slip := a.matcher.slips[e]
		switch k := element(m.elements[e]); {
		case slipping>>e&1 != 0:
			x.Value = math.Abs(slip)
			l.set.See(n.at, k, x, out)
			if known(n.pedal) {
				l.slipPedal[e] = min(l.slipPedal[e], n.pedal)
			}
		case known(slip) && math.Abs(slip) <= g.allowed(n.in) && n.engaged && !(known(n.pedal) && n.pedal < stillSlipped*l.slipPedal[e]):
			l.set.Absent(n.at, k, out)
		}
	}
}

// longAlone tells that one and the same element alone has slipped for longer than a
// shift would take.
func (l *live) longAlone(n *instant, slipping uint64) bool {
	if bits.OnesCount64(slipping) != 1 {
		l.alone = 0
		return false
	}
	if e := bits.TrailingZeros64(slipping); l.alone == 0 || e != l.alone1 {
		l.alone, l.alone1 = n.at, e
	}
	return n.at-l.alone >= n.takeover()+unaskedMore
}

func shiftKey(k *finding.Kind, from, to string) finding.Key {
	return finding.Key{Kind: k, Part: "shift", Name: from + "-" + to}
}

// shifts looks at the shift asked for while it is under way.
func (l *live) shifts(a *Analyzer, out *decode.Output) {
	n, m, s := &a.now, a.model, &a.shift
	if n.command < 0 || n.command != s.command || l.reached || n.gear == standing || n.gear == neutral || n.gear == notKnown || n.lever.parked() {
		return
	}
	from := s.shiftsFrom()
	if from < 0 || from == n.command || m.gears[from].reverse != m.gears[n.command].reverse {
		return
	}
	old, to := &m.gears[from], &m.gears[n.command]
	if n.at-s.commandAt >= n.takeover()+takeoverMore && !l.overdue && n.pulls() && s.commandAt > s.stood {
		p := a.progress(n, from, n.command)
		sensor, gear, _ := a.offSensor()
		if (p < nearlyThere || p > 1+(1-nearlyThere)) && !(sensor >= 0 && gear == n.command) {
			l.overdue = true
			l.set.Once(n.at, shiftKey(finding.ShiftMissing, old.name, to.name), finding.Sight{Value: unknown, Gear: to.name, Load: n.loadName(), Sure: sureSlip}, out)
		}
	}
	if math.Abs(to.ratio) < math.Abs(old.ratio) && n.pulls() && s.from == from && n.at-s.commandAt < n.takeover() {
		if rise := n.in - float64(old.ratio*n.out); rise >= flareNote+2*old.spread {
			l.set.See(n.at, shiftKey(finding.ShiftFlares, old.name, to.name), finding.Sight{Value: rise, Gear: to.name, Load: n.loadName()}, out)
		}
	}
}

// event takes what the analysis has just told.
func (l *live) event(a *Analyzer, e *decode.Event, out *decode.Output) {
	at := a.now.at
	none := finding.Sight{Value: unknown}
	switch f := e.Fields.(type) {
	case MissedEvent:
		k := shiftKey(finding.ShiftMissing, f.From, f.To)
		if l.set.Open(k) && at-capture.Stamp(*f.Until) <= 10*second && f.Command != nil && at-capture.Stamp(*f.Command) < 15*second {
			return // told when it was overdue
		}
		l.set.Once(at, k, none, out)
	case ShiftEvent:
		l.shift(a, e.Kind, &f, out)
	case EngagementEvent:
		k := finding.Key{Part: "gear", Name: f.To}
		switch {
		case !f.Engaged:
			k.Kind = finding.EngagementMissing
			l.set.Once(at, k, none, out)
		case *f.Duration > decode.Seconds(engageLate):
			k.Kind = finding.EngagementLate
			l.set.Once(at, k, finding.Sight{Value: float64(*f.Duration) / 1e9}, out)
		}
	case SensorEvent:
		if f.Percent != nil && f.Since != nil {
			if k := (finding.Key{Kind: finding.SensorWrong, Part: "sensor", Name: f.Signal}); !l.set.Open(k) {
				l.set.Once(at, k, finding.Sight{Value: *f.Percent}, out)
			}
			why := "the " + f.Signal + " reads wrong"
			l.set.TakeBack(at, capture.Stamp(*f.Since), "element", why, out)
			l.set.TakeBack(at, capture.Stamp(*f.Since), "shift", why, out)
		}
	case ConverterEvent:
		if f.State == "open" && f.Commanded == "applied" {
			l.hunts(at, out)
		}
	case LeverEvent:
		l.contact = "lever contacts"
		if len(f.Suspects) == 1 {
			l.contact = f.Suspects[0]
		}
	case StallEvent:
		k := finding.Key{Part: "gear", Name: f.Lever}
		switch f.Finding {
		case "too low":
			k.Kind = finding.StallLow
		case "too high":
			k.Kind = finding.StallHigh
		default:
			return
		}
		l.set.Once(at, k, finding.Sight{Value: f.EngineSpeed}, out)
	}
}

// shift takes a shift that has ended.
func (l *live) shift(a *Analyzer, kind string, f *ShiftEvent, out *decode.Output) {
	at := a.now.at
	x := finding.Sight{Value: unknown, Gear: f.To, Load: loadOf(f)}
	if kind == KindUncommanded {
		l.set.Once(at, shiftKey(finding.ShiftUnasked, f.From, f.To), x, out)
		return
	}
	if kind != decode.KindShift {
		return
	}
	if f.Held && f.Settled && !f.SlippedBefore {
		l.set.Absent(at, shiftKey(finding.ShiftMissing, f.From, f.To), out)
	}
	spread := 0.0
	for g := range a.model.gears {
		if a.model.gears[g].name == f.From {
			spread = a.model.gears[g].spread
		}
	}
	if f.Flare != nil && f.Load == "power-on" {
		k := shiftKey(finding.ShiftFlares, f.From, f.To)
		switch x.Value = *f.Flare; {
		case x.Value < flareNote+2*spread:
			l.set.Absent(at, k, out)
		case !l.set.Open(k) || l.set.Since(k) > 5*second: // not seen while it happened
			l.set.Once(at, k, x, out)
		}
	}
	l.late(at, f, x, out)
	if f.BindUp != nil {
		k := shiftKey(finding.ShiftBinds, f.From, f.To)
		if x.Value = *f.BindUp; x.Value >= bindNote {
			l.set.Once(at, k, x, out)
		} else {
			l.set.Absent(at, k, out)
		}
	}
}

// late holds the delay of an upshift under power against what they usually take, of which
// it takes the lower third: up to two of three may be late.
func (l *live) late(at capture.Stamp, f *ShiftEvent, x finding.Sight, out *decode.Output) {
	if f.Delay == nil || f.Load != "power-on" || f.Direction != "up" {
		return // on the way down a control unit waits for the moment that nobody feels
	}
	delay, usual := float64(*f.Delay)/1e9, &l.delays
	k := shiftKey(finding.ShiftLate, f.From, f.To)
	if len(*usual) >= fewestDelays {
		sorted := slices.Sorted(slices.Values(*usual))
		if over := delay - sorted[len(sorted)/3]; over >= lateNote {
			x.Value, x.Sure = over, sureSlip
			l.set.Once(at, k, x, out)
		} else {
			l.set.Absent(at, k, out)
		}
	}
	if len(*usual) == keptDelays {
		*usual = (*usual)[:copy(*usual, (*usual)[1:])]
	}
	*usual = append(*usual, delay)
}

func loadOf(f *ShiftEvent) string {
	if f.Load == "power-on" {
		return "drive"
	}
	return "coast"
}

// hunts counts how often the converter clutch lets go although it is told to hold.
func (l *live) hunts(at capture.Stamp, out *decode.Output) {
	l.opened[l.openings%huntTimes] = at
	l.openings++
	if l.openings >= huntTimes && at-l.opened[l.openings%huntTimes] <= huntWithin {
		l.set.Once(at, finding.Key{Kind: finding.LockupHunts, Part: "converter", Name: converterClutch}, finding.Sight{Value: unknown}, out)
	}
}

// lockup looks at the converter clutch while it is told to hold.
func (l *live) lockup(a *Analyzer, out *decode.Output) {
	n, u := &a.now, &a.lockups
	k := finding.Key{Kind: finding.LockupSlips, Part: "converter", Name: converterClutch}
	slip := n.engine - n.in
	if known(slip) && n.engaged && n.in >= lockedFromRPM && (u.state == lockApplied || u.state == lockSlipping) && n.at-u.since >= appliedCalm && a.shift.pending.to < 0 && n.pulls() {
		x := finding.Sight{Value: slip, Gear: a.model.gears[n.gear].name, Load: n.loadName(), Sure: sureSlip}
		limit := a.converter.limit
		if u.state == lockSlipping { // as much as control of slip may ask for
			limit = max(limit, controlledRPM)
		}
		switch {
		case slip > limit+lockupMore:
			l.set.See(n.at, k, x, out)
		case math.Abs(slip) <= limit && u.state == lockApplied:
			l.set.Absent(n.at, k, out)
		}
		l.engine(a, slip, out)
	}
	k.Kind = finding.LockupShudders
	switch {
	case u.active && u.swings():
		l.set.See(n.at, k, finding.Sight{Value: u.most, Load: n.loadName(), Sure: sureSlip}, out)
	case u.state == lockApplied && n.engaged && u.n >= len(u.slips):
		l.set.Absent(n.at, k, out)
	}
}

// engine looks at the engine speed while the converter clutch holds: an engine that
// pulls cannot turn slower than what it drives.
func (l *live) engine(a *Analyzer, slip float64, out *decode.Output) {
	n := &a.now
	k := finding.Key{Kind: finding.SensorWrong, Part: "sensor", Name: a.channels[a.engine].name}
	switch {
	case slip >= -max(2*a.converter.limit, offPart*n.in):
		l.engineOff = 0
		if math.Abs(slip) <= a.converter.limit {
			l.set.Absent(n.at, k, out)
		}
	case l.engineOff == 0:
		l.engineOff = n.at
	case n.at-l.engineOff >= offFor:
		l.set.See(n.at, k, finding.Sight{Value: 100 * slip / n.in, Sure: sureSlip}, out)
	}
}

// sensors looks at the speed sensors of the gearbox and the engine.
func (l *live) sensors(a *Analyzer, out *decode.Output) {
	n, w := &a.now, &a.watch
	for s := range a.model.sensors {
		l.sensor(n.at, &a.channels[a.model.sensors[s].channel], w.state[s], n.sent&^(1<<s) != 0, out)
	}
	if a.engine >= 0 {
		l.sensor(n.at, &a.channels[a.engine], a.lockups.engineState, n.sent != 0, out)
	}
}

func (l *live) sensor(at capture.Stamp, c *channel, state sensorState, others bool, out *decode.Output) {
	zero := finding.Key{Kind: finding.SensorZero, Part: "sensor", Name: c.name}
	silent := finding.Key{Kind: finding.SensorSilent, Part: "sensor", Name: c.name}
	gone := finding.Key{Kind: finding.MessageGone, Part: "message", Name: c.message}
	x := finding.Sight{Value: unknown}
	switch {
	case state == sensorZero:
		l.set.See(at, zero, x, out)
	case state == sensorSilent && c.absent(at) && others:
		l.set.See(at, gone, x, out)
	case state == sensorSilent && others && !c.outside && !l.set.Open(zero):
		l.set.See(at, silent, x, out)
	case state == sensorSound:
		l.set.Absent(at, zero, out)
		l.set.Absent(at, silent, out)
		l.set.Absent(at, gone, out)
	}
}

// offOne looks for the one sensor that all others contradict: they show a gear, and
// with it as the gear would be.
func (l *live) offOne(a *Analyzer, out *decode.Output) {
	n, m := &a.now, a.model
	sensor, gear, part := a.offSensor()
	if sensor < 0 || math.Abs(part) < offPart+a.grainOf(sensor, gear) || a.commanded >= 0 && gear != n.command {
		l.offSensor, l.offSince = -1, 0
		return
	}
	if sensor != l.offSensor {
		l.offSensor, l.offSince = sensor, n.at
	}
	if m.gears[gear].alike>>sensor&1 != 0 || n.at-l.offSince < offFor {
		return
	}
	l.set.See(n.at, finding.Key{Kind: finding.SensorWrong, Part: "sensor", Name: m.sensors[sensor].name}, finding.Sight{Value: 100 * part, Gear: m.gears[gear].name, Sure: sureSlip}, out)
}

// grainOf is what the steps of the sensors alone may make of the part by which a sensor
// is off in a gear.
func (a *Analyzer) grainOf(sensor, gear int) float64 {
	m, g := a.model, &a.model.gears[gear]
	_, in := m.fit(g, &a.now.readings, a.now.have&^(1<<sensor))
	return (g.spread + m.sensors[sensor].step/math.Abs(g.speed[sensor])) / in
}

// switches tells of the pressure switches that contradict the settled gear.
func (l *live) switches(a *Analyzer, out *decode.Output) {
	for i := range a.switches.list {
		w := &a.switches.list[i]
		if w.sight == sightNone {
			continue
		}
		k := finding.Key{Kind: finding.SwitchContradicts, Part: "switch", Name: w.signal}
		switch {
		case w.sight == sightAgrees:
			if w.agreesWith == w.contradicted {
				l.set.Absent(a.now.at, k, out)
			}
		default:
			w.contradicted = w.agreesWith
			x := finding.Sight{Value: unknown, Gear: w.gear, Sure: sureSlip}
			if w.agreesWith && !w.holdsNow {
				x.Sure, x.Or = sureEither, "the pressure of the "+a.model.elements[w.element]+" is missing"
			}
			l.set.See(a.now.at, k, x, out)
		}
		w.sight = sightNone
	}
}

// contacts tells of lever contacts that do not fit the lever.
func (l *live) contacts(a *Analyzer, out *decode.Output) {
	c := &a.contacts
	if len(c.codes) == 0 || l.contact == "" {
		return
	}
	k := finding.Key{Kind: finding.ContactContradicts, Part: "lever contact", Name: l.contact}
	if c.bad {
		l.set.See(a.now.at, k, finding.Sight{Value: unknown, Sure: sureSlip}, out)
	} else if c.fits {
		l.set.Absent(a.now.at, k, out)
	}
}

// oil looks at the oil temperatures, on the slow grid.
func (l *live) oil(a *Analyzer, at capture.Stamp, out *decode.Output) {
	pan, outlet := a.hold(a.pan, at), a.hold(a.outlet, at)
	hot := func(kind *finding.Kind, channel int, v, limit float64) {
		k := finding.Key{Kind: kind, Part: "oil", Name: a.channels[channel].name}
		if known(v) && v > limit {
			l.set.See(at, k, finding.Sight{Value: v}, out)
		} else if known(v) && v <= limit-5 {
			l.set.Absent(at, k, out)
		}
	}
	if a.pan >= 0 {
		hot(finding.OilHot, a.pan, pan, oilHigh)
	}
	if a.outlet >= 0 {
		hot(finding.OilTooHot, a.outlet, outlet, oilStop)
	}
	o := &a.oil
	if o.limit == 0 || !known(pan) || !known(outlet) || o.lockSince == 0 || at-o.lockSince < steadyLockup || pan < oilWarm {
		return
	}
	k := finding.Key{Kind: finding.OilDifference, Part: "oil", Name: "cooler"}
	if d := outlet - pan; d > o.limit {
		l.set.See(at, k, finding.Sight{Value: d, Sure: 0.7}, out)
	} else {
		l.set.Absent(at, k, out)
	}
}
