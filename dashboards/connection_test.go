package dashboards

import (
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"gearwitness/capture"
	"gearwitness/decode"
)

func TestConnection(t *testing.T) {
	for _, tt := range []struct {
		name  string
		do    func(f *feed, b *Board)
		state string
		says  []string // in the sentence
	}{
		{"no source yet", func(_ *feed, b *Board) { b.Sources(nil) }, ConnStarting, nil},
		{"adapter not plugged in", func(_ *feed, b *Board) {
			b.Sources([]Source{{Address: "slcan:/dev/ttyUSB0", State: SourceOpening}})
		}, ConnNoAdapter, []string{"/dev/ttyUSB0", "Plug it in"}},
		{"adapter lost, in the source's own words", func(f *feed, b *Board) {
			f.run(b, time.Second)
			b.Sources([]Source{{Address: "slcan:/dev/ttyUSB0", State: SourceLost, Text: "The adapter was unplugged. Plug it in again."}})
		}, ConnNoAdapter, []string{"was unplugged"}},
		{"adapter open, bus silent", func(_ *feed, _ *Board) {}, ConnNoFrames, []string{"ignition", "bit rate"}},
		{"adapter that never answers", func(_ *feed, b *Board) {
			b.Sources([]Source{{Address: "slcan:/dev/ttyUSB0", State: SourceSilent, Text: "/dev/ttyUSB0 told to open; it did not answer"}})
		}, ConnNoAnswer, []string{"it did not answer.", "port of a CAN adapter"}},
		{"adapter that never answers and works", func(f *feed, b *Board) {
			b.Sources([]Source{{Address: "slcan:/dev/ttyUSB0", State: SourceSilent}})
			f.run(b, 3*time.Second)
		}, ConnLive, nil},
		{"bus fell silent", func(f *feed, b *Board) {
			f.run(b, time.Second)
			time.Sleep(13 * time.Second)
		}, ConnNoFrames, []string{"for 13 s"}},
		{"frames of another vehicle", func(f *feed, b *Board) {
			for i := range 500 {
				b.Batch(&capture.Batch{Channels: f.batch.Channels, Frames: []capture.Frame{{Time: capture.Stamp(i) * 10e6, ID: 0x7FF, Len: 8}}})
			}
		}, ConnUnknown, []string{"vehicle file", "bit rate"}},
		{"frames whose check byte is wrong", func(f *feed, b *Board) {
			for i := range 500 {
				b.Batch(&capture.Batch{Channels: f.batch.Channels, Frames: []capture.Frame{{Time: capture.Stamp(i) * 10e6, ID: 0x110, Len: 8}}})
				b.Counters(decode.Counters{Frames: []decode.FrameCount{{Name: "speeds", Good: 9, Checksum: uint64(i)}, {Name: "oil", Good: uint64(i), Checksum: uint64(i)}, {Name: "short", Short: uint64(i)}}})
			}
		}, ConnUnusable, []string{"speeds (wrong check byte), short (too few data bytes)."}},
		{"only not-available values", func(f *feed, b *Board) {
			for i := range 500 {
				at := capture.Stamp(i) * 10e6
				b.Batch(&capture.Batch{Channels: f.batch.Channels, Frames: []capture.Frame{{Time: at, ID: 0x110, Len: 8}}})
				b.Take(&decode.Output{Samples: []decode.Sample{{Time: at, Status: decode.NotAvailable}}})
			}
		}, ConnLive, nil}, // the vehicle is known; it has nothing to say
		{"one signal gone", func(f *feed, b *Board) {
			f.run(b, time.Second)
			f.quiet["lever"] = true
			f.run(b, 2*time.Second)
		}, ConnStale, []string{"selector lever", "check the unit"}},
		{"one signal late for a moment", func(f *feed, b *Board) {
			f.run(b, time.Second)
			f.quiet["lever"] = true
			f.run(b, 500*time.Millisecond)
		}, ConnLive, nil},
		{"all well", func(f *feed, b *Board) { f.run(b, 3*time.Second) }, ConnLive, nil},
		{"a recording", func(f *feed, b *Board) {
			b.Sources([]Source{{Address: "capture:a.pcapng", Playback: true, State: SourceOpen}})
			f.run(b, 3*time.Second)
		}, ConnLive, []string{"recording"}},
		{"a recording of which nothing has been played", func(_ *feed, b *Board) {
			b.Sources([]Source{{Address: "capture:a.pcapng", Playback: true, State: SourceOpen}})
			b.Restart(0, 50e9)
		}, ConnLive, []string{"Nothing has been played"}},
		{"a recording with nothing in it for a while", func(f *feed, b *Board) {
			b.Sources([]Source{{Address: "capture:a.pcapng", Playback: true, State: SourceOpen}})
			f.run(b, time.Second)
			time.Sleep(13 * time.Second)
		}, ConnNoFrames, []string{"recording holds nothing for 13 s"}},
		{"a recording at its end", func(f *feed, b *Board) {
			f.run(b, 3*time.Second)
			b.Sources([]Source{{Address: "capture:a.pcapng", Playback: true, State: SourceEnded}})
			time.Sleep(time.Minute)
		}, ConnEnded, nil},
	} {
		t.Run(tt.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				f := newFeed(0)
				b := f.board(capture.NewSessionClock())
				tt.do(f, b)
				b.mu.Lock()
				defer b.mu.Unlock()
				c := b.connection()
				if c.State != tt.state {
					t.Errorf("got %+v, want state %s", c, tt.state)
				}
				if c.Title == "" || !strings.HasSuffix(c.Text, ".") {
					t.Errorf("got title %q and text %q, want a heading and a sentence", c.Title, c.Text)
				}
				for _, s := range tt.says {
					if !strings.Contains(c.Text, s) {
						t.Errorf("got %q, want it to say %q", c.Text, s)
					}
				}
			})
		})
	}
}

// After the end of a recording time stands still, but no value counts any more.
func TestEnded(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := newFeed(0)
		b := f.board(capture.NewSessionClock())
		f.run(b, 10*time.Second)
		b.Sources([]Source{{Address: "capture:a.pcapng", Playback: true, State: SourceEnded}})
		time.Sleep(time.Minute)
		rs := make([]reading, len(f.table.Signals))
		now, start := b.readings(rs, 0)
		if got := now.Sub(start); got != 9990*time.Millisecond {
			t.Errorf("time shown a minute after the end: got %v, want 9.99 s", got)
		}
		for i := range rs {
			if rs[i].state != stateStale {
				t.Errorf("%s a minute after the end: got %s, want stale", f.table.Signals[i].Name, stateNames[rs[i].state])
			}
		}
	})
}

// When everything falls silent, values go stale by the clock.
func TestSilence(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := newFeed(0)
		b := f.board(capture.NewSessionClock())
		f.run(b, time.Second)
		i := f.table.Index("engine_speed")
		rs := make([]reading, len(f.table.Signals))
		time.Sleep(400 * time.Millisecond) // batches of a slow adapter come like this
		if b.readings(rs, 0); rs[i].state != stateValid {
			t.Errorf("after 400 ms of silence: got state %s, want valid", stateNames[rs[i].state])
		}
		time.Sleep(200 * time.Millisecond)
		if b.readings(rs, 0); rs[i].state != stateStale {
			t.Errorf("after 600 ms of silence: got state %s, want stale", stateNames[rs[i].state])
		}
		if rs[f.table.Index("gear")].state != stateValid {
			t.Error("gear after 600 ms: want valid, the analysis may lag a second")
		}
		time.Sleep(time.Second)
		if b.readings(rs, 0); rs[f.table.Index("gear")].state != stateStale {
			t.Error("gear after 1.6 s: want stale")
		}
		f.run(b, 20*time.Millisecond)
		if b.readings(rs, 0); rs[i].state != stateValid {
			t.Errorf("after it came back: got state %s, want valid", stateNames[rs[i].state])
		}
	})
}
