package signals

import (
	"fmt"
	"strings"
	"testing"
)

// findings are what Parse says of a frame with one signal of these keys.
func findings(signal string) string {
	_, list := Parse("x.yaml", []byte("format: 1\nframes:\n  a:\n    id: 1\n    signals:\n      x: {start: 1.1, "+signal+"}\n"), nil)
	return list.Error()
}

// Values, and how far apart they can be, must be numbers: floating-point ones end at
// 1.797e308 (IEEE 754).
func TestValuesAreNumbers(t *testing.T) {
	const large = "raw values of this width become too large to be numbers"
	for signal, want := range map[string]string{
		"bits: 16, number: signed, resolution: 2e303":   "",                     // -6.6e307 to 6.6e307
		"bits: 16, number: signed, resolution: 4e303":   "resolution: " + large, // 2.6e308 apart
		"bits: 16, number: signed, resolution: -4e303":  "resolution: " + large,
		"bits: 16, resolution: 2.7e303":                 "", // up to 1.77e308
		"bits: 16, resolution: 2.8e303":                 "resolution: " + large,
		"bits: 16, resolution: 2.7e303, offset: 1e307":  "resolution: " + large,
		"bits: 16, resolution: 2.7e303, offset: -1e307": "",
		"bits: 8, offset: 1.7e308":                      "",
	} {
		got := findings(signal)
		if strings.Contains(got, large) != (want != "") || want != "" && !strings.Contains(got, want) {
			t.Errorf("%s: %q, want %q", signal, got, want)
		}
	}
}

// Raw values of states and of what is missing fit into the field: 2 bits hold 0 to 3,
// signed -2 to 1.
func TestRawValuesFit(t *testing.T) {
	for signal, fits := range map[string]bool{
		"bits: 2, states: {0: a, 3: b}":                    true,
		"bits: 2, states: {0: a, 4: b}":                    false,
		"bits: 2, states: {-1: a}":                         false,
		"bits: 2, number: signed, states: {-2: a, 1: b}":   true,
		"bits: 2, number: signed, states: {-3: a, 1: b}":   false,
		"bits: 2, number: signed, states: {-2: a, 4: b}":   false,
		"bits: 2, missing: [3]":                            true,
		"bits: 2, missing: [4]":                            false,
		"bits: 2, number: signed, missing: [-2]":           true,
		"bits: 2, number: signed, missing: [-3]":           false,
		"bits: 8, missing: [0xFB..0xFF]":                   true,
		"bits: 8, missing: [0xFB..0x100]":                  false,
		"bits: 63, states: {0: a, 9223372036854775807: b}": true,
	} {
		if got := findings(signal); strings.Contains(got, "does not fit") == fits {
			t.Errorf("%s: %q; want it to fit: %v", signal, got, fits)
		}
	}
}

// A file full of mistakes is not told all of them: reading stops behind a hundred.
func TestStopsAfterAHundredMistakes(t *testing.T) {
	for tabs, want := range map[int]int{1: 1, 99: 99, 100: 100, 101: 101, 4000: 101} {
		_, list := Parse("x.yaml", []byte("format: 1\n"+strings.Repeat("\t\n", tabs)), nil)
		if len(list) != want {
			t.Errorf("%d tabs: %d findings, want %d", tabs, len(list), want)
		}
		if last := list[len(list)-1].String(); !strings.Contains(last, fmt.Sprintf("x.yaml:%d:1: expected spaces, found a tab", want+1)) {
			t.Errorf("%d tabs: the last is %s", tabs, last)
		}
	}
}

// What is no UTF-8 is told at its line and column, counted in code points, with the byte.
func TestPlaceOfWhatIsNoUTF8(t *testing.T) {
	_, list := Parse("x.yaml", []byte("format: 1\nvehicle: {title: °\xb0}\n"), nil)
	if got, want := list.Error(), "x.yaml:2:19: expected UTF-8 text, found byte B0; save the file as UTF-8"; got != want {
		t.Errorf("got %s, want %s", got, want)
	}
}

// Lines that cannot be read are told one by one, but not so many that reading a long
// file again and again takes for ever: as many as make 20,000 entries read anew.
func TestBrokenLinesAreToldInBoundedTime(t *testing.T) {
	for entries, most := range map[int]int{1000: 20, 4000: 5} {
		text := "format: 1\ncomputed:\n"
		for i := range entries {
			text += fmt.Sprintf("  x%d: {formula: \"1}\n", i)
		}
		_, list := Parse("x.yaml", []byte(text), nil)
		if len(list) < 2 || len(list) > most+1 {
			t.Errorf("%d broken lines: %d told, want up to %d", entries, len(list), most+1)
		}
	}
}
