package drivetrain

import (
	"math"
	"math/bits"

	"gearwitness/capture"
)

// slipEnergy is the friction energy that each element applied in a shift turns
// into heat over the ratio phase, the integral of |torque * slip| [kJ]:
//
//	P = |T * slip| * pi/30   [W, N m, rpm]
//
// with T the element's static share of the input torque in the new gear times the
// engine's torque. Nil where torque, slips or shares are not known.
func (a *Analyzer) slipEnergy(from, to int, sp span) map[string]float64 {
	m := a.model
	if m.train == nil || a.engineTorque < 0 {
		return nil
	}
	var joules, slips [64]float64
	var readings [maxSensors]float64
	applied := m.gears[to].mask &^ m.gears[from].mask
	seen := 0
	for i := sp.first; i >= 0; i-- {
		n := a.past.back(i)
		if n == nil || n.at > sp.end {
			break
		}
		est := m.estimator(0, n.have)
		if n.at <= sp.start || est == nil || !known(n.torque) {
			continue
		}
		est.Slips(pick(n.have, &n.readings, &readings), slips[:len(m.elements)])
		seen++
		for set := applied; set != 0; set &= set - 1 {
			e := bits.TrailingZeros64(set)
			joules[e] += math.Abs(m.gears[to].torque[e]*n.torque*slips[e]) * math.Pi / 30 * float64(Tick) / 1e9
		}
	}
	if seen < int((sp.end-sp.start)/Tick)/2 {
		return nil
	}
	var out map[string]float64
	for set := applied; set != 0; set &= set - 1 {
		if e := bits.TrailingZeros64(set); known(joules[e]) && !m.oneWay[e] {
			if out == nil {
				out = make(map[string]float64)
			}
			out[m.elements[e]] = round3(joules[e] / 1000)
		}
	}
	return out
}

// energyParts holds slip energies [kJ] against what the linings bear; nil where the
// vehicle file says it of none of them.
func (m *model) energyParts(energy map[string]float64) (parts map[string]float64, fault bool) {
	for e, name := range m.elements {
		kJ, ok := energy[name]
		if !ok || m.energyLimit[e] <= 0 {
			continue
		}
		if parts == nil {
			parts = make(map[string]float64)
		}
		parts[name] = round3(kJ / m.energyLimit[e])
		fault = fault || kJ > m.energyLimit[e]
	}
	return parts, fault
}

// sigmaReach is how far before and after a tick the rates of the speeds are taken.
const sigmaReach = 50 * millisecond

// slipSigma is the standard uncertainty of the slips of the elements that a shift
// applies and releases, in the middle of its ratio phase [rpm]:
//
//	u^2 = sum over the sensors of gain^2 (step^2 + (rate period)^2) / 12
//
// A step and the moment within its period at which a speed is read both count as
// uniform distributions (JCGM 100:2008, 4.3.7). Nil where the slips do not follow.
func (a *Analyzer) slipSigma(from, to int, sp span) map[string]float64 {
	m := a.model
	if m.train == nil {
		return nil
	}
	middle := sp.start + (sp.end-sp.start)/2
	n, before, after := a.past.back(a.past.since(middle)), a.past.back(a.past.since(middle-sigmaReach)), a.past.back(a.past.since(middle+sigmaReach))
	if n == nil || before == nil || after == nil || after.at == before.at {
		return nil
	}
	est := m.estimator(0, n.have)
	if est == nil || before.have&after.have&n.have != n.have {
		return nil
	}
	var variances [maxSensors]float64
	k := 0
	for set := n.have; set != 0; set &= set - 1 {
		s := bits.TrailingZeros64(set)
		rate := (after.readings[s] - before.readings[s]) / float64(after.at-before.at) // rpm/ns
		swing := rate * float64(a.period(s))
		variances[k] = (float64(m.sensors[s].step*m.sensors[s].step) + float64(swing*swing)) / 12
		k++
	}
	var slips [64]float64
	est.SlipVariances(variances[:k], slips[:len(m.elements)])
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

func (a *Analyzer) period(sensor int) capture.Stamp {
	return a.channels[a.model.sensors[sensor].channel].period
}
