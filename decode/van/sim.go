package van

import (
	"math"
	"math/rand/v2"
	"time"

	"gearwitness/signals"
)

// One step of the integration.
const (
	stepTime  = time.Millisecond
	dt        = 0.001
	heatSteps = 10 // temperatures move slowly
)

// Gravity, air and road of a parcel van: common practice, no source.
const (
	gravity    = 9.81
	airDrag    = 0.5 * 1.2 * 1.7 // half density times drag area [kg/m]
	rolling    = 0.011           // of the weight
	brakeForce = vehicleMass * 9 // at a full brake pedal [N]
	parkForce  = vehicleMass * 5 // parking brake [N]
	pawl       = 1e5             // parking pawl, torque at the output shaft [N·m]
)

// sim is the van itself, without its electrics.
type sim struct {
	m    *mechanism
	fric friction
	eng  engineModel
	conv converterModel
	heat heatModel
	ctl  *control
	drv  driver

	u     vec   // speeds of the gearbox's freedom and of the engine [rad/s]
	steps int64 // done

	ambient float64
	grade   float64
	speed   float64          // over ground [m/s]
	road    float64          // force of air and slope against the van [N]
	bound   [numRows]float64 // largest impulse of each row in the last step [N·m·s]
	turbine float64          // torque at the input, of converter and its clutch [N·m]
	lockCap float64          // of the converter clutch [N·m]

	toConverter, toPan float64 // heat since the temperatures last moved [J]
	energy             energies

	ill    troubles
	faults []armed

	shafts [numShafts]float64 // speeds [rpm], after the step
}

// energies are totals since the start [J]; in the long run engine = road +
// brakes + converter + friction + drag + change of kinetic energy.
type energies struct {
	engine, converter, friction, drag, brakes, road float64
}

// armed is a fault that waits for its time.
type armed struct {
	in      Injection
	f       *Fault
	done    bool
	noticed bool // by a control unit
}

func newSim(o Options, file *signals.File) (*sim, error) {
	m, err := newMechanism(file.Transmission)
	if err != nil {
		return nil, err
	}
	d := driveByName(o.Drive)
	if d == nil {
		d = &drives[0]
	}
	// Every part has its own stream, so that a fault or another resolution does
	// not change what the driver does.
	rng := rand.New(rand.NewPCG(o.Seed, streamModel))
	s := &sim{m: m, ambient: o.Ambient, ill: sound()}
	s.fric.m = m
	s.ctl = newControl(m, func(low, high float64) float64 { return low + float64((high-low)*rng.Float64()) })
	s.drv.plan = d.plan
	s.drv.p.rng = rand.New(rand.NewPCG(o.Seed, streamDriver))
	s.drv.p.steps = make([]manoeuvre, 0, 64)
	s.drv.contactChanged = 1
	s.drv.advance()
	s.heat = heatModel{pan: o.Oil, outlet: o.Oil, coolant: math.Max(o.Ambient, math.Min(85, o.Oil+15))}
	s.eng.cut = 1
	s.u[engine] = 790 / rpm
	for _, in := range o.Faults {
		s.faults = append(s.faults, armed{in: in, f: faultByName(in.Name)})
	}
	return s, nil
}

// Streams of random figures.
const (
	streamModel = iota + 1
	streamDriver
	streamSensor
	streamBus
	streamDropouts
	streamOptions
)

// now is the time since the start.
func (s *sim) now() time.Duration { return time.Duration(s.steps) * stepTime }

// step moves the van by dt.
func (s *sim) step() {
	for i := range s.faults {
		if a := &s.faults[i]; !a.done && s.now() >= a.in.Start {
			a.done = true
			s.ill.add(a.f, a.in.Size)
		}
	}
	m := s.m
	in, out := m.shaft[inputShaft].dot(&s.u), m.shaft[outputShaft].dot(&s.u)
	pump := s.u[engine]

	s.grade = s.drv.cur.grade
	weight := vehicleMass * gravity
	s.road = float64(airDrag*s.speed*math.Abs(s.speed)) + float64(weight*s.grade)
	s.drv.step(dt, s.speed, s.road+weight*rolling)

	lever := leverOrder[s.drv.lever]
	s.ctl.step(dt, &seen{
		lever: lever, pedal: s.drv.pedal, brake: s.drv.brake > 0.02,
		in: in, out: out, turbine: s.turbine, engine: s.eng.torque, engineSpeed: pump, pan: s.heat.pan,
	})
	var bound [numRows]float64
	for i := range s.ctl.act {
		a := &s.ctl.act[i]
		a.step(dt, s.ill.fillsLate[i], s.ill.releasesLate[i], 1-s.ill.pressureLow)
		bound[i] = math.Min(a.capacity, s.ill.slips[i]) * dt
	}
	bound[oneWay] = math.Min(8000, s.ill.slips[oneWay]) * dt
	s.lockCap = s.ctl.lockCap
	if s.ill.shudder > 0 && s.ctl.phase == steady && s.lockCap > 0 {
		// Glazed facings stick and slip: the torque swings about the engine's.
		base := math.Min(s.lockCap, float64(1.05*math.Abs(s.eng.torque))+10)
		s.lockCap = base * (1 + float64(s.ill.shudder*math.Sin(2*math.Pi*11*float64(s.steps)*dt)))
	}
	s.lockCap = math.Min(s.lockCap, s.ill.lockupSlips)
	bound[lockupClutch] = math.Max(0, s.lockCap) * dt
	force := float64(s.drv.brake*brakeForce) + float64(weight*rolling)
	if s.drv.cur.deed == stall {
		force += parkForce
	}
	hold := force * tyreRadius / axleRatio
	if lever == 'P' && math.Abs(out) < 2 {
		hold += pawl
	}
	bound[wheelBrake] = hold * dt

	// The gearbox allows less torque in the low gears, for its own sake and the
	// tyres', but not while the brake is held at a standstill (stall test).
	limit := math.Inf(1)
	if s.drv.brake < 0.5 {
		switch s.ctl.gear {
		case 1, reverse:
			limit = 205
		case 2:
			limit = 330
		}
	}
	pedal := s.drv.pedal
	if lever == 'P' || lever == 'N' {
		pedal = math.Min(pedal, 0.3)
	}
	s.eng.step(dt, pedal, pump*rpm, limit, s.ctl.dip, s.ill.engineWeak, s.heat.coolant)
	s.conv.step(pump, in, s.ill.statorSlips)

	before, v := s.u, s.u
	v[engine] += float64(dt / engineInertia * (s.eng.torque - s.conv.pump))
	v.addScaled(dt*s.conv.turbine, &m.drive[inputShaft])
	v.addScaled(-dt*s.road*tyreRadius/axleRatio, &m.drive[outputShaft])
	// Oil between released plates drags, more when cold.
	viscous := 0.004 * (1 + float64(math.Max(0, 40-s.heat.pan)*0.05))
	var drag [numFriction]float64
	for i := range drag {
		drag[i] = viscous * m.row[i].dot(&before)
		v.addScaled(-dt*drag[i], &m.response[i])
	}
	s.bound = bound
	s.fric.solve(&v, &s.bound)
	s.u = v

	s.turbine = s.conv.turbine + s.fric.impulse[lockupClutch]/dt
	for i := range m.shaft {
		s.shafts[i] = m.shaft[i].dot(&v) * rpm
	}
	s.speed = s.shafts[outputShaft] / rpm / axleRatio * tyreRadius
	s.settle(&before, &drag)
	s.steps++
}

// settle books work and heat of the step. Every torque is constant over it, so
// that torque times mean speed is its work exactly.
func (s *sim) settle(before *vec, drag *[numFriction]float64) {
	mean := func(row *vec) float64 { return (row.dot(before) + row.dot(&s.u)) / 2 }
	pump := (before[engine] + s.u[engine]) / 2
	e := &s.energy
	e.engine += float64(s.eng.torque * pump * dt)
	conv := float64((float64(s.conv.pump*pump) - float64(s.conv.turbine*mean(&s.m.shaft[inputShaft]))) * dt)
	e.converter += conv
	var churn float64
	for i := range drag {
		churn += float64(drag[i] * mean(&s.m.row[i]) * dt)
	}
	e.drag += churn
	e.road += float64(s.road * tyreRadius / axleRatio * mean(&s.m.shaft[outputShaft]) * dt)
	var rub float64
	for i := range numElements {
		rub -= float64(s.fric.impulse[i] * mean(&s.m.row[i]))
	}
	lock := float64(-s.fric.impulse[lockupClutch] * mean(&s.m.row[lockupClutch]))
	e.friction += rub + lock
	e.brakes -= float64(s.fric.impulse[wheelBrake] * mean(&s.m.row[wheelBrake]))

	s.toConverter += conv + lock
	out := math.Abs(s.shafts[outputShaft]) / rpm
	// Gears and bearings: 2 % of the power and churning, in the pan.
	s.toPan += rub + churn + float64((float64(0.02*math.Abs(s.turbine)*pump)+float64(3*out))*dt)
	// The pump's leakage and the converter's own churning warm the outlet.
	s.toConverter += float64(2.2 * pump * dt)
	if s.steps%heatSteps == 0 {
		const span = heatSteps * dt
		s.heat.step(span, s.toConverter/span, s.toPan/span, pump, s.eng.torque*pump, s.speed, s.ambient, &s.ill)
		s.toConverter, s.toPan = 0, 0
	}
}

// carries tells whether an element holds without slip at this moment.
func (s *sim) carries(i int) bool { return s.fric.stuck&(1<<i) != 0 }

// heldGear is the gear whose elements all carry, or -1: none does.
func (s *sim) heldGear() int { return s.gearOf(s.fric.stuck) }

// gearOf is the gear whose elements are all among those of a mask, or -1; where
// there are several, the one the control unit has or wants.
func (s *sim) gearOf(stuck uint) int {
	fits := func(g int) bool {
		h := s.m.gear[g].holds
		return g != neutral && stuck&h == h
	}
	if fits(s.ctl.gear) {
		return s.ctl.gear
	}
	if fits(s.ctl.target) {
		return s.ctl.target
	}
	for g := 1; g < len(s.m.gear); g++ {
		if fits(g) {
			return g
		}
	}
	return -1
}

// applied tells whether any element has pressure.
func (s *sim) applied() bool {
	for i := range s.ctl.act {
		if s.ctl.act[i].capacity > 0 {
			return true
		}
	}
	return false
}

// commanded is the gear the control unit asks for.
func (s *sim) commanded() int {
	if s.ctl.phase == steady || s.ctl.phase == release {
		return s.ctl.gear
	}
	return s.ctl.target
}
