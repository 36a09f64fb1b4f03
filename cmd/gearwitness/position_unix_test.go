//go:build !windows

package main

import (
	"bytes"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"gearwitness/capture"
	"gearwitness/decode/pipeline"
)

const receiverVehicle = `format: 1
vehicle: {title: Parcel van with a receiver}
lines:
  gps:
    form: nmea
    signals:
      road_speed: {sentence: RMC, field: 7, resolution: 1.852, unit: km/h, title: road speed}
      latitude:   {sentence: RMC, field: 3, unit: deg, title: latitude}
      longitude:  {sentence: GGA, field: 4, unit: deg, title: longitude}
`

// TestPositionsNeedConsent drives with a satellite receiver. Without consent no
// position is recorded, written or shown; with it they are, and are left out again
// where that is asked for or the consent is taken back.
func TestPositionsNeedConsent(t *testing.T) {
	t.Parallel()
	name, master := serialPort(t)
	tick := time.NewTicker(5 * time.Millisecond)
	done := make(chan struct{})
	t.Cleanup(func() { tick.Stop(); close(done) })
	go func() {
		for {
			select {
			case <-tick.C:
				// Published examples of both sentences, and one damaged on the way.
				fmt.Fprint(master, "$GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,230394,003.1,W*6A\r\n"+
					"$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47\r\n"+
					"$GPGGA,1235#9,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47\r\n")
			case <-done:
				return
			}
		}
	}()
	dir := t.TempDir()
	t.Cleanup(func() { giveBack(dir) })
	vehicle := filepath.Join(dir, "receiver.yaml")
	if err := os.WriteFile(vehicle, []byte(receiverVehicle), 0o600); err != nil {
		t.Fatal(err)
	}
	drive := func(title string, more ...string) (folder, out, samples, journal string, raw []byte) {
		t.Helper()
		csv := filepath.Join(dir, title+".csv")
		args := append([]string{"drive", "--vehicle", vehicle, "--from", "lines:" + name + "?as=gps", "--for", "600ms", "--listen", "127.0.0.1:0",
			"--archive", dir, "--title", title, "--samples", csv}, more...)
		out = must(t, args...)
		found := regexp.MustCompile(`Session: +(\S+)`).FindStringSubmatch(out)
		if found == nil {
			t.Fatalf("no session: %s", out)
		}
		folder = found[1]
		return folder, out, content(t, csv), content(t, filepath.Join(folder, "data", "journal.jsonl")), []byte(content(t, filepath.Join(folder, "data", "capture-0001.pcapng")))
	}
	degrees := []string{",latitude,48.1", ",longitude,11.5"} // 48°07.038' and 11°31.000'
	holds := func(what, table string, want bool) {
		t.Helper()
		for _, d := range degrees {
			if strings.Contains(table, d) != want {
				t.Errorf("%s: %q there: %t, want %t", what, d, !want, want)
			}
		}
		if !strings.Contains(table, ",road_speed,41.4848,km/h\n") {
			t.Errorf("%s: no road speed", what)
		}
	}

	folder, out, samples, journal, raw := drive("nobody agreed")
	holds("without consent", samples, false)
	if bytes.Contains(raw, []byte("4807.038")) || bytes.Contains(raw, []byte("1131.000")) {
		t.Error("a position was recorded, and nobody agreed")
	}
	if !bytes.Contains(raw, []byte("$GPRMC,123519,A,,,,,022.4,084.4,230394,003.1,W*")) {
		t.Error("what is no position was not recorded")
	}
	if strings.Count(journal, `"kind":"position","channel":"gps"`) != 2 || !strings.Contains(journal, `"lines":`) {
		t.Errorf("the journal has not one entry at the beginning and one at the end: %s", journal)
	}
	if !strings.Contains(out, "positions were left out of ") {
		t.Errorf("nobody is told: %s", out)
	}
	if shown := must(t, "sessions", "show", folder); !strings.Contains(shown, "nobody has agreed to position data being kept; left out of ") {
		t.Errorf("show: %s", shown)
	}

	folder, _, samples, journal, raw = drive("somebody agreed", "--position-consent", "A. Owner")
	holds("with consent", samples, true)
	if !bytes.Contains(raw, []byte("4807.038")) || strings.Contains(journal, `"kind":"position"`) {
		t.Error("with consent the lines are not as they came")
	}
	table := filepath.Join(dir, "table.csv")
	export := func(more ...string) string {
		t.Helper()
		must(t, append([]string{"sessions", "export", folder, "-o", table}, more...)...)
		return content(t, table)
	}
	holds("exported", export(), true)
	holds("exported without", export("--redact"), false)
	if status, _, errs := program(t, "sessions", "export", folder, "-o", filepath.Join(dir, "all.zip"), "--redact"); status != exitUsage || !strings.Contains(errs, "whole session") {
		t.Errorf("a zip cannot be shortened: exit status %d, %s", status, errs)
	}
	must(t, "sessions", "correct", folder, "--position-consent", "")
	holds("consent taken back", export(), false)
	must(t, "sessions", "seal", folder, "--unsigned")
	must(t, "sessions", "verify", folder)
	must(t, "decode", folder, "--samples", table)
	holds("sealed and decoded", content(t, table), false)

	// Decoded without being recorded, there is nothing consent could be given to.
	in, err := openInput(t.Context(), "lines:"+name+"?as=gps", vehicle, nil, pipeline.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer in.source.Close()
	for n := 0; n < 20; {
		var b capture.Batch
		if err := in.source.Next(t.Context(), &b); err != nil {
			t.Fatal(err)
		}
		for _, l := range b.Lines {
			if strings.Contains(l.Text, "07.038") {
				t.Fatalf("decoded as it comes: %q", l.Text)
			}
		}
		n += len(b.Lines)
	}
}

func content(t *testing.T, path string) string {
	t.Helper()
	data, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return string(data)
}
