// Package checksum computes the check byte of a frame: named CRC-8s, XOR and
// sum, over every data byte but the check byte itself.
package checksum

// Kind is one way to compute a check byte.
type Kind struct {
	table *[256]byte // of a CRC; nil for the others
	init  byte
	final byte // combined by XOR at the end
	step  func(sum, b byte) byte
}

// Lookup returns the kind of that name: crc8-sae-j1850 (polynomial 1D, start
// FF, final FF), xor or sum.
func Lookup(name string) (Kind, bool) {
	switch name {
	case "crc8-sae-j1850":
		return Kind{table: crcTable(0x1D), init: 0xFF, final: 0xFF}, true
	case "xor":
		return Kind{step: func(s, b byte) byte { return s ^ b }}, true
	case "sum":
		return Kind{step: func(s, b byte) byte { return s + b }}, true
	}
	return Kind{}, false
}

// Sum returns the check byte of data, leaving out the one at index at; nothing
// is left out when at is no index of data.
func (k Kind) Sum(data []byte, at int) byte {
	sum := k.init
	if k.table != nil {
		for i, b := range data {
			if i != at {
				sum = k.table[sum^b]
			}
		}
		return sum ^ k.final
	}
	for i, b := range data {
		if i != at {
			sum = k.step(sum, b)
		}
	}
	return sum ^ k.final
}

func crcTable(poly byte) *[256]byte {
	var t [256]byte
	for i := range t {
		c := byte(i)
		for range 8 {
			high := c & 0x80
			c <<= 1
			if high != 0 {
				c ^= poly
			}
		}
		t[i] = c
	}
	return &t
}
