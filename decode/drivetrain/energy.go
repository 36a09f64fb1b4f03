package drivetrain

import (
	"math"
	"math/bits"
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
