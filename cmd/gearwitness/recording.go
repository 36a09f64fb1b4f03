package main

import (
	"context"
	"errors"
	"fmt"
	"io"

	"gearwitness/capture"
	"gearwitness/capture/archive"
	"gearwitness/capture/pcapng"
)

// openRecording opens a capture file, or all capture files of a session. What
// is damaged or cut gives what stands before that, and a note tells of it.
func openRecording(path string) (capture.Source, error) {
	if isSession(path) {
		session, err := archive.Open(path)
		if err != nil {
			return nil, err
		}
		return sessionFrames(session, false), nil
	}
	r, err := pcapng.Open(path)
	if err != nil {
		return nil, fmt.Errorf("capture file %s cannot be read: %w", path, plainFileError(err))
	}
	return &captureFile{Reader: r}, nil
}

// captureFile is a capture file that ends where it is damaged.
type captureFile struct {
	*pcapng.Reader
	ended bool
}

// Next is that of capture.Source.
func (f *captureFile) Next(ctx context.Context, b *capture.Batch) error {
	if f.ended {
		return io.EOF
	}
	err := f.Reader.Next(ctx, b)
	var damage *pcapng.DamageError
	if !errors.As(err, &damage) || damage.Frames == 0 {
		return err
	}
	f.ended = true
	kind := archive.NoteDamage
	if damage.Cut {
		kind = archive.NoteCut
	}
	b.Notes = append(b.Notes, capture.Note{Time: f.LastTime(), Kind: kind, Text: err.Error()})
	return nil
}
