// Package procedure watches coached drives and tests in event time: what must
// hold before one begins, its steps and how often each has been done, the bands
// that must hold meanwhile, and what ends it at once.
//
// It is a pure function of samples and of requests to begin or stop, which are
// events injected into the pipeline like marks: it gives the same, live, played
// back and offline. Conditions are looked at on ticks of 10 ms.
//
// One procedure runs at a time. A Set belongs to one goroutine.
package procedure

import (
	"fmt"
	"math"
	"slices"
	"sort"

	"gearwitness/capture"
	"gearwitness/decode"
	"gearwitness/signals"
	"gearwitness/signals/unit"
)

// Tick is the step at which conditions are looked at; ticks stand at its whole
// multiples.
const Tick capture.Stamp = 10e6

const (
	second = capture.Stamp(1e9)
	// blind is how long a condition that ends a procedure, or the gear, may be
	// without a value.
	blind = second
	// settled is how long after the last sample nothing changes by itself any
	// more: formulas look back 10 min at most.
	settled = 11 * 60 * second
	// moment is how long what must not be held for long must be let go to count as
	// let go.
	moment = second
	// brief is how long a try must have lasted to be told when it comes to
	// nothing.
	brief = second / 2
	// most is how many tries that came to nothing are told for a step; all are
	// counted.
	most = 100

	never capture.Stamp = math.MaxInt64
	// farthest keeps sums of stamps within 64 bits.
	farthest = never / 2
)

// Actions of a Request.
const (
	Begin = "begin"
	Stop  = "stop"
)

// Request asks for a procedure to begin or to stop. It stands in the journal,
// kind decode.KindCoach, and is given again when the recording is decoded.
type Request struct {
	Procedure string `json:"procedure"`
	Action    string `json:"action"` // begin or stop
	// Wait lets it begin as soon as everything it needs holds; without, it is
	// refused where something does not.
	Wait bool `json:"wait,omitempty"`
}

// Event makes the event that is injected into the pipeline.
func (r Request) Event(at capture.Stamp) decode.Event {
	return decode.Event{Time: at, Kind: decode.KindCoach, Fields: r}
}

// States of a procedure, as events and Status tell them.
const (
	Idle    = "idle"
	Waiting = "waiting" // begins as soon as everything it needs holds
	Running = "running"

	Begun   = "begun"
	Refused = "refused"
	Ended   = "ended"
)

// Verdicts of a procedure that has ended.
const (
	Done    = "done"
	NotDone = "not done"
	Stopped = "stopped"
)

// States of a step, as events tell them; Status has ToCome and Running too.
const (
	Counted = "counted" // done once more
	Again   = "again"   // a try came to nothing; Why says what to mind
	ToCome  = "to come"
)

// Change is what a decode.KindProcedure event tells.
type Change struct {
	Procedure string `json:"procedure"`
	Title     string `json:"title"`
	State     string `json:"state"` // waiting, begun, refused or ended
	// Verdict of one that has ended: done, not done or stopped.
	Verdict string `json:"verdict,omitempty"`
	// Why, in sentences: what it waits for, why it was refused, was not done or
	// stopped.
	Why   []string     `json:"why,omitempty"`
	Needs []NeedResult `json:"needs,omitempty"` // as they were when it began or did not
	// BeganAt and Duration stand where it had begun.
	BeganAt  *decode.Seconds `json:"began_s,omitempty"`
	Duration *decode.Seconds `json:"duration_s,omitempty"`
	OilBegin *float64        `json:"oil_begin_celsius,omitempty"`
	OilEnd   *float64        `json:"oil_end_celsius,omitempty"`
	Steps    []StepResult    `json:"steps,omitempty"` // of one that has ended, those that had begun
}

// NeedResult is a condition as it was.
type NeedResult struct {
	Need string `json:"need"`
	Say  string `json:"say"`
	Met  bool   `json:"met"`
	// Missing are signals without a value that kept it from being judged.
	Missing []string `json:"missing,omitempty"`
}

// Progress is what a decode.KindStep event tells.
type Progress struct {
	Procedure string `json:"procedure"`
	Step      string `json:"step"`
	State     string `json:"state"` // begun, counted, again, done, not done or stopped
	Say       string `json:"say,omitempty"`
	Count     int    `json:"count"`
	Of        int    `json:"of"`
	Why       string `json:"why,omitempty"`
	// Start and Duration are those of the try that was counted or came to nothing,
	// of the whole step where it ends.
	Start    *decode.Seconds `json:"start_s,omitempty"`
	Duration *decode.Seconds `json:"duration_s,omitempty"`
	Figures  []Figure        `json:"figures,omitempty"` // of a counted try
}

// StepResult sums up a step.
type StepResult struct {
	Step     string         `json:"step"`
	State    string         `json:"state"` // done, not done or stopped
	Count    int            `json:"count"`
	Of       int            `json:"of"`
	Spoiled  int            `json:"spoiled,omitempty"` // tries that came to nothing
	Why      string         `json:"why,omitempty"`     // the last of them came to nothing because
	Duration decode.Seconds `json:"duration_s"`
	Figures  []Figure       `json:"figures,omitempty"` // over all counted tries
	OilBegin *float64       `json:"oil_begin_celsius,omitempty"`
	OilEnd   *float64       `json:"oil_end_celsius,omitempty"`
}

// Figure is what a signal was while a step counted.
type Figure struct {
	Signal string    `json:"signal"`
	Unit   string    `json:"unit,omitempty"`
	Band   []float64 `json:"band,omitempty"` // [lowest, highest] where it was held
	Least  float64   `json:"least"`
	Most   float64   `json:"most"`
	Mean   float64   `json:"mean"` // by time
}

// Status is a procedure as it stands.
type Status struct {
	Name  string
	State string // idle, waiting or running
	Needs []NeedStatus
	// Blocked says, in sentences, which conditions that would end it hold or cannot
	// be judged: it does not begin then.
	Blocked []string
	// The rest is that of one that runs; Steps of one that has run last.
	BeganAt capture.Stamp
	Step    int // index of the current step; -1: none
	Steps   []StepStatus
	Now     *Current
	Last    *Change // how it ended or was refused last; nil: never
	LastAt  capture.Stamp
}

// NeedStatus is a condition as it stands.
type NeedStatus struct {
	Name, Say, When string
	Met             bool
	Missing         []string
}

// StepStatus is a step as it stands.
type StepStatus struct {
	Name    string
	State   string // to come, running, done, not done or stopped
	Count   int
	Of      int
	Spoiled int
	Why     string // the last try came to nothing because
}

// Current is the step under way.
type Current struct {
	Left     capture.Stamp // of its time limit
	Counting bool          // a try is under way
	Held     capture.Stamp // how long it has been
	RestLeft capture.Stamp // until the next try may begin
	Gears    int           // of its gears, how many have been engaged in this try
	Bands    []BandStatus
	Until    *bool // whether until holds; nil: cannot be judged, or there is none
}

// BandStatus is a band as it stands.
type BandStatus struct {
	Signal    string
	Low, High float64
	Value     *float64 // nil: none
	Holds     bool
}

// Set is the procedures of one vehicle file.
type Set struct {
	table   *decode.Table
	view    *decode.View
	list    []proc
	reads   []bool // by signal
	gear    int32  // signal
	between float64
	oil     int32 // signal; -1: none
	celsius func(float64) float64

	requests []decode.Event // in time order
	remember []*condition   // look back, so they are evaluated at every tick
	begun    bool           // time has
	now      capture.Stamp
	next     capture.Stamp // the tick to be looked at next
	heard    capture.Stamp // when something that is read last changed
	active   *proc         // waiting or running; nil: none
}

type condition struct {
	name    string
	def     signals.Need
	formula *decode.Formula
	truth   bool
	known   bool
	at      capture.Stamp
	lost    capture.Stamp // since when it has not been known; never: it is
}

type proc struct {
	name     string
	def      signals.Procedure
	before   []condition
	stop     []condition
	steps    []step
	state    string
	beganAt  capture.Stamp
	oilBegin *float64
	step     int
	rest     capture.Stamp // does not begin before
	last     *Change
	lastAt   capture.Stamp
}

// New compiles the procedures of a vehicle file over a complete table. They
// read from view.
func New(f *signals.File, view *decode.View, t *decode.Table) (*Set, error) {
	s := &Set{table: t, view: view, reads: make([]bool, len(t.Signals)), gear: t.Index("gear"), oil: -1, between: math.NaN()}
	if f.Transmission != nil && len(f.Procedures) > 0 {
		s.findOil(f.Transmission.Roles.OilPan)
	}
	for _, e := range f.Procedures {
		p := proc{name: e.Name, def: e.V, state: Idle, step: -1, rest: math.MinInt64}
		for j, list := range []signals.Named[signals.Need]{e.V.Before, e.V.StopWhen} {
			for _, n := range list {
				c, err := s.condition(n.Name, n.V)
				if err != nil {
					return nil, fmt.Errorf("procedure %s: %s: %w", e.Name, n.Name, err)
				}
				if j == 0 {
					p.before = append(p.before, c)
				} else {
					p.stop = append(p.stop, c)
				}
			}
		}
		for _, st := range e.V.Steps {
			made, err := s.newStep(st.Name, st.V)
			if err != nil {
				return nil, fmt.Errorf("procedure %s: step %s: %w", e.Name, st.Name, err)
			}
			p.steps = append(p.steps, made)
		}
		s.list = append(s.list, p)
	}
	for i := range s.list {
		p := &s.list[i]
		keep := func(c *condition) {
			if c != nil && c.formula.Window() > 0 {
				s.remember = append(s.remember, c)
			}
		}
		for j := range p.before {
			keep(&p.before[j])
		}
		for j := range p.stop {
			keep(&p.stop[j])
		}
		for j := range p.steps {
			keep(p.steps[j].until)
		}
	}
	if s.gear >= 0 {
		for _, st := range t.Signals[s.gear].States {
			if st.Name == "between" {
				s.between = float64(st.V)
			}
		}
	}
	return s, nil
}

// findOil finds the signal whose value at begin and end is told.
func (s *Set) findOil(name string) {
	i := s.table.Index(name)
	if i < 0 {
		return
	}
	from := s.table.Signals[i].Unit
	zero, err0 := unit.Convert(0, from, unit.Celsius)
	one, err1 := unit.Convert(1, from, unit.Celsius)
	if err0 != nil || err1 != nil {
		return
	}
	s.oil, s.reads[i] = i, true
	s.celsius = func(v float64) float64 { return float64(v*(one-zero)) + zero }
}

func (s *Set) condition(name string, n signals.Need) (condition, error) {
	f, err := decode.CompileCondition(n.When, s.table)
	if err != nil {
		return condition{}, err
	}
	for _, in := range f.Inputs() {
		s.reads[in] = true
	}
	return condition{name: name, def: n, formula: f, at: math.MinInt64, lost: never}, nil
}

// Reads tells whether a procedure reads the signal.
func (s *Set) Reads(signal int32) bool { return s.reads[signal] }

// Inject hands in a request, the fields of an event of kind decode.KindCoach. It
// takes effect when event time has passed its time.
func (s *Set) Inject(e decode.Event) {
	i := sort.Search(len(s.requests), func(i int) bool { return s.requests[i].Time > e.Time })
	s.requests = slices.Insert(s.requests, i, e)
}

// Advance looks at every tick before to. All samples before that time have been
// put into the view.
func (s *Set) Advance(to capture.Stamp, out *decode.Output) {
	to = min(max(to, -farthest), farthest)
	if s.Idle() {
		if to > s.now {
			s.begun, s.now = true, to
			s.next = ceil(to)
		}
		return
	}
	s.advance(to, out)
}

// Idle tells that nothing is looked at until somebody asks for a procedure: until
// then it is enough that the view holds the latest samples, at whatever time they
// were put.
func (s *Set) Idle() bool {
	return len(s.requests) == 0 && s.active == nil && len(s.remember) == 0
}

// ceil returns the first tick at or after t.
func ceil(t capture.Stamp) capture.Stamp {
	if m := (t%Tick + Tick) % Tick; m != 0 {
		return t - m + Tick
	}
	return t
}

func (s *Set) advance(to capture.Stamp, out *decode.Output) {
	if !s.begun {
		s.begun, s.next = true, ceil(to)
		if len(s.requests) > 0 {
			s.next = min(s.next, ceil(max(s.requests[0].Time, -farthest)))
		}
		s.now, s.heard = min(s.next, to), to
	}
	for {
		asked := farthest
		if len(s.requests) > 0 {
			asked = min(max(s.requests[0].Time, s.now), farthest)
		}
		switch {
		case asked < to && asked <= s.next:
			s.now = asked
			r := s.requests[0].Fields.(Request)
			s.requests = slices.Delete(s.requests, 0, 1)
			s.request(r, asked, out)
		case s.next < to:
			s.now = s.next
			s.next += Tick
			s.tick(s.now, out)
			if s.quiet() {
				s.next = max(s.next, min(ceil(to), ceil(asked)))
			}
		default:
			s.now = max(s.now, to)
			return
		}
	}
}

// quiet tells that ticks change nothing until something new comes: nothing runs,
// and all that formulas look back on lies behind them.
func (s *Set) quiet() bool {
	return (s.active == nil || s.active.state == Waiting && s.now >= s.active.rest) && s.now-s.heard > settled || s.active == nil && len(s.remember) == 0
}

// Changed says that a signal has a new sample in the view, of that time.
func (s *Set) Changed(signal int32, at capture.Stamp) {
	if s.reads[signal] {
		s.heard = at
	}
}

// tick looks at everything that is under way.
func (s *Set) tick(at capture.Stamp, out *decode.Output) {
	for _, c := range s.remember {
		s.judge(c, at)
	}
	p := s.active
	switch {
	case p == nil:
	case p.state == Waiting:
		if s.ready(p, at) {
			s.begin(p, at, out)
		}
	default:
		s.run(p, at, out)
	}
}

// judge evaluates a condition, once at a time.
func (s *Set) judge(c *condition, at capture.Stamp) (truth, known bool) {
	if c.at != at {
		c.truth, c.known = c.formula.Truth(s.view, at)
		c.at = at
		switch {
		case c.known:
			c.lost = never
		case c.lost == never:
			c.lost = at
		}
	}
	return c.truth, c.known
}

// ready tells whether a procedure may begin.
func (s *Set) ready(p *proc, at capture.Stamp) bool {
	all := at >= p.rest
	for i := range p.before {
		truth, known := s.judge(&p.before[i], at)
		all = all && truth && known
	}
	for i := range p.stop {
		truth, known := s.judge(&p.stop[i], at)
		all = all && !truth && known
	}
	return all
}

// needs returns what a procedure needs, as it stands, and in sentences what is
// not so.
func (s *Set) needs(p *proc, at capture.Stamp) (list []NeedResult, why []string) {
	for i := range p.before {
		c := &p.before[i]
		truth, known := s.judge(c, at)
		r := NeedResult{Need: c.name, Say: c.def.Say, Met: truth && known}
		if !known {
			r.Missing = s.missing(c, at)
		}
		if !r.Met {
			why = append(why, unmet(r))
		}
		list = append(list, r)
	}
	for i := range p.stop {
		c := &p.stop[i]
		switch truth, known := s.judge(c, at); {
		case !known:
			why = append(why, unwatched(c.def.Say, s.missing(c, at)))
		case truth:
			why = append(why, sentence(c.def.Say))
		}
	}
	if at < p.rest {
		why = append(why, p.resting(at))
	}
	return list, why
}

// resting says that it is too early for another try.
func (p *proc) resting(at capture.Stamp) string {
	return fmt.Sprintf("%s of rest are left since the last try.", length(p.rest-at))
}

func (s *Set) missing(c *condition, at capture.Stamp) []string {
	var list []string
	for _, in := range c.formula.Inputs() {
		if _, ok := s.view.Value(in, at); !ok {
			list = append(list, s.table.Signals[in].Name)
		}
	}
	return list
}

// request does what was asked for.
func (s *Set) request(r Request, at capture.Stamp, out *decode.Output) {
	s.heard = at // nobody may have told of changes while it was idle
	i := slices.IndexFunc(s.list, func(p proc) bool { return p.name == r.Procedure })
	if i < 0 {
		s.tell(at, out, Change{Procedure: r.Procedure, State: Refused, Why: []string{"The vehicle file has no such procedure."}})
		return
	}
	p := &s.list[i]
	if r.Action != Begin && r.Action != Stop {
		s.tell(at, out, Change{Procedure: p.name, Title: p.def.Title, State: Refused, Why: []string{"It was asked for something else than to begin or to stop."}})
		return
	}
	if r.Action == Stop {
		if s.active == p {
			s.end(p, at, Stopped, "It was stopped by hand.", out)
		}
		return
	}
	if o := s.active; o != nil {
		why := fmt.Sprintf("%s is under way; stop it first.", o.def.Title)
		switch {
		case o == p:
			why = "It is under way already."
		case o.state == Waiting:
			why = fmt.Sprintf("%s waits to begin; stop it first.", o.def.Title)
		}
		s.close(p, at, Change{State: Refused, Why: []string{why}}, out)
		return
	}
	switch {
	case s.ready(p, at):
		s.begin(p, at, out)
	case r.Wait:
		s.active, p.state = p, Waiting
		list, why := s.needs(p, at)
		s.tell(at, out, Change{Procedure: p.name, Title: p.def.Title, State: Waiting, Needs: list, Why: why})
	default:
		list, why := s.needs(p, at)
		s.close(p, at, Change{State: Refused, Needs: list, Why: why}, out)
	}
}

func (s *Set) begin(p *proc, at capture.Stamp, out *decode.Output) {
	list, _ := s.needs(p, at)
	s.active, p.state, p.beganAt, p.oilBegin = p, Running, at, s.oilNow(at)
	for i := range p.steps {
		p.steps[i].clear()
	}
	s.tell(at, out, Change{Procedure: p.name, Title: p.def.Title, State: Begun, Needs: list, OilBegin: p.oilBegin})
	s.enter(p, 0, at, out)
}

// run follows the procedure that is under way through one tick.
func (s *Set) run(p *proc, at capture.Stamp, out *decode.Output) {
	for i := range p.stop {
		c := &p.stop[i]
		switch truth, known := s.judge(c, at); {
		case known && truth:
			s.end(p, at, Stopped, sentence(c.def.Say), out)
			return
		case !known && at-c.lost >= blind:
			s.end(p, at, Stopped, unwatched(c.def.Say, s.missing(c, at)), out)
			return
		}
	}
	st := &p.steps[p.step]
	switch s.follow(st, p, at, out) {
	case Done:
		s.leave(p, at, Done, "", out)
		if p.step+1 == len(p.steps) {
			s.end(p, at, Done, "", out)
			return
		}
		s.enter(p, p.step+1, at, out)
	case Stopped:
		s.end(p, at, Stopped, st.why, out)
	default:
		if at-st.start >= capture.Stamp(st.def.Within) {
			s.end(p, at, NotDone, s.short(st, "within "+length(capture.Stamp(st.def.Within))), out)
		}
	}
}

func (s *Set) enter(p *proc, i int, at capture.Stamp, out *decode.Output) {
	st := &p.steps[i]
	p.step = i
	st.state, st.start, st.oilBegin = Running, at, s.oilNow(at)
	s.progress(p, st, at, out, Progress{State: Begun, Say: st.def.Say})
}

// leave ends the current step.
func (s *Set) leave(p *proc, at capture.Stamp, state, why string, out *decode.Output) {
	st := &p.steps[p.step]
	st.state, st.end, st.oilEnd = state, at, s.oilNow(at)
	s.progress(p, st, at, out, Progress{State: state, Why: why, Start: seconds(st.start), Duration: seconds(at - st.start)})
}

// end ends a procedure that waits or runs.
func (s *Set) end(p *proc, at capture.Stamp, verdict, why string, out *decode.Output) {
	c := Change{State: Ended, Verdict: verdict}
	if why != "" {
		c.Why = []string{why}
	}
	if p.state == Running {
		if st := &p.steps[p.step]; st.trying && st.def.AtMost > 0 {
			st.rests(p, at)
		}
		if verdict != Done {
			s.leave(p, at, verdict, why, out)
		}
		c.BeganAt, c.Duration, c.OilBegin, c.OilEnd = seconds(p.beganAt), seconds(at-p.beganAt), p.oilBegin, s.oilNow(at)
		for i := range p.steps {
			if st := &p.steps[i]; st.state != ToCome {
				c.Steps = append(c.Steps, s.result(st))
			}
		}
	} else {
		list, unmet := s.needs(p, at)
		c.Needs, c.Why = list, append(c.Why, unmet...)
	}
	s.active = nil
	s.close(p, at, c, out)
}

// close notes and tells how it ended or was refused.
func (s *Set) close(p *proc, at capture.Stamp, c Change, out *decode.Output) {
	c.Procedure, c.Title = p.name, p.def.Title
	if s.active != p {
		p.state, p.step = Idle, -1
	}
	p.last, p.lastAt = &c, at
	s.tell(at, out, c)
}

// Finish ends what is under way at the end of a recording.
func (s *Set) Finish(at capture.Stamp, out *decode.Output) {
	at = max(at, s.now)
	if p := s.active; p != nil {
		why := "The recording ended before it could begin."
		if p.state == Running {
			why = s.short(&p.steps[p.step], "when the recording ended")
		}
		s.end(p, at, NotDone, why, out)
	}
	s.requests = nil
}

func (s *Set) tell(at capture.Stamp, out *decode.Output, c Change) {
	out.Events = append(out.Events, decode.Event{Time: at, Kind: decode.KindProcedure, Fields: c})
}

func (s *Set) progress(p *proc, st *step, at capture.Stamp, out *decode.Output, e Progress) {
	e.Procedure, e.Step, e.Count, e.Of = p.name, st.name, st.count, st.def.Count()
	out.Events = append(out.Events, decode.Event{Time: at, Kind: decode.KindStep, Fields: e})
}

// oilNow returns the temperature of the oil in the pan [°C], nil where it has
// none.
func (s *Set) oilNow(at capture.Stamp) *float64 {
	if s.oil < 0 {
		return nil
	}
	v, ok := s.view.Value(s.oil, at)
	if !ok {
		return nil
	}
	v = math.Round(s.celsius(v)*10) / 10
	return &v
}

func seconds(t capture.Stamp) *decode.Seconds {
	d := decode.Seconds(t)
	return &d
}
