package drivetrain

import (
	"cmp"
	"fmt"
	"math"
	"math/bits"
	"slices"
	"strings"

	"gearwitness/capture"
	"gearwitness/decode"
)

// Suspect is what a drive says about one part: an element of the gearbox, a
// sensor, a pressure switch. Verdicts are never more certain than the evidence:
// what has not been tried is undecided.
type Suspect struct {
	Element string   `json:"element"` // name of the element or of the signal
	Part    string   `json:"part"`    // "element", "sensor", "switch", "supply"
	Score   float64  `json:"score"`   // 0 nothing against it .. 1
	Verdict string   `json:"verdict"` // "suspect", "cleared" or "undecided"
	Reasons []string `json:"reasons"` // plain sentences, the strongest first
}

// KindSuspect is the event, at the end of a drive, of the verdict on one part.
const KindSuspect = "suspect"

// Verdicts.
const (
	VerdictSuspect   = "suspect"
	VerdictCleared   = "cleared"
	VerdictUndecided = "undecided"
)

// Limits of the evidence; common practice, no source.
const (
	flareSeenRPM    = 10   // above what sensors and control make of a sound shift
	bindSeenMPS2    = 0.35 // dip of acceleration below both levels
	lateSeconds     = 0.12 // more than the usual delay between command and ratio phase
	slipSeenTicks   = 30   // 0.3 s
	heldTicks       = 300  // 3 s of carrying under drive without slip
	agreeing        = 0.6  // part of the shifts that must show it
	supplyElements  = 2    // so many elements that slip have their supply in common
	fewestDelays    = 4
	lessUsual       = 0.75
	nearBest        = 0.9
	foremostTimes   = 4
	commonTicks     = 100 // 1 s of slip alone, in each of the elements that share a supply
	fewestShifts    = 2
	clearingShifts  = 2
	strongestReason = 6
)

// Suspects weighs the evidence so far: elements first by score, then in the
// file's order.
func (a *Analyzer) Suspects() []Suspect {
	if a.model == nil {
		return nil
	}
	var out []Suspect
	slipping := 0
	if a.model.train != nil {
		w := weigh(a)
		for e := range a.model.elements {
			s := w.element(e)
			if w.orSensor(e, &s) {
				out = append(out, s)
				continue
			}
			if w.inCommon(e) {
				slipping++
			}
			out = append(out, s)
		}
		if slipping >= supplyElements {
			out = w.supply(out)
		} else {
			w.foremost(out)
		}
	}
	out = append(out, a.sensorSuspects()...)
	out = append(out, a.switchSuspects()...)
	out = append(out, a.lockups.suspects(a)...)
	out = append(out, a.contacts.suspects()...)
	out = append(out, a.oil.suspects(a)...)
	out = a.stall.blame(a, out)
	slices.SortStableFunc(out, func(x, y Suspect) int { return cmp.Compare(y.Score, x.Score) })
	return out
}

// emitSuspects writes the verdicts as events at the end of a drive.
func (a *Analyzer) emitSuspects(at capture.Stamp, out *decode.Output) {
	for _, s := range a.Suspects() {
		out.Events = append(out.Events, decode.Event{Time: at, Kind: KindSuspect, Fields: s})
	}
}

// weighing is the evidence of a drive under review.
type weighing struct {
	a *Analyzer
	m *model
	v *evidence

	doubted    []scaling  // by sensor: it may read wrong by one part, which is not proven
	usualDelay [4]float64 // s, by kind of shift, see shiftRecord.kind; NaN where it is not known
	flares     tally
	drags      tally
}

// tally is one kind of trouble in shifts, held against applied and released
// elements.
type tally struct {
	bad int
	// A flare is usually an element that comes late, an overlap one that lets go
	// late; the reverse is the less usual explanation of the same shift.
	applyPrior, releasePrior float64
	applied                  []trial
	released                 []trial
}

// trial is in how many of its shifts an element showed a trouble.
type trial struct{ hits, of int }

// weight is how well this element alone explains the trouble: the part of its
// own shifts that show it times the part of all such shifts that are its own.
func (t trial) weight(all int) float64 {
	if t.of == 0 || all == 0 {
		return 0
	}
	return float64(t.hits) / float64(t.of) * float64(t.hits) / float64(all)
}

func weigh(a *Analyzer) *weighing {
	w := &weighing{a: a, m: a.model, v: a.evidence.settled(), doubted: make([]scaling, len(a.model.sensors))}
	for s := range w.doubted {
		if x := w.v.scaling(w.m, s); a.watch.wrong == 0 && len(w.doubted) >= 3 && !x.clash {
			w.doubted[s] = x
		}
	}
	for k := range w.usualDelay {
		var delays []float64
		for i := range w.v.shifts {
			s := &w.v.shifts[i]
			if applied, released, _ := w.handover(s, 0); s.kind() == k && known(s.delay) && !w.onlyOneWays(applied) && !w.onlyOneWays(released) {
				delays = append(delays, s.delay)
			}
		}
		w.usualDelay[k] = unknown
		if len(delays) >= fewestDelays {
			// The lower third: up to two of three may be late.
			slices.Sort(delays)
			w.usualDelay[k] = delays[len(delays)/3]
		}
	}
	n := len(w.m.elements)
	w.flares = tally{applied: make([]trial, n), released: make([]trial, n), applyPrior: 1, releasePrior: lessUsual}
	w.drags = tally{applied: make([]trial, n), released: make([]trial, n), applyPrior: lessUsual, releasePrior: 1}
	var slipping uint64
	for e := range n {
		if w.slips(e) {
			slipping |= 1 << e
		}
	}
	for i := range w.v.shifts {
		s := &w.v.shifts[i]
		applied, released, counts := w.handover(s, slipping)
		if counts && s.up && s.powerOn && !w.onlyOneWays(released) {
			w.flares.add(w.flared(s), applied, released)
		}
	}
	comesLate := w.flares.explains()
	for i := range w.v.shifts {
		s := &w.v.shifts[i]
		applied, released, counts := w.handover(s, slipping)
		if !counts || w.onlyOneWays(released) || w.onlyOneWays(applied) || applied&comesLate != 0 {
			continue // what comes late holds its shifts up, whoever lets go
		}
		usual := w.usualDelay[s.kind()]
		late := known(s.delay) && s.delay > usual+lateSeconds
		if late || s.bindUp >= bindSeenMPS2 || known(s.delay) && known(usual) {
			w.drags.add((s.bindUp >= bindSeenMPS2 || late) && !w.flared(s), applied, released)
		}
	}
	return w
}

// handover gives the elements that a shift applies and releases, and tells
// whether it counts as one: an element that slips tells of itself and disturbs the
// others.
func (w *weighing) handover(s *shiftRecord, slipping uint64) (applied, released uint64, counts bool) {
	from, to := w.m.gears[s.from].mask, w.m.gears[s.to].mask
	return to &^ from, from &^ to, s.known && s.held && !s.slippedBefore && (from|to)&slipping == 0
}

// flared tells that the input speed rose more than the sensors' steps explain.
func (w *weighing) flared(s *shiftRecord) bool {
	return s.flare >= flareSeenRPM+2*w.m.gears[s.from].spread
}

// explains gives the one element whose coming late explains most of the trouble.
func (t *tally) explains() uint64 {
	for e, x := range t.applied {
		if x.hits >= fewestShifts && x.weight(t.bad) >= agreeing && t.applyPrior*x.weight(t.bad) >= t.best() {
			return 1 << e
		}
	}
	return 0
}

// onlyOneWays tells that nothing but one-way clutches lets go or takes hold: they
// do so by themselves, neither early nor late.
func (w *weighing) onlyOneWays(elements uint64) bool {
	for set := elements; set != 0; set &= set - 1 {
		if !w.m.oneWay[bits.TrailingZeros64(set)] {
			return false
		}
	}
	return true
}

func (t *tally) add(bad bool, applied, released uint64) {
	hit := 0
	if bad {
		hit = 1
		t.bad++
	}
	for set := applied; set != 0; set &= set - 1 {
		x := &t.applied[bits.TrailingZeros64(set)]
		x.of, x.hits = x.of+1, x.hits+hit
	}
	for set := released; set != 0; set &= set - 1 {
		x := &t.released[bits.TrailingZeros64(set)]
		x.of, x.hits = x.of+1, x.hits+hit
	}
}

// best is the highest weight of any element in the tally.
func (t *tally) best() float64 {
	b := 0.0
	for e := range t.applied {
		b = max(b, t.applyPrior*t.applied[e].weight(t.bad), t.releasePrior*t.released[e].weight(t.bad))
	}
	return b
}

// slips tells whether the element slipped with its gear settled.
func (w *weighing) slips(e int) bool { return w.alone(e) >= slipSeenTicks }

// alone is for how many ticks nothing but its slip explains what was seen.
func (w *weighing) alone(e int) int {
	total := 0
	for g := range w.m.gears {
		total += w.aloneIn(e, g)
	}
	return total
}

func (w *weighing) aloneIn(e, gear int) int {
	c := &w.v.carried[gear][e]
	if w.rivals(e, gear) != 0 {
		return c.sure
	}
	return max(c.alone, c.sure)
}

// orSensor leaves it open whether an element slips or a sensor reads wrong where
// that explains all of its slip, by always the same part.
func (w *weighing) orSensor(e int, s *Suspect) bool {
	var slipped uint64
	for g := range w.m.gears {
		if w.v.carried[g][e].slipped >= int(shortEpisode/Tick) {
			slipped |= 1 << g
		}
	}
	if slipped == 0 {
		return false
	}
	var names []string
	for i, x := range w.doubted {
		if x.gears != 0 && slipped&^x.gears == 0 {
			names = append(names, w.m.sensors[i].name)
		}
	}
	if names == nil {
		return false
	}
	s.Verdict, s.Score = VerdictUndecided, min(s.Score, 0.45)
	s.Reasons = append([]string{"undecided: it slips by always the same part, or " + strings.Join(names, " or ") + " reads wrong; steady driving in the other gears tells"}, s.Reasons...)
	return true
}

// elementNames names a set of elements.
func (m *model) elementNames(set uint64, between string) string {
	var names []string
	for ; set != 0; set &= set - 1 {
		names = append(names, m.elements[bits.TrailingZeros64(set)])
	}
	return strings.Join(names, between)
}

// gearNames names a set of gears.
func (m *model) gearNames(set uint64) string {
	var names []string
	for ; set != 0; set &= set - 1 {
		names = append(names, m.gears[bits.TrailingZeros64(set)].name)
	}
	return strings.Join(names, ", ")
}

// inCommon tells that the element slipped by itself, and about as much as the one
// that slipped most. One-way clutches hold without the pressure that others share.
func (w *weighing) inCommon(e int) bool {
	most := 0
	for o := range w.m.elements {
		most = max(most, w.alone(o))
	}
	return !w.m.oneWay[e] && w.alone(e) >= commonTicks && foremostTimes*w.alone(e) >= most
}

// element is the verdict on one element.
func (w *weighing) element(e int) Suspect {
	s := Suspect{Element: w.m.elements[e], Part: "element", Verdict: VerdictUndecided, Reasons: []string{}}
	var clean, dirty []string
	heldTicksTotal := 0
	for g := range w.m.gears {
		c := &w.v.carried[g][e]
		if w.m.gears[g].mask>>e&1 == 0 || c.ticks == 0 {
			continue
		}
		name := w.m.gears[g].name
		switch {
		case c.slipped >= int(shortEpisode/Tick):
			r := fmt.Sprintf("slipped in gear %s: %s of %s, up to %.0f rpm", name, duration(c.slipped), duration(c.ticks), c.peak)
			if known(c.sigma) {
				r += fmt.Sprintf(" ± %.0f", max(1, c.sigma))
			}
			if !math.IsInf(c.pedalMin, 1) {
				r += fmt.Sprintf(", from %.0f %% pedal on", c.pedalMin)
			}
			score := min(0.95, 0.5+float64(w.aloneIn(e, g))/200)
			if rivals := w.rivals(e, g); rivals != 0 && c.sure == 0 {
				r += "; or the " + w.m.elementNames(rivals, " or the ") + " did not take over in a shift"
				score = min(score, 0.45)
			}
			dirty = append(dirty, r)
			s.Score = max(s.Score, score)
		default:
			clean = append(clean, fmt.Sprintf("held in gear %s for %s", name, duration(c.ticks)))
			heldTicksTotal += c.pulling
		}
	}
	s.Reasons = append(s.Reasons, dirty...)
	if len(dirty) > 0 && !w.m.oneWay[e] { // which holds without pressure
		s.Reasons = append(s.Reasons, "measure the main pressure before anything is opened: where it is low, the element with the least reserve slips first")
	}
	if !w.slips(e) {
		s.Score = min(s.Score, 0.4) // a moment's slip is no verdict
	}

	w.shiftTrouble(e, &s)
	w.neverHeld(e, &s)
	w.engagements(e, &s)

	f, d := w.flares.applied[e], w.drags.released[e]
	if f.of > 0 && f.hits == 0 {
		clean = append(clean, fmt.Sprintf("came in time in %d of %d upshifts under power that apply it", f.of, f.of))
	}
	if d.of > 0 && d.hits == 0 {
		clean = append(clean, fmt.Sprintf("let go in time in %d of %d shifts that release it", d.of, d.of))
	}
	switch {
	case s.Score >= 0.5:
		s.Verdict = VerdictSuspect
	case s.Score < 0.2 && heldTicksTotal >= heldTicks && (w.m.oneWay[e] || f.of+d.of >= clearingShifts && (f.of > 0 || !w.takesOver(e))):
		s.Verdict = VerdictCleared
		if f.of == 0 && !w.m.oneWay[e] {
			s.Reasons = append(s.Reasons, "whether it comes in time no upshift under power tells")
		}
	default:
		s.Reasons = slices.Insert(s.Reasons, 0, w.settles(e, heldTicksTotal, f.of, d.of))
	}
	s.Score = round3(s.Score)
	s.Reasons = append(s.Reasons, clean...)
	if len(s.Reasons) > strongestReason {
		s.Reasons = s.Reasons[:strongestReason]
	}
	return s
}

// shiftTrouble holds flares and overlaps against the element that explains them
// best.
func (w *weighing) shiftTrouble(e int, s *Suspect) {
	for _, k := range []struct {
		t            *tally
		x            trial
		text, shifts string
		contrast     string
		prior        float64
	}{
		{&w.flares, w.flares.applied[e], "input speed flares", "upshifts under power", "comes late", 1},
		{&w.flares, w.flares.released[e], "input speed flares", "upshifts under power", "lets go early", lessUsual},
		{&w.drags, w.drags.released[e], "the shift is held up or brakes", "shifts", "lets go late", 1},
		{&w.drags, w.drags.applied[e], "the shift is held up or brakes", "shifts", "comes late", lessUsual},
	} {
		weight := k.prior * k.x.weight(k.t.bad)
		if k.x.hits < fewestShifts || weight < nearBest*k.t.best() || float64(k.x.hits) < agreeing*float64(k.x.of) {
			continue
		}
		role := "apply"
		if strings.HasPrefix(k.contrast, "lets go") {
			role = "release"
		}
		others := "no other"
		if n := k.t.bad - k.x.hits; n == 1 {
			others = "1 other"
		} else if n > 1 {
			others = fmt.Sprintf("%d others", n)
		}
		reason := fmt.Sprintf("%s in %d of %d %s that %s it, and in %s: it %s", k.text, k.x.hits, k.x.of, k.shifts, role, others, k.contrast)
		score := min(0.9, 0.3+float64(0.6*weight), 0.5+float64(0.1*float64(k.x.hits))) // few shifts are no certainty
		if rival := k.t.rival(w.m, e, weight); rival != "" {
			score = min(score, 0.45)
			reason += "; or " + rival
		}
		if score > s.Score {
			s.Score = score
			s.Reasons = slices.Insert(s.Reasons, 0, reason)
		} else {
			s.Reasons = append(s.Reasons, reason)
		}
	}
}

// rival names another element that explains a trouble about as well.
func (t *tally) rival(m *model, e int, weight float64) string {
	for o := range t.applied {
		switch {
		case o == e:
		case t.applied[o].hits >= fewestShifts && t.applyPrior*t.applied[o].weight(t.bad) >= nearBest*weight:
			return "the " + m.elements[o] + " comes late"
		case t.released[o].hits >= fewestShifts && t.releasePrior*t.released[o].weight(t.bad) >= nearBest*weight:
			return "the " + m.elements[o] + " lets go at the wrong time"
		}
	}
	return ""
}

// neverHeld holds shifts against an element whose ratio went past the new gear.
func (w *weighing) neverHeld(e int, s *Suspect) {
	hits, of := 0, 0
	for i := range w.v.shifts {
		r := &w.v.shifts[i]
		if applied := w.m.gears[r.to].mask &^ w.m.gears[r.from].mask; applied>>e&1 != 0 {
			of++
			if !r.held {
				hits++
			}
		}
	}
	if hits > 0 && w.slips(e) {
		s.Reasons = append(s.Reasons, fmt.Sprintf("did not hold at the end of %d of %d shifts that apply it", hits, of))
		s.Score = min(0.95, s.Score+0.1)
	}
}

// engagements holds late engagements at standstill against the elements of that
// gear that are not cleared by their shifts.
func (w *weighing) engagements(e int, s *Suspect) {
	for g := range w.m.gears {
		if w.m.gears[g].mask>>e&1 == 0 || w.m.oneWay[e] {
			continue
		}
		late, of := 0, 0
		seen := w.m.gears[g].mask // to have slipped whenever it was late
		for _, r := range w.v.engages {
			if r.gear == g {
				of++
				if r.late {
					late++
				}
				if r.slips != 0 {
					seen &= r.slips
				}
			}
		}
		if late == 0 || 2*late < of || seen>>e&1 == 0 || w.trusted(e) {
			continue
		}
		var rivals []string
		for _, o := range w.m.gears[g].carries {
			if o != e && !w.m.oneWay[o] && seen>>o&1 != 0 && !w.trusted(o) {
				rivals = append(rivals, w.m.elements[o])
			}
		}
		reason := fmt.Sprintf("gear %s engaged late or not at all in %d of %d tries", w.m.gears[g].name, late, of)
		score := 0.7
		if len(rivals) > 0 {
			reason += "; or it is the " + strings.Join(rivals, ", the ")
			score = 0.4
		}
		s.Reasons = append(s.Reasons, reason)
		s.Score = max(s.Score, score)
	}
}

// takesOver tells that there is an upshift in which the element takes the torque
// over from another that must let go.
func (w *weighing) takesOver(e int) bool {
	for to := 1; to < len(w.m.gears); to++ {
		from, next := &w.m.gears[to-1], &w.m.gears[to]
		if !from.reverse && !next.reverse && next.mask&^from.mask>>e&1 != 0 && !w.onlyOneWays(from.mask&^next.mask) {
			return true
		}
	}
	return false
}

// trusted tells that an element has come in time and held in other gears.
func (w *weighing) trusted(e int) bool {
	f := w.flares.applied[e]
	return f.of >= clearingShifts && f.hits == 0 && !w.slips(e)
}

// shows tells that the slip of an element follows from the sensors that were never
// silent.
func (w *weighing) shows(e int) bool {
	var have uint64
	for s := range w.m.sensors {
		if w.a.watch.silent[s] == 0 {
			have |= 1 << s
		}
	}
	est := w.m.estimator(0, have)
	return est != nil && est.DeterminedSlip()[e] && est.Determined()[w.m.train.Input]
}

// settles says which drive would settle the matter.
func (w *weighing) settles(e, held, applied, released int) string {
	var gears, shifts []string
	for g := range w.m.gears {
		if w.m.gears[g].mask>>e&1 == 0 {
			continue
		}
		gears = append(gears, w.m.gears[g].name)
	}
	for from := range w.m.gears {
		to := from + 1
		if to < len(w.m.gears) && !w.m.gears[to].reverse && !w.m.gears[from].reverse && (w.m.gears[to].mask^w.m.gears[from].mask)>>e&1 != 0 {
			shifts = append(shifts, w.m.gears[from].name+"-"+w.m.gears[to].name)
		}
	}
	var todo []string
	if held < heldTicks {
		pull := "pull for some seconds in gear " + strings.Join(gears, " or ")
		if held == 0 && !w.shows(e) {
			return "to settle it: the speed sensors that gave values do not tell whether it slips; with one more, or the silent one repaired, " + pull
		}
		todo = append(todo, pull)
	}
	if applied+released < clearingShifts && len(shifts) > 0 && !w.m.oneWay[e] {
		todo = append(todo, "repeat the shifts "+strings.Join(shifts, ", ")+" under power")
	}
	if len(todo) == 0 {
		return "to settle it: more of the same drive, at higher pedal"
	}
	return "to settle it: " + strings.Join(todo, "; ")
}

// foremost leaves of several elements that slip the one that slips most: what
// another drags along is no verdict on it.
func (w *weighing) foremost(list []Suspect) {
	most := 0
	for e := range list {
		if w.alone(e) > w.alone(most) {
			most = e
		}
	}
	for e := range list {
		if e != most && list[e].Verdict == VerdictSuspect && w.slips(e) && foremostTimes*w.alone(e) < w.alone(most) {
			list[e].Verdict, list[e].Score = VerdictUndecided, min(list[e].Score, 0.45)
			list[e].Reasons = append([]string{"slipped far less than the " + list[most].Element + ": settle that first, then look again"}, list[e].Reasons...)
		}
	}
}

// supply blames what several slipping elements have in common.
func (w *weighing) supply(list []Suspect) []Suspect {
	var names []string
	for e := range list {
		if w.inCommon(e) {
			names = append(names, list[e].Element)
			list[e].Verdict, list[e].Score = VerdictUndecided, min(list[e].Score, 0.45)
			list[e].Reasons = append([]string{"slips together with others that share nothing but their pressure"}, list[e].Reasons...)
		}
	}
	return append(list, Suspect{Element: "main pressure", Part: "supply", Score: 0.8, Verdict: VerdictSuspect, Reasons: []string{
		"several elements slip: " + strings.Join(names, ", ") + "; measure the main pressure before opening the gearbox",
	}})
}

// sensorSuspects are the shaft-speed sensors with something against them.
func (a *Analyzer) sensorSuspects() []Suspect {
	var out []Suspect
	for s := range a.model.sensors {
		w := &a.watch
		x := Suspect{Element: a.model.sensors[s].name, Part: "sensor", Verdict: VerdictUndecided, Reasons: []string{}}
		switch {
		case w.wrong>>s&1 != 0:
			word := "low"
			if w.factor[s] > 1 {
				word = "high"
			}
			seen := ""
			if gears := a.evidence.scaling(a.model, s).gears; gears != 0 {
				seen = " (" + a.model.gearNames(gears) + ")"
			}
			x.Score, x.Verdict = 0.9, VerdictSuspect
			x.Reasons = append(x.Reasons, fmt.Sprintf("reads %.1f %% too %s in each gear seen%s, whatever the torque: no element slips like that", 100*math.Abs(w.factor[s]-1), word, seen))
		case w.zeros[s] > 0 && w.shown[s] >= doubtTicks:
			x.Score = 0.6 + float64(0.1*min(3, float64(w.zeros[s])))
			x.Verdict = VerdictSuspect
			x.Reasons = append(x.Reasons, "read 0 while its shaft must turn, "+times(w.zeros[s]))
		case w.zeros[s] > 0:
			x.Score = 0.45
			x.Reasons = append(x.Reasons, fmt.Sprintf("undecided: fell to 0 faster than shafts usually stop, %s, or something that slips let its shaft go; steady driving in gears in which it turns tells", times(w.zeros[s])))
		case w.silent[s] > 0:
			x.Score, x.Verdict = 0.7, VerdictSuspect
			x.Reasons = append(x.Reasons, "gave no value while other sensors did")
		default:
			y := a.evidence.scaling(a.model, s)
			if y.gears == 0 || y.clash || w.wrong != 0 || len(a.model.sensors) < 3 {
				continue
			}
			x.Score = 0.45
			x.Reasons = append(x.Reasons, fmt.Sprintf("undecided: reads %.1f %% wrong in gear %s, or an element that carries there slips by always the same part; steady driving in the other gears tells", 100*math.Abs(y.factor-1), a.model.gearNames(y.gears)))
		}
		out = append(out, x)
	}
	return out
}

// switchSuspects are the pressure switches with something against them.
func (a *Analyzer) switchSuspects() []Suspect {
	var out []Suspect
	for i := range a.switches.list {
		w := &a.switches.list[i]
		text, holds := w.finding()
		if text == "" {
			continue
		}
		x := Suspect{Element: w.signal, Part: "switch", Score: 0.8, Verdict: VerdictSuspect, Reasons: []string{text}}
		name := a.model.elements[w.element]
		switch {
		case text == "never opens":
			x.Reasons[0] += ", also in gears in which the " + name + " carries nothing and would tie up the gearbox"
		case holds:
			x.Reasons[0] += ", although the " + name + " holds"
		default:
			x.Score, x.Verdict = 0.45, VerdictUndecided
			x.Reasons[0] += fmt.Sprintf(": it, or the pressure of the %s", name)
		}
		out = append(out, x)
	}
	return out
}

// times writes how often something happened.
func times(n int) string {
	if n == 1 {
		return "once"
	}
	return fmt.Sprintf("%d times", n)
}

// duration writes ticks as seconds for people.
func duration(ticks int) string {
	s := float64(ticks) * float64(Tick) / 1e9
	if s < 10 {
		return fmt.Sprintf("%.1f s", s)
	}
	return fmt.Sprintf("%.0f s", s)
}
