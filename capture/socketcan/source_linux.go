package socketcan

import (
	"context"
	"errors"
	"fmt"
	"os"
	"slices"
	"strings"
	"sync"
	"syscall"
	"time"
	"unsafe"

	"golang.org/x/sys/unix"

	"gearwitness/capture"
)

const (
	receiveBuffer = 8 << 20 // asked for, so that the kernel holds seconds of a busy bus while we are away
	checkEvery    = time.Second
	batchFrames   = 8192
	oldest        = 10 * time.Second // a frame's age by the wall clock beyond this means that the wall clock was set
)

// Source listens to one interface, and sends where it was opened for that. Next
// is for one goroutine at a time; Send and Close may be called from others.
type Source struct {
	file     *os.File
	raw      syscall.RawConn
	rx       *receiver
	clock    capture.Clock
	link     Link
	channels []capture.Channel
	notes    []capture.Note
	hardware bool
	send     bool

	last    capture.Stamp
	hwStart int64
	hwMap   capture.ClockMap
	drops   drops
	checked capture.Stamp
	good    bool   // a valid frame has come
	state   string // of the controller, told last
	foreign bool   // told that another program sends
	closing sync.Once
	closed  chan struct{}
}

// Open listens to the CAN interface called name, and lets Send work where
// cfg.Send says so. It does not switch it on nor
// set its bit rate; errors say how that is done. A note tells when the interface
// is not listen-only, since it then takes part in the bus.
func Open(name string, cfg Config, clock capture.Clock) (*Source, error) {
	link, err := findLink(name)
	if err != nil {
		return nil, err
	}
	if !link.Up {
		hint := "sudo ip link set " + name + " up"
		if link.Kind == "can" {
			hint += " type can bitrate 500000 listen-only on (with the bus's own bit rate)"
		}
		return nil, fmt.Errorf("CAN interface %s is switched off; switch it on: %s", name, hint)
	}
	fd, err := unix.Socket(unix.AF_CAN, unix.SOCK_RAW|unix.SOCK_CLOEXEC|unix.SOCK_NONBLOCK, unix.CAN_RAW)
	if err != nil {
		return nil, fmt.Errorf("CAN interface %s cannot be opened: the kernel refuses a CAN socket: %w", name, err)
	}
	if err := setUp(fd, link.Index, cfg.Send); err != nil {
		unix.Close(fd)
		return nil, fmt.Errorf("CAN interface %s cannot be opened: %w", name, err)
	}
	s, err := newSource(fd, link, cfg, clock)
	if err != nil {
		unix.Close(fd)
		return nil, err
	}
	return s, nil
}

// setUp prepares a CAN socket and binds it to an interface.
func setUp(fd, index int, send bool) error {
	if send {
		// A frame comes back to us when it has gone out.
		if err := unix.SetsockoptInt(fd, unix.SOL_CAN_RAW, unix.CAN_RAW_RECV_OWN_MSGS, 1); err != nil {
			return fmt.Errorf("our own frames: %w", err)
		}
	}
	if err := unix.SetsockoptInt(fd, unix.SOL_CAN_RAW, unix.CAN_RAW_ERR_FILTER, maskExtended); err != nil {
		return fmt.Errorf("error messages: %w", err)
	}
	// Old kernels know no CAN FD; classic frames come all the same.
	if err := unix.SetsockoptInt(fd, unix.SOL_CAN_RAW, unix.CAN_RAW_FD_FRAMES, 1); err != nil && !errors.Is(err, unix.ENOPROTOOPT) {
		return fmt.Errorf("CAN FD frames: %w", err)
	}
	return unix.Bind(fd, &unix.SockaddrCAN{Ifindex: index})
}

// newSource reads frames from any datagram socket that is set up and ready.
func newSource(fd int, link Link, cfg Config, clock capture.Clock) (*Source, error) {
	if cfg.Send && link.ListenOnly {
		return nil, fmt.Errorf("CAN interface %s is listen-only and cannot send requests; start without them, or switch it: sudo ip link set %s down, then up again with: type can listen-only off", link.Name, link.Name)
	}
	// Time and losses are what this program lives on; other kernels than Linux
	// do not get here, and every Linux since 2.6.33 has both.
	stamps := unix.SOF_TIMESTAMPING_RX_SOFTWARE | unix.SOF_TIMESTAMPING_SOFTWARE |
		unix.SOF_TIMESTAMPING_RX_HARDWARE | unix.SOF_TIMESTAMPING_RAW_HARDWARE
	if err := unix.SetsockoptInt(fd, unix.SOL_SOCKET, unix.SO_TIMESTAMPING, stamps); err != nil {
		return nil, fmt.Errorf("%s: time stamps: %w", link.Name, err)
	}
	if err := unix.SetsockoptInt(fd, unix.SOL_SOCKET, unix.SO_RXQ_OVFL, 1); err != nil {
		return nil, fmt.Errorf("%s: counting of losses: %w", link.Name, err)
	}
	// Only an administrator may go beyond the system's limit; what is granted
	// is enough either way, and losses are counted.
	if unix.SetsockoptInt(fd, unix.SOL_SOCKET, unix.SO_RCVBUFFORCE, receiveBuffer) != nil {
		_ = unix.SetsockoptInt(fd, unix.SOL_SOCKET, unix.SO_RCVBUF, receiveBuffer)
	}
	if cfg.Channel.Name == "" {
		cfg.Channel.Name = link.Name
	}
	c := &cfg.Channel
	c.Kind, c.Device, c.BitRate, c.Passive = capture.CAN, link.Name, link.BitRate, link.ListenOnly
	s := &Source{
		file: os.NewFile(uintptr(fd), link.Name), rx: newReceiver(), clock: clock, link: link,
		channels: []capture.Channel{cfg.Channel}, hardware: cfg.AdapterStamps, send: cfg.Send, closed: make(chan struct{}),
	}
	raw, err := s.file.SyscallConn()
	if err != nil {
		return nil, fmt.Errorf("%s: %w", link.Name, err)
	}
	s.raw = raw
	s.checked = clock.Now()
	s.notes = openNotes(link, cfg, s.checked)
	return s, nil
}

// openNotes says what is to be known about an interface before it is trusted.
func openNotes(l Link, cfg Config, now capture.Stamp) (notes []capture.Note) {
	note := func(kind, format string, args ...any) {
		notes = append(notes, capture.Note{Time: now, Kind: kind, Text: fmt.Sprintf(format, args...)})
	}
	rate := "a bit rate that the kernel does not tell"
	if l.BitRate > 0 {
		rate = rateText(l.BitRate)
	}
	switch {
	case l.Kind == "can" && l.ListenOnly:
		note("open", "%s opened at %s, listen-only", l.Name, rate)
	case l.Kind == "can" && cfg.Send:
		note("open", "%s opened at %s, to send requests; it acknowledges frames on the bus", l.Name, rate)
	case l.Kind == "can":
		note("open", "%s opened at %s; it is not listen-only: it acknowledges frames on the bus. sudo ip link set %s down, then up again with: type can listen-only on", l.Name, rate, l.Name)
	default:
		note("open", "%s opened, an interface within this machine", l.Name)
	}
	if cfg.BitRate > 0 && l.BitRate > 0 && cfg.BitRate != l.BitRate {
		note("state", "%s is set to %s, expected was %s: one of them is wrong", l.Name, rate, rateText(cfg.BitRate))
	}
	return notes
}

func rateText(bitRate int) string { return fmt.Sprintf("%g kbit/s", float64(bitRate)/1000) }

// Channels returns the one bus of this source.
func (s *Source) Channels() []capture.Channel { return s.channels }

// Next appends what has arrived; see capture.Source.
func (s *Source) Next(ctx context.Context, b *capture.Batch) error {
	b.Channels = s.channels
	frames, losses, notes := len(b.Frames), len(b.Losses), len(b.Notes)
	b.Notes = append(b.Notes, s.notes...)
	s.notes = s.notes[:0]
	some := func() bool { return len(b.Frames) > frames || len(b.Losses) > losses || len(b.Notes) > notes }
	if some() {
		return nil
	}
	if err := ctx.Err(); err != nil {
		return err
	}
	past := time.Unix(1, 0)
	defer context.AfterFunc(ctx, func() { s.file.SetReadDeadline(past) })()
	for !some() {
		// Silence, too, is looked into: losses at the end of a burst show
		// nowhere else.
		if err := s.file.SetReadDeadline(time.Now().Add(checkEvery)); err != nil {
			return s.sort(ctx, err)
		}
		if ctx.Err() != nil {
			return ctx.Err()
		}
		err := s.receive(b, frames+batchFrames)
		if s.clock.Now().Sub(s.checked) >= checkEvery {
			s.check(b)
		}
		if err != nil && !(errors.Is(err, os.ErrDeadlineExceeded) && ctx.Err() == nil) {
			return s.sort(ctx, err)
		}
	}
	return nil
}

// Send puts a classic data frame into the interface's queue, without waiting;
// see capture.Sender. It comes back in a batch when the controller has sent it.
func (s *Source) Send(f capture.Frame) error {
	const unfit = capture.Remote | capture.Error | capture.FD
	switch {
	case !s.send:
		return capture.ErrListenOnly
	case f.Bus != 0:
		return fmt.Errorf("%s: a frame for channel %d; there is one", s.link.Name, f.Bus)
	case f.Flags&unfit != 0 || f.Len > 8 || f.ID > maskExtended || f.Flags&capture.Extended == 0 && f.ID > maskStandard:
		return fmt.Errorf("%s: only classic data frames are sent", s.link.Name)
	}
	p, failed := classic(&f), error(nil)
	err := s.raw.Control(func(fd uintptr) { _, failed = unix.Write(int(fd), p) })
	switch {
	case err != nil:
		return os.ErrClosed
	case errors.Is(failed, unix.EAGAIN), errors.Is(failed, unix.ENOBUFS):
		return fmt.Errorf("CAN interface %s takes no more frames: nobody on the bus acknowledges them; check ignition, wiring and bit rate", s.link.Name)
	case errors.Is(failed, unix.ENETDOWN), errors.Is(failed, unix.ENODEV), errors.Is(failed, unix.ENXIO):
		return fmt.Errorf("CAN interface %s: %w", s.link.Name, capture.ErrUnplugged)
	case failed != nil:
		return fmt.Errorf("CAN interface %s cannot send: %w", s.link.Name, failed)
	}
	return nil
}

// sort puts what ended a read in the words of this program.
func (s *Source) sort(ctx context.Context, err error) error {
	select {
	case <-s.closed:
		return os.ErrClosed
	default:
	}
	switch {
	case ctx.Err() != nil:
		return ctx.Err()
	case errors.Is(err, unix.ENETDOWN):
		return fmt.Errorf("CAN interface %s %w; switch it on: sudo ip link set %s up", s.link.Name, capture.ErrUnplugged, s.link.Name)
	case errors.Is(err, unix.ENODEV), errors.Is(err, unix.ENXIO):
		return fmt.Errorf("CAN interface %s %w; plug it in again and switch it on", s.link.Name, capture.ErrUnplugged)
	}
	return fmt.Errorf("CAN interface %s: %w", s.link.Name, err)
}

// receive waits for messages and takes all there are, up to limit frames in b.
func (s *Source) receive(b *capture.Batch, limit int) error {
	for first := true; len(b.Frames) < limit; first = false {
		var n int
		var failed error
		err := s.raw.Read(func(fd uintptr) bool {
			n, failed = s.rx.receive(int(fd))
			return failed != unix.EAGAIN || !first
		})
		switch {
		case err != nil:
			return err
		case failed == unix.EAGAIN:
			return nil
		case failed != nil:
			return failed
		}
		wall, now := time.Now().UnixNano(), s.clock.Now()
		for i := range n {
			s.take(b, s.rx.message(i), wall, now)
		}
		if n < messages {
			return nil
		}
	}
	return nil
}

// take deals with one message, read at now on the session clock and wall on the
// system's.
func (s *Source) take(b *capture.Batch, m message, wall int64, now capture.Stamp) {
	if n := s.drops.fresh(m.drops, m.dropsTold); n > 0 {
		b.Losses = append(b.Losses, capture.Loss{Time: now, Reason: capture.ReasonOverrun, Count: uint64(n),
			Detail: "the program did not keep up: the kernel's queue ran full"})
	}
	f, err := ParseFrame(m.data)
	if err != nil || m.flags&unix.MSG_TRUNC != 0 {
		b.Losses = append(b.Losses, capture.Loss{Time: now, Reason: capture.ReasonMalformed, Count: 1, Detail: fmt.Sprint(err)})
		return
	}
	t := now
	switch age := time.Duration(wall - m.software); {
	case s.hardware && m.hardware != 0:
		if s.hwStart == 0 {
			s.hwStart = m.hardware
		}
		t = s.hwMap.At(time.Duration(m.hardware-s.hwStart), now)
	case m.software != 0 && age >= 0 && age < oldest:
		t = now.Add(-age)
	}
	// The wall clock may be set between two frames; a batch is in time order.
	s.last = max(s.last, t)
	f.Time = s.last
	switch {
	case m.flags&unix.MSG_CONFIRM != 0:
		f.Flags |= capture.Own
	case m.flags&unix.MSG_DONTROUTE != 0 && s.link.Kind == "can":
		f.Flags |= capture.Own
		if !s.foreign {
			s.foreign = true
			b.Notes = append(b.Notes, capture.Note{Time: f.Time, Kind: "state", Text: "another program of this machine sends on " + s.link.Name + "; its frames are marked as not the car's"})
		}
	}
	if f.Flags&capture.Error != 0 {
		s.busError(&f, b)
	} else {
		s.good = true
	}
	b.Frames = append(b.Frames, f)
}

// busError tells what an error message frame means for the recording.
func (s *Source) busError(f *capture.Frame, b *capture.Batch) {
	e, _ := f.BusError()
	if slices.Contains(e.Controller, "rx_overflow") {
		b.Losses = append(b.Losses, capture.Loss{Time: f.Time, Reason: capture.ReasonOverrun, Count: 1, Detail: "the controller ran full: at least one frame"})
	}
	state := strings.Join(slices.DeleteFunc(e.Words(), func(w string) bool {
		return w != "bus_off" && w != "restarted" && !strings.HasPrefix(w, "controller: ") || strings.HasSuffix(w, "_overflow")
	}), ", ")
	if state == "" || state == s.state {
		return
	}
	s.state = state
	text := s.link.Name + ": " + state
	if !s.good && s.link.BitRate > 0 {
		text += fmt.Sprintf(", and no valid frame so far: is %s the right bit rate?", rateText(s.link.BitRate))
	}
	b.Notes = append(b.Notes, capture.Note{Time: f.Time, Kind: "state", Text: text})
}

// check compares the interface's own counters of losses with those of before.
func (s *Source) check(b *capture.Batch) {
	s.checked = s.clock.Now()
	found, err := links(s.link.Index)
	if err != nil || len(found) != 1 {
		return // the next read tells
	}
	s.compare(found[0], b)
}

func (s *Source) compare(l Link, b *capture.Batch) {
	lose := func(before, after uint64, detail string) {
		if after > before {
			b.Losses = append(b.Losses, capture.Loss{Time: s.checked, Reason: capture.ReasonOverrun, Count: after - before, Detail: detail})
		}
	}
	lose(s.link.Dropped, l.Dropped, "the kernel dropped frames of the interface")
	lose(s.link.Overrun, l.Overrun, "the controller lost frames")
	if l.ListenOnly != s.link.ListenOnly {
		c := slices.Clone(s.channels)
		c[0].Passive = l.ListenOnly
		s.channels = c
		text := " is no longer listen-only"
		if l.ListenOnly {
			text = " is listen-only now"
		}
		b.Notes = append(b.Notes, capture.Note{Time: s.checked, Kind: "state", Text: l.Name + text})
	}
	s.link = l
}

// Close closes the socket. A Next that waits returns os.ErrClosed.
func (s *Source) Close() error {
	err := os.ErrClosed
	s.closing.Do(func() {
		close(s.closed)
		err = s.file.Close()
	})
	return err
}

// messages are read at once.
const messages = 64

// controlSize holds a time stamp and a count of losses with room to spare.
const controlSize = 256

// receiver reads many messages with one call (recvmmsg) into memory of its own.
type receiver struct {
	headers [messages]header
	iov     [messages]unix.Iovec
	data    [messages][sizeFD + 8]byte // longer than any frame: what is too long shows
	control [messages][controlSize]byte
}

// header is struct mmsghdr.
type header struct {
	unix.Msghdr
	n uint32
}

// message is what one call of recvmsg would give.
type message struct {
	data      []byte // valid until the next receive
	flags     int32
	software  int64 // ns since the Unix epoch, 0 none
	hardware  int64 // ns on the hardware's own clock, 0 none
	drops     uint32
	dropsTold bool
}

func newReceiver() *receiver {
	r := new(receiver)
	for i := range r.headers {
		r.iov[i].Base = &r.data[i][0]
		r.iov[i].SetLen(len(r.data[i]))
		h := &r.headers[i]
		h.Iov = &r.iov[i]
		h.SetIovlen(1)
		h.Control = &r.control[i][0]
	}
	return r
}

// receive reads up to messages from a socket that does not block.
func (r *receiver) receive(fd int) (int, error) {
	for i := range r.headers {
		r.headers[i].SetControllen(controlSize)
	}
	for {
		n, _, errno := unix.Syscall6(unix.SYS_RECVMMSG, uintptr(fd), uintptr(unsafe.Pointer(&r.headers[0])), messages, unix.MSG_DONTWAIT, 0, 0)
		switch errno {
		case 0:
			return int(n), nil
		case unix.EINTR:
		default:
			return 0, errno
		}
	}
}

// message returns what was received in place i.
func (r *receiver) message(i int) message {
	h := &r.headers[i]
	m := message{data: r.data[i][:min(int(h.n), len(r.data[i]))], flags: h.Flags}
	control := r.control[i][:min(int(h.Controllen), controlSize)]
	for len(control) >= unix.SizeofCmsghdr {
		c := (*unix.Cmsghdr)(unsafe.Pointer(&control[0]))
		n := int(c.Len)
		if n < unix.CmsgLen(0) || n > len(control) {
			break
		}
		m.option(c.Level, c.Type, control[unix.CmsgLen(0):n])
		control = control[min(unix.CmsgSpace(n-unix.CmsgLen(0)), len(control)):]
	}
	return m
}

// option reads one control message.
func (m *message) option(level, kind int32, v []byte) {
	if level != unix.SOL_SOCKET {
		return
	}
	const size = int(unsafe.Sizeof(unix.Timespec{}))
	switch {
	case kind == unix.SCM_TIMESTAMPING && len(v) >= 3*size:
		// [0] software, [1] no longer used, [2] raw hardware; zero when absent.
		three := (*[3]unix.Timespec)(unsafe.Pointer(&v[0]))
		m.software, m.hardware = three[0].Nano(), three[2].Nano()
	case kind == unix.SO_RXQ_OVFL && len(v) >= 4:
		m.drops, m.dropsTold = *(*uint32)(unsafe.Pointer(&v[0])), true
	}
}
