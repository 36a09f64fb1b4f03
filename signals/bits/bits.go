// Package bits extracts and inserts the fields of a frame's data: any width
// from 1 to 64, either byte order, data up to 64 bytes.
//
// Positions follow SAE J1939: byte and bit counted from 1, bit 1 the least
// significant of its byte. A Little field starts at its least significant bit
// and grows towards higher bits and then higher bytes; a Big field starts at
// its most significant bit and runs towards lower bits and then higher bytes:
//
//	Little 1.5, 12 bits           Big 1.4, 12 bits
//	byte 1   8 7 6 5 . . . .      byte 1   . . . . 4 3 2 1
//	         3 2 1 0                               11 10 9 8
//	byte 2   8 7 6 5 4 3 2 1      byte 2   8 7 6 5 4 3 2 1
//	        11 10 9 8 7 6 5 4              7 6 5 4 3 2 1 0
//
// (numbers under a bit: its weight in the field, as a power of two).
//
// A Field is compiled once and used from any number of goroutines; nothing
// here allocates.
package bits

import (
	"encoding/binary"
	"fmt"
	"math"
	mathbits "math/bits"
)

// MaxData is the longest data a field can lie in: that of a CAN FD frame.
const MaxData = 64

// Pos is a bit of the data: byte and bit counted from 1, bit 1 the least
// significant of its byte. Written "5.1".
type Pos struct{ Byte, Bit int }

// String returns the position as it is written, such as "5.1".
func (p Pos) String() string { return fmt.Sprintf("%d.%d", p.Byte, p.Bit) }

// Order is the byte order of a field.
type Order uint8

// Byte orders.
const (
	Little Order = iota // start names the least significant bit
	Big                 // start names the most significant bit
)

// Field is a compiled field. The zero Field is empty: it reads as 0.
type Field struct {
	mask  uint64 // of the field's width, at bit 0
	need  uint8  // data bytes the field reaches into: its last byte, counted from 1
	first uint8  // its first byte, counted from 0
	off   uint8  // where the eight-byte load begins, counted from 0
	shift uint8  // right shift after the load
	lead  uint8  // bits of the first byte that lie before the field, in its own direction
	width uint8
	big   bool
	wide  bool // spans nine bytes: no single load holds it
}

// New compiles a field of width bits that starts at start.
func New(start Pos, width int, order Order) (Field, error) {
	switch {
	case start.Byte < 1 || start.Byte > MaxData:
		return Field{}, fmt.Errorf("byte %d is outside the data; expected 1 to %d", start.Byte, MaxData)
	case start.Bit < 1 || start.Bit > 8:
		return Field{}, fmt.Errorf("bit %d is outside a byte; expected 1 to 8", start.Bit)
	case width < 1 || width > 64:
		return Field{}, fmt.Errorf("a width of %d bits; expected 1 to 64", width)
	}
	f := Field{width: uint8(width), mask: ^uint64(0) >> (64 - width), first: uint8(start.Byte - 1), big: order == Big}
	lead := start.Bit - 1
	if f.big {
		lead = 8 - start.Bit
	}
	span := (lead + width + 7) / 8
	if int(f.first)+span > MaxData {
		return Field{}, fmt.Errorf("%d bits from %v end in byte %d, beyond byte %d", width, start, int(f.first)+span, MaxData)
	}
	f.need = f.first + uint8(span)
	f.lead = uint8(lead)
	f.wide = span > 8
	// An eight-byte load must stay inside 64 bytes, so near the end it begins
	// before the field.
	f.off = min(f.first, MaxData-8)
	back := int(f.first-f.off) * 8
	switch {
	case f.wide: // read byte by byte
	case f.big:
		f.shift = uint8(64 - back - lead - width)
	default:
		f.shift = uint8(back + lead)
	}
	return f, nil
}

// Width returns the number of bits.
func (f Field) Width() int { return int(f.width) }

// Need returns how many data bytes a frame must have to hold the field.
func (f Field) Need() int { return int(f.need) }

// Max returns the largest raw value: all bits set.
func (f Field) Max() uint64 { return f.mask }

// Load reads the field from data that is always 64 bytes long, such as that of
// a capture.Frame. The caller has compared Need with the frame's real length.
func (f *Field) Load(data *[MaxData]byte) uint64 {
	if f.wide {
		return f.slow(data[:])
	}
	w := f.Window()
	return w.Load(data)
}

// Window is how one load of eight bytes reads a field. Its Load is small enough
// to become part of the loop that calls it. The zero Window reads 0.
type Window struct {
	mask       uint64
	off, shift uint8
	big        bool
}

// Window returns the field's; the zero one where Wide.
func (f *Field) Window() Window {
	if f.wide {
		return Window{}
	}
	return Window{f.mask, f.off, f.shift, f.big}
}

// Wide tells that the field spans nine bytes, which no single load holds.
func (f *Field) Wide() bool { return f.wide }

// Load reads the field as Field.Load does.
func (w *Window) Load(data *[MaxData]byte) uint64 {
	v := binary.LittleEndian.Uint64(data[w.off&(MaxData-1):][:8])
	if w.big {
		v = mathbits.ReverseBytes64(v)
	}
	return v >> (w.shift & 63) & w.mask
}

// Uint reads the field as an unsigned number; false if data is too short.
func (f Field) Uint(data []byte) (uint64, bool) {
	if len(data) < int(f.need) {
		return 0, false
	}
	return f.slow(data), true
}

// Int reads the field as a two's complement number; false if data is too short.
func (f Field) Int(data []byte) (int64, bool) {
	raw, ok := f.Uint(data)
	return f.Sign(raw), ok
}

// Float reads the field, 32 or 64 bits wide, as an IEEE 754 number; false if
// data is too short or the width is another.
func (f Field) Float(data []byte) (float64, bool) {
	raw, ok := f.Uint(data)
	switch f.width {
	case 32:
		return float64(math.Float32frombits(uint32(raw))), ok
	case 64:
		return math.Float64frombits(raw), ok
	}
	return 0, false
}

// Sign extends the sign of a raw value of the field's width.
func (f Field) Sign(raw uint64) int64 {
	s := 64 - f.width
	return int64(raw<<s) >> s
}

// Put writes the low bits of raw into the field and leaves every other bit of
// data as it was; false, and nothing written, if data is too short.
func (f Field) Put(data []byte, raw uint64) bool {
	if len(data) < int(f.need) {
		return false
	}
	f.each(func(i int, mask byte, weight int) {
		var b byte
		if weight >= 0 {
			b = byte(raw >> weight)
		} else {
			b = byte(raw << -weight)
		}
		data[i] = data[i]&^mask | b&mask
	})
	return true
}

// slow gathers the field byte by byte.
func (f Field) slow(data []byte) uint64 {
	var raw uint64
	f.each(func(i int, mask byte, weight int) {
		b := uint64(data[i] & mask)
		if weight >= 0 {
			raw |= b << weight
		} else {
			raw |= b >> -weight
		}
	})
	return raw & f.mask
}

// each visits the field's bytes: index, the bits of it that belong to the
// field, and the weight (power of two) that bit 1 of that byte has in the
// field, negative where the field begins above it.
func (f Field) each(visit func(i int, mask byte, weight int)) {
	lead := int(f.lead)
	span := int(f.need - f.first)
	for k := range span {
		weight := 8*k - lead // Little: bit 1 of the first byte lies lead below the field
		if f.big {
			weight = lead + int(f.width) - 8*(k+1)
		}
		// Bits of this byte: weight w <= width-1 and w >= 0.
		mask := byte(0xFF)
		if weight < 0 {
			mask = mask << -weight
		}
		if over := weight + 8 - int(f.width); over > 0 {
			mask &= 0xFF >> over
		}
		visit(int(f.first)+k, mask, weight)
	}
}

// Mask returns the bits of the data that belong to the field.
func (f Field) Mask() [MaxData]byte {
	var m [MaxData]byte
	f.each(func(i int, mask byte, _ int) { m[i] = mask })
	return m
}
