package drivetrain

import (
	"math"

	"gearwitness/capture"
	"gearwitness/decode"
)

// Limits of the converter: common practice, no source.
const (
	usualLockedRPM = 30
	lockedFor      = 500 * millisecond
	openFor        = 100 * millisecond
	lockedFromRPM  = 400        // input speed: below it engine and turbine agree by idling
	longestLockup  = 5 * second // from the command: what comes later has another reason
	smoothing      = 0.1        // s, of the slip: the two speeds are sent at different times
)

// ConverterEvent tells that the converter clutch locked or let go.
type ConverterEvent struct {
	State string `json:"state"` // "locked" or "open"
	// Since is when the slip came within the limit for good, or left it.
	Since     *decode.Seconds `json:"since_s"`
	Gear      string          `json:"gear,omitempty"`
	Commanded string          `json:"commanded,omitempty"` // what is broadcast of it at that time
	// Command is when the clutch was told to hold or to let go, Took the time from
	// there to Since; left out where that was not seen or is not what was asked for.
	Command *decode.Seconds `json:"command_s,omitempty"`
	Took    *decode.Seconds `json:"took_s,omitempty"`
}

type converting struct {
	limit  float64
	slip   float64 // smoothed; NaN before the first
	begun  bool
	locked bool
	known  bool
	since  capture.Stamp // the other state, for this long
	other  bool
}

// stepConverter follows one tick.
func (a *Analyzer) stepConverter(out *decode.Output) {
	n, c := &a.now, &a.converter
	slip := n.engine - n.in
	if !known(slip) {
		if c.begun && n.at-c.since > second {
			c.begun, c.known = false, false
		}
		return
	}
	if !c.begun {
		c.begun, c.slip, c.other, c.since = true, slip, false, n.at
	}
	c.slip += float64((slip - c.slip) * (float64(Tick) / 1e9 / smoothing))
	within := math.Abs(c.slip) <= c.limit && n.in >= lockedFromRPM && n.gear != standing && n.gear != neutral
	if within == c.locked && c.known {
		c.other = false
		c.since = n.at
		return
	}
	if !c.other {
		c.other, c.since = true, n.at
	}
	wait := openFor
	if within {
		wait = lockedFor
	}
	if n.at-c.since < wait {
		return
	}
	first := !c.known
	since := c.since
	c.known, c.locked, c.other, c.since = true, within, false, n.at
	if first && !within {
		return // an open converter at the beginning is nothing that happened
	}
	e := ConverterEvent{State: "open", Since: seconds(since), Commanded: [...]string{"", "open", "slipping", "applied"}[a.lockAt(n.at)]}
	if within {
		e.State = "locked"
	}
	if n.engaged {
		e.Gear = a.model.gears[n.gear].name
	}
	l := &a.lockups
	if holds := l.state == lockApplied || l.state == lockSlipping; l.asked != 0 && l.asked <= since && holds == within && since-l.asked <= longestLockup {
		took := decode.Seconds(since - l.asked)
		e.Command, e.Took = seconds(l.asked), &took
		l.asked = 0 // it lets go for shifts and takes hold again by itself
	}
	out.Events = append(out.Events, decode.Event{Time: since, Kind: decode.KindConverter, Fields: e})
}
