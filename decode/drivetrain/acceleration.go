package drivetrain

import "gearwitness/capture"

// Windows of the acceleration around a shift.
const (
	slopeWindow = 80 * millisecond  // over which one slope is taken
	trendWindow = 300 * millisecond // over which the level before and after is taken
	dipBefore   = 400 * millisecond // how long before the ratio phase a dip is looked for
	stepDip     = 0.15              // m/s2
	dipInto     = 60 * millisecond  // and how far into it
)

// slope is the slope of the output speed over the window that ends at tick i
// back from now [rpm/s], a straight line through the readings by least squares;
// NaN where fewer than three are known or the gear was standing.
func (h *history) slope(i int, window capture.Stamp) float64 {
	var n, st, sv, stt, stv float64
	last := h.back(i)
	if last == nil {
		return unknown
	}
	for ; ; i++ {
		b := h.back(i)
		if b == nil || last.at-b.at > window {
			break
		}
		if !known(b.out) {
			continue
		}
		t := float64(b.at-last.at) / 1e9
		n, st, sv, stt, stv = n+1, st+t, sv+b.out, stt+float64(t*t), stv+float64(t*b.out)
	}
	d := float64(n*stt) - float64(st*st)
	if n < 3 || d == 0 {
		return unknown
	}
	return (float64(n*stv) - float64(st*sv)) / d
}

// torquePhase is how far the acceleration of the vehicle falls in the torque phase
// [m/s2]: dip below its level before the shift, which every handover of torque under
// power brings; bindUp below both that and the level after it, for a handover lies
// between the two, two elements that carry at once brake. NaN where the road speed
// does not tell metres per turn.
func (a *Analyzer) torquePhase(sp span) (dip, bindUp float64) {
	factor := a.watch.roadFactor // output rpm per km/h
	if !known(factor) || !sp.startKnown || !sp.endKnown {
		return unknown, unknown
	}
	// What one step of the output sensor makes of a slope must not count as a dip.
	if out := a.model.output; out >= 0 && a.model.sensors[out].step/(float64(slopeWindow)/1e9)/factor/3.6 > stepDip {
		return unknown, unknown
	}
	from := a.past.since(sp.start - dipBefore)
	before := a.past.slope(from, trendWindow)
	end := a.past.since(sp.end + trendWindow)
	after := a.past.slope(end, trendWindow*2/3)
	if !known(before) || !known(after) {
		return unknown, unknown
	}
	sense := 1.0
	if n := a.past.back(0); n != nil && n.out < 0 {
		sense = -1
	}
	level := min(before*sense, after*sense)
	lowest := level
	for i := from; i >= 0; i-- {
		n := a.past.back(i)
		if n == nil || n.at > sp.start+dipInto {
			break
		}
		if s := sense * a.past.slope(i, slopeWindow); s < lowest {
			lowest = s
		}
	}
	dip, bindUp = float64(before*sense)-lowest, level-lowest
	var swing mean // of the slope in the second before: what it does by itself
	for i := from; ; i++ {
		n := a.past.back(i)
		if n == nil || n.at < sp.start-dipBefore-second {
			break
		}
		if s := a.past.slope(i, slopeWindow); known(s) {
			swing.add(s)
		}
	}
	shown := func(fall float64) float64 {
		if !(fall > 3*swing.deviation()) {
			return 0
		}
		return fall / factor / 3.6
	}
	return shown(dip), shown(bindUp)
}
