// Package diagnosis reads the answers to diagnostic reads: trouble codes,
// refusals, lists of supported parameters (SAE J1979, ISO 14229-1) and the
// identifiers they travel under (ISO 15765-4). Payloads come without transport
// bytes; isotp has put them together. It is pure.
//
// What it says comes from those standards, from memory, checked against the
// published cases in testdata.
package diagnosis

import (
	"fmt"
	"strings"
)

// Code is a trouble code as it travels: two bytes of SAE J2012, three of ISO
// 14229 whose last one is the failure type.
type Code uint32

// Text returns a code of two bytes as the trade writes it, such as P0741: two
// bits for the letter P, C, B or U, two for the first digit, then three
// hexadecimal digits.
func (c Code) Text() string {
	return fmt.Sprintf("%c%d%03X", "PCBU"[c>>14&3], c>>12&3, c&0xFFF)
}

// TextWithType returns a code of three bytes, such as P0741-1C.
func (c Code) TextWithType() string { return fmt.Sprintf("%s-%02X", (c >> 8).Text(), c&0xFF) }

// Status is the status byte of a trouble code of ISO 14229.
type Status uint8

var statusNames = [8]struct{ name, words string }{
	{"testFailed", "failed now"},
	{"testFailedThisOperationCycle", "failed in this drive"},
	{"pendingDTC", "pending"},
	{"confirmedDTC", "confirmed"},
	{"testNotCompletedSinceLastClear", "not tested since cleared"},
	{"testFailedSinceLastClear", "failed since cleared"},
	{"testNotCompletedThisOperationCycle", "not tested in this drive"},
	{"warningIndicatorRequested", "warning lamp"},
}

// Names returns the standard's names of the bits set, lowest first.
func (s Status) Names() []string {
	var out []string
	for i, n := range statusNames {
		if s&(1<<i) != 0 {
			out = append(out, n.name)
		}
	}
	return out
}

// String returns the bits set in words.
func (s Status) String() string {
	var out []string
	for i, n := range statusNames {
		if s&(1<<i) != 0 {
			out = append(out, n.words)
		}
	}
	return strings.Join(out, ", ")
}

// Memory is a list of trouble codes a unit keeps.
type Memory string

// Memories.
const (
	Stored    Memory = "stored"    // service 03
	Pending   Memory = "pending"   // service 07
	Permanent Memory = "permanent" // service 0A
	ByStatus  Memory = "by status" // service 19 02
)

// Fault is one trouble code of a unit.
type Fault struct {
	Text   string // P0741 or P0741-1C
	Code   Code
	Status Status // service 19 only
}

// Faults reads the answer to a read of trouble codes: 43, 47 or 4A, a count, two
// bytes a code; or 59 02, a mask of the status bits the unit supports, three
// bytes and a status a code. A code 0000 is filling. False when the payload is
// no such answer or is cut off.
func Faults(payload []byte) (memory Memory, mask Status, list []Fault, ok bool) {
	if len(payload) < 2 {
		return "", 0, nil, false
	}
	memories := map[byte]Memory{0x43: Stored, 0x47: Pending, 0x4A: Permanent}
	if memory, ok = memories[payload[0]]; ok {
		body := payload[2:]
		if len(body) < 2*int(payload[1]) {
			return "", 0, nil, false
		}
		for i := range int(payload[1]) {
			if c := Code(body[2*i])<<8 | Code(body[2*i+1]); c != 0 {
				list = append(list, Fault{Text: c.Text(), Code: c})
			}
		}
		return memory, 0, list, true
	}
	if payload[0] != 0x59 || payload[1] != 0x02 || len(payload) < 3 || (len(payload)-3)%4 != 0 {
		return "", 0, nil, false
	}
	for b := payload[3:]; len(b) > 0; b = b[4:] {
		if c := Code(b[0])<<16 | Code(b[1])<<8 | Code(b[2]); c != 0 {
			list = append(list, Fault{Text: c.TextWithType(), Code: c, Status: Status(b[3])})
		}
	}
	return ByStatus, Status(payload[2]), list, true
}

// Refusal is a negative answer.
type Refusal struct {
	Service byte
	Code    byte
	Name    string // the standard's name of the code
	Text    string // in words
	Wait    bool   // no refusal yet: the answer comes later
	Retry   bool   // may be asked again
}

var refusals = map[byte]struct{ name, text string }{
	0x10: {"generalReject", "refused without a reason"},
	0x11: {"serviceNotSupported", "service unknown"},
	0x12: {"subFunctionNotSupported", "sub-function unknown"},
	0x13: {"incorrectMessageLengthOrInvalidFormat", "incorrect length or format"},
	0x14: {"responseTooLong", "answer too long"},
	0x21: {"busyRepeatRequest", "busy, ask again"},
	0x22: {"conditionsNotCorrect", "conditions not correct"},
	0x31: {"requestOutOfRange", "request out of range"},
	0x33: {"securityAccessDenied", "locked"},
	0x78: {"requestCorrectlyReceived-ResponsePending", "wait, the answer comes later"},
	0x7E: {"subFunctionNotSupportedInActiveSession", "sub-function not available in this session"},
	0x7F: {"serviceNotSupportedInActiveSession", "service not available in this session"},
}

// Refused reads a negative answer, 7F service code; false when the payload is
// none.
func Refused(payload []byte) (Refusal, bool) {
	if len(payload) < 3 || payload[0] != 0x7F {
		return Refusal{}, false
	}
	r := Refusal{Service: payload[1], Code: payload[2], Wait: payload[2] == 0x78, Retry: payload[2] == 0x21}
	if known, ok := refusals[r.Code]; ok {
		r.Name, r.Text = known.name, known.text
	} else {
		r.Text = fmt.Sprintf("refused with code %02X", r.Code)
	}
	return r, true
}

// Identifier returns data identifier and data of an answer to service 22; false
// when the payload is none.
func Identifier(payload []byte) (id uint16, data []byte, ok bool) {
	if len(payload) < 3 || payload[0] != 0x62 {
		return 0, nil, false
	}
	return uint16(payload[1])<<8 | uint16(payload[2]), payload[3:], true
}

// Supported lists the parameters that an answer to a read of 00, 20, 40 ... says
// the unit has: bit 31 of its four bytes is the next parameter. False when the
// payload is no such answer.
func Supported(payload []byte) (list []byte, ok bool) {
	if len(payload) < 6 || payload[0] != 0x41 || payload[1]%0x20 != 0 {
		return nil, false
	}
	for i := range 32 {
		if payload[2+i/8]&(0x80>>(i%8)) != 0 {
			list = append(list, payload[1]+byte(i)+1)
		}
	}
	return list, true
}

// Record is one parameter of an answer to service 01.
type Record struct {
	Item byte
	Data []byte // aliases the payload
}

// Records cuts an answer to service 01 up. A request may ask for up to six
// parameters; their lengths follow from the standard's table. False when the
// payload is no such answer or holds a parameter whose length is not known.
func Records(payload []byte) (list []Record, ok bool) {
	if len(payload) < 3 || payload[0] != 0x41 {
		return nil, false
	}
	for b := payload[1:]; len(b) > 0; {
		n := length(b[0])
		if n == 0 || len(b) < 1+n {
			return nil, false
		}
		list = append(list, Record{b[0], b[1 : 1+n]})
		b = b[1+n:]
	}
	return list, true
}

// length returns the data bytes of a parameter of service 01, 0 when it is not
// known (SAE J1979 / ISO 15031-5 table of parameters).
func length(item byte) int {
	in := func(list string) bool { return strings.IndexByte(list, item) >= 0 }
	switch {
	case item%0x20 == 0, item == 0x01, item >= 0x24 && item <= 0x2B, item >= 0x34 && item <= 0x3B, in("\x41\x4F\x50\xA4\xA6"):
		return 4
	case in("\x02\x03\x0C\x10\x1F\x21\x22\x23\x31\x32\x42\x43\x44\x4D\x4E\x53\x54\x59\x5D\x5E\x63"), item >= 0x14 && item <= 0x1B, item >= 0x3C && item <= 0x3F:
		return 2
	case item >= 0x04 && item <= 0x13, in("\x1C\x1D\x1E\x2C\x2D\x2E\x2F\x30\x33\x51\x52\x5A\x5B\x5C\x5F\x61\x62"), item >= 0x45 && item <= 0x4C:
		return 1
	}
	return 0
}

// Gear reads parameter A4 of service 01, the gear a unit says is engaged and the
// ratio of it; each is absent unless the answer says that it is given. The layout
// is known from secondary sources only.
func Gear(data []byte) (gear int, hasGear bool, ratio float64, hasRatio bool) {
	if len(data) < 4 {
		return 0, false, 0, false
	}
	if hasGear = data[0]&1 != 0; hasGear {
		gear = int(data[1] >> 4)
	}
	if hasRatio = data[0]&2 != 0; hasRatio {
		ratio = float64(int(data[2])<<8|int(data[3])) / 1000
	}
	return gear, hasGear, ratio, hasRatio
}

// Address is what an identifier means by ISO 15765-4.
type Address struct {
	Kind Kind
	// Unit is the unit asked or answering: 0 to 7 with 11-bit identifiers, its
	// address with 29-bit ones.
	Unit     uint8
	Extended bool
}

// Kind tells who speaks to whom.
type Kind uint8

// Kinds.
const (
	Other Kind = iota
	ToAll
	ToUnit
	Answer
)

// AddressOf reads an identifier: 7DF asks all, 7E0 to 7E7 one unit, which answers
// 8 higher; with 29 bits 18DB33F1, 18DAxxF1 and 18DAF1xx (F1 is the tester).
func AddressOf(id uint32, extended bool) Address {
	a := Address{Extended: extended}
	switch {
	case !extended && id == 0x7DF, extended && id == 0x18DB33F1:
		a.Kind = ToAll
	case !extended && id >= 0x7E0 && id <= 0x7E7:
		a.Kind, a.Unit = ToUnit, uint8(id-0x7E0)
	case !extended && id >= 0x7E8 && id <= 0x7EF:
		a.Kind, a.Unit = Answer, uint8(id-0x7E8)
	case extended && id&^0xFF == 0x18DAF100: // before the next: F1 asking itself is nobody's request
		a.Kind, a.Unit = Answer, uint8(id)
	case extended && id&0x1FFF00FF == 0x18DA00F1:
		a.Kind, a.Unit = ToUnit, uint8(id>>8)
	}
	return a
}

// FlowControlTo returns the identifier under which the flow control for an
// answer is sent; false unless the address answers.
func (a Address) FlowControlTo() (uint32, bool) {
	if a.Kind != Answer {
		return 0, false
	}
	if a.Extended {
		return 0x18DA00F1 | uint32(a.Unit)<<8, true
	}
	return 0x7E0 + uint32(a.Unit), true
}

// String returns the address in words, units counted from 1.
func (a Address) String() string {
	unit := fmt.Sprintf("unit %d", a.Unit+1)
	if a.Extended {
		unit = fmt.Sprintf("0x%02X", a.Unit)
	}
	switch a.Kind {
	case ToAll:
		return "functional request"
	case ToUnit:
		return "request to " + unit
	case Answer:
		return "answer of " + unit
	}
	return "no diagnostic identifier"
}
