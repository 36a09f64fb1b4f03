package nmea

import (
	"fmt"
	"strings"
)

// WithoutPosition returns a line of an instrument without the position in it, and
// whether there was one. Latitude and longitude are a figure of degrees and minutes
// with N, S, E or W in the field behind: both fields are emptied, in whatever
// sentence they stand, and the checksum is made anew. Speed, course, height and
// time stay.
//
// Of a damaged sentence nobody can tell which field is which: its name is all that
// stays. What a line says that is no sentence is not known here; it stays, but for
// fields as above.
func WithoutPosition(line string) (kept string, held bool) {
	text := strings.TrimSpace(line)
	var s Sentence
	switch fault := s.Parse(text); {
	case fault != NoFault && !damaged(text):
		return emptied(line, layout{})
	case fault != NoFault || text[0] == '!': // encapsulated: a position may be inside
		name := strings.TrimLeft(text, "$!")
		end := 0
		for end < len(name) && end < 5 && name[end] >= 'A' && name[end] <= 'Z' {
			end++
		}
		if kept = text[:len(text)-len(name)] + name[:end]; kept == text {
			return line, false
		}
		return kept, true
	}
	body, _, _ := strings.Cut(text[1:], "*")
	body, held = emptied(body, s.layout())
	if !held {
		return line, false
	}
	return fmt.Sprintf("$%s*%02X", body, Sum(body)), true
}

// damaged tells whether a text that is no sentence has been one: it begins with
// the name of one, five capitals or P and three, or ends with a checksum.
func damaged(text string) bool {
	if n := len(text); n > 3 && text[n-3] == '*' {
		return true
	}
	if text == "" || text[0] != '$' && text[0] != '!' {
		return false
	}
	name, _, _ := strings.Cut(text[1:], ",")
	letters := 0
	for letters < len(name) && name[letters] >= 'A' && name[letters] <= 'Z' {
		letters++
	}
	return letters >= 5 || letters == 4 && name[0] == 'P'
}

// emptied empties the fields of a position between commas.
func emptied(body string, l layout) (string, bool) {
	fields := strings.Split(body, ",")
	held := false
	for i := range len(fields) - 1 {
		if i > 0 && (i == l.lat || i == l.lon) && fields[i]+fields[i+1] != "" || angle(fields[i], fields[i+1]) {
			fields[i], fields[i+1], held = "", "", true
		}
	}
	return strings.Join(fields, ","), held
}

// angle tells whether two fields are an angle on the globe: ddmm.mmm of latitude
// or dddmm.mmm of longitude, and its sense. A speed in knots, which is followed
// by N as well, and a magnetic variation have fewer than four digits.
func angle(figure, sense string) bool {
	switch strings.TrimSpace(sense) {
	case "N", "S", "E", "W":
	default:
		return false
	}
	whole, _, _ := strings.Cut(strings.TrimSpace(figure), ".")
	for i := range len(whole) {
		if whole[i] < '0' || whole[i] > '9' {
			return false
		}
	}
	return len(whole) >= 4
}
