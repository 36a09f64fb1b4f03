// Package report makes the printable account of a session: one self-contained
// HTML file, without scripts and without anything from the network, in neutral
// words for the customer and for an assessor. What was measured, against which
// limit and by whose word the limit holds; what was lost or could not be
// tested; and how to check all of it without this program.
//
// A report is a function of the recording, the vehicle file and the session's
// papers alone: made again, it comes out the same, byte for byte.
//
//	b, err := report.NewBuilder(file, chain.Table())
//	b.Take(&out) // for every step of the pipeline
//	err = b.Finish(chain.Counters(), papers).Write(w)
package report

import (
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"strings"

	"gearwitness/capture"
	"gearwitness/capture/archive"
	"gearwitness/decode"
	"gearwitness/decode/alarm"
	"gearwitness/decode/compare"
	"gearwitness/decode/drivetrain"
	"gearwitness/decode/procedure"
	"gearwitness/decode/readings"
	"gearwitness/signals"
	"gearwitness/signals/unit"
)

// Papers is what a report says about a session beside what was measured.
type Papers struct {
	Name     string // of the session's folder
	Meta     archive.Meta
	Software string // program and version that made the report
	Vehicle  string // title of the vehicle file
	Files    []File // of the recording
	Seal     *Seal  // nil: not sealed, or the report is part of what is being sealed
	Damage   []string
	Journal  []archive.Entry
	// Redact leaves out the vehicle identification number and positions; the
	// report says so.
	Redact bool
}

// File is one file of the recording and its digest.
type File struct {
	Name   string // inside the session's folder
	Bytes  int64
	SHA256 string // hexadecimal
}

// Seal is the seal of a session.
type Seal struct {
	Digest string // SHA-256 of the tag manifest, hexadecimal
	Signer string // fingerprint of the key; empty: unsigned
}

// Verdict of a check.
type Verdict string

// Verdicts.
const (
	Within    Verdict = "within the limit"
	Beyond    Verdict = "beyond the limit"
	NotTested Verdict = "not tested"
	Info      Verdict = "for information"
)

// Check is one line of the result.
type Check struct {
	Name     string  `json:"name"`
	Measured string  `json:"measured"`
	Limit    string  `json:"limit"`
	Source   string  `json:"source"` // by whose word the limit holds
	Verdict  Verdict `json:"verdict"`
}

// Bounds of what a report lists; the rest is counted.
const (
	maxListed = 400
	maxCurves = 60
	maxSets   = 12
	maxVINs   = 16
)

// happened is something at a time, in words.
type happened struct {
	at   capture.Stamp
	text string
}

// list keeps the first entries and counts all.
type list struct {
	entries []happened
	count   int
}

func (l *list) add(at capture.Stamp, format string, args ...any) {
	if l.count++; len(l.entries) < maxListed {
		l.entries = append(l.entries, happened{at, fmt.Sprintf(format, args...)})
	}
}

// Builder gathers what a report needs, in bounded memory. It belongs to one
// goroutine.
type Builder struct {
	file      *signals.File
	table     *decode.Table
	collector *compare.Collector
	roles     []role    // by signal
	units     []measure // by signal
	vins      []decode.VIN

	begun       bool
	first, last capture.Stamp
	lastFrame   capture.Stamp
	gaps        list
	longestGap  capture.Stamp

	gearAt    capture.Stamp // of the last sample of the gear
	gear      float64
	gears     map[float64]*gearTime
	between   bool
	speed     quantityTrace // km/h
	distance  float64       // km
	speedAt   capture.Stamp
	gearStrip strip

	pan, outlet, coolant, difference quantityTrace // °C, °C, °C, K

	engagements []drivetrain.EngagementEvent
	locks       locks
	alarms      []alarmTally // in the file's order
	alarmLog    list
	marks       list
	parts       list // sensors, switches
	missed      list
	unasked     int // of missed: shifts that came though none was commanded
	notes       list
	suspects    []drivetrain.Suspect
	oil         *drivetrain.OilEvent
	shudders    list
	faults      list
	codes       map[string][]string // by unit and memory: what it told last
	stalls      []drivetrain.StallEvent

	procedures     []procedureRun
	procedureCount int
	underWay       *procedureRun // of procedures; nil: none
}

type role uint8

const (
	noRole role = iota
	roleGear
	roleRatio
	roleSpeed
	rolePan
	roleOutlet
	roleCoolant
	roleDifference
)

// measure converts a signal to the unit of the report.
type measure struct{ factor, offset float64 }

// gearTime is what is known of one gear.
type gearTime struct {
	ticks     int
	deviation [2*halfBins + 1]int32 // ticks by deviation of the ratio
	measured  int                   // ticks in deviation
}

// Deviations of a ratio from the computed one are counted in steps of 0.01 %, to
// 5 % either way.
const (
	halfBins = 500
	allSteps = 10_000 // of the whole ratio
)

type locks struct {
	locked, open int
	droppedOut   int // opened although it was asked to hold
	since        capture.Stamp
	is           bool
	total        capture.Stamp
}

type alarmTally struct {
	raised  int
	total   capture.Stamp
	blind   int
	since   capture.Stamp
	ongoing bool
}

// NewBuilder returns a builder for the samples and events of a vehicle file.
func NewBuilder(f *signals.File, t *decode.Table) (*Builder, error) {
	c, err := compare.NewCollector(f, t)
	if err != nil {
		return nil, err
	}
	b := &Builder{file: f, table: t, collector: c, roles: make([]role, len(t.Signals)), units: make([]measure, len(t.Signals)),
		gears: map[float64]*gearTime{}, codes: map[string][]string{}, alarms: make([]alarmTally, len(f.Alarms)),
		procedures: make([]procedureRun, 0, maxListed)}
	give := func(name string, r role, to unit.Unit) {
		i := t.Index(name)
		if name == "" || i < 0 {
			return
		}
		b.roles[i], b.units[i] = r, measure{factor: 1}
		from := t.Signals[i].Unit
		if to == "" || from == "" || from == to {
			return
		}
		zero, err0 := unit.Convert(0, from, to)
		one, err1 := unit.Convert(1, from, to)
		if err0 != nil || err1 != nil {
			b.roles[i] = noRole // a signal of another kind in that role: nothing to draw
			return
		}
		b.units[i] = measure{one - zero, zero}
	}
	give(drivetrain.SignalGear, roleGear, "")
	give(drivetrain.SignalRatio, roleRatio, "")
	give(drivetrain.SignalOilDifference, roleDifference, "K")
	if tr := f.Transmission; tr != nil {
		give(tr.Roles.VehicleSpeed, roleSpeed, "km/h")
		give(tr.Roles.OilPan, rolePan, "°C")
		give(tr.Roles.OilOutlet, roleOutlet, "°C")
		give(tr.Roles.Coolant, roleCoolant, "°C")
	}
	return b, nil
}

// pause is how long nothing at all may come before the report calls it a gap.
const pause = capture.Stamp(1e9)

// Take takes in what one step of the pipeline gave out.
func (b *Builder) Take(out *decode.Output) {
	for i := range out.Samples {
		b.sample(&out.Samples[i])
	}
	for _, e := range out.Events {
		b.event(e)
	}
	b.collector.Take(out)
}

func (b *Builder) sample(s *decode.Sample) {
	if !b.begun {
		b.begun, b.first, b.lastFrame = true, s.Time, s.Time
		for _, t := range []*quantityTrace{&b.speed, &b.pan, &b.outlet, &b.coolant, &b.difference} {
			t.origin = s.Time
		}
		b.gearStrip.origin = s.Time
	}
	b.last = max(b.last, s.Time)
	if b.table.Signals[s.Signal].Origin != decode.FromAnalysis {
		if gap := s.Time - b.lastFrame; gap > pause {
			b.longestGap = max(b.longestGap, gap)
			b.gaps.add(b.lastFrame, "nothing came for %s", length(gap))
		}
		b.lastFrame = max(b.lastFrame, s.Time)
	}
	r := b.roles[s.Signal]
	if r == noRole {
		return
	}
	if s.Status != decode.Valid {
		if r == roleGear {
			b.gearAt = math.MinInt64
			b.between = false
		}
		return
	}
	v := float64(s.Value*b.units[s.Signal].factor) + b.units[s.Signal].offset
	switch r {
	case roleGear:
		b.inGear(s.Time, v)
	case roleRatio:
		b.ratio(s.Time, v)
	case roleSpeed:
		if dt := s.Time - b.speedAt; b.speed.n > 0 && dt > 0 && dt < pause {
			b.distance += v * float64(dt) / 3600e9
		}
		b.speedAt = s.Time
		b.speed.add(s.Time, v)
	case rolePan:
		b.pan.add(s.Time, v)
	case roleOutlet:
		b.outlet.add(s.Time, v)
	case roleCoolant:
		b.coolant.add(s.Time, v)
	case roleDifference:
		b.difference.add(s.Time, v)
	}
}

func (b *Builder) inGear(at capture.Stamp, v float64) {
	b.gear, b.gearAt = v, at
	name := b.gearName(v)
	b.gearStrip.add(at, name)
	b.between = name == "between"
	if name == "" || name == "between" || name == "standing" {
		return
	}
	g := b.gears[v]
	if g == nil {
		if len(b.gears) >= 64 {
			return
		}
		g = new(gearTime)
		b.gears[v] = g
	}
	g.ticks++
}

func (b *Builder) gearName(v float64) string {
	for _, s := range b.table.Signals[b.table.Index(drivetrain.SignalGear)].States {
		if float64(s.V) == v {
			return s.Name
		}
	}
	return ""
}

func (b *Builder) ratio(at capture.Stamp, v float64) {
	g := b.gears[b.gear]
	if g == nil || b.gearAt != at {
		return
	}
	nominal, ok := b.nominal(b.gearName(b.gear))
	if !ok {
		return
	}
	d := math.Round((v/nominal - 1) * allSteps)
	g.deviation[int(min(max(d, -halfBins), halfBins))+halfBins]++
	g.measured++
}

func (b *Builder) nominal(gear string) (float64, bool) {
	for _, g := range b.collector.Gears() {
		if g.Name == gear {
			return g.Ratio, g.Ratio != 0
		}
	}
	return 0, false
}

// median of the deviation, as a share.
func (g *gearTime) median() float64 {
	n := 0
	for i, c := range g.deviation {
		if n += int(c); 2*n >= g.measured {
			return float64(i-halfBins) / allSteps // 0.03 is 0.03, as in the limit
		}
	}
	return 0
}

func (b *Builder) event(e decode.Event) {
	switch f := e.Fields.(type) {
	case drivetrain.EngagementEvent:
		if len(b.engagements) < maxListed {
			b.engagements = append(b.engagements, f)
		}
	case drivetrain.ConverterEvent:
		b.converter(e.Time, f)
	case drivetrain.ShudderEvent:
		b.shudders.add(e.Time, "The converter clutch shuddered: %.0f rpm at %.0f Hz%s", f.Amplitude, f.Frequency, inGear(f.Gear))
	case drivetrain.StallEvent:
		if len(b.stalls) < maxListed {
			b.stalls = append(b.stalls, f)
		}
	case drivetrain.OilEvent:
		b.oil = &f
	case procedure.Change:
		b.procedureChange(e.Time, f)
	case procedure.Progress:
		b.procedureStep(e.Time, f)
	case decode.VIN:
		if len(b.vins) < maxVINs && !slices.Contains(b.vins, f) {
			b.vins = append(b.vins, f)
		}
	case decode.Faults:
		what := "none"
		if len(f.Codes) > 0 {
			what = strings.Join(f.Codes, ", ")
		}
		if len(f.Lamps) > 0 {
			what += "; lamps on: " + strings.Join(f.Lamps, ", ")
		}
		b.faults.add(e.Time, "%s, %s, %s: %s", f.Channel, f.Unit, f.Memory, what)
		if key := f.Channel + ", " + f.Unit + ", " + f.Memory; len(b.codes) < maxListed || b.codes[key] != nil {
			b.codes[key] = f.Codes
		}
	case decode.Refused:
		b.notes.add(e.Time, "%s, %s does not answer service %s: %s", f.Channel, f.Unit, f.Service, f.Reason)
	case drivetrain.LeverEvent:
		lever := ""
		if f.Lever != "" {
			lever = " in " + f.Lever
		}
		b.parts.add(e.Time, "Lever contacts%s: %s", lever, f.Finding)
	case alarm.Change:
		b.alarm(e.Time, f)
	case drivetrain.SensorEvent:
		b.parts.add(e.Time, "Speed sensor %s: %s%s", f.Signal, f.Finding, bridged(f.Bridged))
	case drivetrain.SwitchEvent:
		holds := ""
		if f.Holds {
			holds = "; the element holds all the same"
		}
		b.parts.add(e.Time, "Pressure switch %s of the %s: %s, noticed in gear %s%s", f.Signal, f.Element, f.Finding, f.Gear, holds)
	case drivetrain.MissedEvent:
		left := ""
		if f.Left {
			left = "; the old gear was left all the same"
		}
		did := "did not come"
		if f.Came != nil {
			did, left = "came late or by slip", ""
		}
		b.missed.add(e.Time, "%s-%s was commanded and %s%s", f.From, f.To, did, left)
	case drivetrain.ShiftEvent:
		if e.Kind == drivetrain.KindUncommanded {
			b.unasked++
			b.missed.add(e.Time, "%s-%s came though it was not commanded", f.From, f.To)
		}
	case drivetrain.ShiftGroupEvent: // the report groups its shifts itself
	case drivetrain.RelearnEvent:
		b.notes.add(e.Time, "Upshift sequences of a relearn drive (pedal %g to %g %%, oil above %g °C): %d, usually at least %d", f.Pedal[0], f.Pedal[1], f.Oil, f.Sequences, f.Needed)
	case drivetrain.UnfinishedEvent:
		b.notes.add(e.Time, "Gear %s was left: %s", f.From, f.Why)
	case drivetrain.Suspect:
		b.suspects = append(b.suspects, f)
	default:
		switch e.Kind {
		case decode.KindMark:
			b.marks.add(e.Time, "%s", words(e.Fields, "text"))
		case decode.KindNote:
			b.notes.add(e.Time, "%s", words(e.Fields, "text"))
		case decode.KindShift, decode.KindStale, decode.KindLoss:
		default:
			b.notes.add(e.Time, "%s: %s", e.Kind, words(e.Fields, ""))
		}
	}
}

func inGear(gear string) string {
	if gear == "" {
		return ""
	}
	return " in gear " + gear
}

func bridged(b bool) string {
	if b {
		return "; the other sensors showed the gear all the same"
	}
	return ""
}

func (b *Builder) converter(at capture.Stamp, e drivetrain.ConverterEvent) {
	l := &b.locks
	if e.State == "locked" {
		l.locked++
		l.is, l.since = true, at
		return
	}
	l.open++
	if e.Commanded == "applied" {
		l.droppedOut++
		b.notes.add(at, "The converter clutch let go while it was commanded to hold")
	}
	if l.is {
		l.total += at - l.since
	}
	l.is = false
}

func (b *Builder) alarm(at capture.Stamp, c alarm.Change) {
	i := b.file.Alarms.Index(c.Alarm)
	if i < 0 {
		return
	}
	t := &b.alarms[i]
	switch c.State {
	case "raised":
		t.raised++
		t.ongoing, t.since = true, at
	case "cleared":
		if t.ongoing {
			t.total += at - t.since
		}
		t.ongoing = false
	case "no data":
		t.blind++
	}
	missing := ""
	if len(c.Missing) > 0 {
		missing = " (no value: " + strings.Join(c.Missing, ", ") + ")"
	}
	b.alarmLog.add(at, "%s, %s: %s%s", c.Alarm, c.Level, c.State, missing)
}

// words renders the fields of an event that this package has no type for: one
// member, or all of them.
func words(fields any, member string) string {
	text, err := json.Marshal(fields)
	if err != nil {
		return ""
	}
	return flatten(text, member)
}

// flatten renders a JSON object in one line.
func flatten(text []byte, member string) string {
	d := json.NewDecoder(strings.NewReader(string(text)))
	d.UseNumber()
	if t, err := d.Token(); err != nil || t != json.Delim('{') {
		return ""
	}
	var parts []string
	for d.More() {
		key, err := d.Token()
		if err != nil {
			break
		}
		var v any
		if d.Decode(&v) != nil {
			break
		}
		if key == "time_s" || key == "kind" || v == nil || v == "" {
			continue
		}
		value := fmt.Sprint(v)
		if nested, ok := v.(map[string]any); ok {
			line, _ := json.Marshal(nested) // keys sorted
			value = string(line)
		}
		if key == member {
			return value
		}
		parts = append(parts, fmt.Sprintf("%s: %s", key, value))
	}
	if member != "" {
		return ""
	}
	return strings.Join(parts, "; ")
}

// length renders a duration for people.
func length(d capture.Stamp) string {
	switch s := float64(d) / 1e9; {
	case s < 10:
		return fmt.Sprintf("%.2g s", s)
	case s < 100:
		return fmt.Sprintf("%.0f s", s)
	case s < 3600:
		return fmt.Sprintf("%d min %02d s", int(s)/60, int(s)%60)
	default:
		return fmt.Sprintf("%d h %02d min", int(s)/3600, int(s)%3600/60)
	}
}

// Report is a finished account.
type Report struct {
	papers   Papers
	b        *Builder
	counters decode.Counters
	record   *compare.Record
	sets     []compare.Set
	checks   []Check
	readings []readings.Entry // the oldest first
}

// Finish ends the gathering and judges.
func (b *Builder) Finish(c decode.Counters, p Papers) *Report {
	for i := range b.alarms {
		if t := &b.alarms[i]; t.ongoing {
			t.total += b.last - t.since
			t.ongoing = false
		}
	}
	if b.locks.is {
		b.locks.total += b.last - b.locks.since
		b.locks.is = false
	}
	r := &Report{papers: p, b: b, counters: c, readings: journalReadings(&p)}
	for _, e := range r.readings {
		b.collector.Reading(e)
	}
	r.record = b.collector.Finish()
	r.sets = compare.Sets(r.record.Shifts)
	r.judge()
	return r
}

// Record returns the shifts of the session.
func (r *Report) Record() *compare.Record { return r.record }

// Checks returns the lines of the result.
func (r *Report) Checks() []Check { return r.checks }
