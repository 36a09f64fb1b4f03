package capture

import "time"

// ClockMap lays the time of a device's own clock onto the session clock. Between
// the device's stamp and our reading of it lies a delay that is never negative,
// so the smallest difference seen within a while is the best estimate of how the
// clocks stand to each other. Two crystals differ by up to some 100 ppm (common
// practice, no source), 1 ms in 10 s, so each window of that length gives a new
// estimate. It is approached slowly: the spacing of frames matters more than a
// few milliseconds that concern all alike. The zero value is ready.
type ClockMap struct {
	running bool
	offset  Stamp         // host minus elapsed, as used
	target  Stamp         // where it is going
	least   Stamp         // smallest difference in this window
	until   Stamp         // end of this window, host time
	last    time.Duration // elapsed, of the frame before
}

const (
	mapWindow = 10 * time.Second
	mapSlew   = 1000 // the offset moves by a thousandth of the time passed
)

// At returns the session's time of a moment that the device calls elapsed,
// counted from anywhere, and that was read at host.
func (m *ClockMap) At(elapsed time.Duration, host Stamp) Stamp {
	o := host.Add(-elapsed)
	if !m.running {
		*m = ClockMap{running: true, offset: o, target: o, least: o, until: host.Add(mapWindow), last: elapsed}
	}
	m.least, m.target = min(m.least, o), min(m.target, o)
	if host >= m.until {
		m.target = m.least
		m.least, m.until = o, host.Add(mapWindow)
	}
	step := Stamp(max(0, elapsed-m.last) / mapSlew)
	m.offset += max(-step, min(step, m.target-m.offset))
	m.last = elapsed
	return m.offset.Add(elapsed)
}
