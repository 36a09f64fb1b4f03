package drivetrain

import (
	"math"

	"gearwitness/capture"
	"gearwitness/decode"
	"gearwitness/signals"
)

// Names of the derived signals.
const (
	SignalGear           = "gear"
	SignalRatio          = "ratio"
	SignalInputSpeed     = "input_speed"
	SignalConverterSlip  = "converter_slip"
	SignalConverterRatio = "converter_speed_ratio"
	SignalOilDifference  = "oil_temperature_difference"
	SlipPrefix           = "slip." // and the element's name
)

// oilStep is the grid of the oil-temperature difference: oil is slow.
const oilStep = 100 * millisecond

// runningRPM is the engine speed from which the engine runs; below it stands or is
// cranked.
const runningRPM = 300

// outputs writes the derived samples.
type outputs struct {
	gear, ratio, input, converter, converterRatio, oilDifference int32

	slips []int32
	there []bool // by signal: its last sample had a value
	base  int32  // first derived signal

	// Ticks whose gear is not decided yet: coming out of standstill or silence,
	// the first gear counts from where its pattern began.
	waiting [settleTicks + 64]capture.Stamp
	waits   int
}

func (o *outputs) add(a *Analyzer, f *signals.File, t *decode.Table) {
	o.gear, o.ratio, o.input, o.converter, o.converterRatio, o.oilDifference = -1, -1, -1, -1, -1, -1
	o.base = int32(len(t.Signals))
	m := a.model
	stale := a.delay + 200*millisecond
	if m != nil {
		a.gearNames(m)
		states := signals.Named[int64]{}
		name := func(text string, v int64) {
			states = append(states, signals.Entry[int64]{Name: text, V: v})
		}
		if i := states.Index("N"); i < 0 {
			name("N", valueNeutral)
		}
		for _, g := range m.gears {
			name(g.name, g.value)
		}
		name("standing", valueStanding)
		name("between", valueBetween)
		o.gear = t.Add(decode.Info{Name: SignalGear, Title: "gear engaged", Origin: decode.FromAnalysis, States: states, StaleAfter: stale})
		if m.output >= 0 || m.train != nil {
			o.ratio = t.Add(decode.Info{Name: SignalRatio, Title: "gear ratio, input over output", Origin: decode.FromAnalysis, StaleAfter: stale, Digits: 3})
		}
		if m.input < 0 && t.Index(SignalInputSpeed) < 0 {
			o.input = t.Add(decode.Info{Name: SignalInputSpeed, Title: "gearbox input speed", Unit: "rpm", Origin: decode.FromAnalysis, StaleAfter: stale})
		}
		if a.engine >= 0 {
			o.converter = t.Add(decode.Info{Name: SignalConverterSlip, Title: "converter slip, engine minus input", Unit: "rpm", Origin: decode.FromAnalysis, StaleAfter: stale})
			if t.Index(SignalConverterRatio) < 0 {
				o.converterRatio = t.Add(decode.Info{Name: SignalConverterRatio, Title: "converter speed ratio, input over engine", Origin: decode.FromAnalysis, StaleAfter: stale, Digits: 3})
			}
		}
		for _, name := range m.elements {
			title := "slip of " + name
			if x := f.Transmission.Elements.Index(name); x >= 0 && f.Transmission.Elements[x].V.Title != "" {
				title = "slip of " + f.Transmission.Elements[x].V.Title
			}
			o.slips = append(o.slips, t.Add(decode.Info{Name: SlipPrefix + name, Title: title, Unit: "rpm", Origin: decode.FromAnalysis, StaleAfter: stale}))
		}
	}
	if a.pan >= 0 && a.outlet >= 0 && t.Index(SignalOilDifference) < 0 {
		o.oilDifference = t.Add(decode.Info{Name: SignalOilDifference, Title: "oil temperature, outlet minus pan", Unit: "K", Origin: decode.FromAnalysis, StaleAfter: stale + 2*oilStep, Digits: 1})
	}
	o.there = make([]bool, len(t.Signals)-int(o.base))
}

// put appends a sample. Where the figure is not known, the first tick of it says
// "not available" and those after it nothing.
func (o *outputs) put(signal int32, at capture.Stamp, v float64, out *decode.Output) {
	if signal < 0 {
		return
	}
	there := &o.there[signal-o.base]
	if known(v) {
		*there = true
		out.Samples = append(out.Samples, decode.Sample{Time: at, Signal: signal, Value: v})
	} else if *there {
		*there = false
		out.Samples = append(out.Samples, decode.Sample{Time: at, Signal: signal, Status: decode.NotAvailable})
	}
}

// speeds writes what follows from the shaft speeds of a tick.
func (o *outputs) speeds(a *Analyzer, out *decode.Output) {
	n := &a.now
	o.gearOf(a, out)
	o.put(o.ratio, n.at, n.ratioShown(), out)
	o.put(o.input, n.at, n.in, out)
	o.put(o.converter, n.at, n.engine-n.in, out)
	o.put(o.converterRatio, n.at, n.converterRatio(), out)
	for e := range o.slips {
		o.put(o.slips[e], n.at, a.matcher.slips[e], out)
	}
}

// ratioShown is the ratio where the output turns fast enough for one.
func (i *instant) ratioShown() float64 {
	if !(math.Abs(i.out) >= standingRPM) {
		return unknown
	}
	return i.in / i.out
}

// converterRatio is the speed ratio of the converter, turbine over pump, while the
// engine runs: 0 in a stall, 1 when locked, above 1 where the wheels drive the
// engine.
func (i *instant) converterRatio() float64 {
	if !(i.engine >= runningRPM) {
		return unknown
	}
	return i.in / i.engine
}

// gearOf writes the gear, or lets it wait.
func (o *outputs) gearOf(a *Analyzer, out *decode.Output) {
	n, k := &a.now, &a.matcher
	undecided := k.fresh && n.gear == between && k.candidate >= 0
	if undecided && o.waits < len(o.waiting) {
		o.waiting[o.waits] = n.at
		o.waits++
		return
	}
	state := between
	if n.engaged {
		state = n.gear
	}
	o.flush(a, state, k.since, out)
	o.putGear(a, n.at, n.gear, out)
}

// flush writes the gear of the ticks that waited: state from since on, between
// before.
func (o *outputs) flush(a *Analyzer, state int, since capture.Stamp, out *decode.Output) {
	for _, at := range o.waiting[:o.waits] {
		if at >= since {
			o.putGear(a, at, state, out)
		} else {
			o.putGear(a, at, between, out)
		}
	}
	o.waits = 0
}

// release writes what still waits at the end of a drive.
func (o *outputs) release(a *Analyzer, out *decode.Output) { o.flush(a, between, 0, out) }

func (o *outputs) putGear(a *Analyzer, at capture.Stamp, state int, out *decode.Output) {
	var v float64
	switch {
	case state >= 0:
		v = float64(a.model.gears[state].value)
	case state == standing:
		v = valueStanding
	case state == neutral:
		v = valueNeutral
	case state == between:
		v = valueBetween
	default:
		v = unknown
	}
	o.put(o.gear, at, v, out)
}

// oil writes the oil-temperature difference on its own, slower grid.
func (o *outputs) oil(a *Analyzer, at capture.Stamp, out *decode.Output) {
	if o.oilDifference >= 0 && at%oilStep == 0 {
		o.put(o.oilDifference, at, a.hold(a.outlet, at)-a.hold(a.pan, at), out)
	}
}
