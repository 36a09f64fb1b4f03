package main

import (
	"testing"
	"time"

	"gearwitness/capture"
	"gearwitness/dashboards"
	"gearwitness/dashboards/board"
	"gearwitness/decode/van"
)

// TestSessionPlayedBackBesideADrive plays an ended session while a drive is being
// recorded, as fast as it can be read: it shows what decoding it gives, and the
// drive goes on.
func TestSessionPlayedBackBesideADrive(t *testing.T) {
	recording, _ := recordVan(t, van.Options{Seed: 7, For: 40 * time.Second, Oil: 60, Ambient: 15})
	root := t.TempDir()
	session := sessionOf(t, root, recording, map[capture.Stamp]string{5e9: "heard"})
	r := start(t, "demo", "--archive", root)
	list := fromJSON[struct{ Sessions []dashboards.SessionRow }](t, r.get(t, "api/v1/sessions"))
	var name, now string
	for _, s := range list.Sessions {
		if s.Folder == session {
			name = s.Name
		} else if s.Recording {
			now = s.Name
		}
	}
	if name == "" || now == "" {
		t.Fatalf("sessions: %+v", list.Sessions)
	}
	at := "play/" + name + "/api/v1/"
	type status struct {
		Now        float64
		Connection board.Connection
		Recording  dashboards.RecordingStatus
		Playback   *dashboards.PlaybackState
	}
	before := fromJSON[status](t, r.get(t, "api/v1/status"))
	r.post(t, "POST", at+"playback", `{"speed": 1000000}`)
	until(t, r, at+"playback", func(s dashboards.PlaybackState) bool { return s.Ended })
	if got := fromJSON[eventList](t, r.get(t, at+"shifts")); len(got.Events) < 2 {
		t.Errorf("%d shifts of the session", len(got.Events))
	}
	if got := fromJSON[eventList](t, r.get(t, at+"marks")); len(got.Events) != 1 {
		t.Errorf("%d marks of the session, want 1", len(got.Events))
	}
	// It can be played again from its end.
	r.post(t, "POST", at+"playback", `{"pause": true, "seek_s": 10, "step_s": 1}`)
	until(t, r, at+"playback", func(s dashboards.PlaybackState) bool { return !s.Ended && s.Paused && s.At > 10.9 && s.At < 12 })

	after := until(t, r, "api/v1/status", func(s status) bool { return s.Now > before.Now && s.Recording.Frames > before.Recording.Frames })
	if after.Playback != nil || after.Recording.State != "recording" || after.Recording.Lost != 0 || after.Connection.Playback {
		t.Errorf("the drive: %+v", after)
	}
	if s := r.end(); s != exitDone {
		t.Errorf("exit status %d", s)
	}
}
