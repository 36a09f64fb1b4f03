package drivetrain

import (
	"math"
	"math/bits"

	"gearwitness/capture"
)

// Limits of the engaged gear: common practice, no source.
const (
	looseRPM      = 30                // slip of a carrying element that still counts as none
	loosePart     = 0.02              // the same as part of the input speed
	settle        = 80 * millisecond  // how long a pattern must hold before the gear counts as engaged
	relapse       = 50 * millisecond  // a gear left for less than this needs no settling again
	standingRPM   = 50                // output speed
	slowestRPM    = 20                // output speed below which the ratio means nothing
	standingKmh   = 2                 // road speed, where the output speed is not known
	forgetful     = 500 * millisecond // silence after which nothing is known of before
	bridgeRPM     = 8                 // disagreement of the sensors up to which a gear is good enough to fill figures in
	settleTicks   = int(settle / Tick)
	noFit         = math.MaxFloat64
	ambiguousPart = 0.5
	roadPart      = 0.06 // that the output may be off the road speed's
	jumpTicks     = 50   // 0.5 s
	jumpPart      = 0.25 // of the input speed
)

// matcher finds the gear whose pattern the speeds show, and confirms it.
type matcher struct {
	slips []float64 // by element [rpm], NaN where it does not follow
	score []float64 // by gear: slip over what is allowed; 1 and below fits

	engaged   int // the gear last confirmed and not lost since, or notKnown
	leftAt    capture.Stamp
	leftFor   int // gear left last, for relapse
	candidate int
	since     capture.Stamp
	lastKnown capture.Stamp // when there was anything to judge by
	fresh     bool          // nothing is known of before: the first gear counts from where its pattern began
	bridged   bool          // a sensor is missing
	alike     int           // gears that fit the tick
	jumped    bool          // the input speed has jumped while gears looked alike
	settle    capture.Stamp // how long a pattern must hold now
}

func newMatcher(m *model) matcher {
	return matcher{slips: make([]float64, len(m.elements)), score: make([]float64, len(m.gears)), engaged: notKnown, leftFor: notKnown, candidate: notKnown, fresh: true}
}

// allowed is the slip that still counts as none at an input speed.
func (g *gear) allowed(in float64) float64 {
	a := max(looseRPM, loosePart*math.Abs(in))
	return math.Sqrt(float64(a*a) + float64(g.spread*g.spread))
}

// fit tells how well the readings of a set of sensors show a gear: their
// disagreement about the input speed over what is allowed. in is the input speed
// under this gear.
func (m *model) fit(g *gear, readings *[maxSensors]float64, have uint64) (score, in float64) {
	lo, hi := math.Inf(1), math.Inf(-1)
	still, told := 0.0, 0
	var sum, weight float64
	for set := have; set != 0; set &= set - 1 {
		s := bits.TrailingZeros64(set)
		c := g.speed[s]
		switch {
		case !known(c):
			continue
		case c == 0:
			still = max(still, math.Abs(readings[s]))
		default:
			v := readings[s] / c
			lo, hi = min(lo, v), max(hi, v)
			sum, weight = sum+float64(readings[s]*c), weight+float64(c*c)
		}
		told++
	}
	if told < 2 || weight == 0 {
		return noFit, unknown // one reading fits any gear
	}
	in = sum / weight
	allowed := g.allowed(in)
	if in < -allowed {
		return noFit, in // no engine turns its gearbox backwards
	}
	return max(hi-lo, still) / allowed, in
}

// holds tells how well known slips show a gear: the largest slip of a carrying
// element over what is allowed.
func (g *gear) holds(slips []float64, in float64) float64 {
	allowed := g.allowed(in)
	if in < -allowed {
		return noFit
	}
	worst := 0.0
	for _, e := range g.carries {
		worst = max(worst, math.Abs(slips[e]))
	}
	return worst / allowed
}

// slipping gives the carrying elements of a gear that slip.
func (a *Analyzer) slipping(gear int) (set uint64) {
	g := &a.model.gears[gear]
	allowed := g.allowed(a.now.in)
	for _, e := range g.carries {
		if math.Abs(a.matcher.slips[e]) > allowed {
			set |= 1 << e
		}
	}
	return set
}

// match judges the tick: which gear, if any.
func (a *Analyzer) match() {
	n, m, k := &a.now, a.model, &a.matcher
	have := n.have
	k.bridged = have != 1<<len(m.sensors)-1
	var slips []float64
	if m.train != nil {
		slips = k.slips
		for e := range slips {
			if !known(slips[e]) {
				slips = nil
				break
			}
		}
	}
	for g := range m.gears {
		if slips != nil {
			k.score[g] = m.gears[g].holds(slips, n.in)
		} else {
			k.score[g], _ = m.fit(&m.gears[g], &n.readings, have)
		}
	}
	a.lockedInput(have)
	k.judge(a, have)
	a.bridge(have)
}

// judge decides on the state of the tick.
func (k *matcher) judge(a *Analyzer, have uint64) {
	n := &a.now
	out := n.out
	if !known(out) {
		out = a.watch.outputFromRoad(n.road)
	}
	best := k.best(a, out)
	if !known(out) && !known(n.road) && best >= 0 {
		_, in := a.model.fit(&a.model.gears[best], &n.readings, have)
		out = in / a.model.gears[best].ratio
	}
	switch {
	case known(out) && math.Abs(out) < zeroRPM && n.road >= 2*standingKmh:
		n.gear = notKnown // one of the two is wrong
		return
	case known(out) && math.Abs(out) < standingRPM,
		!known(out) && known(n.road) && n.road < standingKmh:
		n.gear = standing
		k.reset(n.at, standing)
	case n.lever.parked() && (known(out) || known(n.road)):
		n.gear = neutral
		k.reset(n.at, neutral)
	case have == 0 || (best < 0 && !a.tellable(have)):
		n.gear = notKnown
		if n.at-k.lastKnown > forgetful {
			k.reset(n.at, notKnown)
		}
		return
	default:
		k.drive(n, best)
	}
	k.lastKnown = n.at
}

// tellable tells whether these sensors could show a gear at all.
func (a *Analyzer) tellable(have uint64) bool {
	return bits.OnesCount64(have) >= 2 || known(a.now.in) && known(a.now.out)
}

// reset enters a state without a gear.
func (k *matcher) reset(at capture.Stamp, state int) {
	if k.candidate != state {
		k.candidate, k.since = state, at
	}
	k.engaged, k.leftFor, k.fresh = notKnown, notKnown, true
}

// drive follows the pattern from tick to tick: a gear is engaged once its
// pattern has held for the settling time, and no longer from the first tick on
// that does not show it.
func (k *matcher) drive(n *instant, best int) {
	if best != k.candidate {
		k.candidate, k.since = best, n.at
	}
	held := (best >= 0 || best == notKnown) && n.at-k.since >= k.settle
	switch {
	case k.engaged >= 0 && k.score[k.engaged] <= 1 && (best == k.engaged || !held):
		// As long as its pattern holds: at walking pace two gears can look alike.
	case held && best == notKnown:
		k.engaged, k.leftFor = notKnown, notKnown
		n.gear = notKnown
		return
	case held, best >= 0 && best == k.leftFor && n.at-k.leftAt <= relapse:
		k.engaged, k.fresh = best, false
	case k.engaged >= 0:
		k.leftFor, k.leftAt = k.engaged, n.at
		k.engaged = notKnown
	}
	n.gear, n.engaged = between, false
	if k.engaged >= 0 {
		n.gear, n.engaged = k.engaged, true
	}
}

// best is the gear that fits best, between if none does, notKnown if several do
// that nothing tells apart.
func (k *matcher) best(a *Analyzer, out float64) int {
	n, m := &a.now, a.model
	best, alike := between, 0
	for g := range m.gears {
		if k.score[g] > 1 || !k.possible(n, m, g) {
			continue
		}
		alike++
		if best < 0 || k.score[g] < k.score[best] {
			best = g
		}
	}
	k.alike = alike
	if alike < 2 || !k.bridged && !m.twins {
		k.jumped = false
		return best
	}
	// With a sensor missing, gears may look exactly alike; then road speed, the
	// gear before, its neighbours and the gear asked for decide, in this order.
	if known(out) && !known(n.out) {
		closest, second := math.Inf(1), math.Inf(1)
		for g := range m.gears {
			if k.score[g] <= 1 && k.possible(n, m, g) {
				_, in := m.fit(&m.gears[g], &n.readings, n.have)
				d := math.Abs(in/m.gears[g].ratio - out)
				if d < closest {
					best, closest, second = g, d, closest
				} else {
					second = min(second, d)
				}
			}
		}
		switch {
		case closest > max(roadPart*out, standingRPM):
			for g := range m.gears {
				k.score[g] = max(k.score[g], 2) // none of them: on the way between two
			}
			return between
		case closest < ambiguousPart*second:
			k.jumped = false
			return best
		}
	}
	asked := n.command >= 0 && k.score[n.command] <= 1
	if ago := a.past.back(jumpTicks); ago != nil && math.Abs(n.in-ago.in) > jumpPart*ago.in {
		k.jumped = true // no vehicle does that in one gear
	}
	before := k.engaged
	if before < 0 {
		before = k.leftFor
	}
	switch {
	case before >= 0 && k.score[before] <= 1:
		switch {
		case !asked && !k.jumped, n.command == before:
			return before
		case asked && k.jumped:
			return n.command
		case !k.jumped && n.at-a.shift.commandAt < longestBlind:
			return before
		}
		return notKnown // one of the two, and nothing tells which
	case k.jumped && !asked:
		return notKnown
	}
	if before >= 0 {
		near, count := between, 0
		for g := range m.gears {
			if k.score[g] <= 1 && k.possible(n, m, g) && (g == before+1 || g == before-1) {
				near, count = g, count+1
			}
		}
		if count == 1 {
			return near
		}
	}
	if asked {
		return n.command
	}
	return notKnown
}

// possible leaves out gears that the lever excludes.
func (k *matcher) possible(n *instant, m *model, g int) bool {
	switch n.lever {
	case leverR:
		return m.gears[g].reverse
	case leverD:
		return !m.gears[g].reverse
	}
	return true
}

// bridge fills in what follows from the gear where a sensor is missing: the
// input speed and the slips of elements that do not carry.
func (a *Analyzer) bridge(have uint64) {
	n, m, k := &a.now, a.model, &a.matcher
	if !k.bridged || !n.engaged || m.train == nil {
		return
	}
	g := &m.gears[n.gear]
	if _, in := m.fit(g, &n.readings, have); !(k.score[n.gear]*g.allowed(in) <= bridgeRPM+g.spread) {
		return // some element has begun to slip
	}
	est := m.estimator(g.mask, have)
	if est == nil {
		return
	}
	var buf [maxSensors]float64
	readings := pick(have, &n.readings, &buf)
	if !known(n.in) {
		est.Speeds(readings, m.speeds)
		n.in = m.speeds[m.train.Input]
	}
	var slips [64]float64
	est.Slips(readings, slips[:len(m.elements)])
	for e := range k.slips {
		if !known(k.slips[e]) && g.mask>>e&1 == 0 {
			k.slips[e] = slips[e]
		}
	}
}

// lockedInput takes the engine speed for the input speed where nothing measures
// that and the converter is locked: because its clutch is said to be applied, or,
// where nothing is said, because the engine runs in step with the output in some
// gear, which must then hold as long as a locked converter must.
func (a *Analyzer) lockedInput(have uint64) {
	n, m, k := &a.now, a.model, &a.matcher
	k.settle = settle
	if known(n.in) || !known(n.engine) || !known(n.out) || bits.OnesCount64(have) > 1 {
		return
	}
	switch lock := a.lockAt(n.at); {
	case lock == lockUnknown && a.lockup < 0:
		k.settle = lockedFor
	case lock != lockApplied:
		return
	}
	for g := range m.gears {
		gear := &m.gears[g]
		k.score[g] = math.Abs(n.engine-float64(gear.ratio*n.out)) / gear.allowed(n.engine)
	}
	if k.settle == settle || k.engaged >= 0 && k.score[k.engaged] <= 1 {
		n.in = n.engine
	}
}

// sign gives readings of sensors that do not know the sense of rotation their
// sign: that which all gears share, the lever's for the output, else the one
// under which some gear fits, else the one under which the gear before slips
// least.
func (a *Analyzer) sign() {
	n, m := &a.now, a.model
	var open uint64
	for s := range m.sensors {
		if !m.sensors[s].magnitude || n.have>>s&1 == 0 {
			continue
		}
		n.readings[s] = math.Abs(n.readings[s])
		switch sense := m.sense(s, n.lever); {
		case sense < 0:
			n.readings[s] = -n.readings[s]
		case sense == 0 && n.readings[s] > 0:
			open |= 1 << s
		}
	}
	if open == 0 {
		return
	}
	have := n.have
	best, least, fits := uint64(0), noFit, 0
	for flip := open; ; flip = (flip - 1) & open {
		trial := n.readings
		for set := flip; set != 0; set &= set - 1 {
			s := bits.TrailingZeros64(set)
			trial[s] = -trial[s]
		}
		// Among the senses under which nothing fits, the gear before or the one
		// asked for tells: an element that both gears of a shift need holds on.
		for g := range m.gears {
			if !a.matcher.possible(n, m, g) {
				continue
			}
			score, _ := m.fit(&m.gears[g], &trial, have)
			if g == a.matcher.engaged && score < noFit {
				score *= 0.999 // of equals the gear before
			}
			if score < least {
				best, least, fits = flip, score, g
			}
		}
		if flip == 0 {
			break
		}
	}
	for set := best; set != 0; set &= set - 1 {
		s := bits.TrailingZeros64(set)
		n.readings[s] = -n.readings[s]
	}
	if least > 1 || a.undecided(fits, open) {
		a.signBetween(open, have)
	}
}

// undecided tells whether one of the sensors is on a shaft that stands still in
// the gear, so that its small reading fits with either sign.
func (a *Analyzer) undecided(gear int, open uint64) bool {
	for set := open; set != 0; set &= set - 1 {
		if a.model.gears[gear].speed[bits.TrailingZeros64(set)] == 0 {
			return true
		}
	}
	return false
}

// sense is the sign of a sensor's reading where it is certain: +1, -1, or 0.
func (m *model) sense(s int, lever leverPosition) int {
	plus, minus := false, false
	for g := range m.gears {
		if lever == leverR && !m.gears[g].reverse || lever == leverD && m.gears[g].reverse {
			continue
		}
		switch c := m.gears[g].speed[s]; {
		case c > 0:
			plus = true
		case c < 0:
			minus = true
		}
	}
	switch {
	case plus && !minus:
		return 1
	case minus && !plus:
		return -1
	}
	return 0
}

// signBetween decides between gears: the sense under which the best holding
// element of the gear before slips least.
func (a *Analyzer) signBetween(open, have uint64) {
	n, m := &a.now, a.model
	before := a.shift.from
	est := m.estimator(0, have)
	if before < 0 || est == nil {
		return
	}
	var slips [64]float64
	var buf [maxSensors]float64
	start, least := n.readings, noFit
	for flip := open; ; flip = (flip - 1) & open {
		trial := start
		for set := flip; set != 0; set &= set - 1 {
			s := bits.TrailingZeros64(set)
			trial[s] = -trial[s]
		}
		est.Slips(pick(have, &trial, &buf), slips[:len(m.elements)])
		for _, e := range m.gears[before].carries {
			if known(slips[e]) && math.Abs(slips[e]) < least {
				n.readings, least = trial, math.Abs(slips[e])
			}
		}
		if flip == 0 {
			return
		}
	}
}
