package drivetrain

import (
	"fmt"
	"math"

	"gearwitness/capture"
	"gearwitness/decode"
)

// Limits of the converter clutch: common practice, no source.
const (
	appliedCalm   = 1500 * millisecond // after the clutch is commanded before its slip counts
	controlledRPM = 100                // slip that no control of slip asks for
	slipLockTicks = 100                // 1 s of slip while applied
	slipLockPart  = 0.1                // of the time it should hold
	shudderLow    = 5.0                // Hz
	shudderHigh   = 20.0
	shudderRPM    = 20 // amplitude that can be felt
	shudderFor    = second
	shudderTicks  = 64 // window: 0.64 s
	levelTicks    = 20 // moving average taken off: passes what is faster than about 5 Hz
	enginePart    = 0.012
	engineTicks   = 300
)

// lockup watches the converter clutch while it is commanded, and the engine-speed
// sensor by it.
type lockup struct {
	state   lockState
	since   capture.Stamp
	asked   capture.Stamp // when it was told to hold or to let go last; 0 not seen
	ticks   int           // applied and pulling, settled
	slipped int
	peak    float64
	peakAt  capture.Stamp

	// Engine over input speed while the clutch holds, by who drives.
	pull, drag mean

	slips   [shudderTicks + levelTicks]float64
	n       int // consecutive ticks with a slip
	begun   capture.Stamp
	active  bool
	most    float64 // amplitude [rpm]
	hertz   float64
	told    int // shudders told
	worst   float64
	worstHz float64

	engineSilent, engineZero int
	engineState              sensorState
	engineHeard              capture.Stamp
}

// mean is a running mean with its spread (Welford's method).
type mean struct {
	n        int
	mean, m2 float64
}

func (m *mean) add(v float64) {
	m.n++
	d := v - m.mean
	m.mean += d / float64(m.n)
	m.m2 += float64(d * (v - m.mean))
}

func (m *mean) deviation() float64 {
	if m.n < 2 {
		return unknown
	}
	return math.Sqrt(m.m2 / float64(m.n-1))
}

// ShudderEvent tells of a slip of the converter clutch that swings.
type ShudderEvent struct {
	State     string          `json:"state"` // "shudder"
	Since     *decode.Seconds `json:"since_s"`
	End       *decode.Seconds `json:"end_s"`
	Amplitude float64         `json:"amplitude_rpm"`
	Frequency float64         `json:"frequency_hz"`
	Gear      string          `json:"gear,omitempty"`
	Pedal     *float64        `json:"pedal_percent,omitempty"`
}

// step follows one tick.
func (l *lockup) step(a *Analyzer, out *decode.Output) {
	n := &a.now
	l.engineSensor(a, out)
	lock := a.lockAt(n.at)
	if lock != l.state {
		if was := l.state; was == lockUnknown || lock == lockUnknown {
			l.asked = 0
		} else if was == lockOpen || lock == lockOpen {
			l.asked = a.changedAt(a.lockup, n.at)
		}
		l.state, l.since = lock, n.at
	}
	slip := n.engine - n.in
	if !known(slip) || !n.engaged || n.in < lockedFromRPM || lock != lockApplied && lock != lockSlipping {
		l.quiet(a, out)
		return
	}
	l.shudder(a, slip, out)
	if n.at-l.since < appliedCalm || a.shift.pending.to >= 0 {
		return
	}
	limit := a.converter.limit
	if lock == lockSlipping {
		limit = max(limit, controlledRPM)
	}
	pulling := n.pedal >= pullingPedal
	if pulling {
		l.ticks++
		if math.Abs(slip) > limit {
			l.slipped++
			if slip > l.peak {
				l.peak, l.peakAt = slip, n.at
			}
		}
	}
	if lock != lockApplied {
		return
	}
	if pulling {
		l.pull.add(n.engine / n.in)
	} else {
		l.drag.add(n.engine / n.in)
	}
}

// shudder looks for a swing of 5 to 20 Hz: the slip less its moving average over
// 0.2 s, its amplitude as root 2 of its effective value, its frequency from the
// crossings of zero; both exact for a sine.
func (l *lockup) shudder(a *Analyzer, slip float64, out *decode.Output) {
	l.slips[l.n%len(l.slips)] = slip
	l.n++
	if l.n < len(l.slips) || l.n%8 != 0 {
		return
	}
	at := func(i int) float64 { return l.slips[(l.n-1-i)%len(l.slips)] } // i ticks ago
	var sum, square, before float64
	for i := range levelTicks {
		sum += at(i)
	}
	crossings := 0
	for i := range shudderTicks {
		v := at(i+levelTicks/2) - sum/levelTicks
		sum += at(i+levelTicks) - at(i)
		square += float64(v * v)
		if i > 0 && v*before < 0 {
			crossings++
		}
		before = v
	}
	amplitude := math.Sqrt(2 * square / shudderTicks)
	hertz := float64(crossings) / 2 / (shudderTicks * float64(Tick) / 1e9)
	if amplitude >= shudderRPM && hertz >= shudderLow && hertz <= shudderHigh {
		if !l.active {
			l.active, l.begun, l.most = true, a.now.at, 0
		}
		if amplitude > l.most {
			l.most, l.hertz = amplitude, hertz
		}
		return
	}
	l.end(a, out)
}

// swings tells that the slip swings on one side of zero, as friction does. A slip that
// swings about zero while the engine pulls comes from two speeds of different age.
func (l *lockup) swings() bool {
	if l.n < len(l.slips) {
		return false
	}
	var sum float64
	for _, v := range l.slips {
		sum += v
	}
	return math.Abs(sum/float64(len(l.slips))) >= l.most/2
}

// quiet ends a stretch in which the clutch was commanded.
func (l *lockup) quiet(a *Analyzer, out *decode.Output) {
	l.end(a, out)
	l.n = 0
}

func (l *lockup) end(a *Analyzer, out *decode.Output) {
	if !l.active {
		return
	}
	l.active = false
	n := &a.now
	if n.at-l.begun < shudderFor {
		return
	}
	l.told++
	if l.most > l.worst {
		l.worst, l.worstHz = l.most, l.hertz
	}
	e := ShudderEvent{State: "shudder", Since: seconds(l.begun), End: seconds(n.at), Amplitude: round3(l.most), Frequency: math.Round(l.hertz*10) / 10, Pedal: figure(n.pedal)}
	if n.engaged {
		e.Gear = a.model.gears[n.gear].name
	}
	out.Events = append(out.Events, decode.Event{Time: n.at, Kind: decode.KindConverter, Fields: e})
}

// engineSensor follows the engine-speed sensor like those of the gearbox.
func (l *lockup) engineSensor(a *Analyzer, out *decode.Output) {
	n := &a.now
	if a.engine < 0 {
		return
	}
	c := &a.channels[a.engine]
	if c.lost && n.at-c.lostAt > second && !(n.in >= mustTurnRPM) && !(math.Abs(n.out) >= standingRPM) {
		c.trust()
		l.engineHeard = n.at
	}
	if known(n.engine) || l.engineHeard == 0 {
		l.engineHeard = n.at
	}
	state := sensorSound
	switch {
	case c.lost:
		state = sensorZero
	case !known(n.engine) && (l.engineState == sensorSilent || n.at-l.engineHeard >= silentAfter+2*c.period):
		state = sensorSilent
	case !known(n.engine):
		state = l.engineState
	}
	if state == l.engineState {
		return
	}
	l.engineState = state
	switch {
	case state == sensorZero:
		l.engineZero++
	case state == sensorSilent && n.sent != 0 && !c.absent(n.at):
		l.engineSilent++
	}
	out.Events = append(out.Events, decode.Event{Time: n.at, Kind: KindSensor, Fields: SensorEvent{Signal: c.name, Finding: findings[state], Bridged: n.engaged}})
}

// engineFactor is what the engine speed reads over what it should: an engine that
// pulls cannot turn slower than what it drives, one that is dragged not faster.
func (l *lockup) engineFactor() (float64, bool) {
	switch {
	case l.pull.n >= engineTicks && l.pull.mean < 1-enginePart && l.pull.deviation() < evenPart:
		return l.pull.mean, true
	case l.drag.n >= engineTicks && l.drag.mean > 1+enginePart && l.drag.deviation() < evenPart:
		return l.drag.mean, true
	}
	return 1, false
}

// suspects are the converter clutch and the engine-speed sensor with something
// against them.
func (l *lockup) suspects(a *Analyzer) []Suspect {
	var out []Suspect
	disagree := a.evidence.disagree(a.watch.wrong)
	add := func(element, part string, score float64, reason string) {
		verdict := VerdictSuspect
		if disagree {
			score, reason = min(score, 0.45), reason+"; but the gearbox's own speed sensors disagree: settle that first"
		}
		if score < 0.5 {
			verdict = VerdictUndecided
		}
		out = append(out, Suspect{Element: element, Part: part, Score: round3(score), Verdict: verdict, Reasons: []string{reason}})
	}
	if a.engine >= 0 {
		name := a.channels[a.engine].name
		factor, wrong := l.engineFactor()
		switch {
		case wrong && factor < 1:
			add(name, "sensor", 0.8, fmt.Sprintf("reads %.1f %% less than the input speed while the engine pulls through an applied converter clutch: no clutch slips like that", 100*(1-factor)))
		case wrong:
			add(name, "sensor", 0.8, fmt.Sprintf("reads %.1f %% more than the input speed while the engine is dragged through an applied converter clutch: no clutch slips like that", 100*(factor-1)))
		case l.engineZero > 0:
			add(name, "sensor", 0.6+float64(0.1*min(3, float64(l.engineZero))), "read 0 while the engine must turn, "+times(l.engineZero))
		case l.engineSilent > 0:
			add(name, "sensor", 0.7, "gave no value while the gearbox's sensors did")
		}
		if wrong {
			return out
		}
	}
	if l.told > 0 {
		add(converterClutch, "converter", min(0.95, 0.6+float64(0.1*float64(l.told))), fmt.Sprintf("shuddered %s, up to %.0f rpm at %.0f Hz", times(l.told), l.worst, l.worstHz))
	} else if l.slipping() {
		add(converterClutch, "converter", 0.8, fmt.Sprintf("slipped for %s of %s in which it was commanded to hold, up to %.0f rpm", duration(l.slipped), duration(l.ticks), l.peak))
	}
	return out
}

// forget drops what was measured against an input speed that was wrong.
func (l *lockup) forget() {
	l.ticks, l.slipped, l.peak = 0, 0, 0
	l.pull, l.drag = mean{}, mean{}
}

// slipping tells that the converter clutch slipped while it was commanded to hold.
func (l *lockup) slipping() bool {
	return l.slipped >= slipLockTicks && float64(l.slipped) >= slipLockPart*float64(l.ticks)
}

const converterClutch = "converter clutch"
