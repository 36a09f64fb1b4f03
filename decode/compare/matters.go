package compare

import (
	"time"

	"gearwitness/signals"
)

// Matters replaces, by figure, the smallest difference that matters, in the unit of
// the figure; of relative figures in parts of the value.
type Matters map[string]float64

// mattersOf are those that a vehicle file states.
func mattersOf(l signals.Limits) Matters {
	m := l.Matters
	out := Matters{}
	for key, v := range map[string]float64{
		"flare": m.FlareRPM, "bind_up": m.BindUpMPS2, "slip": m.SlipRPM, "lockup_slip": m.LockupSlipRPM, "lockup_swing": m.LockupSwingRPM, "stall": m.StallRPM,
		"oil_difference": m.OilDifferenceK, "coolant": m.CoolantK,
		"engine_torque": m.EngineTorquePct / 100, "converter": m.ConverterPct / 100, "pressure": m.PressurePct / 100,
	} {
		if v > 0 {
			out[key] = v
		}
	}
	for key, d := range map[string]time.Duration{"shift_delay": m.ShiftDelay, "shift_time": m.ShiftTime, "engagement": m.Engagement, "switch_time": m.SwitchTime} {
		if d > 0 {
			out[key] = d.Seconds()
		}
	}
	return out
}
