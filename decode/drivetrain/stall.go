package drivetrain

import (
	"fmt"
	"math"
	"slices"
	"strings"

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
	// The heat is made in the converter: its outlet shows it first.
	OutletBefore *float64 `json:"outlet_before_celsius,omitempty"`
	OutletAfter  *float64 `json:"outlet_after_celsius,omitempty"`
	TooLong      bool     `json:"too_long,omitempty"` // more than 5 s at full pedal
	TooSoon      bool     `json:"too_soon,omitempty"` // less than a minute after the last
	Moved        bool     `json:"moved,omitempty"`    // the vehicle began to move
	Finding      string   `json:"finding,omitempty"`  // against the stated figure: "as stated", "too low", "too high"
	Stated       float64  `json:"stated_rpm,omitempty"`
	// EngineTorque is the highest that was broadcast while the vehicle stood [N·m].
	EngineTorque *float64 `json:"engine_torque_nm,omitempty"`
}

type stalling struct {
	stated, tolerance float64 // rpm; 0 where the file states none
	active            bool
	start, last       capture.Stamp
	lever             leverPosition
	level             float64 // smoothed engine speed
	top               float64
	input, torque     float64
	before, outlet    float64       // °C
	results           []stallResult // held against a stated figure
	ended             capture.Stamp
}

// stepStall follows one tick.
func (a *Analyzer) stepStall(out *decode.Output) {
	n, s := &a.now, &a.stall
	pressed := n.pedal >= stallPedal && known(n.engine) && (n.lever == leverD || n.lever == leverR)
	switch {
	case !s.active && pressed && n.gear == standing:
		*s = stalling{stated: s.stated, tolerance: s.tolerance, ended: s.ended, results: s.results, active: true, start: n.at, lever: n.lever, level: n.engine, before: n.oil, outlet: a.hold(a.outlet, n.at), torque: unknown}
	case s.active && (!pressed || n.gear != standing):
		s.active = false
		a.emitStall(n.gear != standing, out)
		return
	}
	if !s.active {
		return
	}
	s.level += float64((n.engine - s.level) * float64(Tick) / 1e9 / 0.25)
	s.top = max(s.top, s.level)
	if n.at-s.start >= stallLeast {
		if known(n.in) {
			s.input = max(s.input, n.in)
		}
		if !(s.torque >= n.torque) {
			s.torque = n.torque
		}
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
		OilBefore: figure(s.before), OilAfter: figure(n.oil), OutletBefore: figure(s.outlet), OutletAfter: figure(a.hold(a.outlet, n.at)), TooLong: took > stallLongest, TooSoon: s.ended != 0 && s.start-s.ended < stallPause, Moved: moved, Stated: s.stated, EngineTorque: figure(s.torque)}
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
		if len(s.results) < maxRecords {
			s.results = append(s.results, stallResult{s.lever, e.Finding, s.top, s.input, s.torque})
		}
	}
	s.ended = s.last
	out.Events = append(out.Events, decode.Event{Time: n.at, Kind: KindStall, Fields: e})
}

// stallResult is one stall test that lasted long enough to be judged.
type stallResult struct {
	lever              leverPosition
	finding            string
	top, input, torque float64
}

// stallTurnRPM is an input speed at standstill that only a slipping element lets be.
const stallTurnRPM = 300

// blame adds what the stall tests say to the suspects: low in every range tried, the
// engine or the stator's one-way clutch; high in one range, an element of that range;
// high in every range, the converter, or with the input turning the pressure (common
// practice, no source).
func (s *stalling) blame(a *Analyzer, list []Suspect) []Suspect {
	var tried, low, high, turning [len(leverNames)]bool
	worst := stallResult{torque: unknown}
	for _, r := range s.results {
		tried[r.lever] = true
		switch r.finding {
		case "too low":
			low[r.lever] = true
			if worst.top == 0 || r.top < worst.top {
				worst = r
			}
		case "too high":
			high[r.lever] = true
			turning[r.lever] = turning[r.lever] || r.input >= stallTurnRPM
		}
	}
	ranges := func(in [len(leverNames)]bool) string {
		var names []string
		for l, is := range in {
			if is {
				names = append(names, leverNames[l])
			}
		}
		return strings.Join(names, " and ")
	}
	add := func(element, part string, score float64, reason string) {
		verdict := VerdictUndecided
		if score >= 0.5 {
			verdict = VerdictSuspect
		}
		for i := range list {
			if list[i].Element == element {
				list[i].Reasons = slices.Insert(list[i].Reasons, 0, reason)
				if score > list[i].Score {
					list[i].Score, list[i].Verdict = score, verdict
				}
				return
			}
		}
		list = append(list, Suspect{Element: element, Part: part, Score: score, Verdict: verdict, Reasons: []string{reason}})
	}
	if low == tried && ranges(low) != "" {
		reason := fmt.Sprintf("undecided: stall at %.0f rpm in %s, %.0f stated: a weak engine or a slipping stator clutch", worst.top, ranges(low), s.stated)
		if known(worst.torque) {
			reason += fmt.Sprintf("; the engine gave %.0f N·m: hold that against what it should give at that speed", worst.torque)
		}
		add("engine", "engine", 0.45, reason)
		add("stator clutch", "converter", 0.45, reason)
	}
	switch {
	case ranges(high) == "":
	case high == tried && high[leverR] && high[leverD]:
		if turning[leverR] && turning[leverD] {
			add("main pressure", "supply", 0.6, "stall too high in D and R with the input turning: elements of both ranges slip; measure the main pressure and look at the oil level")
		} else {
			add("converter", "converter", 0.6, "stall too high in D and R with the input held: the converter, or oil that does not fill it")
		}
	case a.model.train != nil:
		for _, l := range []leverPosition{leverR, leverD} {
			if high[l] && turning[l] {
				a.blameRange(l, tried, add)
			}
		}
	}
	return list
}

// blameRange blames the elements that only the first gear of a range needs.
func (a *Analyzer) blameRange(l leverPosition, tried [len(leverNames)]bool, add func(element, part string, score float64, reason string)) {
	m, other := a.model, leverR
	if l == leverR {
		other = leverD
	}
	g, h := a.firstGear(l == leverR), a.firstGear(other == leverR)
	if g < 0 {
		return
	}
	var names []string
	for _, e := range m.gears[g].carries {
		if !tried[other] || h < 0 || m.gears[h].mask>>e&1 == 0 {
			names = append(names, m.elements[e])
		}
	}
	for i, name := range names {
		score, reason := 0.7, "stall too high in "+leverNames[l]+" with the input turning: it slips"
		if !tried[other] {
			reason += "; " + leverNames[other] + " was not tried"
		}
		if rest := slices.Delete(slices.Clone(names), i, i+1); len(rest) > 0 {
			score, reason = 0.45, reason+", or the "+strings.Join(rest, " or the ")+" does"
		}
		add(name, "element", score, reason)
	}
}
