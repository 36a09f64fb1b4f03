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
	keep  capture.Stamp // how far back from the newest value it must reach
	at    []capture.Stamp
	value []float64
	there []bool
	first int // position of the oldest entry
	n     int
}

// NewRing returns a ring that reaches back at least keep [ns] from its newest
// value, unless more than 8,192 values fall into that time.
func NewRing(keep capture.Stamp) *Ring {
	const start = 64
	return &Ring{keep: keep, at: make([]capture.Stamp, start), value: make([]float64, start), there: make([]bool, start)}
}

// Len returns the number of values held.
func (r *Ring) Len() int { return r.n }

// Push appends a value; there is false where the signal was sent without one
// ("not available", an error code, out of its range). Of values with one time
// the last counts; a value older than the newest is left out, for time only
// moves forwards.
func (r *Ring) Push(at capture.Stamp, value float64, there bool) {
	mask := len(r.at) - 1
	if r.n > 0 {
		last := (r.first + r.n - 1) & mask
		switch {
		case at < r.at[last]:
			return
		case at == r.at[last]:
			r.value[last], r.there[last] = value, there
			return
		}
		if r.n == len(r.at) {
			if at-r.at[(r.first+1)&mask] < r.keep && len(r.at) < maxLen {
				r.grow()
				mask = len(r.at) - 1
			} else {
				r.first = (r.first + 1) & mask
				r.n--
			}
		}
	}
	i := (r.first + r.n) & mask
	r.at[i], r.value[i], r.there[i] = at, value, there
	r.n++
}

func (r *Ring) grow() {
	at, value, there := make([]capture.Stamp, 2*len(r.at)), make([]float64, 2*len(r.at)), make([]bool, 2*len(r.at))
	for i := range r.n {
		j := (r.first + i) & (len(r.at) - 1)
		at[i], value[i], there[i] = r.at[j], r.value[j], r.there[j]
	}
	r.at, r.value, r.there, r.first = at, value, there, 0
}

// before returns the position, counted from the oldest, of the newest entry at
// or before t; -1 when there is none. What is asked for lies near the newest
// entry, so the search starts there.
func (r *Ring) before(t capture.Stamp) int {
	mask := len(r.at) - 1
	i := r.n - 1
	for i >= 0 && r.at[(r.first+i)&mask] > t {
		i--
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
	mask := len(r.at) - 1
	a := (r.first + i) & mask
	if !r.there[a] {
		return 0, false
	}
	if r.at[a] == t {
		return r.value[a], true
	}
	if i+1 >= r.n {
		return 0, false
	}
	b := (r.first + i + 1) & mask
	if !r.there[b] || r.at[b] >= horizon || r.at[b]-r.at[a] > gap {
		return 0, false
	}
	f := float64(t-r.at[a]) / float64(r.at[b]-r.at[a])
	return r.value[a] + f*(r.value[b]-r.value[a]), true
}

// Hold returns the last value at or before t. ok is false when there is none,
// when the last entry has no value, or when it is age or more old (age 0: it
// never grows old).
func (r *Ring) Hold(t, age capture.Stamp) (v float64, ok bool) {
	i := r.before(t)
	if i < 0 {
		return 0, false
	}
	a := (r.first + i) & (len(r.at) - 1)
	if !r.there[a] || (age > 0 && t-r.at[a] >= age) {
		return 0, false
	}
	return r.value[a], true
}

// HeldSince returns the time of the entry that Hold answers with: the last one
// at or before t.
func (r *Ring) HeldSince(t capture.Stamp) (capture.Stamp, bool) {
	i := r.before(t)
	if i < 0 {
		return 0, false
	}
	return r.at[(r.first+i)&(len(r.at)-1)], true
}
