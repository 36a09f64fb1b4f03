// Package series keeps the recent past of signals in time order and answers
// what a signal was at one instant: by linear interpolation between
// neighbours for what moves smoothly, by the last value for states and slow
// things, and not at all where there is nothing to tell from. It also thins
// columns for drawing.
//
// Nothing here reads a clock, and nothing is safe for use by several
// goroutines at once.
package series

import "gearwitness/capture"

// maxLen bounds the memory of a Ring: a speed that comes in every frame of a
// saturated 1 Mbit/s bus stays below 9,000 values a second, of which the
// analysis looks back over 0.3 s and needs as much ahead.
const maxLen = 8192

// Ring is the recent past of one signal: its values in time order, with marks
// where the signal was there but had no value.
type Ring struct {
	keep    capture.Stamp // how far back from the newest value it must reach
	entries []entry       // as many as a power of two
	first   int           // position of the oldest entry
	n       int
}

// entry is what was sent at one time; NaN where that was no value.
type entry struct {
	at    capture.Stamp
	value float64
}

// NewRing returns a ring that reaches back at least keep [ns] from its newest
// value, unless more than 8,192 values fall into that time.
func NewRing(keep capture.Stamp) *Ring {
	return &Ring{keep: keep, entries: make([]entry, 64)}
}

// Len returns the number of values held.
func (r *Ring) Len() int { return r.n }

// entry returns the one at position i, counted from the oldest.
func (r *Ring) entry(i int) *entry { return &r.entries[(r.first+i)&(len(r.entries)-1)] }

// Push appends a value; NaN where the signal was sent without one ("not
// available", an error code, out of its range). Of values with one time the
// last counts; a value older than the newest is left out, for time only moves
// forwards.
func (r *Ring) Push(at capture.Stamp, value float64) {
	if r.n > 0 {
		last := r.entry(r.n - 1)
		if at <= last.at {
			if at == last.at {
				last.value = value
			}
			return
		}
		if r.n == len(r.entries) {
			r.makeRoom(at)
		}
	}
	*r.entry(r.n) = entry{at, value}
	r.n++
}

// makeRoom lets the ring grow, or drops the oldest entry where what is left
// reaches back far enough.
func (r *Ring) makeRoom(at capture.Stamp) {
	if at-r.entry(1).at >= r.keep || len(r.entries) >= maxLen {
		r.first++
		r.n--
		return
	}
	entries := make([]entry, 2*len(r.entries))
	for i := range r.n {
		entries[i] = *r.entry(i)
	}
	r.entries, r.first = entries, 0
}

// before returns the position, counted from the oldest, of the newest entry at
// or before t; -1 when there is none. What is asked for lies near the newest
// entry, so the search starts there, with steps that double.
func (r *Ring) before(t capture.Stamp) int {
	later, step := r.n, 1
	for later >= step && r.entry(later-step).at > t {
		later -= step
		step *= 2
	}
	i := max(later-step, -1)
	for later-i > 1 {
		if mid := i + (later-i)/2; r.entry(mid).at > t {
			later = mid
		} else {
			i = mid
		}
	}
	return i
}

// Linear returns the value at t by linear interpolation between the entries
// around it, looking no further than entries before horizon (exclusive). ok is
// false when one of the two is missing, has no value, or they lie more than
// gap apart.
func (r *Ring) Linear(t, horizon, gap capture.Stamp) (v float64, ok bool) {
	i := r.before(t)
	if i < 0 {
		return 0, false
	}
	a := r.entry(i)
	if a.missing() {
		return 0, false
	}
	if a.at == t {
		return a.value, true
	}
	if i+1 >= r.n {
		return 0, false
	}
	b := r.entry(i + 1)
	if b.missing() || b.at >= horizon || b.at-a.at > gap {
		return 0, false
	}
	f := float64(t-a.at) / float64(b.at-a.at)
	return a.value + float64(f*(b.value-a.value)), true
}

// missing tells that nothing was sent but that there is no value.
func (e *entry) missing() bool { return e.value != e.value }

// Hold returns the last value at or before t. ok is false when there is none,
// when the last entry has no value, or when it is age or more old (age 0: it
// never grows old).
func (r *Ring) Hold(t, age capture.Stamp) (v float64, ok bool) {
	i := r.before(t)
	if i < 0 {
		return 0, false
	}
	e := r.entry(i)
	if e.missing() || age > 0 && t-e.at >= age {
		return 0, false
	}
	return e.value, true
}

// HeldSince returns the time of the entry that Hold answers with: the last one
// at or before t.
func (r *Ring) HeldSince(t capture.Stamp) (capture.Stamp, bool) {
	i := r.before(t)
	if i < 0 {
		return 0, false
	}
	return r.entry(i).at, true
}
