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
