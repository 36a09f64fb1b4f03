package compare

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"gearwitness/signals/portable"
)

// figure is something that both sessions have values of.
type figure struct {
	key        string // what Matters calls it
	name       string // for people, lower case
	about      string // part or signal it is a figure of; empty: of the kinds' parts
	kinds      string // what its kinds are, such as "kinds of upshift"
	unit       string
	digits     int
	worse      int // +1: larger is worse, -1: smaller is; 0: neither by itself
	more, less string
	matters    float64 // smallest difference that matters
	reason     string  // for that
	repeat     float64 // standard deviation of like values of a sound gearbox
	relative   bool    // y is a logarithm, matters and repeat are parts of the value
	likeOnly   bool    // there are so many values that only like ones are compared
	single     bool    // one value tells, because it is known how well it repeats
	conditions []condition
	observe    func(*Record, *figure) []observation

	sensor string // of the oil at the outlet
	line   line   // of the fit
}

// blamed is a part that may be behind a change, and how readily it is.
type blamed struct {
	part  string
	prior float64
}

var unknowns = [conditions]float64{math.NaN(), math.NaN(), math.NaN()}

func value(p *float64) float64 {
	if p == nil {
		return math.NaN()
	}
	return *p
}

// Conditions of a shift. Tolerances of pedal and oil temperature: common practice, no
// source; of the torque ours. The slopes beside each figure are ours: about what
// control units vary their shifts by.
func shiftConditions(pedal, torque, oil float64) []condition {
	return []condition{{"pedal", "%", 5, pedal}, {"engine torque", "N·m", 15, torque}, {"oil temperature", "K", 10, oil}}
}

// The figures of shifts. Smallest differences that matter: what a driver feels or
// hears, and at least what the measurement can tell; ours, from common practice.
func shiftFigures() []*figure {
	ofShift := func(f *figure, of func(*Shift) (float64, bool), parts func(*Record, *Shift) []blamed) *figure {
		f.observe = func(r *Record, _ *figure) (list []observation) {
			for i := range r.Shifts {
				s := &r.Shifts[i]
				if v, ok := of(s); ok {
					list = append(list, observation{kind: s.From + "-" + s.To + " " + s.Kind(), order: s.order(), y: v,
						x: [conditions]float64{value(s.Pedal), value(s.TorqueBefore), value(s.OilTemperature)}, parts: parts(r, s)})
				}
			}
			return list
		}
		f.kinds = "kinds of shift"
		return f
	}
	return []*figure{
		ofShift(&figure{key: "flare", name: "flare", unit: "rpm", worse: +1, more: "higher", less: "lower", matters: 25, repeat: 3, conditions: shiftConditions(0.2, 0.1, 0.2),
			reason: "below it nobody hears the engine run up"},
			func(s *Shift) (float64, bool) { return pointer(s.Flare) }, takesOver),
		ofShift(&figure{key: "shift_delay", name: "delay from command to ratio phase", unit: "s", digits: 2, worse: +1, more: "longer", less: "shorter", matters: 0.1, repeat: 0.02, conditions: shiftConditions(0.001, 0.0004, 0.002),
			reason: "two sound gearboxes of one kind differ by about half of it, as their clutches need to be filled"},
			func(s *Shift) (float64, bool) { return secondsOf(s.Delay) }, letsGo),
		ofShift(&figure{key: "shift_time", name: "duration", unit: "s", digits: 2, more: "longer", less: "shorter", matters: 0.1, repeat: 0.02, conditions: shiftConditions(0.002, 0.0005, 0.004),
			reason: "a tenth of a second can be felt"},
			func(s *Shift) (float64, bool) {
				if !s.Settled {
					return 0, false
				}
				return secondsOf(s.Duration)
			}, letsGo),
		ofShift(&figure{key: "bind_up", name: "bind-up", unit: "m/s²", digits: 2, worse: +1, more: "stronger", less: "weaker", matters: 0.3, repeat: 0.1, conditions: shiftConditions(0.002, 0.001, 0.005),
			reason: "below it a passenger feels no jerk"},
			func(s *Shift) (float64, bool) { return pointer(s.BindUp) }, letsGo),
		ofShift(&figure{key: "overshoot", name: "overshoot past the new gear", digits: 2, worse: +1, more: "larger", less: "smaller", matters: 0.08, repeat: 0.02, conditions: shiftConditions(0.0005, 0.0002, 0.0005),
			reason: "a twelfth of the step: what speeds of uneven teeth cannot make"},
			func(s *Shift) (float64, bool) { return s.Overshoot, s.End != nil }, takesOver),
	}
}

func pointer(p *float64) (float64, bool) {
	if p == nil {
		return 0, false
	}
	return *p, true
}

func secondsOf[T ~int64](p *T) (float64, bool) {
	if p == nil {
		return 0, false
	}
	return float64(*p) / 1e9, true
}

// order is that of kinds of shifts for people: upshifts first, then by gears.
func (s *Shift) order() string {
	way := "0"
	if s.Direction == "down" {
		way = "1"
	}
	return way + s.From + "\x00" + s.To
}

// holds are the elements of a gear.
func (r *Record) holds(gear string) []string {
	for _, g := range r.Gears {
		if g.Name == gear {
			return g.Holds
		}
	}
	return nil
}

// handover gives the elements that a shift applies and releases, without one-way
// clutches, which do so by themselves.
func (r *Record) handover(from, to string) (applied, released []string) {
	a, b := r.holds(from), r.holds(to)
	without := func(list, other []string) (out []string) {
		for _, e := range list {
			if !slices.Contains(other, e) && !slices.Contains(r.OneWay, e) {
				out = append(out, e)
			}
		}
		return out
	}
	return without(b, a), without(a, b)
}

// The less usual explanation of the same shift weighs so much.
const lessUsual = 0.75

// takesOver blames what is applied, less readily what is released.
func takesOver(r *Record, s *Shift) []blamed { return r.blame(s.From, s.To, 1, lessUsual) }

// letsGo blames what is released, less readily what is applied.
func letsGo(r *Record, s *Shift) []blamed { return r.blame(s.From, s.To, lessUsual, 1) }

func (r *Record) blame(from, to string, apply, release float64) (list []blamed) {
	applied, released := r.handover(from, to)
	for _, e := range applied {
		list = append(list, blamed{e, apply})
	}
	for _, e := range released {
		list = append(list, blamed{e, release})
	}
	return list
}

// slipFigures are the slip of each element while it carries.
func slipFigures(a, b *Record) (list []*figure) {
	var names []string
	for _, r := range []*Record{a, b} {
		for _, h := range r.Holds {
			if !slices.Contains(names, h.Element) {
				names = append(names, h.Element)
			}
		}
	}
	for _, name := range names {
		f := &figure{key: "slip", about: name, name: "slip while it carries, 99th percentile", kinds: "gears and torques", unit: "rpm", worse: +1, more: "higher", less: "lower", matters: 15, repeat: 3,
			conditions: []condition{{"engine torque", "N·m", 15, 0.05}, {"oil temperature", "K", 10, 0.05}},
			reason:     "what holds does not slip at all; up to it are steps and teeth of the sensors"}
		if name == "" {
			f.name = "slip in gear, 99th percentile"
		}
		f.observe = func(r *Record, f *figure) (list []observation) {
			for i := range r.Holds {
				h := &r.Holds[i]
				if h.Element != name {
					continue
				}
				o := observation{kind: "gear " + h.Gear + ", " + h.Torque.String(), order: fmt.Sprintf("%s\x00%02d", h.Gear, h.Torque), y: h.High, x: [conditions]float64{value(h.Nm), value(h.Oil)}}
				if name != "" {
					o.parts = []blamed{{name, 1}}
				}
				list = append(list, o)
			}
			return list
		}
		list = append(list, f)
	}
	return list
}

const converterClutch = "converter clutch"

// lockFigures are those of the converter clutch.
func lockFigures() []*figure {
	clutch := []blamed{{converterClutch, 1}}
	of := func(f *figure, y func(*Lock) float64) *figure {
		f.about, f.kinds = converterClutch, "gears"
		f.conditions = []condition{{"engine torque", "N·m", 20, 0.02}, {"oil temperature", "K", 10, 0.05}}
		f.observe = func(r *Record, _ *figure) (list []observation) {
			for i := range r.Locks {
				l := &r.Locks[i]
				list = append(list, observation{kind: "gear " + l.Gear, order: l.Gear, y: y(l), x: [conditions]float64{value(l.Nm), value(l.Oil)}, parts: clutch})
			}
			return list
		}
		return f
	}
	took := func(f *figure, holds bool) *figure {
		f.about, f.kinds = converterClutch, "kinds"
		f.observe = func(r *Record, _ *figure) (list []observation) {
			for _, l := range r.LockTimes {
				if l.Holds == holds {
					list = append(list, observation{kind: "all", y: l.Seconds, x: unknowns, parts: clutch})
				}
			}
			return list
		}
		return f
	}
	return []*figure{
		of(&figure{key: "lockup_slip", name: "slip while asked to hold", unit: "rpm", worse: +1, more: "higher", less: "lower", matters: 2, repeat: 0.5,
			reason: "an applied clutch does not slip at all; three times what the sensors make of that"},
			func(l *Lock) float64 {
				if l.Slips {
					return max(0, l.Slip-controlledRPM)
				}
				return l.Slip
			}),
		of(&figure{key: "lockup_swing", name: "swing of its slip at 5 to 20 Hz", unit: "rpm", worse: +1, more: "stronger", less: "weaker", matters: 6, repeat: 1.5,
			reason: "a shudder is felt from about three times of it"},
			func(l *Lock) float64 { return l.Swing }),
		took(&figure{key: "lockup_time", name: "time to let go", unit: "s", digits: 2, worse: +1, more: "longer", less: "shorter", matters: 0.3, repeat: 0.1, reason: "common practice"}, false),
	}
}

// controlledRPM is a slip that no control of slip asks for; common practice.
const controlledRPM = 100

// standFigures are those of engagements and stall tests.
func standFigures() []*figure {
	return []*figure{
		{key: "engagement", name: "engagement at a standstill", kinds: "ranges", unit: "s", digits: 2, worse: +1, more: "longer", less: "shorter", matters: 0.15, repeat: 0.02, single: true,
			reason: "a seventh of a second can be felt", conditions: []condition{{"oil temperature", "K", 10, 0.002}},
			observe: func(r *Record, _ *figure) (list []observation) {
				for i := range r.Engagements {
					e := &r.Engagements[i]
					if v, ok := secondsOf(e.Duration); ok {
						o := observation{kind: e.From + "-" + e.To, y: v, x: [conditions]float64{value(e.OilTemperature)}}
						for _, part := range r.startingGear(e.To == "R") {
							o.parts = append(o.parts, blamed{part, 1})
						}
						list = append(list, o)
					}
				}
				return list
			}},
		{key: "stall", name: "stall speed", kinds: "ranges", unit: "rpm", more: "higher", less: "lower", matters: 75, repeat: 20, single: true,
			reason: "half of the usual tolerance of a stated figure", conditions: []condition{{"oil temperature", "K", 20, 0.5}},
			observe: func(r *Record, _ *figure) (list []observation) {
				for i := range r.Stalls {
					if s := &r.Stalls[i]; !s.Moved {
						list = append(list, observation{kind: "in " + s.Lever, y: s.EngineSpeed, x: [conditions]float64{value(s.OilBefore)}})
					}
				}
				return list
			}},
	}
}

// startingGear are the elements of the gear a vehicle starts in.
func (r *Record) startingGear(reverse bool) (holds []string) {
	ratio := 0.0
	for _, g := range r.Gears {
		if (g.Ratio < 0) == reverse && math.Abs(g.Ratio) > ratio {
			ratio, holds = math.Abs(g.Ratio), g.Holds
		}
	}
	return slices.DeleteFunc(slices.Clone(holds), func(e string) bool { return slices.Contains(r.OneWay, e) })
}

// switchFigures are how long each pressure switch takes to follow.
func switchFigures(a, b *Record) (list []*figure) {
	type key struct {
		name   string
		closes bool
	}
	var keys []key
	for _, r := range []*Record{a, b} {
		for _, s := range r.SwitchTimes {
			if k := (key{s.Switch, s.Closes}); !slices.Contains(keys, k) {
				keys = append(keys, k)
			}
		}
	}
	for _, k := range keys {
		f := &figure{key: "switch_time", about: k.name, name: "time to open once its element is let go", kinds: "moves of the lever", unit: "s", single: true, digits: 2, worse: +1, more: "longer", less: "shorter", matters: 0.1, repeat: 0.02,
			reason: "two sound gearboxes differ by about half of it", conditions: []condition{{"oil temperature", "K", 10, 0.0003}}}
		if k.closes {
			f.name = "time to close once its element is asked for"
		}
		f.observe = func(r *Record, _ *figure) (list []observation) {
			for i := range r.SwitchTimes {
				// With the lever at a standstill: in a shift the time goes with the torque.
				if s := &r.SwitchTimes[i]; s.Switch == k.name && s.Closes == k.closes && (s.From == "N" || s.To == "N") {
					list = append(list, observation{kind: s.From + "-" + s.To, y: s.Seconds, x: [conditions]float64{value(s.Oil)}, parts: []blamed{{s.Element, 1}}})
				}
			}
			return list
		}
		list = append(list, f)
	}
	return list
}

// A block is the mean of moments of one kind that lie within half a minute: moments
// that follow each other are not independent.
const blockSeconds = 30

// blocks makes observations of moments.
func blocks(r *Record, of func(*Moment) (o observation, ok bool)) (list []observation) {
	type open struct {
		at float64
		n  float64
		o  observation
	}
	under := map[string]*open{}
	var order []*open
	for i := range r.Moments {
		o, ok := of(&r.Moments[i])
		if !ok || math.IsNaN(o.y) {
			continue
		}
		at := float64(r.Moments[i].At) / 1e9
		b := under[o.kind]
		if b == nil || at-b.at > blockSeconds {
			b = &open{at: at, o: o, n: 1}
			under[o.kind] = b
			order = append(order, b)
			continue
		}
		b.n++
		b.o.y += (o.y - b.o.y) / b.n
		for j := range o.x {
			b.o.x[j] += (o.x[j] - b.o.x[j]) / b.n
		}
	}
	for _, b := range order {
		list = append(list, b.o)
	}
	return list
}

// momentFigures are what signals were under like conditions.
func momentFigures(a, b *Record) []*figure {
	list := []*figure{
		{key: "engine_torque", about: "engine", likeOnly: true, name: "torque at like pedal and speed", kinds: "pedals and speeds", unit: "N·m", worse: -1, more: "higher", less: "lower", matters: 0.15, repeat: 0.04, relative: true,
			reason:     "what control units say of torque is good for about half of it",
			conditions: []condition{{"pedal", "%", 3, 0.02}, {"engine speed", "rpm", 150, 0.0005}},
			observe: func(r *Record, _ *figure) []observation {
				return blocks(r, func(m *Moment) (observation, bool) {
					nm, pedal, speed := value(m.Nm), value(m.Pedal), value(m.Engine)
					if !(nm > 10 && pedal >= 8 && speed >= 1000) || math.Abs(value(m.Rise)) > 400 || m.Gear == "standing" || m.Gear == "N" {
						return observation{}, false
					}
					band := float64(10 * math.Floor(pedal/10))
					return observation{kind: fmt.Sprintf("%.0f to %.0f %%, about %.0f rpm", band, band+10, float64(500*math.Round(speed/500))),
						order: fmt.Sprintf("%03.0f%05.0f", math.Floor(pedal/10), math.Round(speed/500)), y: portable.Log(nm), x: [conditions]float64{pedal, speed}, parts: []blamed{{"engine", 1}}}, true
				})
			}},
		{key: "converter", about: "converter", likeOnly: true, name: "engine torque it takes at like speeds", kinds: "speed ratios", unit: "N·m", more: "more", less: "less", matters: 0.2, repeat: 0.05, relative: true,
			reason:     "twice what control units say of torque is good for",
			conditions: []condition{{"speed ratio", "", 0.03, 3}, {"oil temperature", "K", 40, 0.0007}},
			observe: func(r *Record, _ *figure) []observation {
				return blocks(r, func(m *Moment) (observation, bool) {
					nm, speed, in := value(m.Nm), value(m.Engine), value(m.Input)
					ratio := in / speed
					if !(nm > 15 && speed >= 600) || m.Locked != "open" || math.Abs(value(m.Rise)) > 200 || !(ratio > -0.05 && ratio < 0.9) || m.Gear == "N" {
						return observation{}, false
					}
					k := math.Round(5 * ratio)
					// At 1000 rpm: the torque goes with the square of the speed.
					return observation{kind: fmt.Sprintf("speed ratio about %.1f", math.Abs(k/5)), order: fmt.Sprintf("%02.0f", k), y: portable.Log(nm / (speed * speed / 1e6)), x: [conditions]float64{ratio, value(m.Pan)}, parts: []blamed{{"converter", 1}}}, true
				})
			}},
		{key: "oil_difference", sensor: a.outlet(b), about: "oil", likeOnly: true, name: "temperature, outlet minus pan, at like load", kinds: "states of the converter clutch", unit: "K", digits: 1, worse: +1, more: "higher", less: "lower", matters: 4, repeat: 1,
			reason:     "half of what a cooler may usually add",
			conditions: []condition{{"heat of the converter", "kW", 1, 2}, {"engine speed", "rpm", 400, 0.002}, {"oil temperature", "K", 10, 0.1}},
			observe: func(r *Record, _ *figure) []observation {
				return blocks(r, func(m *Moment) (observation, bool) {
					heat := value(m.Heat)
					if math.IsNaN(heat) || !(value(m.Pan) >= warmOil) {
						return observation{}, false // cold oil hardly flows through a cooler
					}
					return observation{kind: "converter clutch " + m.Locked, y: value(m.Outlet) - value(m.Pan), x: [conditions]float64{heat, value(m.Engine), value(m.Pan)}}, true
				})
			}},
		{key: "coolant", about: "coolant", name: "temperature once warm", kinds: "stretches", unit: "K", worse: +1, more: "higher", less: "lower", matters: 8, repeat: 1.5,
			reason:  "more than a thermostat varies by",
			observe: observeCoolant},
	}
	var names []string
	for _, r := range []*Record{a, b} {
		for _, p := range r.Pressures {
			if !slices.Contains(names, p) {
				names = append(names, p)
			}
		}
	}
	for _, name := range names {
		list = append(list, &figure{key: "pressure", about: name, likeOnly: true, name: "in like gear, speed and torque", kinds: "gears", unit: "kPa", more: "higher", less: "lower", matters: 0.15, repeat: 0.03, relative: true,
			reason:     "a seventh: more than pressure control varies by",
			conditions: []condition{{"engine torque", "N·m", 20, 0.002}, {"engine speed", "rpm", 300, 0.0003}, {"oil temperature", "K", 15, 0.004}},
			observe: func(r *Record, _ *figure) []observation {
				k := slices.Index(r.Pressures, name)
				return blocks(r, func(m *Moment) (observation, bool) {
					if k < 0 || k >= len(m.Pressures) || !(value(m.Pressures[k]) > 1) || math.Abs(value(m.Rise)) > 600 {
						return observation{}, false
					}
					return observation{kind: "gear " + m.Gear, order: m.Gear, y: portable.Log(value(m.Pressures[k])), x: [conditions]float64{value(m.Nm), value(m.Engine), value(m.Pan)}, parts: []blamed{{name, 1}}}, true
				})
			}})
	}
	return list
}

// warmOil is from which the oil flows freely [°C]; common practice, no source.
const warmOil = 50

// outlet is the signal of the oil at the converter outlet.
func (r *Record) outlet(other *Record) string {
	for _, x := range []*Record{other, r} {
		if x.Outlet != "" {
			return x.Outlet
		}
	}
	return "oil outlet"
}

// observeCoolant gives the coolant's temperature where it is warm and settled: 70 °C
// or more, and less than 1.5 K from what it was a minute before.
func observeCoolant(r *Record, _ *figure) (list []observation) {
	var last float64
	before := math.NaN()
	for i := range r.Moments {
		m := &r.Moments[i]
		at, v := float64(m.At)/1e9, value(m.Coolant)
		if math.IsNaN(v) || len(list) > 0 && at-last < 60 || !math.IsNaN(before) && at-last < 60 {
			continue
		}
		if v >= 70 && math.Abs(v-before) < 1.5 {
			list = append(list, observation{kind: "all", y: v, x: unknowns, parts: []blamed{{"coolant", 1}}})
		}
		last, before = at, v
	}
	return list
}

// title is what the figure is called: "flare", "slip of the drum brake ...".
func (f *figure) title(r *Record) string {
	if f.about == "" {
		return upperFirst(f.name)
	}
	return upperFirst(r.titleOf(f.about)) + ": " + f.name
}

// titleOf is what people call a part or signal.
func (r *Record) titleOf(name string) string {
	if t := r.Titles[name]; t != "" {
		return t
	}
	return strings.ReplaceAll(name, "_", " ")
}
