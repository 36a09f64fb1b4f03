package dashboards

import (
	"context"
	"encoding/hex"
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"gearwitness/capture"
	"gearwitness/dashboards/board"
	"gearwitness/dashboards/board/boardtest"
	"gearwitness/decode"
	"gearwitness/decode/pipeline"
	"gearwitness/decode/unknown"
	"gearwitness/decode/van"
	"gearwitness/signals"
)

// Half of what the demonstration's van sends, one of it with a wrong period. Its
// own file, signals/van.yaml, is the truth about the rest.
const halfKnown = `format: 1
vehicle: {title: Half known}
buses: {powertrain: {bitrate: 500 kbit/s}}
frames:
  engine:
    id: 0x110
    every: 10 ms
    counter: {start: 8.1, bits: 4}
    signals:
      engine_speed: {start: 1.1, bits: 16, resolution: 0.25, unit: rpm, missing: 0xFFFF}
  shafts:
    id: 0x1A4
    every: 50 ms
    signals:
      output_speed: {start: 5.1, bits: 16, number: signed, resolution: 0.25, unit: rpm, missing: 0x8000}
  gearbox:
    id: 0x1B0
    every: 20 ms
    signals:
      lever: {start: 1.1, bits: 4, states: {0: P, 1: R, 2: N, 3: D}}
transmission:
  roles: {output_speed: output_speed}
`

// chain is a board fed by the van through a vehicle file that need not be the
// van's own.
type chain struct {
	board *board.Board
	p     *pipeline.Pipeline
	src   capture.Source
	out   decode.Output
	queue capture.Batch
	now   capture.Stamp
	last  map[uint32]capture.Frame
}

func newChain(t testing.TB, file *signals.File, clock capture.Clock) *chain {
	t.Helper()
	own, found := signals.Parse("van.yaml", signals.Van(), nil)
	if own == nil {
		t.Fatal(found)
	}
	options := van.DefaultOptions()
	options.Seed = 7
	src, err := van.Open(context.Background(), options, own, nil)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { src.Close() })
	p, err := pipeline.New(file, pipeline.Options{})
	if err != nil {
		t.Fatal(err)
	}
	b := board.New(board.Options{File: file, Table: p.Table(), Clock: clock, Plan: p.Plan()})
	b.Sources([]board.Source{{Address: "van:?seed=7", State: board.SourceOpen}})
	return &chain{board: b, p: p, src: src, last: map[uint32]capture.Frame{}}
}

// run drives on for d, in batches of 20 ms.
func (c *chain) run(t testing.TB, d time.Duration) {
	t.Helper()
	for end := c.now.Add(d); c.now < end; {
		c.now = c.now.Add(20 * time.Millisecond)
		for len(c.queue.Frames) == 0 || c.queue.Frames[len(c.queue.Frames)-1].Time < c.now {
			if err := c.src.Next(context.Background(), &c.queue); err != nil {
				t.Fatal(err)
			}
		}
		n := slices.IndexFunc(c.queue.Frames, func(f capture.Frame) bool { return f.Time >= c.now })
		batch := capture.Batch{Channels: c.queue.Channels, Frames: c.queue.Frames[:n]}
		c.out.Reset()
		c.board.Batch(&batch)
		if err := c.p.Push(&batch, &c.out); err != nil {
			t.Fatal(err)
		}
		c.board.Take(&c.out)
		for _, f := range batch.Frames {
			c.last[f.ID] = f
		}
		c.queue.Frames = slices.Delete(c.queue.Frames, 0, n)
	}
	c.board.Counters(c.p.Counters())
}

func half(t testing.TB) *signals.File {
	t.Helper()
	f, found := signals.Parse("half.yaml", []byte(halfKnown), nil)
	if f == nil {
		t.Fatal(found)
	}
	return f
}

// paste checks that text proposed for frames: makes a vehicle file.
func paste(t *testing.T, text string) {
	t.Helper()
	text = "format: 1\nvehicle: {title: pasted}\nbuses: {powertrain: {bitrate: 500 kbit/s}}\nframes:\n" + text
	if f, found := signals.Parse("pasted.yaml", []byte(text), nil); f == nil {
		t.Errorf("%v\n%s", found, text)
	}
}

// identified returns one identifier of a view.
func identified(t *testing.T, v *board.BusView, id string) *board.Identifier {
	t.Helper()
	i := slices.IndexFunc(v.Identifiers, func(x board.Identifier) bool { return x.ID == id })
	if i < 0 {
		t.Fatalf("no identifier %s", id)
	}
	return &v.Identifiers[i]
}

func TestBusView(t *testing.T) {
	c := newChain(t, half(t), nil)
	c.run(t, 60*time.Second)
	s := NewServer(Options{Board: c.board})
	var v board.BusView
	w := get(s, "/api/v1/bus")
	into(t, w, &v)

	// 100 + 100 + 50 + 50 + 50 + 10 frames a second by the van's periods.
	if len(v.Buses) != 1 || math.Abs(v.Buses[0].Rate-360) > 3 || v.Buses[0].Errors != 0 || v.Buses[0].Beyond != 0 {
		t.Errorf("buses: %+v", v.Buses)
	}
	var order []string
	for _, id := range v.Identifiers {
		order = append(order, id.ID)
	}
	if got := strings.Join(order, " "); got != "110 1A4 1B0 1C2 2D0 18FF3E21" {
		t.Errorf("identifiers: got %s", got)
	}
	for _, id := range v.Identifiers {
		n := uint32(0)
		fmt.Sscanf(id.ID, "%X", &n)
		last := c.last[n]
		if id.Data != strings.ToUpper(hex.EncodeToString(last.Payload())) || len(id.Flips) != 64 || id.Age > 0.1 || id.Count == 0 {
			t.Errorf("%s: %+v; want the data %X", id.ID, id, last.Payload())
		}
	}
	engine := identified(t, &v, "110")
	if engine.Name != "engine" || engine.State != "ok" || *engine.Expected != 0.01 || math.Abs(*engine.Period-0.01) > 2e-4 || engine.Bad != nil || engine.Looks != nil || engine.Definition != "" {
		t.Errorf("engine: %+v", engine)
	}
	// Its counter changes with every frame, its speed's low bit often, its brake
	// pedal hardly ever.
	if engine.Flips[56] != '4' || engine.Flips[0] < '3' || engine.Flips[40] > '1' {
		t.Errorf("how often the engine's bits change: %s", engine.Flips)
	}
	if changed, err := hex.DecodeString(engine.Changed); err != nil || changed[7]&0x0F != 0x0F || changed[0] == 0 || changed[7]&0xF0 != 0 {
		t.Errorf("what changed lately: %X, %v", changed, err)
	}
	shafts := identified(t, &v, "1A4")
	if shafts.State != "off" || *shafts.Expected != 0.05 {
		t.Errorf("shafts: %+v", shafts)
	}
	temperatures := identified(t, &v, "18FF3E21")
	if temperatures.Name != "" || !temperatures.Extended || temperatures.Expected != nil || math.Abs(*temperatures.Period-0.1) > 2e-3 {
		t.Errorf("temperatures: %+v", temperatures)
	}
	wheels := identified(t, &v, "2D0")
	if len(wheels.Looks) != 1 || wheels.Looks[0] != (board.Looks{Kind: "value", Start: "1.1", Bits: 16}) {
		t.Errorf("wheels look like %+v", wheels.Looks)
	}
	paste(t, identified(t, &v, "1C2").Definition+wheels.Definition+temperatures.Definition)
}

func TestBusViewOfTroubles(t *testing.T) {
	f, found := signals.Parse("t.yaml", []byte("format: 1\nvehicle: {title: t}\nbuses: {a: {}, b: {}}\nframes: {one: {bus: a, id: 1, every: 10 ms, checksum: {kind: xor, byte: 2}, signals: {x: {start: 1.1, bits: 8}}}}\n"), nil)
	if f == nil {
		t.Fatal(found)
	}
	p, err := pipeline.New(f, pipeline.Options{})
	if err != nil {
		t.Fatal(err)
	}
	b := board.New(board.Options{File: f, Table: p.Table(), Plan: p.Plan()})
	batch := capture.Batch{Channels: []capture.Channel{{Name: "a"}, {Name: "b"}, {Name: "gps", Kind: capture.Text}}}
	push := func(at capture.Stamp, bus uint8, flags capture.Flags, id uint32, data ...byte) {
		fr := capture.Frame{Time: at, ID: id, Bus: bus, Flags: flags, Len: uint8(len(data))}
		copy(fr.Data[:], data)
		batch.Frames = append(batch.Frames, fr)
	}
	for i := range 300 {
		at := capture.Stamp(i) * 1e7
		push(at, 0, 0, 1, byte(i), byte(i)^byte(i/100)) // the check byte is right for a second
		if i < 100 {
			push(at, 1, 0, 0x7FF, 1)
		}
		push(at, 1, capture.Error, 4)
		push(at, 1, capture.Own, 0x7E0, 2, 1, 0)
		push(at, 1, capture.Remote, 0x555)
	}
	for i := range uint32(2000) {
		push(3e9, 1, capture.Extended, i, 0)
	}
	push(10e9, 1, 0, 0x123)
	var out decode.Output
	b.Batch(&batch)
	if err := p.Push(&batch, &out); err != nil {
		t.Fatal(err)
	}
	b.Take(&out)
	b.Counters(p.Counters())
	v := b.Traffic()
	one := identified(t, &v, "001")
	if one.Name != "one" || one.State != "gone" || one.Bad == nil || *one.Bad != (board.Bad{Checksum: 200}) || one.Changed != "0000" {
		t.Errorf("one: %+v %+v", one, one.Bad)
	}
	silent := identified(t, &v, "7FF")
	if silent.State != "gone" || silent.Age < 8.9 || silent.Looks != nil {
		t.Errorf("7FF: %+v", silent)
	}
	if len(v.Identifiers) != unknown.MaxIDs || v.Buses[1].Errors != 300 || v.Buses[1].Beyond != 2000-(unknown.MaxIDs-2)+1 || v.Buses[0].Beyond != 0 {
		t.Errorf("%d identifiers; %+v", len(v.Identifiers), v.Buses)
	}
	if slices.ContainsFunc(v.Identifiers, func(i board.Identifier) bool { return i.ID == "7E0" || i.ID == "555" }) {
		t.Error("what this program sent, or a remote frame, stands among what the vehicle sent")
	}
}

// Road speed, which the file does not describe, moves with output speed, which
// it does.
func TestRelated(t *testing.T) {
	c := newChain(t, half(t), nil)
	c.run(t, 2*time.Minute)
	s := NewServer(Options{Board: c.board})
	var v board.RelatedView
	into(t, get(s, "/api/v1/bus/related?signal=output_speed"), &v)
	i := slices.IndexFunc(v.Matches, func(m board.RelatedMatch) bool { return m.ID == "2D0" })
	if v.Signal != "output_speed" || math.Abs(v.Seconds-120) > 1 || i < 0 {
		t.Fatalf("got %+v", v)
	}
	if m := v.Matches[i]; m.Start != "1.1" || m.Bits != 16 || m.Score < 0.98 || m.Unit != "rpm" || m.Name != "" || !strings.Contains(m.Definition, "every: 20 ms") {
		t.Errorf("got %+v", m)
	}
	for _, m := range v.Matches {
		if m.Name == "" {
			paste(t, m.Definition)
		} else {
			paste(t, "  other:\n    id: 0x"+m.ID+"\n    signals:\n"+m.Definition)
		}
		if m.ID == "1A4" && (m.Start == "5.1" || m.Start == "6.1") {
			t.Errorf("proposes what is described already: %+v", m)
		}
	}
	for target, want := range map[string]string{
		"/api/v1/bus/related":                                          `found \"\"`,
		"/api/v1/bus/related?signal=engine_sped":                       `did you mean \"engine_speed\"?`,
		"/api/v1/bus/related?signal=lever":                             "a choice of words",
		"/api/v1/bus/related?signal=a&signal=b":                        "expected once",
		"/api/v1/bus/related?sinal=a":                                  "unknown parameter",
		"/api/v1/bus?all=1":                                            "expected none",
		"/api/v1/bus/related?signal=%zz":                               "expected a query",
		"/api/v1/bus/related?signal=x" + strings.Repeat("y", maxQuery): "bytes",
	} {
		w := get(s, target)
		if w.Code != 400 || !strings.Contains(w.Body.String(), want) {
			t.Errorf("%s: got %d %s, want 400 and %q", clip(target), w.Code, w.Body, want)
		}
	}
	// Before anything has come there is nothing to compare.
	empty := newChain(t, half(t), nil)
	if v := empty.board.Related(empty.p.Table().Index("output_speed")); len(v.Matches) != 0 || v.Seconds != 0 {
		t.Errorf("from nothing: %+v", v)
	}
}

func FuzzRelatedQuery(f *testing.F) {
	f.Add("signal=engine_speed")
	f.Add("signal=lever&signal=x")
	f.Add("signal=%ff%00")
	table := boardtest.New(0).Table
	f.Fuzz(func(t *testing.T, raw string) {
		i, err := parseRelated(raw, table)
		if (err == nil) != (i >= 0 && int(i) < len(table.Signals)) {
			t.Errorf("%q: got signal %d and %v", raw, i, err)
		}
		if err != nil && len(err.Error()) > 1000 {
			t.Errorf("%q: an error of %d bytes", clip(raw), len(err.Error()))
		}
	})
}
