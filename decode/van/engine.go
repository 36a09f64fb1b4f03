package van

import "math"

// rpm converts rad/s.
const rpm = 30 / math.Pi

// curve is a table read by linear interpolation and flat beyond its ends.
type curve struct{ x, y []float64 }

func (c curve) at(x float64) float64 {
	if x <= c.x[0] {
		return c.y[0]
	}
	for i := 1; i < len(c.x); i++ {
		if x < c.x[i] {
			t := (x - c.x[i-1]) / (c.x[i] - c.x[i-1])
			return c.y[i-1] + float64(t*(c.y[i]-c.y[i-1]))
		}
	}
	return c.y[len(c.y)-1]
}

// Figures of a 2.2 l turbocharged diesel of a parcel van, 115 kW: common
// practice, no source. Torque at the crankshaft [N·m] over speed [rpm].
var (
	fullTorque = curve{
		[]float64{500, 750, 1000, 1250, 1500, 1750, 2250, 2500, 3000, 3500, 4000, 4300, 4700},
		[]float64{140, 190, 250, 325, 380, 400, 400, 395, 360, 312, 262, 180, 0},
	}
	// What the engine takes when no fuel is given, accessories included.
	motored = curve{
		[]float64{0, 500, 1000, 2000, 3000, 4000, 5000},
		[]float64{-18, -22, -27, -38, -52, -70, -92},
	}
)

// engineModel makes torque out of a pedal. Idle and top speed are governed.
type engineModel struct {
	torque   float64 // at the crankshaft [N·m]
	fuelled  float64 // torque asked for after the delay of air and injection [N·m]
	idle     float64 // integral of the idle governor [N·m]
	cut      float64 // intervention of the gearbox control unit, 1 = none
	idleGoal float64 // [rpm]
}

// step returns the torque at the crankshaft for pedal 0..1 at speed n [rpm];
// limit is the most torque the gearbox allows, cutGoal the part it asks for in
// a shift.
func (e *engineModel) step(dt, pedal, n, limit, cutGoal, weak, coolant float64) {
	drag := motored.at(n)
	full := float64(fullTorque.at(n) * (1 - weak))
	// The pedal asks for a part of the span between drag and full torque; its
	// middle is a little lively, as drivers like it.
	ask := drag + float64((full-drag)*pedal*(2-pedal))
	if pedal <= 0 {
		ask = drag
	}
	e.idleGoal = 790 + math.Max(0, math.Min(120, (40-coolant)*3))
	// Idle governor: proportional and integral, never below fuel cut. The
	// proportional part damps as the engine falls from above.
	lack := e.idleGoal - n
	e.idle = math.Max(0, math.Min(120, e.idle+float64(dt*0.8*lack)))
	if lack < -250 {
		e.idle = math.Max(0, math.Min(e.idle, 15))
	}
	if governed := drag + e.idle + float64(0.9*lack) - float64(drag*math.Max(0, math.Min(1, 1+lack/250))); governed > ask {
		ask = math.Min(governed, full)
	}
	ask = math.Min(ask, math.Max(limit, drag))
	lag := 0.07
	if ask > e.fuelled && ask > 0.45*full {
		lag = 0.22 // the charger has to come up
	}
	e.fuelled += float64((ask - e.fuelled) * math.Min(1, dt/lag))
	e.cut += float64((cutGoal - e.cut) * math.Min(1, dt/0.03))
	t := math.Min(e.fuelled, full)
	if t > 0 {
		t *= e.cut
	}
	e.torque = t
}

// converterModel is a torque converter of about 260 mm with a stator on a
// one-way clutch: stall near 2,500 rpm behind this engine (common practice, no
// source).
type converterModel struct {
	pump, turbine float64 // torque taken from the engine, given to the input [N·m]
}

// capacity at stall [N·m·s2]: 395 N·m at 2,500 rpm.
const capacity = 395 / (2500 / rpm * 2500 / rpm)

var (
	// Capacity factor over speed ratio, 1 at stall.
	capacityFactor = curve{
		[]float64{0, 0.2, 0.4, 0.6, 0.75, 0.85, 0.90, 0.94, 0.97, 1},
		[]float64{1, 1.02, 1.01, 0.95, 0.84, 0.68, 0.53, 0.36, 0.19, 0},
	}
	torqueRatio = curve{
		[]float64{0, 0.2, 0.4, 0.6, 0.75, 0.87, 1},
		[]float64{1.85, 1.67, 1.48, 1.27, 1.12, 1, 1},
	}
)

// step computes both torques from the speeds of engine and input [rad/s].
func (c *converterModel) step(pump, turbine float64, statorSlips bool) {
	switch {
	case pump > 0 && turbine <= pump:
		ratio := math.Max(0, turbine/pump)
		c.pump = capacity * pump * pump * capacityFactor.at(ratio)
		k := torqueRatio.at(ratio)
		if statorSlips {
			// Flow comes back against the pump: more load on it, no gain.
			c.pump *= 1 + float64(0.9*(1-ratio))
			k = 1
		}
		c.turbine = c.pump * k
	case turbine > 0:
		// Overrun: the turbine drives, with about half the capacity and no gain.
		ratio := math.Max(0, pump/turbine)
		c.turbine = -0.55 * capacity * turbine * turbine * capacityFactor.at(ratio)
		c.pump = c.turbine
	default:
		c.pump, c.turbine = 0, 0
	}
}
