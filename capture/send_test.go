package capture

import (
	"context"
	"errors"
	"io"
	"os"
	"testing"
	"testing/synctest"
	"time"
)

// outlet is a script that sends: it keeps what it was given.
type outlet struct {
	declared
	sent []Frame
}

func (o *outlet) Send(f Frame) error {
	o.sent = append(o.sent, f)
	return nil
}

func TestSendThroughMerge(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		first := &outlet{declared: declared{newScript("a", nil)}}
		second := &outlet{declared: declared{newScript("b", nil)}}
		listener := declared{newScript("c", nil)}
		m := Merge(MergeOptions{Window: time.Millisecond}, first, second, listener)
		for bus, want := range map[uint8]error{0: nil, 1: nil, 2: ErrListenOnly} {
			if err := Send(m, Frame{ID: 0x7DF, Bus: bus}); !errors.Is(err, want) {
				t.Errorf("channel %d: got %v, want %v", bus, err, want)
			}
		}
		for _, bus := range []uint8{3, 254, 255} {
			if err := Send(m, Frame{Bus: bus}); err == nil || errors.Is(err, ErrListenOnly) {
				t.Errorf("channel %d, which there is not: got %v", bus, err)
			}
		}
		for _, o := range []*outlet{first, second} {
			if len(o.sent) != 1 || o.sent[0].ID != 0x7DF || o.sent[0].Bus != 0 {
				t.Errorf("source %s was given %+v, want one frame for its only channel", o.channels[0].Name, o.sent)
			}
		}
		m.Close()
		if err := Send(m, Frame{}); !errors.Is(err, os.ErrClosed) {
			t.Errorf("after Close: got %v", err)
		}
	})
}

// TestSendWhileUnplugged sends while the device is there, away, and there again.
func TestSendWhileUnplugged(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		before := &outlet{declared: declared{newScript("can", ErrUnplugged, step{0, frames(1)})}}
		after := &outlet{declared: declared{newScript("can", io.EOF, step{0, frames(2)})}}
		r := Reconnect(before, func(context.Context) (Source, error) { return after, nil }, NewSessionClock())
		send := func(want error) {
			t.Helper()
			if err := Send(r, Frame{ID: 0x7E0}); !errors.Is(err, want) {
				t.Errorf("got %v, want %v", err, want)
			}
		}
		var b Batch
		step := func() {
			if err := r.Next(t.Context(), &b); err != nil {
				t.Fatal(err)
			}
		}
		step()
		send(nil)
		step() // unplugged
		send(ErrUnplugged)
		step() // opened again
		send(nil)
		r.Close()
		send(os.ErrClosed)
		if len(before.sent) != 1 || len(after.sent) != 1 {
			t.Errorf("sent %d and %d frames, want one before and one after", len(before.sent), len(after.sent))
		}
	})
}

func TestSendNeedsASender(t *testing.T) {
	if err := Send(newScript("can", nil), Frame{}); !errors.Is(err, ErrListenOnly) {
		t.Errorf("got %v, want %v", err, ErrListenOnly)
	}
	r := Reconnect(newScript("can", nil), nil, NewSessionClock())
	if err := Send(r, Frame{}); !errors.Is(err, ErrListenOnly) {
		t.Errorf("got %v, want %v", err, ErrListenOnly)
	}
}
