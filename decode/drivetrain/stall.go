package drivetrain

import (
	"math"

	"gearwitness/capture"
	"gearwitness/decode"
)

// Limits of a stall test: common practice, no source; the vehicle's own
// instructions decide whether it may be done at all.
const (
	stallPedal   = 80          // %
	stallLongest = 5 * second  // at full pedal
	stallPause   = 60 * second // between two tries
	stallLeast   = second      // shorter presses are none
	stallBand    = 0.05        // of the stated speed, where no tolerance is given
)

// KindStall is the event of a stall test.
const KindStall = "stall"

// StallEvent tells how an engine stalled against the held gearbox.
type StallEvent struct {
	Start    *decode.Seconds `json:"start_s"`
	End      *decode.Seconds `json:"end_s"`
	Duration *decode.Seconds `json:"duration_s"`
	Lever    string          `json:"lever,omitempty"`
	// EngineSpeed is the highest mean over half a second [rpm].
	EngineSpeed float64 `json:"engine_rpm"`
	// InputSpeed is the highest while the vehicle stood: an element that slips
	// lets it turn.
	InputSpeed *float64 `json:"input_rpm,omitempty"`
	OilBefore  *float64 `json:"oil_before_celsius,omitempty"`
	OilAfter   *float64 `json:"oil_after_celsius,omitempty"`
	TooLong    bool     `json:"too_long,omitempty"` // more than 5 s at full pedal
	TooSoon    bool     `json:"too_soon,omitempty"` // less than a minute after the last
	Moved      bool     `json:"moved,omitempty"`    // the vehicle began to move
	Finding    string   `json:"finding,omitempty"`  // against the stated figure: "as stated", "too low", "too high"
	Stated     float64  `json:"stated_rpm,omitempty"`
}

type stalling struct {
	stated, tolerance float64 // rpm; 0 where the file states none
	active            bool
	start, last       capture.Stamp
	lever             leverPosition
	level             float64 // smoothed engine speed
	top               float64
	input             float64
	before            float64
	ended             capture.Stamp
}

// stepStall follows one tick.
func (a *Analyzer) stepStall(out *decode.Output) {
	n, s := &a.now, &a.stall
	pressed := n.pedal >= stallPedal && known(n.engine) && (n.lever == leverD || n.lever == leverR)
	switch {
	case !s.active && pressed && n.gear == standing:
		*s = stalling{stated: s.stated, tolerance: s.tolerance, ended: s.ended, active: true, start: n.at, lever: n.lever, level: n.engine, before: n.oil}
	case s.active && (!pressed || n.gear != standing):
		s.active = false
		a.emitStall(n.gear != standing, out)
		return
	}
	if !s.active {
		return
	}
	s.level += (n.engine - s.level) * float64(Tick) / 1e9 / 0.25
	s.top = max(s.top, s.level)
	if known(n.in) && n.at-s.start >= stallLeast {
		s.input = max(s.input, n.in)
	}
	s.last = n.at
}

func (a *Analyzer) emitStall(moved bool, out *decode.Output) {
	n, s := &a.now, &a.stall
	took := s.last - s.start
	if took < stallLeast || moved && took < 2*stallLeast {
		return // a start at full pedal
	}
	e := StallEvent{Start: seconds(s.start), End: seconds(s.last), Duration: seconds(took), Lever: leverNames[s.lever], EngineSpeed: math.Round(s.top),
		OilBefore: figure(s.before), OilAfter: figure(n.oil), TooLong: took > stallLongest, TooSoon: s.ended != 0 && s.start-s.ended < stallPause, Moved: moved, Stated: s.stated}
	if known(n.in) {
		e.InputSpeed = figure(s.input)
	}
	if s.stated > 0 && took >= 2*stallLeast {
		band := s.tolerance
		if band == 0 {
			band = stallBand * s.stated
		}
		switch {
		case s.top < s.stated-band:
			e.Finding = "too low"
		case s.top > s.stated+band:
			e.Finding = "too high"
		default:
			e.Finding = "as stated"
		}
	}
	s.ended = s.last
	out.Events = append(out.Events, decode.Event{Time: n.at, Kind: KindStall, Fields: e})
}
