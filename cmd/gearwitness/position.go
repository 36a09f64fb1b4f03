package main

import (
	"context"
	"fmt"

	"gearwitness/capture"
	"gearwitness/capture/archive"
	"gearwitness/capture/pcapng"
	"gearwitness/decode/nmea"
)

// Where somebody drove is kept only if somebody agreed to it. The rule stands in
// two places: what comes from instruments goes through a nmea.Guard before it is
// recorded, decoded or shown, and what is read from a session goes through one
// again, for consent may be taken back. Frames of a vehicle's buses are never
// changed.

// positionRule says so to people.
const positionRule = `Positions in the sentences of NMEA 0183 instruments are neither recorded nor shown
unless somebody has agreed to it (--position-consent NAME); the other fields are.
What a vehicle itself sends on its buses is recorded as it comes.`

// kindPosition is that of the journal's word about positions.
const kindPosition = "position"

// positionEntry is the journal's word about positions that were left out.
type positionEntry struct {
	Channel string `json:"channel"`
	Lines   uint64 `json:"lines,omitempty"` // at the end: in how many
	Text    string `json:"text"`
}

// guard leaves positions out of a batch while nobody has agreed to their being
// kept, and says so once for each instrument.
func (d *daemon) guard(b *capture.Batch) {
	if len(b.Lines) == 0 || d.playback != nil {
		return // sessions are guarded where they are opened
	}
	consent := d.consent
	if d.session != nil {
		consent = d.session.Meta().PositionConsent // people may have changed it
	}
	if consent != "" {
		d.positions.Allow()
		return
	}
	for _, port := range d.positions.Take(b.Lines) {
		name := b.Channels[port].Name
		text := "positions from " + name + " are left out: nobody has agreed to their being kept"
		d.log.Warn(text)
		d.journalPosition(positionEntry{Channel: name, Text: text}, b.Lines[0].Time)
	}
	d.channels = b.Channels
}

// countPositions writes down how many lines lost their position.
func (d *daemon) countPositions() (words []string) {
	for port := range d.channels {
		n := d.positions.Held(uint8(port))
		if n == 0 {
			continue
		}
		name := d.channels[port].Name
		text := fmt.Sprintf("positions were left out of %s lines from %s: nobody has agreed to their being kept", grouped(n), name)
		words = append(words, text)
		d.journalPosition(positionEntry{Channel: name, Lines: n, Text: text}, d.clock.Now())
	}
	return words
}

func (d *daemon) journalPosition(e positionEntry, at capture.Stamp) {
	if d.session == nil {
		return
	}
	if err := d.session.Journal(kindPosition, at, e); err != nil {
		d.log.Error("the journal does not take word of positions", "cause", err)
	}
}

// sessionFrames reads the capture files of a session, without positions where
// nobody has agreed to them or where they are to be left out.
func sessionFrames(r *archive.Reader, redact bool) frames {
	f := r.Frames()
	if !redact && r.Meta().PositionConsent != "" {
		return f
	}
	return &guardedFrames{Frames: f}
}

// frames are what a session's capture files hold.
type frames interface {
	capture.Channeler
	SkipTo(capture.Stamp) error
	Damage() []*pcapng.DamageError
}

// guardedFrames are those without positions.
type guardedFrames struct {
	*archive.Frames
	guard nmea.Guard
}

// Next is that of capture.Source.
func (f *guardedFrames) Next(ctx context.Context, b *capture.Batch) error {
	n := len(b.Lines)
	err := f.Frames.Next(ctx, b)
	f.guard.Take(b.Lines[n:])
	return err
}
