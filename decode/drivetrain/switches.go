package drivetrain

import (
	"math"

	"gearwitness/capture"
	"gearwitness/decode"
	"gearwitness/signals"
)

// switches compares the pressure switches with the element table while a gear is
// settled.
type switches struct {
	list []pressureSwitch
}

// pressureSwitch watches one element's pressure.
type pressureSwitch struct {
	signal  string
	channel int
	element int
	closed  float64 // value that means pressure
	settle  capture.Stamp

	// Ticks with the element's pressure due or not, by what the switch says.
	dueClosed, dueOpen, offClosed, offOpen int
	held                                   int // of dueOpen: the element held all the same
	told                                   bool

	sight        sight // of the tick, until it is taken
	agreesWith   bool  // pressure was due at the tick
	contradicted bool  // pressure was due when it contradicted last
	holdsNow     bool  // the element holds, as its slip shows
	gear         string
}

// sight is what a switch said at a tick of a settled gear.
type sight uint8

const (
	sightNone sight = iota
	sightAgrees
	sightContradicts
)

// SwitchEvent tells of a pressure switch that contradicts the element table.
type SwitchEvent struct {
	Signal  string `json:"signal"`
	Element string `json:"element"`
	Finding string `json:"finding"` // "never closes", "never opens"
	Gear    string `json:"gear"`    // in which it was noticed
	// Holds tells that the element's slip shows that it does carry.
	Holds bool `json:"element_holds"`
}

// KindSwitch is the event of a pressure switch that contradicts the table.
const KindSwitch = "switch"

const (
	usualSettle = 300 * millisecond
	stuckTicks  = 200  // 2 s of contradiction
	stuckPart   = 0.97 // of the time it should say otherwise
)

func newSwitches(f *signals.File, t *decode.Table, m *model, channel func(string) int) switches {
	var s switches
	for _, e := range f.Transmission.Switches {
		i, el := t.Index(e.Name), -1
		for k, name := range m.elements {
			if name == e.V.Element {
				el = k
			}
		}
		if i < 0 || el < 0 {
			continue
		}
		closed := stateValue(t.Signals[i].States, e.V.Closed)
		settle := capture.Stamp(e.V.Settle)
		if settle == 0 {
			settle = usualSettle
		}
		s.list = append(s.list, pressureSwitch{signal: e.Name, channel: channel(e.Name), element: el, closed: closed, settle: settle})
	}
	return s
}

// observe takes one tick; want is the gear that should be engaged and has had
// time to, or notKnown.
func (s *switches) observe(a *Analyzer, want int, out *decode.Output) {
	if want < 0 {
		return
	}
	n, m := &a.now, a.model
	g := &m.gears[want]
	for i := range s.list {
		w := &s.list[i]
		if n.at-a.evidence.calmed < calm+w.settle {
			continue
		}
		v := a.hold(w.channel, n.at)
		if !known(v) {
			continue
		}
		closed := v == w.closed
		due := g.mask>>w.element&1 != 0
		slip := a.matcher.slips[w.element]
		w.sight, w.agreesWith, w.gear = sightAgrees, due, g.name
		w.holdsNow = n.gear != standing && known(slip) && math.Abs(slip) <= g.allowed(n.in)
		if closed != due {
			w.sight = sightContradicts
		}
		switch {
		case due && closed:
			w.dueClosed++
		case due:
			w.dueOpen++
			if w.holdsNow {
				w.held++
			}
		case closed:
			w.offClosed++
		default:
			w.offOpen++
		}
		if stuck, _ := w.finding(); stuck != "" && !w.told {
			w.told = true
			out.Events = append(out.Events, decode.Event{Time: n.at, Kind: KindSwitch, Fields: SwitchEvent{
				Signal: w.signal, Element: m.elements[w.element], Finding: stuck, Gear: g.name, Holds: due && w.held > w.dueOpen/2,
			}})
		}
	}
}

// finding tells what is wrong with the switch, "" if nothing is known to be;
// holds tells that the element carried although the switch saw no pressure.
func (w *pressureSwitch) finding() (text string, holds bool) {
	due, off := w.dueClosed+w.dueOpen, w.offClosed+w.offOpen
	switch {
	case w.dueOpen >= stuckTicks && float64(w.dueOpen) >= stuckPart*float64(due):
		return "never closes", 2*w.held > w.dueOpen
	case w.offClosed >= stuckTicks && float64(w.offClosed) >= stuckPart*float64(off):
		return "never opens", false
	}
	return "", false
}
