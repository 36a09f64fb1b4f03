package drivetrain

import (
	"math"
	"math/bits"

	"gearwitness/capture"
	"gearwitness/decode"
)

// A sensor that reads wrong by the same part in every gear: no element slips like
// that, for an element carries in some gears only and its slip grows with the
// torque. In one gear alone the two may look the same, so that it takes several.

// Limits of a sensor that reads wrong; common practice, no source.
const (
	wrongPart   = 0.012            // of its reading, that counts as wrong
	evenPart    = 0.004            // spread of the error within a gear and between gears
	enoughLooks = 30               // at a sensor in a gear: 1.5 s
	levelLooks  = 5                // in a row that make a new level of the error
	sensorStep  = 50 * millisecond // between two looks
	lookEvery   = 10 * sensorStep  // between two conclusions
)

// level is what the other sensors say of one sensor in one gear since that last
// changed: its reading over what it should be, as mean and squared deviations
// (Welford's method), or that they do not agree about it.
type level struct {
	since, last capture.Stamp // first and last look that belongs to it
	looks       int
	agreed      bool // the others agree
	mean, m2    float64
	grain       float64 // sum of what the sensors' steps alone make of it
	breaks      int     // levels before this one

	off struct { // looks in a row that do not belong to it
		looks  int
		since  capture.Stamp
		agreed bool
		sum    float64
	}
}

// look takes one look: k is the reading over what it should be, grain what the
// steps of the sensors make of k.
func (l *level) look(at capture.Stamp, agreed bool, k, grain float64) {
	if l.looks > 0 && (agreed != l.agreed || agreed && math.Abs(k-l.mean) > 1.5*evenPart+grain) {
		o := &l.off
		if o.looks == 0 || o.agreed != agreed {
			o.looks, o.since, o.agreed, o.sum = 0, at, agreed, 0
		}
		o.looks++
		o.sum += k
		if o.looks == levelLooks {
			*l = level{since: o.since, last: at, looks: o.looks, agreed: agreed, mean: o.sum / levelLooks, grain: levelLooks * grain, breaks: l.breaks + 1}
		}
		return
	}
	if l.looks == 0 {
		l.since, l.agreed = at, agreed
	}
	l.off.looks = 0
	l.last = at
	l.looks++
	if agreed {
		d := k - l.mean
		l.mean += d / float64(l.looks)
		l.m2 += float64(d * (k - l.mean))
		l.grain += grain
	}
}

// even tells that the reading is the same part of what it should be all the time:
// slip comes and goes.
func (l *level) even() bool {
	n := float64(l.looks)
	return l.agreed && math.Sqrt(l.m2/n) <= evenPart+l.grain/n && l.looks >= levelLooks*l.breaks
}

func (l *level) wrong() bool { return l.agreed && math.Abs(l.mean-1) > wrongPart }

// look compares each sensor with what the others make of it in the gear that
// should be engaged.
func (v *evidence) look(a *Analyzer, want int) {
	n, m := &a.now, a.model
	g := &m.gears[want]
	if bits.OnesCount64(n.sent) < 3 || g.oneWay && !(n.pedal >= pullingPedal) {
		return // a one-way clutch may run free while the wheels drive
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
		k := n.readings[s] / (c * in)
		if a.watch.wrong>>s&1 != 0 {
			k *= a.watch.factor[s] // what it read
		}
		v.sensors[want][s].look(n.at, score*g.allowed(in) <= bridgeRPM+g.spread, k, (g.spread+float64(m.sensors[s].step/math.Abs(c)/2))/in)
	}
}

// wrongMost is by what part a sensor may read wrong for a gear to be told without it:
// less than half the step from one gear to the next.
const wrongMost = 0.12

// fitsWithoutOne is the one gear that all sensors but one show, while the last is off
// by less than the step to another gear; notKnown where a gear is engaged or there is
// not just one.
func (a *Analyzer) fitsWithoutOne() int {
	if a.now.engaged {
		return notKnown
	}
	_, gear, _ := a.offSensor()
	return gear
}

// offSensor is the sensor that fitsWithoutOne leaves out and by what part of what it
// should read it is off; -1 where there is no such gear. Where several sensors would
// do, it is the one that has to be off by least.
func (a *Analyzer) offSensor() (sensor, gear int, part float64) {
	n, m := &a.now, a.model
	if m.train == nil || bits.OnesCount64(n.have) < 3 {
		return -1, notKnown, 0
	}
	sensor, gear = -1, notKnown
	for g := range m.gears {
		if !a.matcher.possible(n, m, g) {
			continue
		}
		for s := range m.sensors {
			c := m.gears[g].speed[s]
			if n.have>>s&1 == 0 || !(math.Abs(c) > 0) {
				continue
			}
			score, in := m.fit(&m.gears[g], &n.readings, n.have&^(1<<s))
			off := n.readings[s]/(c*in) - 1
			if score == noFit || !(in >= 2*fastRPM) || score*m.gears[g].allowed(in) > bridgeRPM+m.gears[g].spread || math.Abs(off) > wrongMost {
				continue
			}
			if gear >= 0 && gear != g {
				return -1, notKnown, 0
			}
			if gear < 0 || math.Abs(off) < math.Abs(part) {
				sensor, gear, part = s, g, off
			}
		}
	}
	return sensor, gear, part
}

// scaling is what speaks for one sensor reading wrong by one part.
type scaling struct {
	gears  uint64        // in which it is wrong by that part, and no slip would be so even
	told   int           // of them: for long enough
	factor float64       // what it reads over what it should
	since  capture.Stamp // when it began
	clash  bool          // the parts differ from gear to gear
}

// proven tells that more than one gear shows it: no element explains that.
func (x *scaling) proven() bool { return x.told >= 2 && !x.clash }

// scaling weighs one sensor up. What speaks against it, that it read right in some
// gear or that the others disagreed without it, rules out what was seen before.
func (v *evidence) scaling(m *model, s int) (x scaling) {
	contradicted := capture.Stamp(-farthest)
	for g := range m.gears {
		if l := &v.sensors[g][s]; l.looks >= enoughLooks && !(l.wrong() && l.even()) {
			contradicted = max(contradicted, l.last)
		}
	}
	lo, hi := math.Inf(1), math.Inf(-1)
	var sum, looks, grain float64
	for g := range m.gears {
		l := &v.sensors[g][s]
		if l.looks < levelLooks || !l.wrong() || !l.even() || l.since < contradicted {
			continue
		}
		if x.gears == 0 || l.since < x.since {
			x.since = l.since
		}
		x.gears |= 1 << g
		if l.looks >= enoughLooks {
			x.told++
		}
		lo, hi = min(lo, l.mean), max(hi, l.mean)
		n := float64(l.looks)
		grain = max(grain, l.grain/n)
		sum, looks = sum+float64(l.mean*n), looks+n
	}
	x.factor = sum / looks
	x.clash = hi-lo > 2*evenPart+grain
	return x
}

// disagree tells that the sensors of the gearbox, but for one that is known to read
// wrong, do not agree in some gear.
func (v *evidence) disagree(but uint64) bool {
	for g := range v.sensors {
		for s := range v.sensors[g] {
			if l := &v.sensors[g][s]; but>>s&1 == 0 && l.looks >= enoughLooks && l.wrong() {
				return true
			}
		}
	}
	return false
}

// right tells that a sensor that read wrong has read right for a while since then.
func (v *evidence) right(m *model, s int, then capture.Stamp) bool {
	for g := range m.gears {
		if l := &v.sensors[g][s]; l.since > then && l.agreed && !l.wrong() && l.looks >= enoughLooks {
			return true
		}
	}
	return false
}

// conclude corrects the readings of a sensor from now on that is proven to read
// wrong by one part, and of one found so before learns the part better.
func (v *evidence) conclude(a *Analyzer, out *decode.Output) {
	n, m, w := &a.now, a.model, &a.watch
	if m.train == nil || len(m.sensors) < 3 || n.at%lookEvery != 0 {
		return
	}
	if w.wrong != 0 {
		s := bits.TrailingZeros64(w.wrong)
		if v.right(m, s, w.wrongAt) {
			w.wrong = 0
			a.forget()
			out.Events = append(out.Events, decode.Event{Time: n.at, Kind: KindSensor, Fields: SensorEvent{Signal: m.sensors[s].name, Finding: findings[sensorSound], Bridged: true}})
		} else if x := v.scaling(m, s); x.proven() {
			w.factor[s] = x.factor
		}
		return
	}
	found, x := -1, scaling{}
	for s := range m.sensors {
		if y := v.scaling(m, s); y.proven() {
			if found >= 0 {
				return // two explanations: either, or
			}
			found, x = s, y
		}
	}
	if found < 0 {
		return
	}
	w.wrong, w.wrongAt, w.factor[found] = 1<<found, n.at, x.factor
	a.correctPast(found, x.factor, x.since)
	a.forget()
	finding := "reads too low, by the same part in each gear seen"
	if x.factor > 1 {
		finding = "reads too high, by the same part in each gear seen"
	}
	part := round3(100 * math.Abs(x.factor-1))
	out.Events = append(out.Events, decode.Event{Time: n.at, Kind: KindSensor, Fields: SensorEvent{Signal: m.sensors[found].name, Finding: finding, Percent: &part, Bridged: true, Since: seconds(x.since)}})
}

// correctPast corrects the readings of a sensor in what is kept of the drive, so
// that a shift that began before it was found out has its times right.
func (a *Analyzer) correctPast(s int, factor float64, since capture.Stamp) {
	m := a.model
	var buf [maxSensors]float64
	for i := 0; ; i++ {
		n := a.past.back(i)
		if n == nil || n.at < since {
			return
		}
		n.readings[s] /= factor
		est := m.estimator(0, n.have)
		if n.have>>s&1 == 0 || est == nil {
			continue
		}
		est.Speeds(pick(n.have, &n.readings, &buf), m.speeds)
		n.in, n.out = m.speeds[m.train.Input], m.speeds[m.train.Output]
	}
}

// forget drops what is held against elements and the converter: it came from a sensor.
func (a *Analyzer) forget() {
	v := &a.evidence
	for g := range v.carried {
		for e := range v.carried[g] {
			v.carried[g][e] = noCarrying
		}
	}
	v.grip.gear, v.grip.away, v.shifts = notKnown, false, v.shifts[:0]
	a.lockups.forget()
}
