// Package isotp is the transport protocol of diagnostics on CAN, ISO 15765-2:
// messages of up to 4 GiB, here bounded to MaxMessage, cut into frames and put
// together again. It is pure: frames and times in, messages and frames out; no
// clock and no bus.
//
// The first four bits of a frame tell what it is:
//
//	0L data...        single frame, L bytes (CAN FD longer than 8 bytes: 00 LL data)
//	1L LL data...     first frame, 12-bit length (10 00 + 32 bits above 4095)
//	2N data...        consecutive frame, number 1..15, 0, 1 ...
//	3S BS ST          flow control: go on, wait or overflow; block size; separation
//
// A Receiver listens to one sender, passively or not; a Sender sends one
// message and obeys the other side's flow control. With extended addressing the
// first data byte is an address: leave it out of what is given here, and put it
// before what comes out.
//
// Sources: ISO 15765-2 as told in the Linux kernel's
// Documentation/networking/iso15765-2.rst and net/can/isotp.c; time-outs from
// memory.
package isotp

import (
	"encoding/binary"
	"time"
)

// MaxMessage is the longest message that is put together. The standard's escape
// allows 4 GiB; no answer to a diagnostic read comes near this.
const MaxMessage = 1 << 16

// Time-outs of ISO 15765-2: N_Bs, waiting for flow control; N_Cr, waiting for a
// consecutive frame.
const (
	TimeoutFlow        = time.Second
	TimeoutConsecutive = time.Second
)

// Kind is the kind of a frame.
type Kind uint8

// Kinds.
const (
	Single Kind = iota
	First
	Consecutive
	Flow
)

// Status is what flow control says.
type Status uint8

// Statuses.
const (
	Continue Status = iota
	Wait
	Overflow
)

// Frame is one frame taken apart.
type Frame struct {
	Kind       Kind
	Length     int    // of the message: Single, First
	Data       []byte // aliases what was parsed
	Number     uint8  // Consecutive
	Status     Status // Flow
	BlockSize  uint8  // Flow: frames until the next flow control, 0 for all
	Separation uint8  // Flow: code, see SeparationTime
}

// Fault is what is wrong with a frame or a message.
type Fault uint8

// Faults.
const (
	NoFault     Fault = iota
	BadType           // none of the four kinds
	BadLength         // a length that cannot be
	TooLong           // above MaxMessage
	Unexpected        // a consecutive frame of no message
	OutOfOrder        // a consecutive frame lost or repeated: the message is void
	Replaced          // a new message began before this one was complete
	TimedOut          // the rest did not come
	Refused           // flow control: the other side has no room
	WaitTooLong       // flow control: told to wait too often
	Unsteered         // consecutive frame beyond its block or too soon after the last
)

var faultNames = [...]string{
	"no fault", "frame type unknown", "length impossible", "message too long", "consecutive frame without a first one", "consecutive frame lost or repeated",
	"message cut off by the next one", "rest of the message did not come", "other side has no room", "other side asks to wait too often",
	"sender does not obey flow control",
}

// String returns the fault in words.
func (f Fault) String() string { return faultNames[f] }

// Parse takes a frame's data apart.
func Parse(data []byte) (Frame, Fault) {
	if len(data) == 0 {
		return Frame{}, BadLength
	}
	low := int(data[0] & 0x0F)
	switch data[0] >> 4 {
	case 0:
		body := data[1:]
		if low == 0 && len(data) > 8 { // CAN FD: the length stands in a byte of its own
			low, body = int(data[1]), data[2:]
		}
		if low == 0 || low > len(body) {
			return Frame{}, BadLength
		}
		return Frame{Kind: Single, Length: low, Data: body[:low]}, NoFault
	case 1:
		if len(data) < 7 { // 8 with normal addressing
			return Frame{}, BadLength
		}
		length, body := low<<8|int(data[1]), data[2:]
		if length == 0 {
			long := binary.BigEndian.Uint32(data[2:])
			switch {
			case long <= 4095:
				return Frame{}, BadLength
			case long > MaxMessage:
				return Frame{}, TooLong
			}
			length, body = int(long), data[6:]
		}
		if length <= len(data)-1 { // would have fitted into a single frame
			return Frame{}, BadLength
		}
		return Frame{Kind: First, Length: length, Data: body}, NoFault
	case 2:
		return Frame{Kind: Consecutive, Number: uint8(low), Data: data[1:]}, NoFault
	case 3:
		if len(data) < 3 || low > int(Overflow) {
			return Frame{}, BadLength
		}
		return Frame{Kind: Flow, Status: Status(low), BlockSize: data[1], Separation: data[2]}, NoFault
	}
	return Frame{}, BadType
}

// SeparationTime is the least time between consecutive frames that a code asks
// for. Reserved codes mean the longest, 127 ms.
func SeparationTime(code uint8) (t time.Duration, reserved bool) {
	switch {
	case code <= 0x7F:
		return time.Duration(code) * time.Millisecond, false
	case code >= 0xF1 && code <= 0xF9:
		return time.Duration(code-0xF0) * 100 * time.Microsecond, false
	}
	return 127 * time.Millisecond, true
}
