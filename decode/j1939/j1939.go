// Package j1939 reads what SAE J1939 puts into identifiers and data: parameter
// groups and addresses, the raw values that are no values, and active faults
// (DM1). It is pure: bytes and numbers in, fields out.
//
// Layout of identifiers: SAE J1939-21, as told in the Linux kernel's
// Documentation/networking/j1939.rst. Ranges of raw values: SAE J1939-71, from
// memory.
package j1939

// Addresses with a meaning of their own (SAE J1939-81, from memory).
const (
	NoAddress = 254 // a unit that has none yet
	Everybody = 255
)

// ID is a 29-bit identifier taken apart:
//
//	28..26 priority   25 EDP   24 DP   23..16 PF   15..8 PS   7..0 source
//
// PF below 240: PS is the destination and the group's low byte is 0 (PDU1).
// PF from 240: PS belongs to the group, which goes to everybody (PDU2).
type ID struct {
	Priority    uint8
	PGN         uint32 // parameter group number, 18 bits
	Source      uint8
	Destination uint8 // Everybody for a PDU2 group
}

// ParseID takes an identifier apart; bits above 28 are ignored.
func ParseID(id uint32) ID {
	out := ID{Priority: uint8(id >> 26 & 7), Source: uint8(id), Destination: Everybody, PGN: id >> 8 & 0x3FFFF}
	if addressed(id) {
		out.Destination = uint8(id >> 8)
		out.PGN &^= 0xFF
	}
	return out
}

// Uint32 returns the identifier. The destination of a PDU2 group is ignored.
func (i ID) Uint32() uint32 {
	id := uint32(i.Priority&7)<<26 | i.PGN&0x3FFFF<<8 | uint32(i.Source)
	if addressed(id) {
		id = id&^0xFF00 | uint32(i.Destination)<<8
	}
	return id
}

// Addressed tells whether the group is sent to one address (PDU1).
func (i ID) Addressed() bool { return addressed(i.PGN << 8) }

func addressed(id uint32) bool { return id>>16&0xFF < 240 }

// Quality tells what kind of thing a raw value is.
type Quality uint8

// Qualities.
const (
	Value        Quality = iota
	Specific             // FB..: a meaning of this parameter's own, such as "park"
	Reserved             // FC.., FD..: for later
	Error                // FE..: the sender knows that it is wrong
	NotAvailable         // FF..: the sender does not know
)

var qualityNames = [...]string{"value", "specific", "reserved", "error", "not available"}

// String returns the quality in words.
func (q Quality) String() string { return qualityNames[q] }

// Classify tells what a raw value of an unsigned parameter of that many bits
// is. From 8 bits on its most significant eight bits decide. Of 2 and 4 bits
// the highest value is not available and the one below it an error; of other
// widths under 8 only all bits set means anything, not available. A single bit
// is always a value.
func Classify(raw uint64, bits int) Quality {
	if bits >= 8 {
		switch top := raw >> (bits - 8) & 0xFF; {
		case top <= 0xFA:
			return Value
		case top == 0xFB:
			return Specific
		case top <= 0xFD:
			return Reserved
		case top == 0xFE:
			return Error
		}
		return NotAvailable
	}
	highest := uint64(1)<<bits - 1
	switch {
	case bits > 1 && raw == highest:
		return NotAvailable
	case (bits == 2 || bits == 4) && raw == highest-1:
		return Error
	}
	return Value
}
