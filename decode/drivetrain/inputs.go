package drivetrain

import (
	"fmt"
	"math"
	"strings"

	"gearwitness/capture"
	"gearwitness/decode"
	"gearwitness/decode/series"
	"gearwitness/signals"
	"gearwitness/signals/unit"
)

// inputs are the signals the analysis reads, by role. Roles that are not filled
// are -1.
type inputs struct {
	file     *signals.File
	table    *decode.Table
	channels []channel
	route    []int16 // by signal of the table: position in channels, -1 for none

	engine, engineTorque, road, pedal int
	levers, commanded, lockup         int
	pan, outlet                       int

	leverStates  []leverPosition // by state of the lever's signal
	lockupStates []lockState
	commandGears map[int64]int // by value: position in model.gears
}

// kind of a channel.
type channelKind uint8

const (
	plain channelKind = iota
	shaftSpeed
)

// channel is one signal with its recent past, in the unit the analysis uses.
type channel struct {
	name           string
	message        string // that carries the signal; the signal's own name where it is none of a frame
	kind           channelKind
	ring           *series.Ring
	factor, offset float64 // to the analysis' unit
	period         capture.Stamp
	gap            capture.Stamp // longest way to interpolate over
	age            capture.Stamp // at which a held value no longer counts; 0: never

	last    float64 // last value that was there
	slope   float64 // between the last two [rpm/ns]
	lastAt  capture.Stamp
	seen    bool
	heard   capture.Stamp // when it came last, with or without a value
	outside bool          // sends values outside the range the vehicle file states
	lost    bool          // reads 0 where the shaft cannot have stopped
	lostAt  capture.Stamp
}

func newInputs(f *signals.File, t *decode.Table) *inputs {
	in := &inputs{file: f, table: t, route: make([]int16, len(t.Signals))}
	for i := range in.route {
		in.route[i] = -1
	}
	for _, p := range []*int{&in.engine, &in.engineTorque, &in.road, &in.pedal, &in.levers, &in.commanded, &in.lockup, &in.pan, &in.outlet} {
		*p = -1
	}
	return in
}

// roles resolves the roles other than shaft speeds.
func (in *inputs) roles(r signals.Roles) error {
	for _, role := range []struct {
		key, signal string
		to          *int
		unit        unit.Unit
	}{
		{"engine_speed", r.EngineSpeed, &in.engine, "rpm"},
		{"engine_torque", r.EngineTorque, &in.engineTorque, "N·m"},
		{"vehicle_speed", r.VehicleSpeed, &in.road, "km/h"},
		{"pedal", r.Pedal, &in.pedal, "%"},
		{"lever", r.Lever, &in.levers, ""},
		{"commanded_gear", r.CommandedGear, &in.commanded, ""},
		{"lockup", r.Lockup, &in.lockup, ""},
		{"oil_pan", r.OilPan, &in.pan, "°C"},
		{"oil_outlet", r.OilOutlet, &in.outlet, "°C"},
	} {
		if role.signal == "" {
			continue
		}
		i := in.table.Index(role.signal)
		if i < 0 {
			return fmt.Errorf("transmission: role %s names %q, which is not a signal of the vehicle file", role.key, role.signal)
		}
		*role.to = in.channel(role.signal)
		c := &in.channels[*role.to]
		if err := c.in(in.table.Signals[i].Unit, role.unit); err != nil {
			return fmt.Errorf("transmission: role %s: signal %s: %w", role.key, role.signal, err)
		}
	}
	if in.engine >= 0 {
		in.channels[in.engine].kind = shaftSpeed
	}
	if in.levers >= 0 {
		in.leverStates = stateTable(in.states(r.Lever), leverOf)
	}
	if in.lockup >= 0 {
		in.lockupStates = stateTable(in.states(r.Lockup), lockOf)
	}
	return nil
}

func (in *inputs) states(name string) signals.Named[int64] {
	return in.table.Signals[in.table.Index(name)].States
}

// in sets the conversion from the signal's unit. A signal without a unit counts
// as being in the wanted one.
func (c *channel) in(from, to unit.Unit) error {
	if to == "" || from == "" || from == to {
		return nil
	}
	zero, err := unit.Convert(0, from, to)
	if err != nil {
		return err
	}
	one, err := unit.Convert(1, from, to)
	if err != nil {
		return err
	}
	c.factor, c.offset = one-zero, zero
	return nil
}

// message is the name of the frame that carries a signal, the signal's own where it is
// not in one.
func (in *inputs) message(signal string) string {
	for _, f := range in.file.Frames {
		if f.V.Signals.Index(signal) >= 0 {
			return f.Name
		}
	}
	return signal
}

// absent tells that the signal itself has not come for a while: its message is missing,
// whatever the sensor would say.
func (c *channel) absent(at capture.Stamp) bool { return at-c.heard > 3*c.period }

// channel returns the channel of a signal of the table, a new one at its first
// mention.
func (in *inputs) channel(name string) int {
	i := in.table.Index(name)
	if in.route[i] >= 0 {
		return int(in.route[i])
	}
	period, stale := in.period(name), in.table.Signals[i].StaleAfter
	if stale == 0 {
		stale = max(3*period, 100*millisecond)
	}
	c := channel{name: name, message: in.message(name), factor: 1, period: period, gap: stale, age: stale}
	if u := in.table.Signals[i].Unit; u == "rev/s" || u == "rad/s" {
		_ = c.in(u, "rpm") // all three are in the table of units
	}
	in.channels = append(in.channels, c)
	in.route[i] = int16(len(in.channels) - 1)
	return len(in.channels) - 1
}

// period is how often a signal is expected: as its frame says, else a third of
// the age at which it counts as gone, else 20 ms.
func (in *inputs) period(name string) capture.Stamp {
	for i := range in.file.Frames {
		f := &in.file.Frames[i].V
		if k := f.Signals.Index(name); k >= 0 {
			every := capture.Stamp(f.Every)
			if len(f.Signals[k].V.When) > 0 {
				every = max(every, capture.Stamp(f.StaleAfter)/3)
			}
			if every > 0 {
				return every
			}
		}
	}
	if stale := in.table.Signals[in.table.Index(name)].StaleAfter; stale > 0 {
		return stale / 3
	}
	return 20 * millisecond
}

// linear is a channel's value at a tick between its neighbours.
func (in *inputs) linear(c int, at, horizon capture.Stamp) float64 {
	if c < 0 {
		return unknown
	}
	ch := &in.channels[c]
	if v, ok := ch.ring.Linear(at, horizon, ch.gap); ok {
		return v
	}
	return unknown
}

// hold is a channel's last value at a tick.
func (in *inputs) hold(c int, at capture.Stamp) float64 {
	if c < 0 {
		return unknown
	}
	ch := &in.channels[c]
	if v, ok := ch.ring.Hold(at, ch.age); ok {
		return v
	}
	return unknown
}

// A shaft that turns cannot stand still one message later. What counts as
// turning is kept low, because watch takes a doubt back that turns out wrong.
const (
	turningRPM  = 30
	zeroRPM     = 1
	fastestStop = 3000 / 1e9 // rpm per ns: no shaft of a gearbox is stopped or spun up faster
)

// plausible takes note of a speed reading and tells whether it can be true: a
// sensor whose wire is open reads 0 from one message to the next, and all the
// while until its wire is sound again.
func (c *channel) plausible(at capture.Stamp, v float64) bool {
	zero := math.Abs(v) < zeroRPM
	if c.lost {
		if zero {
			return false
		}
		c.lost = false
	} else if zero && c.seen && math.Abs(c.last) >= max(turningRPM, fastestStop*float64(at-c.lastAt)) && at-c.lastAt <= c.period*7/2 &&
		1+c.slope*float64(at-c.lastAt)/c.last > 0.5 { // not already on its way to a stop
		c.lost, c.lostAt = true, at
		return false
	}
	c.slope = 0
	if dt := at - c.lastAt; c.seen && dt > 0 && dt <= c.period*7/2 {
		c.slope = (v - c.last) / float64(dt)
	}
	c.last, c.lastAt, c.seen = v, at, true
	return true
}

// trust takes the doubt back: the shaft does stand still.
func (c *channel) trust() {
	c.lost, c.last, c.slope = false, 0, 0
}

// leverPosition is what the lever says, as far as it matters here.
type leverPosition uint8

const (
	leverUnknown leverPosition = iota
	leverP
	leverR
	leverN
	leverD // any forward position
)

var leverNames = [...]string{"", "P", "R", "N", "D"}

// parked tells that the lever asks for no gear.
func (l leverPosition) parked() bool { return l == leverP || l == leverN }

// leverOf reads a state's text: P, R, N by themselves or as the first letter of
// "park", "reverse", "neutral"; what says that there is no position is
// unknown; anything else is a forward position.
func leverOf(text string) leverPosition {
	switch s := strings.ToLower(strings.TrimSpace(text)); {
	case s == "p" || strings.HasPrefix(s, "park"):
		return leverP
	case s == "r" || strings.HasPrefix(s, "reverse"):
		return leverR
	case s == "n" || strings.HasPrefix(s, "neutral"):
		return leverN
	case s == "" || strings.HasPrefix(s, "not") || strings.HasPrefix(s, "invalid") || strings.HasPrefix(s, "error") ||
		strings.HasPrefix(s, "unknown") || strings.HasPrefix(s, "reserved") || strings.HasPrefix(s, "between"):
		return leverUnknown
	}
	return leverD
}

// lockState is what is commanded or reported of the converter clutch.
type lockState uint8

const (
	lockUnknown lockState = iota
	lockOpen
	lockSlipping
	lockApplied
)

func lockOf(text string) lockState {
	s := strings.ToLower(strings.TrimSpace(text))
	for _, w := range []struct {
		prefix string
		state  lockState
	}{
		{"not available", lockUnknown}, {"error", lockUnknown}, {"reserved", lockUnknown},
		{"open", lockOpen}, {"off", lockOpen}, {"dis", lockOpen}, {"un", lockOpen}, {"release", lockOpen}, {"not ", lockOpen}, {"no", lockOpen},
		{"slip", lockSlipping}, {"control", lockSlipping}, {"partial", lockSlipping}, {"partly", lockSlipping},
		{"appl", lockApplied}, {"lock", lockApplied}, {"engage", lockApplied}, {"closed", lockApplied}, {"on", lockApplied}, {"full", lockApplied}, {"yes", lockApplied},
	} {
		if strings.HasPrefix(s, w.prefix) {
			return w.state
		}
	}
	return lockUnknown
}

// stateTable lays the states of a signal out by value. Values beyond 255 are
// taken for unknown.
func stateTable[T any](states signals.Named[int64], of func(string) T) []T {
	var out []T
	for _, s := range states {
		if s.V < 0 || s.V > 255 {
			continue
		}
		for int64(len(out)) <= s.V {
			var none T
			out = append(out, none)
		}
		out[s.V] = of(s.Name)
	}
	return out
}

// byState is the entry for a value, the zero value where there is none.
func byState[T any](table []T, v float64) T {
	if v >= 0 && v < float64(len(table)) && v == math.Trunc(v) {
		return table[int(v)]
	}
	var none T
	return none
}

func (in *inputs) leverAt(at capture.Stamp) leverPosition {
	return byState(in.leverStates, in.hold(in.levers, at))
}

// lockAt reads the role lockup; without named states any value but 0 is taken
// for applied.
func (in *inputs) lockAt(at capture.Stamp) lockState {
	v := in.hold(in.lockup, at)
	switch {
	case !known(v):
		return lockUnknown
	case len(in.lockupStates) > 0:
		return byState(in.lockupStates, v)
	case v == 0:
		return lockOpen
	}
	return lockApplied
}

// gearNames resolves the values of the role commanded_gear to gears: by the
// text of its states, or by number where it has none.
func (in *inputs) gearNames(m *model) {
	in.commandGears = make(map[int64]int)
	if in.commanded < 0 {
		return
	}
	gears, numbered := map[int64]int{valueNeutral: neutral}, map[int64]bool{valueNeutral: true}
	for g := range m.gears {
		gears[m.gears[g].value], numbered[m.gears[g].value] = g, true
	}
	states := in.states(in.channels[in.commanded].name)
	for _, s := range states {
		for g := range m.gears {
			if strings.EqualFold(s.Name, m.gears[g].name) {
				in.commandGears[s.V] = g
			}
		}
		if leverOf(s.Name) == leverN {
			in.commandGears[s.V] = neutral
		}
	}
	// A value without a name of its own is a gear's number, as in SAE J1939.
	for _, s := range states {
		numbered[s.V] = false
	}
	for v, free := range numbered {
		if free {
			in.commandGears[v] = gears[v]
		}
	}
}

// gearAt is the gear a channel names at a tick, or notKnown.
func (in *inputs) gearAt(c int, at capture.Stamp) int {
	v := in.hold(c, at)
	if !known(v) || v != math.Trunc(v) || math.Abs(v) > 1000 {
		return notKnown
	}
	if g, ok := in.commandGears[int64(v)]; ok {
		return g
	}
	return notKnown
}
