package drivetrain

import (
	"math"

	"gearwitness/capture"
	"gearwitness/decode"
)

// Limits of an engagement: common practice, no source.
const (
	fallenPart    = 0.8 // of the way of the input speed
	slowestTurn   = 150 // rpm: below it the input does not fall far enough to tell
	engageLate    = 1500 * millisecond
	longestEngage = 6 * second        // a gear that has not engaged by then does not
	leverPasses   = 300 * millisecond // a lever that is moved on sooner only passes
)

// EngagementEvent tells how long a gear took to engage at standstill after the
// lever had been moved out of P or N.
type EngagementEvent struct {
	From     string          `json:"from"` // lever
	To       string          `json:"to"`
	Start    *decode.Seconds `json:"start_s"`
	End      *decode.Seconds `json:"end_s"` // null where the gear did not engage
	Duration *decode.Seconds `json:"duration_s"`
	// InputSpeed is that before the lever was moved [rpm].
	InputSpeed     float64  `json:"input_rpm"`
	Engaged        bool     `json:"engaged"`
	OilTemperature *float64 `json:"oil_celsius,omitempty"`
	Pedal          *float64 `json:"pedal_percent,omitempty"`
}

type engaging struct {
	lever  leverPosition
	active bool
	from   leverPosition
	to     leverPosition
	start  capture.Stamp
	before float64 // input speed
	oil    float64
	pedal  float64
	slips  uint64 // elements of the gear that slipped when it began to be late

	lastAt capture.Stamp
	lastQ  float64
}

// stepEngagement follows one tick.
func (a *Analyzer) stepEngagement(out *decode.Output) {
	n, e := &a.now, &a.engage
	if n.lever != leverUnknown && n.lever != e.lever {
		was := e.lever
		e.lever = n.lever
		at := a.changedAt(a.levers, n.at)
		switch {
		case was == leverUnknown:
		case e.active && n.lever.parked():
			e.active = false
			if at-e.start >= longestEngage/2 {
				a.emitEngagement(e.start, false, out)
			}
		case e.active && at-e.start <= leverPasses && e.before >= slowestTurn:
			e.to = n.lever // through R to D: the time runs from the last position
			e.start = at
		case e.active:
			e.active = false
		case was.parked() && !n.lever.parked() && n.gear == standing && n.in >= slowestTurn:
			*e = engaging{lever: n.lever, active: true, from: was, to: n.lever, start: at, before: n.in, oil: n.oil, pedal: n.pedal, lastQ: unknown}
		}
	}
	if !e.active || !known(n.in) {
		return
	}
	gear := a.firstGear(e.to == leverR)
	if late := n.at - e.start; late >= engageLate && late < engageLate+Tick && gear >= 0 {
		e.slips = a.slipping(gear)
	}
	// Where the vehicle has begun to creep, the input no longer falls to 0 but to
	// what the output asks of it.
	end := 0.0
	if gear >= 0 && known(n.out) {
		end = math.Abs(a.model.gears[gear].ratio * n.out)
	}
	q := (e.before - n.in) / max(e.before-end, 1)
	switch {
	case q >= fallenPart:
		at := n.at
		if known(e.lastQ) && e.lastQ < fallenPart {
			at = crossing(e.lastAt, e.lastQ, n.at, q, fallenPart)
		}
		e.active = false
		a.emitEngagement(max(at, e.start), true, out)
	case n.at-e.start > longestEngage:
		e.active = false
		a.emitEngagement(n.at, false, out)
	}
	e.lastAt, e.lastQ = n.at, q
}

// firstGear is the gear a vehicle starts in: the one with the largest ratio;
// notKnown where there is none.
func (a *Analyzer) firstGear(reverse bool) int {
	first, gears := notKnown, a.model.gears
	for i := range gears {
		if gears[i].reverse == reverse && (first < 0 || math.Abs(gears[i].ratio) > math.Abs(gears[first].ratio)) {
			first = i
		}
	}
	return first
}

func (a *Analyzer) emitEngagement(end capture.Stamp, done bool, out *decode.Output) {
	e := &a.engage
	ev := EngagementEvent{From: leverNames[e.from], To: leverNames[e.to], Start: seconds(e.start), InputSpeed: math.Round(e.before*10) / 10, Engaged: done, OilTemperature: figure(e.oil), Pedal: figure(e.pedal)}
	a.evidence.engagement(engageRecord{gear: a.firstGear(e.to == leverR), late: !done || end-e.start > engageLate, slips: e.slips})
	at := max(end, e.start)
	if done {
		ev.End, ev.Duration = seconds(end), seconds(end-e.start)
	}
	out.Events = append(out.Events, decode.Event{Time: at, Kind: decode.KindEngagement, Fields: ev})
}

// finishEngagement says of an engagement under way that its end was not seen.
func (a *Analyzer) finishEngagement(out *decode.Output) {
	if a.engage.active && a.now.at-a.engage.start >= longestEngage/2 {
		a.emitEngagement(a.now.at, false, out)
	}
	a.engage.active = false
}
