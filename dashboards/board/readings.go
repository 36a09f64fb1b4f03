package board

import (
	"math"
	"time"

	"gearwitness/capture"
	"gearwitness/decode"
)

// ValueState tells whether a signal's newest value counts.
type ValueState int8

// States of a value; the live stream sends their numbers.
const (
	StateValid ValueState = iota
	StateNotAvailable
	StateError
	StateImplausible
	StateStale
	StateNever // nothing has come yet; not sent
)

var stateNames = [...]string{"valid", "not available", "error", "implausible", "stale", "never seen"}

// String returns the state in words.
func (s ValueState) String() string { return stateNames[s] }

// EyeGrace is how much longer a value counts for people than for programs: a frame
// that is late by a few hundredths of a second, as adapters deliver now and then,
// would only make the page flicker.
const EyeGrace = 300 * time.Millisecond

// Reading is one signal as it stands.
type Reading struct {
	State ValueState
	At    capture.Stamp
	Value float64
}

// Readings copies the newest value of every signal into dst, in the order of the
// table, and returns event time and the session's start. A value counts as stale
// grace after its limit.
func (b *Board) Readings(dst []Reading, grace time.Duration) (now, start capture.Stamp) {
	b.mu.Lock()
	defer b.mu.Unlock()
	at := b.now()
	for i := range b.latest {
		dst[i] = b.reading(i, at, grace)
	}
	return b.shown(), b.start
}

func (b *Board) reading(i int, now capture.Stamp, grace time.Duration) Reading {
	l := &b.latest[i]
	r := Reading{At: l.at, Value: l.v}
	switch {
	case !l.seen:
		return Reading{State: StateNever}
	case l.status == decode.Faulty:
		r.State, r.Value = StateError, 0
	case l.status == decode.NotAvailable || math.IsNaN(l.v) || math.IsInf(l.v, 0):
		r.State, r.Value = StateNotAvailable, 0
	case b.stale(i, now, grace):
		r.State = StateStale
	case l.status == decode.Implausible:
		r.State = StateImplausible
	}
	return r
}

// TakePeak returns the largest magnitude of a signal since it was last taken; false
// where there was none.
func (b *Board) TakePeak(signal int) (float64, bool) {
	b.mu.Lock()
	defer b.mu.Unlock()
	p := b.latest[signal].peak
	b.latest[signal].peak = math.NaN()
	return p, !math.IsNaN(p)
}
