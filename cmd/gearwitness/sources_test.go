package main

import (
	"bytes"
	"encoding/json"
	"log/slog"
	"net/http/httptest"
	"regexp"
	"strings"
	"testing"
	"time"

	"gearwitness/capture"
	"gearwitness/capture/archive"
	"gearwitness/dashboards"
	"gearwitness/dashboards/board"
	"gearwitness/decode/pipeline"
)

// With two adapters, one that is unplugged does not make both look lost.
func TestOneOfTwoAdaptersIsLost(t *testing.T) {
	file, err := demoVehicle()
	if err != nil {
		t.Fatal(err)
	}
	chain, err := pipeline.New(file, pipeline.Options{})
	if err != nil {
		t.Fatal(err)
	}
	urls, err := parseSources([]string{"slcan:/dev/ttyUSB0?bitrate=500k", "lines:/dev/ttyACM0?as=gps"})
	if err != nil {
		t.Fatal(err)
	}
	d := &daemon{
		chain: chain, urls: urls, log: slog.New(slog.DiscardHandler),
		board: board.New(board.Options{File: file, Table: chain.Table(), Plan: chain.Plan()}),
	}
	d.tellSources(board.SourceOpen, "")
	server := dashboards.NewServer(dashboards.Options{Board: d.board}).Handler()
	states := func() (out [2]board.Source) {
		t.Helper()
		w := httptest.NewRecorder()
		server.ServeHTTP(w, httptest.NewRequest("GET", "http://localhost/api/v1/status", nil))
		var st struct{ Sources []board.Source }
		if err := json.Unmarshal(w.Body.Bytes(), &st); err != nil || len(st.Sources) != 2 {
			t.Fatalf("%v: %s", err, w.Body)
		}
		return [2]board.Source(st.Sources)
	}
	channels := []capture.Channel{{Name: "powertrain", Device: "/dev/ttyUSB0"}, {Name: "gps", Kind: capture.Text, Device: "/dev/ttyACM0"}}
	say := func(channel uint8, kind, text string) {
		d.notes(&capture.Batch{Channels: channels, Notes: []capture.Note{{Channel: channel, Kind: kind, Text: text}}})
	}

	say(1, "lost", "the GPS receiver was unplugged")
	if s := states(); s[0].State != board.SourceOpen || s[1].State != board.SourceLost || s[1].Text != "the GPS receiver was unplugged" {
		t.Errorf("one unplugged: %+v", s)
	}
	say(0, "lost", "the adapter was unplugged")
	say(1, "reconnect", "connected again")
	if s := states(); s[0].State != board.SourceLost || s[0].Text != "the adapter was unplugged" || s[1].State != board.SourceOpen {
		t.Errorf("the other unplugged, the first back: %+v", s)
	}
	say(9, "lost", "nobody knows which")
	say(0, "state", "bus off")
	if s := states(); s[0].Text != "the adapter was unplugged" || s[1].State != board.SourceOpen {
		t.Errorf("after notes about neither: %+v", s)
	}
}

func TestDiskWarning(t *testing.T) {
	for _, c := range []struct {
		s    archive.Status
		want string
	}{
		{archive.Status{Free: 40e9}, ""},
		{archive.Status{Free: 900e6, Low: true}, "the disk is filling up: 0.9 GB left; make room"},
		{archive.Status{Free: 5e9, Full: 20*time.Minute + 4*time.Second, Low: true}, "the disk is filling up: 5.0 GB left, full in about 20 min; make room"},
	} {
		if got := diskWarning(c.s); got != c.want {
			t.Errorf("%+v: got %q, want %q", c.s, got, c.want)
		}
	}
}

// TestHelpNamesEveryParameter reads what each kind of source knows from what it
// says of a parameter that it does not.
func TestHelpNamesEveryParameter(t *testing.T) {
	var help bytes.Buffer
	if status := run(t.Context(), []string{"drive", "--help"}, strings.NewReader(""), &help, &help); status != exitDone {
		t.Fatal(help.String())
	}
	_, sources, _ := strings.Cut(help.String(), "Sources:")
	for _, scheme := range capture.Schemes() {
		_, err := capture.ParseURL(scheme + ":x?zzz=1")
		_, known, ok := strings.Cut(err.Error(), "knows ")
		if !ok {
			t.Fatalf("%s: %v", scheme, err)
		}
		_, own, _ := strings.Cut(sources, "\n  "+scheme+":")
		if next := regexp.MustCompile(`\n( {0,2}\S|\n)`).FindStringIndex(own); next != nil {
			own = own[:next[0]]
		}
		for _, name := range strings.Split(strings.TrimSuffix(known, "\n"), ", ") {
			if !strings.Contains(own, name+"=") && name != "as" && name != "bus" {
				t.Errorf("drive --help does not name %s of %s:", name, scheme)
			}
		}
	}
}
