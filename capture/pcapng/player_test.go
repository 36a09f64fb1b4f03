package pcapng

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"gearwitness/capture"
)

// player plays a file of frames 100 ms apart, from 5 s to 14.9 s, with a line of
// text each second.
func player(t *testing.T, speed float64) *Player {
	t.Helper()
	b := &capture.Batch{Channels: []capture.Channel{{Name: "a"}, {Name: "gps", Kind: capture.Text}}}
	for i := range 100 {
		at := 5*time.Second + time.Duration(i)*100*time.Millisecond
		b.Frames = append(b.Frames, capture.Frame{Time: capture.Stamp(at), ID: uint32(i), Len: 8})
		if i%10 == 0 {
			b.Lines = append(b.Lines, capture.Line{Time: capture.Stamp(at), Port: 1, Text: "fix"})
		}
	}
	e := NewEncoder(Header{})
	file := e.AppendBatch(nil, b)
	p, err := NewPlayer(func() (capture.Source, error) { return NewReader(bytes.NewReader(file), ""), nil }, speed)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { p.Close() })
	return p
}

func sec(s float64) capture.Stamp { return capture.Stamp(s * 1e9) }

func TestPlayerKeepsPace(t *testing.T) {
	for _, speed := range []float64{0.5, 1, 4} {
		synctest.Test(t, func(t *testing.T) {
			p := player(t, speed)
			time.Sleep(time.Hour) // the clock stands until somebody listens
			if p.Now() != sec(5) {
				t.Errorf("clock begins at %v", p.Now())
			}
			start := time.Now()
			var b capture.Batch
			frames, lines := 0, 0
			for {
				b.Reset()
				err := p.Next(context.Background(), &b)
				if err == io.EOF {
					break
				}
				if err != nil {
					t.Fatal(err)
				}
				for _, f := range b.Frames {
					if f.ID != uint32(frames) {
						t.Fatalf("frame %d, want %d", f.ID, frames)
					}
					frames++
					due := start.Add(time.Duration(float64(f.Time.Sub(sec(5))) / speed))
					if late := time.Since(due); late < 0 || late > time.Microsecond {
						t.Errorf("speed %v: frame %d came %v late", speed, f.ID, late)
					}
				}
				lines += len(b.Lines)
				if len(b.Lines) > 0 && b.Channels[b.Lines[0].Port].Name != "gps" {
					t.Error("a line came without its channel")
				}
			}
			if frames != 100 || lines != 10 {
				t.Errorf("%d frames and %d lines came", frames, lines)
			}
			// Behind the end the clock runs on, so that signals grow stale.
			time.Sleep(10 * time.Second)
			if got, want := p.Now(), sec(14.9+10*speed); got < want || got > want+1000 {
				t.Errorf("speed %v: clock at %d behind the end, want %d", speed, got, want)
			}
			if err := p.Next(context.Background(), &b); err != io.EOF {
				t.Errorf("behind the end: %v", err)
			}
		})
	}
}

// next fetches one batch within d, or none.
func next(p *Player, d time.Duration) (capture.Batch, error) {
	ctx, cancel := context.WithTimeout(context.Background(), d)
	defer cancel()
	var b capture.Batch
	err := p.Next(ctx, &b)
	return b, err
}

func TestPlayerSteering(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := player(t, 1)
		if b, err := next(p, time.Second); len(b.Frames) != 1 || err != nil {
			t.Fatalf("first: %v, %v", b.Frames, err)
		}
		p.Pause()
		if b, err := next(p, time.Minute); !errors.Is(err, context.DeadlineExceeded) || len(b.Frames) != 0 || p.Now() != sec(5) {
			t.Errorf("paused: %d frames, %v, at %v", len(b.Frames), err, p.Now())
		}
		if err := p.Step(250 * time.Millisecond); err != nil {
			t.Fatal(err)
		}
		if b, _ := next(p, time.Minute); len(b.Frames) != 2 || b.Frames[1].ID != 2 || p.Now() != sec(5.25) || !p.Paused() {
			t.Errorf("step: %+v at %v", b.Frames, p.Now())
		}
		if p.Step(-1) == nil {
			t.Error("stepped back")
		}
		// Resuming wakes a Next that waits.
		go func() { time.Sleep(time.Minute); p.Resume() }()
		start := time.Now()
		if b, _ := next(p, time.Hour); len(b.Frames) != 1 || b.Frames[0].ID != 3 || time.Since(start) != time.Minute+50*time.Millisecond {
			t.Errorf("resumed: %+v after %v", b.Frames, time.Since(start))
		}
		if err := p.SetSpeed(10); err != nil || p.Speed() != 10 {
			t.Fatal(err)
		}
		start = time.Now()
		if b, _ := next(p, time.Hour); b.Frames[0].ID != 4 || time.Since(start) != 10*time.Millisecond {
			t.Errorf("ten times faster: %+v after %v", b.Frames, time.Since(start))
		}
		for _, bad := range []float64{0, -1, 1e9, nan()} {
			if err := p.SetSpeed(bad); err == nil || !strings.Contains(err.Error(), "number above 0") {
				t.Errorf("speed %v: %v", bad, err)
			}
		}
		for _, c := range []struct {
			to    float64
			first uint32
		}{{12, 70}, {6.05, 11}, {-3, 0}} {
			if err := p.Seek(sec(c.to)); err != nil {
				t.Fatal(err)
			}
			b, err := next(p, time.Hour)
			for err == nil && len(b.Frames) == 0 {
				if len(b.Notes) != 1 || b.Notes[0].Kind != NoteSeek {
					t.Errorf("seek: notes %v", b.Notes)
				}
				b, err = next(p, time.Hour)
			}
			if err != nil || b.Frames[0].ID != c.first {
				t.Errorf("seek to %v: %+v, %v; want frame %d", c.to, b.Frames, err, c.first)
			}
		}
		// Behind the end there is nothing, and one can come back.
		p.Seek(sec(99))
		b, err := next(p, time.Hour)
		if err != nil || len(b.Notes) != 1 || p.Now() < sec(99) {
			t.Errorf("seek behind the end: %v, %v, at %v", b, err, p.Now())
		}
		if _, err := next(p, time.Hour); err != io.EOF {
			t.Errorf("behind the end: %v", err)
		}
		p.Seek(sec(14.9))
		if b, err := next(p, time.Hour); err != nil || len(b.Frames) != 1 || b.Frames[0].ID != 99 {
			t.Errorf("back from the end: %v, %v", b.Frames, err)
		}
		// Closing wakes a Next that waits.
		p.Seek(sec(5))
		p.Pause()
		next(p, time.Hour)
		go func() { time.Sleep(time.Second); p.Close() }()
		if _, err := next(p, time.Hour); !errors.Is(err, ErrClosed) {
			t.Errorf("closed: %v", err)
		}
	})
}

// Played faster than it can be read, time does not run ahead of the frames:
// nothing may seem to have fallen silent that is still to come.
func TestPlayerNeverPassesAFrame(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := player(t, MaxSpeed)
		if b, err := next(p, time.Second); len(b.Frames) != 1 || err != nil {
			t.Fatalf("first: %v, %v", b.Frames, err)
		}
		time.Sleep(time.Minute) // the reader is busy elsewhere
		if p.Now() != sec(5.1) {
			t.Errorf("at %v while the frame of 5.1 s waits", p.Now())
		}
		p.Pause()
		if b, err := next(p, time.Second); len(b.Frames) != 1 || b.Frames[0].ID != 1 || p.Now() != sec(5.1) {
			t.Errorf("paused there: %v, %v at %v", b.Frames, err, p.Now())
		}
		// What is asked for at a jump comes with what led up to it.
		if err := errors.Join(p.Seek(sec(8)), p.Step(2*time.Second)); err != nil {
			t.Fatal(err)
		}
		b, err := next(p, time.Second)
		if err != nil || len(b.Notes) != 1 || b.Notes[0].Time != sec(8) || len(b.Frames) != 21 || b.Frames[0].ID != 30 || p.Now() != sec(10) {
			t.Errorf("8 s and 2 s on: %v, %d frames, %v, at %v", b.Notes, len(b.Frames), err, p.Now())
		}
		p.Resume()
		for err = nil; err == nil; {
			_, err = next(p, time.Second)
		}
		time.Sleep(1000 * time.Hour)
		if err != io.EOF || p.Now() < sec(14.9) {
			t.Errorf("long behind the end: %v, at %v", err, p.Now())
		}
	})
}

func nan() float64 { var zero float64; return zero / zero }

func TestPlayerTellsWhatIsWrong(t *testing.T) {
	if _, err := NewPlayer(func() (capture.Source, error) { return Open("no-such-file.pcapng") }, 1); err == nil || !strings.Contains(err.Error(), "no such capture file") {
		t.Errorf("missing file: %v", err)
	}
	synctest.Test(t, func(t *testing.T) {
		e := NewEncoder(Header{})
		b := traffic(3)
		file := e.AppendBatch(nil, b)
		file = file[:len(file)-2] // the last frame is cut
		p, err := NewPlayer(func() (capture.Source, error) { return NewReader(bytes.NewReader(file), "x"), nil }, 1)
		if err != nil {
			t.Fatal(err)
		}
		defer p.Close()
		n := 0
		for {
			var b capture.Batch
			err = p.Next(context.Background(), &b)
			if n += len(b.Frames); err != nil {
				break
			}
		}
		var d *DamageError
		if n != 2 || !errors.As(err, &d) || !d.Cut {
			t.Errorf("%d frames, then %v; want 2, then a cut", n, err)
		}
	})
}

// A wrong time stamp does not make the playback wait for it: what bears one comes with
// what follows it, and the rest at its time.
func TestPlayerPassesOverWrongStamps(t *testing.T) {
	for name, c := range map[string]struct{ stamps, due []capture.Stamp }{
		"the last there is":         {[]capture.Stamp{sec(5), math.MaxInt64, sec(6), sec(7)}, []capture.Stamp{sec(5), sec(6), sec(6), sec(7)}},
		"the first there is":        {[]capture.Stamp{sec(5), math.MinInt64, sec(6), sec(7)}, []capture.Stamp{sec(5), sec(6), sec(6), sec(7)}},
		"years ahead":               {[]capture.Stamp{sec(5), sec(1e9), sec(6), sec(7)}, []capture.Stamp{sec(5), sec(6), sec(6), sec(7)}},
		"years ahead at first":      {[]capture.Stamp{sec(1e9), sec(5), sec(6)}, []capture.Stamp{sec(5), sec(5), sec(6)}},
		"impossible at first":       {[]capture.Stamp{math.MaxInt64, math.MinInt64, sec(5), sec(6)}, []capture.Stamp{sec(5), sec(5), sec(5), sec(6)}},
		"impossible at the end":     {[]capture.Stamp{sec(5), sec(6), math.MaxInt64}, []capture.Stamp{sec(5), sec(6), sec(6)}},
		"nothing else":              {[]capture.Stamp{math.MaxInt64, math.MinInt64}, []capture.Stamp{0, 0}},
		"a long pause is a pause":   {[]capture.Stamp{sec(5), sec(5) + 2*capture.Leap, sec(6) + 2*capture.Leap}, []capture.Stamp{sec(5), sec(5) + 2*capture.Leap, sec(6) + 2*capture.Leap}},
		"and so is one at the end":  {[]capture.Stamp{sec(5), sec(5) + 2*capture.Leap}, []capture.Stamp{sec(5), sec(5) + 2*capture.Leap}},
		"a little late is no fault": {[]capture.Stamp{sec(5), sec(6), sec(5.5), sec(7)}, []capture.Stamp{sec(5), sec(6), sec(6), sec(7)}},
	} {
		for _, lines := range []bool{false, true} {
			for _, together := range []bool{false, true} {
				t.Run(fmt.Sprintf("%s/lines=%v,together=%v", name, lines, together), func(t *testing.T) {
					synctest.Test(t, func(t *testing.T) { playsAt(t, c.stamps, c.due, lines, together) })
				})
			}
		}
	}
}

// playsAt plays frames or lines of these stamps, from a source that gives them
// together or one by one, and compares when they come.
func playsAt(t *testing.T, stamps, due []capture.Stamp, lines, together bool) {
	var list []capture.Batch
	for i, at := range stamps {
		if i == 0 || !together {
			list = append(list, capture.Batch{})
		}
		b := &list[len(list)-1]
		if lines {
			b.Lines = append(b.Lines, capture.Line{Time: at, Text: fmt.Sprint(i)})
		} else {
			b.Frames = append(b.Frames, capture.Frame{Time: at, ID: uint32(i)})
		}
	}
	p, err := NewPlayer(func() (capture.Source, error) { return &given{list}, nil }, 1)
	if err != nil {
		t.Fatal(err)
	}
	defer p.Close()
	if p.Now() != due[0] {
		t.Errorf("begins at %d; want %d", p.Now(), due[0])
	}
	began, n := time.Now(), 0
	for {
		var b capture.Batch
		if err := p.Next(t.Context(), &b); err == io.EOF {
			break
		} else if err != nil {
			t.Fatal(err)
		}
		for range len(b.Frames) + len(b.Lines) {
			if got, want := time.Since(began), due[n].Sub(due[0]); got != want {
				t.Errorf("number %d, stamped %d, came after %v; want %v", n, stamps[n], got, want)
			}
			n++
		}
	}
	if n != len(stamps) {
		t.Errorf("%d came; want all %d", n, len(stamps))
	}
}

// given is a source that gives batches.
type given struct{ list []capture.Batch }

func (g *given) Next(_ context.Context, b *capture.Batch) error {
	if len(g.list) == 0 {
		return io.EOF
	}
	b.Frames, b.Lines = append(b.Frames, g.list[0].Frames...), append(b.Lines, g.list[0].Lines...)
	g.list = g.list[1:]
	return nil
}

func (g *given) Close() error { return nil }
