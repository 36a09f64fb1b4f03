package decode

import (
	"math"
	"slices"
	"strings"

	"gearwitness/capture"
	"gearwitness/decode/nmea"
	"gearwitness/signals"
)

// lineForm is the lines of one instrument, compiled. Its groups are those of a
// frame: the fields of one kind of sentence, or of a line with columns, come and
// go together; each pair comes by itself.
type lineForm struct {
	name      string
	frame     int32
	form      signals.Form
	separator string // empty: any white space
	begins    string
	fields    []textField
}

// textField is one signal in the text.
type textField struct {
	signal             int32
	group              int
	def                *signals.Text
	resolution, offset float64
	low, high          float64
}

// addLines compiles the lines of one instrument.
func (p *Plan) addLines(e *signals.Entry[signals.Lines]) {
	def := &e.V
	l := lineForm{name: e.Name, frame: int32(len(p.frames)), form: def.Form, separator: def.Separator, begins: def.Begins}
	switch {
	case l.separator == "":
		l.separator = ","
	case strings.TrimSpace(l.separator) == "":
		l.separator = ""
	}
	fr := frame{name: e.Name, stale: capture.Stamp(def.Stale())}
	byKey := make(map[string]int)
	for i := range def.Signals {
		s := &def.Signals[i]
		t := textField{def: &s.V, resolution: s.V.Resolution, offset: s.V.Offset, low: math.Inf(-1), high: math.Inf(1)}
		if t.resolution == 0 {
			t.resolution = 1
		}
		if r := s.V.Range; r != nil {
			t.low, t.high = r.Low, r.High
		}
		t.signal = p.table.Add(Info{
			Name: s.Name, Title: s.V.Title, Unit: s.V.Unit, Origin: FromLine, States: s.V.States,
			StaleAfter: fr.stale, Digits: 3, Range: s.V.Range,
		})
		key := s.V.Sentence // of the three forms, two leave this empty
		if def.Form == signals.Pairs {
			key = s.V.Key
		}
		g, ok := byKey[key]
		if !ok {
			g = len(fr.groups)
			byKey[key] = g
			fr.groups = append(fr.groups, group{stale: fr.stale})
		}
		fr.groups[g].names = append(fr.groups[g].names, s.Name)
		t.group = g
		l.fields = append(l.fields, t)
	}
	p.append(fr)
	p.lines = append(p.lines, l)
}

// maxBadLine is how much is kept of a line that was not understood, in bytes.
const maxBadLine = 60

// linesOf returns what is known about the lines of a channel: those of the same
// name, or the only ones there are; nil for none.
func (p *Plan) linesOf(name string) *lineForm {
	i := slices.IndexFunc(p.lines, func(l lineForm) bool { return l.name == name })
	if i < 0 && len(p.lines) == 1 {
		i = 0
	}
	if i < 0 {
		return nil
	}
	return &p.lines[i]
}

// Line decodes one line of text and appends its samples to out. Lines that are
// damaged, or in which a number was expected and none found, are counted.
func (d *Decoder) Line(l *capture.Line, out *Output) {
	ch := &d.channels[l.Port]
	ch.count.Lines++
	if ch.lines == nil {
		return
	}
	reader := lineReader{d: d, form: ch.lines, line: l, out: out, touched: -1}
	if !reader.read() {
		if ch.count.BadLines++; ch.count.BadLines == 1 {
			ch.count.BadLine = strings.ToValidUTF8(l.Text[:min(len(l.Text), maxBadLine)], "?")
		}
		return
	}
	st := &d.frames[ch.lines.frame].count
	st.Good, st.Last = st.Good+1, l.Time
}

// lineReader reads one line.
type lineReader struct {
	d       *Decoder
	form    *lineForm
	line    *capture.Line
	out     *Output
	touched int // group that has been noted to have come
}

// read tells whether the line was good.
func (r *lineReader) read() bool {
	text := r.line.Text
	switch r.form.form {
	case signals.NMEA:
		s := r.d.sentence
		if s.Parse(text) != nmea.NoFault {
			return false
		}
		good := true
		for i := range r.form.fields {
			f := &r.form.fields[i]
			if f.def.Sentence != s.Type {
				continue
			}
			field, there := s.Text(f.def.Field)
			number, ok := s.Number(f.def.Field)
			good = r.sample(f, field, there, number, ok) && good
		}
		return good
	case signals.Columns:
		rest, ok := strings.CutPrefix(text, r.form.begins)
		if !ok {
			return true // another kind of line
		}
		good := true
		for i := range r.form.fields {
			f := &r.form.fields[i]
			field, there := r.form.column(rest, f.def.Column)
			number, ok := nmea.Decimal(field)
			good = r.sample(f, field, there, number, ok) && good
		}
		return good
	default:
		rest, ok := strings.CutPrefix(text, r.form.begins)
		if !ok {
			return true
		}
		good := true
		for n := 1; ; n++ {
			pair, there := r.form.column(rest, n)
			if !there {
				return good
			}
			key, value, ok := strings.Cut(pair, "=")
			if !ok {
				good = good && pair == ""
				continue
			}
			key, value = strings.TrimSpace(key), strings.TrimSpace(value)
			for i := range r.form.fields {
				if f := &r.form.fields[i]; f.def.Key == key {
					number, ok := nmea.Decimal(value)
					good = r.sample(f, value, value != "", number, ok) && good
				}
			}
		}
	}
}

// column returns a column, counted from 1, without blanks around it; false
// beyond the last one.
func (l *lineForm) column(text string, n int) (string, bool) {
	if l.separator == "" {
		text = strings.TrimSpace(text)
	}
	for ; ; n-- {
		var field, rest string
		var more bool
		if l.separator == "" {
			if i := strings.IndexAny(text, " \t"); i >= 0 {
				field, rest, more = text[:i], strings.TrimLeft(text[i:], " \t"), true
			} else {
				field = text
			}
		} else {
			field, rest, more = strings.Cut(text, l.separator)
		}
		if n == 1 {
			return strings.TrimSpace(field), true
		}
		if !more {
			return "", false
		}
		text = rest
	}
}

// sample appends the sample of a field and tells whether the text was good:
// empty and missing are, a text that is no number is not.
func (r *lineReader) sample(f *textField, text string, there bool, number float64, isNumber bool) bool {
	if r.touched != f.group {
		r.d.touch(&r.d.plan.frames[r.form.frame], f.group, r.line.Time, r.out)
		r.touched = f.group
	}
	s := Sample{Time: r.line.Time, Signal: f.signal}
	switch v := float64(number*f.resolution) + f.offset; {
	case !there || text == "" || slices.Contains(f.def.Missing, text):
		s.Status = NotAvailable
	case !isNumber:
		s.Status = Faulty
	case v < f.low || v > f.high:
		s.Value, s.Status = v, Implausible
	default:
		s.Value = v
	}
	r.out.Samples = append(r.out.Samples, s)
	return s.Status != Faulty
}
