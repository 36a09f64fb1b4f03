package pcapng

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"sync"
	"time"

	"gearwitness/capture"
)

// NoteSeek is the kind of the note with which a Player begins after Seek: what
// follows does not continue what came before.
const NoteSeek = "seek"

// Player plays a recording back at its own pace, faster or slower. It is a
// source and a clock: frames come when their time has come, and the clock runs
// on behind the last of them, so that signals grow stale as they did on the
// road.
//
// Next and Close belong to one goroutine; everything else may be called from
// any.
type Player struct {
	open  func() (capture.Source, error)
	seeks sync.Mutex // one Seek at a time

	mu      sync.Mutex
	play    *reading
	first   capture.Stamp
	at      capture.Stamp // time at anchor
	anchor  time.Time     // zero: not started
	speed   float64
	paused  bool
	seeking bool // a note of the seek is due
	sought  capture.Stamp
	closed  bool
	changed chan struct{} // closed when the clock was touched
}

// reading is a recording on its way through the player.
type reading struct {
	src    capture.Source
	ahead  capture.Batch // read; delivered up to the next fields
	frames int
	lines  int
	losses int
	notes  int
	// When each of them is due, as far as that is known.
	frameTimes, lineTimes times

	ended  bool
	failed error // what src ended with, if not io.EOF
}

// ErrClosed is what Next returns after Close.
var ErrClosed = errors.New("the playback is closed")

// MaxSpeed is as fast as the recording can be read: nothing plays that fast
// anyway, and it keeps the clock's arithmetic sane.
const MaxSpeed = 1e6

// NewPlayer plays what open opens, which it does again for each Seek. The
// clock stands at the first frame until the first Next.
func NewPlayer(open func() (capture.Source, error), speed float64) (*Player, error) {
	p := &Player{open: open, changed: make(chan struct{})}
	if err := p.checkSpeed(speed); err != nil {
		return nil, err
	}
	p.speed = speed
	src, err := open()
	if err != nil {
		return nil, err
	}
	p.play = &reading{src: src}
	err = p.play.read(context.Background())
	var ok bool
	if p.first, ok = p.play.due(); !ok && err != nil {
		src.Close()
		return nil, err
	}
	p.at = p.first
	return p, nil
}

func (p *Player) checkSpeed(speed float64) error {
	if !(speed > 0 && speed <= MaxSpeed) {
		return fmt.Errorf("speed of playback: expected a number above 0 such as 0.5, 1 or 4, found %v", speed)
	}
	return nil
}

// drop forgets what has been delivered.
func (r *reading) drop() {
	a := &r.ahead
	a.Frames, a.Lines = slices.Delete(a.Frames, 0, r.frames), slices.Delete(a.Lines, 0, r.lines)
	a.Losses, a.Notes = slices.Delete(a.Losses, 0, r.losses), slices.Delete(a.Notes, 0, r.notes)
	r.frameTimes.drop(r.frames)
	r.lineTimes.drop(r.lines)
	r.frames, r.lines, r.losses, r.notes = 0, 0, 0, 0
}

// read fetches the next stretch if everything ahead has been delivered, or nothing of
// the rest is known when it is due. The error is that of the recording or of ctx.
func (r *reading) read(ctx context.Context) error {
	for !r.ended && r.frames == len(r.frameTimes.list) && r.lines == len(r.lineTimes.list) {
		r.drop() // losses and notes without frames behind them stay
		err := r.src.Next(ctx, &r.ahead)
		switch {
		case err == io.EOF:
			r.ended = true
		case err != nil && ctx.Err() != nil:
			return err
		case err != nil:
			r.ended, r.failed = true, err
		}
		r.frameTimes.judge(len(r.ahead.Frames), func(i int) capture.Stamp { return r.ahead.Frames[i].Time }, r.ended)
		r.lineTimes.judge(len(r.ahead.Lines), func(i int) capture.Stamp { return r.ahead.Lines[i].Time }, r.ended)
	}
	return r.failed
}

// times are the times at which frames or lines are due: their stamps, and where one
// is wrong that of the next which is right, or the playback would wait for it.
type times struct {
	list  []capture.Stamp
	last  capture.Stamp // the latest that was right
	begun bool
}

// mostWrong bounds how many wrong stamps in a row are kept for the next right one.
const mostWrong = 4 * batchSize

// judge extends the list, up to n items, as far as the stamps tell.
func (w *times) judge(n int, stamp func(int) capture.Stamp, ended bool) {
	for i := len(w.list); i < n; i++ {
		t := stamp(i)
		right := t.Possible()
		if right && !(w.begun && t-w.last < capture.Leap) {
			next := i + 1
			for next < n && !stamp(next).Possible() {
				next++
			}
			if next == n && !ended {
				return // what comes next tells
			}
			right = next == n || t.BorneOut(stamp(next))
		}
		switch {
		case right:
			w.fill(i+1, t)
			w.last, w.begun = max(w.last, t), true
		case i+1 == n && ended, i-len(w.list) >= mostWrong:
			w.fill(i+1, w.last)
		}
	}
}

func (w *times) fill(n int, t capture.Stamp) {
	for len(w.list) < n {
		w.list = append(w.list, t)
	}
}

func (w *times) drop(n int) { w.list = slices.Delete(w.list, 0, n) }

// due returns the time at which the next frame or line is due.
func (r *reading) due() (t capture.Stamp, ok bool) {
	if r.frames < len(r.frameTimes.list) {
		t, ok = r.frameTimes.list[r.frames], true
	}
	if r.lines < len(r.lineTimes.list) {
		if u := r.lineTimes.list[r.lines]; !ok || u < t {
			t, ok = u, true
		}
	}
	return t, ok
}

// skip passes over everything ahead before t.
func (r *reading) skip(t capture.Stamp) {
	a := &r.ahead
	earlier := func(u *capture.Stamp) bool { return *u < t }
	r.frames += before(r.frameTimes.list[r.frames:], earlier)
	r.lines += before(r.lineTimes.list[r.lines:], earlier)
	r.losses += before(a.Losses[r.losses:], func(l *capture.Loss) bool { return l.Time < t })
	r.notes += before(a.Notes[r.notes:], func(n *capture.Note) bool { return n.Time < t })
}

// before returns how many items at the start of list satisfy f.
func before[T any](list []T, f func(*T) bool) int {
	n := 0
	for n < len(list) && f(&list[n]) {
		n++
	}
	return n
}

// deliver appends everything ahead up to and including t.
func (r *reading) deliver(b *capture.Batch, t capture.Stamp) {
	a, f, l, o, n := &r.ahead, r.frames, r.lines, r.losses, r.notes
	r.skip(t + 1)
	b.Frames = append(b.Frames, a.Frames[f:r.frames]...)
	b.Lines = append(b.Lines, a.Lines[l:r.lines]...)
	b.Losses = append(b.Losses, a.Losses[o:r.losses]...)
	b.Notes = append(b.Notes, a.Notes[n:r.notes]...)
}

// Now returns the time of the playback. It never passes a frame that has not
// been delivered: where the recording cannot be read as fast as it is to be
// played, time goes slower.
func (p *Player) Now() capture.Stamp {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.now()
}

func (p *Player) now() capture.Stamp {
	t := p.clock()
	if due, ok := p.play.due(); ok {
		t = min(t, due)
	}
	return t
}

// clock is what the time would be if the recording were read in no time.
func (p *Player) clock() capture.Stamp {
	if p.paused || p.anchor.IsZero() {
		return p.at
	}
	const most = math.MaxInt64 / 4 // behind the end it runs on for ever
	return p.at + capture.Stamp(min(float64(time.Since(p.anchor))*p.speed, most))
}

// set moves the clock to t, keeping it running or not, and wakes Next.
func (p *Player) set(t capture.Stamp) {
	p.at = t
	if !p.anchor.IsZero() {
		p.anchor = time.Now()
	}
	close(p.changed)
	p.changed = make(chan struct{})
}

// Pause stops the clock.
func (p *Player) Pause() {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.set(p.now())
	p.paused = true
}

// Resume lets the clock run on.
func (p *Player) Resume() {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.set(p.now())
	p.paused = false
}

// Paused tells whether the clock stands by the user's wish.
func (p *Player) Paused() bool {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.paused
}

// Speed returns how many seconds of the recording pass in one of ours.
func (p *Player) Speed() float64 {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.speed
}

// SetSpeed changes the pace from now on.
func (p *Player) SetSpeed(speed float64) error {
	if err := p.checkSpeed(speed); err != nil {
		return err
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	p.set(p.now())
	p.speed = speed
	return nil
}

// Step moves the clock on by d of the recording's time, running or not; frames
// up to there follow at once.
func (p *Player) Step(d time.Duration) error {
	if d < 0 {
		return fmt.Errorf("step of playback: expected a time forward, found %v; use Seek to go back", d)
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	p.set(p.now().Add(d))
	return nil
}

// Seek jumps to a time of the recording, forward or back. The next batch
// begins with a note of kind NoteSeek, at the time sought, and holds nothing
// from before it. It takes the time of reading the recording up to there, or
// from near there if the source has a method SkipTo; until then the playback
// goes on where it was.
func (p *Player) Seek(t capture.Stamp) error {
	p.seeks.Lock()
	defer p.seeks.Unlock()
	src, err := p.open()
	if err != nil {
		return err
	}
	t = max(t, p.first)
	if s, ok := src.(interface{ SkipTo(capture.Stamp) error }); ok {
		if err := s.SkipTo(t); err != nil {
			return errors.Join(err, src.Close())
		}
	}
	to := &reading{src: src}
	for more := false; !more && !to.ended; _, more = to.due() {
		to.read(context.Background())
		to.skip(t)
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.closed {
		src.Close()
		return ErrClosed
	}
	p.play.src.Close()
	p.play = to
	p.set(t)
	p.seeking, p.sought = true, t
	return nil
}

// Next appends what is due, waiting for it. At the end of the recording it
// returns io.EOF, as often as it is called, until Seek goes back.
func (p *Player) Next(ctx context.Context, b *capture.Batch) error {
	for {
		wait, changed, err := p.take(ctx, b)
		if err != nil || wait == 0 {
			return err
		}
		var timer <-chan time.Time
		var t *time.Timer
		if wait > 0 {
			t = time.NewTimer(wait)
			timer = t.C
		}
		select {
		case <-timer:
		case <-changed:
		case <-ctx.Done():
			err = ctx.Err()
		}
		if t != nil {
			t.Stop()
		}
		if err != nil {
			return err
		}
	}
}

// take appends what is due. Otherwise it says how long to wait, below 0 for
// as long as the clock stands.
func (p *Player) take(ctx context.Context, b *capture.Batch) (wait time.Duration, changed <-chan struct{}, err error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.closed {
		return 0, nil, ErrClosed
	}
	if p.anchor.IsZero() {
		p.anchor = time.Now()
	}
	start := items(b) + len(b.Notes)
	if p.seeking {
		p.seeking = false
		b.Notes = append(b.Notes, capture.Note{Time: p.sought, Kind: NoteSeek, Text: "playback jumped here"})
	}
	r := p.play
	for now := p.clock(); ; {
		if err := r.read(ctx); err != nil && !r.ended {
			return 0, nil, err
		}
		b.Channels = r.ahead.Channels
		next, more := r.due()
		if more && next <= now && items(b)-start < batchSize {
			r.deliver(b, now)
			continue
		}
		if !more {
			r.deliver(b, math.MaxInt64-1) // losses and notes at the end
		}
		switch {
		case items(b)+len(b.Notes) > start:
			return 0, nil, nil
		case !more && r.failed != nil:
			return 0, nil, r.failed
		case !more:
			return 0, nil, io.EOF
		case p.paused:
			return -1, p.changed, nil
		}
		ns := math.Ceil(float64(next-now) / p.speed)
		return max(1, time.Duration(min(ns, math.MaxInt64/2))), p.changed, nil
	}
}

// Channels returns the buses and instruments known so far.
func (p *Player) Channels() []capture.Channel {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.play.ahead.Channels
}

// Close ends the playback; a Next that waits returns.
func (p *Player) Close() error {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.closed {
		return nil
	}
	p.closed = true
	close(p.changed)
	p.changed = make(chan struct{})
	return p.play.src.Close()
}
