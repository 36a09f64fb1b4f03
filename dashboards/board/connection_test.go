package board_test

import (
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"gearwitness/capture"
	"gearwitness/dashboards/board"
	"gearwitness/dashboards/board/boardtest"
	"gearwitness/decode"
)

func TestConnection(t *testing.T) {
	for _, tt := range []struct {
		name  string
		do    func(f *boardtest.Feed, b *board.Board)
		state string
		says  []string // in the sentence
	}{
		{"no source yet", func(_ *boardtest.Feed, b *board.Board) { b.Sources(nil) }, board.ConnStarting, nil},
		{"adapter not plugged in", func(_ *boardtest.Feed, b *board.Board) {
			b.Sources([]board.Source{{Address: "slcan:/dev/ttyUSB0", State: board.SourceOpening}})
		}, board.ConnNoAdapter, []string{"/dev/ttyUSB0", "Plug it in"}},
		{"adapter lost, in the source's own words", func(f *boardtest.Feed, b *board.Board) {
			f.Run(b, time.Second)
			b.Sources([]board.Source{{Address: "slcan:/dev/ttyUSB0", State: board.SourceLost, Text: "The adapter was unplugged. Plug it in again."}})
		}, board.ConnNoAdapter, []string{"was unplugged"}},
		{"adapter open, bus silent", func(_ *boardtest.Feed, _ *board.Board) {}, board.ConnNoFrames, []string{"ignition", "bit rate"}},
		{"adapter that never answers", func(_ *boardtest.Feed, b *board.Board) {
			b.Sources([]board.Source{{Address: "slcan:/dev/ttyUSB0", State: board.SourceSilent, Text: "/dev/ttyUSB0 told to open; it did not answer"}})
		}, board.ConnNoAnswer, []string{"it did not answer.", "port of a CAN adapter"}},
		{"adapter that never answers and works", func(f *boardtest.Feed, b *board.Board) {
			b.Sources([]board.Source{{Address: "slcan:/dev/ttyUSB0", State: board.SourceSilent}})
			f.Run(b, 3*time.Second)
		}, board.ConnLive, nil},
		{"bus fell silent", func(f *boardtest.Feed, b *board.Board) {
			f.Run(b, time.Second)
			time.Sleep(13 * time.Second)
		}, board.ConnNoFrames, []string{"for 13 s"}},
		{"frames of another vehicle", func(f *boardtest.Feed, b *board.Board) {
			for i := range 500 {
				b.Batch(&capture.Batch{Channels: f.Batch.Channels, Frames: []capture.Frame{{Time: capture.Stamp(i) * 10e6, ID: 0x7FF, Len: 8}}})
			}
		}, board.ConnUnknown, []string{"vehicle file", "bit rate"}},
		{"frames whose check byte is wrong", func(f *boardtest.Feed, b *board.Board) {
			for i := range 500 {
				b.Batch(&capture.Batch{Channels: f.Batch.Channels, Frames: []capture.Frame{{Time: capture.Stamp(i) * 10e6, ID: 0x110, Len: 8}}})
				b.Counters(decode.Counters{Frames: []decode.FrameCount{{Name: "speeds", Good: 9, Checksum: uint64(i)}, {Name: "oil", Good: uint64(i), Checksum: uint64(i)}, {Name: "short", Short: uint64(i)}}})
			}
		}, board.ConnUnusable, []string{"speeds (wrong check byte), short (too few data bytes)."}},
		{"only not-available values", func(f *boardtest.Feed, b *board.Board) {
			for i := range 500 {
				at := capture.Stamp(i) * 10e6
				b.Batch(&capture.Batch{Channels: f.Batch.Channels, Frames: []capture.Frame{{Time: at, ID: 0x110, Len: 8}}})
				b.Take(&decode.Output{Samples: []decode.Sample{{Time: at, Status: decode.NotAvailable}}})
			}
		}, board.ConnLive, nil}, // the vehicle is known; it has nothing to say
		{"one signal gone", func(f *boardtest.Feed, b *board.Board) {
			f.Run(b, time.Second)
			f.Quiet["lever"] = true
			f.Run(b, 2*time.Second)
		}, board.ConnStale, []string{"selector lever", "check the unit"}},
		{"one signal late for a moment", func(f *boardtest.Feed, b *board.Board) {
			f.Run(b, time.Second)
			f.Quiet["lever"] = true
			f.Run(b, 500*time.Millisecond)
		}, board.ConnLive, nil},
		{"all well", func(f *boardtest.Feed, b *board.Board) { f.Run(b, 3*time.Second) }, board.ConnLive, nil},
		{"a recording", func(f *boardtest.Feed, b *board.Board) {
			b.Sources([]board.Source{{Address: "capture:a.pcapng", Playback: true, State: board.SourceOpen}})
			f.Run(b, 3*time.Second)
		}, board.ConnLive, []string{"recording"}},
		{"a recording of which nothing has been played", func(_ *boardtest.Feed, b *board.Board) {
			b.Sources([]board.Source{{Address: "capture:a.pcapng", Playback: true, State: board.SourceOpen}})
			b.Restart(0, 50e9)
		}, board.ConnLive, []string{"Nothing has been played"}},
		{"a recording with nothing in it for a while", func(f *boardtest.Feed, b *board.Board) {
			b.Sources([]board.Source{{Address: "capture:a.pcapng", Playback: true, State: board.SourceOpen}})
			f.Run(b, time.Second)
			time.Sleep(13 * time.Second)
		}, board.ConnNoFrames, []string{"recording holds nothing for 13 s"}},
		{"a recording at its end", func(f *boardtest.Feed, b *board.Board) {
			f.Run(b, 3*time.Second)
			b.Sources([]board.Source{{Address: "capture:a.pcapng", Playback: true, State: board.SourceEnded}})
			time.Sleep(time.Minute)
		}, board.ConnEnded, nil},
	} {
		t.Run(tt.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				f := boardtest.New(0)
				b := f.Board(capture.NewSessionClock())
				tt.do(f, b)
				c := b.Overview().Connection
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
		f := boardtest.New(0)
		b := f.Board(capture.NewSessionClock())
		f.Run(b, 10*time.Second)
		b.Sources([]board.Source{{Address: "capture:a.pcapng", Playback: true, State: board.SourceEnded}})
		time.Sleep(time.Minute)
		rs := make([]board.Reading, len(f.Table.Signals))
		now, start := b.Readings(rs, 0)
		if got := now.Sub(start); got != 9990*time.Millisecond {
			t.Errorf("time shown a minute after the end: got %v, want 9.99 s", got)
		}
		for i := range rs {
			if rs[i].State != board.StateStale {
				t.Errorf("%s a minute after the end: got %s, want stale", f.Table.Signals[i].Name, rs[i].State)
			}
		}
	})
}

// When everything falls silent, values go stale by the clock.
func TestSilence(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := boardtest.New(0)
		b := f.Board(capture.NewSessionClock())
		f.Run(b, time.Second)
		i := f.Table.Index("engine_speed")
		rs := make([]board.Reading, len(f.Table.Signals))
		time.Sleep(400 * time.Millisecond) // batches of a slow adapter come like this
		if b.Readings(rs, 0); rs[i].State != board.StateValid {
			t.Errorf("after 400 ms of silence: got state %s, want valid", rs[i].State)
		}
		time.Sleep(200 * time.Millisecond)
		if b.Readings(rs, 0); rs[i].State != board.StateStale {
			t.Errorf("after 600 ms of silence: got state %s, want stale", rs[i].State)
		}
		if rs[f.Table.Index("gear")].State != board.StateValid {
			t.Error("gear after 600 ms: want valid, the analysis may lag a second")
		}
		time.Sleep(time.Second)
		if b.Readings(rs, 0); rs[f.Table.Index("gear")].State != board.StateStale {
			t.Error("gear after 1.6 s: want stale")
		}
		f.Run(b, 20*time.Millisecond)
		if b.Readings(rs, 0); rs[i].State != board.StateValid {
			t.Errorf("after it came back: got state %s, want valid", rs[i].State)
		}
	})
}
