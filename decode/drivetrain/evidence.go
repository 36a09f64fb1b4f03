package drivetrain

import (
	"math"
	"math/bits"

	"gearwitness/capture"
	"gearwitness/decode"
)

// What counts as evidence; common practice, no source, unless said.
const (
	calm         = 800 * millisecond // after the last change of the gear asked for and of the lever
	takingOver   = 2 * second        // an element that is being applied may take so long
	fastRPM      = 300               // input speed from which steady slip is judged
	pullingPedal = 5                 // %: the engine drives
	episodeGap   = 300 * millisecond // slip that pauses for less is one episode
	shortEpisode = 60 * millisecond  // shorter ones do not count
)

// evidence adds up what speaks for and against each element and each sensor,
// gear by gear and shift by shift.
type evidence struct {
	carried [][]carrying // by gear, by element
	shifts  []shiftRecord
	engages []engageRecord
	sensors [][]reading   // by gear, by sensor
	calmed  capture.Stamp // since when gear asked for and lever have not changed
	gear    int           // the gear they ask for
	before  uint64        // elements that carried before it was asked for
	reached bool          // it has been engaged since
	lever   leverPosition
	lastOff capture.Stamp // when sensors were last looked at
}

// carrying is how an element fared in a gear in which it carries, with the gear
// settled.
type carrying struct {
	ticks    int // observed
	pulling  int // of them with the engine driving
	slipped  int
	alone    int // of slipped: no other carrying element slipped
	episodes int
	peak     float64 // largest slip [rpm]
	at       capture.Stamp
	last     capture.Stamp // when it slipped last
	run      int           // ticks of the episode under way
	pedalMin float64       // least pedal at which it slipped [%]
	pedalMax float64       // greatest pedal at which it held
}

// reading is what the other sensors say of one sensor in one gear: its reading
// over what it should be, as mean and squared deviations (Welford's method), and
// how often the others agreed among themselves.
type reading struct {
	ticks, agreed int
	mean, m2      float64
	grain         float64 // sum of what the sensors' steps alone make of it
}

// shiftRecord is what one shift says about its elements.
type shiftRecord struct {
	from, to            int
	up, powerOn         bool
	known               bool // start and end were seen, with every sensor sound
	flare, overshoot    float64
	bindUp              float64
	delay               float64 // s, NaN without a broadcast command
	held, slippedBefore bool
	pedal, oil          float64
}

// kind numbers the kinds of shift that a control unit times alike.
func (r *shiftRecord) kind() int {
	k := 0
	if r.up {
		k = 2
	}
	if r.powerOn {
		k++
	}
	return k
}

// engageRecord is one engagement.
type engageRecord struct {
	gear    int
	took    float64 // s
	engaged bool
}

// Bounds of the memory: a drive of ten hours has a few thousand shifts.
const maxRecords = 20000

func newEvidence(m *model) evidence {
	v := evidence{gear: notKnown, carried: make([][]carrying, len(m.gears)), sensors: make([][]reading, len(m.gears))}
	for g := range m.gears {
		v.carried[g] = make([]carrying, len(m.elements))
		for e := range v.carried[g] {
			v.carried[g][e].pedalMin = math.Inf(1)
			v.carried[g][e].pedalMax = -1
		}
		v.sensors[g] = make([]reading, len(m.sensors))
	}
	return v
}

// wanted is the gear that should be engaged: the one asked for where that is
// broadcast, else the one engaged last; notKnown while it is new.
func (a *Analyzer) wanted() int {
	n, v := &a.now, &a.evidence
	want := a.shift.from
	if a.commanded >= 0 {
		want = n.command
	}
	if n.lever.parked() {
		want = notKnown
	}
	if want != v.gear || n.lever != v.lever {
		v.gear, v.lever, v.calmed, v.reached, v.before = want, n.lever, n.at, false, 0
		if a.shift.from >= 0 {
			v.before = a.model.gears[a.shift.from].mask
		}
	}
	v.reached = v.reached || n.engaged && n.gear == want
	if want < 0 || n.at-v.calmed < calm || a.shift.pending.to >= 0 {
		return notKnown
	}
	return want
}

// observe takes the evidence of one tick.
func (v *evidence) observe(a *Analyzer, out *decode.Output) {
	n, m := &a.now, a.model
	want := a.wanted()
	a.switches.observe(a, want, out)
	if m.train == nil || want < 0 || n.gear == standing || n.gear == neutral {
		return
	}
	if n.at%sensorStep == 0 {
		v.observeSensors(a, want)
	}
	if n.have != 1<<len(m.sensors)-1 || !(n.in >= fastRPM) {
		return
	}
	g := &m.gears[want]
	allowed := g.allowed(n.in)
	pulling := n.pedal >= pullingPedal
	slipping := 0
	for _, e := range g.carries {
		if math.Abs(a.matcher.slips[e]) > allowed {
			slipping++
		}
	}
	for _, e := range g.carries {
		slip := a.matcher.slips[e]
		if !known(slip) || !v.reached && v.before>>e&1 == 0 && n.at-v.calmed < takingOver {
			continue
		}
		c := &v.carried[want][e]
		if m.oneWay[e] {
			// It may run free when the wheels drive; under drive it must hold.
			if !pulling || slip > 0 {
				continue
			}
		}
		c.ticks++
		if pulling {
			c.pulling++
		}
		if math.Abs(slip) <= allowed {
			c.run = 0
			if pulling {
				c.pedalMax = max(c.pedalMax, n.pedal)
			}
			continue
		}
		c.run++
		if c.run < int(shortEpisode/Tick) {
			continue
		}
		if c.run == int(shortEpisode/Tick) {
			c.slipped += c.run
			if c.episodes == 0 || n.at-c.last > episodeGap {
				c.episodes++
			}
		} else {
			c.slipped++
		}
		if slipping == 1 {
			c.alone++
		}
		c.last = n.at
		if math.Abs(slip) > c.peak {
			c.peak, c.at = math.Abs(slip), n.at
		}
		if known(n.pedal) {
			c.pedalMin = min(c.pedalMin, n.pedal)
		}
	}
}

// observeSensors compares each sensor with what the others make of it in the
// gear that should be engaged.
func (v *evidence) observeSensors(a *Analyzer, want int) {
	n, m := &a.now, a.model
	g := &m.gears[want]
	if bits.OnesCount64(n.sent) < 3 {
		return
	}
	for s := range m.sensors {
		c := g.speed[s]
		if n.sent>>s&1 == 0 || !(math.Abs(c) > 0) {
			continue
		}
		score, in := m.fit(g, &n.readings, n.have&^(1<<s))
		if !(in >= 2*fastRPM) || score == noFit || math.Abs(c*in) < fastRPM/2 {
			continue
		}
		r := &v.sensors[want][s]
		r.ticks++
		if score*g.allowed(in) > bridgeRPM+g.spread {
			continue
		}
		k := n.readings[s] / (c * in)
		r.agreed++
		d := k - r.mean
		r.mean += d / float64(r.agreed)
		r.m2 += d * (k - r.mean)
		r.grain += (g.spread + m.sensors[s].step/math.Abs(c)/2) / in
	}
}

// Limits of a sensor that reads wrong.
const (
	wrongPart   = 0.012            // of its reading, that counts as wrong
	evenPart    = 0.004            // spread of the error within a gear and between gears
	enoughTicks = 30               // looks at a sensor in a gear
	sensorStep  = 50 * millisecond // between two of them
	agreePart   = 0.9
	lookEvery   = 2 * second
)

// scale is what a sensor reads over what it should, where the others agree that
// it is the same in every gear they can tell it in, and is not 1.
func (v *evidence) scale(m *model, s int) (k float64, gears int, ok bool) {
	lo, hi := math.Inf(1), math.Inf(-1)
	var sum, n float64
	for g := range m.gears {
		r := &v.sensors[g][s]
		if r.ticks < enoughTicks {
			continue
		}
		if float64(r.agreed) < agreePart*float64(r.ticks) {
			return 0, 0, false
		}
		if math.Sqrt(r.m2/float64(r.agreed)) > evenPart+r.grain/float64(r.agreed) {
			return 0, 0, false
		}
		lo, hi = min(lo, r.mean), max(hi, r.mean)
		sum, n = sum+r.mean*float64(r.agreed), n+float64(r.agreed)
		gears++
	}
	if gears < 2 || hi-lo > 2*evenPart || (lo < 1+wrongPart && hi > 1-wrongPart) {
		return 0, gears, false
	}
	return sum / n, gears, true
}

// lookAtSensors leaves a sensor out from now on that reads wrong by the same part
// in every gear: no element can slip like that.
func (v *evidence) lookAtSensors(a *Analyzer, out *decode.Output) {
	n, m := &a.now, a.model
	if m.train == nil || len(m.sensors) < 3 || n.at-v.lastOff < lookEvery || a.watch.wrong != 0 {
		return
	}
	v.lastOff = n.at
	found, factor := -1, 0.0
	for s := range m.sensors {
		if k, _, ok := v.scale(m, s); ok {
			if found >= 0 {
				return // two explanations: either, or
			}
			found, factor = s, k
		}
	}
	if found < 0 {
		return
	}
	a.watch.wrong |= 1 << found
	a.watch.factor[found] = factor
	for g := range v.carried { // what was held against elements came from this sensor
		for e := range v.carried[g] {
			v.carried[g][e] = carrying{pedalMin: math.Inf(1), pedalMax: -1}
		}
	}
	v.shifts = v.shifts[:0]
	finding := "reads too low, by the same part in every gear"
	if factor > 1 {
		finding = "reads too high, by the same part in every gear"
	}
	part := round3(100 * math.Abs(factor-1))
	out.Events = append(out.Events, decode.Event{Time: n.at, Kind: KindSensor, Fields: SensorEvent{Signal: m.sensors[found].name, Finding: finding, Percent: &part, Bridged: true}})
}

// shift keeps what a shift says of its elements.
func (v *evidence) shift(e *ShiftEvent, from, to int, sp span, held bool) {
	if len(v.shifts) >= maxRecords {
		return
	}
	r := shiftRecord{from: from, to: to, up: e.Direction == "up", powerOn: e.Load == "power-on",
		known: sp.startKnown && sp.endKnown && !sp.bridged, overshoot: e.Overshoot, delay: unknown,
		held: held, slippedBefore: e.SlippedBefore, pedal: value(e.Pedal), oil: value(e.OilTemperature)}
	if e.Flare != nil {
		r.flare = *e.Flare
	}
	if e.BindUp != nil {
		r.bindUp = *e.BindUp
	}
	if e.Delay != nil {
		r.delay = float64(*e.Delay) / 1e9
	}
	v.shifts = append(v.shifts, r)
}

// engagement keeps how long a gear took to engage.
func (v *evidence) engagement(gear int, took float64, engaged bool) {
	if gear >= 0 && len(v.engages) < maxRecords {
		v.engages = append(v.engages, engageRecord{gear, took, engaged})
	}
}

func value(p *float64) float64 {
	if p == nil {
		return unknown
	}
	return *p
}
