package drive

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"slices"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"gearwitness/capture"
	"gearwitness/decode/requests"
	"gearwitness/signals"
)

// What is sent on a vehicle's bus is the one thing of this program that can be in the
// car's way. These tests need no command line, no listener and no real time: the
// source is a list of what was sent, the clock that of testing/synctest. The figures
// are rules of our own (package requests), no standard.

const askedFile = `format: 1
buses: {powertrain: {bitrate: 500 kbit/s}, body: {bitrate: 125 kbit/s}, comfort: {bitrate: 125 kbit/s}}
requests:
  a: {bus: body, service: 22, item: 0x1111, to: 0x7E1, every: 500 ms, length: 1, signals: {a: {start: 1.1, bits: 8}}}
  b: {bus: powertrain, service: 22, item: 0x2222, to: 0x7E1, every: 500 ms, length: 1, signals: {b: {start: 1.1, bits: 8}}}
`

const oneBus = `format: 1
buses: {powertrain: {bitrate: 500 kbit/s}}
requests:
  a: {service: 22, item: 0x1111, to: 0x7E1, every: 500 ms, length: 1, signals: {a: {start: 1.1, bits: 8}}}
  b: {service: 22, item: 0x2222, to: 0x7E1, every: 500 ms, length: 1, signals: {b: {start: 1.1, bits: 8}}}
`

func parse(t *testing.T, text string) *signals.File {
	t.Helper()
	f, list := signals.Parse("asked.yaml", []byte(text), nil)
	if err := list.Err(); err != nil {
		t.Fatal(err)
	}
	return f
}

// wire is a source that keeps what is sent through it.
type wire struct {
	channels []capture.Channel
	fail     func(n int) error // of the n-th frame sent, from 1; nil: none fails
	answer   func(capture.Frame) *capture.Frame

	mu    sync.Mutex
	asker *Asker
	sent  []capture.Frame
	at    []time.Time
}

func (*wire) Next(context.Context, *capture.Batch) error { return io.EOF }
func (*wire) Close() error                               { return nil }
func (w *wire) Channels() []capture.Channel              { return w.channels }

func (w *wire) Send(f capture.Frame) error {
	w.mu.Lock()
	w.sent, w.at = append(w.sent, f), append(w.at, time.Now())
	n, fail := len(w.sent), w.fail // as of one moment
	w.mu.Unlock()
	if fail != nil {
		if err := fail(n); err != nil {
			return err
		}
	}
	if w.answer != nil {
		if a := w.answer(f); a != nil {
			a.Time = w.asker.clock.Now()
			go w.asker.Hear(&capture.Batch{Frames: []capture.Frame{*a}})
		}
	}
	return nil
}

// count returns how many frames have been sent.
func (w *wire) count() int {
	w.mu.Lock()
	defer w.mu.Unlock()
	return len(w.sent)
}

// answered gives the answer of unit 7E9 to a read of an item.
func answered(f capture.Frame) *capture.Frame {
	a := capture.Frame{ID: 0x7E9, Bus: f.Bus, Len: 8}
	copy(a.Data[:], []byte{4, 0x62, f.Data[2], f.Data[3], 42, 0x55, 0x55, 0x55})
	return &a
}

// asking is an asker under way.
type asking struct {
	*Asker
	wire *wire
	news []requests.News
	end  func() // and waits until it has ended
}

func ask(t *testing.T, text string, w *wire) *asking {
	t.Helper()
	if w.channels == nil {
		w.channels = []capture.Channel{{Name: "powertrain"}}
	}
	x := &asking{wire: w}
	a, err := NewAsker(parse(t, text), w, capture.NewSessionClock(), func(n requests.News) { x.news = append(x.news, n) })
	if err != nil {
		t.Fatal(err)
	}
	x.Asker, w.asker = a, a
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan struct{})
	go func() { a.Run(ctx); close(done) }()
	x.end = func() { cancel(); <-done }
	return x
}

// note tells the asker what a source says about an adapter.
func (x *asking) note(channel uint8, kind string) {
	x.Hear(&capture.Batch{Notes: []capture.Note{{Channel: channel, Kind: kind}}})
}

// No byte goes out without leave: not before Run, not in the first second, not over a
// channel that was opened to listen or that carries text, not on a bus without
// requests; and what goes out is a read of those that the file lists, or flow control.
func TestNothingIsSentWithoutLeave(t *testing.T) {
	for name, channels := range map[string][]capture.Channel{
		"listening only":  {{Name: "powertrain"}, {Name: "body", Passive: true}},
		"a text line":     {{Name: "powertrain"}, {Name: "body", Kind: capture.Text}},
		"not there":       {{Name: "powertrain"}, {Name: "comfort"}},
		"no channel":      {},
		"another's names": {{Name: "x"}, {Name: "y"}},
	} {
		w := &wire{channels: channels}
		if a, err := NewAsker(parse(t, askedFile), w, nil, nil); err == nil || a != nil {
			t.Errorf("%s: there are requests for a bus that must not be asked", name)
		}
	}
	if got := AskedBuses(parse(t, "format: 1\nbuses: {powertrain: {bitrate: 500 kbit/s}}\n")); got != nil {
		t.Errorf("buses %v are asked of a file without requests", got)
	}
	synctest.Test(t, func(t *testing.T) {
		w := &wire{answer: answered, channels: []capture.Channel{{Name: "gps", Kind: capture.Text}, {Name: "comfort"}, {Name: "powertrain"}, {Name: "body", Passive: true}, {Name: "body"}}}
		idle, err := NewAsker(parse(t, askedFile), w, capture.NewSessionClock(), func(requests.News) {})
		if err != nil {
			t.Fatal(err)
		}
		idle.Hear(&capture.Batch{Frames: []capture.Frame{*answered(capture.Frame{Bus: 2})}})
		time.Sleep(time.Minute)
		if w.count() != 0 {
			t.Error("something was sent before anybody said so")
		}

		began := time.Now()
		x := ask(t, askedFile, w)
		time.Sleep(10 * time.Second)
		x.end()
		if w.count() < 20 {
			t.Fatalf("%d frames sent in ten seconds", w.count())
		}
		if first := w.at[0].Sub(began); first < firstRequest {
			t.Errorf("the first after %v; the bus is to be listened to for %v", first, firstRequest)
		}
		last := map[uint8]time.Time{}
		for i, f := range w.sent {
			if gap := w.at[i].Sub(last[f.Bus]); gap < requests.Pause {
				t.Errorf("two requests on channel %d %v apart, want %v", f.Bus, gap, requests.Pause)
			}
			last[f.Bus] = w.at[i]
			item := map[uint8][]byte{4: {3, 0x22, 0x11, 0x11}, 2: {3, 0x22, 0x22, 0x22}}[f.Bus]
			if item == nil || f.ID != 0x7E1 || !bytes.Equal(f.Data[:4], item) {
				t.Errorf("sent on channel %d: %X % X", f.Bus, f.ID, f.Payload())
			}
		}
	})
}

// While an adapter is away nothing is sent over it, whether its source said so or
// sending told it, and not before the bus has been listened to again.
func TestNothingIsSentWhileTheAdapterIsAway(t *testing.T) {
	for name, away := range map[string]func(x *asking){
		"its source says so": func(x *asking) { x.note(0, "lost") },
		"sending fails": func(x *asking) {
			x.wire.mu.Lock()
			x.wire.fail = func(int) error { return fmt.Errorf("COM5 %w", capture.ErrUnplugged) }
			n := len(x.wire.sent)
			x.wire.mu.Unlock()
			for x.wire.count() == n {
				time.Sleep(time.Millisecond)
			}
		},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				x := ask(t, oneBus, &wire{answer: answered})
				defer x.end()
				time.Sleep(3 * time.Second)
				away(x)
				synctest.Wait()
				before := x.wire.count()
				// Frames of before may still come in; nothing follows from them.
				x.Hear(&capture.Batch{Frames: []capture.Frame{*answered(x.wire.sent[0])}})
				x.note(0, "state")
				x.note(1, "reconnect")
				time.Sleep(time.Minute)
				if n := x.wire.count(); n != before || before == 0 {
					t.Fatalf("%d frames sent while the adapter was away", n-before)
				}
				x.wire.mu.Lock()
				x.wire.fail = nil
				x.wire.mu.Unlock()
				back := time.Now()
				x.note(0, "reconnect")
				time.Sleep(5 * time.Second)
				x.end() // it works on at the very moment that is looked at
				if x.wire.count() == before {
					t.Fatal("nothing is asked once it is back")
				}
				if gap := x.wire.at[before].Sub(back); gap < firstRequest {
					t.Errorf("asked %v after it came back; the bus is to be listened to for %v", gap, firstRequest)
				}
				var states []string
				for _, n := range x.news {
					states = append(states, n.State)
				}
				if want := []string{requests.Sending, requests.Paused, requests.Sending}; !slices.Equal(states, want) {
					t.Errorf("told %q, want %q", states, want)
				}
			})
		})
	}
}

// Three in a row without an answer end all asking, on every bus, for good: neither a
// late answer nor an adapter that goes and comes begins it again.
func TestNothingIsSentAfterThreeSilences(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		x := ask(t, oneBus, &wire{})
		time.Sleep(time.Minute)
		if n := x.wire.count(); n != requests.MaxTimeouts {
			t.Fatalf("%d sent that nobody answered, want %d", n, requests.MaxTimeouts)
		}
		x.Hear(&capture.Batch{Frames: []capture.Frame{*answered(x.wire.sent[2])}})
		x.note(0, "lost")
		time.Sleep(time.Second)
		x.note(0, "reconnect")
		time.Sleep(time.Minute)
		x.end()
		if n := x.wire.count(); n != requests.MaxTimeouts || x.State() != requests.Stopped {
			t.Errorf("%d sent after all had ended; %s", n-requests.MaxTimeouts, x.State())
		}
	})
	// One silent bus of two ends both.
	synctest.Test(t, func(t *testing.T) {
		w := &wire{channels: []capture.Channel{{Name: "powertrain"}, {Name: "body"}}}
		w.answer = func(f capture.Frame) *capture.Frame {
			if f.Bus == 1 {
				return nil
			}
			return answered(f)
		}
		x := ask(t, askedFile, w)
		time.Sleep(10 * time.Second)
		before := w.count()
		time.Sleep(time.Minute)
		x.end()
		if w.count() != before || x.State() != requests.Stopped {
			t.Errorf("%d sent after one bus was silent; %s", w.count()-before, x.State())
		}
	})
}

// After the end nothing is sent, though an answer and the time of the next request
// come at the same moment.
func TestNothingIsSentAfterTheEnd(t *testing.T) {
	for range 40 { // what is ready at the same moment is taken in any order
		synctest.Test(t, func(t *testing.T) {
			w := &wire{}
			x := ask(t, oneBus, w)
			time.Sleep(firstRequest + time.Millisecond)
			synctest.Wait()
			if w.count() != 1 {
				t.Fatalf("%d sent, want the first", w.count())
			}
			answer := answered(w.sent[0])
			answer.Time = x.clock.Now() // the next is due a Pause later
			x.Hear(&capture.Batch{Frames: []capture.Frame{*answer}})
			synctest.Wait()
			x.end()
			x.Hear(&capture.Batch{Frames: []capture.Frame{*answered(w.sent[0])}})

			// One that is ended before it begins, with a request due at once.
			a, err := NewAsker(parse(t, oneBus), w, capture.NewSessionClock(), func(requests.News) {})
			if err != nil {
				t.Fatal(err)
			}
			a.buses[0].begin = func(now capture.Stamp) *requests.Scheduler { return requests.New(parse(t, oneBus), 0, now) }
			a.Hear(&capture.Batch{Notes: []capture.Note{{Kind: "reconnect"}}})
			ctx, cancel := context.WithCancel(t.Context())
			cancel()
			a.Run(ctx)
			time.Sleep(time.Minute)
			if n := w.count(); n != 1 {
				t.Fatalf("%d sent after the end", n-1)
			}
		})
	}
}

// Each bus that has requests is asked through the first adapter that leads to it and
// was opened to send.
func TestTwoBuses(t *testing.T) {
	file := parse(t, askedFile)
	source := &wire{channels: []capture.Channel{{Name: "gps", Kind: capture.Text}, {Name: "powertrain"}, {Name: "body"}}}
	a, err := NewAsker(file, source, nil, nil)
	if err != nil || len(a.buses) != 2 || a.buses[0].channel != 2 || a.buses[1].channel != 1 {
		t.Errorf("asks %+v, %v", a, err)
	}
	source.channels = source.channels[:2]
	if _, err := NewAsker(file, source, nil, nil); err == nil || err.Error() != "no adapter leads to bus body" {
		t.Errorf("without body: got %v", err)
	}
}
