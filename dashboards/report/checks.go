package report

import (
	"fmt"
	"maps"
	"math"
	"slices"
	"strconv"
	"strings"

	"gearwitness/capture"
	"gearwitness/decode/drivetrain"
	"gearwitness/signals"
)

// Limits that hold where the vehicle file gives none: common practice, no
// source.
const (
	usualFlareRPM   = 150
	ratioShare      = 0.03
	fewestGearTicks = 300 // 3 s in a gear before its ratio is judged
	engageLimit     = capture.Stamp(1.5e9)
	panLimit        = 120 // °C: ease off
)

const (
	practice  = "common practice"
	ofVehicle = "vehicle file"
	ofMaking  = "self-evident"
)

// judge makes the lines of the result.
func (r *Report) judge() {
	r.judgeGears()
	r.judgeShifts()
	r.judgeEngagements()
	r.judgeConverter()
	r.judgeParts()
	r.judgeOil()
	r.judgeAlarms()
	r.judgeProcedures()
	r.judgeCodes()
	r.judgeRecording()
}

// judgeCodes says which trouble codes stood last; what they mean for the gearbox
// is not for this program to say.
func (r *Report) judgeCodes() {
	if len(r.b.codes) == 0 {
		return
	}
	var told []string
	for _, k := range slices.Sorted(maps.Keys(r.b.codes)) {
		if c := r.b.codes[k]; len(c) > 0 {
			told = append(told, k+": "+strings.Join(c, ", "))
		}
	}
	c := Check{Name: "Trouble codes of control units", Measured: "none", Verdict: Info}
	if told != nil {
		c.Measured = strings.Join(told, "; ")
	}
	r.add(c)
}

func (r *Report) add(c Check) { r.checks = append(r.checks, c) }

func verdict(within bool) Verdict {
	if within {
		return Within
	}
	return Beyond
}

// judgeGears compares the ratio of each gear with the computed one.
func (r *Report) judgeGears() {
	i := r.b.table.Index(drivetrain.SignalGear)
	if i < 0 {
		return
	}
	for _, g := range r.record.Gears {
		k := r.b.table.Signals[i].States.Index(g.Name)
		if k < 0 {
			continue
		}
		c := Check{Name: "Ratio of gear " + g.Name, Limit: fmt.Sprintf("%.3f ± %g %%", math.Abs(g.Ratio), 100*ratioShare), Source: practice}
		seen := r.b.gears[float64(r.b.table.Signals[i].States[k].V)]
		switch {
		case seen == nil:
			c.Measured, c.Verdict = "not driven", NotTested
		case seen.measured < fewestGearTicks:
			c.Measured, c.Verdict = fmt.Sprintf("%s only", length(capture.Stamp(seen.ticks)*drivetrain.Tick)), NotTested
		default:
			d := seen.median()
			c.Measured = fmt.Sprintf("%.3f (%s %%), %s", math.Abs(g.Ratio)*(1+d), signed(100*d, 2), length(capture.Stamp(seen.ticks)*drivetrain.Tick))
			c.Verdict = verdict(math.Abs(d) <= ratioShare)
		}
		r.add(c)
	}
}

// signed writes a figure with its sign; a zero has none.
func signed(v float64, digits int) string {
	s := fmt.Sprintf("%+.*f", digits, v)
	if strings.Trim(s, "+-0.") == "" {
		return s[1:]
	}
	return strings.Replace(s, "-", "−", 1)
}

// above tells that a figure is beyond its limit; what the conversion of a unit leaves
// over, a billionth, is not.
func above(v, limit float64) bool { return v > limit+float64(1e-9*math.Abs(limit)) }

// beside writes a figure, with more digits than asked for where it would read as
// within a limit that it is above.
func beside(v, limit float64, digits int) string {
	s := fmt.Sprintf("%.*f", digits, v)
	for ; digits < 6 && above(v, limit); digits++ {
		if shown, err := strconv.ParseFloat(s, 64); err != nil || above(shown, limit) {
			break
		}
		s = fmt.Sprintf("%.*f", digits+1, v)
	}
	return s
}

func (r *Report) judgeShifts() {
	if r.b.file.Transmission == nil || len(r.record.Gears) == 0 {
		return
	}
	n := len(r.record.Shifts)
	if n == 0 && r.b.missed.count == 0 {
		r.add(Check{Name: "Shifts", Measured: "none", Verdict: NotTested})
		return
	}
	commanded, uncommanded, unsettled := r.b.missed.count > 0, r.b.unasked, 0
	missed := r.b.missed.count - r.b.unasked
	limit, source := r.b.file.Transmission.Limits.FlareRPM, ofVehicle
	if limit == 0 {
		limit, source = usualFlareRPM, practice
	}
	worst, worstOf, ups := math.Inf(-1), "", 0
	bind, bindOf := math.Inf(-1), ""
	for i := range r.record.Shifts {
		s := &r.record.Shifts[i]
		commanded = commanded || s.Command != nil
		if s.Uncommanded {
			uncommanded++
		}
		if !s.Settled || !s.Held {
			unsettled++
		}
		if s.Flare != nil {
			ups++
			if *s.Flare > worst {
				worst, worstOf = *s.Flare, s.From+"-"+s.To+" at "+r.clock(s.At())
			}
		}
		if s.BindUp != nil && *s.BindUp > bind {
			bind, bindOf = *s.BindUp, s.From+"-"+s.To+" at "+r.clock(s.At())
		}
	}
	if commanded {
		r.add(Check{Name: "Every commanded shift comes", Measured: fmt.Sprintf("%d of %d did not come as a shift", missed, n+missed), Limit: "0", Source: ofMaking, Verdict: verdict(missed == 0)})
		r.add(Check{Name: "No shift without a command", Measured: fmt.Sprintf("%d of %d", uncommanded, n+r.b.unasked), Limit: "0", Source: ofMaking, Verdict: verdict(uncommanded == 0)})
	}
	if n == 0 {
		return
	}
	r.add(Check{Name: "Every shift reaches its gear and stays", Measured: fmt.Sprintf("%d of %d did not", unsettled, n), Limit: "0", Source: ofMaking, Verdict: verdict(unsettled == 0)})
	if ups > 0 {
		r.add(Check{Name: "Flare of upshifts", Measured: fmt.Sprintf("up to %s rpm (%s)", beside(worst, limit, 0), worstOf), Limit: fmt.Sprintf("%g rpm", limit), Source: source, Verdict: verdict(!above(worst, limit))})
	}
	if bindOf != "" {
		r.add(Check{Name: "Dip of acceleration in shifts", Measured: fmt.Sprintf("up to %.2f m/s² (%s)", bind, bindOf), Verdict: Info})
	}
}

func (r *Report) judgeEngagements() {
	c := Check{Name: "Engagement from standstill", Limit: length(engageLimit), Source: practice}
	if len(r.b.engagements) == 0 {
		if r.b.file.Transmission != nil && r.b.file.Transmission.Roles.Lever != "" {
			c.Measured, c.Verdict = "none", NotTested
			r.add(c)
		}
		return
	}
	longest, of, failed := capture.Stamp(-1), "", 0
	for _, e := range r.b.engagements {
		if !e.Engaged || e.Duration == nil {
			failed++
			continue
		}
		if d := capture.Stamp(*e.Duration); d > longest {
			longest, of = d, e.From+" to "+e.To
		}
	}
	c.Measured = fmt.Sprintf("%d, the longest %s s (%s)", len(r.b.engagements), beside(longest.Seconds(), engageLimit.Seconds(), 2), of)
	if longest < 0 {
		c.Measured = fmt.Sprint(len(r.b.engagements))
	}
	if failed > 0 {
		c.Measured += fmt.Sprintf("; %d did not engage", failed)
	}
	c.Verdict = verdict(failed == 0 && longest <= engageLimit)
	r.add(c)
}

func (r *Report) judgeConverter() {
	i := r.b.table.Index(drivetrain.SignalConverterSlip)
	if i < 0 {
		return
	}
	l := &r.b.locks
	c := Check{Name: "Converter clutch holds while commanded", Limit: "lets go 0 times", Source: ofMaking}
	switch {
	case l.locked == 0:
		c.Measured, c.Verdict = "never locked", NotTested
	case r.b.file.Transmission.Roles.Lockup == "":
		c.Measured, c.Limit, c.Source, c.Verdict = fmt.Sprintf("locked %s, %s in all", times(l.locked), length(l.total)), "", "", Info
	default:
		c.Measured = fmt.Sprintf("locked %s, %s in all; let go %s", times(l.locked), length(l.total), times(l.droppedOut))
		c.Verdict = verdict(l.droppedOut == 0)
	}
	r.add(c)
	if l.locked > 0 {
		r.add(Check{Name: "Converter clutch does not shudder", Measured: times(r.b.shudders.count), Limit: "0 times", Source: practice, Verdict: verdict(r.b.shudders.count == 0)})
	}
	for _, s := range r.b.stalls {
		r.add(stall(s))
	}
}

// stall is the line of one stall test.
func stall(s drivetrain.StallEvent) Check {
	c := Check{Name: "Stall speed", Measured: fmt.Sprintf("%.0f rpm", s.EngineSpeed), Verdict: Info}
	if s.Lever != "" {
		c.Name += " in " + s.Lever
	}
	if s.Stated > 0 {
		c.Measured += ", " + s.Finding
		c.Limit, c.Source, c.Verdict = fmt.Sprintf("about %.0f rpm", s.Stated), ofVehicle, verdict(s.Finding == "as stated")
	}
	if s.TooLong {
		c.Measured += "; held too long"
	}
	if s.TooSoon {
		c.Measured += "; too soon after the last"
	}
	if s.Moved {
		c.Measured, c.Verdict = c.Measured+"; the vehicle moved, so this figure does not count", NotTested
	}
	return c
}

func times(n int) string {
	switch n {
	case 0:
		return "never"
	case 1:
		return "once"
	case 2:
		return "twice"
	}
	return fmt.Sprintf("%d times", n)
}

// judgeParts says what the evidence says of elements, sensors and switches.
func (r *Report) judgeParts() {
	if len(r.b.suspects) == 0 {
		return
	}
	var suspect []string
	cleared, undecided := 0, 0
	for _, s := range r.b.suspects {
		switch s.Verdict {
		case drivetrain.VerdictSuspect:
			suspect = append(suspect, s.Element)
		case drivetrain.VerdictCleared:
			cleared++
		default:
			undecided++
		}
	}
	c := Check{Name: "Clutches, brakes, sensors and switches", Limit: "no evidence against any", Source: ofMaking, Verdict: verdict(len(suspect) == 0)}
	if len(suspect) > 0 {
		c.Measured = "evidence against: " + strings.Join(suspect, ", ")
	} else {
		c.Measured = fmt.Sprintf("%d found to work, evidence against none", cleared)
		if cleared == 0 {
			c.Verdict = NotTested
		}
	}
	if undecided > 0 {
		c.Measured += fmt.Sprintf("; %d undecided", undecided)
	}
	r.add(c)
}

func (r *Report) judgeOil() {
	if t := &r.b.pan; t.n > 0 {
		measured := fmt.Sprintf("%.0f to %s °C", t.min, beside(t.max, panLimit, 0))
		if o := r.b.oil; o != nil && o.Above110 > 0 {
			measured += ", above 110 °C for " + length(capture.Stamp(o.Above110))
		}
		r.add(Check{Name: "Oil in the pan", Measured: measured, Limit: fmt.Sprintf("%d °C", panLimit), Source: practice, Verdict: verdict(!above(t.max, panLimit))})
	}
	if t := &r.b.outlet; t.n > 0 {
		r.add(Check{Name: "Oil at the converter outlet", Measured: fmt.Sprintf("%.0f to %.0f °C", t.min, t.max), Verdict: Info})
	}
	if t := &r.b.difference; t.n > 0 {
		measured := fmt.Sprintf("%s to %s K, mean %s K", signed(t.min, 0), signed(t.max, 0), signed(t.sum/float64(t.n), 1))
		if o := r.b.oil; o != nil && o.LockupFirst != nil && o.LockupLast != nil {
			measured += fmt.Sprintf("; in steady lock-up %s K early and %s K late", signed(*o.LockupFirst, 1), signed(*o.LockupLast, 1))
		}
		r.add(Check{Name: "Oil temperature, outlet minus pan", Measured: measured, Verdict: Info})
	}
}

func (r *Report) judgeAlarms() {
	for i, a := range r.b.file.Alarms {
		t := &r.b.alarms[i]
		c := Check{Name: "Alarm " + a.Name, Limit: "never " + a.V.When, Source: ofVehicle, Verdict: Within, Measured: "not raised"}
		if a.V.For > 0 {
			c.Limit += " for " + length(capture.Stamp(a.V.For))
		}
		if t.raised > 0 {
			c.Measured = fmt.Sprintf("raised %s, %s in all", times(t.raised), length(t.total))
			c.Verdict = Beyond
			if a.V.Level == signals.LevelNote {
				c.Verdict = Info
			}
		}
		if t.blind > 0 {
			c.Measured += fmt.Sprintf("; could not be judged %s for want of a value", times(t.blind))
		}
		r.add(c)
	}
}

// judgeRecording says how complete the evidence is.
func (r *Report) judgeRecording() {
	var got, lost, broken uint64
	uncounted := false // some were lost, and nobody knows how many
	for _, ch := range r.counters.Channels {
		got += ch.Frames + ch.Lines
		for _, l := range ch.Lost {
			lost += l.Count
			uncounted = uncounted || l.Count == 0
		}
		broken += ch.BadLines
	}
	for _, f := range r.counters.Frames {
		broken += f.Short + f.Checksum + f.Repeated
		lost += f.Missed
	}
	broken += r.counters.TooLate + r.counters.Timeless
	missing := grouped(lost) + " lost"
	if uncounted {
		missing += " and more that nobody counted"
	}
	r.add(Check{Name: "Recording complete", Measured: fmt.Sprintf("%s frames; %s, %s unusable, %s over 1 s", grouped(got), missing, grouped(broken), counted(r.b.gaps.count, "gap")),
		Limit: "none lost", Source: ofMaking,
		Verdict: verdict(lost == 0 && !uncounted && broken == 0 && r.b.gaps.count == 0 && len(r.papers.Damage) == 0 && got > 0)})
}

// counted writes how many there are of something: 0 gaps, 1 gap, 2 gaps.
func counted(n int, what string) string {
	if n != 1 {
		what += "s"
	}
	return fmt.Sprintf("%d %s", n, what)
}

// grouped writes a count with commas between thousands.
func grouped(n uint64) string {
	s := fmt.Sprint(n)
	for i := len(s) - 3; i > 0; i -= 3 {
		s = s[:i] + "," + s[i:]
	}
	return s
}
