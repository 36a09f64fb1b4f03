package alarm

import (
	"gearwitness/capture"
	"gearwitness/decode"
	"gearwitness/decode/finding"
)

// Standing are the alarms that every gearbox has without anything being written: one
// for each kind of finding. An alarm is raised while a finding of its kind is so, or
// for a while after something that happened once, and its words are told again when
// worse is seen. It belongs to one goroutine.
type Standing struct {
	raised []standing
	due    capture.Stamp // no later than the first moment one ends by itself
}

type standing struct {
	id    int // of the finding
	kind  *finding.Kind
	f     finding.Finding
	since capture.Stamp
	until capture.Stamp // never where the finding tells
}

// NewStanding returns alarms that are all quiet.
func NewStanding() *Standing { return &Standing{due: never} }

// Take takes an event of the analysis; those of other kinds are passed over.
func (s *Standing) Take(e *decode.Event, out *decode.Output) {
	f, ok := e.Fields.(finding.Finding)
	if !ok {
		return
	}
	kind := finding.KindOf(f.Kind)
	i := s.index(f.ID)
	switch {
	case kind == nil:
	case f.State == finding.So:
		if i < 0 && kind.Lasts != 0 && e.Time >= capture.Stamp(f.Last)+kind.Lasts {
			return // long past
		}
		if i < 0 {
			i = len(s.raised)
			s.raised = append(s.raised, standing{id: f.ID, kind: kind, since: e.Time, until: never})
		}
		r := &s.raised[i]
		r.f = f
		if kind.Lasts != 0 {
			r.until = capture.Stamp(f.Last) + kind.Lasts
			s.due = min(s.due, r.until)
		}
		if e.Time < r.until {
			s.tell(r, e.Time, "raised", out)
		}
	case i >= 0:
		s.end(i, e.Time, out)
	}
}

// Advance moves event time to now: what happened once is quiet again after a while.
func (s *Standing) Advance(now capture.Stamp, out *decode.Output) {
	if now < s.due {
		return
	}
	s.due = never
	for i := 0; i < len(s.raised); {
		r := &s.raised[i]
		if r.until <= now {
			s.end(i, r.until, out)
			continue
		}
		s.due = min(s.due, r.until)
		i++
	}
}

func (s *Standing) index(id int) int {
	for i := range s.raised {
		if s.raised[i].id == id {
			return i
		}
	}
	return -1
}

func (s *Standing) end(i int, at capture.Stamp, out *decode.Output) {
	r := s.raised[i]
	s.raised = append(s.raised[:i], s.raised[i+1:]...)
	s.tell(&r, at, "cleared", out)
}

func (s *Standing) tell(r *standing, at capture.Stamp, state string, out *decode.Output) {
	c := Change{Alarm: r.kind.Name, Subject: r.f.Name, Level: r.kind.Level.String(), State: state, Say: r.f.Say, Text: r.f.Text}
	if c.Say == "" {
		c.Say = r.f.Text
	}
	if state == "cleared" {
		since := decode.Seconds(r.since)
		c.RaisedAt = &since
	}
	out.Events = append(out.Events, decode.Event{Time: at, Kind: decode.KindAlarm, Fields: c})
}
