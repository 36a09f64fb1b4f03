package capture

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"runtime"
	"slices"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"
)

func TestReconnect(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		clock := NewSessionClock()
		start := clock.Now()
		unplugged := fmt.Errorf("/dev/ttyUSB0 %w; plug it in again", ErrUnplugged)
		failures := []string{"no such port", "no such port", "no such port", "in use", "in use"}
		r := Reconnect(newScript("can", unplugged, step{0, frames(1, 2)}), func(context.Context) (Source, error) {
			if len(failures) == 0 {
				return newScript("can", io.EOF, step{0, frames(3)}), nil
			}
			text := failures[0]
			failures = failures[1:]
			return nil, errors.New(text)
		}, clock)
		defer r.Close()
		b, err := all(t, r)
		if err != io.EOF || len(b.Frames) != 3 {
			t.Errorf("got %v, %d frames; want all three and io.EOF", err, len(b.Frames))
		}
		var got []string
		for _, n := range b.Notes {
			got = append(got, fmt.Sprintf("%v %s %s", n.Time.Sub(start), n.Kind, n.Text))
		}
		want := []string{ // pauses 0.5, 1, 2, 4, 5, 5 s
			"0s lost /dev/ttyUSB0 unplugged or switched off; plug it in again",
			"500ms lost no such port",
			"7.5s lost in use",
			"17.5s reconnect connected again after 17.5s, attempt 6",
		}
		if !slices.Equal(got, want) {
			t.Errorf("notes %q, want %q", got, want)
		}
		if len(b.Losses) != 1 || b.Losses[0].Time.Sub(start) != 17500*time.Millisecond {
			t.Errorf("losses %+v, want one for the time in between", b.Losses)
		}
	})
}

func TestReconnectPassesOtherErrors(t *testing.T) {
	other := errors.New("refused")
	r := Reconnect(newScript("can", other), nil, NewSessionClock())
	if _, err := all(t, r); !errors.Is(err, other) {
		t.Errorf("got %v, want %v", err, other)
	}
	if err := r.Close(); err != nil {
		t.Error(err)
	}
	if err := r.Close(); !errors.Is(err, os.ErrClosed) {
		t.Errorf("closed twice: %v", err)
	}
}

func TestReconnectClosedWhileUnplugged(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		never := func(context.Context) (Source, error) { return nil, errors.New("no such port") }
		r := Reconnect(newScript("can", ErrUnplugged), never, NewSessionClock())
		waiting := make(chan error)
		go func() {
			_, err := all(t, r)
			waiting <- err
		}()
		<-time.After(time.Minute)
		if err := r.Close(); err != nil {
			t.Error(err)
		}
		if err := <-waiting; !errors.Is(err, os.ErrClosed) {
			t.Errorf("got %v, want os.ErrClosed", err)
		}

		r = Reconnect(newScript("can", ErrUnplugged), never, NewSessionClock())
		defer r.Close()
		ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
		defer cancel()
		var err error
		for err == nil {
			err = r.Next(ctx, new(Batch))
		}
		if !errors.Is(err, context.DeadlineExceeded) {
			t.Errorf("got %v, want the end of the context", err)
		}
	})
}

func TestReconnectClosedWhileOpening(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var second *script
		var r Source
		r = Reconnect(newScript("can", ErrUnplugged), func(context.Context) (Source, error) {
			second = newScript("can", io.EOF)
			return second, r.Close()
		}, NewSessionClock())
		if _, err := all(t, r); !errors.Is(err, os.ErrClosed) {
			t.Errorf("got %v, want os.ErrClosed", err)
		}
		select {
		case <-second.stop:
		default:
			t.Error("the source that came too late was left open")
		}
	})
}

// TestMergeReconnect unplugs one of two: the other goes on meanwhile.
func TestMergeReconnect(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		lost := declared{newScript("a", ErrUnplugged, step{0, frames(ms(1))})}
		m := Merge(MergeOptions{Window: 50 * time.Millisecond},
			Reconnect(lost, func(context.Context) (Source, error) {
				return newScript("a", io.EOF, step{200 * time.Millisecond, frames(ms(700))}), nil
			}, NewSessionClock()),
			newScript("b", io.EOF, step{100 * time.Millisecond, frames(ms(100))}, step{500 * time.Millisecond, frames(ms(600))}))
		defer m.Close()
		b, err := all(t, m)
		want := []string{"a 1000000", "b 100000000", "b 600000000", "a 700000000"}
		if got := busTimes(b); !slices.Equal(got, want) || err != io.EOF {
			t.Errorf("got %v, %v; want %v", got, err, want)
		}
		if len(b.Notes) != 2 {
			t.Errorf("notes %+v, want lost and reconnect", b.Notes)
		}
	})
}

// busy is a source that is asked to close while it sends.
type busy struct {
	*script
	during func()
	inside atomic.Bool
	closed atomic.Bool
}

func (b *busy) Send(Frame) error {
	b.inside.Store(true)
	defer b.inside.Store(false)
	b.during()
	return nil
}

func (b *busy) Close() error {
	b.closed.Store(true)
	if b.inside.Load() {
		return errors.New("closed while it sends")
	}
	return b.script.Close()
}

// A source is not closed under the hands of who sends through it: Close waits.
func TestReconnectCloseWaitsForSend(t *testing.T) {
	var r Source
	closed := make(chan error, 1)
	src := &busy{script: newScript("can", nil)}
	src.during = func() {
		go func() { closed <- r.Close() }()
		for range 10_000 { // time enough for whoever does not wait
			runtime.Gosched()
		}
		if src.closed.Load() {
			t.Error("the source is closed while it sends")
		}
	}
	r = Reconnect(src, nil, NewSessionClock())
	if err := Send(r, Frame{}); err != nil {
		t.Fatal(err)
	}
	if err := <-closed; err != nil {
		t.Error(err)
	}
}

// Sending, closing and asking for the channels while the device is unplugged and opened
// again and again: for the race detector.
func TestReconnectIsSharedSafely(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		left := 20
		var r Source
		r = Reconnect(declared{newScript("can", ErrUnplugged, step{0, frames(1)})}, func(context.Context) (Source, error) {
			if left--; left == 0 {
				return newScript("can", nil), r.Close()
			}
			return &outlet{declared: declared{newScript("can", ErrUnplugged, step{time.Millisecond, frames(1)})}}, nil
		}, NewSessionClock())
		stop := make(chan struct{})
		for range 2 {
			go func() {
				for {
					select {
					case <-stop:
						return
					case <-time.After(time.Millisecond):
						_ = Send(r, Frame{})
						_ = r.(Channeler).Channels()
					}
				}
			}()
		}
		if _, err := all(t, r); !errors.Is(err, os.ErrClosed) {
			t.Errorf("got %v, want os.ErrClosed", err)
		}
		close(stop)
	})
}
