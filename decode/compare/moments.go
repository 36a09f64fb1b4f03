package compare

import (
	"math"

	"gearwitness/capture"
	"gearwitness/decode"
)

// Of the converter clutch; common practice, no source.
const (
	lockSettled  = capture.Stamp(1500e6) // after it was asked for and after the last gear
	shortestLock = 100                   // ticks
	swingTicks   = 64                    // 0.64 s
	levelTicks   = 20                    // the moving average that is taken off: passes what is faster than about 5 Hz
)

// locking follows the converter clutch while it is asked for.
type locking struct {
	slips, holds       bool
	gear               int
	since              capture.Stamp
	at                 capture.Stamp
	ticks              int
	slip               float64 // sum, without sign
	torque, pedal, oil average
	last               [swingTicks + levelTicks]float64
	n                  int
	swing              float64
	list               sparse[Lock]
}

// step follows one tick.
func (k *locking) step(c *Collector, n *instant) {
	gear := n.gear
	if n.slips != k.slips || n.holds != k.holds || gear != k.gear || math.IsNaN(n.slip) {
		k.end(c)
		// From open to slipping to holding: the time runs on from the first.
		if !(k.slips || k.holds) || !(n.slips || n.holds) || gear != k.gear {
			k.since = n.at
		}
		k.slips, k.holds, k.gear = n.slips, n.holds, gear
	}
	if gear < 0 || !k.slips && !k.holds || n.at-k.since < lockSettled || math.IsNaN(n.slip) {
		return
	}
	if k.ticks == 0 {
		k.at = n.at
	}
	k.ticks++
	k.slip += math.Abs(n.slip)
	k.torque.add(n.torque)
	k.pedal.add(n.pedal)
	k.oil.add(n.oil())
	k.last[k.n%len(k.last)] = n.slip
	if k.n++; k.n >= len(k.last) && k.n%8 == 0 {
		k.swing = max(k.swing, k.amplitude())
	}
}

// amplitude is that of the slip's swing over the last 0.64 s: root 2 of the effective
// value of the slip less its moving average over 0.2 s; exact for a sine above 5 Hz
// but for what the average still lets through.
func (k *locking) amplitude() float64 {
	at := func(i int) float64 { return k.last[(k.n-1-i)%len(k.last)] } // i ticks ago
	var sum, square float64
	for i := range levelTicks {
		sum += at(i)
	}
	for i := range swingTicks {
		v := at(i+levelTicks/2) - sum/levelTicks
		sum += at(i+levelTicks) - at(i)
		square += float64(v * v)
	}
	return math.Sqrt(2 * square / swingTicks)
}

// end closes the stretch.
func (k *locking) end(c *Collector) {
	if k.ticks >= shortestLock && k.gear >= 0 {
		k.list.add(Lock{Gear: c.record.Gears[k.gear].Name, Slips: k.slips, At: decode.Seconds(k.at), Seconds: c.seconds(k.ticks), Slip: round(k.slip/float64(k.ticks), 2),
			Swing: round(k.swing, 2), Pedal: known(k.pedal.mean(), 1), Nm: known(k.torque.mean(), 1), Oil: known(k.oil.mean(), 1)}, maxLocks)
		c.record.Locks = k.list.list
	}
	k.ticks, k.slip, k.n, k.swing = 0, 0, 0, 0
	k.torque, k.pedal, k.oil = average{}, average{}, average{}
}

// momentLength is the length of a Moment; fewestTicks of it must be known.
const (
	momentLength = capture.Stamp(2e9)
	fewestTicks  = 150
	heatMemory   = 60 // s, of the exponential mean of the converter's heat
)

// gathering makes moments.
type gathering struct {
	begun               bool
	from                capture.Stamp
	ticks               int
	gear                int
	slips, holds, mixed bool
	first, last         float64 // engine speed
	means               [9]average
	pressures           []average
	heat                float64 // kW
	warm                int     // ticks of heat so far
	list                sparse[Moment]
}

// step follows one tick.
func (g *gathering) step(c *Collector, n *instant) {
	if from := n.at - mod(n.at, momentLength); !g.begun || from != g.from {
		g.end(c)
		*g = gathering{begun: true, from: from, gear: n.gear, slips: n.slips, holds: n.holds, first: math.NaN(), last: math.NaN(),
			pressures: g.pressures, heat: g.heat, warm: g.warm, list: g.list}
		if g.pressures == nil {
			g.pressures = make([]average, len(c.pressures))
		}
		clear(g.pressures)
	}
	// Torque times slip is what the converter does not pass on, but for its gain.
	if p := n.torque * n.slip * math.Pi / 30 / 1000; !math.IsNaN(p) {
		g.heat += float64((math.Abs(p) - g.heat) * (float64(tickStep) / 1e9 / heatMemory))
		g.warm++
	}
	if n.gear == notKnown || n.gear == between {
		g.mixed = true
		return
	}
	g.mixed = g.mixed || n.gear != g.gear || n.slips != g.slips || n.holds != g.holds
	g.ticks++
	if !math.IsNaN(n.engine) {
		if math.IsNaN(g.first) {
			g.first = n.engine
		}
		g.last = n.engine
	}
	for i, v := range [len(g.means)]float64{n.engine, n.in, n.torque, n.pedal, n.road, n.pan, n.outlet, n.coolant} {
		g.means[i].add(v)
	}
	for i, s := range c.pressures {
		g.pressures[i].add(c.hold(s, n.at))
	}
}

// mod is the remainder that is never below 0.
func mod(t, by capture.Stamp) capture.Stamp {
	if r := t % by; r < 0 {
		return r + by
	} else {
		return r
	}
}

func (g *gathering) end(c *Collector) {
	if !g.begun || g.mixed || g.ticks < fewestTicks {
		return
	}
	m := Moment{At: decode.Seconds(g.from), Gear: c.gearName(g.gear), Locked: "open"}
	switch {
	case c.role.lock < 0:
		m.Locked = ""
	case g.slips:
		m.Locked = "slipping"
	case g.holds:
		m.Locked = "applied"
	}
	for i, to := range []**float64{&m.Engine, &m.Input, &m.Nm, &m.Pedal, &m.Road, &m.Pan, &m.Outlet, &m.Coolant} {
		*to = known(g.means[i].mean(), 1)
	}
	m.Rise = known(g.last-g.first, 1)
	if g.warm >= heatMemory*100/2 {
		m.Heat = known(g.heat, 2)
	}
	for i := range g.pressures {
		m.Pressures = append(m.Pressures, known(g.pressures[i].mean(), 1))
	}
	g.list.add(m, maxMoments)
	c.record.Moments = g.list.list
}

func (c *Collector) gearName(g int) string {
	switch {
	case g >= 0:
		return c.record.Gears[g].Name
	case g == standing:
		return "standing"
	}
	return "N"
}

// A switch that has not followed by then does not; ours.
const longestSwitch = capture.Stamp(3e9)

// watchedSwitch times one pressure switch.
type watchedSwitch struct {
	name, element string
	signal        int
	closed        float64 // value that means pressure

	asked  int
	due    bool
	known  bool          // asked is
	since  capture.Stamp // it was asked to change; 0: it is not
	from   int
	times  sparse[SwitchTime]
	oil    float64
	wanted bool
}

// step follows one tick.
func (w *watchedSwitch) step(c *Collector, n *instant) {
	v := c.hold(w.signal, n.at)
	if n.asked < 0 && n.asked != neutral || math.IsNaN(v) {
		w.known, w.since = false, 0
		return
	}
	closed := v == w.closed
	due := false
	if n.asked >= 0 {
		for _, e := range c.record.Gears[n.asked].Holds {
			due = due || e == w.element
		}
	}
	if !w.known {
		w.known, w.asked, w.due, w.since = true, n.asked, due, 0
		return
	}
	if n.asked != w.asked {
		was := w.asked
		w.asked = n.asked
		if due != w.due {
			w.due = due
			w.since, w.from, w.wanted, w.oil = n.at, was, due, n.oil()
			if closed == due {
				w.since = 0 // it says so already
			}
		} else if w.since != 0 {
			w.since = 0 // another gear in between
		}
	}
	if w.since == 0 {
		return
	}
	switch {
	case closed == w.wanted:
		w.times.add(SwitchTime{Switch: w.name, Element: w.element, Closes: w.wanted, From: c.gearName(w.from), To: c.gearName(w.asked), At: decode.Seconds(w.since),
			Seconds: round(float64(n.at-w.since)/1e9, 2), Oil: known(w.oil, 1)}, maxSwitches)
		w.since = 0
	case n.at-w.since > longestSwitch:
		w.since = 0
	}
}

func (w *watchedSwitch) finish(c *Collector) {
	c.record.SwitchTimes = append(c.record.SwitchTimes, w.times.list...)
}
