package slcan

import "time"

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
