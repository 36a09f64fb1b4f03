// Package nmea reads sentences of NMEA 0183, the text that satellite receivers
// and other instruments send:
//
//	$GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,230394,003.1,W*6A
//
// $, talker (two letters), sentence (three), fields between commas, * and the
// XOR of all characters between $ and * in hexadecimal. It is pure: text in,
// fields out.
//
// What a sentence does not know is absent, never 0: an empty field, and where
// the receiver has no fix everything that follows from one. Receivers filter
// speed and lag by 0.2 to 1 s: good for calibrating a tyre's circumference at
// steady speed, not for slip during a shift (common practice, no source).
//
// Source: NMEA 0183 as told in public guides to the sentences, from memory.
package nmea

import (
	"strconv"
	"strings"
	"time"
)

// MaxFields is how many fields of a sentence are kept; the longest sentence of
// the standard has fewer in its 82 characters.
const MaxFields = 40

// KmPerHour is one knot, exactly.
const KmPerHour = 1.852

// Sentence is one sentence taken apart. Its texts alias the line.
type Sentence struct {
	Talker string // such as GP, GN; empty for a name of other length than five
	Type   string // such as RMC: the last three letters of the name
	n      int
	fields [MaxFields]string
}

// Fault is why a line is no sentence.
type Fault uint8

// Faults.
const (
	NoFault  Fault = iota
	Shape          // no $ or !, no name, or too many fields
	Checksum       // missing or wrong
)

var faultNames = [...]string{"no fault", "not an NMEA 0183 sentence", "checksum missing or wrong"}

// String returns the fault in words.
func (f Fault) String() string { return faultNames[f] }

// Parse takes a line apart into s. Line ends and blanks around it do not count.
func (s *Sentence) Parse(line string) Fault {
	*s = Sentence{}
	line = strings.TrimSpace(line)
	if len(line) < 2 || line[0] != '$' && line[0] != '!' {
		return Shape
	}
	body, check, ok := strings.Cut(line[1:], "*")
	if !ok {
		return Checksum
	}
	want, err := strconv.ParseUint(check, 16, 8)
	if err != nil || len(check) != 2 || byte(want) != Sum(body) {
		return Checksum
	}
	name, rest, some := strings.Cut(body, ",")
	if len(name) < 3 {
		return Shape
	}
	s.Type = name[len(name)-3:]
	if len(name) == 5 {
		s.Talker = name[:2]
	}
	for some {
		if s.n == MaxFields {
			return Shape
		}
		s.fields[s.n], rest, some = strings.Cut(rest, ",")
		s.n++
	}
	return NoFault
}

// Sum returns the XOR of all characters: the checksum of what stands between $
// and *.
func Sum(body string) byte {
	var sum byte
	for i := range len(body) {
		sum ^= body[i]
	}
	return sum
}

// Field returns a field, counted from 1 after the name; empty beyond the end.
func (s *Sentence) Field(i int) string {
	if i < 1 || i > s.n {
		return ""
	}
	return s.fields[i-1]
}

// layout tells where a sentence has what needs more than reading a number.
type layout struct {
	typ         string
	status      int // field of the receiver's word on its fix
	none        string
	needs       uint32 // fields that mean nothing without a fix, by bit
	lat, lon    int    // fields of the position; the sense stands in the next one
	clock, date int
}

var layouts = []layout{
	{typ: "RMC", status: 2, none: "V", needs: bitsOf(3, 4, 5, 6, 7, 8, 10, 11), lat: 3, lon: 5, clock: 1, date: 9},
	{typ: "GGA", status: 6, none: "0", needs: bitsOf(2, 3, 4, 5, 8, 9, 10, 11, 12), lat: 2, lon: 4, clock: 1},
	{typ: "GLL", status: 6, none: "V", needs: bitsOf(1, 2, 3, 4), lat: 1, lon: 3, clock: 5},
}

func bitsOf(fields ...int) (b uint32) {
	for _, f := range fields {
		b |= 1 << f
	}
	return b
}

func (s *Sentence) layout() layout {
	for _, l := range layouts {
		if l.typ == s.Type {
			return l
		}
	}
	return layout{}
}

// Fix tells whether the sentence says that the receiver has a fix; ok is false
// for sentences that do not speak about it.
func (s *Sentence) Fix() (fix, ok bool) {
	l := s.layout()
	if l.status == 0 || s.Field(l.status) == "" {
		return false, false
	}
	return s.Field(l.status) != l.none, true
}

// Text returns a field as it stands; false when it is empty or means nothing
// because there is no fix.
func (s *Sentence) Text(i int) (string, bool) {
	text := s.Field(i)
	if text == "" {
		return "", false
	}
	if l := s.layout(); i < 32 && l.needs&(1<<i) != 0 {
		if fix, ok := s.Fix(); ok && !fix {
			return "", false
		}
	}
	return text, true
}

// Number returns a field as a number; false when it has none. A latitude or
// longitude comes in degrees, south and west negative.
func (s *Sentence) Number(i int) (float64, bool) {
	text, ok := s.Text(i)
	if !ok {
		return 0, false
	}
	if l := s.layout(); i == l.lat || i == l.lon {
		return degrees(text, s.Field(i+1))
	}
	return Decimal(text)
}

// Decimal reads a plain decimal number: digits, a sign, a point. What other
// notations a program may know, such as "inf" or "0x10", is none.
func Decimal(text string) (float64, bool) {
	for i := range len(text) {
		if c := text[i]; (c < '0' || c > '9') && c != '.' && c != '-' && c != '+' && c != 'e' && c != 'E' {
			return 0, false
		}
	}
	v, err := strconv.ParseFloat(text, 64)
	return v, err == nil
}

// degrees turns dddmm.mmm and a letter into degrees.
func degrees(text, sense string) (float64, bool) {
	point := strings.IndexByte(text, '.')
	if point < 0 {
		point = len(text)
	}
	if point < 3 || point > 5 || strings.ContainsAny(text, "+-eE") {
		return 0, false
	}
	whole, okWhole := Decimal(text[:point-2])
	minutes, okMinutes := Decimal(text[point-2:])
	if !okWhole || !okMinutes || minutes >= 60 {
		return 0, false
	}
	v := whole + minutes/60
	switch sense {
	case "N", "E":
	case "S", "W":
		v = -v
	default:
		return 0, false
	}
	return v, v >= -180 && v <= 180
}

// Clock returns the time of day in UTC.
func (s *Sentence) Clock() (time.Duration, bool) {
	text := s.Field(s.layout().clock)
	if len(text) < 6 || len(text) > 6 && text[6] != '.' {
		return 0, false
	}
	h, okH := twoDigits(text)
	m, okM := twoDigits(text[2:])
	sec, okS := Decimal(text[4:])
	if !okH || !okM || !okS || h > 23 || m > 59 || sec < 0 || sec >= 61 {
		return 0, false
	}
	return time.Duration(h)*time.Hour + time.Duration(m)*time.Minute + time.Duration(float64(sec*1e9)+0.5), true
}

// UTC returns date and time, of a sentence that has both. Years of two digits
// from 80 on belong to the last century (our policy).
func (s *Sentence) UTC() (time.Time, bool) {
	clock, ok := s.Clock()
	date := s.Field(s.layout().date)
	if !ok || len(date) != 6 {
		return time.Time{}, false
	}
	d, okD := twoDigits(date)
	m, okM := twoDigits(date[2:])
	y, okY := twoDigits(date[4:])
	if y += 2000; y >= 2080 {
		y -= 100
	}
	t := time.Date(y, time.Month(m), d, 0, 0, 0, 0, time.UTC)
	if !okD || !okM || !okY || t.Day() != d || int(t.Month()) != m { // no 30th of February
		return time.Time{}, false
	}
	return t.Add(clock), true
}

func twoDigits(s string) (int, bool) {
	if len(s) < 2 || s[0] < '0' || s[0] > '9' || s[1] < '0' || s[1] > '9' {
		return 0, false
	}
	return int(s[0]-'0')*10 + int(s[1]-'0'), true
}
