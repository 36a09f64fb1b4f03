package j1939

import (
	"strings"
	"testing"

	"gearwitness/decode/internal/vectortest"
)

func TestParseID(t *testing.T) {
	for _, kind := range []string{"j1939_id", "j1939.id"} {
		for _, v := range vectortest.Load(t, kind) {
			var in string
			var want struct {
				Priority        uint8
				PGN             uint32
				SA, Source      uint8
				DA, Destination *uint8
			}
			v.Decode(t, &in, &want)
			id := vectortest.ID(t, in)
			got := ParseID(id)
			to := uint8(Everybody)
			for _, d := range []*uint8{want.DA, want.Destination} {
				if d != nil {
					to = *d
				}
			}
			if got != (ID{want.Priority, want.PGN, want.SA | want.Source, to}) {
				t.Errorf("%s: got %+v", v.Name, got)
			}
			if back := got.Uint32(); back != id {
				t.Errorf("%s: put together again: %08X", v.Name, back)
			}
		}
	}
}

func TestClassify(t *testing.T) {
	for _, v := range vectortest.Load(t, "j1939_range") {
		var in struct {
			Bytes, Bits int
			Raw         uint64
		}
		var want string
		v.Decode(t, &in, &want)
		words := map[string]Quality{
			"value": Value, "on": Value, "off": Value, "specific": Specific, "reserved": Reserved, "error": Error, "not_available": NotAvailable,
		}
		if got := Classify(in.Raw, in.Bits+8*in.Bytes); got != words[want] {
			t.Errorf("%s: got %v, want %s", v.Name, got, want)
		}
	}
	for _, v := range vectortest.Load(t, "j1939.range") {
		var in struct {
			Bits int
			Raw  uint64
		}
		var want struct{ Status string }
		v.Decode(t, &in, &want)
		words := map[string]Quality{"valid": Value, "specific": Specific, "reserved": Reserved, "error": Error, "not-available": NotAvailable}
		if got := Classify(in.Raw, in.Bits); got != words[want.Status] {
			t.Errorf("%s: got %v, want %s", v.Name, got, want.Status)
		}
	}
}

func TestFaults(t *testing.T) {
	check := func(name string, got Lamp, want string) {
		t.Helper()
		if strings.ReplaceAll(got.String(), " ", "-") != want {
			t.Errorf("%s: lamp %s, want %s", name, got, want)
		}
	}
	for _, v := range vectortest.Load(t, "j1939_dm1") {
		var in string
		var want struct {
			Lamps struct {
				Malfunction, Amber, Protect string
				RedStop                     string `json:"red_stop"`
			}
			Codes []struct {
				SPN   uint32
				FMI   uint8
				Count *uint8
			}
		}
		v.Decode(t, &in, &want)
		l, list, ok := Faults(vectortest.Hex(t, in))
		check(v.Name, l.Malfunction, want.Lamps.Malfunction)
		check(v.Name, l.RedStop, want.Lamps.RedStop)
		check(v.Name, l.Amber, want.Lamps.Amber)
		check(v.Name, l.Protect, want.Lamps.Protect)
		if !ok || len(list) != len(want.Codes) {
			t.Errorf("%s: got %+v", v.Name, list)
			continue
		}
		for i, f := range list {
			w := want.Codes[i]
			if f.SPN != w.SPN || f.FMI != w.FMI || (w.Count == nil) != (f.Count == UnknownCount) || w.Count != nil && f.Count != *w.Count {
				t.Errorf("%s: got %+v", v.Name, f)
			}
		}
	}
	for _, v := range vectortest.Load(t, "j1939.dm1") {
		var in struct{ Data string }
		var want struct {
			Lamps struct{ MIL, Red, Amber, Protect string }
			DTCs  []struct {
				SPN        uint32
				FMI, Count uint8
				Conversion int
			}
		}
		v.Decode(t, &in, &want)
		l, list, ok := Faults(vectortest.Hex(t, in.Data))
		check(v.Name, l.Malfunction, want.Lamps.MIL)
		check(v.Name, l.RedStop, want.Lamps.Red)
		check(v.Name, l.Amber, want.Lamps.Amber)
		check(v.Name, l.Protect, want.Lamps.Protect)
		if !ok || len(list) != len(want.DTCs) {
			t.Errorf("%s: got %+v", v.Name, list)
			continue
		}
		for i, f := range list {
			if w := want.DTCs[i]; f != (Fault{w.SPN, w.FMI, w.Count, w.Conversion == 1}) {
				t.Errorf("%s: got %+v", v.Name, f)
			}
		}
	}
	for _, data := range [][]byte{{0, 0xFF, 0, 0, 0, 0, 0xFF, 0xFF}, {0, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF}, {0, 0xFF}} {
		if _, list, ok := Faults(data); !ok || len(list) != 0 {
			t.Errorf("% x: got %+v, %v", data, list, ok)
		}
	}
	if _, _, ok := Faults([]byte{0}); ok {
		t.Error("one byte was read as DM1")
	}
}

func TestText(t *testing.T) {
	starts := map[int]int{162: 4, 163: 6} // SPN: index of the first of two characters (SAE J1939-71, from memory)
	for _, v := range vectortest.Load(t, "j1939.text") {
		var in struct {
			SPN  int
			Data string
		}
		var want struct{ Status, Text string }
		v.Decode(t, &in, &want)
		got, ok := Text(vectortest.Hex(t, in.Data)[starts[in.SPN]:][:2])
		if got != want.Text || ok != (want.Status == "valid") {
			t.Errorf("%s: got %q, %v", v.Name, got, ok)
		}
	}
	if _, ok := Text([]byte{0xFF, 0xFF}); ok {
		t.Error("FF FF was read as a text")
	}
}
