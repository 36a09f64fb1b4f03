package procedure

import "gearwitness/capture"

// List returns every procedure as it stands.
func (s *Set) List() []Status {
	out := make([]Status, len(s.list))
	for i := range s.list {
		out[i] = s.status(&s.list[i])
	}
	return out
}

func (s *Set) status(p *proc) Status {
	at := s.now
	st := Status{Name: p.name, State: p.state, Step: p.step, Last: p.last, LastAt: p.lastAt}
	for i := range p.before {
		c := &p.before[i]
		n := NeedStatus{Name: c.name, Say: c.def.Say, When: c.def.When}
		truth, known := s.look(c, at)
		if n.Met = truth && known; !known {
			n.Missing = s.missing(c, at)
		}
		st.Needs = append(st.Needs, n)
	}
	for i := range p.stop {
		c := &p.stop[i]
		if truth, known := s.look(c, at); !known {
			st.Blocked = append(st.Blocked, unwatched(c.def.Say, s.missing(c, at)))
		} else if truth {
			st.Blocked = append(st.Blocked, sentence(c.def.Say))
		}
	}
	if at < p.rest {
		st.Blocked = append(st.Blocked, p.resting(at))
	}
	for i := range p.steps {
		x := &p.steps[i]
		st.Steps = append(st.Steps, StepStatus{Name: x.name, State: x.state, Count: x.count, Of: x.def.Count(), Spoiled: x.spoiled, Why: x.why})
	}
	if p.state != Running {
		return st
	}
	st.BeganAt = p.beganAt
	x := &p.steps[p.step]
	now := &Current{Left: x.start + capture.Stamp(x.def.Within) - at, Counting: x.trying, Gears: x.pos + 1}
	if x.trying {
		now.Held = at - x.tryStart
	} else if x.rest > at {
		now.RestLeft = x.rest - at
	}
	if x.until != nil && x.until.known {
		holds := x.until.truth
		now.Until = &holds
	}
	for i := range x.bands {
		b := &x.bands[i]
		s := BandStatus{Signal: s.table.Signals[b.signal].Name, Low: b.low, High: b.high, Holds: b.holds()}
		if b.value == b.value {
			v := b.value
			s.Value = &v
		}
		now.Bands = append(now.Bands, s)
	}
	st.Now = now
	return st
}

// look evaluates a condition for somebody who only looks. What looks back itself
// is evaluated on ticks only, so that it does not depend on who looks when.
func (s *Set) look(c *condition, at capture.Stamp) (truth, known bool) {
	if c.formula.Window() > 0 {
		return c.truth, c.known
	}
	return c.formula.Truth(s.view, at)
}
