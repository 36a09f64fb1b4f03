// Package vectortest reads the published cases the packages under decode are
// tested with: testdata/vectors.json, a list of objects with a kind, what goes
// in, what must come out, and the source of that.
package vectortest

import (
	"encoding/hex"
	"encoding/json"
	"fmt"
	"os"
	"testing"
)

// Vector is one case.
type Vector struct {
	Name string // for messages: the case and its source
	in   json.RawMessage
	want json.RawMessage
}

// Load returns the cases of a kind; there must be at least one.
func Load(t *testing.T, kind string) []Vector {
	t.Helper()
	text, err := os.ReadFile("testdata/vectors.json")
	if err != nil {
		t.Fatal(err)
	}
	var all []struct {
		ID, Kind, Source        string
		In, Want, Input, Expect json.RawMessage
	}
	if err := json.Unmarshal(text, &all); err != nil {
		t.Fatal(err)
	}
	var out []Vector
	for _, v := range all {
		if v.Kind != kind {
			continue
		}
		if v.In == nil {
			v.In, v.Want = v.Input, v.Expect
		}
		out = append(out, Vector{fmt.Sprintf("%s %s: %s (%s)", v.Kind, v.ID, v.In, v.Source), v.In, v.Want})
	}
	if len(out) == 0 {
		t.Fatalf("no case of kind %s", kind)
	}
	return out
}

// Decode unmarshals both sides.
func (v *Vector) Decode(t *testing.T, in, want any) {
	t.Helper()
	if err := json.Unmarshal(v.in, in); err != nil {
		t.Fatalf("%s: %v", v.Name, err)
	}
	if err := json.Unmarshal(v.want, want); err != nil {
		t.Fatalf("%s: %v", v.Name, err)
	}
}

// Hex turns a text of hexadecimal digits into bytes.
func Hex(t *testing.T, s string) []byte {
	t.Helper()
	b, err := hex.DecodeString(s)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// ID turns an identifier in hexadecimal digits into a number.
func ID(t *testing.T, s string) uint32 {
	t.Helper()
	var id uint32
	if _, err := fmt.Sscanf(s, "%x", &id); err != nil {
		t.Fatal(err)
	}
	return id
}
