package slcan

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"gearwitness/capture"
)

// adapter is the far end of a link: it answers commands as told and keeps a
// record of them.
type adapter struct {
	link   io.ReadWriteCloser
	answer map[string]string // per command without CR; others are answered with CR
	after  string            // sent after the answer to L
	mute   bool
	unplug bool          // on the first F
	bye    chan struct{} // closed when C follows L

	mu   sync.Mutex
	said []string
}

func (a *adapter) run() {
	r, open := bufio.NewReader(a.link), false
	for {
		line, err := r.ReadString('\r')
		if err != nil {
			return
		}
		line = strings.TrimSuffix(line, "\r")
		a.mu.Lock()
		a.said = append(a.said, line)
		a.mu.Unlock()
		reply, ok := a.answer[line]
		if !ok {
			reply = "\r"
		}
		if a.mute {
			reply = ""
		}
		if line == "L" {
			reply += a.after
			open = true
		}
		if line == "C" && open && a.bye != nil {
			close(a.bye)
			return
		}
		if line == "" || reply == "" {
			continue
		}
		if line == "F" && a.unplug {
			a.link.Close()
			return
		}
		if _, err := io.WriteString(a.link, reply); err != nil {
			return
		}
	}
}

func (a *adapter) commands() []string {
	a.mu.Lock()
	defer a.mu.Unlock()
	return slices.Clone(a.said)
}

// link joins a to a source through a pipe within this process. Within a
// synctest bubble the session clock is the bubble's.
func link(t *testing.T, a *adapter, cfg Config) (*Source, error) {
	t.Helper()
	near, far := net.Pipe()
	a.link = far
	go a.run()
	t.Cleanup(func() { far.Close() })
	if cfg.BitRate == 0 {
		cfg.BitRate = 500_000
	}
	s, err := Open(t.Context(), near, cfg, capture.NewSessionClock())
	if err == nil {
		t.Cleanup(func() { s.Close() })
	}
	return s, err
}

// next reads batches until enough says so.
func next(t *testing.T, s capture.Source, enough func(*capture.Batch) bool) capture.Batch {
	t.Helper()
	var b capture.Batch
	for !enough(&b) {
		if err := s.Next(t.Context(), &b); err != nil {
			t.Fatalf("%v after %d frames, %d losses, %v", err, len(b.Frames), len(b.Losses), b.Notes)
		}
	}
	return b
}

func TestOpenSequence(t *testing.T) {
	for _, v := range vectors(t) {
		if v.Kind != "slcan.open" {
			continue
		}
		in := get[struct {
			Rate  int `json:"bit_per_s"`
			Close bool
		}](t, v.In)
		want := get[[]string](t, v.Want)
		synctest.Test(t, func(t *testing.T) {
			a := &adapter{}
			s, err := link(t, a, Config{BitRate: max(in.Rate, 500_000)})
			if err != nil {
				t.Fatal(err)
			}
			synctest.Wait() // the adapter notes down what it has read
			got := a.commands()
			if in.Close {
				s.Close()
				synctest.Wait()
				got = a.commands()[len(got):]
			} else {
				if !slices.Equal(got[:3], []string{"", "", ""}) {
					t.Errorf("commands %q do not begin with three CR", got)
				}
				got = got[3:]
			}
			for i := range got {
				got[i] += "\r"
			}
			if !slices.Equal(got, want) {
				t.Errorf("%s: sent %q, want %q", v.ID, got, want)
			}
		})
	}
}

func TestOpenWithStamps(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		a := &adapter{after: "t1001AA0000\rt1001AB000A\rt1001ACEA5F\r"}
		s, err := link(t, a, Config{AdapterStamps: true, Channel: capture.Channel{Name: "powertrain", Device: "COM5"}})
		if err != nil {
			t.Fatal(err)
		}
		if got, want := a.commands()[3:], []string{"C", "S6", "Z1", "L"}; !slices.Equal(got, want) {
			t.Errorf("sent %q, want %q", got, want)
		}
		b := next(t, s, func(b *capture.Batch) bool { return len(b.Frames) == 3 })
		// The first frames also tell how the clocks stand: a thousandth is given away.
		if d := b.Frames[1].Time.Sub(b.Frames[0].Time); (d - 10*time.Millisecond).Abs() > 10*time.Microsecond {
			t.Errorf("two frames 10 ms apart by the adapter's clock came %v apart", d)
		}
		// EA5F is 59,999 ms, which is 11 ms before 000A: it cannot be later here.
		if d := b.Frames[2].Time.Sub(b.Frames[1].Time); d != 0 {
			t.Errorf("a frame out of order came %v after the one before, want none: batches are in time order", d)
		}
		want := capture.Channel{Name: "powertrain", Device: "COM5", BitRate: 500_000, Passive: true}
		if !slices.Equal(b.Channels, []capture.Channel{want}) || !slices.Equal(s.Channels(), b.Channels) {
			t.Errorf("channels %+v, want %+v", b.Channels, want)
		}
		if len(b.Notes) != 1 || b.Notes[0].Text != "COM5 opened at 500 kbit/s, listen-only" {
			t.Errorf("notes %+v", b.Notes)
		}
	})
}

func TestOpenMute(t *testing.T) {
	for name, after := range map[string]string{"never a word": "", "frames at once": "t1001AA\r"} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				a := &adapter{mute: true, after: after}
				start := time.Now()
				s, err := link(t, a, Config{})
				if err != nil {
					t.Fatal(err)
				}
				want := drainTime + 2*answerTime
				if after != "" {
					want = drainTime + answerTime // for S6 only: frames tell that L was understood
				}
				if d := time.Since(start); d != want {
					t.Errorf("opened after %v, want %v", d, want)
				}
				b := next(t, s, func(b *capture.Batch) bool { return len(b.Notes) > 0 })
				if len(b.Frames) != strings.Count(after, "t") {
					t.Errorf("%d frames, want every one that came", len(b.Frames))
				}
				if b.Channels[0].Passive || !strings.Contains(b.Notes[0].Text, "it did not answer") {
					t.Errorf("got %+v, %+v; an adapter that says nothing is not known to be passive", b.Channels, b.Notes)
				}
			})
		})
	}
}

func TestOpenRefused(t *testing.T) {
	for command, want := range map[string]string{
		"L":  "refuses to open listen-only (command L); it stays closed",
		"S6": "refuses 500 kbit/s (command S6)",
	} {
		synctest.Test(t, func(t *testing.T) {
			a := &adapter{answer: map[string]string{command: "\a"}}
			_, err := link(t, a, Config{})
			var refused *RefusedError
			if !errors.As(err, &refused) || refused.Command != command || !strings.Contains(err.Error(), want) {
				t.Errorf("%s refused: got %v, want %q", command, err, want)
			}
			synctest.Wait()
			said := a.commands()
			if slices.Contains(said, "O") || said[len(said)-1] != "C" {
				t.Errorf("%s refused: sent %q; want no O ever, and C at the end", command, said)
			}
		})
	}
}

func TestOpenNoStamps(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s, err := link(t, &adapter{answer: map[string]string{"Z1": "\a"}, after: "t1001AA\r"}, Config{AdapterStamps: true})
		if err != nil {
			t.Fatal(err)
		}
		b := next(t, s, func(b *capture.Batch) bool { return len(b.Frames) == 1 })
		if len(b.Notes) != 2 || b.Notes[0].Kind != "clock" {
			t.Errorf("notes %+v, want one about the missing stamps", b.Notes)
		}
	})
}

func TestOpenFails(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var rate *RateError
		near, far := net.Pipe()
		if _, err := Open(t.Context(), near, Config{BitRate: 83_333}, capture.NewSessionClock()); !errors.As(err, &rate) || rate.Nearest != 100_000 {
			t.Errorf("83.333 kbit/s: got %v", err)
		}
		if _, err := far.Write([]byte("x")); err == nil {
			t.Error("the link is still open after a failure")
		}

		// Nobody takes a byte.
		near, far = net.Pipe()
		defer far.Close()
		if _, err := Open(t.Context(), near, Config{BitRate: 500_000}, capture.NewSessionClock()); err == nil || !strings.Contains(err.Error(), "takes no commands") {
			t.Errorf("a deaf adapter: got %v", err)
		}

		// The far end goes away while it is being opened.
		near, far = net.Pipe()
		go func() {
			io.ReadFull(far, make([]byte, 5))
			far.Close()
		}()
		if _, err := Open(t.Context(), near, Config{BitRate: 500_000}, capture.NewSessionClock()); !errors.Is(err, io.ErrUnexpectedEOF) {
			t.Errorf("a line closed while being opened: got %v", err)
		}

		near, far = net.Pipe()
		defer far.Close()
		ctx, cancel := context.WithCancel(t.Context())
		cancel()
		if _, err := Open(ctx, near, Config{BitRate: 500_000}, capture.NewSessionClock()); !errors.Is(err, context.Canceled) {
			t.Errorf("cancelled: got %v", err)
		}
	})
}

// TestHalfLine begins in the middle of a running adapter's output, which must
// not be mistaken for answers nor for frames of the session.
func TestHalfLine(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		near, far := net.Pipe()
		a := &adapter{link: far, answer: map[string]string{"C": "23344\rt1001AA\r\at20"}, after: "t3001BB\r"}
		go a.run()
		defer far.Close()
		s, err := Open(t.Context(), near, Config{BitRate: 500_000}, capture.NewSessionClock())
		if err != nil {
			t.Fatal(err)
		}
		defer s.Close()
		b := next(t, s, func(b *capture.Batch) bool { return len(b.Frames) > 0 })
		if len(b.Frames) != 1 || b.Frames[0].ID != 0x300 || len(b.Losses) != 0 {
			t.Errorf("frames %v, losses %v; want the one frame after L", b.Frames, b.Losses)
		}
	})
}

func TestLosses(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		a := &adapter{after: "garbage\rt1\rt12\rt1001AA\re1o\rF09\rF00\rsw096000\rsw097000\rsa000000\rV1013\r"}
		s, err := link(t, a, Config{})
		if err != nil {
			t.Fatal(err)
		}
		b := next(t, s, func(b *capture.Batch) bool { return len(b.Frames) >= 5 && len(b.Losses) >= 4 })
		var got []string
		for _, l := range b.Losses {
			got = append(got, fmt.Sprintf("%s %d %s", l.Reason, l.Count, l.Detail))
		}
		want := []string{
			"overrun 1 the adapter ran full: at least one frame",
			"overrun 1 the adapter's status 09 says that it ran full: at least one frame",
			`malformed 1 type: "garbage"`,
			`malformed 2 length: "t1"`,
		}
		if !slices.Equal(got, want) {
			t.Errorf("losses\n%s\nwant\n%s", strings.Join(got, "\n"), strings.Join(want, "\n"))
		}
		var notes []string
		for _, n := range b.Notes[1:] {
			notes = append(notes, n.Text)
		}
		want = []string{
			"adapter status 09: rx_full, data_overrun",
			"adapter status 00: nothing to report",
			"controller error-warning, receive errors 96, transmit errors 0",
			"controller error-active, receive errors 0, transmit errors 0",
		}
		if !slices.Equal(notes, want) {
			t.Errorf("notes\n%s\nwant\n%s", strings.Join(notes, "\n"), strings.Join(want, "\n"))
		}
		if b.Frames[0].ID != 0x100 || b.Frames[1].Flags != capture.Error || b.Frames[1].ID != 4 {
			t.Errorf("frames %v, want the data frame and then the overrun as an error message", b.Frames[:2])
		}
	})
}

// Of all error messages, only the overrun of the receiving side tells of lost frames.
func TestOnlyReceiveOverrunIsALoss(t *testing.T) {
	for line, lost := range map[string]int{"e1o": 1, "e1O": 0, "e1a": 0, "e1b": 0, "e1c": 0, "e1f": 0, "e1s": 0, "e2so": 1, "e2sO": 0} {
		synctest.Test(t, func(t *testing.T) {
			s, err := link(t, &adapter{after: line + "\rt1001AA\r"}, Config{})
			if err != nil {
				t.Fatal(err)
			}
			b := next(t, s, func(b *capture.Batch) bool { return len(b.Frames) > 0 && b.Frames[len(b.Frames)-1].ID == 0x100 })
			if len(b.Losses) != lost {
				t.Errorf("%s: losses %+v, want %d", line, b.Losses, lost)
			}
		})
	}
}

// TestWrongBitRate sends what adapters send on a bus of another rate: errors.
func TestWrongBitRate(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		a := &adapter{}
		s, err := link(t, a, Config{BitRate: 250_000})
		if err != nil {
			t.Fatal(err)
		}
		go func() {
			for range 40 {
				<-time.After(100 * time.Millisecond)
				if _, err := io.WriteString(a.link, "e2fs\r"); err != nil {
					return
				}
			}
			io.WriteString(a.link, "t1001AA\r")
		}()
		b := next(t, s, func(b *capture.Batch) bool { return len(b.Frames) == 41 })
		if len(b.Notes) != 2 || !strings.Contains(b.Notes[1].Text, "no valid frame, bus errors only, for 2s: is 250 kbit/s the right bit rate?") {
			t.Fatalf("notes %+v, want one that asks about the bit rate", b.Notes)
		}
		if d := b.Notes[1].Time.Sub(b.Frames[0].Time); d != 2*time.Second {
			t.Errorf("said after %v, want 2 s", d)
		}
	})
}

// TestNoAdapter listens to devices that speak something else: lines of another
// kind, or bytes without any line end.
func TestNoAdapter(t *testing.T) {
	for name, talk := range map[string]string{
		"another device": "$GPRMC,123519,A\r\n\r\n",
		"no line ends":   strings.Repeat("\xfft110", 6),
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				a := &adapter{}
				s, err := link(t, a, Config{Baud: 115200})
				if err != nil {
					t.Fatal(err)
				}
				began := time.Now()
				go func() {
					for range 40 {
						<-time.After(100 * time.Millisecond)
						if _, err := io.WriteString(a.link, talk); err != nil {
							return
						}
					}
					io.WriteString(a.link, "\rt1001AA\r")
				}()
				b := next(t, s, func(b *capture.Batch) bool { return len(b.Frames) == 1 })
				if len(b.Notes) != 2 || !strings.Contains(b.Notes[1].Text, "is it one, and is 115200 its baud rate?") {
					t.Fatalf("notes %+v, want one that asks what is at the other end", b.Notes)
				}
				if d := time.Since(began); d < garbledTime || b.Notes[1].Time.Sub(b.Notes[0].Time) > 3*time.Second {
					t.Errorf("said at %v", b.Notes[1].Time)
				}
			})
		})
	}
}

func TestStampsAboveEA5F(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s, err := link(t, &adapter{after: "t1001AAEA5F\rt1001AAEA60\rt1001AAEA61\r"}, Config{AdapterStamps: true})
		if err != nil {
			t.Fatal(err)
		}
		b := next(t, s, func(b *capture.Batch) bool { return len(b.Frames) == 3 })
		if len(b.Losses) != 0 || len(b.Notes) != 2 || !strings.Contains(b.Notes[1].Text, "time stamp EA60 is above EA5F") {
			t.Errorf("losses %v, notes %+v; want all frames and one note that host time is used", b.Losses, b.Notes)
		}
	})
}

// TestLineLoad fills the line with 90 % of what 115,200 baud carry.
func TestLineLoad(t *testing.T) {
	load := func(baud, share int) (notes []string) {
		synctest.Test(t, func(t *testing.T) {
			a := &adapter{}
			s, err := link(t, a, Config{Baud: baud})
			if err != nil {
				t.Fatal(err)
			}
			line := "T18FEF10081122334455667788\r"
			perTick := 115_200 / 10 * share / 100 / len(line) / 10
			go func() {
				for range 50 {
					<-time.After(100 * time.Millisecond)
					if _, err := io.WriteString(a.link, strings.Repeat(line, perTick)); err != nil {
						return
					}
				}
			}()
			b := next(t, s, func(b *capture.Batch) bool { return len(b.Frames) == 50*perTick })
			for _, n := range b.Notes[1:] {
				notes = append(notes, n.Text)
			}
		})
		return notes
	}
	if got := load(115_200, 90); len(got) != 1 || !strings.Contains(got[0], "% full at 115200 baud") {
		t.Errorf("at 90 %%: %q, want one warning", got)
	}
	if got := load(115_200, 70); len(got) != 0 {
		t.Errorf("at 70 %%: %q, want none", got)
	}
	if got := load(115_200, 300); len(got) != 0 {
		t.Errorf("at 300 %%, which only a line without a real baud rate carries: %q, want none", got)
	}
	if got := load(0, 90); len(got) != 0 {
		t.Errorf("without a baud rate: %q, want none", got)
	}
}

func TestStatusPolling(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		a := &adapter{answer: map[string]string{"F": "FA4\r"}}
		s, err := link(t, a, Config{Status: time.Second})
		if err != nil {
			t.Fatal(err)
		}
		b := next(t, s, func(b *capture.Batch) bool { return len(b.Notes) == 2 })
		if want := "adapter status A4: error_warning, error_passive, bus_error"; b.Notes[1].Text != want {
			t.Errorf("got %q, want %q", b.Notes[1].Text, want)
		}
	})
}

func TestEnd(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		a := &adapter{after: "t1001AA\rt12"}
		s, err := link(t, a, Config{})
		if err != nil {
			t.Fatal(err)
		}
		go func() { <-time.After(time.Second); a.link.Close() }()
		var b capture.Batch
		for err == nil {
			err = s.Next(t.Context(), &b)
		}
		if err != io.EOF || len(b.Frames) != 1 || len(b.Losses) != 0 {
			t.Errorf("got %v, %d frames, losses %v; want io.EOF, one frame and nothing of the unfinished line", err, len(b.Frames), b.Losses)
		}
	})
}

func TestCloseWhileWaiting(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s, err := link(t, &adapter{}, Config{})
		if err != nil {
			t.Fatal(err)
		}
		next(t, s, func(b *capture.Batch) bool { return len(b.Notes) > 0 })
		ctx, cancel := context.WithTimeout(t.Context(), time.Second)
		defer cancel()
		if err := s.Next(ctx, new(capture.Batch)); !errors.Is(err, context.DeadlineExceeded) {
			t.Errorf("at the end of the context: %v", err)
		}
		waiting := make(chan error)
		go func() { waiting <- s.Next(t.Context(), new(capture.Batch)) }()
		synctest.Wait()
		if err := s.Close(); err != nil {
			t.Error(err)
		}
		if err := <-waiting; !errors.Is(err, os.ErrClosed) {
			t.Errorf("a waiting Next got %v, want os.ErrClosed", err)
		}
		if err := s.Close(); !errors.Is(err, os.ErrClosed) {
			t.Errorf("closed twice: %v", err)
		}
	})
}

func TestSourceAllocatesLittle(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		a := &adapter{}
		s, err := link(t, a, Config{})
		if err != nil {
			t.Fatal(err)
		}
		text := traffic(1000, false)
		var b capture.Batch
		n := testing.AllocsPerRun(20, func() {
			if _, err := a.link.Write(text); err != nil {
				t.Error(err)
			}
			for got := 0; got < 1000; got += len(b.Frames) {
				b.Reset()
				if err := s.Next(t.Context(), &b); err != nil {
					t.Fatal(err)
				}
			}
		})
		if n > 20 {
			t.Errorf("%v allocations per 1,000 frames, want none per frame", n)
		}
	})
}

func TestVectorsHaveOpenSequence(t *testing.T) {
	n := 0
	for _, v := range vectors(t) {
		if v.Kind == "slcan.open" && json.Valid(v.Want) {
			n++
		}
	}
	if n != 2 {
		t.Errorf("%d vectors of kind slcan.open, want 2", n)
	}
}

// BenchmarkSource is the whole way from a link to batches: reading, stamping,
// decoding.
func BenchmarkSource(b *testing.B) {
	near, far := net.Pipe()
	a := &adapter{link: far}
	go a.run()
	defer far.Close()
	s, err := Open(b.Context(), near, Config{BitRate: 1_000_000, Hold: true}, capture.NewSessionClock())
	if err != nil {
		b.Fatal(err)
	}
	defer s.Close()
	const frames = 9000
	text := traffic(frames, false)
	var batch capture.Batch
	n := 0
	b.ReportAllocs()
	for b.Loop() {
		go far.Write(text)
		for got := 0; got < frames; got += len(batch.Frames) {
			batch.Reset()
			if err := s.Next(b.Context(), &batch); err != nil {
				b.Fatal(err)
			}
		}
		n += frames
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(n), "ns/frame")
	b.ReportMetric(float64(n)/b.Elapsed().Seconds(), "frames/s")
}
