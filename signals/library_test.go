package signals

import (
	"bytes"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"math"
	"os"
	"strings"
	"testing"

	"gearwitness/signals/unit"
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

// The answers carry service, parameter and data as they come without transport
// bytes.
func TestDiagnosticLibraryMeetsPublishedAnswers(t *testing.T) {
	text, _ := Builtin("obd/powertrain")
	f, list := Parse("library", text, nil)
	if f == nil {
		t.Fatal(list)
	}
	raw, err := os.ReadFile("testdata/obd-answers.json")
	if err != nil {
		t.Fatal(err)
	}
	var cases []struct {
		Response, Unit, Source string
		Want                   float64
	}
	if err := json.Unmarshal(raw, &cases); err != nil {
		t.Fatal(err)
	}
	if len(cases) < 30 {
		t.Fatalf("only %d cases", len(cases))
	}
	for _, c := range cases {
		answer, err := hex.DecodeString(c.Response)
		if err != nil {
			t.Fatal(err)
		}
		want, _ := unit.Parse(c.Unit)
		matched := false
		for i := range f.Requests {
			q := &f.Requests[i].V
			data, ok := bytes.CutPrefix(answer, q.Echo())
			if !ok {
				continue
			}
			if len(data) != q.Length {
				t.Errorf("%s: %d data bytes, want %d", c.Response, len(data), q.Length)
			}
			s := &q.Signals[len(q.Signals)-1].V // the figure; flags stand before it
			pattern, ok := s.Field().Uint(data)
			if got := s.Value(pattern); !ok || math.Abs(got-c.Want) > 1e-6 || s.Unit != want {
				t.Errorf("%s: got %v %s, want %v %s (%s)", c.Response, got, s.Unit, c.Want, want, c.Source)
			}
			matched = true
		}
		if !matched {
			t.Errorf("%s: the library does not ask for it", c.Response)
		}
	}
}

func TestRequestBytes(t *testing.T) {
	n := func(v uint32) *uint32 { return &v }
	b := func(v uint8) *uint8 { return &v }
	for _, c := range []struct {
		request       Request
		payload, echo string
		target        uint32
		answers       uint32
	}{
		// SAE J1979 and ISO 14229-1; identifiers of ISO 15765-4.
		{Request{Service: CurrentData, Item: n(0x0C)}, "010c", "410c", 0x7DF, 0},
		{Request{Service: VehicleInfo, Item: n(0x02), To: n(0x7E0)}, "0902", "4902", 0x7E0, 0x7E8},
		{Request{Service: StoredFaults, Extended: true}, "03", "43", 0x18DB33F1, 0},
		{Request{Service: FreezeFrame, Item: n(0x0C), Frame: b(1)}, "020c01", "420c01", 0x7DF, 0},
		{Request{Service: ReadFaults, Item: n(2), Mask: b(0x08), To: n(0x7E1)}, "190208", "5902", 0x7E1, 0x7E9},
		{Request{Service: ReadByID, Item: n(0xF190), To: n(0x18DA18F1), Extended: true}, "22f190", "62f190", 0x18DA18F1, 0x18DAF118},
		{Request{Service: ReadByID, Item: n(0xF190), To: n(0x700), From: n(0x708)}, "22f190", "62f190", 0x700, 0x708},
	} {
		id, any := c.request.Answers()
		if got := hex.EncodeToString(c.request.Payload()); got != c.payload {
			t.Errorf("payload %s, want %s", got, c.payload)
		}
		if got := hex.EncodeToString(c.request.Echo()); got != c.echo {
			t.Errorf("%s: echo %s, want %s", c.payload, got, c.echo)
		}
		if c.request.Target() != c.target || id != c.answers || any != (c.answers == 0) {
			t.Errorf("%s: to %X, answered by %X, %v; want %X, %X", c.payload, c.request.Target(), id, any, c.target, c.answers)
		}
	}
}
