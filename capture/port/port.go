// Package port opens and lists serial ports (through go.bug.st/serial) and
// reads byte streams without losing or re-timing anything on the way. It knows
// no protocol.
package port

import (
	"cmp"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"runtime"
	"slices"
	"strings"
	"sync/atomic"

	"go.bug.st/serial"

	"gearwitness/capture"
)

// Info describes one serial port of this machine.
type Info struct {
	Device      string `json:"device"`                // what Open takes: "/dev/ttyUSB0", "COM5"
	Description string `json:"description,omitempty"` // what the device calls itself, where the system tells
	Serial      string `json:"serial,omitempty"`      // serial number of the USB device
	USB         bool   `json:"usb"`
}

// List returns the serial ports of this machine in order of their names.
func List() ([]Info, error) {
	ports, err := detailed()
	if err != nil {
		// Some systems tell no more than names.
		names, err := serial.GetPortsList()
		if err != nil {
			return nil, fmt.Errorf("serial ports cannot be listed: %w", err)
		}
		ports = nil
		for _, n := range names {
			ports = append(ports, Info{Device: n})
		}
	}
	slices.SortFunc(ports, func(a, b Info) int { return cmp.Compare(a.Device, b.Device) })
	return ports, nil
}

// Problem is what kept a port from being opened.
type Problem int

// Problems in opening a port.
const (
	Other        Problem = iota
	Missing              // no such port
	Busy                 // another program has it
	NoPermission         // this user may not
	NotSerial            // something else of that name
	BadSpeed             // baud rate not supported
)

// OpenError is why a port could not be opened, in words that say what to do.
type OpenError struct {
	Device  string
	Baud    int
	Problem Problem
	Ports   []string // Missing: the ports there are
	Err     error
}

func (e *OpenError) Unwrap() error { return e.Err }

func (e *OpenError) Error() string {
	switch e.Problem {
	case Missing:
		if len(e.Ports) == 0 {
			return fmt.Sprintf("there is no serial port %s, and no other on this machine: plug the adapter in, check its cable, then try again", e.Device)
		}
		return fmt.Sprintf("there is no serial port %s; there are: %s", e.Device, strings.Join(e.Ports, ", "))
	case Busy:
		return fmt.Sprintf("serial port %s is in use by another program; close that program, then try again", e.Device)
	case NoPermission:
		if runtime.GOOS == "linux" {
			return fmt.Sprintf("no permission to open serial port %s; join the group that owns it (usually dialout): sudo usermod -aG dialout $USER, then log out and in again", e.Device)
		}
		return fmt.Sprintf("no permission to open serial port %s; ask an administrator of this machine for it", e.Device)
	case NotSerial:
		return fmt.Sprintf("%s is not a serial port; `gearwitness ports` lists those there are", e.Device)
	case BadSpeed:
		return fmt.Sprintf("serial port %s cannot do %d baud; 115200 is the usual rate of serial adapters", e.Device, e.Baud)
	}
	return fmt.Sprintf("serial port %s cannot be opened: %v", e.Device, e.Err)
}

// problemOf sorts out what an attempt to open a port ran into.
func problemOf(err error) Problem {
	var pe *serial.PortError
	if errors.As(err, &pe) {
		switch pe.Code() {
		case serial.PortBusy:
			return Busy
		case serial.PortNotFound:
			return Missing
		case serial.PermissionDenied:
			return NoPermission
		case serial.InvalidSpeed:
			return BadSpeed
		case serial.InvalidSerialPort:
			return NotSerial
		}
	}
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return Missing
	case errors.Is(err, fs.ErrPermission):
		return NoPermission
	}
	return Other
}

// DefaultBaud is the rate used where none is given; an adapter that is itself a
// USB serial device ignores it.
const DefaultBaud = 115_200

// Open opens a serial port raw, with 8 data bits, no parity and 1 stop bit.
// Errors are *OpenError. A read from a port that went away gives an error with
// capture.ErrUnplugged in its chain, one from a closed port os.ErrClosed.
func Open(device string, baud int) (io.ReadWriteCloser, error) {
	if baud <= 0 {
		baud = DefaultBaud
	}
	p, err := serial.Open(device, &serial.Mode{BaudRate: baud})
	if err == nil {
		return &port{Port: p, device: device}, nil
	}
	e := &OpenError{Device: device, Baud: baud, Problem: problemOf(err), Err: err}
	if e.Problem == Missing {
		if ports, err := List(); err == nil {
			for _, p := range ports {
				e.Ports = append(e.Ports, p.Device)
			}
		}
	}
	return nil, e
}

// port gives the library's port the manners of an io.Reader.
type port struct {
	serial.Port
	device string
	closed atomic.Bool
}

func (p *port) Read(b []byte) (int, error) {
	for {
		n, err := p.Port.Read(b)
		switch {
		case n > 0:
			return n, nil
		case p.closed.Load():
			return 0, fmt.Errorf("%s: %w", p.device, os.ErrClosed)
		case err != nil:
			cause := fmt.Sprintf(" (%v)", err)
			if pe := (*serial.PortError)(nil); errors.As(err, &pe) && pe.Code() == serial.PortClosed {
				cause = "" // how the library says that the other end is gone
			}
			return 0, fmt.Errorf("%s %w%s; plug it in again", p.device, capture.ErrUnplugged, cause)
		}
	}
}

func (p *port) Close() error {
	p.closed.Store(true)
	return p.Port.Close()
}
