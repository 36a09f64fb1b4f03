package van

import (
	"math"
	mathbits "math/bits"

	"gearwitness/signals/portable"
)

// actuator is the hydraulics of one element: a solenoid that follows, a chamber
// that must be filled first, and a pressure that makes capacity.
type actuator struct {
	full     float64 // capacity at full main pressure [N·m]
	fillTime float64 // of a sound element, as the control unit has learnt it [s]

	command  float64 // capacity asked for [N·m]
	capacity float64 // at this moment [N·m]
	filled   float64 // how long it has been filling [s]
	past     [1024]float32
	at       int
}

// step follows the command by dt. late and linger are faults [ms]; share is the
// part of full capacity that the main pressure allows.
func (a *actuator) step(dt float64, late, linger int, share float64) {
	a.at = (a.at + 1) & (len(a.past) - 1)
	a.past[a.at] = float32(a.command)
	goal := a.command
	if linger > 0 {
		// The chamber empties late: the greatest command of the last linger ms.
		for i := 1; i <= linger && i < len(a.past); i++ {
			goal = math.Max(goal, float64(a.past[(a.at-i)&(len(a.past)-1)]))
		}
	}
	if goal <= 0 {
		a.filled = math.Max(0, a.filled-dt*2)
		a.capacity -= float64(a.capacity * math.Min(1, dt/0.018))
		if a.capacity < 0.5 {
			a.capacity = 0
		}
		return
	}
	if a.filled < a.fillTime+float64(late)/1000 {
		a.filled += dt
		return
	}
	goal = math.Min(goal, a.full*share)
	a.capacity += float64((goal - a.capacity) * math.Min(1, dt/0.015))
}

// pressure in the chamber [kPa].
func (a *actuator) pressure() float64 {
	switch {
	case a.capacity > 0:
		return 130 + float64(a.capacity/a.full*1570)
	case a.command > 0 || a.filled > 0:
		return 90
	}
	return 0
}

// phase of the control unit.
type phase uint8

const (
	steady phase = iota
	release
	engage  // from neutral: fill, then ramp
	fill    // the oncoming element is filled, the off-going one just holds
	torque  // torque moves from one element to the other, speeds stay
	ratio   // the input speed moves to the new gear's line
	locking // the oncoming element is pressed home
)

// Converter clutch states, in the order of the signal's texts.
const (
	lockOpen = iota
	lockSlipping
	lockApplied
)

// control is the gearbox control unit.
type control struct {
	m       *mechanism
	inertia [numElements]float64 // at the input while an element holds and no other [kg·m2]

	gear    int // the gear that holds, or the old one in a shift
	target  int // the gear asked for
	phase   phase
	t       float64 // in the phase [s]
	since   float64 // since the last shift ended [s]
	off, on int     // elements of the shift, -1 none
	onFrom  float64 // command at the start of locking [N·m]
	offFrom float64
	dip     float64 // part of the engine's torque left to it
	lockup  int
	lockCap float64 // capacity asked of the converter clutch [N·m]
	pedal   float64 // filtered
	outWas  float64 // output speed at the last step [rad/s]
	outRate float64 // its rate, filtered [rad/s2]
	fastOff float64 // time in which a lifted foot calls for no upshift [s]
	lever   byte    // position obeyed
	await   float64 // since the lever came to rest [s]

	act [numFriction]actuator
}

// seen is what the control unit measures.
type seen struct {
	lever       byte
	pedal       float64 // 0..1
	brake       bool
	in, out     float64 // input and output speed [rad/s]
	turbine     float64 // torque at the input: converter and its clutch [N·m]
	engine      float64 // torque [N·m]
	engineSpeed float64 // [rad/s]
	pan         float64 // [°C]
}

// pressed is a command that fills an element and transmits nothing yet [N·m].
const pressed = 2

// inputMost is the torque at the input that holding elements are made for [N·m].
const inputMost = 720

func newControl(m *mechanism, pick func(low, high float64) float64) *control {
	c := &control{m: m, dip: 1, off: -1, on: -1, lever: 'P'}
	for i := range c.act {
		a := &c.act[i]
		for g := 1; g < len(m.gear); g++ {
			a.full = math.Max(a.full, 1.5*inputMost*m.gear[g].share[i])
		}
		a.fillTime = pick(0.13, 0.19)
	}
	in := &m.shaft[inputShaft]
	for i := range c.inertia {
		x := m.drive[inputShaft].dot(&m.row[i])
		c.inertia[i] = 1 / (in.dot(&m.drive[inputShaft]) - x*x/m.w[i][i])
	}
	return c
}

// upAt and downAt are the shift lines: input speed [rpm] in the present gear.
func upAt(pedal float64) float64 { return 1750 + float64(2200*portable.Pow(pedal, 1.3)) }

func downAt(gear int, pedal float64) float64 {
	if gear == 2 {
		return 405 + float64(1100*pedal*pedal)
	}
	return 1000 + float64(1400*portable.Pow(pedal, 1.6))
}

// swap returns the elements a shift releases and applies; false if it takes
// more than one of each.
func (c *control) swap(from, to int) (off, on int, ok bool) {
	a, b := c.m.gear[from].holds, c.m.gear[to].holds
	o, n := a&^b, b&^a
	if mathbits.OnesCount(o) != 1 || mathbits.OnesCount(n) != 1 {
		return 0, 0, false
	}
	return mathbits.TrailingZeros(o), mathbits.TrailingZeros(n), true
}

// want returns the gear the shift lines ask for.
func (c *control) want(s *seen) int {
	g := c.gear
	if g < 1 || g > 6 {
		return g
	}
	n := math.Max(0, s.out) * rpm
	in := n * c.m.gear[g].ratio
	if g > 1 && in < downAt(g, c.pedal) && c.since > 0.25 {
		h := g - 1
		for h > 1 && n*c.m.gear[h].ratio < downAt(h, c.pedal) {
			h--
		}
		for ; h < g; h++ {
			if _, _, ok := c.swap(g, h); ok && n*c.m.gear[h].ratio < 4200 {
				return h
			}
		}
	}
	if g < 6 && in > upAt(c.pedal) && !s.brake && c.fastOff <= 0 && c.since > 0.7 &&
		n*c.m.gear[g+1].ratio > 1.06*downAt(g+1, c.pedal) {
		return g + 1
	}
	return g
}

func (c *control) hold(i int, share, turbine float64) float64 {
	return math.Min(c.act[i].full, math.Max(0.3*c.act[i].full, float64(1.7*share*math.Abs(turbine))+60))
}

// step decides and sets the commands of all elements.
func (c *control) step(dt float64, s *seen) {
	c.t += dt
	c.since += dt
	c.fastOff -= dt
	c.outRate += ((s.out-c.outWas)/dt - c.outRate) * dt / 0.04
	c.outWas = s.out
	before := c.pedal
	c.pedal += (s.pedal - c.pedal) * dt / 0.1
	if before-s.pedal > 0.15 {
		c.fastOff = 1.5
	}
	c.dip = 1
	c.obeyLever(dt, s)

	for i := range c.act {
		c.act[i].command = 0
	}
	switch c.phase {
	case steady, release:
		c.holdGear(s, c.gear, -1)
		if c.phase == release && c.t > 0.15 {
			c.phase, c.t = steady, 0
		}
		if c.phase == steady && c.gear >= 1 && c.gear <= 6 {
			if g := c.want(s); g != c.gear {
				c.off, c.on, _ = c.swap(c.gear, g)
				c.target, c.phase, c.t = g, fill, 0
			}
		}
	case engage:
		c.stepEngage(s)
	default:
		c.stepShift(s)
	}
	c.stepLockup(dt, s)
}

// obeyLever follows the lever once it has come to rest.
func (c *control) obeyLever(dt float64, s *seen) {
	if s.lever == c.lever {
		c.await = 0
		if c.phase == steady && c.gear == neutral && c.lever == 'D' {
			c.startEngage(s, 1)
		}
		if c.phase == steady && c.gear == neutral && c.lever == 'R' && s.out < 5 {
			c.startEngage(s, reverse)
		}
		return
	}
	if c.await += dt; c.await < 0.12 {
		return
	}
	c.lever = s.lever
	c.gear, c.target, c.off, c.on = neutral, neutral, -1, -1
	c.phase, c.t = release, 0
}

func (c *control) startEngage(s *seen, gear int) {
	for gear >= 1 && gear < 6 && s.out*rpm*c.m.gear[gear].ratio > 2200 {
		gear++
	}
	c.target, c.phase, c.t = gear, engage, 0
}

func (c *control) stepEngage(s *seen) {
	row := &c.m.gear[c.target]
	const filling, ramp = 0.22, 0.5
	for i := range c.act {
		if row.holds&(1<<i) == 0 {
			continue
		}
		c.act[i].command = pressed
		if x := (c.t - filling) / ramp; x > 0 {
			c.act[i].command = pressed + float64(row.share[i]*170*x)
		}
	}
	if c.t > filling+ramp {
		c.gear, c.phase, c.t, c.since = c.target, steady, 0, 0
	}
}

// holdGear commands every element of a gear except one.
func (c *control) holdGear(s *seen, gear, except int) {
	row := &c.m.gear[gear]
	for i := range c.act {
		if i != except && row.holds&(1<<i) != 0 {
			c.act[i].command = c.hold(i, row.share[i], s.turbine)
		}
	}
}

// demand is one element's command, where it has a pressure at all.
func (c *control) demand(i int, capacity float64) {
	if i >= 0 && i < numFriction {
		c.act[i].command = math.Max(0, math.Min(c.act[i].full, capacity))
	}
}

// stepShift runs a shift of one element for another. In the ratio phase the
// torque that moves the input at the wanted rate a follows from statics plus
// inertia: whichever element pulls the right way gets
//
//	share * |J a - T_input|
//
// and the other one nothing. So one rule serves upshifts and downshifts, power
// on and off.
func (c *control) stepShift(s *seen) {
	old, next := &c.m.gear[c.gear], &c.m.gear[c.target]
	common := old.holds & next.holds
	i := mathbits.TrailingZeros(common)
	shareOn, shareOff := next.share[c.on], old.share[c.off]
	c.demand(i, c.hold(i, math.Max(old.share[i], next.share[i]), s.turbine))

	dir := 1.0
	if next.ratio < old.ratio {
		dir = -1
	}
	goal := float64(next.ratio * s.out)
	gap := dir * (goal - s.in) // what is left to go [rad/s]
	span := math.Max(10, math.Abs((old.ratio-next.ratio)*s.out))
	drives := -dir*s.turbine > 0 // the oncoming element must do the work
	load := math.Abs(s.turbine)

	switch c.phase {
	case fill:
		c.demand(c.on, pressed)
		ease := math.Min(1, c.t/0.1)
		held := c.hold(min(c.off, numFriction-1), shareOff, s.turbine)
		c.demand(c.off, held+float64((float64(1.25*shareOff*load)+25-held)*ease))
		wait := 0.06
		if drives && c.on < numFriction {
			wait = c.act[c.on].fillTime + 0.01
		}
		if c.t >= wait {
			c.phase, c.t = torque, 0
			if !drives {
				c.phase = ratio
			}
		}
	case torque:
		const time = 0.15
		x := math.Min(1, c.t/time)
		c.demand(c.on, pressed+float64(x*shareOn*load))
		c.demand(c.off, (1-x)*(float64(1.15*shareOff*load)+12))
		if c.t >= time {
			c.phase, c.t = ratio, 0
		}
	case ratio:
		// Aim to arrive after about 0.4 s, faster with more pedal, and softly.
		time := 0.50 - float64(0.16*c.pedal)
		left := math.Max(0.07, time-c.t)
		a := float64(dir * math.Max(0, gap) / left * math.Min(1, 0.25+c.t/0.10))
		a += float64(dir * math.Max(0, float64(dir*next.ratio*c.outRate))) // the line may run away
		x := dir * (float64(c.inertia[i]*a) - s.turbine)
		if x > 0 {
			c.demand(c.on, pressed+float64(shareOn*x))
			c.demand(c.off, 0)
		} else {
			c.demand(c.on, pressed)
			c.demand(c.off, -shareOff*x)
		}
		if dir < 0 && s.turbine > 0 {
			c.dip = 1 - float64(0.4*math.Min(1, c.t/0.05))
		}
		done := gap < float64(0.004*span)+0.6
		if coast := c.on == oneWay && !(s.turbine > 0 && gap < span); done || coast && c.t > 1 || c.t > 2.5 {
			c.phase, c.t = locking, 0
			c.onFrom, c.offFrom = 0, 0
			if c.on < numFriction {
				c.onFrom = c.act[c.on].command
			}
			if c.off < numFriction {
				c.offFrom = c.act[c.off].command
			}
		}
	case locking:
		const time = 0.12
		x := math.Min(1, c.t/time)
		if c.on < numFriction {
			c.demand(c.on, c.onFrom+float64(x*(c.hold(c.on, shareOn, s.turbine)-c.onFrom)))
		}
		c.demand(c.off, (1-x)*c.offFrom)
		if dir < 0 && s.turbine > 0 {
			c.dip = 0.6 + float64(0.4*x)
		}
		if c.t >= time {
			c.gear, c.phase, c.t, c.since = c.target, steady, 0, 0
		}
	}
}

// stepLockup opens, slips and closes the converter clutch.
func (c *control) stepLockup(dt float64, s *seen) {
	in := s.in * rpm
	slip := math.Abs(s.engineSpeed-s.in) * rpm
	wish := c.gear >= 2 && c.gear <= 6 && in > 1180 && s.pan > 25 && s.pedal < 0.9
	if c.lockup != lockOpen {
		wish = c.gear >= 2 && c.gear <= 6 && in > 1060 && s.pedal < 0.95
	}
	switch {
	case !wish:
		c.lockup = lockOpen
		c.lockCap -= float64(c.lockCap * math.Min(1, dt/0.05))
		if c.lockCap < 1 {
			c.lockCap = 0
		}
	case c.phase != steady:
		// In a shift the clutch gives way, so that the engine's inertia is felt less.
		if c.lockup != lockOpen {
			c.lockup = lockSlipping
			c.lockCap += float64((float64(0.6*math.Abs(s.engine)) - c.lockCap) * math.Min(1, dt/0.05))
		}
	case c.lockup == lockOpen:
		if c.since > 0.6 {
			c.lockup = lockSlipping
		}
	default:
		goal := float64(1.5*math.Abs(s.engine)) + 70
		c.lockCap += math.Max(-900*dt, math.Min(260*dt, goal-c.lockCap))
		if slip < 15 && c.lockCap > 0.97*goal {
			c.lockup = lockApplied
		} else if slip > 60 {
			c.lockup = lockSlipping
		}
	}
}
