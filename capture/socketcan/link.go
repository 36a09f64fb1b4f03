package socketcan

import (
	"bytes"
	"encoding/binary"
	"errors"
)

// Link is what the kernel tells about a network interface (rtnetlink; the CAN
// part of include/uapi/linux/can/netlink.h).
type Link struct {
	Index       int
	Name        string
	Kind        string // "can" for a bus, "vcan" for one within this machine, else something else
	CAN         bool   // a CAN interface at all
	Up          bool
	BitRate     int // bit/s, 0 unknown
	DataBitRate int // bit/s of the CAN FD data phase, 0 unknown
	ListenOnly  bool
	Dropped     uint64 // frames the kernel dropped in receiving (rx_dropped)
	Overrun     uint64 // frames the controller lost (rx_over_errors)
}

// Numbers of rtnetlink (include/uapi/linux/if_link.h, if_arp.h, if.h) and of
// CAN interfaces.
const (
	typeCAN = 280 // ARPHRD_CAN
	flagUp  = 0x1 // IFF_UP

	attrName     = 3
	attrLinkInfo = 18
	attrStats64  = 23

	attrInfoKind = 1
	attrInfoData = 2

	attrBitTiming     = 1
	attrControlMode   = 5
	attrDataBitTiming = 9

	modeListenOnly = 0x02

	statDropped = 6  // of struct rtnl_link_stats64, in units of 8 bytes
	statOverrun = 11 // rx_over_errors
	sizeIfinfo  = 16 // struct ifinfomsg
	attrHeader  = 4  // struct rtattr
)

var errShortLink = errors.New("interface description cut off")

// parseLink reads the body of an RTM_NEWLINK message, behind its nlmsghdr, in
// the byte order of this machine.
func parseLink(p []byte) (Link, error) {
	if len(p) < sizeIfinfo {
		return Link{}, errShortLink
	}
	e := binary.NativeEndian
	l := Link{
		CAN:   e.Uint16(p[2:]) == typeCAN,
		Index: int(int32(e.Uint32(p[4:]))),
		Up:    e.Uint32(p[8:])&flagUp != 0,
	}
	err := attributes(p[sizeIfinfo:], func(kind uint16, v []byte) error {
		switch kind {
		case attrName:
			l.Name = text(v)
		case attrStats64:
			if len(v) >= 8*(statOverrun+1) {
				l.Dropped, l.Overrun = e.Uint64(v[8*statDropped:]), e.Uint64(v[8*statOverrun:])
			}
		case attrLinkInfo:
			return l.parseInfo(v)
		}
		return nil
	})
	return l, err
}

func (l *Link) parseInfo(p []byte) error {
	var data []byte
	if err := attributes(p, func(kind uint16, v []byte) error {
		switch kind {
		case attrInfoKind:
			l.Kind = text(v)
		case attrInfoData:
			data = v
		}
		return nil
	}); err != nil || l.Kind != "can" {
		return err // the data of another kind mean something else
	}
	return attributes(data, func(kind uint16, v []byte) error {
		e := binary.NativeEndian
		switch {
		case kind == attrBitTiming && len(v) >= 4:
			l.BitRate = int(e.Uint32(v))
		case kind == attrDataBitTiming && len(v) >= 4:
			l.DataBitRate = int(e.Uint32(v))
		case kind == attrControlMode && len(v) >= 8:
			l.ListenOnly = e.Uint32(v[4:])&modeListenOnly != 0
		}
		return nil
	})
}

// attributes calls f for each struct rtattr in p; the kind comes without the
// nesting and byte order bits.
func attributes(p []byte, f func(kind uint16, value []byte) error) error {
	for len(p) >= attrHeader {
		n := int(binary.NativeEndian.Uint16(p))
		if n < attrHeader || n > len(p) {
			return errShortLink
		}
		if err := f(binary.NativeEndian.Uint16(p[2:])&0x3FFF, p[attrHeader:n]); err != nil {
			return err
		}
		p = p[min((n+3)&^3, len(p)):]
	}
	return nil
}

func text(p []byte) string {
	s, _, _ := bytes.Cut(p, []byte{0})
	return string(s)
}
