package socketcan

import (
	"cmp"
	"encoding/binary"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"golang.org/x/sys/unix"
)

// Interfaces returns the CAN interfaces of this machine in order of their names.
func Interfaces() ([]Link, error) {
	all, err := links(0)
	if err != nil {
		return nil, fmt.Errorf("interfaces cannot be listed: %w", err)
	}
	all = slices.DeleteFunc(all, func(l Link) bool { return !l.CAN })
	slices.SortFunc(all, func(a, b Link) int { return cmp.Compare(a.Name, b.Name) })
	return all, nil
}

// findLink returns the CAN interface of a name.
func findLink(name string) (Link, error) {
	all, err := links(0)
	if err != nil {
		return Link{}, fmt.Errorf("interface %s cannot be looked up: %w", name, err)
	}
	return linkNamed(name, all)
}

func linkNamed(name string, all []Link) (Link, error) {
	var names []string
	for _, l := range all {
		switch {
		case l.Name == name && l.CAN:
			return l, nil
		case l.Name == name:
			return Link{}, fmt.Errorf("interface %s is not a CAN interface", name)
		case l.CAN:
			names = append(names, l.Name)
		}
	}
	if len(names) == 0 {
		return Link{}, fmt.Errorf("there is no CAN interface %s, and no other on this machine: plug the adapter in; a serial-line adapter is opened with slcan: instead", name)
	}
	slices.Sort(names)
	return Link{}, fmt.Errorf("there is no CAN interface %s; there are: %s", name, strings.Join(names, ", "))
}

// links asks the kernel for one interface, or with 0 for all.
func links(index int) ([]Link, error) {
	fd, err := unix.Socket(unix.AF_NETLINK, unix.SOCK_RAW|unix.SOCK_CLOEXEC, unix.NETLINK_ROUTE)
	if err != nil {
		return nil, err
	}
	defer unix.Close(fd)
	// The kernel answers at once or never.
	limit := unix.NsecToTimeval(int64(time.Second))
	if err := unix.SetsockoptTimeval(fd, unix.SOL_SOCKET, unix.SO_RCVTIMEO, &limit); err != nil {
		return nil, err
	}
	const size = unix.NLMSG_HDRLEN + sizeIfinfo
	ask := make([]byte, size)
	e := binary.NativeEndian
	flags := uint16(unix.NLM_F_REQUEST)
	if index == 0 {
		flags |= unix.NLM_F_DUMP
	}
	e.PutUint32(ask, size)
	e.PutUint16(ask[4:], unix.RTM_GETLINK)
	e.PutUint16(ask[6:], flags)
	e.PutUint32(ask[8:], 1)
	e.PutUint32(ask[unix.NLMSG_HDRLEN+4:], uint32(index))
	if err := unix.Sendto(fd, ask, 0, &unix.SockaddrNetlink{Family: unix.AF_NETLINK}); err != nil {
		return nil, err
	}
	var found []Link
	buf := make([]byte, 64<<10)
	for {
		n, _, err := unix.Recvfrom(fd, buf, 0)
		if errors.Is(err, unix.EINTR) {
			continue
		}
		if err != nil {
			return nil, err
		}
		for p := buf[:n]; len(p) >= unix.NLMSG_HDRLEN; {
			size := int(e.Uint32(p))
			if size < unix.NLMSG_HDRLEN || size > len(p) {
				return nil, errShortLink
			}
			body := p[unix.NLMSG_HDRLEN:size]
			switch e.Uint16(p[4:]) {
			case unix.NLMSG_DONE:
				return found, nil
			case unix.NLMSG_ERROR:
				if len(body) < 4 {
					return nil, errShortLink
				}
				return nil, unix.Errno(-int32(e.Uint32(body)))
			case unix.RTM_NEWLINK:
				l, err := parseLink(body)
				if err != nil {
					return nil, err
				}
				found = append(found, l)
			}
			p = p[min((size+3)&^3, len(p)):]
		}
		if index != 0 {
			return found, nil
		}
	}
}
