//go:build linux || darwin

package slcan

import (
	"errors"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/creack/pty"

	"gearwitness/capture"
	"gearwitness/capture/port"
)

// ptyAdapter puts an adapter behind a real pseudo-terminal; the other end has a
// device name that go.bug.st/serial opens like any serial port.
func ptyAdapter(t *testing.T, a *adapter) (device string, far *os.File) {
	t.Helper()
	far, near, err := pty.Open()
	if err != nil {
		t.Fatalf("no pseudo-terminal to be had: %v", err)
	}
	t.Cleanup(func() { far.Close(); near.Close() })
	device = near.Name()
	a.link = far
	return device, far
}

// TestPseudoTerminal runs an adapter's whole life over a real terminal device:
// opened, a hundred thousand bytes of frames, unplugged.
func TestPseudoTerminal(t *testing.T) {
	a := &adapter{}
	device, far := ptyAdapter(t, a)
	go a.run()
	s, err := Dial(t.Context(), device, Config{BitRate: 500_000}, capture.NewSessionClock())
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	if got, want := a.commands(), []string{"", "", "", "C", "S6", "L"}; !slices.Equal(got, want) {
		t.Errorf("the adapter heard %q, want %q", got, want)
	}
	const frames = 4000
	text := traffic(frames, false)
	go func() {
		// The kernel documentation's first example at the end.
		far.Write(append(text, "t1230\r"...))
	}()
	before := capture.Stamp(time.Now().UnixNano())
	b := next(t, s, func(b *capture.Batch) bool { return len(b.Frames) == frames+1 })
	if len(b.Losses) > 0 {
		t.Errorf("losses: %v", b.Losses)
	}
	var back []byte
	for i := range b.Frames {
		back = AppendFrame(back, &b.Frames[i], NoStamp)
	}
	if string(back) != string(text)+"t1230\r" {
		t.Error("the frames read are not those sent")
	}
	if !slices.IsSortedFunc(b.Frames, func(x, y capture.Frame) int { return int(x.Time - y.Time) }) {
		t.Error("time steps back")
	}
	if d := b.Frames[0].Time.Sub(before); d < -time.Minute || d > time.Minute {
		t.Errorf("the first frame is stamped %v away from now", d)
	}
	if c := b.Channels[0]; c.Device != device || !c.Passive {
		t.Errorf("channel %+v, want device %s, passive", c, device)
	}
}

// TestPseudoTerminalUnplugged takes the far end away from an open adapter.
func TestPseudoTerminalUnplugged(t *testing.T) {
	a := &adapter{unplug: true}
	device, _ := ptyAdapter(t, a)
	go a.run()
	s, err := Dial(t.Context(), device, Config{BitRate: 250_000, Status: time.Millisecond}, capture.NewSessionClock())
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	var b capture.Batch
	for err == nil {
		err = s.Next(t.Context(), &b)
	}
	if !errors.Is(err, capture.ErrUnplugged) || !strings.Contains(err.Error(), device) || !strings.HasSuffix(err.Error(), "unplugged or switched off; plug it in again") {
		t.Errorf("got %v, want a sentence that names %s", err, device)
	}
}

func TestPseudoTerminalRefused(t *testing.T) {
	a := &adapter{answer: map[string]string{"L": "\a"}}
	device, _ := ptyAdapter(t, a)
	go a.run()
	_, err := Dial(t.Context(), device, Config{BitRate: 500_000}, capture.NewSessionClock())
	var refused *RefusedError
	if !errors.As(err, &refused) || !strings.Contains(err.Error(), device) {
		t.Errorf("got %v, want a refusal that names %s", err, device)
	}
}

func TestPseudoTerminalClosed(t *testing.T) {
	a := &adapter{bye: make(chan struct{})}
	device, _ := ptyAdapter(t, a)
	go a.run()
	s, err := Dial(t.Context(), device, Config{BitRate: 500_000}, capture.NewSessionClock())
	if err != nil {
		t.Fatal(err)
	}
	next(t, s, func(b *capture.Batch) bool { return len(b.Notes) > 0 })
	waiting := make(chan error)
	go func() { waiting <- s.Next(t.Context(), new(capture.Batch)) }()
	if err := s.Close(); err != nil {
		t.Error(err)
	}
	if err := <-waiting; !errors.Is(err, os.ErrClosed) {
		t.Errorf("a waiting Next got %v, want os.ErrClosed", err)
	}
	<-a.bye
}

func TestDialFails(t *testing.T) {
	var open *port.OpenError
	if _, err := Dial(t.Context(), "/dev/gearwitness-none", Config{BitRate: 500_000}, capture.NewSessionClock()); !errors.As(err, &open) || open.Problem != port.Missing {
		t.Errorf("no such port: got %v", err)
	}
	var rate *RateError
	if _, err := Dial(t.Context(), "/dev/gearwitness-none", Config{BitRate: 1}, capture.NewSessionClock()); !errors.As(err, &rate) {
		t.Errorf("1 bit/s: got %v, want the rate refused before the port is touched", err)
	}
}
