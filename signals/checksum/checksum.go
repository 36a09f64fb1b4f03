// Package checksum computes the check byte of a frame: named CRC-8s, XOR and
// sum, over every data byte but the check byte itself, with constant bytes
// before and after where a system has some.
package checksum

// Kind is one way to compute a check byte.
type Kind struct {
	table *[256]byte // of a CRC; nil for the others
	init  byte
	final byte // combined by XOR at the end
	step  func(sum, b byte) byte
}

// crc is one row of the catalogue of parametrised CRC-8s.
type crc struct {
	name      string
	poly      byte
	init      byte
	reflected bool
	final     byte
	// check is the CRC of the nine bytes "123456789"; the test computes it.
	check byte
}

// Parameters and check values from the public catalogue of parametrised CRC
// algorithms and, for the two first, the AUTOSAR CRC library's tables.
var catalogue = []crc{
	{"crc8-sae-j1850", 0x1D, 0xFF, false, 0xFF, 0x4B},
	{"crc8-autosar", 0x2F, 0xFF, false, 0xFF, 0xDF},
	{"crc8-opensafety", 0x2F, 0x00, false, 0x00, 0x3E},
	{"crc8-smbus", 0x07, 0x00, false, 0x00, 0xF4},
	{"crc8-rohc", 0x07, 0xFF, true, 0x00, 0xD0},
	{"crc8-i-432-1", 0x07, 0x00, false, 0x55, 0xA1},
	{"crc8-maxim-dow", 0x31, 0x00, true, 0x00, 0xA1},
	{"crc8-nrsc-5", 0x31, 0xFF, false, 0x00, 0xF7},
	{"crc8-darc", 0x39, 0x00, true, 0x00, 0x15},
	{"crc8-cdma2000", 0x9B, 0xFF, false, 0x00, 0xDA},
	{"crc8-wcdma", 0x9B, 0x00, true, 0x00, 0x25},
	{"crc8-i-code", 0x1D, 0xFD, false, 0x00, 0x7E},
	{"crc8-gsm-a", 0x1D, 0x00, false, 0x00, 0x37},
	{"crc8-hitag", 0x1D, 0xFF, false, 0x00, 0xB4},
	{"crc8-tech-3250", 0x1D, 0xFF, true, 0x00, 0x97},
	{"crc8-dvb-s2", 0xD5, 0x00, false, 0x00, 0xBC},
	{"crc8-gsm-b", 0x49, 0x00, false, 0xFF, 0x94},
	{"crc8-bluetooth", 0xA7, 0x00, true, 0x00, 0x26},
}

// Lookup returns the kind of that name: a CRC-8 of Names, xor or sum.
func Lookup(name string) (Kind, bool) {
	switch name {
	case "xor":
		return Kind{step: func(s, b byte) byte { return s ^ b }}, true
	case "sum":
		return Kind{step: func(s, b byte) byte { return s + b }}, true
	case "sum-complement": // the frame's bytes and the check byte add up to 255
		return Kind{step: func(s, b byte) byte { return s + b }, final: 0xFF}, true
	}
	for _, c := range catalogue {
		if c.name == name {
			init := c.init
			if c.reflected {
				init = reverse(init)
			}
			return Kind{table: crcTable(c.poly, c.reflected), init: init, final: c.final}, true
		}
	}
	return Kind{}, false
}

// Names lists the kinds that Lookup knows.
func Names() []string {
	names := []string{"xor", "sum", "sum-complement"}
	for _, c := range catalogue {
		names = append(names, c.name)
	}
	return names
}

// Sum returns the check byte of data, leaving out the one at index at; nothing
// is left out when at is no index of data.
func (k Kind) Sum(data []byte, at int) byte { return k.SumWith(nil, data, at, nil) }

// Linear tells whether the check bytes of two data combine by XOR: that of
// a XOR b is Sum(a) ^ Sum(b) ^ Sum(zeros). CRCs are so whatever they start from,
// which lets a fixed length be looked up byte by byte.
func (k Kind) Linear() bool { return k.table != nil }

// SumWith is Sum over prefix, data and suffix: the constant bytes, such as a
// data identifier, that some systems protect along with the data.
func (k Kind) SumWith(prefix, data []byte, at int, suffix []byte) byte {
	sum := k.run(k.init, prefix)
	if at < 0 || at >= len(data) {
		sum = k.run(sum, data)
	} else {
		sum = k.run(k.run(sum, data[:at]), data[at+1:])
	}
	return k.run(sum, suffix) ^ k.final
}

func (k Kind) run(sum byte, data []byte) byte {
	if k.table != nil {
		for _, b := range data {
			sum = k.table[sum^b]
		}
		return sum
	}
	for _, b := range data {
		sum = k.step(sum, b)
	}
	return sum
}

// crcTable gives the register after one byte. A reflected CRC shifts towards
// the low end with its polynomial mirrored.
func crcTable(poly byte, reflected bool) *[256]byte {
	var t [256]byte
	mirrored := reverse(poly)
	for i := range t {
		c := byte(i)
		for range 8 {
			switch {
			case reflected && c&1 != 0:
				c = c>>1 ^ mirrored
			case reflected:
				c >>= 1
			case c&0x80 != 0:
				c = c<<1 ^ poly
			default:
				c <<= 1
			}
		}
		t[i] = c
	}
	return &t
}

func reverse(b byte) byte {
	var out byte
	for range 8 {
		out = out<<1 | b&1
		b >>= 1
	}
	return out
}
