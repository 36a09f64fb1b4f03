package drivetrain

import (
	"fmt"
	"math"

	"gearwitness/capture"
	"gearwitness/decode"
)

// Limits of the oil: common practice, no source.
const (
	oilWarm      = 60.0        // °C in the pan from which adaptive shifts are judged
	oilHigh      = 110.0       // °C: caution
	oilStop      = 130.0       // °C
	soakDiffer   = 5.0         // K that two sensors in still oil may differ
	soakFor      = 2 * second  // after the first value: the oil has not circulated yet
	soakRPM      = 400         // engine speed below which the engine has only just been started
	oilRateOver  = 60 * second // for the rate of temperature
	steadyLockup = 20 * second // of applied converter clutch before the difference counts
	coolerUsual  = 25.0        // K: outlet above pan in steady lock-up
	coolerRise   = 8.0         // K: what it may rise by in a drive
	coolerTicks  = 90          // seconds of steady lock-up from which it is judged
)

// KindOil is the event, at the end of a drive, that sums the oil up.
const KindOil = "oil"

// OilEvent sums the oil temperatures of a drive up.
type OilEvent struct {
	Start     *float64        `json:"start_celsius,omitempty"`
	End       *float64        `json:"end_celsius,omitempty"`
	Highest   *float64        `json:"highest_celsius,omitempty"`
	Outlet    *float64        `json:"highest_outlet_celsius,omitempty"`
	FastestUp *float64        `json:"fastest_rise_kelvin_per_minute,omitempty"` // over a minute
	WarmUp    *decode.Seconds `json:"warm_up_s,omitempty"`                      // until 60 °C, if it began below
	Above110  decode.Seconds  `json:"above_110_s"`
	Above130  decode.Seconds  `json:"above_130_s"`
	// Lockup is the mean of outlet minus pan in steady lock-up, in the first and
	// in the last third of it: a cooler that blocks shows as a rise.
	LockupFirst *float64 `json:"difference_lockup_first_kelvin,omitempty"`
	LockupLast  *float64 `json:"difference_lockup_last_kelvin,omitempty"`
	// Cooler judges that with the oil warm: "as usual", "rising", "too high".
	Cooler string `json:"cooler,omitempty"`
	// SoakDiffer is outlet minus pan before the oil circulated, where the engine
	// was seen to start: both sensors lie in still oil then.
	SoakDiffer *float64 `json:"difference_at_start_kelvin,omitempty"`
}

// oilWatch adds the oil temperatures up, on its own slow grid.
type oilWatch struct {
	limit               float64 // of the vehicle file [K], 0 where it gives none
	begun               bool
	start               capture.Stamp
	first, last         float64
	highest, outlet     float64
	rise                float64
	minute              [60]float64 // pan by second: what stands where the next goes is a minute old
	seconds             int
	warm                capture.Stamp
	above110, above130  capture.Stamp
	lockSince           capture.Stamp
	differences         []float32 // one a second of steady lock-up
	warmed              []float32 // of them with the oil warm
	soak                float64
	soaked, startedCold bool
}

// step is called on every tick of the oil's grid.
func (o *oilWatch) step(a *Analyzer, at capture.Stamp) {
	pan, outlet := a.hold(a.pan, at), a.hold(a.outlet, at)
	temperature := pan
	if !known(temperature) {
		temperature = outlet
	}
	if !known(temperature) {
		return
	}
	if !o.begun {
		o.begun, o.start, o.first, o.highest, o.outlet, o.soak = true, at, temperature, temperature, outlet, unknown
	}
	if at-o.start <= soakFor {
		if known(a.now.engine) && a.now.engine < soakRPM {
			o.startedCold = true
		}
		if o.startedCold && !o.soaked && known(pan) && known(outlet) {
			o.soaked, o.soak = true, outlet-pan
		}
	}
	o.last = temperature
	o.highest = max(o.highest, temperature)
	if known(outlet) && !(o.outlet >= outlet) {
		o.outlet = outlet
	}
	if temperature > oilHigh {
		o.above110 += oilStep
	}
	if temperature > oilStop {
		o.above130 += oilStep
	}
	if o.warm == 0 && o.first < oilWarm && temperature >= oilWarm {
		o.warm = at
	}
	if at%second != 0 {
		return
	}
	old := o.minute[o.seconds%len(o.minute)]
	o.minute[o.seconds%len(o.minute)] = temperature
	if o.seconds++; o.seconds > len(o.minute) {
		o.rise = max(o.rise, (temperature-old)/(float64(oilRateOver)/60e9))
	}
	if !known(pan) || !known(outlet) || a.lockAt(at) != lockApplied {
		o.lockSince = 0
		return
	}
	if o.lockSince == 0 {
		o.lockSince = at
	}
	if at-o.lockSince >= steadyLockup && len(o.differences) < maxRecords*2 {
		o.differences = append(o.differences, float32(outlet-pan))
		if pan >= oilWarm {
			o.warmed = append(o.warmed, float32(outlet-pan))
		}
	}
}

// cooler judges how far the outlet stands above the pan in steady lock-up, where the
// converter makes no heat: what the cooler's flow does not carry away stays in the
// converter. Empty where there was too little of it.
func (o *oilWatch) cooler(limit float64) (finding string, first, last float64) {
	n := len(o.warmed)
	if n < coolerTicks {
		return "", unknown, unknown
	}
	if limit == 0 {
		limit = coolerUsual
	}
	first, last = *average(o.warmed[:n/3]), *average(o.warmed[n-n/3:])
	switch {
	case last > limit:
		finding = "too high"
	case last-first > coolerRise:
		finding = "rising"
	default:
		finding = "as usual"
	}
	return finding, first, last
}

// finish writes the summary.
func (o *oilWatch) finish(at capture.Stamp, out *decode.Output) {
	if !o.begun {
		return
	}
	e := OilEvent{Start: figure(o.first), End: figure(o.last), Highest: figure(o.highest), Outlet: figure(o.outlet), Above110: decode.Seconds(o.above110), Above130: decode.Seconds(o.above130), SoakDiffer: figure(o.soak)}
	if o.seconds > len(o.minute) {
		e.FastestUp = figure(o.rise)
	}
	if o.warm != 0 {
		e.WarmUp = seconds(o.warm - o.start)
	}
	e.Cooler, _, _ = o.cooler(o.limit)
	if n := len(o.differences); n >= coolerTicks {
		e.LockupFirst, e.LockupLast = average(o.differences[:n/3]), average(o.differences[n-n/3:])
	}
	out.Events = append(out.Events, decode.Event{Time: at, Kind: KindOil, Fields: e})
}

func average(v []float32) *float64 {
	var sum float64
	for _, x := range v {
		sum += float64(x)
	}
	return figure(sum / float64(len(v)))
}

// suspects are the pair of oil sensors that cannot both be right, and a cooler that
// lets too little through.
func (o *oilWatch) suspects(a *Analyzer) []Suspect {
	var out []Suspect
	if o.soaked && math.Abs(o.soak) > soakDiffer {
		name := a.channels[a.outlet].name
		out = append(out, Suspect{Element: name, Part: "sensor", Score: 0.6, Verdict: VerdictSuspect, Reasons: []string{
			name + " or " + a.channels[a.pan].name + " is wrong: they differ by " + kelvin(o.soak) + " in still oil, as the engine was started",
		}})
	}
	finding, first, last := o.cooler(o.limit)
	if finding == "" || finding == "as usual" {
		return out
	}
	x := Suspect{Element: "oil cooler", Part: "oil", Score: 0.6, Verdict: VerdictSuspect, Reasons: []string{
		"the outlet stands " + kelvin(last) + " above the pan in steady lock-up, " + kelvin(first) + " at first: look at the flow through the cooler",
	}}
	switch {
	case len(out) > 0:
		x.Score, x.Verdict = 0.4, VerdictUndecided
		x.Reasons = append(x.Reasons, "or one of the two sensors is wrong, see there")
	case !o.soaked && last-first <= coolerRise: // it was so from the beginning
		x.Score, x.Verdict = 0.4, VerdictUndecided
		x.Reasons = append(x.Reasons, "or one of the two sensors reads wrong: record from before the engine is started, after a night's stand, and they must read alike")
	case a.lockups.slipping():
		x.Score, x.Verdict = 0.4, VerdictUndecided
		x.Reasons = append(x.Reasons, "or the converter clutch slips and heats it, see there")
	}
	return append(out, x)
}

func kelvin(v float64) string { return fmt.Sprintf("%+.0f K", v) }
