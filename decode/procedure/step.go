package procedure

import (
	"fmt"
	"math"
	"strings"
	"unicode"
	"unicode/utf8"

	"gearwitness/capture"
	"gearwitness/decode"
	"gearwitness/signals"
)

// step is one step and how far it is.
type step struct {
	name  string
	def   signals.Step
	bands []band
	until *condition // nil: none
	gears []float64
	meter []meter // of the bands, then of what else is measured

	state    string
	start    capture.Stamp
	end      capture.Stamp
	oilBegin *float64
	oilEnd   *float64
	count    int
	spoiled  int
	told     int
	why      string // the last try came to nothing because

	trying   bool
	tryStart capture.Stamp
	outside  capture.Stamp // since when a band has been left; never: all hold
	rest     capture.Stamp // no try before
	held     capture.Stamp // since when it is held, let go for less than a moment
	letGo    capture.Stamp // when it was let go last
	released bool          // what was held has been left since the last count
	early    bool          // it was told that this try comes too early

	pos     int     // index of the gear engaged last in this try; -1: none
	engaged float64 // the gear engaged last, whatever it was
	lost    capture.Stamp
}

type band struct {
	signal    int32
	low, high float64
	value     float64 // NaN: none
	first     float64 // value while the first gear of a sequence was engaged
}

func (b *band) holds() bool { return b.value >= b.low && b.value <= b.high }

// meter measures a signal while a step counts.
type meter struct {
	signal     int32
	try, total sums
}

type sums struct {
	n                int
	sum, least, most float64
}

func (s *sums) add(v float64) {
	if s.n == 0 {
		s.least, s.most = v, v
	}
	s.n++
	s.sum += v
	s.least, s.most = min(s.least, v), max(s.most, v)
}

func (s *sums) merge(o sums) {
	switch {
	case o.n == 0:
	case s.n == 0:
		*s = o
	default:
		s.n += o.n
		s.sum += o.sum
		s.least, s.most = min(s.least, o.least), max(s.most, o.most)
	}
}

func (s *Set) newStep(name string, def signals.Step) (step, error) {
	st := step{name: name, def: def}
	read := func(signal string) (int32, error) {
		i := s.table.Index(signal)
		if i < 0 {
			return 0, fmt.Errorf("unknown signal %q", signal)
		}
		s.reads[i] = true
		st.meter = append(st.meter, meter{signal: i})
		return i, nil
	}
	for _, h := range def.Hold {
		i, err := read(h.Name)
		if err != nil {
			return st, err
		}
		st.bands = append(st.bands, band{signal: i, low: h.V.Low, high: h.V.High})
	}
	for _, m := range def.Measure {
		if _, err := read(m); err != nil {
			return st, err
		}
	}
	if def.Until != "" {
		c, err := s.condition(name, signals.Need{When: def.Until})
		if err != nil {
			return st, fmt.Errorf("until: %w", err)
		}
		st.until = &c
	}
	for _, g := range def.Gears {
		if s.gear < 0 {
			return st, fmt.Errorf("gears: the vehicle file has no gears to engage")
		}
		states := s.table.Signals[s.gear].States
		i := states.Index(g)
		if i < 0 {
			return st, fmt.Errorf("unknown gear %q", g)
		}
		st.gears = append(st.gears, float64(states[i].V))
		s.reads[s.gear] = true
	}
	st.clear()
	return st, nil
}

// clear brings a step to where it has not begun.
func (st *step) clear() {
	st.state, st.count, st.spoiled, st.told, st.why = ToCome, 0, 0, 0, ""
	st.trying, st.rest, st.letGo, st.released, st.early = false, math.MinInt64, math.MinInt64, true, false
	st.outside, st.lost, st.pos, st.engaged = never, never, -1, math.NaN()
	st.oilBegin, st.oilEnd = nil, nil
	for i := range st.meter {
		st.meter[i].total = sums{}
	}
	for i := range st.bands {
		st.bands[i].value, st.bands[i].first = math.NaN(), math.NaN()
	}
}

// follow takes a step through one tick and returns Done or Stopped when it ends
// there.
func (s *Set) follow(st *step, p *proc, at capture.Stamp, out *decode.Output) string {
	inside := true
	for i := range st.bands {
		b := &st.bands[i]
		v, ok := s.view.Value(b.signal, at)
		if !ok {
			v = math.NaN()
		}
		b.value = v
		inside = inside && b.holds()
	}
	switch {
	case inside:
		st.outside = never
	case st.outside == never:
		st.outside = at
	}
	if len(st.gears) > 0 {
		s.sequence(st, p, at, inside, out)
	} else if s.hold(st, p, at, inside, out) {
		return Stopped
	}
	if st.trying {
		for i := range st.meter {
			m := &st.meter[i]
			if v, ok := s.view.Value(m.signal, at); ok {
				m.try.add(v)
			}
		}
	}
	if st.count >= st.def.Count() {
		return Done
	}
	return ""
}

// try begins a try.
func (st *step) try(at capture.Stamp) {
	st.trying, st.tryStart = true, at
	for i := range st.meter {
		st.meter[i].try = sums{}
	}
}

// counts ends a try that has come to its goal.
func (s *Set) counts(st *step, p *proc, at capture.Stamp, out *decode.Output) {
	st.trying, st.released, st.early, st.pos = false, false, false, -1
	st.count++
	st.rests(p, at)
	e := Progress{State: Counted, Start: seconds(st.tryStart), Duration: seconds(at - st.tryStart)}
	for i := range st.meter {
		m := &st.meter[i]
		m.total.merge(m.try)
		if f, ok := s.figure(st, i, m.try); ok {
			e.Figures = append(e.Figures, f)
		}
	}
	s.progress(p, st, at, out, e)
}

// rests has the next try wait. What must not be held for long needs its rest
// before the procedure begins another time, too.
func (st *step) rests(p *proc, at capture.Stamp) {
	st.rest = at + capture.Stamp(st.def.Rest)
	if st.def.AtMost > 0 {
		st.letGo, p.rest = at, st.rest
	}
}

// spoil ends a try that has come to nothing.
func (s *Set) spoil(st *step, p *proc, at capture.Stamp, why string, out *decode.Output) {
	begun := st.trying
	st.trying, st.pos = false, -1
	st.spoiled++
	st.why = why
	if st.told++; st.told > most {
		return
	}
	e := Progress{State: Again, Why: why}
	if begun {
		e.Start, e.Duration = seconds(st.tryStart), seconds(at-st.tryStart)
	}
	s.progress(p, st, at, out, e)
}

// hold follows a step whose condition and bands must hold for a time. It returns
// true when they have held for too long.
func (s *Set) hold(st *step, p *proc, at capture.Stamp, inside bool, out *decode.Output) (tooLong bool) {
	reached := true
	if st.until != nil {
		truth, known := s.judge(st.until, at)
		reached = truth && known
	}
	if !st.trying {
		switch {
		case !inside || !reached:
			st.released = true
			return false
		case !st.released:
			return false
		}
		st.try(at)
		if st.letGo+moment <= at {
			st.held = at
		}
		if st.early = at < st.rest; st.early {
			s.tooEarly(st, p, at, out)
		}
	}
	held, enough := at-st.tryStart, capture.Stamp(st.def.For)
	holds := reached && (inside || at-st.outside < capture.Stamp(st.def.Grace))
	switch limit := capture.Stamp(st.def.AtMost); {
	case holds && limit > 0 && at-st.held > limit:
		st.why = fmt.Sprintf("Held for longer than %s: let go.", length(limit))
		if st.def.Rest > 0 {
			st.why += fmt.Sprintf(" Then %s of rest.", length(capture.Stamp(st.def.Rest)))
		}
		return true
	case holds && (limit > 0 || held < enough || !inside || st.early):
		return false
	case holds:
		s.counts(st, p, at, out) // and counts again once it has been left
		return false
	}
	st.released = true
	switch {
	case st.early:
		st.trying = false
	case st.def.AtMost > 0 && held >= enough:
		s.counts(st, p, at, out)
		st.released = true
		return false
	case held < brief:
		st.trying = false
	default:
		why := fmt.Sprintf("Held for %s of %s", length(held), length(enough))
		if !inside {
			why += ": " + s.outsideWords(st, false)
		}
		s.spoil(st, p, at, why+".", out)
	}
	if st.def.AtMost > 0 {
		st.rests(p, at) // it has heated up all the same
	}
	return false
}

// tooEarly tells that a try begins before the rest is over; it does not count.
func (s *Set) tooEarly(st *step, p *proc, at capture.Stamp, out *decode.Output) {
	st.spoiled++
	st.why = fmt.Sprintf("Too early: %s of rest are left.", length(st.rest-at))
	if st.told++; st.told <= most {
		s.progress(p, st, at, out, Progress{State: Again, Why: st.why})
	}
}

// sequence follows a step whose gears must be engaged in order. A try begins in
// the first gear once the bands hold; that they do not hold yet in the first
// gear, or when the vehicle rolls to a stop in it, is no try.
func (s *Set) sequence(st *step, p *proc, at capture.Stamp, inside bool, out *decode.Output) {
	gear, known := s.view.Value(s.gear, at)
	switch {
	case known:
		st.lost = never
	case st.lost == never:
		st.lost = at
	}
	changed := known && gear != s.between && gear != st.engaged
	before := st.engaged
	if changed {
		st.engaged = gear
	}
	first := st.gears[0]
	if st.pos < 0 {
		switch {
		case known && gear == first && inside && at >= st.rest:
			st.try(at)
			st.pos = 0
		case known && gear == first && at < st.rest && inside && !st.early:
			st.early = true
			s.tooEarly(st, p, at, out)
		case known && gear == first:
			for i := range st.bands {
				st.bands[i].first = st.bands[i].value
			}
		case changed && before == first && st.index(gear) > 0 && at >= st.rest:
			s.spoil(st, p, at, fmt.Sprintf("Gear %s was left with %s.", s.gearName(first), s.outsideWords(st, true)), out)
		}
		return
	}
	switch {
	case !known && at-st.lost >= blind:
		s.spoil(st, p, at, "The gear could not be told.", out)
	case changed && gear == st.gears[st.pos+1]:
		if st.pos++; st.pos == len(st.gears)-1 {
			s.counts(st, p, at, out)
		}
	case changed && gear != st.gears[st.pos]:
		next := s.gearName(st.gears[st.pos+1])
		if st.pos == 0 && st.index(gear) < 0 {
			st.trying, st.pos = false, -1
			break
		}
		s.spoil(st, p, at, fmt.Sprintf("%s followed gear %s; expected gear %s.", upper(s.gearWords(gear)), s.gearName(st.gears[st.pos]), next), out)
	case !inside && at-st.outside >= capture.Stamp(st.def.Grace):
		if st.pos == 0 {
			st.trying, st.pos = false, -1
			break
		}
		s.spoil(st, p, at, fmt.Sprintf("In gear %s: %s.", s.gearName(st.gears[st.pos]), s.outsideWords(st, false)), out)
	}
}

// index returns the place of a gear in the sequence, -1 where it has none.
func (st *step) index(gear float64) int {
	for i, g := range st.gears {
		if g == gear {
			return i
		}
	}
	return -1
}

func (s *Set) gearName(gear float64) string {
	return s.table.Text(decode.Sample{Signal: s.gear, Value: gear})
}

// gearWords names what followed a gear.
func (s *Set) gearWords(gear float64) string {
	switch n := s.gearName(gear); n {
	case "standing":
		return "a standstill"
	case "N":
		return "neutral"
	case "R":
		return "reverse"
	default:
		return "gear " + n
	}
}

// outsideWords says which bands do not hold, or did not in the first gear.
func (s *Set) outsideWords(st *step, first bool) string {
	var list []string
	for i := range st.bands {
		b := st.bands[i]
		if first {
			b.value = b.first
		}
		if b.holds() {
			continue
		}
		in := &s.table.Signals[b.signal]
		if math.IsNaN(b.value) {
			list = append(list, in.Title+" without a value")
			continue
		}
		list = append(list, fmt.Sprintf("%s at %s, expected %s to %s", in.Title, s.value(b.signal, b.value), number(b.low), s.value(b.signal, b.high)))
	}
	if list == nil {
		return "a band left for a moment"
	}
	return strings.Join(list, "; ")
}

// value writes a value with its unit.
func (s *Set) value(signal int32, v float64) string {
	in := &s.table.Signals[signal]
	text := number(math.Round(v*math.Pow10(in.Digits)) / math.Pow10(in.Digits))
	if in.Unit != "" {
		text += " " + string(in.Unit)
	}
	return text
}

func number(v float64) string {
	return strings.Replace(fmt.Sprintf("%g", v), "-", "−", 1)
}

// figure returns what was measured; false where there was no value.
func (s *Set) figure(st *step, i int, of sums) (Figure, bool) {
	in := &s.table.Signals[st.meter[i].signal]
	f := Figure{Signal: in.Name, Unit: string(in.Unit)}
	if of.n == 0 {
		return f, false
	}
	if i < len(st.bands) {
		f.Band = []float64{st.bands[i].low, st.bands[i].high}
	}
	round := func(v float64, digits int) float64 { return math.Round(v*math.Pow10(digits)) / math.Pow10(digits) }
	f.Least, f.Most, f.Mean = round(of.least, in.Digits), round(of.most, in.Digits), round(of.sum/float64(of.n), in.Digits+1)
	return f, true
}

// result sums up a step that has ended.
func (s *Set) result(st *step) StepResult {
	r := StepResult{Step: st.name, State: st.state, Count: st.count, Of: st.def.Count(), Spoiled: st.spoiled, Why: st.why,
		Duration: decode.Seconds(st.end - st.start), OilBegin: st.oilBegin, OilEnd: st.oilEnd}
	for i := range st.meter {
		if f, ok := s.figure(st, i, st.meter[i].total); ok {
			r.Figures = append(r.Figures, f)
		}
	}
	return r
}

// short says what was missing when the time of a step was over.
func (s *Set) short(st *step, when string) string {
	text := fmt.Sprintf("Done %d of %d times %s.", st.count, st.def.Count(), when)
	switch {
	case len(st.gears) > 0:
		text = fmt.Sprintf("%d of %d sequences counted %s.", st.count, st.def.Count(), when)
	case st.def.Count() == 1:
		text = fmt.Sprintf("Not reached %s.", when)
	}
	if st.spoiled > 0 {
		text += fmt.Sprintf(" Tries that came to nothing: %d, the last because: %s", st.spoiled, st.why)
	}
	return text
}

// length writes a time for people.
func length(d capture.Stamp) string {
	switch s := float64(d) / 1e9; {
	case s < 10:
		return fmt.Sprintf("%g s", math.Round(s*10)/10)
	case s < 120:
		return fmt.Sprintf("%.0f s", s)
	default:
		m := int(s+0.5) / 60
		if r := int(s+0.5) % 60; r != 0 {
			return fmt.Sprintf("%d min %d s", m, r)
		}
		return fmt.Sprintf("%d min", m)
	}
}

// unwatched says that a condition that ends a procedure cannot be judged.
func unwatched(say string, missing []string) string {
	if len(missing) == 0 {
		return "This cannot be watched yet: " + sentence(say)
	}
	return fmt.Sprintf("Without a value of %s this cannot be watched: %s", strings.Join(missing, ", "), sentence(say))
}

// unmet says that a need is not met.
func unmet(n NeedResult) string {
	text := "Needed: " + n.Say
	if len(n.Missing) > 0 {
		text += " (" + noValue(n.Missing) + ")"
	}
	return strings.TrimSuffix(text, ".") + "."
}

func noValue(names []string) string { return "no value: " + strings.Join(names, ", ") }

// sentence ends a text with a full stop.
func sentence(s string) string {
	s = strings.TrimSpace(s)
	if s != "" && !strings.ContainsAny(s[len(s)-1:], ".!?") {
		s += "."
	}
	return upper(s)
}

func upper(s string) string {
	r, n := utf8.DecodeRuneInString(s)
	return string(unicode.ToUpper(r)) + s[n:]
}
