package drivetrain

import (
	"math"

	"gearwitness/capture"
	"gearwitness/decode"
)

// Limits of a shift: common practice, no source, but for the definition of p.
const (
	startsAt        = 0.05
	endsAt          = 0.95
	staysFor        = 300 * millisecond // how long p stays above endsAt for the end to count
	shortestCommand = 500 * millisecond // a gear asked for less long is only passed through
	longestBlind    = 1500 * millisecond
	shortestBlind   = 100 * millisecond // without a ratio, of which nothing but the ends is known
	pendingFor      = 400 * millisecond // how long p is above endsAt before a shift is closed: what follows it tells too
	nearlyThere     = 0.9
	passedFor       = 300 * millisecond
	longestWait     = 3 * second       // for it after the new gear is engaged
	drivingPedal    = 3                // %: below it the engine is dragged
	flareLook       = second           // how long before the ratio phase a flare belongs to the shift
	hearsay         = 50 * millisecond // and two messages: how long after a control unit acts it may say so
	lostAfter       = 5 * second       // a gear asked for that has not come by then is lost
	hoverPart       = 0.005            // of p: what uneven teeth make of one value
	hoverMean       = 0.0015           // and of a mean of hoverTicks
	hoverTicks      = 16
	longestHover    = 3 * second
)

// ShiftEvent is one change of gear. Times are stamps of the recording; figures
// that are not known are left out.
type ShiftEvent struct {
	From     string          `json:"from"`
	To       string          `json:"to"`
	Start    *decode.Seconds `json:"start_s"` // null where it was not seen
	End      *decode.Seconds `json:"end_s"`
	Duration *decode.Seconds `json:"duration_s"`
	// Uncertainty is how far start and end may be off because speeds are sent so
	// rarely or were missing there. Where nothing between the two was seen there is
	// neither a duration nor any other figure of the shift.
	Uncertainty decode.Seconds `json:"uncertainty_s"`
	Direction   string         `json:"direction"`      // "up" or "down"
	Load        string         `json:"load,omitempty"` // "power-on", "power-off" or "coast"
	// Command is when the gear was asked for, Delay the time from there to Start.
	Command *decode.Seconds `json:"command_s,omitempty"`
	Delay   *decode.Seconds `json:"delay_s,omitempty"`
	// Uncommanded: a commanded gear is broadcast, and it was not this one.
	Uncommanded bool `json:"uncommanded,omitempty"`
	// SlippedBefore: the ratio left the old gear a moment before the command was
	// heard. Where it did so long before, the shift counts as missed.
	SlippedBefore bool `json:"slipped_before,omitempty"`
	// Flare is the largest rise of the input speed above the old gear's line [rpm].
	Flare *float64 `json:"flare_rpm,omitempty"`
	// FlareFault: it is more than the vehicle file allows, or 150 rpm where it is silent.
	FlareFault bool `json:"flare_fault,omitempty"`
	// TorqueDip is how far the acceleration fell in the torque phase of an upshift
	// below its level before [m/s2], known under the same conditions as BindUp.
	TorqueDip *float64 `json:"torque_phase_dip_mps2,omitempty"`
	// BindUp is how far the acceleration fell in an upshift below both its level
	// before and after [m/s2], as long as the vehicle speed tells metres.
	BindUp *float64 `json:"bind_up_mps2,omitempty"`
	// SlipEnergy is the friction energy of each element that takes over [kJ]:
	// torque share times engine torque times slip over the ratio phase, without
	// the converter's gain and the inertia of the engine.
	SlipEnergy map[string]float64 `json:"slip_energy_kj,omitempty"`
	// SlipEnergyPart is the same over what the vehicle file says the lining bears;
	// EnergyFault that it was more than that.
	SlipEnergyPart map[string]float64 `json:"slip_energy_part,omitempty"`
	EnergyFault    bool               `json:"energy_fault,omitempty"`
	// SlipSigma is the standard uncertainty, in the middle of the ratio phase, of the
	// slip of each element that takes over or lets go [rpm]: from the sensors' steps,
	// and from when within its period a speed is read.
	SlipSigma map[string]float64 `json:"slip_sigma_rpm,omitempty"`
	// Overshoot is the largest run of the ratio past the new gear, in parts of the step.
	Overshoot float64 `json:"overshoot"`
	// Skipped: the gears are no neighbours.
	Skipped bool `json:"skipped,omitempty"`
	// Repeated: the shift before was the same pair of gears, less than 5 s ago.
	Repeated bool `json:"repeated,omitempty"`
	// Settled is false where the new gear was left again before it had been
	// reached for good.
	Settled bool `json:"settled"`
	// Held is false where the ratio reached that of the new gear and went on,
	// because its elements do not carry.
	Held bool `json:"held"`
	// Bridged: a shaft-speed sensor was missing; the input or output speed follows
	// from the elements that both gears share.
	Bridged        bool     `json:"bridged,omitempty"`
	Pedal          *float64 `json:"pedal_percent,omitempty"`
	OilTemperature *float64 `json:"oil_celsius,omitempty"`
	InputSpeed     *float64 `json:"input_rpm,omitempty"` // at the start
	EngineTorque   *float64 `json:"engine_torque_nm,omitempty"`
}

// KindUncommanded is the event, with the fields of a shift, of a gear that came
// although another was asked for, such as because an element slips until a one-way
// clutch holds.
const KindUncommanded = "uncommanded_shift"

// KindUnfinished is the event of a shift whose end was not seen.
const KindUnfinished = "unfinished_shift"

// UnfinishedEvent tells of a gear that was left when the recording ended.
type UnfinishedEvent struct {
	From string          `json:"from"`
	Left *decode.Seconds `json:"left_s"`
	Why  string          `json:"why"`
}

// shifting follows the gears from one to the next.
type shifting struct {
	from     int           // gear last engaged, or notKnown
	fromSeen capture.Stamp // when it was engaged last
	fromAt   capture.Stamp // when it was engaged first

	pending struct {
		from, to int           // to is notKnown while nothing is pending
		left     capture.Stamp // when another gear was engaged last
		guessed  bool          // from was asked for but never engaged
		at       capture.Stamp
		reached  capture.Stamp // since when p is above endsAt; 0: not
		fell     capture.Stamp // since when it is below; 0: not
	}

	came   bool          // the gear asked for has come, or word is given that it did not
	passed capture.Stamp // since when the ratio is past a commanded gear that does not hold; 0: not

	stood         capture.Stamp // when there was no gear to be in last: standing, neutral
	told          bool          // the gear asked for before is told as missed
	command       int           // gear asked for
	commandAt     capture.Stamp // since
	commandBefore int
	oldCommandAt  capture.Stamp

	last struct {
		from, to int
		at       capture.Stamp
	}
}

const repeatedWithin = 5 * second

// MissedEvent tells of a commanded shift that never came, came more than 5 s late
// or had no beginning, because an element slipped away from the old gear before it
// was asked for.
type MissedEvent struct {
	From    string          `json:"from"`
	To      string          `json:"to"`
	Command *decode.Seconds `json:"command_s"`
	Until   *decode.Seconds `json:"until_s"` // when another gear was asked for, or it was clear
	// Left tells that the old gear was left all the same: the new gear's element
	// does not take over, or not in time.
	Left bool `json:"left"`
	// Came is when the ratio reached that of the new gear after all.
	Came *decode.Seconds `json:"came_s,omitempty"`
}

// KindMissed is the event of a commanded shift that never came as one.
const KindMissed = "missed_shift"

// missed looks at the gear asked for until now, as another is asked for, and tells
// whether it never came.
func (a *Analyzer) missed(at capture.Stamp, out *decode.Output) bool {
	n, s := &a.now, &a.shift
	to, from := s.command, s.shiftsFrom()
	if s.came || to < 0 || from < 0 || to == from || to == s.pending.to && s.pending.reached != 0 || a.matcher.candidate == to || at-s.commandAt < shortestCommand {
		return false
	}
	if p := a.progress(n, from, to); !(p < nearlyThere) {
		return false
	}
	if to == s.pending.to {
		s.pending.to, s.from = notKnown, from // it came for a moment only
	}
	a.emitMissed(from, to, s.commandAt, at, !n.engaged, 0, out)
	return true
}

func (a *Analyzer) emitMissed(from, to int, command, until capture.Stamp, left bool, came capture.Stamp, out *decode.Output) {
	e := MissedEvent{From: a.model.gears[from].name, To: a.model.gears[to].name, Command: seconds(command), Until: seconds(until), Left: left}
	if came != 0 {
		e.Came = seconds(came)
	}
	out.Events = append(out.Events, decode.Event{Time: until, Kind: KindMissed, Fields: e})
}

// shiftsFrom is the gear that the shift asked for begins from: the one asked for
// before, even where an element slipped out of it, unless that was only passed
// through; else the one last engaged.
func (s *shifting) shiftsFrom() int {
	if s.commandBefore >= 0 && s.from >= 0 && s.commandAt-s.oldCommandAt >= shortestCommand {
		return s.commandBefore
	}
	return s.from
}

// passing finds a commanded shift whose ratio reached that of the new gear and
// went on, because the elements of the new gear do not hold: it is a shift all
// the same, into a gear that was never engaged.
func (a *Analyzer) passing(out *decode.Output) {
	n, s := &a.now, &a.shift
	if s.from < 0 || s.pending.to >= 0 || s.came || n.engaged || n.gear != between || n.command < 0 || n.command == s.from {
		s.passed = 0
		return
	}
	from := s.shiftsFrom()
	if from == n.command {
		return
	}
	switch p := a.progress(n, from, n.command); {
	case p >= endsAt && s.passed == 0:
		s.passed = n.at
	case p < endsAt:
		s.passed = 0
	}
	if s.passed == 0 || n.at-s.passed < passedFor {
		return
	}
	s.pending.from, s.pending.to, s.pending.at, s.pending.reached = s.shiftsFrom(), n.command, n.at, s.passed
	s.pending.left, s.pending.guessed = s.fromSeen, false
	s.from, s.fromAt, s.fromSeen, s.passed = n.command, n.at, n.at, 0
	a.emitShift(false, false, 0, out)
}

// stepShift follows one tick.
func (a *Analyzer) stepShift(out *decode.Output) {
	n, s := &a.now, &a.shift
	if n.command != notKnown && n.command != s.command {
		at := a.changedAt(a.commanded, n.at)
		s.told = a.missed(at, out)
		s.commandBefore, s.oldCommandAt = s.command, s.commandAt
		s.command, s.commandAt, s.came = n.command, at, false
	}
	if s.pending.to >= 0 {
		p := a.progress(n, s.pending.from, s.pending.to)
		switch {
		case p >= endsAt:
			if s.pending.reached == 0 {
				s.pending.reached = n.at
			}
			s.pending.fell = 0
		case known(p):
			s.pending.reached = 0
			if s.pending.fell == 0 {
				s.pending.fell = n.at
			}
			// What has stayed long enough was a shift, though the gear is lost again.
			if p < endsAt-max(hoverPart, a.grain(n, s.pending.from, s.pending.to)) {
				ago := int((n.at-s.pending.fell)/Tick) + 1
				if sp := a.ratioPhase(s.pending.from, s.pending.to, ago); sp.endKnown && s.pending.fell-sp.end > staysFor {
					a.emitShift(true, true, ago, out)
				}
			}
		}
		left := n.gear != s.pending.to && n.gear != notKnown && n.gear != between
		switch {
		case s.pending.to < 0:
		case s.pending.reached != 0 && n.at-s.pending.reached >= pendingFor:
			a.emitShift(true, true, 0, out)
		case left: // it is told as it stood when its gear was last engaged
			a.emitShift(s.pending.reached != 0, true, int((n.at-s.fromSeen)/Tick), out)
		case n.at-s.pending.at > longestWait:
			a.emitShift(s.pending.reached != 0, true, 0, out)
		}
	}
	a.passing(out)
	switch {
	case n.engaged:
		if s.from >= 0 && s.from != n.gear {
			if s.pending.to >= 0 {
				a.emitShift(s.pending.reached != 0, true, 0, out)
			}
			from := s.from
			if a.matcher.bridged && n.gear-from != 1 && from-n.gear != 1 && n.at-s.fromSeen > longestBlind {
				s.fromAt, s.from, s.fromSeen = n.at, n.gear, n.at
				break // with a sensor missing, gears in between may have gone unseen
			}
			if n.gear == s.command {
				from = s.shiftsFrom()
			}
			if from == n.gear {
				s.fromAt, s.from, s.fromSeen = n.at, n.gear, n.at
				break // come back
			}
			s.pending.from, s.pending.to, s.pending.at, s.pending.reached, s.pending.fell = from, n.gear, n.at, 0, 0
			s.pending.left, s.pending.guessed = s.fromSeen, false
			s.fromAt = n.at
		} else if s.from < 0 {
			s.fromAt = n.at
			// The gear before may have slipped ever since the vehicle stood.
			if from := s.commandBefore; from >= 0 && n.gear == s.command && from != n.gear && s.commandAt > s.stood && s.commandAt-s.oldCommandAt >= shortestCommand {
				s.pending.from, s.pending.to, s.pending.at, s.pending.reached, s.pending.fell = from, n.gear, n.at, 0, 0
				s.pending.left, s.pending.guessed = s.stood, true
			}
		}
		s.from, s.fromSeen = n.gear, n.at
		if n.gear == s.command && s.pending.to < 0 {
			s.came = true
		}
	case n.gear == standing, n.gear == neutral, a.matcher.engaged == notKnown && a.matcher.fresh:
		if n.gear == standing || n.gear == neutral {
			s.stood = n.at
		}
		s.from = notKnown // what follows is an engagement, no shift
	}
}

// progress is p of a tick, NaN where it is not known.
func (a *Analyzer) progress(n *instant, from, to int) float64 {
	old, new := &a.model.gears[from], &a.model.gears[to]
	r := n.ratio()
	if !known(r) && a.model.train != nil {
		// An element that both gears need holds all the while, or else there is no
		// telling.
		in, out := a.model.heldSpeeds(old.mask&new.mask, n)
		if math.Abs(out) >= slowestRPM {
			r = in / out
		} else if out := a.watch.outputFromRoad(n.road); !known(n.out) && out >= slowestRPM {
			r = math.Copysign(n.in/out, new.ratio)
		}
	}
	return (r - old.ratio) / (new.ratio - old.ratio)
}

// crossing is the time at which p passes a level between two ticks.
func crossing(t0 capture.Stamp, p0 float64, t1 capture.Stamp, p1, level float64) capture.Stamp {
	if p1 == p0 {
		return t1
	}
	f := (level - p0) / (p1 - p0)
	const step = 1000 // whole microseconds: more than any sensor can tell
	return t0 + capture.Stamp(math.Round(f*float64(t1-t0)/step))*step
}

// span is where a shift's ratio phase lies.
type span struct {
	start, end           capture.Stamp
	startKnown, endKnown bool
	bridged              bool
	doubt                capture.Stamp // widest gap between the ticks around start or end
	unseen               bool          // start and end lie in one such gap: nothing in between is known
	hover                capture.Stamp // for how long p was about 5 % or 95 %
	first                int           // ticks back of the start
	overshoot            float64
}

// ratioPhase looks back from some ticks ago for the last time p was below 95 %, and
// before that the last time it was at most 5 %. Where p hovers about 95 %, within
// what steps and uneven teeth make of it, the end may be any time between the first
// and the last time it got there: the middle is taken.
func (a *Analyzer) ratioPhase(from, to, ago int) span {
	var sp span
	var nextAt, last, endGap capture.Stamp
	var recent, mean float64 // number and mean of the last values before the end
	nextP := unknown
	shallow := false // all that fell short of the end so far was within the sensors' steps
	for i := ago; ; i++ {
		n := a.past.back(i)
		if n == nil || n.gear == standing || n.gear == neutral || n.at < a.shift.last.at && a.shift.last.at != 0 {
			return sp
		}
		p := a.progress(n, from, to)
		if !known(p) {
			continue
		}
		if !known(n.ratio()) {
			sp.bridged = true
		}
		if !sp.endKnown {
			sp.overshoot = max(sp.overshoot, p-1)
		}
		if known(nextP) {
			gap := nextAt - n.at
			if p < endsAt && nextP >= endsAt && (!sp.endKnown || shallow) {
				first := crossing(n.at, p, nextAt, nextP, endsAt)
				if !sp.endKnown {
					sp.endKnown, last = true, first
				}
				sp.hover = (last - first) / 2
				sp.end = last - sp.hover
				sp.doubt, endGap = max(sp.doubt, gap), n.at
				shallow = true
			}
			if sp.endKnown {
				recent = min(recent+1, hoverTicks)
				mean += (p - mean) / recent
			}
			if grain := a.grain(n, from, to); p < endsAt-max(grain, hoverPart) || recent > hoverTicks/2 && mean < endsAt-max(grain, hoverMean) {
				shallow = false
			}
			if sp.endKnown && p <= startsAt {
				sp.startKnown, sp.start, sp.first = true, crossing(n.at, p, nextAt, nextP, startsAt), i
				sp.doubt, sp.hover = max(sp.doubt, gap), max(sp.hover, sp.start-a.hoveredSince(from, to, i))
				sp.unseen = endGap == n.at && gap > shortestBlind
				return sp
			}
		} else if p < endsAt {
			// Not there yet: what lies behind is the start all the same.
			sp.end, sp.endKnown = n.at, false
			return a.startOnly(from, to, i, sp)
		}
		nextAt, nextP = n.at, p
	}
}

// hoveredSince is since when p had been about 5 % before the tick i back.
func (a *Analyzer) hoveredSince(from, to, i int) capture.Stamp {
	since, first := a.past.back(i).at, a.past.back(i).at
	for ; ; i++ {
		n := a.past.back(i)
		if n == nil || first-n.at > longestHover {
			return since
		}
		if p := a.progress(n, from, to); !(p >= startsAt-max(hoverPart, a.grain(n, from, to))) {
			return since
		}
		since = n.at
	}
}

// grain is how far the steps of the sensors alone move p.
func (a *Analyzer) grain(n *instant, from, to int) float64 {
	old, new := &a.model.gears[from], &a.model.gears[to]
	if !known(n.out) || n.out == 0 {
		return 0
	}
	return min(0.2, max(old.spread, new.spread)/math.Abs(n.out*(new.ratio-old.ratio)))
}

// startOnly looks for the start of a shift that has not reached its end.
func (a *Analyzer) startOnly(from, to, i int, sp span) span {
	var nextAt capture.Stamp
	nextP := unknown
	for ; ; i++ {
		n := a.past.back(i)
		if n == nil || n.gear == standing || n.gear == neutral || n.at < a.shift.last.at && a.shift.last.at != 0 {
			return sp
		}
		p := a.progress(n, from, to)
		if !known(p) {
			continue
		}
		if p <= startsAt && known(nextP) {
			sp.startKnown, sp.start, sp.first = true, crossing(n.at, p, nextAt, nextP, startsAt), i
			sp.doubt = max(sp.doubt, nextAt-n.at)
			return sp
		}
		nextAt, nextP = n.at, p
	}
}

// emitShift closes the pending shift as it stood some ticks ago.
func (a *Analyzer) emitShift(settled, held bool, ago int, out *decode.Output) {
	s, m := &a.shift, a.model
	from, to := s.pending.from, s.pending.to
	s.pending.to = notKnown
	sp := a.ratioPhase(from, to, ago)
	e := ShiftEvent{From: m.gears[from].name, To: m.gears[to].name, Settled: settled && sp.endKnown, Held: held, Bridged: sp.bridged, Direction: "up"}
	if math.Abs(m.gears[to].ratio) > math.Abs(m.gears[from].ratio) {
		e.Direction = "down"
	}
	at := s.pending.at
	if sp.endKnown {
		e.End, at = seconds(sp.end), sp.end
	}
	e.Uncertainty = decode.Seconds(max(a.timing(sp.doubt), sp.hover))
	if sp.bridged && a.road >= 0 {
		e.Uncertainty = max(e.Uncertainty, decode.Seconds(2*a.channels[a.road].period)) // it may follow from that
	}
	e.Overshoot = round3(sp.overshoot)
	e.Skipped = from-to != 1 && to-from != 1
	if same := s.last.from == from && s.last.to == to || s.last.from == to && s.last.to == from; same && at-s.last.at < repeatedWithin && s.last.at != 0 {
		e.Repeated = true
	}
	fate := a.command(&e, to, &sp, settled, held)
	if fate == unsettled {
		if s.from == to {
			s.from = from // it may come yet
		}
		return
	}
	s.last.from, s.last.to, s.last.at = from, to, at
	if sp.startKnown && sp.endKnown && !sp.unseen {
		e.Duration = seconds(sp.end - sp.start)
		if e.Direction == "up" { // in a downshift the engine takes its own acceleration first
			dip, bindUp := a.torquePhase(sp)
			e.TorqueDip, e.BindUp = figure(dip), figure(bindUp)
		}
		e.SlipEnergy = a.slipEnergy(from, to, sp)
		e.SlipEnergyPart, e.EnergyFault = m.energyParts(e.SlipEnergy)
		e.SlipSigma = a.slipSigma(from, to, sp)
	}
	first := a.past.back(0)
	if sp.startKnown {
		e.Start = seconds(sp.start)
		first = a.past.back(sp.first)
		if e.Direction == "up" && !sp.unseen {
			e.Flare = a.flare(from, sp)
			e.FlareFault = *e.Flare > m.flareLimit
		}
	} else {
		sp.start = s.pending.at
	}
	if first != nil {
		e.Pedal, e.OilTemperature, e.EngineTorque = figure(first.pedal), figure(first.oil), figure(first.torque)
		e.InputSpeed = figure(first.in)
		e.Load = load(first, e.Direction)
	}
	if fate == toldBefore || s.pending.guessed && !(sp.startKnown && sp.endKnown) {
		return
	}
	a.evidence.shift(a, &e, from, to, sp, held, fate)
	switch fate {
	case uncommanded:
		out.Events = append(out.Events, decode.Event{Time: at, Kind: KindUncommanded, Fields: e})
	case lost:
		s.came = true
		came := at
		if !held {
			came = 0
		}
		a.emitMissed(from, to, s.asked(to), a.now.at, true, came, out)
	default:
		if to == s.command {
			s.came = true
		}
		a.groups.add(&e, from, to)
		a.relearn.shift(m, &e, from, to)
		out.Events = append(out.Events, decode.Event{Time: at, Kind: decode.KindShift, Fields: e})
	}
}

// timing is what a shift's start and end may be off: half a period of the slowest
// speed, or where values are missing all of the widest gap around them.
func (a *Analyzer) timing(gap capture.Stamp) capture.Stamp {
	var period capture.Stamp
	for _, s := range a.model.sensors {
		period = max(period, a.channels[s.channel].period)
	}
	if gap > max(period, shortestBlind) {
		return gap
	}
	return max(gap, period) / 2
}

// load tells what drives: the engine, or the wheels.
func load(n *instant, direction string) string {
	switch {
	case !known(n.pedal):
		return ""
	case n.pedal >= drivingPedal:
		return "power-on"
	case direction == "down":
		return "coast"
	}
	return "power-off"
}

// fate is what becomes of a shift that was asked for or not.
type fate uint8

const (
	asShift     fate = iota
	uncommanded      // another gear was asked for
	lost             // it came too late, or by slip before it was asked for
	unsettled        // it did not stay
	toldBefore       // as missed, before it came after all
)

// asked is when a gear was asked for last.
func (s *shifting) asked(gear int) capture.Stamp {
	if s.command == gear {
		return s.commandAt
	}
	return s.oldCommandAt
}

// command finds when the gear was asked for, and what that makes of the shift. What
// moved the ratio before was no part of a shift but an element that slipped.
func (a *Analyzer) command(e *ShiftEvent, to int, sp *span, settled, held bool) fate {
	s := &a.shift
	if a.commanded < 0 || s.command == notKnown {
		return asShift
	}
	if held && !e.Settled { // what passes by without holding is told all the same
		return unsettled
	}
	if s.command != to && s.commandBefore == to && s.told {
		return toldBefore
	}
	if s.command != to && s.commandBefore != to {
		e.Uncommanded = true
		return uncommanded
	}
	at := s.asked(to)
	e.Command = seconds(at)
	heard := at - 2*a.channels[a.commanded].period - hearsay // when it may have been asked for
	switch {
	case !held && !(sp.startKnown && sp.endKnown):
		return lost
	case sp.endKnown && (sp.end+sp.doubt < heard || sp.end-sp.doubt > at+lostAfter):
		return lost
	case sp.startKnown && sp.start+sp.doubt < heard, sp.endKnown && !sp.startKnown && a.slippedAt(heard):
		return lost
	case !sp.startKnown || sp.unseen:
		return asShift
	}
	d := decode.Seconds(max(0, sp.start-at))
	e.Delay, e.SlippedBefore = &d, sp.start < at-a.channels[a.commanded].period
	return asShift
}

// slippedAt tells that the old gear had been left by slip at a time that is kept.
func (a *Analyzer) slippedAt(at capture.Stamp) bool {
	n := a.past.back(a.past.since(at))
	return n != nil && n.at-at < 2*Tick && n.gear == between
}

// flare is the largest rise of input speed above the old gear's line before or
// in an upshift.
func (a *Analyzer) flare(from int, sp span) *float64 {
	ratio := a.model.gears[from].ratio
	worst := 0.0
	for i := 0; ; i++ {
		n := a.past.back(i)
		if n == nil || n.at < sp.start-flareLook || n.at < a.shift.fromAtBefore(sp) || n.gear == standing || n.gear == neutral {
			break
		}
		if n.at > sp.end {
			continue
		}
		if rise := n.in - float64(ratio*n.out); rise > worst {
			worst = rise
		}
	}
	worst = math.Round(worst*10) / 10
	return &worst
}

// fromAtBefore keeps a look back out of the shift before.
func (s *shifting) fromAtBefore(sp span) capture.Stamp {
	if s.last.at != 0 && s.last.at < sp.start {
		return s.last.at
	}
	return -farthest
}

// finishShift closes what is under way at the end of a drive.
func (a *Analyzer) finishShift(out *decode.Output) {
	s := &a.shift
	if s.pending.to >= 0 {
		a.emitShift(s.pending.reached != 0, true, 0, out)
	}
	n := a.past.back(0)
	if n == nil || s.from < 0 || n.engaged || n.gear != between || n.at-s.fromSeen < settle {
		return
	}
	out.Events = append(out.Events, decode.Event{Time: n.at, Kind: KindUnfinished, Fields: UnfinishedEvent{
		From: a.model.gears[s.from].name, Left: seconds(s.fromSeen), Why: "the recording ends before another gear is engaged",
	}})
}

func seconds(t capture.Stamp) *decode.Seconds {
	s := decode.Seconds(t)
	return &s
}

// figure rounds a value for an event; nil where it is not known.
func figure(v float64) *float64 {
	if !known(v) {
		return nil
	}
	v = math.Round(v*100) / 100
	return &v
}

func round3(v float64) float64 { return math.Round(v*1000) / 1000 }

// changedAt is the time stamp of the value a channel holds at a tick.
func (in *inputs) changedAt(c int, at capture.Stamp) capture.Stamp {
	if t, ok := in.channels[c].ring.HeldSince(at); ok {
		return t
	}
	return at
}
