package report

import (
	_ "embed"
	"encoding/json"
	"fmt"
	"html/template"
	"io"
	"math"
	"slices"
	"strings"
	"time"

	"gearwitness/capture"
	"gearwitness/capture/archive"
	"gearwitness/decode"
	"gearwitness/decode/compare"
	"gearwitness/decode/compare/stats"
	"gearwitness/decode/drivetrain"
)

//go:embed report.html
var page string

var tmpl = template.Must(template.New("report").Funcs(template.FuncMap{
	"mark": func(v Verdict) string {
		switch v {
		case Within:
			return "✓"
		case Beyond:
			return "✕"
		case NotTested:
			return "–"
		}
		return "i"
	},
	"class": func(v Verdict) string {
		switch v {
		case Within:
			return "within"
		case Beyond:
			return "beyond"
		case NotTested:
			return "open"
		}
		return "info"
	},
}).Parse(page))

// row is a line of a two-column table.
type row struct{ Name, Text string }

// line is something at a time.
type line struct{ At, Text string }

// lines is a list that may be cut.
type lines struct {
	Lines []line
	More  int
}

// shiftRow is one set of shifts in the table.
type shiftRow struct {
	Name, Kind                       string
	N                                int
	Duration, Longest, Delay         string
	Flare, BindUp, Overshoot, Failed string
}

// oneShift is one shift in the full list.
type oneShift struct {
	At, Name, Kind, Duration, Delay, Flare, Pedal, Torque, Oil, Remarks string
}

type engagementRow struct{ At, From, To, Duration, Oil string }

type partRow struct {
	Name, Part, Verdict string
	Class               string
	Reasons             []string
}

// view is what the template shows.
type view struct {
	Title    string
	Facts    []row
	Summary  string
	Counts   [4]int // within, beyond, not tested, for information
	Checks   []Check
	Parts    []partRow
	Drive    *chart
	Heat     *chart
	Overlays []*chart
	MoreSets int
	Sets     []shiftRow
	Shifts   []oneShift
	More     int

	Procedures     []procedureView
	MoreProcedures int
	Readings       []readingView

	Engagements []engagementRow
	Missed      lines
	Shudders    lines
	Faults      lines
	Alarms      lines
	Marks       lines
	PartEvents  lines
	Notes       lines
	Gaps        lines
	Journal     lines
	Channels    []channelRow
	Frames      []frameRow
	Damage      []string
	Unknown     string

	Versions []row
	Files    []fileRow
	Seal     *Seal
	Folder   string
	Redacted bool
	VIN      []string // remarks on it and on those read
}

type fileRow struct{ Name, Bytes, SHA256 string }

type channelRow struct {
	Name, Frames, Known, Errors, Lost string
}

type frameRow struct {
	Name, Good, Unusable, Missed string
}

// Write writes the report as one HTML file.
func (r *Report) Write(w io.Writer) error { return tmpl.Execute(w, r.view()) }

func (r *Report) view() *view {
	v := &view{
		Title: r.hide(r.papers.Meta.Title), Checks: r.checks, Damage: r.papers.Damage, Seal: r.papers.Seal,
		Folder: r.hide(r.papers.Name), Redacted: r.papers.Redact, Drive: r.driveChart(), Heat: r.heatChart(),
		Missed: r.lines(&r.b.missed), Shudders: r.lines(&r.b.shudders), Faults: r.lines(&r.b.faults), Alarms: r.lines(&r.b.alarmLog), Marks: r.lines(&r.b.marks), PartEvents: r.lines(&r.b.parts),
		Notes: r.lines(&r.b.notes), Gaps: r.lines(&r.b.gaps),
	}
	if v.Title == "" {
		v.Title = r.papers.Vehicle
	}
	r.facts(v)
	for _, c := range r.checks {
		v.Counts[map[Verdict]int{Within: 0, Beyond: 1, NotTested: 2, Info: 3}[c.Verdict]]++
	}
	v.Summary = r.summary(v.Counts)
	for _, s := range r.b.suspects {
		v.Parts = append(v.Parts, partRow{s.Element, s.Part, partVerdict[s.Verdict], s.Verdict, s.Reasons})
	}
	r.shiftTables(v)
	for _, e := range r.b.engagements {
		v.Engagements = append(v.Engagements, engagementRow{r.clock(capture.Stamp(*e.Start)), e.From, e.To, seconds(e.Duration, "did not engage"), figure(e.OilTemperature, 0)})
	}
	r.procedureViews(v)
	r.journal(v)
	r.counts(v)
	for _, f := range r.papers.Files {
		v.Files = append(v.Files, fileRow{f.Name, grouped(uint64(max(0, f.Bytes))), f.SHA256})
	}
	for _, x := range []row{{"Recorded with", r.papers.Meta.Software}, {"Report made with", r.papers.Software}, {"Vehicle file", r.papers.Vehicle}, {"Session", v.Folder}} {
		if x.Text != "" {
			v.Versions = append(v.Versions, x)
		}
	}
	return v
}

var partVerdict = map[string]string{
	drivetrain.VerdictSuspect:   "evidence against it",
	drivetrain.VerdictCleared:   "found to work",
	drivetrain.VerdictUndecided: "undecided",
}

// summary is the result in one or two sentences.
func (r *Report) summary(counts [4]int) string {
	s := fmt.Sprintf("Of %d checks with a limit, %d were within it and %d beyond it", counts[0]+counts[1], counts[0], counts[1])
	if counts[2] > 0 {
		s += fmt.Sprintf("; %d more could not be made on this drive", counts[2])
	}
	s += "."
	var beyond []string
	for _, c := range r.checks {
		if c.Verdict == Beyond {
			beyond = append(beyond, strings.ToLower(c.Name[:1])+c.Name[1:])
		}
	}
	if len(beyond) > 0 {
		s += " Beyond: " + strings.Join(beyond, "; ") + "."
	}
	return s
}

func (r *Report) facts(v *view) {
	m := r.papers.Meta
	add := func(name, text string) {
		if text != "" {
			v.Facts = append(v.Facts, row{name, r.hide(text)})
		}
	}
	add("Workshop", m.Workshop)
	add("Technician", m.Technician)
	add("Job", m.Job)
	add("Vehicle", m.Vehicle)
	switch {
	case m.VIN != "" && r.papers.Redact:
		v.Facts = append(v.Facts, row{"VIN", "left out on request"})
	case m.VIN != "":
		add("VIN", m.VIN)
		if odd := archive.CheckVIN(m.VIN).Warning(); odd != "" {
			v.VIN = append(v.VIN, odd+".")
		}
	}
	r.numbersRead(v)
	switch {
	case r.papers.Redact:
		add("Position", "left out on request")
	case m.PositionConsent != "":
		add("Position", "kept, agreed to by "+m.PositionConsent)
	default:
		add("Position", "left out: nobody has agreed to it being kept")
	}
	add("Odometer", m.Odometer)
	add("Concern", m.Concern)
	if !m.Started.IsZero() {
		add("Started", stamp(m.Started))
	}
	if !m.Ended.IsZero() {
		add("Ended", stamp(m.Ended))
	} else if !m.Started.IsZero() {
		add("Ended", "not recorded: the recording was cut off")
	}
	if r.b.begun {
		text := length(r.b.last - r.b.first)
		if r.b.distance >= 0.1 {
			text += fmt.Sprintf(", about %.1f km", r.b.distance)
		}
		add("Recorded", text)
	}
}

func stamp(t time.Time) string { return t.Format("2 January 2006, 15:04:05 -07:00") }

// numbersRead tells of the numbers that control units answered with.
func (r *Report) numbersRead(v *view) {
	for _, read := range r.b.vins {
		remark := archive.CheckVIN(read.VIN).Warning()
		if r.papers.Redact {
			v.Facts = append(v.Facts, row{"VIN read", "left out on request"})
		} else {
			v.Facts = append(v.Facts, row{"VIN read", read.VIN + ", by " + read.Unit})
			if remark != "" && !strings.EqualFold(read.VIN, strings.TrimSpace(r.papers.Meta.VIN)) {
				v.VIN = append(v.VIN, "of the one read, "+remark+".")
			}
		}
		if archive.DifferentVIN(r.papers.Meta.VIN, read.VIN) {
			v.VIN = append(v.VIN, "what "+read.Unit+" answers is not the number entered: is this the vehicle meant, and is that unit its own?")
		}
	}
}

// hide takes the vehicle identification number out of a text if it must not be
// shown, and those that were corrected.
func (r *Report) hide(s string) string {
	if !r.papers.Redact {
		return s
	}
	s = without(s, r.papers.Meta.VIN)
	for _, read := range r.b.vins {
		s = without(s, read.VIN)
	}
	for _, e := range r.papers.Journal {
		var read decode.VIN
		if e.Kind == decode.KindVIN && json.Unmarshal(e.Fields, &read) == nil {
			s = without(s, read.VIN)
		}
		for _, c := range corrected(e) {
			if c.Label == labelVIN {
				s = without(without(s, c.From), c.To)
			}
		}
	}
	return s
}

// labelVIN is what session folders call the vehicle identification number.
const labelVIN = "Vehicle-Identification-Number"

// correction is one detail that was changed.
type correction struct{ Label, From, To string }

// corrected returns what a journal entry corrects; nothing for other entries.
func corrected(e archive.Entry) []correction {
	var c struct{ Changed []correction }
	if e.Kind != archive.KindCorrection || json.Unmarshal(e.Fields, &c) != nil {
		return nil
	}
	return c.Changed
}

func without(s, vin string) string {
	if vin = strings.TrimSpace(vin); len(vin) < 4 {
		return s
	}
	for {
		i := strings.Index(strings.ToLower(s), strings.ToLower(vin))
		if i < 0 || len(strings.ToLower(s)) != len(s) {
			return s
		}
		s = s[:i] + "(VIN left out)" + s[i+len(vin):]
	}
}

func (r *Report) lines(l *list) lines {
	out := lines{More: l.count - len(l.entries)}
	for _, h := range l.entries {
		out.Lines = append(out.Lines, line{r.clock(h.at), r.hide(h.text)})
	}
	return out
}

// seconds renders a duration to a hundredth.
func seconds(s *decode.Seconds, none string) string {
	if s == nil {
		return none
	}
	return fmt.Sprintf("%.2f", float64(*s)/1e9)
}

func figure(v *float64, digits int) string {
	if v == nil {
		return ""
	}
	return strings.Replace(fmt.Sprintf("%.*f", digits, *v), "-", "−", 1)
}

func (r *Report) shiftTables(v *view) {
	bySize := slices.Clone(r.sets)
	slices.SortStableFunc(bySize, func(a, b compare.Set) int { return len(b.Shifts) - len(a.Shifts) })
	show := map[string]bool{}
	for i := range bySize {
		if i < maxSets {
			show[bySize[i].Name()] = true
		}
	}
	for i := range r.sets {
		s := &r.sets[i]
		v.Sets = append(v.Sets, summarise(s))
		if !show[s.Name()] {
			v.MoreSets++
			continue
		}
		if c := overlayChart(s); c != nil {
			v.Overlays = append(v.Overlays, c)
		}
	}
	for i := range r.record.Shifts {
		if i == maxListed {
			v.More = len(r.record.Shifts) - i
			break
		}
		s := &r.record.Shifts[i]
		v.Shifts = append(v.Shifts, oneShift{
			At: r.clock(s.At()), Name: s.From + "-" + s.To, Kind: s.Kind(), Duration: seconds(s.Duration, "not seen"), Delay: seconds(s.Delay, ""),
			Flare: figure(s.Flare, 0), Pedal: figure(s.Pedal, 0), Torque: figure(s.TorqueBefore, 0), Oil: figure(s.OilTemperature, 0), Remarks: remarks(s),
		})
	}
}

func remarks(s *compare.Shift) string {
	var list []string
	for _, x := range []struct {
		is   bool
		text string
	}{
		{s.Uncommanded, "not commanded"}, {!s.Settled, "did not stay"}, {!s.Held, "the new gear did not hold"}, {s.SlippedBefore, "slipped before the command"},
		{s.Repeated, "again within 5 s"}, {s.Skipped, "skips gears"}, {s.Bridged, "a sensor was missing"},
	} {
		if x.is {
			list = append(list, x.text)
		}
	}
	return strings.Join(list, ", ")
}

func summarise(s *compare.Set) shiftRow {
	row := shiftRow{Name: s.From + "-" + s.To, Kind: s.Kind, N: len(s.Shifts)}
	var durations, delays []float64
	flare, bind, over := math.Inf(-1), math.Inf(-1), math.Inf(-1)
	failed := 0
	for _, x := range s.Shifts {
		if x.Duration != nil && x.Settled {
			durations = append(durations, float64(*x.Duration)/1e9)
		} else {
			failed++
		}
		if x.Delay != nil {
			delays = append(delays, float64(*x.Delay)/1e9)
		}
		if x.Flare != nil {
			flare = max(flare, *x.Flare)
		}
		if x.BindUp != nil {
			bind = max(bind, *x.BindUp)
		}
		if x.End != nil {
			over = max(over, x.Overshoot)
		}
	}
	some := func(v float64, digits int) string {
		if math.IsInf(v, 0) || math.IsNaN(v) {
			return ""
		}
		return strings.Replace(fmt.Sprintf("%.*f", digits, v), "-", "−", 1)
	}
	row.Duration, row.Delay = some(stats.Median(durations), 2), some(stats.Median(delays), 2)
	if len(durations) > 0 {
		row.Longest = some(slices.Max(durations), 2)
	}
	row.Flare, row.BindUp, row.Overshoot = some(flare, 0), some(bind, 2), some(100*over, 0)
	if failed > 0 {
		row.Failed = fmt.Sprint(failed)
	}
	return row
}

// journal lists what the session's journal holds beside marks, which are events
// of the drive.
func (r *Report) journal(v *view) {
	for _, e := range r.papers.Journal {
		switch e.Kind {
		case archive.KindStart, archive.KindEnd, archive.KindMark, decode.KindAlarm, decode.KindVIN:
			continue // the alarms and numbers above are those that the recording gives
		}
		if ownSection(e.Kind) {
			continue
		}
		if len(v.Journal.Lines) >= maxListed {
			v.Journal.More++
			continue
		}
		text := flatten(e.Fields, "")
		if list := corrected(e); list != nil {
			words := make([]string, len(list))
			for i, c := range list {
				words[i] = fmt.Sprintf("%s was %q, is now %q", c.Label, c.From, c.To)
			}
			text = strings.Join(words, "; ")
		}
		var named struct{ Channel, Text string }
		if json.Unmarshal(e.Fields, &named) == nil && named.Text != "" {
			text = named.Text
			if named.Channel != "" {
				text = named.Channel + ": " + text
			}
		}
		v.Journal.Lines = append(v.Journal.Lines, line{r.clock(e.Time), e.Kind + ": " + r.hide(text)})
	}
}

func (r *Report) counts(v *view) {
	for _, ch := range r.counters.Channels {
		row := channelRow{Name: ch.Name, Frames: grouped(ch.Frames + ch.Lines), Known: grouped(ch.Known), Errors: grouped(ch.Errors)}
		var lost []string
		for _, l := range ch.Lost {
			n := grouped(l.Count)
			if l.Count == 0 {
				n = "not known how many"
			}
			lost = append(lost, fmt.Sprintf("%s (%s)", n, l.Reason))
		}
		if row.Lost = strings.Join(lost, ", "); row.Lost == "" {
			row.Lost = "0"
		}
		if ch.Bus == "" && ch.Frames > 0 {
			row.Known = "no bus of the vehicle file"
		}
		v.Channels = append(v.Channels, row)
	}
	asked := slices.ContainsFunc(r.counters.Channels, func(c decode.ChannelCount) bool { return c.Own > 0 })
	for _, f := range r.counters.Frames {
		if f.Good+f.Short+f.Checksum+f.Repeated == 0 {
			if !asked && r.b.file.Requests.Index(f.Name) >= 0 {
				continue // no answer was to be expected
			}
			v.Frames = append(v.Frames, frameRow{f.Name, "never came", "", ""})
			continue
		}
		if bad := f.Short + f.Checksum + f.Repeated; bad+f.Missed > 0 {
			v.Frames = append(v.Frames, frameRow{f.Name, grouped(f.Good), grouped(bad), grouped(f.Missed)})
		}
	}
	if n := len(r.counters.Unknown); n > 0 {
		v.Unknown = fmt.Sprintf("%d identifiers on the bus are not described by the vehicle file; their frames are in the recording all the same.", n)
	}
	if r.counters.TooLate > 0 {
		v.Damage = append(slices.Clone(v.Damage), fmt.Sprintf("%s frames came too late to be put in order and were not decoded.", grouped(r.counters.TooLate)))
	}
	if r.counters.Timeless > 0 {
		v.Damage = append(slices.Clone(v.Damage), fmt.Sprintf("%s frames or lines had a time stamp that cannot be right and were not decoded.", grouped(r.counters.Timeless)))
	}
}
