package slcan

import (
	"time"

	"gearwitness/capture"
)

// turn is the time after which an adapter's millisecond counter begins again.
const turn = 60_000 * time.Millisecond

// Unwrapper turns the four-digit stamps of an adapter, which begin again every
// minute, into the time since its first frame. The zero value is ready.
//
// d = (new - old) mod 60,000 ms, plus as many whole turns, possibly negative,
// as bring d nearest to the gap on the host's clock: silence may last longer
// than a turn, and adapters now and then hand out two frames in the wrong
// order.
type Unwrapper struct {
	running bool
	stamp   int
	host    time.Duration
	elapsed time.Duration
}

// Elapsed returns the adapter's time since the first call, for a stamp of 0 to
// 59,999 ms seen at host, a time on any clock that runs steadily.
func (u *Unwrapper) Elapsed(stampMS int, host time.Duration) time.Duration {
	if !u.running {
		*u = Unwrapper{running: true, stamp: stampMS, host: host}
		return 0
	}
	d := time.Duration(stampMS-u.stamp) * time.Millisecond
	if d < 0 {
		d += turn
	}
	d += (host - u.host - d).Round(turn)
	u.stamp, u.host = stampMS, host
	u.elapsed += d
	return u.elapsed
}

// mapping lays an adapter's time onto the session clock. Between the adapter's
// stamp and our reading of it lies a delay that is never negative, so the
// smallest difference seen within a while is the best estimate of how the clocks
// stand to each other. Two crystals differ by up to some 100 ppm (common
// practice, no source), 1 ms in 10 s, so each window of that length gives a new
// estimate. It is approached slowly: the spacing of frames matters more than a
// few milliseconds that concern all alike.
type mapping struct {
	running bool
	offset  capture.Stamp // host minus elapsed, as used
	target  capture.Stamp // where it is going
	least   capture.Stamp // smallest difference in this window
	until   capture.Stamp // end of this window, host time
	last    time.Duration // elapsed, of the frame before
}

const (
	mappingWindow = 10 * time.Second
	mappingSlew   = 1000 // the offset moves by a thousandth of the time passed
)

func (m *mapping) at(elapsed time.Duration, host capture.Stamp) capture.Stamp {
	o := host.Add(-elapsed)
	if !m.running {
		*m = mapping{running: true, offset: o, target: o, least: o, until: host.Add(mappingWindow), last: elapsed}
	}
	m.least, m.target = min(m.least, o), min(m.target, o)
	if host >= m.until {
		m.target = m.least
		m.least, m.until = o, host.Add(mappingWindow)
	}
	step := capture.Stamp(max(0, elapsed-m.last) / mappingSlew)
	m.offset += max(-step, min(step, m.target-m.offset))
	m.last = elapsed
	return m.offset.Add(elapsed)
}
