// Package pcapng writes, reads, repairs and plays back capture files in the
// format of draft-ietf-opsawg-pcapng. It is small on purpose: CAN frames and
// lines of text, exact file offsets in every complaint, and a clear border
// between a file that ends and a file that is damaged.
//
// # What a file of ours looks like
//
//	section header       hardware, operating system, application
//	interface 0          link type 227, name, description, speed, resolution 1 ns
//	interface 1          link type 147, name, description, comment
//	packet ...           in time order, interfaces mixed
//	statistics           one block an interface, when the file was closed
//
// Everything is little-endian except the CAN identifier. A CAN frame is a
// packet of exactly 8+n bytes (LINKTYPE_CAN_SOCKETCAN, 227):
//
//	 0                   4       5       6       7       8
//	+-------------------+-------+-------+-------+-------+---------------+
//	| id and flags, big | n     | FD    | 0     | 0     | n data bytes  |
//	+-------------------+-------+-------+-------+-------+---------------+
//	  80000000 29 bits            04 CAN FD, 01 bit-rate switch,
//	  40000000 remote             02 sender error passive
//	  20000000 error message
//
// A remote frame has no data bytes whatever n says. A line of text is a packet
// of link type 147 (the first of those set aside for private use) on an
// interface whose comment is TextMark:
//
//	 0
//	+------------------------------------------------------+
//	| the line's bytes as received, without its line end   |
//	+------------------------------------------------------+
//
// A line longer than MaxLine is cut; its original length says so. Frames sent
// by this program carry epb_flags 2 (outbound), all others none. Frames that
// were lost before a packet on the same interface are its epb_dropcount.
//
// A Reader, Writer or Encoder belongs to one goroutine; a Player may be steered
// from others.
package pcapng

import (
	"fmt"
	"strconv"
)

// Link types, from the registry of tcpdump.org.
const (
	LinkCAN  = 227 // LINKTYPE_CAN_SOCKETCAN
	LinkText = 147 // LINKTYPE_USER0, marked by TextMark
)

// TextMark is the comment that tells an interface with lines of text from
// anybody else's use of link type 147.
const TextMark = "text lines, one a packet, without line end"

// passiveMark is the comment of an interface known to be listen-only.
const passiveMark = "listen-only"

// MaxLine is the longest line of text that is kept, in bytes.
const MaxLine = 65535

// Block types of draft-ietf-opsawg-pcapng.
const (
	typeSection    = 0x0A0D0D0A
	typeInterface  = 1
	typeOldPacket  = 2 // obsolete packet block
	typeSimple     = 3 // packet without time and interface
	typeStatistics = 5
	typePacket     = 6 // enhanced packet block
)

// Options of draft-ietf-opsawg-pcapng.
const (
	optEnd     = 0
	optComment = 1

	shbHardware    = 2
	shbOS          = 3
	shbApplication = 4

	ifName        = 2
	ifDescription = 3
	ifSpeed       = 8
	ifResolution  = 9
	ifOffset      = 14

	epbFlags     = 2
	epbDropCount = 4

	isbStart     = 2
	isbEnd       = 3
	isbReceived  = 4
	isbIfDrop    = 5
	isbOSDrop    = 7
	isbDelivered = 8
)

const (
	magic      = 0x1A2B3C4D
	minBlock   = 12
	packetHead = 28 // bytes of an enhanced packet block before its data

	idExtended = 0x80000000
	idRemote   = 0x40000000
	idError    = 0x20000000
	idMask     = 0x1FFFFFFF

	fdBRS = 0x01
	fdESI = 0x02
	fdFDF = 0x04
)

// DamageError says where a capture file stops being one. Everything before
// Offset is good.
type DamageError struct {
	Path   string // may be empty
	Offset int64  // of the block that fails
	Frames uint64 // packets before it
	// Cut tells that the file just ends inside a block, as after a power
	// failure or while it is still being written; otherwise bytes are wrong.
	Cut  bool
	What string // expected and found
}

// Error names file, place, expectation and finding in one line.
func (e *DamageError) Error() string {
	s := fmt.Sprintf("offset %d: %s; ", e.Offset, e.What)
	if e.Path != "" {
		s = e.Path + ": " + s
	}
	switch e.Frames {
	case 0:
		return s + "no frame before it"
	case 1:
		return s + "1 frame before it is intact"
	}
	return s + grouped(e.Frames) + " frames before it are intact"
}

// grouped writes 1204 as 1,204.
func grouped(n uint64) string {
	s := strconv.FormatUint(n, 10)
	for i := len(s) - 3; i > 0; i -= 3 {
		s = s[:i] + "," + s[i:]
	}
	return s
}
