// Package drivetrain finds out what really happened in the gearbox: the gear
// engaged, the slip of every element and of the converter, every shift and
// engagement, from the speeds there are and the train the vehicle file
// describes.
//
// It is a pure function of the samples fed in: it works on a fixed grid of
// event time (ticks at absolute multiples of 10 ms) and evaluates a tick once
// every sample that belongs to it must have arrived, a fixed delay later. How
// the samples are split into batches makes no difference.
//
//	gear engaged    every carrying element of the gear within max(30 rpm, 2 % of
//	                input speed) for 80 ms; with plain ratios input against
//	                ratio times output instead
//	standing        output below 50 rpm
//	shift           p = (r - r_old)/(r_new - r_old) of the ratio r = input over
//	                output; from where p leaves 5 % for good to where it reaches
//	                95 % and stays
//	engagement      lever out of P or N at standstill until the input speed has
//	                fallen 80 % of its way
//	converter       slip = engine - input; locked within 30 rpm for 0.5 s
//
// The limits are common practice; no source.
package drivetrain

import (
	"math"

	"gearwitness/capture"
	"gearwitness/decode"
	"gearwitness/decode/series"
	"gearwitness/signals"
)

// Tick is the step of the analysis grid.
const Tick capture.Stamp = 10e6

const (
	millisecond = capture.Stamp(1e6)
	second      = 1000 * millisecond

	minDelay = 30 * millisecond
	maxDelay = 300 * millisecond

	// idle is how long after the last sample of any role ticks are evaluated:
	// long enough for everything to have grown stale.
	idle = 2 * second

	// farthest keeps sums of stamps within 64 bits.
	farthest = capture.Stamp(math.MaxInt64 / 2)
)

// Analyzer is the analysis of one drive. It is not safe for use by several
// goroutines at once.
type Analyzer struct {
	table *decode.Table
	*inputs
	model *model // nil without a transmission section or an output speed
	out   outputs
	delay capture.Stamp

	started bool
	next    capture.Stamp // the tick to be evaluated next
	newest  capture.Stamp // time of the last sample of any role
	pending decode.Output // evaluated while samples were fed, not yet handed out

	now       instant // the tick under evaluation
	past      history
	matcher   matcher
	watch     watch
	shift     shifting
	engage    engaging
	converter converting
	lockups   lockup
	stall     stalling
	oil       oilWatch
	groups    groups
	relearn   relearning
	contacts  contacts
	evidence  evidence
	switches  switches
	live      live
}

// New resolves the roles of the vehicle file against the table and appends the
// derived signals to it: gear, ratio, input_speed (where not measured),
// converter_slip, converter_speed_ratio, oil_temperature_difference,
// slip.<element>; each only where the file gives what it takes. A file without a transmission section yields
// an Analyzer that adds nothing.
//
// An error tells in the trade's words what of the transmission section cannot
// be worked with.
func New(f *signals.File, t *decode.Table) (*Analyzer, error) {
	a := &Analyzer{table: t, inputs: newInputs(f, t)}
	if f.Transmission == nil {
		return a, nil
	}
	if err := a.roles(f.Transmission.Roles); err != nil {
		return nil, err
	}
	m, err := newModel(f, t, a.channel)
	if err != nil {
		return nil, err
	}
	a.delay = minDelay
	for _, s := range m.sensors {
		a.channels[s.channel].kind = shaftSpeed
		a.delay = max(a.delay, a.channels[s.channel].period*5/2)
	}
	if a.engine >= 0 {
		a.delay = max(a.delay, a.channels[a.engine].period*5/2)
	}
	a.delay = min(a.delay, maxDelay)
	a.switches = newSwitches(f, t, m, a.channel)
	a.contacts = newContacts(f, t, a.channel)
	a.oil.limit = f.Transmission.Limits.CoolerDifferenceK
	a.stall.stated, a.stall.tolerance = f.Transmission.Limits.StallRPM, f.Transmission.Limits.StallToleranceRPM
	for i := range a.channels {
		c := &a.channels[i]
		c.ring = series.NewRing(2*a.delay + max(c.gap, c.age))
	}
	if len(m.gears) > 0 && len(m.sensors) > 0 {
		a.model = m
		a.matcher = newMatcher(m)
		a.watch = newWatch(m)
		a.past = newHistory()
		a.live = newLive(a)
		a.evidence = newEvidence(m)
		a.groups = make(groups)
		a.relearn.at = notKnown
		a.shift.from, a.shift.pending.to, a.shift.command, a.shift.commandBefore = notKnown, notKnown, notKnown, notKnown
		a.converter.limit = f.Transmission.Limits.ConverterLockedRPM
		if a.converter.limit == 0 {
			a.converter.limit = usualLockedRPM
		}
	}
	a.out.add(a, f, t)
	return a, nil
}

// Delay is the time after a tick at which it is evaluated: two and a half of
// the longest expected period of the speeds, between 30 and 300 ms.
func (a *Analyzer) Delay() capture.Stamp { return a.delay }

// Held returns the earliest evaluated tick of which a sample is still to come,
// because the gear it belongs to is not decided yet; false when there is none.
func (a *Analyzer) Held() (capture.Stamp, bool) {
	if a.out.waits == 0 {
		return 0, false
	}
	return a.out.waiting[0], true
}

// Undecided returns the earliest time that an event may still bear, of what is
// under way at the ticks evaluated so far: a gear that was left, an engagement, a
// converter that may have locked. False when there is nothing.
func (a *Analyzer) Undecided() (capture.Stamp, bool) {
	if !a.started || a.model == nil {
		return 0, false
	}
	since := a.next
	s := &a.shift
	switch {
	case s.pending.to >= 0:
		since = min(since, s.pending.left)
	case s.from >= 0 && !a.now.engaged:
		since = min(since, s.fromSeen)
	}
	since = max(since, a.next-historyTicks*Tick) // nobody looks back farther
	if a.engage.active {
		since = min(since, a.engage.start)
	}
	if a.converter.other {
		since = min(since, a.converter.since)
	}
	return since, since < a.next
}

// Reads tells whether a signal plays a role; samples of others need not be fed.
func (a *Analyzer) Reads(signal int32) bool {
	return signal >= 0 && int(signal) < len(a.route) && a.route[signal] >= 0
}

// Sample feeds samples, in event order. Those that play no role cost one
// look-up.
func (a *Analyzer) Sample(list ...decode.Sample) {
	for i := range list {
		s := &list[i]
		if !a.Reads(s.Signal) || (s.Time != a.newest || !a.started) && !a.reach(s.Time) {
			continue
		}
		c := &a.channels[a.route[s.Signal]]
		c.outside = s.Status == decode.Implausible
		c.heard = s.Time
		value := float64(s.Value*c.factor) + c.offset
		if s.Status != decode.Valid || math.IsNaN(s.Value) || math.IsInf(s.Value, 0) ||
			c.kind == shaftSpeed && !c.plausible(s.Time, value) {
			value = unknown
		}
		c.ring.Push(s.Time, value)
	}
}

// reach evaluates the ticks that are due before a sample of time t is taken in;
// false for no time a recording can have.
func (a *Analyzer) reach(t capture.Stamp) bool {
	if t <= -farthest || t >= farthest {
		return false
	}
	if !a.started {
		a.started, a.next, a.newest = true, gridUp(t), t
	}
	for a.next+a.delay <= t && a.next <= a.newest+idle {
		a.tick(a.next+a.delay, &a.pending)
	}
	if a.next > a.newest+idle && t > a.next {
		a.next = gridUp(t) // nothing to be known of the silence between
	}
	a.newest = max(a.newest, t)
	return true
}

// Advance evaluates every tick that is due at now (tick + Delay <= now) and
// appends its derived samples and events to out. Every sample before now must
// have been fed; samples at now or after may have been.
func (a *Analyzer) Advance(now capture.Stamp, out *decode.Output) {
	out.Samples = append(out.Samples, a.pending.Samples...)
	out.Events = append(out.Events, a.pending.Events...)
	a.pending.Reset()
	if !a.started || now >= farthest {
		return
	}
	for a.next+a.delay <= now && a.next <= a.newest+idle {
		a.tick(a.next+a.delay, out)
	}
}

// Finish evaluates what is left up to now, or up to the last sample where that
// is earlier, says of a shift still under way that its end was not seen, and
// closes the drive.
func (a *Analyzer) Finish(now capture.Stamp, out *decode.Output) {
	a.Advance(now, out)
	if !a.started {
		return
	}
	for a.next <= min(now, a.newest) {
		a.tick(farthest, out)
	}
	if a.model != nil {
		a.out.release(a, out)
		a.lockups.quiet(a, out)
		a.finishShift(out)
		a.finishEngagement(out)
		a.groups.finish(a.model, a.now.at, out)
		a.relearn.finish(a.now.at, out)
		a.oil.finish(a.now.at, out)
		a.live.set.Finish(a.now.at, out)
		a.emitSuspects(a.now.at, out)
	}
	a.started = false
}

// gridUp is the first tick at or after t.
func gridUp(t capture.Stamp) capture.Stamp {
	g := t - t%Tick
	if g < t {
		g += Tick
	}
	return g
}

// tick evaluates the next tick from the samples before horizon.
func (a *Analyzer) tick(horizon capture.Stamp, out *decode.Output) {
	at := a.next
	a.next += Tick
	first := len(out.Events)
	if a.model != nil {
		a.gather(at, horizon)
		a.estimate()
		a.match()
		a.watch.check(a, out)
		a.past.push(&a.now)
		a.out.speeds(a, out)
		a.stepShift(out)
		a.stepEngagement(out)
		a.stepConverter(out)
		a.lockups.step(a, out)
		a.stepStall(out)
		a.contacts.step(a, out)
		a.evidence.observe(a, out)
		a.evidence.conclude(a, out)
		a.live.step(a, first, out)
	}
	a.out.oil(a, at, out)
	if at%oilStep == 0 {
		a.oil.step(a, at)
		if a.model != nil {
			a.live.oil(a, at, out)
		}
	}
}

// instant is what is known of one tick. Figures that are not known are NaN.
type instant struct {
	at       capture.Stamp
	readings [maxSensors]float64 // rpm, signed as far as the sense is known
	have     uint64              // sensors with a reading that counts
	sent     uint64              // sensors with a reading, those left out included
	in, out  float64             // rpm
	engine   float64             // rpm
	torque   float64             // N·m
	pedal    float64             // %
	road     float64             // km/h
	oil      float64             // °C, in the pan, else at the outlet
	gear     int                 // position in model.gears, or standing, neutral, ...
	engaged  bool                // gear is a gear that has been confirmed
	lever    leverPosition
	command  int // gear asked for, or notKnown
}

// ratio is input over output; NaN at standstill, where it means nothing.
func (i *instant) ratio() float64 {
	if !(math.Abs(i.out) >= slowestRPM) {
		return unknown
	}
	return i.in / i.out
}

// gather takes the readings of a tick.
func (a *Analyzer) gather(at, horizon capture.Stamp) {
	n := &a.now
	*n = instant{at: at, in: unknown, out: unknown, gear: notKnown}
	for i := range a.model.sensors {
		s := &a.model.sensors[i]
		n.readings[i] = a.linear(s.channel, at, horizon)
		if known(n.readings[i]) {
			n.have |= 1 << i
		}
	}
	n.sent = n.have
	n.engine = a.linear(a.engine, at, horizon)
	n.torque = a.hold(a.engineTorque, at)
	n.pedal = a.hold(a.pedal, at)
	n.road = a.linear(a.road, at, horizon)
	n.oil = a.hold(a.pan, at)
	if !known(n.oil) {
		n.oil = a.hold(a.outlet, at)
	}
	n.lever = a.leverAt(at)
	n.command = a.gearAt(a.commanded, at)
}

// estimate finds input and output speed and, with a train, every slip that
// follows from the readings whatever the elements do.
func (a *Analyzer) estimate() {
	n, m := &a.now, a.model
	a.watch.leaveOut(a)
	a.sign()
	for e := range a.matcher.slips {
		a.matcher.slips[e] = unknown
	}
	have := n.have
	if m.train == nil {
		if m.input >= 0 && have>>m.input&1 != 0 {
			n.in = n.readings[m.input]
		}
		if m.output >= 0 && have>>m.output&1 != 0 {
			n.out = n.readings[m.output]
		}
		return
	}
	est := m.estimator(0, have)
	if est == nil {
		return
	}
	var buf [maxSensors]float64
	readings := pick(have, &n.readings, &buf)
	est.Speeds(readings, m.speeds)
	est.Slips(readings, a.matcher.slips)
	n.in, n.out = m.speeds[m.train.Input], m.speeds[m.train.Output]
}

// heldSpeeds gives input and output speed of a tick if the given elements hold.
func (m *model) heldSpeeds(elements uint64, n *instant) (in, out float64) {
	est := m.estimator(elements, n.have)
	if est == nil {
		return unknown, unknown
	}
	var buf [maxSensors]float64
	est.Speeds(pick(n.have, &n.readings, &buf), m.speeds)
	return m.speeds[m.train.Input], m.speeds[m.train.Output]
}
