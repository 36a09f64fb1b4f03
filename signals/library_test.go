package signals

import (
	"encoding/hex"
	"encoding/json"
	"fmt"
	"math"
	"os"
	"strings"
	"testing"
)

func TestLibrariesRead(t *testing.T) {
	for _, name := range Libraries() {
		text, err := Builtin(name)
		if err != nil {
			t.Fatal(err)
		}
		f, list := Parse(libraryName(name), text, nil)
		if len(list) > 0 {
			t.Fatalf("%s:\n%s", name, list.Excerpts(func(string) []byte { return text }))
		}
		for _, fr := range f.Frames {
			for _, s := range fr.V.Signals {
				if strings.HasPrefix(name, "j1939/") && !strings.HasPrefix(s.V.Note, "SPN ") {
					t.Errorf("%s: %s has no number of the standard in its note", name, s.Name)
				}
			}
		}
	}
	if _, err := Builtin("../van"); err == nil {
		t.Error("a library outside the libraries was opened")
	}
}

// Each published example says which parameter (SPN) of which group it belongs
// to, some its position and scaling too: the library must have the same, and
// read the same value from the bytes.
func TestLibraryMeetsPublishedExamples(t *testing.T) {
	text, _ := Builtin("j1939/powertrain")
	f, _ := Parse("library", text, nil)
	type entry struct {
		frame *Frame
		s     *Signal
	}
	bySPN := make(map[int]entry)
	for i := range f.Frames {
		for j := range f.Frames[i].V.Signals {
			s := &f.Frames[i].V.Signals[j].V
			var spn int
			fmt.Sscanf(s.Note, "SPN %d", &spn)
			bySPN[spn] = entry{&f.Frames[i].V, s}
		}
	}
	raw, err := os.ReadFile("testdata/j1939-signals.json")
	if err != nil {
		t.Fatal(err)
	}
	var cases []struct {
		SPN                int
		PGN                uint32
		Start, Data, Unit  string
		Bits               int
		Resolution, Offset *float64
		Raw                *uint64
		Want               any
	}
	if err := json.Unmarshal(raw, &cases); err != nil {
		t.Fatal(err)
	}
	values, texts, none := 0, 0, 0
	for _, c := range cases {
		e, ok := bySPN[c.SPN]
		if !ok || *e.frame.PGN != c.PGN {
			t.Errorf("SPN %d in group %d is not in the library", c.SPN, c.PGN)
			continue
		}
		if c.Start != "" && (e.s.Start.String() != c.Start || e.s.Bits != c.Bits) {
			t.Errorf("SPN %d: %d bits from %v, want %d from %s", c.SPN, e.s.Bits, e.s.Start, c.Bits, c.Start)
		}
		if c.Resolution != nil && (e.s.Resolution != *c.Resolution || e.s.Offset != *c.Offset || string(e.s.Unit) != c.Unit) {
			t.Errorf("SPN %d: %v %s per step from %v, want %v %s from %v", c.SPN, e.s.Resolution, e.s.Unit, e.s.Offset, *c.Resolution, c.Unit, *c.Offset)
		}
		data, err := hex.DecodeString(c.Data)
		if err != nil {
			t.Fatal(err)
		}
		pattern, ok := e.s.Field().Uint(data)
		if ok && c.Raw != nil && pattern != *c.Raw {
			t.Errorf("SPN %d of %s: raw %d, want %d", c.SPN, c.Data, pattern, *c.Raw)
		}
		switch want := c.Want.(type) {
		case float64:
			values++
			if got := e.s.Value(pattern); !ok || math.Abs(got-want) > 1e-9 {
				t.Errorf("SPN %d of %s: got %v, %v; want %v", c.SPN, c.Data, got, ok, want)
			}
		case string:
			texts++
			got := "none"
			for _, st := range e.s.States {
				if st.V == e.s.Raw(pattern) {
					got = st.Name
				}
			}
			if got != strings.TrimSpace(want) {
				t.Errorf("SPN %d of %s: got %s, want %s", c.SPN, c.Data, got, want)
			}
		default:
			none++ // not available and the like: the rules of the standard, which decoding applies
			if top := float64(pattern) / math.Exp2(float64(e.s.Bits)); ok && top < 0.75 && e.s.Bits > 2 || ok && e.s.Bits == 2 && pattern < 2 {
				t.Errorf("SPN %d of %s: raw %d is no value, says the example", c.SPN, c.Data, pattern)
			}
		}
	}
	if values < 35 || texts < 2 || none < 8 {
		t.Errorf("ran %d values, %d texts, %d without value", values, texts, none)
	}
}
