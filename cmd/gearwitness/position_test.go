package main

import (
	"log/slog"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"gearwitness/capture"
	"gearwitness/capture/archive"
)

// TestConsentWhileDriving gives consent on the page in the middle of a drive and
// takes it back: a line is kept as consent stood when it came.
func TestConsentWhileDriving(t *testing.T) {
	session, err := archive.Create(t.TempDir(), archive.Meta{Title: "consent"}, nil, archive.Options{})
	if err != nil {
		t.Fatal(err)
	}
	d := &daemon{session: session, clock: capture.NewSessionClock(), log: slog.New(slog.DiscardHandler)}
	const whole, blank = "$GPGLL,4916.45,N,12311.12,W,225444,A*31", "$GPGLL,,,,,225444,A*10" // a published example and what is left of it
	at := capture.Stamp(0)
	drive := func() (text string) {
		at += 1e9
		b := capture.Batch{Channels: []capture.Channel{{Name: "can"}, {Name: "gps", Kind: capture.Text}}, Lines: []capture.Line{{Time: at, Port: 1, Text: whole}}}
		d.guard(&b)
		session.Record(&b)
		return b.Lines[0].Text
	}
	agree := func(who string) { session.Describe(func(m *archive.Meta) { m.PositionConsent = who }) }
	got := []string{drive(), drive()}
	agree("A. Owner")
	got = append(got, drive())
	agree("")
	got = append(got, drive())
	if want := []string{blank, blank, whole, blank}; !slices.Equal(got, want) {
		t.Errorf("recorded\n%q, want\n%q", got, want)
	}
	if words := d.countPositions(); len(words) != 1 || !strings.Contains(words[0], "left out of 3 lines from gps") {
		t.Errorf("said at the end: %q", words)
	}
	if err := session.Close(); err != nil {
		t.Fatal(err)
	}
	journal := read(t, filepath.Join(session.Dir(), "data", "journal.jsonl"))
	var kinds []string
	for line := range strings.Lines(journal) {
		_, rest, _ := strings.Cut(line, `"kind":"`)
		kind, _, _ := strings.Cut(rest, `"`)
		kinds = append(kinds, kind)
	}
	if want := []string{"start", "position", "correction", "correction", "position", "position", "end"}; !slices.Equal(kinds, want) {
		t.Errorf("journal %v, want %v", kinds, want)
	}
}
