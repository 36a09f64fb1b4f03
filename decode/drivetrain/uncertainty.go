package drivetrain

import (
	"math"
	"math/bits"

	"gearwitness/capture"
)

// sigmaReach is how far before and after a tick the rates of the speeds are taken.
const sigmaReach = 50 * millisecond

// slipVariances sets out[element] to the variance of each slip of a tick [rpm^2],
// NaN where it does not follow:
//
//	u^2 = sum over the sensors of gain^2 (step^2 + (rate period)^2) / 12
//
// with the rates of the speeds from one tick to another. A step and the moment within
// its period at which a speed is read both count as uniform distributions (JCGM
// 100:2008, 4.3.7). False where not even the rates follow.
func (a *Analyzer) slipVariances(n, from, to *instant, out []float64) bool {
	m := a.model
	if from == nil || to == nil || to.at == from.at || from.have&to.have&n.have != n.have {
		return false
	}
	est := m.estimator(0, n.have)
	if est == nil {
		return false
	}
	var variances [maxSensors]float64
	k := 0
	for set := n.have; set != 0; set &= set - 1 {
		s := bits.TrailingZeros64(set)
		rate := (to.readings[s] - from.readings[s]) / float64(to.at-from.at) // rpm/ns
		swing := rate * float64(a.period(s))
		variances[k] = (float64(m.sensors[s].step*m.sensors[s].step) + float64(swing*swing)) / 12
		k++
	}
	est.SlipVariances(variances[:k], out)
	return true
}

// slipSigma is the standard uncertainty of the slips of the elements that a shift
// applies and releases, in the middle of its ratio phase [rpm]. Nil where the slips
// do not follow.
func (a *Analyzer) slipSigma(from, to int, sp span) map[string]float64 {
	m := a.model
	if m.train == nil {
		return nil
	}
	middle := sp.start + (sp.end-sp.start)/2
	at := func(t capture.Stamp) *instant { return a.past.back(a.past.since(t)) }
	n := at(middle)
	var slips [64]float64
	if n == nil || !a.slipVariances(n, at(middle-sigmaReach), at(middle+sigmaReach), slips[:len(m.elements)]) {
		return nil
	}
	var out map[string]float64
	for set := m.gears[from].mask ^ m.gears[to].mask; set != 0; set &= set - 1 {
		if e := bits.TrailingZeros64(set); known(slips[e]) {
			if out == nil {
				out = make(map[string]float64)
			}
			out[m.elements[e]] = round3(math.Sqrt(slips[e]))
		}
	}
	return out
}

// sigmaNow is the standard uncertainty of the slip of an element at the tick under
// evaluation [rpm], NaN where it does not follow.
func (a *Analyzer) sigmaNow(e int) float64 {
	var slips [64]float64
	if n := &a.now; !a.slipVariances(n, a.past.back(a.past.since(n.at-sigmaReach)), n, slips[:len(a.model.elements)]) {
		return unknown
	}
	return math.Sqrt(slips[e])
}

func (a *Analyzer) period(sensor int) capture.Stamp {
	return a.channels[a.model.sensors[sensor].channel].period
}
