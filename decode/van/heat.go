package van

import "math"

// heatModel holds the temperatures [°C]. Masses, flows and conductances are
// those of a gearbox for 400 N·m with 8 l of oil (common practice, no source).
type heatModel struct {
	pan, outlet, coolant float64
	flow                 float64 // of oil through converter and cooler [kg/s]
}

const (
	oilHeat      = 2100.0 // J/(kg·K)
	panCapacity  = 5.5*oilHeat + 24*500
	convCapacity = 3.0*oilHeat + 9*480
	coolCapacity = 11*3600 + 70*450.0
)

// step moves the temperatures by dt [s]: toConverter and toPan are heat [W],
// engineSpeed [rad/s], brakePower of the engine [W], air [m/s].
func (h *heatModel) step(dt, toConverter, toPan, engineSpeed, enginePower, air, ambient float64, t *troubles) {
	// The pump gives 0.05 kg/s at idle and 0.16 at 3,000 rpm; cold oil flows less.
	flow := math.Min(0.035+float64(0.0004*engineSpeed), 0.16)
	flow *= math.Max(0.35, math.Min(1, 0.35+(h.pan+10)/80))
	h.flow = flow * (1 - float64(0.93*t.coolerBlocked))
	circulate := float64(h.flow * oilHeat * (h.outlet - h.pan))
	h.outlet += float64(dt * (toConverter - circulate) / convCapacity)

	// The cooler stands in the coolant: it warms the oil first, then cools it.
	effect := float64(0.72 * h.flow * oilHeat * (h.outlet - h.coolant))
	air = math.Abs(air)
	h.pan += float64(dt * (toPan + circulate - effect - float64((9+float64(0.9*air))*(h.pan-ambient))) / panCapacity)

	// Thermostat from 84 to 94 °C; the radiator is better at speed, the fan
	// helps when it is hot.
	goal := 84 + t.coolantHot
	open := math.Max(0, math.Min(1, (h.coolant-goal)/10))
	radiator := float64(open * (900 + float64(75*air)))
	if h.coolant > goal+9 {
		radiator += 1500
	}
	fromEngine := 2500 + float64(0.38*math.Max(0, enginePower)) + float64(8*engineSpeed)
	h.coolant += float64(dt * (fromEngine + effect - float64((12+radiator)*(h.coolant-ambient))) / coolCapacity)
}
