package van

import (
	"math"
	"time"

	"gearwitness/signals/portable"
)

// Bits of a trouble code's status (ISO 14229-1).
const (
	failedNow = 0x01
	pending   = 0x04
	confirmed = 0x08
	lamp      = 0x80
)

// How long a fault must last until the van's units note and store it: our own,
// quicker than units of a real vehicle.
const (
	noteAfter  = 2 * time.Second
	storeAfter = 20 * time.Second
)

// trouble is a trouble code as a unit gives it.
type trouble struct {
	code   uint16 // SAE J2012, two bytes
	status uint8
}

// lampRequest is P0700: the gearbox's unit asks the engine's for the lamp.
const lampRequest = 0x0700

// codeOf returns the code that a unit sets for a fault, 0 where no unit notices
// (code texts of SAE J2012, from memory). The units judge cruder than this
// program: they miss shudder, a weak engine and a slipping stator.
func codeOf(f *Fault) (unit int, code uint16) {
	switch f.kind {
	case elementSlips:
		return gearboxUnit, 0x0894 // component slipping
	case elementFillsLate, elementReleasesLate:
		return gearboxUnit, 0x2700 + uint16(f.target) // friction element A to E apply time
	case switchStuckOpen, switchStuckClosed:
		return gearboxUnit, [...]uint16{0x0841, 0x0846, 0x0871, 0x0876, 0x0988}[f.target] // pressure switch A to E range
	case contactOpen:
		return gearboxUnit, 0x0705 // range sensor circuit
	case sensorDropsOut:
		return gearboxUnit, [...]uint16{0x0718, 0x0794, 0x0723, 0x0728}[f.target] // intermittent
	case sensorMissing:
		return gearboxUnit, [...]uint16{0x0717, 0x0793, 0x0722, 0x0727}[f.target] // no signal
	case sensorReadsLow:
		return gearboxUnit, [...]uint16{0x0716, 0x0792, 0x0721, 0x0726}[f.target] // range
	case lockupSlips:
		return gearboxUnit, 0x0741 // converter clutch performance
	case mainPressureLow:
		return gearboxUnit, 0x0868 // fluid pressure low
	case outletReadsHigh:
		return gearboxUnit, 0x0711 // fluid temperature sensor range
	case coolantHot:
		return engineUnit, 0x0217 // engine too hot
	}
	return 0, 0
}

// memory is what the units remember of faults.
type memory struct {
	seen   []noticed
	frozen frozen
}

// noticed is a fault with a code and the time it was first seen.
type noticed struct {
	fault *armed
	unit  int
	code  uint16
	since time.Duration
}

// frozen is the freeze frame of the first code stored, as data of service 01;
// code 0 is none.
type frozen struct {
	code                        uint16
	coolant, engineSpeed, speed []byte
}

// hotCoolant is where the engine's unit finds the coolant too hot [°C].
const hotCoolant = 105

// step notices faults and freezes a frame when the first is stored.
func (m *memory) step(u *units) {
	s := u.x.s
	for i := range s.faults {
		a := &s.faults[i]
		if !a.done || a.noticed || a.f.kind == coolantHot && u.x.coolant < hotCoolant {
			continue
		}
		a.noticed = true
		if unit, code := codeOf(a.f); code != 0 {
			m.seen = append(m.seen, noticed{a, unit, code, u.now()})
		}
	}
	if len(m.seen) == 0 || m.frozen.code != 0 || u.now() < m.seen[0].since+storeAfter {
		return
	}
	m.frozen = frozen{
		code:        m.seen[0].code,
		coolant:     figure(1, u.x.coolant+40),
		engineSpeed: figure(2, 4*u.engineSpeed()),
		speed:       figure(1, math.Abs(u.x.wheel)),
	}
}

// list returns the codes of a unit whose status has a bit of the mask, each once,
// in the order they were noticed.
func (m *memory) list(unit int, now time.Duration, mask uint8) (out []trouble) {
	add := func(code uint16, status uint8) {
		for _, t := range out {
			if t.code == code {
				return
			}
		}
		if status&mask != 0 {
			out = append(out, trouble{code, status})
		}
	}
	for _, n := range m.seen {
		status := status(now - n.since)
		switch {
		case n.unit == unit:
			add(n.code, status)
		case n.unit == gearboxUnit && status&lamp != 0:
			add(lampRequest, confirmed|lamp)
		}
	}
	return out
}

// status is that of a code whose fault has lasted so long.
func status(lasted time.Duration) uint8 {
	switch {
	case lasted >= storeAfter:
		return failedNow | pending | confirmed | lamp
	case lasted >= noteAfter:
		return failedNow | pending
	}
	return failedNow
}

// adapted is the fill time that the gearbox's unit has learned for a friction
// element [ms]: it follows an element that fills late, slowly and not for ever.
func (m *memory) adapted(element int, now time.Duration) float64 {
	for _, n := range m.seen {
		if n.fault.f.kind == elementFillsLate && n.fault.f.target == element {
			return math.Min(mostAdapted, n.fault.in.Size*(1-portable.Exp(-(now-n.since).Seconds()/adapting)))
		}
	}
	return 0
}
