// Package alarm judges the alarm rules of a vehicle file in event time: a
// condition that has held long enough raises an alarm, another one, or its
// opposite, ends it.
//
// Rules are judged on ticks of event time, not at each sample: at the tick after
// something they read has come. Beside that they are judged at the very sample with
// which a signal that has states says something else than before, so that no state
// is missed however short it was; and when time alone changes the answer, because a
// condition has held long enough or an input has grown stale. So what an alarm costs
// does not grow with how fast its figures come, and it comes a tick late at most.
//
// A rule whose condition cannot be decided because inputs are missing neither
// raises nor clears anything; it says so, once, when it loses them and when it
// has them back. Signals that have not come yet are no loss.
//
// A Set belongs to one goroutine.
package alarm

import (
	"fmt"
	"math"
	"slices"

	"gearwitness/capture"
	"gearwitness/decode"
	"gearwitness/signals"
)

// State of an alarm.
type State uint8

// States.
const (
	Quiet   State = iota
	Pending       // the condition holds, not long enough yet
	Raised
)

var states = [...]string{"quiet", "pending", "raised"}

// String returns the state in words.
func (s State) String() string { return states[s] }

// Change is what a decode.KindAlarm event tells.
type Change struct {
	Alarm string `json:"alarm"`
	// Subject tells apart alarms of one name: the element, sensor or shift that the
	// finding behind it is about. Empty for an alarm of the vehicle file.
	Subject string   `json:"subject,omitempty"`
	Level   string   `json:"level"` // note, caution or stop
	State   string   `json:"state"` // raised, cleared, no data, data again
	Say     string   `json:"say"`
	Text    string   `json:"text,omitempty"`    // shown where it differs from what is spoken
	Missing []string `json:"missing,omitempty"` // inputs without a value, with no data
	// RaisedAt is when the alarm that ends was raised.
	RaisedAt *decode.Seconds `json:"raised_s,omitempty"`
}

// Status is an alarm as it stands.
type Status struct {
	Name  string
	Level signals.Level
	Say   string
	State State
	Since capture.Stamp // of the state; meaningless while Quiet
	// Missing lists the inputs without a value that keep the rule from being
	// judged; empty when it can be.
	Missing []string
}

// Set is the alarms of one vehicle file.
type Set struct {
	table *decode.Table
	view  *decode.View
	rules []rule
	users [][]int32     // by signal: the rules that read it
	said  []said        // by signal: what it said last, of those that have states
	dirty bool          // a rule is, see rule.dirty
	tick  capture.Stamp // when rules are judged whose figures have come; never: none has
	due   capture.Stamp // no later than the first moment a rule can change by itself
}

// said is the last sample of a signal with states.
type said struct {
	states bool
	known  bool
	value  float64
}

// Tick is the step at which rules are judged; ticks stand at its whole multiples.
const Tick capture.Stamp = 10e6

type rule struct {
	name        string
	def         signals.Alarm
	when, clear *decode.Formula // clear is nil for the opposite of when
	inputs      []int32
	dirty       bool // a state that it reads has changed
	figures     bool // something that it reads has come since it was judged
	state       State
	since       capture.Stamp // of Pending: when the condition began to hold; of Raised: when raised
	judged      bool          // it could be judged at least once
	blind       bool          // it could, and cannot now
	due         capture.Stamp
}

const never capture.Stamp = math.MaxInt64

// New compiles the rules of a vehicle file over a complete table. They read
// their inputs from view.
func New(f *signals.File, view *decode.View, t *decode.Table) (*Set, error) {
	s := &Set{table: t, view: view, users: make([][]int32, len(t.Signals)), said: make([]said, len(t.Signals)), tick: never, due: never}
	for i := range t.Signals {
		s.said[i].states = len(t.Signals[i].States) > 0
	}
	for i, e := range f.Alarms {
		when, err := decode.CompileCondition(e.V.When, t)
		if err != nil {
			return nil, fmt.Errorf("alarm %s: when: %w", e.Name, err)
		}
		r := rule{name: e.Name, def: e.V, when: when, due: never}
		inputs := slices.Clone(when.Inputs())
		if e.V.Clear != "" {
			if r.clear, err = decode.CompileCondition(e.V.Clear, t); err != nil {
				return nil, fmt.Errorf("alarm %s: clear: %w", e.Name, err)
			}
			inputs = append(inputs, r.clear.Inputs()...)
		}
		slices.Sort(inputs)
		r.inputs = slices.Compact(inputs)
		for _, in := range r.inputs {
			s.users[in] = append(s.users[in], int32(i))
		}
		s.rules = append(s.rules, r)
	}
	return s, nil
}

// Reads tells whether a rule reads the signal.
func (s *Set) Reads(signal int32) bool { return len(s.users[signal]) > 0 }

// Changed says that a sample has been put into the view.
func (s *Set) Changed(x *decode.Sample) {
	users := s.users[x.Signal]
	if len(users) == 0 {
		return
	}
	if was := &s.said[x.Signal]; was.states {
		if known := x.Status == decode.Valid; known != was.known || known && x.Value != was.value {
			*was = said{true, known, x.Value}
			s.dirty = true
			for _, i := range users {
				s.rules[i].dirty = true
			}
			return
		}
	}
	s.tick = min(s.tick, ceil(x.Time))
	for _, i := range users {
		s.rules[i].figures = true
	}
}

// ceil returns the first tick at or after t.
func ceil(t capture.Stamp) capture.Stamp {
	if m := (t%Tick + Tick) % Tick; m != 0 {
		return t - m + Tick
	}
	return t
}

// Evaluate judges the rules whose states have changed and appends an event for
// every change; at is the time of the new samples.
func (s *Set) Evaluate(at capture.Stamp, out *decode.Output) {
	if !s.dirty {
		return
	}
	s.dirty = false
	for i := range s.rules {
		if r := &s.rules[i]; r.dirty {
			r.dirty = false
			s.judge(r, at, out)
		}
	}
}

// Advance moves event time to now, before anything of that time is put into the
// view: rules are judged at the tick before whose figures have come, conditions that
// have held long enough raise their alarms, rules lose inputs that have grown stale.
func (s *Set) Advance(now capture.Stamp, out *decode.Output) {
	for {
		switch {
		case s.due <= now && s.due <= s.tick:
			s.elapse(now, out)
		case s.tick < now:
			s.figures(out)
		default:
			return
		}
	}
}

// elapse judges the rules whose time has come first, if that is no later than now.
func (s *Set) elapse(now capture.Stamp, out *decode.Output) {
	at := never
	for i := range s.rules {
		at = min(at, s.rules[i].due)
	}
	s.due = at
	if at > min(now, s.tick) {
		return
	}
	for i := range s.rules {
		if r := &s.rules[i]; r.due == at {
			s.judge(r, at, out)
		}
	}
}

// figures judges the rules of which something has come, at the tick.
func (s *Set) figures(out *decode.Output) {
	at := s.tick
	s.tick = never
	for i := range s.rules {
		if r := &s.rules[i]; r.figures {
			s.judge(r, at, out)
		}
	}
}

// judge evaluates a rule and moves its state.
func (s *Set) judge(r *rule, at capture.Stamp, out *decode.Output) {
	r.figures = false
	holds, known := r.when.Truth(s.view, at)
	if r.state == Raised {
		ended := !holds
		if r.clear != nil {
			ended, known = r.clear.Truth(s.view, at)
		}
		s.sight(r, known, at, out)
		if known && ended {
			raised := decode.Seconds(r.since)
			s.tell(r, at, out, Change{State: "cleared", RaisedAt: &raised})
			r.state = Quiet
		}
	} else {
		s.sight(r, known, at, out)
		switch {
		case !known || !holds:
			r.state = Quiet
		case r.state == Quiet:
			r.state, r.since = Pending, at
		}
		if r.state == Pending && at.Sub(r.since) >= r.def.For {
			r.state, r.since = Raised, at
			s.tell(r, at, out, Change{State: "raised"})
		}
	}
	r.due = never
	if r.state == Pending {
		r.due = r.since.Add(r.def.For)
	}
	for _, in := range r.inputs {
		if until, counts := s.view.Until(in, at); counts {
			r.due = min(r.due, until)
		}
	}
	s.due = min(s.due, r.due)
}

// sight says when a rule loses the inputs it needs and when it has them back.
func (s *Set) sight(r *rule, known bool, at capture.Stamp, out *decode.Output) {
	switch {
	case known && r.blind:
		r.blind = false
		s.tell(r, at, out, Change{State: "data again"})
	case !known && r.judged && !r.blind:
		r.blind = true
		s.tell(r, at, out, Change{State: "no data", Missing: s.missing(r, at)})
	}
	r.judged = r.judged || known
}

func (s *Set) missing(r *rule, at capture.Stamp) []string {
	var list []string
	for _, in := range r.inputs {
		if _, ok := s.view.Value(in, at); !ok {
			list = append(list, s.table.Signals[in].Name)
		}
	}
	return list
}

func (s *Set) tell(r *rule, at capture.Stamp, out *decode.Output, c Change) {
	c.Alarm, c.Level, c.Say = r.name, r.def.Level.String(), r.def.Say
	out.Events = append(out.Events, decode.Event{Time: at, Kind: decode.KindAlarm, Fields: c})
}

// List returns every alarm as it stands at a time not before that of the last
// step.
func (s *Set) List(at capture.Stamp) []Status {
	out := make([]Status, len(s.rules))
	for i := range s.rules {
		r := &s.rules[i]
		out[i] = Status{Name: r.name, Level: r.def.Level, Say: r.def.Say, State: r.state, Since: r.since}
		if r.blind || !r.judged {
			out[i].Missing = s.missing(r, at)
		}
	}
	return out
}
