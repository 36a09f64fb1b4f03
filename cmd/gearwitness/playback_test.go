package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"gearwitness/capture"
	"gearwitness/capture/archive"
	"gearwitness/dashboards"
	"gearwitness/dashboards/board"
	"gearwitness/decode"
	"gearwitness/decode/pipeline"
	"gearwitness/decode/van"
)

// post sends JSON to an address of the page and returns the reply.
func (r running) post(t *testing.T, method, path, body string) string {
	t.Helper()
	q, err := http.NewRequest(method, r.page+path, strings.NewReader(body))
	if err != nil {
		t.Fatal(err)
	}
	q.Header.Set("Content-Type", "application/json")
	resp, err := http.DefaultClient.Do(q)
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	text, err := io.ReadAll(resp.Body)
	if err != nil || resp.StatusCode/100 != 2 {
		t.Fatalf("%s %s: %s %v\n%s", path, body, resp.Status, err, text)
	}
	return string(text)
}

// until polls an address until what it gives satisfies is.
func until[T any](t *testing.T, r running, path string, is func(T) bool) T {
	t.Helper()
	for limit := time.Now().Add(time.Minute); ; time.Sleep(20 * time.Millisecond) {
		v := fromJSON[T](t, r.get(t, path))
		if is(v) {
			return v
		}
		if time.Now().After(limit) {
			t.Fatalf("%s did not come to what was waited for; it stands at %+v", path, v)
		}
	}
}

type eventList struct {
	Events []struct{ Data json.RawMessage }
}

// sessionOf makes a session of a capture file, with marks, as a drive does; in
// several capture files where their size is given.
func sessionOf(t *testing.T, root, recording string, marks map[capture.Stamp]string, maxFile ...int64) string {
	t.Helper()
	file, err := demoVehicle()
	if err != nil {
		t.Fatal(err)
	}
	o := archive.Options{}
	if maxFile != nil {
		o.MaxFile = maxFile[0]
	}
	s, err := archive.Create(root, archive.Meta{Title: "Parcel van"}, file.Text(), o)
	if err != nil {
		t.Fatal(err)
	}
	source, err := openRecording(recording)
	if err != nil {
		t.Fatal(err)
	}
	defer source.Close()
	var batch capture.Batch
	for err = nil; err == nil; {
		batch.Reset()
		err = source.Next(t.Context(), &batch)
		s.Record(&batch)
	}
	for at, text := range marks {
		if err := s.Mark(at, text); err != nil {
			t.Fatal(err)
		}
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	return s.Dir()
}

// begunAt returns the events of a drive that begins at a time of a recording,
// decoded offline.
func begunAt(t *testing.T, recording string, at capture.Stamp, mark decode.Event) []string {
	t.Helper()
	file, err := demoVehicle()
	if err != nil {
		t.Fatal(err)
	}
	chain, err := pipeline.New(file, pipeline.Options{})
	if err != nil {
		t.Fatal(err)
	}
	chain.Inject(mark)
	source, err := openRecording(recording)
	if err != nil {
		t.Fatal(err)
	}
	defer source.Close()
	var (
		batch, cut capture.Batch
		out        decode.Output
		events     []string
	)
	for err = nil; err == nil; {
		batch.Reset()
		err = source.Next(context.Background(), &batch)
		cut.Reset()
		cut.Channels = batch.Channels
		for _, f := range batch.Frames {
			if f.Time >= at {
				cut.Frames = append(cut.Frames, f)
			}
		}
		if e := chain.Push(&cut, &out); e != nil {
			t.Fatal(e)
		}
	}
	if !errors.Is(err, io.EOF) {
		t.Fatal(err)
	}
	chain.Finish(&out)
	for _, e := range out.Events {
		b, err := json.Marshal(e)
		if err != nil {
			t.Fatal(err)
		}
		events = append(events, string(b))
	}
	return events
}

// TestPlaybackBeginsAnewWhereItJumps plays a session to its end, jumps back and
// plays it again: what is shown then is what a drive begun there shows, to the
// byte. All moments of the recording are known by then, and nothing is recorded.
func TestPlaybackBeginsAnewWhereItJumps(t *testing.T) {
	recording, _ := recordVan(t, van.Options{Seed: 7, For: 60 * time.Second, Oil: 60, Ambient: 15})
	root := t.TempDir()
	session := sessionOf(t, root, recording, map[capture.Stamp]string{5e9: "before", 40e9: "behind"})
	r := start(t, "drive", "--from", "capture:"+session+"?speed=1e6", "--archive", root)
	state := until(t, r, "api/v1/playback", func(s dashboards.PlaybackState) bool { return s.Ended })
	if state.Speed != 1e6 || state.At < 59 || state.At > 60 {
		t.Errorf("at the end: %+v", state)
	}
	whole := fromJSON[eventList](t, r.get(t, "api/v1/events"))

	moments := until(t, r, "api/v1/playback/moments", func(m board.MomentList) bool { return m.Done })
	count := map[string]int{}
	for _, m := range moments.Moments {
		count[m.Kind]++
	}
	shifts := 0
	for _, e := range whole.Events {
		if bytes.Contains(e.Data, []byte(`"kind":"shift"`)) {
			shifts++
		}
	}
	if shifts < 3 || count["shift"] != shifts || count["mark"] != 2 || moments.Problem != "" || moments.To != state.At {
		t.Errorf("moments of the recording: %v to %v s (%s), want %d shifts and 2 marks to %v s", count, moments.To, moments.Problem, shifts, state.At)
	}

	// Paused there, what led up to it shows at once.
	r.post(t, "POST", "api/v1/playback", `{"pause": true, "seek_s": 20, "step_s": 2}`)
	state = until(t, r, "api/v1/playback", func(s dashboards.PlaybackState) bool { return s.At > 21.9 && s.At < 23 })
	if !state.Paused || state.Ended {
		t.Errorf("after the jump: %+v", state)
	}
	type signals struct {
		Signals []struct {
			Name, State string
		}
	}
	until(t, r, "api/v1/signals", func(s signals) bool {
		return len(s.Signals) > 0 && s.Signals[0].State == "valid"
	})

	r.post(t, "POST", "api/v1/playback", `{"resume": true}`)
	until(t, r, "api/v1/playback", func(s dashboards.PlaybackState) bool { return s.Ended })
	want := begunAt(t, recording, 20e9, decode.Event{Time: 40e9, Kind: decode.KindMark, Fields: mark{Text: "behind"}})
	got := fromJSON[eventList](t, r.get(t, "api/v1/events"))
	if len(got.Events) != len(want) || len(want) == len(whole.Events) {
		t.Errorf("%d events after the jump, want %d; %d at first", len(got.Events), len(want), len(whole.Events))
	}
	for i := range min(len(got.Events), len(want)) {
		if string(got.Events[i].Data) != want[i] {
			t.Errorf("event %d after the jump:\n%s\nwant that of a drive begun there:\n%s", i, got.Events[i].Data, want[i])
			break
		}
	}
	if s := r.end(); s != exitDone {
		t.Errorf("exit status %d", s)
	}
	if list, err := os.ReadDir(root); err != nil || len(list) != 1 {
		t.Errorf("the playback was recorded: %v, %v", list, err)
	}
	if !strings.Contains(r.out.String(), "a playback is not recorded again") {
		t.Errorf("printed:\n%s", r.out)
	}
}

// TestSamplesEndWhereAPlaybackJumps writes samples while a recording is played
// back: the file holds one uninterrupted run.
func TestSamplesEndWhereAPlaybackJumps(t *testing.T) {
	recording, _ := recordVan(t, van.Options{Seed: 7, For: 12 * time.Second})
	events := filepath.Join(t.TempDir(), "events.jsonl")
	r := start(t, "drive", "--vehicle", "van", "--from", "capture:"+recording+"?speed=1e6", "--events", events)
	until(t, r, "api/v1/playback", func(s dashboards.PlaybackState) bool { return s.Ended })
	r.post(t, "POST", "api/v1/playback", `{"pause": true, "seek_s": 2}`)
	until(t, r, "api/v1/playback", func(s dashboards.PlaybackState) bool { return !s.Ended })
	text, err := os.ReadFile(events)
	if err != nil {
		t.Fatal(err)
	}
	want := must(t, "decode", recording, "--vehicle", "van", "--events", "-")
	if string(text) != want {
		t.Errorf("%d bytes of events, want the %d of the whole recording", len(text), len(want))
	}
}

// TestDetailsOfASession gives who and why at the start, corrects it while
// recording, and finds it in the session.
func TestDetailsOfASession(t *testing.T) {
	root := t.TempDir()
	// The number of the example in 49 CFR 565.15 has the check digit X at position
	// 9 (table in the regulation, quoted from memory); here it stands wrong.
	r := start(t, "demo", "--archive", root, "--title", "flare 2-3", "--technician", "A. Meier", "--vin", "1M8GDM9A1KP042788", "--odometer", "84210 km", "--position-consent", "owner, in writing")
	d := fromJSON[dashboards.Details](t, r.get(t, "api/v1/session"))
	if d.Title != "flare 2-3" || d.Technician != "A. Meier" || d.Odometer != "84210 km" || d.Consent != "owner, in writing" || !strings.Contains(d.VINRemark, "position 9 would be X") {
		t.Errorf("details: %+v", d)
	}
	d = fromJSON[dashboards.Details](t, r.post(t, "PATCH", "api/v1/session", `{"vin": "1M8GDM9AXKP042788", "concern": "flares when warm"}`))
	if d.VIN != "1M8GDM9AXKP042788" || d.VINRemark != "" || d.Concern != "flares when warm" || d.Technician != "A. Meier" {
		t.Errorf("details after the correction: %+v", d)
	}
	if s := r.end(); s != exitDone {
		t.Errorf("exit status %d", s)
	}
	if !strings.Contains(r.out.String(), "VIN:       1M8GDM9A1KP042788: position 9 would be X") {
		t.Errorf("nothing was said of the odd number:\n%s", r.out)
	}
	list, err := archive.List(root)
	if err != nil || len(list) != 1 {
		t.Fatalf("sessions: %v, %v", list, err)
	}
	if m := list[0].Meta; m.VIN != "1M8GDM9AXKP042788" || m.Concern != "flares when warm" || m.Title != "flare 2-3" || m.PositionConsent != "owner, in writing" {
		t.Errorf("in the session: %+v", m)
	}
}

// TestAlarmsAreJournalled drives the van with hot oil: what was called out
// stands in the journal at the time it was.
func TestAlarmsAreJournalled(t *testing.T) {
	t.Parallel()
	recording, _ := recordVan(t, van.Options{Seed: 7, For: 20 * time.Second, Oil: 135, Ambient: 35})
	file, err := demoVehicle()
	if err != nil {
		t.Fatal(err)
	}
	chain, err := pipeline.New(file, pipeline.Options{})
	if err != nil {
		t.Fatal(err)
	}
	s, err := archive.Create(t.TempDir(), archive.Meta{}, file.Text(), archive.Options{})
	if err != nil {
		t.Fatal(err)
	}
	d := &daemon{session: s}
	source, err := openRecording(recording)
	if err != nil {
		t.Fatal(err)
	}
	defer source.Close()
	var want []string
	if _, err := decodeAll(t.Context(), source, chain, func(out *decode.Output, _ capture.Stamp) error {
		d.journalTold(out.Events)
		for _, e := range out.Events {
			if e.Kind == decode.KindAlarm {
				b, err := json.Marshal(e)
				if err != nil {
					return err
				}
				want = append(want, string(b))
			}
		}
		return nil
	}, func(tally) {}); err != nil {
		t.Fatal(err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	reader, err := archive.Open(s.Dir())
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for e, err := range reader.Journal() {
		if err != nil {
			t.Fatal(err)
		}
		if e.Kind == decode.KindAlarm {
			got = append(got, string(e.Fields))
		}
	}
	if len(want) == 0 || strings.Join(got, "\n") != strings.Join(want, "\n") {
		t.Errorf("alarms in the journal:\n%s\nwant:\n%s", strings.Join(got, "\n"), strings.Join(want, "\n"))
	}
}
