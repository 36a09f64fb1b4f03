package archive

import (
	"fmt"
	"strings"
)

// VIN is what can be said of a vehicle identification number by itself.
type VIN struct {
	// Problem says why it is no such number; empty when it has the form.
	Problem string
	// Check is the check digit that 49 CFR 565.15 asks for at position 9.
	Check byte
	// Matches tells whether that digit stands there. Outside North America the
	// rule does not bind, so a mismatch is a hint to look again, never a
	// refusal.
	Matches bool
}

// Warning returns one sentence for people, empty when nothing is odd.
func (v VIN) Warning() string {
	switch {
	case v.Problem != "":
		return v.Problem
	case !v.Matches:
		return fmt.Sprintf("position 9 would be %c by the North American rule; look again, unless the vehicle was made for elsewhere", v.Check)
	}
	return ""
}

// CheckVIN looks at a number of 17 characters: letters and digits without I, O
// and Q, and its check digit. Lower case is read as upper case.
//
// Letters count as A-H 1-8, J-N 1-5, P 7, R 9, S-Z 2-9; the weighted sum modulo
// 11, with 10 written X, is the check digit (49 CFR 565.15(c)(4), tables III to V).
func CheckVIN(s string) VIN {
	const weights = "\x08\x07\x06\x05\x04\x03\x02\x0a\x00\x09\x08\x07\x06\x05\x04\x03\x02"
	s = strings.ToUpper(strings.TrimSpace(s))
	if n := len([]rune(s)); n != 17 {
		return VIN{Problem: fmt.Sprintf("a vehicle identification number has 17 characters, this one has %d", n)}
	}
	sum := 0
	for i, r := range s {
		var value int
		switch {
		case r >= '0' && r <= '9':
			value = int(r - '0')
		case r == 'I' || r == 'O' || r == 'Q':
			return VIN{Problem: fmt.Sprintf("%c at position %d: a vehicle identification number has no I, O or Q; 1 or 0 may be meant", r, i+1)}
		case r >= 'A' && r <= 'I':
			value = int(r-'A') + 1
		case r >= 'J' && r <= 'R':
			value = int(r-'J') + 1
		case r >= 'S' && r <= 'Z':
			value = int(r-'S') + 2
		default:
			return VIN{Problem: fmt.Sprintf("%q at position %d: a vehicle identification number has letters and digits alone", r, i+1)}
		}
		sum += value * int(weights[i])
	}
	check := "0123456789X"[sum%11]
	return VIN{Check: check, Matches: s[8] == check}
}

// DifferentVIN tells whether two numbers are there and are not the same; case and
// blanks around them do not count.
func DifferentVIN(a, b string) bool {
	a, b = strings.TrimSpace(a), strings.TrimSpace(b)
	return a != "" && b != "" && !strings.EqualFold(a, b)
}
