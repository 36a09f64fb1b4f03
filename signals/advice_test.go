package signals

import (
	"math"
	"strings"
	"testing"
)

func TestLoads(t *testing.T) {
	f, list := Parse("load.yaml", []byte(`
format: 1
buses: {fast: {bitrate: 500k}, slow: {bitrate: 250k}}
frames:
  a: {id: 1, bus: fast, every: 10 ms}
  b: {id: 2, bus: fast, every: 1 s, length: 1}
  c: {id: 3, bus: fast}
  d: {pgn: 61444, bus: slow, every: 10 ms}
  e: {pgn: 65251, bus: slow, every: 5 s, length: 34}
`), nil)
	if f == nil {
		t.Fatal(list)
	}
	// An 11-bit frame of 8 bytes has 111 bits, 135 with most stuffing (the usual
	// figures); with 29 bits 131 and 131 + (118-1)/4 = 160. One byte: 55 and
	// 55 + (42-1)/4 = 65.
	want := []BusLoad{
		{"fast", (111*100 + 55) / 500e3, (135*100 + 65) / 500e3, 1},
		{"slow", 131 * 100 / 250e3, 160 * 100 / 250e3, 1},
	}
	for i, got := range f.Loads() {
		w := want[i]
		if got.Bus != w.Bus || got.Uncounted != w.Uncounted || math.Abs(got.Low-w.Low) > 1e-12 || math.Abs(got.High-w.High) > 1e-12 {
			t.Errorf("got %+v, want %+v", got, w)
		}
	}
}

func TestAdvice(t *testing.T) {
	f, list := Parse("doubt.yaml", []byte(`format: 1
use: [j1939/powertrain]
buses: {can: {bitrate: 10k}}
frames:
  a:
    id: 0x100
    signals:
      used: {start: 1.1, bits: 8, unit: rpm, range: [0, 255]}
      unused: {start: 2.1, bits: 8, unit: rpm}
transmission: {roles: {engine_speed: used}}
`), nil)
	if f == nil {
		t.Fatal(list)
	}
	got := f.Advice()
	if got.Err() != nil {
		t.Errorf("advice is no error: %v", got)
	}
	for i, want := range []string{
		"doubt.yaml:1:1: warning: the vehicle has no title",
		"doubt.yaml:1:1: warning: no role output_speed",
		`doubt.yaml:3:9: warning: the frames of bus "can" take`,
		`doubt.yaml:5:3: warning: frame "a" has no period`,
		"doubt.yaml:5:3: warning: shown and recorded only, for no role, sensor, switch, condition, formula, alarm or procedure uses it: unused",
		"doubt.yaml:5:3: warning: without range, so that an impossible value passes as true: unused",
	} {
		if i >= len(got) || !strings.HasPrefix(got[i].String(), want) {
			t.Fatalf("finding %d: want %q in\n%v", i, want, got)
		}
	}
	if len(got) != 6 {
		t.Errorf("got %d findings:\n%v", len(got), got)
	}
}

// Frames without a bus are part of some other file, or a mistake that only shows when
// the file is used.
func TestAdviceOnMissingBuses(t *testing.T) {
	const frame = "frames: {a: {id: 1, every: 10 ms, signals: {x: {start: 1.1, bits: 8}}}}\n"
	for text, want := range map[string]bool{
		"format: 1\n" + frame:                                true,
		"format: 1\nbuses: {can: {bitrate: 500k}}\n" + frame: false,
		"format: 1\nvehicle: {title: A van}\n":               false,
	} {
		f, list := Parse("x.yaml", []byte(text), nil)
		if f == nil {
			t.Fatal(list)
		}
		if got := f.Advice().Error(); strings.Contains(got, "no bus is described") != want {
			t.Errorf("%s: %s; want a word about buses: %v", text, got, want)
		}
	}
}

// What is measured has a unit; contacts of the lever are used by their codes; a file
// that describes nothing is told.
func TestAdviceOnUnitsContactsAndSilence(t *testing.T) {
	advice := func(text string) string {
		t.Helper()
		f, list := Parse("doubt.yaml", []byte(text), nil)
		if f == nil {
			t.Fatal(list)
		}
		return f.Advice().Error()
	}
	got := advice(`format: 1
vehicle: {title: A van}
frames:
  a:
    id: 1
    every: 10 ms
    signals:
      oil_temp: {start: 1.1, bits: 8, offset: -40}
      travel_distance: {start: 2.1, bits: 8}
      pressure_switch: {start: 3.1, bits: 1}
      temperature_state: {start: 4.1, bits: 2, states: {0: cold, 1: warm}}
      attempt: {start: 5.1, bits: 8}
      lever: {start: 6.1, bits: 4, states: {0: P, 1: R}}
      contact_a: {start: 7.1, bits: 1, states: {0: open, 1: closed}}
      contact_m: {start: 7.2, bits: 1, states: {0: open, 1: closed}}
transmission:
  roles: {lever: lever}
  lever_contacts: {closed: closed, monitor: contact_m, codes: {P: {contacts: [contact_a]}, R: {contacts: [contact_a]}}}
`)
	for _, want := range []string{
		"doubt.yaml:8:7: warning: oil_temp has no unit, and its name sounds like a temperature; add unit: °C",
		"doubt.yaml:9:7: warning: travel_distance has no unit, and its name sounds like a length; add unit: km",
		"uses it: oil_temp, travel_distance, pressure_switch, temperature_state, attempt\n",
	} {
		if !strings.Contains(got, want) {
			t.Errorf("no %q in\n%s", want, got)
		}
	}
	if n := strings.Count(got, "has no unit"); n != 2 {
		t.Errorf("%d signals without unit, want 2:\n%s", n, got)
	}
	if got := advice("format: 1\nvehicle: {title: A van}\n"); !strings.Contains(got, "it describes no frame, request or line") {
		t.Errorf("silent about a file that describes nothing:\n%s", got)
	}
	if got := advice("format: 1\nvehicle: {title: A van}\nuse: [j1939/powertrain]\n"); strings.Contains(got, "it describes no frame") {
		t.Errorf("a library describes frames:\n%s", got)
	}
}

func TestShare(t *testing.T) {
	for _, c := range []struct {
		low, high float64
		want      string
	}{{0.084, 0.102, "8 to 10 %"}, {0.036, 0.0449, "4 %"}, {0.036, 0.046, "4 to 5 %"}, {0.2, 1.234, "20 to 123 %"}} {
		if got := (BusLoad{Low: c.low, High: c.high}).Share(); got != c.want {
			t.Errorf("Share of %g to %g = %q, want %q", c.low, c.high, got, c.want)
		}
	}
}

func TestAdviceOnProcedures(t *testing.T) {
	f, list := Parse("doubt.yaml", []byte(`format: 1
vehicle: {title: A van}
frames:
  a:
    id: 1
    every: 10 ms
    signals:
      pedal: {start: 1.1, bits: 8, resolution: 0.4, unit: "%", range: [0, 100]}
      speed: {start: 3.1, bits: 8, unit: rpm, range: [0, 250]}
transmission: {roles: {output_speed: speed}, ratios: {"1": 3, "2": 2}}
procedures:
  pulls:
    title: Pulls
    cautions: Mind the road.
    steps:
      up: {say: Pull, hold: {pedal: [10, 15]}, gears: [1, 2], within: 1 min}
      full: {say: Full pedal, hold: {pedal: [110, 120]}, for: 1 s, at_most: 5 s, within: 1 min}
readings:
  level: {title: Level, unit: mm}
buses: {can: {bitrate: 500k}}
`), nil)
	if f == nil {
		t.Fatal(list)
	}
	got := f.Advice()
	for i, want := range []string{
		`doubt.yaml:12:3: warning: procedure "pulls" can begin at any time`,
		`doubt.yaml:16:7: warning: step "up" forgives no moment outside its bands`,
		`doubt.yaml:17:7: warning: step "full" lets one try follow the other at once`,
		`doubt.yaml:17:38: warning: the band [110, 120] of pedal lies outside its range [0, 100]`,
		`doubt.yaml:19:3: warning: reading "level" has no limits`,
	} {
		if i >= len(got) || !strings.HasPrefix(got[i].String(), want) {
			t.Fatalf("finding %d: want %q in\n%v", i, want, got)
		}
	}
	if len(got) != 5 {
		t.Errorf("got %d findings:\n%v", len(got), got)
	}
}
