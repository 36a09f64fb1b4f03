package socketcan

import (
	"context"
	"encoding/binary"
	"errors"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"gearwitness/capture"
)

// loopback gives a source that reads frames from a datagram socket of the
// loopback interface, and the socket that sends to it. Time stamps, the count of
// losses and reading many messages at once are the kernel's own there, just as
// on a CAN socket.
func loopback(t *testing.T, cfg Config, link Link) (s *Source, send func([]byte)) {
	t.Helper()
	socket := func() int {
		fd, err := unix.Socket(unix.AF_INET, unix.SOCK_DGRAM|unix.SOCK_CLOEXEC|unix.SOCK_NONBLOCK, 0)
		if err != nil {
			t.Fatal(err)
		}
		if err := unix.Bind(fd, &unix.SockaddrInet4{Addr: [4]byte{127, 0, 0, 1}}); err != nil {
			t.Fatal(err)
		}
		return fd
	}
	rx, tx := socket(), socket()
	t.Cleanup(func() { unix.Close(tx) })
	to, err := unix.Getsockname(rx)
	if err != nil {
		t.Fatal(err)
	}
	s, err = newSource(rx, link, cfg, capture.NewSessionClock())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { s.Close() })
	return s, func(p []byte) {
		t.Helper()
		if err := unix.Sendto(tx, p, 0, to); err != nil {
			t.Fatal(err)
		}
	}
}

var bus = Link{Index: 1, Name: "can0", Kind: "can", CAN: true, Up: true, BitRate: 500_000, ListenOnly: true}

func next(t *testing.T, s *Source, enough func(*capture.Batch) bool) capture.Batch {
	t.Helper()
	var b capture.Batch
	for !enough(&b) {
		if err := s.Next(t.Context(), &b); err != nil {
			t.Fatalf("%v after %d frames, losses %v", err, len(b.Frames), b.Losses)
		}
	}
	return b
}

func TestSource(t *testing.T) {
	s, send := loopback(t, Config{Channel: capture.Channel{Name: "powertrain"}}, bus)
	before := s.clock.Now()
	const frames = 200 // more than are read at once
	for i := range frames {
		send(word(uint32(i), byte(i)))
	}
	fd := make([]byte, sizeFD)
	binary.NativeEndian.PutUint32(fd, 0x18FF0001|idExtended)
	fd[4], fd[5], fd[71] = 64, fdBitRateSwitch, 0xEE
	send(fd)
	send([]byte("no frame"))
	b := next(t, s, func(b *capture.Batch) bool { return len(b.Frames) == frames+1 && len(b.Losses) == 1 })
	after := s.clock.Now()
	for i := range frames {
		if f := b.Frames[i]; f.ID != uint32(i) || f.Len != 1 || f.Data[0] != byte(i) || f.Flags != 0 {
			t.Fatalf("frame %d: got %+v", i, f)
		}
	}
	if f := b.Frames[frames]; f.ID != 0x18FF0001 || f.Flags != capture.Extended|capture.FD|capture.BitRateSwitch || f.Data[63] != 0xEE {
		t.Errorf("CAN FD: got %+v", f)
	}
	if l := b.Losses[0]; l.Reason != capture.ReasonMalformed || l.Count != 1 {
		t.Errorf("8 bytes: got %+v, want one malformed", l)
	}
	if !slices.IsSortedFunc(b.Frames, func(x, y capture.Frame) int { return int(x.Time - y.Time) }) {
		t.Error("time steps back")
	}
	// The kernel stamped them as they came, not when they were read. Both clocks
	// are read within a few instructions of each other.
	if first, last := b.Frames[0].Time, b.Frames[frames].Time; first < before.Add(-time.Millisecond) || last > after || first == last {
		t.Errorf("stamps from %v to %v after the start, want within 0 to %v and not all alike", first.Sub(before), last.Sub(before), after.Sub(before))
	}
	want := capture.Channel{Name: "powertrain", Device: "can0", BitRate: 500_000, Passive: true}
	if !slices.Equal(b.Channels, []capture.Channel{want}) || !slices.Equal(s.Channels(), b.Channels) {
		t.Errorf("channels %+v, want %+v", b.Channels, want)
	}
	if len(b.Notes) != 1 || b.Notes[0].Text != "can0 opened at 500 kbit/s, listen-only" {
		t.Errorf("notes %+v", b.Notes)
	}
}

// TestKernelCountsLosses overruns a small receive queue: every frame sent is
// either delivered or counted, by the kernel's own count.
func TestKernelCountsLosses(t *testing.T) {
	s, send := loopback(t, Config{}, bus)
	if err := s.raw.Control(func(fd uintptr) {
		if err := unix.SetsockoptInt(int(fd), unix.SOL_SOCKET, unix.SO_RCVBUF, 1); err != nil {
			t.Fatal(err)
		}
	}); err != nil {
		t.Fatal(err)
	}
	sent := 0
	var got, lost uint64
	var b capture.Batch
	for range 3 {
		for range 100 {
			send(word(1))
			sent++
		}
		// Read the queue empty: only then is there room for the next frame, on
		// which the count rides.
		for b.Reset(); len(b.Frames) == 0; {
			if err := s.Next(t.Context(), &b); err != nil {
				t.Fatal(err)
			}
		}
		send(word(2))
		sent++
		for b.Frames[len(b.Frames)-1].ID != 2 {
			if err := s.Next(t.Context(), &b); err != nil {
				t.Fatal(err)
			}
		}
		got += uint64(len(b.Frames))
		for _, l := range b.Losses {
			if l.Reason != capture.ReasonOverrun {
				t.Errorf("loss %+v", l)
			}
			lost += l.Count
		}
	}
	if lost == 0 || got+lost != uint64(sent) {
		t.Errorf("%d sent, %d received, %d lost by the kernel's count", sent, got, lost)
	}
}

func TestOwnFrames(t *testing.T) {
	for _, test := range []struct {
		kind  string
		flags int32
		want  capture.Flags
		notes int
	}{
		{"can", 0, 0, 0},
		{"can", unix.MSG_DONTROUTE | unix.MSG_CONFIRM, capture.Own, 0},
		{"can", unix.MSG_DONTROUTE, capture.Own, 1},
		{"vcan", unix.MSG_DONTROUTE, 0, 0}, // there every frame is made on this machine
	} {
		s := &Source{link: Link{Name: "can0", Kind: test.kind}}
		var b capture.Batch
		for range 2 {
			s.take(&b, message{data: word(0x123), flags: test.flags}, 0, 5)
		}
		if b.Frames[0].Flags != test.want || len(b.Notes) != test.notes {
			t.Errorf("%s, flags %x: got %+v, notes %v", test.kind, test.flags, b.Frames[0].Flags, b.Notes)
		}
	}
}

func TestStamps(t *testing.T) {
	const wall, now = int64(1_700_000_000e9), capture.Stamp(1_800_000_000e9)
	at := func(s *Source, m message, now capture.Stamp) time.Duration {
		var b capture.Batch
		m.data = word(1)
		s.take(&b, m, wall, now)
		return b.Frames[0].Time.Sub(1_800_000_000e9)
	}
	for _, test := range []struct {
		name string
		m    message
		want time.Duration
	}{
		{"software", message{software: wall - 3e6}, -3 * time.Millisecond},
		{"none", message{}, 0},
		{"in the future, the wall clock was set back", message{software: wall + 1}, 0},
		{"an hour ago, the wall clock was set forward", message{software: wall - 3600e9}, 0},
		{"hardware not asked for", message{software: wall - 3e6, hardware: 77}, -3 * time.Millisecond},
	} {
		if got := at(&Source{}, test.m, now); got != test.want {
			t.Errorf("%s: got %v, want %v", test.name, got, test.want)
		}
	}
	s := &Source{hardware: true}
	first := at(s, message{hardware: 500e6, software: wall}, now)
	second := at(s, message{hardware: 510e6, software: wall}, now.Add(13*time.Millisecond))
	if d := second - first; (d - 10*time.Millisecond).Abs() > 10*time.Microsecond {
		t.Errorf("hardware stamps 10 ms apart came %v apart", d)
	}
	if got := at(s, message{}, now); got != second {
		t.Errorf("an earlier frame came at %v, want it lifted to %v: a batch is in time order", got, second)
	}
}

func TestBusErrors(t *testing.T) {
	s := &Source{link: bus}
	var b capture.Batch
	for _, m := range [][]byte{
		word(idError|0x4, 0, 0x01, 0, 0, 0, 0, 0, 0),     // rx overflow
		word(idError|0x204, 0, 0x10, 0, 0, 0, 0, 0, 128), // rx passive
		word(idError|0x204, 0, 0x10, 0, 0, 0, 0, 0, 129), // the same again
		word(0x123), word(idError|0x88, 0, 0, 4, 0x0A), // a stuff error changes no state
		word(idError | 0x40), word(idError|0x100, 0, 0, 0, 0), // bus off, restarted
	} {
		s.take(&b, message{data: m}, 0, 9)
	}
	if len(b.Frames) != 7 {
		t.Errorf("%d frames, want all 7: error messages are recorded", len(b.Frames))
	}
	if len(b.Losses) != 1 || b.Losses[0].Reason != capture.ReasonOverrun {
		t.Errorf("losses %+v, want the overflow", b.Losses)
	}
	var got []string
	for _, n := range b.Notes {
		got = append(got, n.Text)
	}
	want := []string{
		"can0: controller: rx_passive, and no valid frame so far: is 500 kbit/s the right bit rate?",
		"can0: bus_off",
		"can0: restarted",
	}
	if !slices.Equal(got, want) {
		t.Errorf("notes %q, want %q", got, want)
	}
}

func TestCompareCounters(t *testing.T) {
	s := &Source{link: bus, channels: []capture.Channel{{Passive: true}}}
	var b capture.Batch
	now := bus
	now.Dropped, now.Overrun, now.ListenOnly = 5, 2, false
	s.compare(now, &b)
	s.compare(now, &b)
	if len(b.Losses) != 2 || b.Losses[0].Count != 5 || b.Losses[1].Count != 2 {
		t.Errorf("losses %+v, want 5 and 2, once", b.Losses)
	}
	if len(b.Notes) != 1 || !strings.Contains(b.Notes[0].Text, "no longer listen-only") || s.Channels()[0].Passive {
		t.Errorf("notes %+v, channels %+v; want the change told", b.Notes, s.Channels())
	}
}

// TestSend looks at what leaves the socket: only classic data frames, and
// nothing at all unless the source was opened to send.
func TestSend(t *testing.T) {
	active := bus
	active.ListenOnly = false
	frame := capture.Frame{ID: 0x18DB33F1, Flags: capture.Extended | capture.Own, Len: 3, Data: [capture.MaxData]byte{2, 1, 0x0C}}
	for _, may := range []bool{false, true} {
		s, far := connected(t, Config{Send: may}, active)
		err := s.Send(frame)
		got := make([]byte, 100)
		if !may {
			if n, failed := unix.Read(far, got); !errors.Is(err, capture.ErrListenOnly) || failed != unix.EAGAIN {
				t.Errorf("listen-only: got %v and %d bytes sent", err, n)
			}
			continue
		}
		if err != nil {
			t.Fatal(err)
		}
		// struct can_frame (Linux include/uapi/linux/can.h), as this package reads it.
		n, err := unix.Read(far, got)
		if err != nil {
			t.Fatal(err)
		}
		back, err := ParseFrame(got[:n])
		if back.Flags |= capture.Own; n != 16 || err != nil || back != frame {
			t.Errorf("sent % x, read back as %+v, %v", got[:n], back, err)
		}
		for _, f := range []capture.Frame{
			{ID: 0x7DF, Flags: capture.Remote}, {ID: 0x7DF, Flags: capture.Error}, {ID: 0x7DF, Flags: capture.FD},
			{ID: 0x7DF, Len: 9}, {ID: 0x800}, {ID: 0x20000000, Flags: capture.Extended}, {ID: 0x7DF, Bus: 1},
		} {
			if s.Send(f) == nil {
				t.Errorf("%+v is sent", f)
			}
		}
		if n, failed := unix.Read(far, got); failed != unix.EAGAIN {
			t.Errorf("%d more bytes sent", n)
		}
		// A bus without anybody to acknowledge: the queue fills, Send does not wait.
		for err = nil; err == nil; {
			err = s.Send(frame)
		}
		if !strings.Contains(err.Error(), "can0 takes no more frames") {
			t.Errorf("got %v", err)
		}
		s.Close()
		if err := s.Send(frame); !errors.Is(err, os.ErrClosed) {
			t.Errorf("after Close: got %v", err)
		}
	}
	if _, err := newSource(-1, bus, Config{Send: true}, capture.NewSessionClock()); err == nil || !strings.Contains(err.Error(), "can0 is listen-only and cannot send requests") {
		t.Errorf("a listen-only interface: got %v", err)
	}
}

// connected gives a source on one end of a pair of sockets, and the other end.
// Between two Unix sockets the kernel hands messages on at once.
func connected(t *testing.T, cfg Config, link Link) (*Source, int) {
	t.Helper()
	pair, err := unix.Socketpair(unix.AF_UNIX, unix.SOCK_DGRAM|unix.SOCK_CLOEXEC|unix.SOCK_NONBLOCK, 0)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { unix.Close(pair[1]) })
	s, err := newSource(pair[0], link, cfg, capture.NewSessionClock())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { s.Close() })
	return s, pair[1]
}

func TestOpenNotes(t *testing.T) {
	active := bus
	active.ListenOnly = false
	for _, test := range []struct {
		link Link
		cfg  Config
		want []string
	}{
		{bus, Config{BitRate: 500_000}, []string{"listen-only"}},
		{active, Config{Send: true}, []string{"500 kbit/s, to send requests; it acknowledges frames on the bus"}},
		{active, Config{}, []string{"it is not listen-only: it acknowledges frames on the bus"}},
		{bus, Config{BitRate: 250_000}, []string{"listen-only", "is set to 500 kbit/s, expected was 250 kbit/s"}},
		{Link{Name: "vcan0", Kind: "vcan"}, Config{BitRate: 500_000}, []string{"an interface within this machine"}},
	} {
		notes := openNotes(test.link, test.cfg, 0)
		if len(notes) != len(test.want) {
			t.Errorf("%+v: notes %+v, want %q", test.link, notes, test.want)
			continue
		}
		for i, w := range test.want {
			if !strings.Contains(notes[i].Text, w) {
				t.Errorf("%+v: note %q, want %q in it", test.link, notes[i].Text, w)
			}
		}
	}
}

func TestErrorsInWords(t *testing.T) {
	s := &Source{link: bus, closed: make(chan struct{})}
	for err, want := range map[error]string{
		unix.ENETDOWN: "CAN interface can0 unplugged or switched off; switch it on: sudo ip link set can0 up",
		unix.ENODEV:   "CAN interface can0 unplugged or switched off; plug it in again and switch it on",
	} {
		if got := s.sort(context.Background(), err); !errors.Is(got, capture.ErrUnplugged) || got.Error() != want {
			t.Errorf("%v: got %v, want %s", err, got, want)
		}
	}
	if got := s.sort(context.Background(), unix.EIO); errors.Is(got, capture.ErrUnplugged) || !errors.Is(got, unix.EIO) {
		t.Errorf("EIO: got %v", got)
	}
}

func TestWaiting(t *testing.T) {
	s, _ := loopback(t, Config{}, bus)
	next(t, s, func(b *capture.Batch) bool { return len(b.Notes) == 1 })
	ctx, cancel := context.WithTimeout(t.Context(), 20*time.Millisecond)
	defer cancel()
	if err := s.Next(ctx, new(capture.Batch)); !errors.Is(err, context.DeadlineExceeded) {
		t.Errorf("at the end of the context: %v", err)
	}
	if err := s.Next(ctx, new(capture.Batch)); !errors.Is(err, context.DeadlineExceeded) {
		t.Errorf("after the end of the context: %v", err)
	}
	waiting := make(chan error)
	go func() { waiting <- s.Next(t.Context(), new(capture.Batch)) }()
	if err := s.Close(); err != nil {
		t.Error(err)
	}
	if err := <-waiting; !errors.Is(err, os.ErrClosed) {
		t.Errorf("a waiting Next got %v, want os.ErrClosed", err)
	}
	if err := s.Close(); !errors.Is(err, os.ErrClosed) {
		t.Errorf("closed twice: %v", err)
	}
}

// TestLinks asks this machine's kernel; the loopback interface is everywhere.
func TestLinks(t *testing.T) {
	all, err := links(0)
	if err != nil {
		t.Fatal(err)
	}
	i := slices.IndexFunc(all, func(l Link) bool { return l.Name == "lo" })
	if i < 0 || all[i].Index != 1 || all[i].CAN {
		t.Fatalf("interfaces %+v, want lo among them, with index 1", all)
	}
	one, err := links(1)
	if err != nil || len(one) != 1 || one[0].Name != "lo" {
		t.Errorf("interface 1: got %+v, %v; want lo", one, err)
	}
	if _, err := links(1 << 30); err == nil {
		t.Error("an interface that cannot exist was found")
	}
	if _, err := Open("lo", Config{}, capture.NewSessionClock()); err == nil || !strings.Contains(err.Error(), "lo is not a CAN interface") {
		t.Errorf("lo: got %v", err)
	}
	if _, err := Open("nosuchcan9", Config{}, capture.NewSessionClock()); err == nil || !strings.Contains(err.Error(), "there is no CAN interface nosuchcan9") {
		t.Errorf("nosuchcan9: got %v", err)
	}
}

// TestInterfaces opens every CAN interface that this machine happens to have,
// and on one that exists only within the machine reads what another socket
// sends.
func TestInterfaces(t *testing.T) {
	found, err := Interfaces()
	if err != nil {
		t.Fatal(err)
	}
	for _, l := range found {
		s, err := Open(l.Name, Config{}, capture.NewSessionClock())
		if !l.Up {
			if err == nil || !strings.Contains(err.Error(), "is switched off") {
				t.Errorf("%s: got %v, want that it is switched off", l.Name, err)
			}
			continue
		}
		if err != nil {
			t.Errorf("%s: %v", l.Name, err)
			continue
		}
		defer s.Close()
		if l.Kind != "vcan" {
			continue
		}
		fd, err := unix.Socket(unix.AF_CAN, unix.SOCK_RAW|unix.SOCK_CLOEXEC, unix.CAN_RAW)
		if err != nil {
			t.Fatal(err)
		}
		defer unix.Close(fd)
		if err := unix.Bind(fd, &unix.SockaddrCAN{Ifindex: l.Index}); err != nil {
			t.Fatal(err)
		}
		if _, err := unix.Write(fd, word(0x123, 1, 2, 3)); err != nil {
			t.Fatal(err)
		}
		b := next(t, s, func(b *capture.Batch) bool { return len(b.Frames) > 0 })
		if f := b.Frames[0]; f.ID != 0x123 || f.Len != 3 {
			t.Errorf("%s: got %+v", l.Name, f)
		}
	}
	t.Logf("%d CAN interfaces here", len(found))
}

func TestReceiveAllocatesNothing(t *testing.T) {
	s, send := loopback(t, Config{}, bus)
	var b capture.Batch
	frame := word(0x123, 1, 2, 3)
	read := func() {
		for range 50 {
			send(frame)
		}
		for b.Reset(); len(b.Frames) < 50; {
			if err := s.Next(context.Background(), &b); err != nil {
				t.Fatal(err)
			}
		}
	}
	read()
	if n := testing.AllocsPerRun(20, read); n > 20+50 {
		t.Errorf("%v allocations for 50 frames sent and received, want none per frame received", n)
	}
}

func BenchmarkReceive(b *testing.B) {
	var p [2]int
	p, err := unix.Socketpair(unix.AF_UNIX, unix.SOCK_DGRAM|unix.SOCK_NONBLOCK|unix.SOCK_CLOEXEC, 0)
	if err != nil {
		b.Fatal(err)
	}
	defer unix.Close(p[0])
	defer unix.Close(p[1])
	rx := newReceiver()
	s := &Source{link: bus}
	var batch capture.Batch
	frame := word(0x123, 1, 2, 3, 4, 5, 6, 7, 8)
	n := 0
	b.ReportAllocs()
	for b.Loop() {
		b.StopTimer()
		for range 8 {
			if _, err := unix.Write(p[0], frame); err != nil {
				b.Fatal(err)
			}
		}
		b.StartTimer()
		k, err := rx.receive(p[1])
		if err != nil {
			b.Fatal(err)
		}
		batch.Reset()
		for i := range k {
			s.take(&batch, rx.message(i), 0, 1)
		}
		n += k
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(n), "ns/frame")
}

// A CAN interface is found by its name; where there is none, the others are named.
func TestLinkNamed(t *testing.T) {
	all := []Link{{Name: "lo"}, {Name: "can1", CAN: true}, {Name: "eth0"}, {Name: "can0", CAN: true}}
	if l, err := linkNamed("can0", all); err != nil || l.Name != "can0" {
		t.Errorf("can0: %+v, %v", l, err)
	}
	for _, c := range []struct {
		name string
		all  []Link
		want string
	}{
		{"eth0", all, "interface eth0 is not a CAN interface"},
		{"can2", all, "there is no CAN interface can2; there are: can0, can1"},
		{"can0", all[:1], "there is no CAN interface can0, and no other on this machine: plug the adapter in; a serial-line adapter is opened with slcan: instead"},
	} {
		if l, err := linkNamed(c.name, c.all); err == nil || err.Error() != c.want {
			t.Errorf("%s: %+v, %v; want %q", c.name, l, err, c.want)
		}
	}
}
