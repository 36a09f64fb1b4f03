package report

import (
	"strings"
	"testing"

	"gearwitness/capture/archive"
	"gearwitness/decode/procedure"
)

// begin has a procedure of the van begun as soon as it can be.
func begin(name string) procedure.Request {
	return procedure.Request{Procedure: name, Action: procedure.Begin, Wait: true}
}

// reading is an entry of the journal.
func reading(text string) archive.Entry {
	return archive.Entry{Time: 1e9, Kind: "reading", Fields: []byte(text)}
}

// The van's relearn drive is done when it has four full sequences; a shorter one
// is beyond, with the words for it, and one never begun is no check at all.
func TestProcedures(t *testing.T) {
	stalls := drive(t, map[string][]string{"drive": {"stall"}, "for": {"90s"}}, papers(), begin("stall_test"), begin("relearn_drive"))
	done := check(t, stalls, "Procedure: Stall test in D")
	if done.Verdict != Within || done.Measured != "done: stall 1 of 1, cool_down 1 of 1" || done.Limit != "stall once for 2 s, at most 5 s, cool_down once for 60 s" {
		t.Errorf("%+v", done)
	}
	refused := check(t, stalls, "Procedure: Relearn drive")
	if refused.Verdict != NotTested || refused.Measured != "not begun. Stall test in D waits to begin; stop it first." {
		t.Errorf("%+v", refused)
	}
	for _, c := range stalls.Checks() {
		if strings.Contains(c.Name, "Warm-up") || strings.HasPrefix(c.Name, "Reading") {
			t.Errorf("nobody asked for %+v", c)
		}
	}
	text := html(t, stalls)
	for _, want := range []string{"<h2>Procedures</h2>", "✓ Foot brake pressed", "engine_speed ", "(band 90 to 100)", "°C at the beginning", "Both brakes on, full pedal"} {
		if !strings.Contains(text, want) {
			t.Errorf("the report does not say %q", want)
		}
	}
	if strings.Contains(text, "<h2>Readings</h2>") {
		t.Error("a bench sheet without an entry is shown")
	}

	short := drive(t, map[string][]string{"drive": {"relearn"}, "for": {"100s"}}, papers(), begin("relearn_drive"))
	if c := check(t, short, "Procedure: Relearn drive"); c.Verdict != Beyond || c.Measured != "not done: upshifts 1 of 4. 1 of 4 sequences counted when the recording ended." {
		t.Errorf("%+v", c)
	}
	if text := html(t, short); !strings.Contains(text, "upshifts: 1 of 4, in 74 s; pedal ") {
		t.Error("the report does not tell the sequence that counted")
	}
}

// Readings come from the journal; a later one counts, and the earlier one is
// told.
func TestReadings(t *testing.T) {
	p := papers()
	p.Journal = []archive.Entry{
		{Time: 1e9, Kind: "coach", Fields: []byte(`{"procedure":"x","action":"begin"}`)},
		reading(`{"reading":"low_gears_coil","title":"Coil","value":8,"unit":"Ω","celsius":23,"corrected":7.9068,"limits":[5.6,6.6],"verdict":"bad"}`),
		reading(`{"reading":"low_gears_coil","title":"Coil","value":6.2,"unit":"Ω","celsius":23,"corrected":6.1278,"limits":[5.6,6.6],"verdict":"good","by":"M. Okafor","note":"plug cleaned, seen on 1M8GDM9AXKP042788","wall":"2026-03-07T16:00:00+01:00"}`),
		reading(`{"reading":"fluid","title":"Fluid","choice":"dark","verdict":"bad"}`),
		reading(`not json`),
	}
	p.Redact = true
	r := drive(t, map[string][]string{"for": {"5s"}}, p)
	for name, want := range map[string]Check{
		"Reading: Coil of the low-gears solenoid": {Measured: "6.2 Ω at 23 °C, 6.128 Ω at 20 °C", Limit: "5.6 to 6.6 Ω at 20 °C", Source: ofVehicle, Verdict: Within},
		"Reading: Look of the fluid":              {Measured: "dark", Limit: "clear red or clear brown", Source: ofVehicle, Verdict: Beyond},
		"Reading: Main pressure at idle":          {Measured: "not read", Limit: "400 to 800 kPa", Source: ofVehicle, Verdict: NotTested},
	} {
		want.Name = name
		if got := check(t, r, name); got != want {
			t.Errorf("%+v, want %+v", got, want)
		}
	}
	text := html(t, r)
	for _, want := range []string{"<h2>Readings</h2>", "7 March 2026, 16:00, M. Okafor", "superseded: 8 Ω at 23 °C, 7.907 Ω at 20 °C (bad)", "plug cleaned, seen on (VIN left out)"} {
		if !strings.Contains(text, want) {
			t.Errorf("the report does not say %q", want)
		}
	}
	if strings.Contains(text, "coach:") || strings.Contains(text, "Journal of the recording") {
		t.Error("what has a section of its own stands in the journal too")
	}
}
