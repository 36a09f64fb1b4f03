package checksum

import "testing"

func TestSum(t *testing.T) {
	for _, c := range []struct {
		kind string
		data []byte
		at   int
		want byte
	}{
		// Check value of the catalogue of parametrised CRC algorithms, from memory.
		{"crc8-sae-j1850", []byte("123456789"), -1, 0x4B},
		// AUTOSAR CRC library examples, from memory.
		{"crc8-sae-j1850", []byte{0, 0, 0, 0}, -1, 0x59},
		{"crc8-sae-j1850", []byte{0xF2, 0x01, 0x83}, -1, 0x37},
		{"crc8-sae-j1850", []byte{0xF2, 0xAA, 0x01, 0x83}, 1, 0x37},
		// By hand.
		{"xor", []byte{0x12, 0x34, 0xFF}, 2, 0x26},
		{"sum", []byte{0xF0, 0x20, 0x99}, 2, 0x10},
	} {
		k, ok := Lookup(c.kind)
		if !ok {
			t.Fatalf("%s is not known", c.kind)
		}
		if got := k.Sum(c.data, c.at); got != c.want {
			t.Errorf("%s of % x without %d: got %02x, want %02x", c.kind, c.data, c.at, got, c.want)
		}
	}
	if _, ok := Lookup("crc8"); ok {
		t.Error("a name that is none was found")
	}
}
