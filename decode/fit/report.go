package fit

import (
	"encoding/hex"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"gearwitness/capture"
	"gearwitness/decode"
	"gearwitness/decode/unknown"
	"gearwitness/signals"
	"gearwitness/signals/unit"
)

// Report is what the comparison found. Times are seconds, null (nil) where
// there is nothing to tell them from.
type Report struct {
	Span   decode.Seconds `json:"span_s"`
	Frames uint64         `json:"frames"` // data frames of the vehicle
	// Wrong counts the findings that make the file wrong for this recording.
	Wrong     int         `json:"wrong"`
	Findings  []Finding   `json:"findings"`
	Channels  []Channel   `json:"channels"`
	Described []Described `json:"described"`
	Signals   []Signal    `json:"signals"`
	// Unknown are identifiers that nothing describes, Beside what moves in
	// described frames beside what is described of them.
	Unknown []Unknown `json:"unknown"`
	Beside  []Unknown `json:"beside"`
	// Unseen counts frames not looked at because there were too many identifiers.
	Unseen uint64 `json:"unseen"`
	// Related is what else moves with the signal With.
	With    string    `json:"with,omitempty"`
	Related []Related `json:"related,omitempty"`
}

// Finding is one thing worth saying.
type Finding struct {
	Wrong  bool   `json:"wrong"` // something defined never came, or left its range
	Frame  string `json:"frame,omitempty"`
	Signal string `json:"signal,omitempty"`
	Text   string `json:"text"`
}

// Channel is one bus or instrument of the recording.
type Channel struct {
	Name   string            `json:"name"`
	Bus    string            `json:"bus"` // of the vehicle file; empty when it is none
	Frames uint64            `json:"frames"`
	Known  uint64            `json:"known"`
	Errors uint64            `json:"errors"`
	Lines  uint64            `json:"lines"`
	Lost   map[string]uint64 `json:"lost,omitempty"`
}

// Described is a frame, request or instrument of the vehicle file.
type Described struct {
	Name     string          `json:"name"`
	Kind     string          `json:"kind"` // frame, request or lines
	ID       string          `json:"id,omitempty"`
	Bus      string          `json:"bus,omitempty"`
	Count    uint64          `json:"count"` // good ones
	Expected *decode.Seconds `json:"expected_s"`
	Measured *decode.Seconds `json:"measured_s"` // mean between good ones
	Shortest *decode.Seconds `json:"shortest_s"`
	Longest  *decode.Seconds `json:"longest_s"`
	Short    uint64          `json:"short"`    // too few data bytes
	Checksum uint64          `json:"checksum"` // wrong check byte
	Repeated uint64          `json:"repeated"` // alive counter stood still
	Missed   uint64          `json:"missed"`   // how far the alive counter skipped
	Pages    []Page          `json:"pages,omitempty"`
}

// Page is a set of signals of a frame that come under one condition.
type Page struct {
	When    string   `json:"when"`
	Signals []string `json:"signals"`
	Count   uint64   `json:"count"`
}

// Signal is one signal of a frame, an answer or a line.
type Signal struct {
	Name        string    `json:"name"`
	Frame       string    `json:"frame"`
	Unit        string    `json:"unit"`
	Values      uint64    `json:"values"`
	Outside     uint64    `json:"outside"` // of them: outside the stated range
	Unavailable uint64    `json:"unavailable"`
	Faulty      uint64    `json:"faulty"`
	Low         *float64  `json:"low"`
	High        *float64  `json:"high"`
	Range       []float64 `json:"range,omitempty"`
	Moved       bool      `json:"moved"`
}

// Unknown is an identifier, or the part of one, that nobody describes.
type Unknown struct {
	Channel    string          `json:"channel"`
	ID         string          `json:"id"`
	Extended   bool            `json:"extended"`
	Frame      string          `json:"frame,omitempty"` // that describes the rest
	Count      uint64          `json:"count"`
	Period     *decode.Seconds `json:"period_s"`
	Shortest   *decode.Seconds `json:"shortest_s"`
	Longest    *decode.Seconds `json:"longest_s"`
	Length     int             `json:"length"`
	Varies     bool            `json:"varies"`
	Moving     string          `json:"moving"` // hexadecimal: bits that changed
	Fields     []Field         `json:"fields"`
	Definition string          `json:"definition"` // text to paste
}

// Field is a guess at a field.
type Field struct {
	Kind     string  `json:"kind"` // fixed, flag, value, counter or check byte
	Start    string  `json:"start"`
	Bits     int     `json:"bits"`
	Order    string  `json:"order"` // little or big
	Checksum string  `json:"checksum,omitempty"`
	Flips    float64 `json:"flips"` // of its fastest bit, a frame
}

// Related is a field that moves with the signal asked for.
type Related struct {
	Channel    string  `json:"channel"`
	ID         string  `json:"id"`
	Frame      string  `json:"frame,omitempty"` // that describes the rest of it
	Start      string  `json:"start"`
	Bits       int     `json:"bits"`
	Order      string  `json:"order"`
	Signed     bool    `json:"signed"`
	Score      float64 `json:"score"` // share of the signal's movement it explains
	Resolution float64 `json:"resolution"`
	Offset     float64 `json:"offset"`
	Definition string  `json:"definition"`
}

func (c *Comparison) report() *Report {
	r := &Report{
		Span: decode.Seconds(c.last.Sub(c.began)), Unseen: c.statistics.Missed(),
		Findings: []Finding{}, Channels: []Channel{}, Described: []Described{}, Signals: []Signal{}, Unknown: []Unknown{}, Beside: []Unknown{},
	}
	counters := c.chain.Counters()
	r.channels(counters.Channels)
	n := 0
	for _, e := range c.file.Frames {
		d := Described{Name: e.Name, Kind: "frame", ID: identifier(&e.V), Bus: e.V.Bus, Expected: seconds(e.V.Every)}
		c.described(r, d, counters.Frames[n], c.frames[n])
		c.pages(r, &e, counters.Frames[n])
		for _, s := range e.V.Signals {
			c.signal(r, e.Name, s.Name, counters.Frames[n].Good)
		}
		n++
	}
	var unanswered []string
	for _, e := range c.file.Requests {
		if len(e.V.Signals) > 0 && counters.Frames[n].Good == 0 {
			unanswered = append(unanswered, e.Name)
		}
		d := Described{Name: e.Name, Kind: "request", Bus: e.V.Bus, Expected: seconds(e.V.Every)}
		c.described(r, d, counters.Frames[n], c.frames[n])
		for _, s := range e.V.Signals {
			c.signal(r, e.Name, s.Name, counters.Frames[n].Good)
		}
		n++
	}
	if unanswered != nil {
		r.find(false, "", "", "no answer came to %s; where nothing was asked that is so", strings.Join(unanswered, ", "))
	}
	for _, e := range c.file.Lines {
		d := Described{Name: e.Name, Kind: "lines", Expected: seconds(e.V.Every)}
		c.described(r, d, counters.Frames[n], c.frames[n])
		for _, s := range e.V.Signals {
			c.signal(r, e.Name, s.Name, c.frames[n].count)
		}
		n++
	}
	c.strangers(r)
	if c.correlation != nil {
		c.related(r)
	}
	slices.SortStableFunc(r.Findings, func(a, b Finding) int { return rank(a) - rank(b) })
	for _, f := range r.Findings {
		if f.Wrong {
			r.Wrong++
		}
	}
	return r
}

func rank(f Finding) int {
	if f.Wrong {
		return 0
	}
	return 1
}

func (r *Report) find(wrong bool, frame, signal, format string, args ...any) {
	r.Findings = append(r.Findings, Finding{wrong, frame, signal, fmt.Sprintf(format, args...)})
}

func (r *Report) channels(list []decode.ChannelCount) {
	for _, ch := range list {
		out := Channel{Name: ch.Name, Bus: ch.Bus, Frames: ch.Frames, Known: ch.Known, Errors: ch.Errors, Lines: ch.Lines}
		r.Frames += ch.Frames
		for _, l := range ch.Lost {
			if out.Lost == nil {
				out.Lost = make(map[string]uint64)
			}
			out.Lost[l.Reason] = l.Count
			r.find(false, "", "", "channel %s lost %s; what seems missing may have been among them", ch.Name, l.Text(func(n uint64) string { return fmt.Sprint(n) }))
		}
		if ch.Bus == "" && ch.Frames > 0 {
			r.find(false, "", "", "channel %s is no bus of the vehicle file, so none of its %d frames is described; add it under buses:", ch.Name, ch.Frames)
		}
		if ch.BadLines > 0 {
			r.find(false, "", "", "channel %s: %d of %d lines were not understood, the first is %q", ch.Name, ch.BadLines, ch.Lines, ch.BadLine)
		}
		r.Channels = append(r.Channels, out)
	}
}

// described enters a frame, request or instrument and says what is wrong with
// it.
func (c *Comparison) described(r *Report, d Described, n decode.FrameCount, o occurrences) {
	d.Count, d.Short, d.Checksum, d.Repeated, d.Missed = n.Good, n.Short, n.Checksum, n.Repeated, n.Missed
	if d.Kind == "lines" {
		d.Count = o.count
	}
	if o.count > 1 {
		mean := o.last.Sub(o.first) / time.Duration(o.count-1)
		d.Measured, d.Shortest, d.Longest = seconds(mean), some(o.shortest), some(o.longest)
	}
	bad := n.Short + n.Checksum + n.Repeated
	switch {
	case d.Count > 0:
	case d.Kind == "request": // told together
	case bad > 0:
		r.find(true, d.Name, "", "came %d times, never sound", bad)
	default:
		r.find(true, d.Name, "", "never came%s", onBus(d))
	}
	if n.Short > 0 {
		r.find(false, d.Name, "", "%d of %d had too few data bytes", n.Short, d.Count+bad)
	}
	if n.Checksum > 0 {
		r.find(false, d.Name, "", "%d of %d had a wrong check byte", n.Checksum, d.Count+bad)
	}
	if n.Repeated > 0 {
		r.find(false, d.Name, "", "in %d of %d the alive counter stood still or had a value that it cannot have", n.Repeated, d.Count+bad)
	}
	if n.Missed > 0 {
		r.find(false, d.Name, "", "by its alive counter %d were sent that did not reach the recording", n.Missed)
	}
	if d.Expected != nil && d.Measured != nil && o.count >= 5 {
		if ratio := float64(*d.Measured) / float64(*d.Expected); math.Abs(ratio-1) > 0.2 {
			r.find(false, d.Name, "", "came every %s on average, described as every %s", duration(d.Measured), duration(d.Expected))
		}
	}
	r.Described = append(r.Described, d)
}

func onBus(d Described) string {
	if d.ID == "" {
		return ""
	}
	return fmt.Sprintf(" (%s on %s)", d.ID, d.Bus)
}

// pages enters the pages of a multiplexed frame.
func (c *Comparison) pages(r *Report, e *signals.Entry[signals.Frame], n decode.FrameCount) {
	d := &r.Described[len(r.Described)-1]
	table := c.chain.Table()
	for _, s := range e.V.Signals {
		if len(s.V.When) == 0 {
			continue
		}
		v := &c.signals[table.Index(s.Name)]
		text, count := when(s.V.When), v.valid+v.outside+v.unavailable+v.faulty
		i := slices.IndexFunc(d.Pages, func(p Page) bool { return p.When == text })
		if i < 0 {
			i = len(d.Pages)
			d.Pages = append(d.Pages, Page{When: text, Count: count})
		}
		d.Pages[i].Signals = append(d.Pages[i].Signals, s.Name)
	}
	for _, p := range d.Pages {
		if p.Count == 0 && n.Good > 0 {
			r.find(true, e.Name, "", "its page with %s never came: %s", p.When, strings.Join(p.Signals, ", "))
		}
	}
}

// signal enters a signal and says what is remarkable about it.
func (c *Comparison) signal(r *Report, frame, name string, came uint64) {
	i := c.chain.Table().Index(name)
	in, v := c.chain.Table().Signals[i], &c.signals[i]
	s := Signal{
		Name: name, Frame: frame, Unit: string(in.Unit), Values: v.valid + v.outside, Outside: v.outside,
		Unavailable: v.unavailable, Faulty: v.faulty, Moved: v.low != v.high,
	}
	if in.Range != nil {
		s.Range = []float64{in.Range.Low, in.Range.High}
	}
	if s.Values > 0 {
		s.Low, s.High = &v.low, &v.high
	}
	value := func(x float64) string { return figure(x, in) }
	switch total := s.Values + s.Unavailable + s.Faulty; {
	case came == 0 || total == 0: // told of its frame or page
	case s.Values == 0 && s.Faulty > s.Unavailable:
		r.find(false, frame, name, "never had a value: the sender said %d times that it is in error", s.Faulty)
	case s.Values == 0:
		r.find(false, frame, name, "was never available")
	case s.Outside > 0:
		r.find(true, frame, name, "left its range of %s to %s in %d of %d values: %s to %s, first %.2f s after the beginning",
			value(in.Range.Low), value(in.Range.High), s.Outside, s.Values, value(v.low), value(v.high), v.firstOutside.Sub(c.began).Seconds())
	case !s.Moved && s.Values >= 2:
		r.find(false, frame, name, "never moved: %s all the time", value(v.low))
	}
	if v.anyUnnamed {
		r.find(false, frame, name, "had the value %d, which has no text", v.unnamed)
	}
	r.Signals = append(r.Signals, s)
}

// figure writes a value with its unit or as its text.
func figure(x float64, in decode.Info) string {
	if i := slices.IndexFunc(in.States, func(e signals.Entry[int64]) bool { return float64(e.V) == x }); i >= 0 {
		return in.States[i].Name
	}
	s := strconv.FormatFloat(x, 'f', min(in.Digits, 6), 64)
	if strings.Contains(s, ".") {
		s = strings.TrimRight(strings.TrimRight(s, "0"), ".")
	}
	if in.Unit != unit.None {
		s += " " + string(in.Unit)
	}
	return s
}

// strangers enters what nobody describes.
func (c *Comparison) strangers(r *Report) {
	for _, id := range c.statistics.Report(c.mask) {
		d := c.describe(id.Channel, id.ID, id.Extended)
		bus := c.bus(id.Channel)
		u := Unknown{
			Channel: c.channels[id.Channel].Name, ID: hexadecimal(id.ID, id.Extended), Extended: id.Extended, Frame: d.Name,
			Count: id.Count, Length: id.Length, Varies: id.Varies, Moving: moving(id.Flips, d.Mask), Fields: []Field{},
		}
		if id.Count > 1 {
			u.Period, u.Shortest, u.Longest = seconds(id.Period), some(id.Shortest), some(id.Longest)
		}
		for _, f := range id.Fields {
			u.Fields = append(u.Fields, Field{
				Kind: f.Kind.String(), Start: fmt.Sprintf("%d.%d", f.Byte, f.Bit), Bits: f.Bits, Order: orderName(f.Big), Checksum: f.Check, Flips: math.Round(f.Flips*1e4) / 1e4,
			})
		}
		switch {
		case d.Name == "":
			u.Definition = id.Definition(bus)
			r.Unknown = append(r.Unknown, u)
		case d.Frame >= 0 && id.Moves():
			u.Definition = id.Additions(bus)
			r.Beside = append(r.Beside, u)
		}
	}
}

// related enters what moves with the signal.
func (c *Comparison) related(r *Report) {
	in := c.chain.Table().Signals[c.with]
	r.With, r.Related = in.Name, []Related{}
	for _, m := range c.correlation.Report(maxRelated, c.mask) {
		d := c.describe(m.Channel, m.ID, m.Extended)
		bus := c.bus(m.Channel)
		x := Related{
			Channel: c.channels[m.Channel].Name, ID: hexadecimal(m.ID, m.Extended), Frame: d.Name, Start: fmt.Sprintf("%d.%d", m.Field.Byte, m.Field.Bit),
			Bits: m.Field.Bits, Order: orderName(m.Field.Big), Signed: m.Signed, Score: math.Round(m.Score*1e4) / 1e4, Resolution: m.Resolution, Offset: m.Offset,
		}
		if x.Definition = m.Definition(bus); d.Frame >= 0 {
			x.Definition = m.Addition(bus)
		}
		r.Related = append(r.Related, x)
	}
}

// moving writes the bits that changed and are not described.
func moving(flips []float64, mask [capture.MaxData]byte) string {
	b := make([]byte, len(flips)/8)
	for i, f := range flips {
		if f > 0 && mask[i/8]&(1<<(i%8)) == 0 {
			b[i/8] |= 1 << (i % 8)
		}
	}
	return strings.ToUpper(hex.EncodeToString(b))
}

func orderName(big bool) string {
	if big {
		return "big"
	}
	return "little"
}

func hexadecimal(id uint32, extended bool) string {
	if extended {
		return fmt.Sprintf("0x%08X", id)
	}
	return fmt.Sprintf("0x%03X", id)
}

func identifier(f *signals.Frame) string {
	if f.PGN != nil {
		return fmt.Sprintf("PGN %d", *f.PGN)
	}
	return hexadecimal(*f.ID, f.Extended)
}

// seconds returns nil for no period at all.
func seconds(d time.Duration) *decode.Seconds {
	if d <= 0 {
		return nil
	}
	return some(d)
}

func some(d time.Duration) *decode.Seconds {
	s := decode.Seconds(d)
	return &s
}

// duration writes a time as people read it: 9.98 ms, 1.2 s.
func duration(s *decode.Seconds) string {
	if s == nil {
		return "–"
	}
	v, u := float64(*s)/1e6, "ms"
	if v >= 999.5 { // 1000 with three digits
		v, u = v/1000, "s"
	}
	if v >= 999.5 {
		return strconv.FormatFloat(v, 'f', 0, 64) + " " + u
	}
	return strconv.FormatFloat(v, 'g', 3, 64) + " " + u
}

// bitsOf writes runs of set bits: 1.1 to 2.8, 4.1.
func bitsOf(moving string) string {
	b, err := hex.DecodeString(moving)
	if err != nil {
		return "" // our own text
	}
	var parts []string
	name := func(i int) string { return fmt.Sprintf("%d.%d", i/8+1, i%8+1) }
	for i := 0; i < 8*len(b); i++ {
		if b[i/8]&(1<<(i%8)) == 0 {
			continue
		}
		first := i
		for i+1 < 8*len(b) && b[(i+1)/8]&(1<<((i+1)%8)) != 0 {
			i++
		}
		if first == i {
			parts = append(parts, name(i))
		} else {
			parts = append(parts, name(first)+" to "+name(i))
		}
	}
	return strings.Join(parts, ", ")
}

// fieldText says what a field looks like.
func fieldText(f Field) string {
	s := f.Kind + " at " + f.Start
	if f.Kind == unknown.Check.String() {
		return fmt.Sprintf("%s in byte %s, %s", f.Kind, strings.TrimSuffix(f.Start, ".1"), f.Checksum)
	}
	if f.Bits > 1 {
		s += fmt.Sprintf(", %d bits", f.Bits)
	}
	if f.Kind == unknown.Value.String() && f.Bits > 8 {
		s += ", " + f.Order + "-endian"
	}
	return s
}
