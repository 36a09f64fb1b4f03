package capture

import (
	"context"
	"errors"
	"fmt"
	"os"
	"sync"
	"time"
)

// Pauses between attempts to open a device again.
const (
	firstPause = 500 * time.Millisecond
	lastPause  = 5 * time.Second
)

// Reconnect returns a source that reads src and, when that ends with
// ErrUnplugged in its error, opens the device again, for as long as it takes,
// with pauses that grow from 0.5 to 5 s. Notes of kind "lost" and "reconnect"
// tell of it, and so does the first of each kind of failure in between; a loss
// of unknown count marks the time that is missing. Every other error passes.
//
// open must deliver the same channels each time. Next is for one goroutine at a
// time; Close may be called from another.
func Reconnect(src Source, open func(context.Context) (Source, error), clock Clock) Source {
	r := &reconnect{open: open, clock: clock, src: src, closed: make(chan struct{})}
	if c, ok := src.(Channeler); ok {
		r.channels = c.Channels()
	}
	return r
}

type reconnect struct {
	open   func(context.Context) (Source, error)
	clock  Clock
	closed chan struct{}

	mu       sync.Mutex
	src      Source // nil while unplugged
	channels []Channel

	since    Stamp // when it was lost
	attempts int
	pause    time.Duration
	said     string // the failure told last
}

// Channels returns the channels of the source as they were last known.
func (r *reconnect) Channels() []Channel {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.channels
}

// Send hands a frame to the source while it is there.
func (r *reconnect) Send(f Frame) error {
	r.mu.Lock()
	defer r.mu.Unlock()
	switch {
	case r.isClosed():
		return os.ErrClosed
	case r.src == nil:
		return ErrUnplugged
	}
	return Send(r.src, f)
}

func (r *reconnect) Next(ctx context.Context, b *Batch) error {
	r.mu.Lock()
	src := r.src
	r.mu.Unlock()
	if src == nil {
		return r.again(ctx, b)
	}
	err := src.Next(ctx, b)
	r.mu.Lock()
	r.channels = b.Channels
	r.mu.Unlock()
	if !errors.Is(err, ErrUnplugged) {
		return err
	}
	if r.isClosed() {
		return os.ErrClosed
	}
	_ = src.Close() // there is nothing left to say goodbye to
	r.mu.Lock()
	r.src = nil
	r.mu.Unlock()
	r.since, r.attempts, r.pause, r.said = r.clock.Now(), 0, firstPause, ""
	b.Notes = append(b.Notes, Note{Time: r.since, Kind: "lost", Text: err.Error()})
	return nil
}

// again tries to open the device until it succeeds or has something new to tell.
func (r *reconnect) again(ctx context.Context, b *Batch) error {
	b.Channels = r.Channels()
	for {
		timer := time.NewTimer(r.pause)
		select {
		case <-timer.C:
		case <-ctx.Done():
			timer.Stop()
			return ctx.Err()
		case <-r.closed:
			timer.Stop()
			return os.ErrClosed
		}
		r.pause = min(2*r.pause, lastPause)
		r.attempts++
		src, err := r.open(ctx)
		now := r.clock.Now()
		switch {
		case err == nil:
			r.mu.Lock()
			if r.isClosed() {
				r.mu.Unlock()
				return errors.Join(os.ErrClosed, src.Close())
			}
			r.src = src
			r.mu.Unlock()
			gone := now.Sub(r.since).Round(100 * time.Millisecond)
			b.Notes = append(b.Notes, Note{Time: now, Kind: "reconnect", Text: fmt.Sprintf("connected again after %v, attempt %d", gone, r.attempts)})
			b.Losses = append(b.Losses, Loss{Time: now, Reason: ReasonUnknown, Detail: fmt.Sprintf("nothing is known of the %v in between", gone)})
			return nil
		case ctx.Err() != nil:
			return ctx.Err()
		case err.Error() != r.said:
			r.said = err.Error()
			b.Notes = append(b.Notes, Note{Time: now, Kind: "lost", Text: r.said})
			return nil
		}
	}
}

func (r *reconnect) isClosed() bool {
	select {
	case <-r.closed:
		return true
	default:
		return false
	}
}

func (r *reconnect) Close() error {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.isClosed() {
		return os.ErrClosed
	}
	close(r.closed)
	if r.src == nil {
		return nil
	}
	return r.src.Close()
}
