// Package socketcan listens to the CAN interfaces of a Linux kernel through raw
// sockets (Linux Documentation/networking/can.rst). It sends only where it was
// opened for that, and never changes an interface; that is the administrator's:
//
//	sudo ip link set can0 up type can bitrate 500000 listen-only on
//
// Elsewhere than on Linux Open says so. The parsing functions work everywhere.
package socketcan

import (
	"encoding/binary"
	"fmt"

	"gearwitness/capture"
)

// Sizes of what a read from a raw socket returns; they tell classic CAN from
// CAN FD (struct can_frame and canfd_frame of include/uapi/linux/can.h).
const (
	sizeClassic = 16
	sizeFD      = 72
)

// Bits of can_id and of canfd_frame.flags.
const (
	idExtended   = 0x80000000
	idRemote     = 0x40000000
	idError      = 0x20000000
	maskExtended = 0x1FFFFFFF
	maskStandard = 0x7FF

	fdBitRateSwitch = 0x01
	fdErrorState    = 0x02
)

// ParseFrame reads what a raw socket delivered: struct can_frame or canfd_frame
// in the byte order of this machine. Time and Bus of the frame are 0.
func ParseFrame(p []byte) (capture.Frame, error) {
	var f capture.Frame
	if len(p) != sizeClassic && len(p) != sizeFD {
		return f, fmt.Errorf("socketcan frame of %d bytes; expected %d or, on CAN FD, %d", len(p), sizeClassic, sizeFD)
	}
	id, n := binary.NativeEndian.Uint32(p), p[4]
	if most := len(p) - 8; int(n) > most {
		return f, fmt.Errorf("socketcan frame with a length of %d; expected at most %d", n, most)
	}
	f.Len = n
	switch {
	case id&idError != 0:
		f.Flags, f.ID = capture.Error, id&maskExtended
	case id&idExtended != 0:
		f.Flags, f.ID = capture.Extended, id&maskExtended
	default:
		f.ID = id & maskStandard
	}
	if len(p) == sizeFD {
		f.Flags |= capture.FD
		if p[5]&fdBitRateSwitch != 0 {
			f.Flags |= capture.BitRateSwitch
		}
		if p[5]&fdErrorState != 0 {
			f.Flags |= capture.ErrorState
		}
	} else if id&idRemote != 0 && id&idError == 0 {
		f.Flags |= capture.Remote
		return f, nil // a length, never data
	}
	copy(f.Data[:n], p[8:])
	return f, nil
}

// classic is struct can_frame of a classic data frame: what is written to a raw
// socket.
func classic(f *capture.Frame) []byte {
	p := make([]byte, sizeClassic)
	id := f.ID
	if f.Flags&capture.Extended != 0 {
		id |= idExtended
	}
	binary.NativeEndian.PutUint32(p, id)
	p[4] = f.Len
	copy(p[8:], f.Data[:f.Len])
	return p
}

// drops turns the running total of SO_RXQ_OVFL into newly lost frames. The total
// counts since the socket was made, modulo 2^32; as long as it is 0 the kernel
// does not tell it (Linux commit 3b885787ea41).
type drops struct{ total uint32 }

// fresh returns how many were lost before a frame that came with total.
func (d *drops) fresh(total uint32, told bool) uint32 {
	if !told {
		return 0
	}
	n := total - d.total
	d.total = total
	return n
}
