package checksum

import (
	"encoding/hex"
	"encoding/json"
	"os"
	"slices"
	"testing"
)

func TestCatalogueCheckValues(t *testing.T) {
	for _, c := range catalogue {
		k, ok := Lookup(c.name)
		if got := k.Sum([]byte("123456789"), -1); !ok || got != c.check {
			t.Errorf("%s of 123456789: got %02X, %v; want %02X", c.name, got, ok, c.check)
		}
	}
}

// Each case carries the parameters of its CRC: they must be those of a kind in
// the catalogue, and give the expected byte.
func TestVectors(t *testing.T) {
	text, err := os.ReadFile("testdata/vectors.json")
	if err != nil {
		t.Fatal(err)
	}
	var file struct {
		CRC8 []struct {
			Poly, Init, XorOut byte
			RefIn              bool
			Data, Want, Source string
		}
		Profile1 []struct {
			Prefix, Frame, Source string
		}
		Profile2 []struct {
			IDs, Frame, Source string
		}
	}
	if err := json.Unmarshal(text, &file); err != nil {
		t.Fatal(err)
	}
	if len(file.CRC8) < 40 || len(file.Profile1) < 7 || len(file.Profile2) < 2 {
		t.Fatalf("too few cases: %d, %d, %d", len(file.CRC8), len(file.Profile1), len(file.Profile2))
	}
	unhex := func(s string) []byte {
		b, err := hex.DecodeString(s)
		if err != nil {
			t.Fatal(err)
		}
		return b
	}
	for _, v := range file.CRC8 {
		i := slices.IndexFunc(catalogue, func(c crc) bool {
			return c.poly == v.Poly && c.init == v.Init && c.final == v.XorOut && c.reflected == v.RefIn
		})
		if i < 0 {
			t.Errorf("no kind has polynomial %02X, start %02X, final %02X", v.Poly, v.Init, v.XorOut)
			continue
		}
		k, _ := Lookup(catalogue[i].name)
		if got := k.Sum(unhex(v.Data), -1); got != unhex(v.Want)[0] {
			t.Errorf("%s of %s: got %02X, want %s (%s)", catalogue[i].name, v.Data, got, v.Want, v.Source)
		}
	}
	// AUTOSAR end-to-end profile 1: CRC in byte 1, over the data identifier and
	// then the other bytes; start and final 00.
	p1, _ := Lookup("crc8-gsm-a")
	for _, v := range file.Profile1 {
		frame := unhex(v.Frame)
		if got := p1.SumWith(unhex(v.Prefix), frame, 0, nil); got != frame[0] {
			t.Errorf("profile 1, identifier bytes %s, frame %s: got %02X", v.Prefix, v.Frame, got)
		}
	}
	// Profile 2: over bytes 2 and on, then the identifier that belongs to the
	// counter's value.
	p2, _ := Lookup("crc8-autosar")
	for _, v := range file.Profile2 {
		frame, ids := unhex(v.Frame), unhex(v.IDs)
		counter := frame[1] & 0xF
		if got := p2.SumWith(nil, frame, 0, ids[counter:counter+1]); got != frame[0] {
			t.Errorf("profile 2, identifiers %s, frame %s: got %02X", v.IDs, v.Frame, got)
		}
	}
}

func TestLeavesTheCheckByteOut(t *testing.T) {
	for _, name := range Names() {
		k, ok := Lookup(name)
		if !ok {
			t.Fatalf("%s is listed and not known", name)
		}
		data := []byte{1, 2, 3, 4, 5, 6, 0, 8}
		data[6] = k.Sum(data, 6)
		with := data[6]
		data[6] = 0x5A
		if got := k.Sum(data, 6); got != with {
			t.Errorf("%s depends on the check byte: %02X and %02X", name, got, with)
		}
		data[2] ^= 0x10
		if got := k.Sum(data, 6); got == with {
			t.Errorf("%s does not notice a changed bit", name)
		}
	}
	// By hand: 1+2+3 = 6, its complement F9; 1^2^3 = 0.
	for name, want := range map[string]byte{"sum": 6, "sum-complement": 0xF9, "xor": 0} {
		k, _ := Lookup(name)
		if got := k.Sum([]byte{1, 2, 3}, -1); got != want {
			t.Errorf("%s of 1, 2, 3: got %02X, want %02X", name, got, want)
		}
	}
	if _, ok := Lookup("crc9"); ok {
		t.Error("crc9 is known")
	}
}

func TestNoAllocations(t *testing.T) {
	k, _ := Lookup("crc8-sae-j1850")
	data := make([]byte, 8)
	if n := testing.AllocsPerRun(100, func() { data[7] = k.Sum(data, 7) }); n != 0 {
		t.Errorf("%v allocations a frame, want 0", n)
	}
}

func BenchmarkSum(b *testing.B) {
	k, _ := Lookup("crc8-sae-j1850")
	data := make([]byte, 8)
	b.ReportAllocs()
	for b.Loop() {
		data[7] = k.Sum(data, 7)
	}
	b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "frames/s")
}

func TestLinear(t *testing.T) {
	for _, name := range Names() {
		k, _ := Lookup(name)
		a, b := []byte{1, 0x80, 0xFF, 7, 9, 0xA5}, []byte{0x33, 0xCC, 0, 0x81, 0x10, 0xFE}
		both := make([]byte, len(a))
		for i := range both {
			both[i] = a[i] ^ b[i]
		}
		combined := k.Sum(a, 2) ^ k.Sum(b, 2) ^ k.Sum(make([]byte, len(a)), 2)
		if k.Linear() && k.Sum(both, 2) != combined {
			t.Errorf("%s says that it is linear", name)
		}
		if crc := name != "xor" && name != "sum" && name != "sum-complement"; k.Linear() != crc {
			t.Errorf("%s: linear %v", name, k.Linear())
		}
	}
}
