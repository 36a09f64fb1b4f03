package van

import (
	"math"
	"math/rand/v2"
)

// quantity is something a signal of the vehicle file can tell.
type quantity int

const (
	qEngineSpeed quantity = iota
	qEngineTorque
	qPedal
	qBrake
	qInputSpeed
	qReducedCarrierSpeed
	qSmallSunSpeed
	qDrumSpeed
	qRearCarrierSpeed
	qOutputSpeed
	qLever
	qCommandedGear
	qCurrentGear
	qLockup
	qLowPressure
	qOddPressure
	qHighPressure
	qDrumBrakePressure
	qCrawlerPressure
	qContactA
	qContactB
	qContactC
	qContactM
	qMainPressure
	qConverterPressure
	qCoolerPressure
	qVehicleSpeed
	qOilPan
	qOilOutlet
	qCoolant
	qAmbient
	numQuantities
)

// channel is one quantity: the name of its signal and, where it is a state, the
// texts of its values 0, 1, 2 ...
type channel struct {
	name  string
	texts []string
}

var (
	openClosed = []string{"open", "closed"}
	channels   = [numQuantities]channel{
		qEngineSpeed: {"engine_speed", nil}, qEngineTorque: {"engine_torque", nil},
		qPedal: {"pedal", nil}, qBrake: {"brake", []string{"released", "pressed"}},
		qInputSpeed: {"input_speed", nil}, qReducedCarrierSpeed: {"reduced_carrier_speed", nil},
		qSmallSunSpeed: {"small_sun_speed", nil}, qDrumSpeed: {"drum_speed", nil},
		qRearCarrierSpeed: {"rear_carrier_speed", nil}, qOutputSpeed: {"output_speed", nil},
		qLever:         {"lever", []string{"P", "R", "N", "D"}},
		qCommandedGear: {"commanded_gear", gearNames[:]}, qCurrentGear: {"current_gear", gearNames[:]},
		qLockup:      {"lockup", []string{"open", "slipping", "applied"}},
		qLowPressure: {"low_gears_pressure", openClosed}, qOddPressure: {"odd_gears_pressure", openClosed},
		qHighPressure: {"high_gears_pressure", openClosed}, qDrumBrakePressure: {"drum_brake_pressure", openClosed},
		qCrawlerPressure: {"crawler_brake_pressure", openClosed},
		qContactA:        {"lever_contact_a", openClosed}, qContactB: {"lever_contact_b", openClosed},
		qContactC: {"lever_contact_c", openClosed}, qContactM: {"lever_contact_m", openClosed},
		qMainPressure: {"main_pressure", nil}, qConverterPressure: {"converter_pressure", nil}, qCoolerPressure: {"cooler_pressure", nil},
		qVehicleSpeed: {"vehicle_speed", nil},
		qOilPan:       {"oil_pan", nil}, qOilOutlet: {"oil_outlet", nil}, qCoolant: {"coolant", nil}, qAmbient: {"ambient", nil},
	}
)

func quantityByName(name string) (quantity, bool) {
	for q := range channels {
		if channels[q].name == name {
			return quantity(q), true
		}
	}
	return 0, false
}

// Codes of the lever's contacts a, b, c for P, R, N, D: neighbours differ, and the
// monitor contact m keeps the number of closed ones even.
//
//	P  a . . m      R  a b . .      N  . b . m      D  . b c .
var leverCode = [len(leverOrder)]uint8{0b0001, 0b0011, 0b0010, 0b0110}

// Contacts change a little apart when the lever moves [s].
var contactLag = [len(contactNames)]float64{0, 0.012, 0.020, 0.008}

// sensors are what the van's control units measure: the truth through a mild
// filter, with noise, and with the faults of the sensors themselves.
type sensors struct {
	s     *sim
	rng   *rand.Rand
	gaps  *rand.Rand
	speed [numShafts]float64 // filtered [rpm]
	eng   float64            // filtered [rpm]
	wheel float64            // filtered [km/h]
	// Temperature sensors have a time constant of seconds.
	pan, outlet, coolant float64
	main                 float64
	torqueScale          float64 // the engine's own estimate is off by this
	closed               [numFriction]bool
	fromLever, toLever   int
	gapFrom, gapTo       [len(sensorNames)]float64 // the next or present drop-out [s]
}

func newSensors(s *sim, seed uint64) *sensors {
	x := &sensors{s: s, rng: rand.New(rand.NewPCG(seed, streamSensor)), gaps: rand.New(rand.NewPCG(seed, streamDropouts))}
	x.torqueScale = 0.97 + float64(0.06*x.rng.Float64())
	x.pan, x.outlet, x.coolant = s.heat.pan, s.heat.outlet, s.heat.coolant
	x.eng = s.u[engine] * rpm
	for i := range x.gapTo {
		x.gapTo[i] = -1
	}
	return x
}

// speedFilter is the averaging of the tooth wheels' pulses [s].
const speedFilter = 0.003

// step follows the van by one step of its integration.
func (x *sensors) step() {
	s := x.s
	const k = dt / speedFilter
	for i, n := range s.shafts {
		x.speed[i] += float64((n - x.speed[i]) * k)
	}
	x.eng += float64((float64(s.u[engine]*rpm) - x.eng) * k)
	x.wheel += (float64(s.speed*3.6) - x.wheel) * dt / 0.03
	x.pan += float64((s.heat.pan - x.pan) * dt / 4)
	x.outlet += float64((s.heat.outlet - x.outlet) * dt / 2)
	x.coolant += (s.heat.coolant - x.coolant) * dt / 5
	var most float64
	for i := range s.ctl.act {
		a := &s.ctl.act[i]
		if p := a.pressure(); p > 240 {
			x.closed[i] = true
		} else if p < 170 {
			x.closed[i] = false
		}
		most = math.Max(most, a.command/a.full)
	}
	goal := float64((450 + float64(1350*most)) * math.Min(1, 0.6+s.u[engine]*rpm/2500) * (1 - float64(0.9*s.ill.pressureLow)))
	x.main += float64((goal - x.main) * dt / 0.05)
	if s.drv.lever != x.toLever {
		x.fromLever, x.toLever = x.toLever, s.drv.lever
	}
	now := float64(float64(s.steps) * dt)
	for i := range x.gapTo {
		if s.ill.dropsOut[i] > 0 && now > x.gapTo[i] {
			x.gapFrom[i] = now + 1 + float64(5*x.gaps.Float64())
			x.gapTo[i] = x.gapFrom[i] + s.ill.dropsOut[i]/1000
		}
	}
}

// noise is a figure near 0 with a standard deviation of size: the sum of four
// uniform ones, which is bounded.
func (x *sensors) noise(size float64) float64 {
	u := x.rng.Uint64()
	sum := float64(u&0xFFFF) + float64(u>>16&0xFFFF) + float64(u>>32&0xFFFF) + float64(u>>48)
	return (sum/65535 - 2) * math.Sqrt(3) * size
}

// shaftSpeed is a sensor on a tooth wheel: a little noise and, more, uneven teeth.
func (x *sensors) shaftSpeed(i int) float64 {
	n := x.speed[i]
	return n + x.noise(0.25+float64(0.0002*math.Abs(n)))
}

// failing applies the faults of sensor i to its reading; NaN is not available.
func (x *sensors) failing(i int, v float64) float64 {
	ill := &x.s.ill
	switch now := float64(x.s.steps) * dt; {
	case ill.missing[i]:
		return math.NaN()
	case ill.dropsOut[i] > 0 && now >= x.gapFrom[i] && now < x.gapTo[i]:
		return 0
	}
	return v * (1 - ill.readsLow[i])
}

func boolean(b bool) float64 {
	if b {
		return 1
	}
	return 0
}

// read measures a quantity now, in the unit the van's own vehicle file gives it
// (rpm, N·m, %, kPa, km/h, °C); a state is the index of its text. NaN is not
// available.
func (x *sensors) read(q quantity) float64 {
	s := x.s
	switch q {
	case qEngineSpeed:
		return x.failing(3, x.eng+x.noise(0.6))
	case qEngineTorque:
		return float64(s.eng.torque*x.torqueScale) + x.noise(0.8)
	case qPedal:
		return 100 * s.drv.pedal
	case qBrake:
		return boolean(s.drv.brake > 0.02)
	case qInputSpeed:
		return x.shaftSpeed(inputShaft)
	case qReducedCarrierSpeed:
		return x.failing(0, x.shaftSpeed(reducedCarrier))
	case qSmallSunSpeed:
		return x.shaftSpeed(smallSun)
	case qDrumSpeed:
		return x.failing(1, x.shaftSpeed(sunDrum))
	case qRearCarrierSpeed:
		return x.shaftSpeed(rearCarrier)
	case qOutputSpeed:
		return x.failing(2, x.shaftSpeed(outputShaft))
	case qLever:
		return float64(s.drv.lever)
	case qCommandedGear:
		return float64(s.commanded())
	case qCurrentGear:
		return float64(s.ctl.gear)
	case qLockup:
		return float64(s.ctl.lockup)
	case qLowPressure, qOddPressure, qHighPressure, qDrumBrakePressure, qCrawlerPressure:
		i := int(q - qLowPressure)
		if s.ill.stuck[i] != 0 {
			return boolean(s.ill.stuck[i] > 0)
		}
		return boolean(x.closed[i])
	case qContactA, qContactB, qContactC, qContactM:
		i := int(q - qContactA)
		at := x.toLever
		if s.drv.contactChanged < contactLag[i] {
			at = x.fromLever
		}
		return boolean(!s.ill.contactOpen[i] && contactClosed(i, at))
	case qMainPressure:
		return math.Max(0, x.main+x.noise(4))
	case qConverterPressure:
		// Oil that cannot leave through the cooler stands before it.
		return math.Max(0, 250+float64(0.9*s.u[engine])+float64(90*s.ill.coolerBlocked)+x.noise(3))
	case qCoolerPressure:
		return math.Max(0, 60+float64(900*s.heat.flow*(1-float64(0.4*s.ill.coolerBlocked)))+float64(190*s.ill.coolerBlocked)+x.noise(2))
	case qVehicleSpeed:
		return math.Abs(x.wheel)
	case qOilPan:
		return x.pan + x.noise(0.05)
	case qOilOutlet:
		return x.outlet + s.ill.outletHigh + x.noise(0.05)
	case qCoolant:
		return x.coolant
	case qAmbient:
		return s.ambient
	}
	return math.NaN()
}

// contactClosed tells whether contact i is closed with the lever at rest there.
func contactClosed(i, lever int) bool {
	code := leverCode[lever]
	if i < 3 {
		return code>>i&1 != 0
	}
	odd := code ^ code>>1 ^ code>>2
	return odd&1 != 0
}
