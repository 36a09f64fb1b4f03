package fit

import (
	"bytes"
	"context"
	"errors"
	"io"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"gearwitness/capture"
	"gearwitness/decode"
	"gearwitness/decode/van"
	"gearwitness/signals"
)

func parse(t testing.TB, text string) *signals.File {
	t.Helper()
	f, found := signals.Parse("t.yaml", []byte(text), nil)
	if f == nil {
		t.Fatalf("%v\n%s", found, text)
	}
	return f
}

// drive holds a vehicle file against traffic of the demonstration's van, whose
// own file is the truth about it.
func drive(t testing.TB, f *signals.File, d time.Duration, with string) *Report {
	t.Helper()
	c, err := New(f, Options{With: with})
	if err != nil {
		t.Fatal(err)
	}
	src, err := van.Open(context.Background(), van.Options{Seed: 7, For: d, Drive: "varied", Oil: 60, Ambient: 15}, parse(t, string(signals.Van())), nil)
	if err != nil {
		t.Fatal(err)
	}
	defer src.Close()
	var b capture.Batch
	for {
		b.Reset()
		end := src.Next(context.Background(), &b)
		if err := c.Push(&b); err != nil {
			t.Fatal(err)
		}
		if errors.Is(end, io.EOF) {
			return c.Finish()
		} else if end != nil {
			t.Fatal(end)
		}
	}
}

func find[T any](t testing.TB, list []T, is func(*T) bool) *T {
	t.Helper()
	i := slices.IndexFunc(list, func(v T) bool { return is(&v) })
	if i < 0 {
		t.Fatalf("not among %+v", list)
	}
	return &list[i]
}

// says returns the texts of the findings about something, wrong ones marked.
func (r *Report) says(about string) (out []string) {
	for _, f := range r.Findings {
		if f.Signal == about && about != "" || f.Signal == "" && f.Frame == about {
			text := f.Text
			if f.Wrong {
				text = "wrong: " + text
			}
			out = append(out, text)
		}
	}
	return out
}

// The van's own file fits the van.
func TestTheVansFileFits(t *testing.T) {
	r := drive(t, parse(t, string(signals.Van())), 2*time.Minute, "")
	if r.Wrong != 0 || len(r.Unknown) != 0 || len(r.Beside) != 0 {
		t.Errorf("wrong: %d of %+v, unknown %+v, beside %+v", r.Wrong, r.Findings, r.Unknown, r.Beside)
	}
	engine := find(t, r.Described, func(d *Described) bool { return d.Name == "engine" })
	if engine.Count != 12000 || math.Abs(float64(*engine.Measured)-10e6) > 1e4 || *engine.Shortest > 10e6 || *engine.Longest < 10e6 {
		t.Errorf("engine: %+v", engine)
	}
	pressures := find(t, r.Described, func(d *Described) bool { return d.Name == "pressures" })
	if len(pressures.Pages) != 3 || pressures.Pages[1].When != "page 1" || pressures.Pages[1].Signals[0] != "converter_pressure" || pressures.Pages[1].Count < 1900 {
		t.Errorf("pages: %+v", pressures.Pages)
	}
}

const half = `format: 1
vehicle: {title: half known}
buses: {powertrain: {bitrate: 500 kbit/s}}
frames:
  engine:
    id: 0x110
    every: 20 ms
    signals:
      engine_speed: {start: 1.1, bits: 16, resolution: 0.25, unit: rpm, range: [0, 2000], missing: 0xFFFF}
  gone:
    id: 0x555
    every: 10 ms
    signals: {nothing: {start: 1.1, bits: 8}}
  pressures:
    id: 0x1C2
    every: 20 ms
    signals:
      page: {start: 1.1, bits: 8}
      main_pressure: {start: 2.8, bits: 16, order: big, resolution: 0.5, unit: kPa, when: {page: 0}}
      other_pressure: {start: 2.8, bits: 16, order: big, resolution: 0.5, unit: kPa, when: {page: 7}}
  temperatures:
    id: 0x18FF3E21
    extended: true
    every: 100 ms
    signals:
      coolant: {start: 5.1, bits: 8, offset: -40, unit: °C}
      ambient: {start: 6.1, bits: 8, offset: -40, unit: °C}
`

func TestWhatDoesNotFit(t *testing.T) {
	r := drive(t, parse(t, half), 2*time.Minute, "")
	if got := r.says("gone"); !slices.Equal(got, []string{"wrong: never came (0x555 on powertrain)"}) {
		t.Errorf("gone: %q", got)
	}
	if got := r.says("pressures"); !slices.Equal(got, []string{"wrong: its page with page 7 never came: other_pressure"}) {
		t.Errorf("pressures: %q", got)
	}
	if got := r.says("engine"); !slices.Equal(got, []string{"came every 10 ms on average, described as every 20 ms"}) {
		t.Errorf("engine: %q", got)
	}
	if got := r.says("engine_speed"); len(got) != 1 || !strings.HasPrefix(got[0], "wrong: left its range of 0 rpm to 2000 rpm in ") {
		t.Errorf("engine_speed: %q", got)
	}
	if got := r.says("ambient"); !slices.Equal(got, []string{"never moved: 15 °C all the time"}) { // as the van was told
		t.Errorf("ambient: %q", got)
	}
	if r.Wrong != 3 || !r.Findings[0].Wrong || r.Findings[3].Wrong {
		t.Errorf("%d wrong, want 3, and those first: %+v", r.Wrong, r.Findings)
	}
	// Described by the van's file and not by this one.
	var ids []string
	for _, u := range r.Unknown {
		ids = append(ids, u.ID)
	}
	if !slices.Equal(ids, []string{"0x1A4", "0x1B0", "0x2D0"}) {
		t.Errorf("unknown: %q", ids)
	}
	shafts := r.Unknown[0]
	if p := time.Duration(*shafts.Period).Round(time.Millisecond); p != 10*time.Millisecond || shafts.Length != 8 || shafts.Moving == "" {
		t.Errorf("shafts: %+v", shafts)
	}
	counter := find(t, shafts.Fields, func(f *Field) bool { return f.Kind == "counter" })
	if counter.Start != "8.1" || counter.Bits != 4 {
		t.Errorf("counter: %+v", counter)
	}
	check := find(t, shafts.Fields, func(f *Field) bool { return f.Kind == "check byte" })
	if check.Start != "7.1" || check.Checksum != "crc8-sae-j1850" {
		t.Errorf("check byte: %+v", check)
	}
	engine := find(t, r.Beside, func(u *Unknown) bool { return u.Frame == "engine" })
	if !strings.HasPrefix(engine.Moving, "0000FFFF") || !strings.Contains(engine.Definition, "counter: {start: 8.1, bits: 4}") {
		t.Errorf("beside the engine's speed: %+v", engine)
	}
}

// What is proposed, pasted, makes a file that describes everything that came.
func TestPasted(t *testing.T) {
	const nothing = "format: 1\nvehicle: {title: nothing known}\nbuses: {powertrain: {bitrate: 500 kbit/s}}\n"
	first := drive(t, parse(t, nothing), time.Minute, "")
	if len(first.Unknown) != 6 || first.Wrong != 0 {
		t.Fatalf("%d unknown, want 6", len(first.Unknown))
	}
	pasted := nothing + "frames:\n"
	for _, u := range first.Unknown {
		pasted += u.Definition
	}
	second := drive(t, parse(t, pasted), time.Minute, "")
	if second.Wrong != 0 || len(second.Unknown) != 0 || len(second.Described) != 6 {
		t.Errorf("after pasting: %+v\n%s", second.Findings, pasted)
	}
	for _, d := range second.Described {
		if d.Checksum+d.Repeated+d.Missed+d.Short > 0 {
			t.Errorf("%s as guessed is not what comes: %+v", d.Name, d)
		}
	}

	third := parse(t, half)
	text := string(third.Text())
	r := drive(t, third, time.Minute, "")
	engine := find(t, r.Beside, func(u *Unknown) bool { return u.Frame == "engine" })
	signal := "      engine_speed:"
	i := strings.Index(text, signal)
	if i < 0 {
		t.Fatalf("no engine_speed in\n%s", text)
	}
	// The frame has signals: of its own; the rest goes before, the fields after.
	head, fields, _ := strings.Cut(engine.Definition, "    signals:\n")
	j := strings.LastIndex(text[:i], "    signals:\n")
	text = text[:j] + head + text[j:i] + fields + text[i:]
	again := drive(t, parse(t, text), time.Minute, "")
	for _, u := range again.Beside {
		if u.Frame == "engine" {
			t.Errorf("still beside: %+v", u)
		}
	}
}

// Output speed and road speed move together; the gearbox's input speed is
// computed, and comes later than the frames it is compared with.
func TestWith(t *testing.T) {
	text := string(signals.Van())
	i := strings.Index(text, "  wheels:\n")
	j := strings.Index(text, "  temperatures:\n")
	file := strings.Replace(text[:i]+text[j:], "vehicle_speed: vehicle_speed", "", 1)
	r := drive(t, parse(t, file), 2*time.Minute, "output_speed")
	if len(r.Related) != 1 || r.Related[0].ID != "0x2D0" || r.Related[0].Start != "1.1" || r.Related[0].Bits != 16 || r.Related[0].Score < 0.99 {
		t.Fatalf("moves with output_speed: %+v", r.Related)
	}
	parse(t, "format: 1\nvehicle: {title: guessed}\nbuses: {powertrain: {bitrate: 500 kbit/s}}\nframes:\n"+r.Related[0].Definition)

	r = drive(t, parse(t, file), 2*time.Minute, "input_speed")
	for _, m := range r.Related {
		if m.ID != "0x2D0" {
			t.Errorf("moves with input_speed: %+v", m)
		}
	}
	for _, bad := range []string{"input_sped", "lever", "gear"} {
		if _, err := New(parse(t, file), Options{With: bad}); !errors.Is(err, ErrNoSignal) {
			t.Errorf("with %s: got %v, want %v", bad, err, ErrNoSignal)
		}
	}
}

// A computed signal comes late; it must be compared with the frames of its
// time all the same. The unknown frame here repeats what the formula says.
func TestWithAComputedSignal(t *testing.T) {
	f := parse(t, `format: 1
vehicle: {title: t}
buses: {a: {}}
frames:
  one: {id: 1, every: 10 ms, signals: {x: {start: 1.1, bits: 16, unit: rpm}}}
computed:
  double: {formula: "x * 2", unit: rpm}
`)
	c, err := New(f, Options{With: "double"})
	if err != nil {
		t.Fatal(err)
	}
	b := capture.Batch{Channels: []capture.Channel{{Name: "a"}}}
	for i := range 2000 {
		at := capture.Stamp(i) * 1e7
		x := uint16(20000 + 10000*math.Sin(float64(i)/5)) // moves a lot from frame to frame
		one := capture.Frame{Time: at, ID: 1, Len: 8}
		one.Data[0], one.Data[1] = byte(x), byte(x>>8)
		two := capture.Frame{Time: at + 1e5, ID: 2, Len: 4}
		two.Data[1], two.Data[2] = byte(x>>8), byte(x)
		b.Frames = append(b.Frames, one, two)
	}
	if err := c.Push(&b); err != nil {
		t.Fatal(err)
	}
	r := c.Finish()
	if len(r.Related) == 0 || r.Related[0].ID != "0x002" || r.Related[0].Start != "2.8" || r.Related[0].Order != "big" || r.Related[0].Score < 0.9999 || r.Related[0].Resolution != 2 || r.Related[0].Offset != 0 {
		t.Errorf("got %+v", r.Related)
	}
}

func TestDoubtfulFrames(t *testing.T) {
	f := parse(t, `format: 1
vehicle: {title: t}
buses: {a: {}, b: {}}
frames:
  sound: {bus: a, id: 1, every: 10 ms, counter: {start: 2.1, bits: 4}, checksum: {kind: xor, byte: 3}, signals: {x: {start: 1.1, bits: 8, missing: 0xFF, states: {1: on}}}}
  spoilt: {bus: a, id: 2, checksum: {kind: xor, byte: 3}, signals: {y: {start: 1.1, bits: 8}}}
  silent: {bus: b, id: 1, signals: {z: {start: 1.1, bits: 8}}}
requests:
  asked: {bus: a, service: 1, item: 0x0C, to: 0x7E0, every: 1 s, signals: {w: {start: 1.1, bits: 16}}}
lines:
  gps: {form: nmea, every: 1 s, signals: {road: {sentence: VTG, field: 7}}}
`)
	c, err := New(f, Options{})
	if err != nil {
		t.Fatal(err)
	}
	b := capture.Batch{Channels: []capture.Channel{{Name: "a"}, {Name: "c"}, {Name: "gps", Kind: capture.Text}}}
	for i := range 100 {
		at := capture.Stamp(i) * 1e7
		fr := func(bus uint8, id uint32, data ...byte) {
			f := capture.Frame{Time: at, ID: id, Bus: bus, Len: uint8(len(data))}
			copy(f.Data[:], data)
			b.Frames = append(b.Frames, f)
		}
		n := byte(i & 15)
		if i == 50 {
			n-- // stands still once
		}
		switch i {
		case 20:
			fr(0, 1, 0xFF, n, 0)
		case 30:
			fr(0, 1, 0xFF)
		default:
			fr(0, 1, 0xFF, n, 0xFF^n)
		}
		fr(0, 2, 9, 9, 9)
		fr(1, 1, 7)
		b.Frames = append(b.Frames, capture.Frame{Time: at, Flags: capture.Error})
	}
	b.Losses = []capture.Loss{{Channel: 0, Reason: capture.ReasonOverrun, Count: 3}}
	if err := c.Push(&b); err != nil {
		t.Fatal(err)
	}
	r := c.Finish()
	for about, want := range map[string][]string{
		"sound":  {"1 of 100 had too few data bytes", "1 of 100 had a wrong check byte", "in 1 of 100 the alive counter stood still or had a value that it cannot have", "by its alive counter 3 were sent that did not reach the recording"},
		"x":      {"was never available"},
		"spoilt": {"wrong: came 100 times, never sound", "100 of 100 had a wrong check byte"},
		"silent": {"wrong: never came (0x001 on b)"},
		"gps":    {"wrong: never came"},
		"":       {"channel a lost 3 frames or lines (overrun); what seems missing may have been among them", "channel c is no bus of the vehicle file, so none of its 100 frames is described; add it under buses:", "no answer came to asked; where nothing was asked that is so"},
	} {
		if got := r.says(about); !slices.Equal(got, want) {
			t.Errorf("%s:\n got %q\nwant %q", about, got, want)
		}
	}
	if r.Channels[0].Errors != 100 || r.Channels[0].Lost["overrun"] != 3 || len(r.Unknown) != 1 || r.Unknown[0].Channel != "c" {
		t.Errorf("%+v %+v", r.Channels, r.Unknown)
	}
	var text strings.Builder
	if err := r.WriteText(&text, "t.yaml", "d.pcapng"); err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"t.yaml held against d.pcapng: 990ms, 300 frames.", "  spoilt came 100 times, never sound\n", "  # 0x001 on c: 100 times, every 10 ms (10 ms to 10 ms), 1 bytes\n  # no bit changes\n", `    bus: "c"`} {
		if !strings.Contains(text.String(), want) {
			t.Errorf("no %q in\n%s", want, text.String())
		}
	}
}

// The result does not depend on how frames are divided into batches, nor on
// frames of any kind that a bus may carry.
func FuzzComparison(f *testing.F) {
	f.Add([]byte{1, 8, 1, 2, 3, 4, 5, 6, 7, 8, 2, 3, 1, 2, 3, 0x81, 0}, byte(1))
	file := parse(f, half)
	f.Fuzz(func(t *testing.T, stream []byte, cut byte) {
		var all []capture.Frame
		for at := capture.Stamp(0); len(stream) > 1; at += 1e7 {
			fr := capture.Frame{Time: at, ID: uint32(stream[0]&0x7F) + 0x100, Bus: uint8(stream[0] & 1)}
			fr.Flags = capture.Flags(stream[1] & 0xC0 >> 6)
			n := min(int(stream[1]&0x3F), len(stream)-2)
			fr.Len = uint8(copy(fr.Data[:], stream[2:2+n]))
			all = append(all, fr)
			stream = stream[2+n:]
		}
		run := func(size int) string {
			c, err := New(file, Options{With: "engine_speed"})
			if err != nil {
				t.Fatal(err)
			}
			for b := range slices.Chunk(all, size) {
				batch := capture.Batch{Channels: []capture.Channel{{Name: "powertrain"}, {Name: "other"}}, Frames: slices.Clone(b)}
				if err := c.Push(&batch); err != nil {
					t.Fatal(err)
				}
			}
			if len(all) == 0 {
				return ""
			}
			var text strings.Builder
			if err := c.Finish().WriteText(&text, "a", "b"); err != nil {
				t.Fatal(err)
			}
			return text.String()
		}
		if a, b := run(1+int(cut)), run(1<<20); a != b {
			t.Errorf("in batches of %d:\n%s\nat once:\n%s", 1+int(cut), a, b)
		}
	})
}

// What a field looks like in words: where it starts, how wide it is, and in which
// order, where it has one.
func TestFieldsInWords(t *testing.T) {
	for want, f := range map[string]Field{
		"value at 1.1, 16 bits, little-endian": {Kind: "value", Start: "1.1", Bits: 16, Order: "little"},
		"value at 2.8, 9 bits, big-endian":     {Kind: "value", Start: "2.8", Bits: 9, Order: "big"},
		"value at 3.1, 8 bits":                 {Kind: "value", Start: "3.1", Bits: 8, Order: "little"},
		"counter at 8.1, 4 bits":               {Kind: "counter", Start: "8.1", Bits: 4, Order: "little"},
		"counter at 7.1, 16 bits":              {Kind: "counter", Start: "7.1", Bits: 16, Order: "little"},
		"flag at 4.7":                          {Kind: "flag", Start: "4.7", Bits: 1, Order: "little"},
		"check byte in byte 7, crc8-sae-j1850": {Kind: "check byte", Start: "7.1", Bits: 8, Checksum: "crc8-sae-j1850"},
	} {
		if got := fieldText(f); got != want {
			t.Errorf("%+v: %q, want %q", f, got, want)
		}
	}
}

// What moves with a signal is written so that it can be pasted.
func TestRelatedIsWrittenToBePasted(t *testing.T) {
	r := &Report{With: "speed", Related: []Related{
		{Score: 0.98765, ID: "0x2D0", Channel: "can0", Definition: "  x2D0:\n    id: 0x2D0\n"},
		{Score: 0.5, ID: "0x1A4", Channel: "can0", Frame: "speeds", Definition: "      y: {start: 1.1, bits: 8}\n"},
	}}
	var text bytes.Buffer
	if err := r.WriteText(&text, "van.yaml", "drive"); err != nil {
		t.Fatal(err)
	}
	const want = `Moves with speed, the best first (score 1: explains all of its movement):

  # score 0.9877: 0x2D0 on can0, to be pasted under frames:
  x2D0:
    id: 0x2D0

  # score 0.5000: 0x1A4 on can0, to be pasted under signals: of frame speeds
      y: {start: 1.1, bits: 8}
`
	if !strings.Contains(text.String(), want) {
		t.Errorf("got\n%s\nwant in it\n%s", text.String(), want)
	}
	text.Reset()
	if err := (&Report{With: "speed"}).WriteText(&text, "van.yaml", "drive"); err != nil || !strings.Contains(text.String(), "Nothing that is not described moves with speed.") {
		t.Errorf("%v, %s", err, text.String())
	}
}

func TestDurationInThreeDigits(t *testing.T) {
	for ns, want := range map[decode.Seconds]string{
		13_600: "0.0136 ms", 20_000_000: "20 ms", 999_400_000: "999 ms", 999_600_000: "1 s", 1_000_000_000: "1 s", 5_004_000_000: "5 s", 999_900_000_000: "1000 s", 36_000_000_000_000: "36000 s",
	} {
		if got := duration(&ns); got != want {
			t.Errorf("%d ns: got %s, want %s", ns, got, want)
		}
	}
}
