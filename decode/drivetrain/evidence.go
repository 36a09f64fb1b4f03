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
	takingCold   = 4 * second        // and so long in cold oil
	coldOil      = 20.0              // °C
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
	sensors [][]level     // by gear, by sensor
	calmed  capture.Stamp // since when gear asked for and lever have not changed
	gear    int           // the gear they ask for
	before  uint64        // elements that carried before it was asked for
	reached bool          // it has been engaged since
	lever   leverPosition
	grip    gripping // where no commanded gear is broadcast
}

// carrying is how an element fared in a gear in which it carries, with the gear
// settled.
type carrying struct {
	ticks    int // observed
	pulling  int // of them with the engine driving
	slipped  int
	alone    int // of slipped: no other carrying element slipped
	sure     int // of slipped: in a shift in which it must hold, where no commanded gear is broadcast
	episodes int
	peak     float64       // largest slip [rpm]
	sigma    float64       // its standard uncertainty [rpm], NaN where not known
	last     capture.Stamp // when it slipped last
	run      int           // ticks of the episode under way
	pedalMin float64       // least pedal at which it slipped [%]
	pedalMax float64       // greatest pedal at which it held
}

var noCarrying = carrying{pedalMin: math.Inf(1), pedalMax: -1}

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
	gear  int
	late  bool
	slips uint64 // elements that slipped when it was late; 0 where they are not known
}

// Bounds of the memory: a drive of ten hours has a few thousand shifts.
const maxRecords = 20000

func newEvidence(m *model) evidence {
	v := evidence{gear: notKnown, grip: gripping{gear: notKnown, kept: make([]carrying, len(m.elements))}, carried: make([][]carrying, len(m.gears)), sensors: make([][]level, len(m.gears))}
	for g := range m.gears {
		v.carried[g] = make([]carrying, len(m.elements))
		for e := range v.carried[g] {
			v.carried[g][e] = noCarrying
		}
		v.sensors[g] = make([]level, len(m.sensors))
	}
	return v
}

// wanted is the gear that should be engaged: the one asked for where that is
// broadcast, else one that fits but for one sensor, else the one engaged last;
// notKnown while it is new.
func (a *Analyzer) wanted() int {
	n, v := &a.now, &a.evidence
	want := a.shift.from
	if a.commanded >= 0 {
		want = n.command
	} else if g := a.fitsWithoutOne(); g >= 0 {
		want = g
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
	told := a.commanded >= 0
	if !told && m.train != nil {
		v.grip.follow(a, v.carried)
	}
	if told || n.engaged {
		a.switches.observe(a, want, out)
	}
	if m.train == nil || want < 0 || n.gear == standing || n.gear == neutral {
		return
	}
	if n.at%sensorStep == 0 && (told || n.gear == want || a.fitsWithoutOne() == want) {
		v.look(a, want)
	}
	if n.have != 1<<len(m.sensors)-1 || !(n.in >= fastRPM) || !told && want != v.grip.gear {
		return
	}
	g := &m.gears[want]
	allowed := g.allowed(n.in)
	pulling := n.pedal >= pullingPedal
	slipping := bits.OnesCount64(a.slipping(want))
	for _, e := range g.carries {
		slip := a.matcher.slips[e]
		if !known(slip) || !v.reached && v.before>>e&1 == 0 && n.at-v.calmed < n.takeover() {
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
			c.peak, c.sigma = math.Abs(slip), a.sigmaNow(e)
		}
		if known(n.pedal) {
			c.pedalMin = min(c.pedalMin, n.pedal)
		}
	}
}

// takeover is how long an element that is being applied may take.
func (n *instant) takeover() capture.Stamp {
	if n.oil < coldOil {
		return takingCold
	}
	return takingOver
}

// shift keeps what a shift says of its elements.
func (v *evidence) shift(a *Analyzer, e *ShiftEvent, from, to int, sp span, held bool, f fate) {
	if len(v.shifts) >= maxRecords {
		return
	}
	if g := &v.grip; a.model.train != nil && a.commanded < 0 && (g.gear != from || sp.start-g.left > flareLook) {
		return // it may have begun as slip
	}
	r := shiftRecord{from: from, to: to, up: e.Direction == "up", powerOn: e.Load == "power-on",
		known: sp.startKnown && sp.endKnown && !sp.bridged && !sp.unseen, overshoot: e.Overshoot, delay: unknown,
		held: held, slippedBefore: f == lost, pedal: value(e.Pedal), oil: value(e.OilTemperature)}
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

// engagement keeps how a gear engaged.
func (v *evidence) engagement(r engageRecord) {
	if r.gear >= 0 && len(v.engages) < maxRecords {
		v.engages = append(v.engages, r)
	}
}

func value(p *float64) float64 {
	if p == nil {
		return unknown
	}
	return *p
}
