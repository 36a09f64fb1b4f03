package j1939

import "strings"

// DM1 is the parameter group of active faults, sent once a second by each unit
// that has any; longer than a frame it comes by the transport protocol.
const DM1 = 65226

// Lamp is the state of a warning lamp, two bits.
type Lamp uint8

// Lamp states.
const (
	LampOff Lamp = iota
	LampOn
	LampError
	LampNotAvailable
)

var lampNames = [...]string{"off", "on", "error", "not available"}

// String returns the state in words.
func (l Lamp) String() string { return lampNames[l&3] }

// Lamps are the four warning lamps of DM1.
type Lamps struct{ Malfunction, RedStop, Amber, Protect Lamp }

// Fault is one active fault.
type Fault struct {
	SPN   uint32 // what is at fault: number of the parameter, 19 bits
	FMI   uint8  // in which way: failure mode, 5 bits
	Count uint8  // occurrences; UnknownCount when not known
	// Old: the sender may use an older layout of the SPN, which cannot be told
	// from the data (conversion bit set).
	Old bool
}

// UnknownCount is the count of a fault whose sender does not count.
const UnknownCount = 127

// Faults reads the data of DM1: two bytes of lamps, then four bytes a fault: SPN
// low, middle, its three high bits above the FMI, and the count. A fault of all
// zeros is none, one of all ones is filling; what is left at the end after the
// last whole fault is filling as well. False when data are too short.
//
// Layout: SAE J1939-73, from memory.
func Faults(data []byte) (lamps Lamps, list []Fault, ok bool) {
	if len(data) < 2 {
		return Lamps{}, nil, false
	}
	lamps = Lamps{Malfunction: Lamp(data[0] >> 6), RedStop: Lamp(data[0] >> 4 & 3), Amber: Lamp(data[0] >> 2 & 3), Protect: Lamp(data[0] & 3)}
	for b := data[2:]; len(b) >= 4; b = b[4:] {
		f := Fault{
			SPN: uint32(b[0]) | uint32(b[1])<<8 | uint32(b[2]>>5)<<16, FMI: b[2] & 0x1F,
			Count: b[3] & 0x7F, Old: b[3]&0x80 != 0,
		}
		if f.SPN == 0 && f.FMI == 0 || f.SPN == 1<<19-1 && f.FMI == 0x1F {
			continue
		}
		list = append(list, f)
	}
	return lamps, list, true
}

// Text reads a parameter of characters, such as the two of a gearbox's range;
// blanks at the end do not count. False when it is not available.
func Text(data []byte) (string, bool) {
	for _, c := range data {
		if c < 0x20 || c > 0x7E {
			return "", false
		}
	}
	return strings.TrimRight(string(data), " "), true
}
