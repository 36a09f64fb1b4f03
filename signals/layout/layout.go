// Package layout draws the bits of frames as text, for the author of a vehicle
// file: one row a byte, bit 8 to bit 1, each cell with the letter of its field
// and the weight of the bit in it.
//
//	pressures  0x1C2, 8 bytes every 20 ms
//	when page = 0
//	  byte    8    7    6    5    4    3    2    1
//	     1   a7   a6   a5   a4   a3   a2   a1   a0
//	     2  b15  b14  b13  b12  b11  b10   b9   b8
//	     3   b7   b6   b5   b4   b3   b2   b1   b0
//	     4    .    .    .    .    .    .    .    .
//	     :
//	  a  page           8 bits from 1.1
//	  b  main_pressure  16 bits from 2.8, big; 0.5 kPa a step; 0 to 2500 kPa
//
// A multiplexed frame has one picture for each set of conditions. The counter is
// drawn as #, the checksum as *.
package layout

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
	"unicode/utf8"

	"gearwitness/signals"
	"gearwitness/signals/bits"
)

// File draws every frame of a file and the answer to every request.
func File(f *signals.File) string {
	var parts []string
	for i := range f.Frames {
		parts = append(parts, Frame(f.Frames[i].Name, &f.Frames[i].V))
	}
	for i := range f.Requests {
		parts = append(parts, Request(f.Requests[i].Name, &f.Requests[i].V))
	}
	return strings.Join(parts, "\n")
}

// Frame draws one frame.
func Frame(name string, f *signals.Frame) string {
	head := name + "  " + identifier(f) + ", " + strconv.Itoa(f.DataLength()) + " bytes"
	if f.Every != 0 {
		head += " every " + signals.FormatDuration(f.Every)
	}
	var fixed []part
	if c := f.Counter; c != nil {
		if field, err := bits.New(c.Start, c.Bits, bits.Little); err == nil {
			fixed = append(fixed, part{label: "#", text: "counter", note: size(c.Bits, c.Start), field: field})
		}
	}
	if c := f.Checksum; c != nil {
		start := signals.BitPos{Byte: c.Byte, Bit: 1}
		if field, err := bits.New(start, 8, bits.Little); err == nil {
			fixed = append(fixed, part{label: "*", text: "checksum", note: fmt.Sprintf("byte %d, %s", c.Byte, c.Kind), field: field})
		}
	}
	return draw(head, f.DataLength(), f.Signals, fixed)
}

// Request draws the data of the answer to one request, after service and item.
func Request(name string, q *signals.Request) string {
	length := q.Length
	for i := range q.Signals {
		length = max(length, q.Signals[i].V.Field().Need())
	}
	head := fmt.Sprintf("%s  answer to % X, %d bytes", name, q.Payload(), length)
	return draw(head, length, q.Signals, nil)
}

func identifier(f *signals.Frame) string {
	switch {
	case f.PGN != nil:
		s := fmt.Sprintf("group %d", *f.PGN)
		if f.Source != nil {
			s += fmt.Sprintf(" from %d", *f.Source)
		}
		if f.Dest != nil {
			s += fmt.Sprintf(" to %d", *f.Dest)
		}
		return s
	case f.ID != nil && f.Extended:
		return fmt.Sprintf("0x%08X (29 bits)", *f.ID)
	case f.ID != nil:
		return fmt.Sprintf("0x%03X", *f.ID)
	}
	return "no identifier"
}

// part is one field of a picture.
type part struct {
	label, text, note string
	field             bits.Field
}

func size(width int, start signals.BitPos) string {
	if width == 1 {
		return "1 bit at " + start.String()
	}
	return fmt.Sprintf("%d bits from %v", width, start)
}

// draw writes the head and one picture for each set of conditions.
func draw(head string, length int, list signals.Named[signals.Signal], fixed []part) string {
	all := make([]map[string][]signals.RawRange, len(list))
	for i := range list {
		all[i] = conditions(list, i, nil)
	}
	// The sets in the order of the file; those that a longer one contains are
	// drawn with it.
	var sets []map[string][]signals.RawRange
	for _, s := range all {
		if !slices.ContainsFunc(all, func(o map[string][]signals.RawRange) bool { return len(o) > len(s) && within(s, o) }) &&
			!slices.ContainsFunc(sets, func(o map[string][]signals.RawRange) bool { return within(s, o) && within(o, s) }) {
			sets = append(sets, s)
		}
	}
	if len(sets) == 0 {
		sets = append(sets, nil)
	}
	var b strings.Builder
	b.WriteString(head + "\n")
	for _, set := range sets {
		if len(set) > 0 {
			b.WriteString("when " + words(set) + "\n")
		}
		var parts []part
		for i := range list {
			if within(all[i], set) {
				s := &list[i].V
				parts = append(parts, part{label: letter(len(parts)), text: list[i].Name, note: describe(s), field: s.Field()})
			}
		}
		picture(&b, length, append(parts, fixed...))
	}
	return b.String()
}

// conditions gathers all that must hold for a signal to be there, by the
// signals asked.
func conditions(list signals.Named[signals.Signal], i int, trail []int) map[string][]signals.RawRange {
	out := make(map[string][]signals.RawRange)
	if slices.Contains(trail, i) {
		return out
	}
	for _, c := range list[i].V.When {
		out[c.Signal] = c.Values
		if j := list.Index(c.Signal); j >= 0 {
			for k, v := range conditions(list, j, append(trail, i)) {
				if _, own := out[k]; !own {
					out[k] = v
				}
			}
		}
	}
	return out
}

// within tells whether whatever meets set meets s too: both ask the same of
// every signal of s.
func within(s, set map[string][]signals.RawRange) bool {
	for name, values := range s {
		if !slices.Equal(values, set[name]) {
			return false
		}
	}
	return true
}

func words(set map[string][]signals.RawRange) string {
	var parts []string
	for name, values := range set {
		var v []string
		for _, r := range values {
			if r.Low == r.High {
				v = append(v, strconv.FormatInt(r.Low, 10))
			} else {
				v = append(v, fmt.Sprintf("%d to %d", r.Low, r.High))
			}
		}
		parts = append(parts, name+" = "+strings.Join(v, " or "))
	}
	slices.Sort(parts)
	return strings.Join(parts, " and ")
}

// letter names the i-th field: a to z, then aa, ab ...
func letter(i int) string {
	if i < 26 {
		return string(rune('a' + i))
	}
	return letter(i/26-1) + letter(i%26)
}

func picture(b *strings.Builder, length int, parts []part) {
	length = min(length, bits.MaxData)
	cells := make([][8]string, length)
	used := make([]bool, length)
	for _, p := range parts {
		for w := range p.field.Width() {
			var data [bits.MaxData]byte
			p.field.Put(data[:], 1<<w)
			for i := range length {
				for bit := range 8 {
					if data[i]>>bit&1 == 1 {
						cells[i][bit] += p.label + strconv.Itoa(w)
						used[i] = true
					}
				}
			}
		}
	}
	width := 4
	for _, row := range cells {
		for _, c := range row {
			width = max(width, len(c))
		}
	}
	line := func(head string, cell func(bit int) string) {
		row := fmt.Sprintf("  %4s", head)
		for bit := 7; bit >= 0; bit-- {
			row += fmt.Sprintf(" %*s", width, cell(bit))
		}
		b.WriteString(row + "\n")
	}
	line("byte", func(bit int) string { return strconv.Itoa(bit + 1) })
	for i := 0; i < length; i++ {
		line(strconv.Itoa(i+1), func(bit int) string {
			if cells[i][bit] == "" {
				return "."
			}
			return cells[i][bit]
		})
		// A stretch of three or more rows without fields is drawn as its first one
		// and a colon.
		if !used[i] && i+2 < length && !used[i+1] && !used[i+2] {
			b.WriteString("     :\n")
			for i+1 < length && !used[i+1] {
				i++
			}
		}
	}
	longest := 0
	for _, p := range parts {
		longest = max(longest, utf8.RuneCountInString(p.text))
	}
	for _, p := range parts {
		pad := strings.Repeat(" ", longest-utf8.RuneCountInString(p.text))
		fmt.Fprintf(b, "  %s  %s%s  %s\n", p.label, p.text, pad, p.note)
	}
}

// describe says in one line what a signal is.
func describe(s *signals.Signal) string {
	out := size(s.Bits, s.Start)
	if s.Order == signals.Big {
		out += ", big"
	}
	switch s.Number {
	case signals.Signed:
		out += ", signed"
	case signals.Float:
		out += ", floating point"
	}
	figure := func(v float64) string { return strconv.FormatFloat(v, 'g', -1, 64) }
	with := ""
	if s.Unit != "" {
		with = " " + string(s.Unit)
	}
	switch {
	case s.Table != nil:
		out += fmt.Sprintf("; table of %d points to%s", len(s.Table), with)
	case s.Thermistor != nil:
		out += "; thermistor to" + with
	case s.Sender != nil:
		out += fmt.Sprintf("; sender, full scale %s%s", figure(s.Sender.FullScale), with)
	case s.Pulses != 0:
		out += fmt.Sprintf("; %s pulses a revolution to%s", figure(s.Pulses), with)
	case s.Resolution != 1 || s.Offset != 0 || with != "":
		out += fmt.Sprintf("; %s%s a step", figure(s.Resolution), with)
		if s.Offset != 0 {
			out += fmt.Sprintf(" from %s", figure(s.Offset))
		}
	}
	if s.Range != nil {
		out += fmt.Sprintf("; %s to %s%s", figure(s.Range.Low), figure(s.Range.High), with)
	}
	var states []string
	for _, st := range s.States {
		states = append(states, fmt.Sprintf("%d %s", st.V, st.Name))
	}
	if states != nil {
		out += "; " + strings.Join(states, ", ")
	}
	return out
}
