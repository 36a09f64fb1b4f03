package main

import (
	"context"
	"errors"
	"io"

	"gearwitness/capture"
	"gearwitness/capture/pcapng"
	"gearwitness/dashboards/board"
	"gearwitness/decode"
	"gearwitness/decode/pipeline"
	"gearwitness/decode/readings"
	"gearwitness/signals"
)

// playback is a recording that a drive plays back instead of reading a vehicle.
// It is not recorded again: the recording there is stays the evidence.
type playback struct {
	*pcapng.Player
	file  *signals.File
	path  string
	start capture.Stamp // of the recording
	marks []decode.Event
	// readings are those in the journal of a session.
	readings []readings.Entry
	moments  *board.Moments
	jumped   chan struct{} // holds a word when Seek was called
}

// newPlayback opens a capture file or a session.
func newPlayback(file *signals.File, u capture.URL) (*playback, error) {
	speed, err := u.Positive("speed", 1)
	if err != nil {
		return nil, usageError{err}
	}
	if speed > pcapng.MaxSpeed {
		return nil, usagef("source %q: parameter speed: expected at most %.0f, found %g", u, pcapng.MaxSpeed, speed)
	}
	p := &playback{file: file, path: u.Path, jumped: make(chan struct{}, 1)}
	if p.Player, err = pcapng.NewPlayer(func() (capture.Source, error) { return openRecording(u.Path) }, speed); err != nil {
		return nil, err
	}
	p.start = p.Now()
	p.moments = board.NewMoments(p.start)
	if isSession(u.Path) {
		// Lines that cannot be read are told by decode and verify.
		if p.marks, _, err = journalEvents(u.Path); err != nil {
			p.Close()
			return nil, err
		}
		p.readings, _ = readingsOf(u.Path)
	}
	return p, nil
}

// Seek is that of the player, and wakes a drive that has come to the end.
func (p *playback) Seek(t capture.Stamp) error {
	err := p.Player.Seek(t)
	if err == nil {
		select {
		case p.jumped <- struct{}{}:
		default:
		}
	}
	return err
}

// again waits at the end of the recording until the user jumps back.
func (p *playback) again(ctx context.Context) bool {
	select {
	case <-p.jumped:
		return true
	case <-ctx.Done():
		return false
	}
}

// begin makes the chain of a drive that begins at a time of the recording, with
// the marks that were set from there on.
func (p *playback) begin(at capture.Stamp) (*pipeline.Pipeline, error) {
	chain, err := pipeline.New(p.file, pipeline.Options{})
	if err != nil {
		return nil, err
	}
	for _, m := range p.marks {
		if m.Time >= at {
			chain.Inject(m)
		}
	}
	return chain, nil
}

// survey decodes the whole recording once, as fast as it can be read, for the
// moments that one can jump to. It keeps nothing else.
func (p *playback) survey(ctx context.Context) {
	p.moments.End(func() error {
		source, err := openRecording(p.path)
		if err != nil {
			return err
		}
		if c, ok := source.(io.Closer); ok {
			defer c.Close()
		}
		chain, err := p.begin(p.start)
		if err != nil {
			return err
		}
		_, err = decodeAll(ctx, source, chain, func(out *decode.Output, _ capture.Stamp) error {
			p.moments.Take(out, chain.Now())
			return nil
		}, func(tally) {})
		if errors.Is(err, context.Canceled) {
			return nil
		}
		return err
	}())
}

// jump goes on where the playback jumped to. What was written of samples and
// events so far is whole; what follows belongs to another run and is not written.
func (d *daemon) jump(at capture.Stamp) error {
	if d.sink.open() {
		var rest decode.Output
		d.chain.Finish(&rest)
		err := d.sink.write(&rest, d.chain.Settled())
		if err = errors.Join(err, d.sink.commit()); err != nil {
			d.log.Error("samples or events could not be written to their file", "cause", err)
			d.sink.discard()
		}
		d.sink = writers{}
		d.log.Warn("the playback jumped; samples and events are written up to there")
	}
	return d.restart(at)
}

// restart begins the drive anew at a time of the recording, so that nothing of
// before lingers.
func (d *daemon) restart(at capture.Stamp) error {
	chain, err := d.playback.begin(at)
	if err != nil {
		return err
	}
	d.chain, d.counted = chain, at
	d.board.Restart(d.playback.start, at)
	d.tellSources(board.SourceOpen, "")
	return nil
}
