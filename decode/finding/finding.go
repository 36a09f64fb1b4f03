// Package finding keeps what was found about a gearbox, live and at the end: one
// list that page, alarms, metrics, events, report and comparison read.
//
// A finding is one thing wrong with one subject: an element that slips while it has
// to carry, a shift that did not come, a sensor that gives no value. It begins when it
// has been seen for long enough, grows while worse is seen, and is over only when the
// conditions under which it would show have come back for a while and it did not show:
// nothing is told as over because nobody could see it. A finding that turns out to
// have another cause is taken back openly.
//
// Whoever looks at each moment (such as package drivetrain) tells a Set what it sees:
//
//	s.See(at, finding.Key{Kind: finding.Slips, Part: "element", Name: "drum brake"}, finding.Sight{Value: 480, Unit: "rpm", Gear: "2"}, out)
//	s.Absent(at, key, out) // it would show now, and does not
//
// and the Set appends a KindFinding event for each change, with the whole finding as
// it stands. A List folds these events again, wherever they arrive. Everything is in
// event time and a function of what was told, in that order.
package finding

import (
	"math"
	"slices"

	"gearwitness/capture"
	"gearwitness/decode"
	"gearwitness/signals"
)

// Event is the kind of decode.Event whose fields are a Finding.
const Event = "finding"

// Key tells one finding from another.
type Key struct {
	Kind *Kind
	Part string // "element", "converter", "sensor", "switch", "lever contact", "shift", "oil", "gearbox", ...
	Name string // of the element, signal or shift: "drum brake", "oil_outlet", "2-3"
}

// Sight is what is seen at one moment.
type Sight struct {
	Value float64 // how much, in the unit of the kind; NaN where there is no figure
	Gear  string  // engaged or asked for; empty where it does not matter
	Load  string  // "drive", "coast" or empty
	Sure  float64 // how sure it is, 0..1; 0 stands for 1
	Or    string  // what else would explain it, in words; empty where nothing known would
}

// State of a finding.
type State string

// States.
const (
	So        State = "so"         // seen, and nothing has shown since that it is over
	Over      State = "over"       // it would show, and does not
	TakenBack State = "taken back" // something else explains it
)

// Finding is one thing that was found, as it stands. Times are stamps of the
// recording.
type Finding struct {
	ID    int             `json:"id"` // from 1, in the order in which findings begin
	Kind  string          `json:"finding"`
	Part  string          `json:"part"`
	Name  string          `json:"name"`
	Title string          `json:"title"` // of the subject, for people
	Level string          `json:"level"` // note, caution or stop
	State State           `json:"state"`
	Since decode.Seconds  `json:"since_s"` // when it was seen first
	Last  decode.Seconds  `json:"last_s"`  // and last
	Until *decode.Seconds `json:"until_s,omitempty"`
	// Worst is the largest figure seen, WorstAt when; absent where the kind has none.
	Worst   *float64        `json:"worst,omitempty"`
	WorstAt *decode.Seconds `json:"worst_s,omitempty"`
	Unit    string          `json:"unit,omitempty"`
	Times   int             `json:"times"` // stretches in which it was seen
	Gears   []string        `json:"gears,omitempty"`
	Loads   []string        `json:"loads,omitempty"`
	Sure    float64         `json:"sure"` // 0..1, of the surest sight
	Text    string          `json:"text"` // one sentence
	Say     string          `json:"say"`  // to be spoken: what, where, what to do
}

// Set makes findings of what is seen. It belongs to one goroutine.
type Set struct {
	titles map[[2]string]string // by part and name
	open   map[Key]*track       // the latest of each key
	order  []*track
	now    capture.Stamp
	told   int // findings told so far
}

// track follows one finding.
type track struct {
	key     Key
	f       Finding
	begun   bool // told
	or      string
	seen    capture.Stamp // in sum, of the stretch under way
	first   capture.Stamp // of the stretch
	last    capture.Stamp
	absent  capture.Stamp // in sum, since it was seen last
	lastAbs capture.Stamp
	told    capture.Stamp // when its growth was told last
	toldFor float64       // worst then
	again   bool          // the stretch under way is not counted yet
}

// NewSet returns an empty set. The titles of elements and signals come from the
// vehicle file.
func NewSet(f *signals.File, t *decode.Table) *Set {
	s := &Set{titles: map[[2]string]string{}, open: map[Key]*track{}}
	if f != nil && f.Transmission != nil {
		for _, e := range f.Transmission.Elements {
			if e.V.Title != "" {
				s.titles[[2]string{"element", e.Name}] = e.V.Title
			}
		}
	}
	if t != nil {
		for i := range t.Signals {
			if title := t.Signals[i].Title; title != "" {
				for _, part := range [...]string{"sensor", "switch", "lever contact"} {
					s.titles[[2]string{part, t.Signals[i].Name}] = title
				}
			}
		}
	}
	return s
}

const (
	stretchGap = capture.Stamp(300e6) // unseen for longer: another stretch
	growEvery  = capture.Stamp(1e9)   // growth is told no more often
	growPart   = 0.1                  // and from this part on
)

// See takes one sight of a moment. It is called again at each moment at which the
// thing is seen; for something that happens once, see Once.
func (s *Set) See(at capture.Stamp, k Key, x Sight, out *decode.Output) {
	s.now = at
	t := s.track(k, at)
	switch {
	case t.last == 0 && t.seen == 0, at-t.last > stretchGap:
		t.first, t.seen, t.again = at, 0, true
	default:
		t.seen += at - t.last
	}
	t.last, t.absent, t.lastAbs = at, 0, 0
	if t.seen < k.Kind.After {
		t.note(at, x)
		return
	}
	s.tell(t, at, x, out)
}

// Once takes something that happened at a time and is at once certain, such as a
// shift that did not come.
func (s *Set) Once(at capture.Stamp, k Key, x Sight, out *decode.Output) {
	s.now = at
	t := s.track(k, at)
	t.first, t.last, t.absent, t.lastAbs, t.again = at, at, 0, 0, true
	s.tell(t, at, x, out)
}

// Absent says that it would show at this moment, and does not.
func (s *Set) Absent(at capture.Stamp, k Key, out *decode.Output) {
	t := s.open[k]
	if t == nil || t.f.State != So {
		return
	}
	if t.lastAbs != 0 && at-t.lastAbs <= stretchGap {
		t.absent += at - t.lastAbs
	}
	t.lastAbs = at
	if !t.begun {
		if at-t.last > stretchGap {
			t.seen = 0
		}
		return
	}
	if t.absent >= k.Kind.Gone {
		s.end(t, at, Over, out)
	}
}

// TakeBack says that something else explains what was found of a part since some time:
// every finding of it that began since then and is not over is taken back, with the
// reason, and so is what was about to be told.
func (s *Set) TakeBack(at, since capture.Stamp, part, why string, out *decode.Output) {
	for _, t := range s.order {
		switch {
		case t.key.Part != part || t.f.State != So || capture.Stamp(t.f.Since) < since:
		case t.begun:
			t.f.Text = t.sentence() + "; taken back: " + why
			s.end(t, at, TakenBack, out)
		default:
			t.seen, t.last = 0, 0
		}
	}
}

// Open tells whether a finding is told and still so.
func (s *Set) Open(k Key) bool {
	t := s.open[k]
	return t != nil && t.begun && t.f.State == So
}

// Since is how long ago a finding was seen last, by the latest moment told of; 0 where
// it is not open.
func (s *Set) Since(k Key) capture.Stamp {
	if t := s.open[k]; t != nil {
		return s.now - t.last
	}
	return 0
}

// List returns the findings told so far, in the order in which they began.
func (s *Set) List() []Finding {
	var list []Finding
	for _, t := range s.order {
		if t.begun {
			list = append(list, t.f.copy())
		}
	}
	slices.SortFunc(list, func(a, b Finding) int { return a.ID - b.ID })
	return list
}

// Finish tells every finding that is still so as it stands at the end.
func (s *Set) Finish(at capture.Stamp, out *decode.Output) {
	for _, t := range s.order {
		if t.begun && t.f.State == So {
			s.say(t, at, out)
		}
	}
}

// track returns the track of a key, a new one where the last is over.
func (s *Set) track(k Key, at capture.Stamp) *track {
	if t := s.open[k]; t != nil && t.f.State == So {
		return t
	} else if t != nil && t.f.State == Over {
		t.f.State, t.f.Until = So, nil // it has come back
		t.seen, t.last, t.again = 0, 0, true
		return t
	}
	t := &track{key: k, first: at, toldFor: math.NaN()}
	t.f = Finding{Kind: k.Kind.Name, Part: k.Part, Name: k.Name, Title: s.title(k), Level: k.Kind.Level.String(), State: So, Since: decode.Seconds(at), Unit: k.Kind.Unit}
	s.open[k] = t
	s.order = append(s.order, t)
	return t
}

func (s *Set) title(k Key) string {
	if title := s.titles[[2]string{k.Part, k.Name}]; title != "" {
		return title
	}
	return k.Name
}

// note adds a sight to the finding.
func (t *track) note(at capture.Stamp, x Sight) {
	f := &t.f
	f.Last = decode.Seconds(at)
	if !t.begun {
		f.Since = decode.Seconds(t.first)
	}
	if !math.IsNaN(x.Value) && t.key.Kind.Unit != "" && (f.Worst == nil || math.Abs(x.Value) > math.Abs(*f.Worst)) {
		v, when := math.Round(x.Value*10)/10, decode.Seconds(at)
		f.Worst, f.WorstAt = &v, &when
	}
	if x.Gear != "" && !slices.Contains(f.Gears, x.Gear) {
		f.Gears = append(slices.Clip(f.Gears), x.Gear)
	}
	if x.Load != "" && !slices.Contains(f.Loads, x.Load) {
		f.Loads = append(slices.Clip(f.Loads), x.Load)
	}
	if x.Sure == 0 {
		x.Sure = 1
	}
	if x.Sure >= f.Sure {
		f.Sure, t.or = x.Sure, x.Or
	}
}

// tell takes a sight that counts and says what is new.
func (s *Set) tell(t *track, at capture.Stamp, x Sight, out *decode.Output) {
	gears := len(t.f.Gears)
	t.note(at, x)
	news := !t.begun || t.again
	if t.again {
		t.f.Times, t.again = t.f.Times+1, false
	}
	if !t.begun {
		t.begun = true
		s.told++
		t.f.ID = s.told
	}
	if w := t.f.Worst; w != nil && at-t.told >= growEvery && !(math.Abs(*w) <= (1+growPart)*math.Abs(t.toldFor)) {
		news = true
	}
	if !news && len(t.f.Gears) == gears {
		return
	}
	s.say(t, at, out)
}

// say writes the event.
func (s *Set) say(t *track, at capture.Stamp, out *decode.Output) {
	t.told = at
	if t.f.Worst != nil {
		t.toldFor = *t.f.Worst
	}
	t.f.Text, t.f.Say = t.sentence(), t.speech()
	out.Events = append(out.Events, decode.Event{Time: at, Kind: Event, Fields: t.f.copy()})
}

// end closes a finding.
func (s *Set) end(t *track, at capture.Stamp, state State, out *decode.Output) {
	until := t.f.Last
	t.f.State, t.f.Until = state, &until
	if state == Over {
		t.f.Text = t.sentence()
	}
	t.f.Say = ""
	out.Events = append(out.Events, decode.Event{Time: at, Kind: Event, Fields: t.f.copy()})
	t.seen, t.absent, t.lastAbs = 0, 0, 0
	if state == TakenBack {
		delete(s.open, t.key)
	}
}

func (f *Finding) copy() Finding {
	c := *f
	c.Gears, c.Loads = slices.Clone(f.Gears), slices.Clone(f.Loads)
	return c
}

// List folds the events of findings. The zero value is ready to use.
type List struct{ all []Finding }

// Take folds an event; it returns false for events of other kinds.
func (l *List) Take(e decode.Event) bool {
	f, ok := e.Fields.(Finding)
	if !ok {
		return false
	}
	for i := range l.all {
		if l.all[i].ID == f.ID {
			l.all[i] = f
			return true
		}
	}
	l.all = append(l.all, f)
	return true
}

// All returns the findings in the order in which they began.
func (l *List) All() []Finding { return slices.Clone(l.all) }
