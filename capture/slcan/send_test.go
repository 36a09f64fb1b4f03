package slcan

import (
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"gearwitness/capture"
)

// request is the read of engine speed by SAE J1979, sent to all units.
func request(item byte) capture.Frame {
	return capture.Frame{ID: 0x7DF, Len: 8, Data: [capture.MaxData]byte{2, 1, item, 0x55, 0x55, 0x55, 0x55, 0x55}}
}

func TestSend(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		a := &adapter{answer: map[string]string{
			"t7DF802010C5555555555": "z\rt7E8804410C1AF8AAAAAA\r",
			"t7DF802010D5555555555": "\r", // some answer an empty line
			"t7DF80201055555555555": "\a",
			"T18DB33F1102":          "Z\r",
		}}
		s, err := link(t, a, Config{Send: true, Channel: capture.Channel{Name: "powertrain", Device: "COM5"}})
		if err != nil {
			t.Fatal(err)
		}
		b := next(t, s, func(b *capture.Batch) bool { return len(b.Notes) == 1 })
		if b.Channels[0].Passive || b.Notes[0].Text != "COM5 opened at 500 kbit/s, to send requests; it acknowledges frames on the bus" {
			t.Errorf("got %+v, %+v", b.Channels, b.Notes)
		}
		for _, item := range []byte{0x0C, 0x0D, 0x05} {
			if err := s.Send(request(item)); err != nil {
				t.Error(err)
			}
		}
		if err := s.Send(capture.Frame{ID: 0x18DB33F1, Flags: capture.Extended, Len: 1, Data: [capture.MaxData]byte{2}}); err != nil {
			t.Error(err)
		}
		b = next(t, s, func(b *capture.Batch) bool { return len(b.Frames) == 4 && len(b.Notes) == 1 })
		var got []string
		for _, f := range b.Frames {
			whose := "car"
			if f.Flags&capture.Own != 0 {
				whose = "own"
			}
			got = append(got, whose+" "+text(&f))
		}
		want := []string{"own 7DF 02 01 0C 55 55 55 55 55", "car 7E8 04 41 0C 1A F8 AA AA AA", "own 7DF 02 01 0D 55 55 55 55 55", "own 18DB33F1 02"}
		if strings.Join(got, "\n") != strings.Join(want, "\n") {
			t.Errorf("got\n%s\nwant\n%s", strings.Join(got, "\n"), strings.Join(want, "\n"))
		}
		if n := b.Notes[0]; n.Kind != "send" || n.Text != "COM5 refuses to send 7DF 02 01 05 55 55 55 55 55" {
			t.Errorf("note %+v", n)
		}
		if said := a.commands(); said[5] != "O" {
			t.Errorf("opened with %q", said)
		}
	})
}

func TestSendToAMuteAdapter(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		a := &adapter{mute: true}
		s, err := link(t, a, Config{Send: true, Status: 50 * time.Millisecond})
		if err != nil {
			t.Fatal(err)
		}
		next(t, s, func(b *capture.Batch) bool { return len(b.Notes) == 1 })
		start := time.Now()
		if err := s.Send(request(0x0C)); err != nil {
			t.Fatal(err)
		}
		b := next(t, s, func(b *capture.Batch) bool { return len(b.Frames) == 1 })
		if d := time.Since(start); d != answerTime {
			t.Errorf("recorded after %v, want %v", d, answerTime)
		}
		if len(b.Notes) != 1 || !strings.Contains(b.Notes[0].Text, "does not say whether it sends") || b.Frames[0].Flags != capture.Own {
			t.Errorf("got %+v, %+v", b.Frames, b.Notes)
		}
		start = time.Now()
		if err := s.Send(request(0x0C)); err != nil {
			t.Fatal(err)
		}
		b = next(t, s, func(b *capture.Batch) bool { return len(b.Frames) == 1 })
		if d := time.Since(start); d != 0 || len(b.Notes) != 0 {
			t.Errorf("recorded after %v, notes %+v; want at once, without another note", d, b.Notes)
		}
	})
}

// TestRefusedStatusIsNoRefusedFrame: a BEL belongs to what was asked first.
func TestRefusedStatusIsNoRefusedFrame(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		a := &adapter{answer: map[string]string{"F": "\a", "t7DF802010C5555555555": "z\r"}}
		s, err := link(t, a, Config{Send: true, Status: time.Second})
		if err != nil {
			t.Fatal(err)
		}
		go func() {
			time.Sleep(time.Second)
			s.Send(request(0x0C))
		}()
		b := next(t, s, func(b *capture.Batch) bool { return len(b.Frames) == 1 })
		if len(b.Notes) != 1 || b.Frames[0].Flags != capture.Own {
			t.Errorf("got %+v, %+v; want the frame and the note of the opening", b.Frames, b.Notes)
		}
	})
}

func TestSendRefusesWhatIsNoRequest(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		a := &adapter{}
		s, err := link(t, a, Config{Send: true})
		if err != nil {
			t.Fatal(err)
		}
		before := len(a.commands())
		for _, f := range []capture.Frame{
			{ID: 0x7DF, Flags: capture.Remote}, {ID: 0x7DF, Flags: capture.Error}, {ID: 0x7DF, Flags: capture.FD},
			{ID: 0x7DF, Len: 9}, {ID: 0x800}, {ID: 0x20000000, Flags: capture.Extended}, {ID: 0x7DF, Bus: 1},
		} {
			if s.Send(f) == nil {
				t.Errorf("%+v is sent", f)
			}
		}
		synctest.Wait()
		if said := a.commands(); len(said) != before {
			t.Errorf("sent %q", said[before:])
		}
		s.Close()
		if err := s.Send(request(0x0C)); !errors.Is(err, os.ErrClosed) {
			t.Errorf("after Close: got %v", err)
		}
	})
}

func TestOpenForSendingRefused(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		a := &adapter{answer: map[string]string{"O": "\a"}}
		_, err := link(t, a, Config{Send: true})
		var refused *RefusedError
		if !errors.As(err, &refused) || refused.Command != "O" || !strings.Contains(err.Error(), "refuses to open for sending (command O)") {
			t.Errorf("got %v", err)
		}
	})
}

// TestSendToALineThatIsStuck: frames that the line does not take are refused or
// noted, and the reader goes on all the while.
func TestSendToALineThatIsStuck(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		stuck := &stuckLink{in: make(chan []byte, 16), stop: make(chan struct{})}
		s, err := Open(t.Context(), stuck, Config{BitRate: 500_000, Send: true}, capture.NewSessionClock())
		if err != nil {
			t.Fatal(err)
		}
		defer s.Close()
		stuck.takes = false
		refusals := 0
		for range 2 * sendQueue {
			if s.Send(request(0x0C)) != nil {
				refusals++
			}
		}
		if refusals < sendQueue-1 {
			t.Errorf("%d of %d frames were refused", refusals, 2*sendQueue)
		}
		stuck.in <- []byte("t1001AA\r")
		b := next(t, s, func(b *capture.Batch) bool { return len(b.Frames) == 1 })
		if f := b.Frames[0]; f.ID != 0x100 {
			t.Errorf("got %+v", f)
		}
		b = next(t, s, func(b *capture.Batch) bool { return len(b.Notes) > 0 && b.Notes[len(b.Notes)-1].Kind == "send" })
		if last := b.Notes[len(b.Notes)-1].Text; !strings.Contains(last, "was not taken in time: the adapter at can takes no commands") || len(b.Frames) != 0 {
			t.Errorf("note %q, frames %+v", last, b.Frames)
		}
	})
}

// stuckLink answers every write with a CR as long as it takes any.
type stuckLink struct {
	takes bool
	begun bool
	in    chan []byte
	stop  chan struct{}
}

func (l *stuckLink) Write(p []byte) (int, error) {
	if !l.begun {
		l.begun, l.takes = true, true
	}
	if !l.takes {
		<-l.stop
		return 0, os.ErrClosed
	}
	l.in <- []byte("\r")
	return len(p), nil
}

func (l *stuckLink) Read(p []byte) (int, error) {
	select {
	case b := <-l.in:
		return copy(p, b), nil
	case <-l.stop:
		return 0, io.EOF
	}
}

func (l *stuckLink) Close() error { close(l.stop); return nil }

// TestListenOnlySendsNothing drives a listen-only source with everything it has
// and everything an adapter may say: no line that transmits, and no other way to
// open than L, ever leaves it.
func TestListenOnlySendsNothing(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	words := []string{"\r", "\a", "z\r", "Z\r", "t1001AA\r", "T18DAF110102\r", "F00\r", "F80\r", "sb256256\r", "e1a\r", "V0101\r", "x\r", "O\r", ""}
	for run := range 40 {
		synctest.Test(t, func(t *testing.T) {
			a := &adapter{answer: map[string]string{}, after: words[rng.IntN(len(words))], mute: run%5 == 0}
			for _, c := range []string{"S6", "Z1", "F"} {
				if word := words[rng.IntN(len(words))]; c != "S6" || word != "\a" {
					a.answer[c] = word
				}
			}
			s, err := link(t, a, Config{AdapterStamps: run%2 == 0, Status: 100 * time.Millisecond})
			if err != nil {
				t.Fatal(err)
			}
			var sender capture.Source = s
			for range 20 {
				if err := capture.Send(sender, request(byte(rng.Uint32()))); !errors.Is(err, capture.ErrListenOnly) {
					t.Errorf("got %v, want %v", err, capture.ErrListenOnly)
				}
				time.Sleep(70 * time.Millisecond)
			}
			s.Close()
			synctest.Wait()
			for _, line := range a.commands() {
				switch line {
				case "", "C", "S6", "Z1", "L", "F":
				default:
					t.Errorf("sent %q", line)
				}
			}
		})
	}
}

func TestSendAllocatesLittle(t *testing.T) {
	f := request(0x0C)
	line := make([]byte, 0, 64)
	if n := testing.AllocsPerRun(100, func() { line = AppendFrame(line[:0], &f, NoStamp) }); n != 0 {
		t.Errorf("%v allocations a line", n)
	}
	if got := fmt.Sprintf("%q", line); got != `"t7DF802010C5555555555\r"` {
		t.Errorf("line %s", got)
	}
}
