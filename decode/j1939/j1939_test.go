package j1939

import (
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
