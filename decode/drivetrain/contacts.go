package drivetrain

import (
	"fmt"
	"math/bits"
	"slices"
	"strconv"
	"strings"

	"gearwitness/capture"
	"gearwitness/decode"
	"gearwitness/signals"
)

// contacts compares the contacts behind the selector lever with their codes.
type contacts struct {
	names   []string
	channel []int
	closed  []float64 // value of each that means closed
	codes   []leverCode
	settle  capture.Stamp

	pattern   uint64 // closed contacts
	changed   capture.Stamp
	position  float64 // the lever's value
	moved     capture.Stamp
	bad       bool  // told of this pattern already
	fits      bool  // the settled pattern is the lever's
	closedFor []int // ticks each contact was seen closed
	dueFor    []int // ticks each should have been closed, by the lever
	openDue   []int // of them: it was open
	stray     []int // ticks each was closed and should not have been
	ticks     int
	wrong     int // ticks of a settled code that is none, or not the lever's
}

type leverCode struct {
	name  string
	value float64 // of the lever's signal
	mask  uint64
}

// LeverEvent tells of contacts that do not fit the lever.
type LeverEvent struct {
	Lever   string   `json:"lever,omitempty"` // position the control unit believes
	Closed  []string `json:"closed"`          // contacts that are closed
	Finding string   `json:"finding"`
	// Suspects are the contacts whose wire alone explains it.
	Suspects []string `json:"suspects,omitempty"`
}

// KindLever is the event of contacts that do not fit the lever.
const KindLever = "lever"

// usualContactSettle is how long contacts may differ while the lever moves:
// common practice, no source.
const usualContactSettle = 100 * millisecond

func newContacts(f *signals.File, t *decode.Table, channel func(string) int) contacts {
	var k contacts
	c := f.Transmission.Contacts
	if c == nil {
		return k
	}
	k.settle = capture.Stamp(c.Settle)
	if k.settle == 0 {
		k.settle = usualContactSettle
	}
	index := func(name string) int {
		if i := slices.Index(k.names, name); i >= 0 {
			return i
		}
		i := t.Index(name)
		if i < 0 || len(k.names) == 64 {
			return -1
		}
		k.names = append(k.names, name)
		k.channel = append(k.channel, channel(name))
		k.closed = append(k.closed, stateValue(t.Signals[i].States, c.Closed))
		return len(k.names) - 1
	}
	var lever signals.Named[int64]
	if i := t.Index(f.Transmission.Roles.Lever); i >= 0 {
		lever = t.Signals[i].States
	}
	for _, e := range c.Codes {
		code := leverCode{name: e.Name, value: stateValue(lever, e.Name)}
		for _, name := range e.V.Contacts {
			if i := index(name); i >= 0 {
				code.mask |= 1 << i
			}
		}
		k.codes = append(k.codes, code)
	}
	if c.Monitor != "" {
		index(c.Monitor)
	}
	n := len(k.names)
	k.closedFor, k.dueFor, k.openDue, k.stray = make([]int, n), make([]int, n), make([]int, n), make([]int, n)
	return k
}

// stateValue is the value of a state's text, or the number the text is.
func stateValue(states signals.Named[int64], text string) float64 {
	for _, s := range states {
		if strings.EqualFold(s.Name, text) {
			return float64(s.V)
		}
	}
	if v, err := strconv.ParseFloat(text, 64); err == nil {
		return v
	}
	return 1
}

// step follows one tick.
func (k *contacts) step(a *Analyzer, out *decode.Output) {
	if len(k.codes) == 0 || a.levers < 0 {
		return
	}
	at := a.now.at
	var pattern uint64
	for i, c := range k.channel {
		v := a.hold(c, at)
		if !known(v) {
			k.changed = at // nothing to judge by
			return
		}
		if v == k.closed[i] {
			pattern |= 1 << i
		}
	}
	if pattern != k.pattern {
		k.pattern, k.changed, k.bad, k.fits = pattern, at, false, false
	}
	lever := a.hold(a.levers, at)
	if !known(lever) {
		k.moved = at
		return
	}
	if lever != k.position {
		k.position, k.moved = lever, at
	}
	if at-k.changed < k.settle || at-k.moved < k.settle {
		return
	}
	k.ticks++
	fits := -1
	for i := range k.codes {
		if k.codes[i].value == lever {
			fits = i
		}
	}
	if fits >= 0 {
		due := k.codes[fits].mask
		for i := range k.names {
			closed := pattern>>i&1 != 0
			if closed {
				k.closedFor[i]++
			}
			switch want := due>>i&1 != 0; {
			case want:
				k.dueFor[i]++
				if !closed {
					k.openDue[i]++
				}
			case closed:
				k.stray[i]++
			}
		}
		if k.fits = due == pattern; k.fits {
			return
		}
	} else if k.isCode(pattern) {
		return // the lever's own signal has no position
	}
	k.wrong++
	if k.bad {
		return
	}
	k.bad = true
	out.Events = append(out.Events, decode.Event{Time: at, Kind: KindLever, Fields: k.event(a, fits, pattern)})
}

func (k *contacts) isCode(pattern uint64) bool {
	return slices.ContainsFunc(k.codes, func(c leverCode) bool { return c.mask == pattern })
}

// event says what is wrong with a pattern.
func (k *contacts) event(a *Analyzer, fits int, pattern uint64) LeverEvent {
	e := LeverEvent{Closed: []string{}, Finding: "a code no position has"}
	for i, name := range k.names {
		if pattern>>i&1 != 0 {
			e.Closed = append(e.Closed, name)
		}
	}
	if k.isCode(pattern) {
		e.Finding = "the code of another position"
	}
	if fits >= 0 {
		e.Lever = k.codes[fits].name
		if open := k.codes[fits].mask &^ pattern; bits.OnesCount64(open) == 1 && pattern&^k.codes[fits].mask == 0 {
			e.Suspects = append(e.Suspects, k.names[bits.TrailingZeros64(open)])
			e.Finding += ": an open wire"
		} else if stray := pattern &^ k.codes[fits].mask; bits.OnesCount64(stray) == 1 && open == 0 {
			e.Suspects = append(e.Suspects, k.names[bits.TrailingZeros64(stray)])
			e.Finding += ": a contact that stays closed"
		}
	}
	return e
}

// suspects are the contacts that were open whenever they should be closed, or
// closed whenever they should be open.
func (k *contacts) suspects() []Suspect {
	var out []Suspect
	for i, name := range k.names {
		x := Suspect{Element: name, Part: "lever contact", Verdict: VerdictSuspect, Score: 0.8}
		off := k.ticks - k.dueFor[i]
		switch {
		case k.dueFor[i] >= stuckTicks && float64(k.openDue[i]) >= stuckPart*float64(k.dueFor[i]):
			x.Reasons = []string{fmt.Sprintf("open for all of %s in which the lever's position closes it", duration(k.dueFor[i]))}
		case off >= stuckTicks && float64(k.stray[i]) >= stuckPart*float64(off):
			x.Reasons = []string{fmt.Sprintf("closed for all of %s in which the lever's position opens it", duration(off))}
		default:
			continue
		}
		out = append(out, x)
	}
	return out
}
