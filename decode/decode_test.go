package decode

import (
	"encoding/json"
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"gearwitness/capture"
	"gearwitness/decode/internal/vectortest"
	"gearwitness/signals"
	"gearwitness/signals/checksum"
)

const ms = capture.Stamp(time.Millisecond)

func ptr[T any](v T) *T { return &v }

// named makes a mapping of alternating names and values.
func named[T any](pairs ...any) signals.Named[T] {
	var out signals.Named[T]
	for i := 0; i < len(pairs); i += 2 {
		out = append(out, signals.Entry[T]{Name: pairs[i].(string), V: pairs[i+1].(T)})
	}
	return out
}

// oneFrame is a vehicle file with one bus and one frame.
func oneFrame(f signals.Frame) *signals.File {
	return &signals.File{Buses: named[signals.Bus]("powertrain", signals.Bus{}), Frames: named[signals.Frame]("frame", f)}
}

// bench decodes the frames of one channel called powertrain.
type bench struct {
	t *testing.T
	*Decoder
	out Output
}

func newBench(t *testing.T, f *signals.File) *bench {
	t.Helper()
	plan, err := Compile(f)
	if err != nil {
		t.Fatal(err)
	}
	b := &bench{t: t, Decoder: plan.NewDecoder()}
	b.Channels([]capture.Channel{{Name: "powertrain"}})
	return b
}

// send decodes one data frame at a time and returns what follows as text.
func (b *bench) send(at capture.Stamp, id uint32, data ...byte) string {
	f := capture.Frame{Time: at, ID: id, Len: uint8(len(data))}
	if id > 0x7FF {
		f.Flags = capture.Extended
	}
	copy(f.Data[:], data)
	return b.feed(&f)
}

func (b *bench) feed(f *capture.Frame) string {
	b.out.Reset()
	b.Advance(f.Time, &b.out)
	b.Frame(f, &b.out)
	return b.text()
}

func (b *bench) text() string {
	var parts []string
	for _, e := range b.out.Events {
		text, err := json.Marshal(e)
		if err != nil {
			b.t.Fatal(err)
		}
		parts = append(parts, string(text))
	}
	table := b.plan.Table()
	for _, s := range b.out.Samples {
		parts = append(parts, fmt.Sprintf("%s=%s", table.Signals[s.Signal].Name, table.Text(s)))
		if s.Status == Implausible {
			parts[len(parts)-1] += "!"
		}
	}
	return strings.Join(parts, " ")
}

func (b *bench) want(got, want string) {
	b.t.Helper()
	if got != want {
		b.t.Errorf("got  %s\nwant %s", got, want)
	}
}

func TestFieldsOfAFrame(t *testing.T) {
	b := newBench(t, oneFrame(signals.Frame{ID: ptr(uint32(0x1A4)), Length: 8, Signals: named[signals.Signal](
		"speed", signals.Signal{Start: signals.BitPos{Byte: 1, Bit: 1}, Bits: 16, Resolution: 0.25, Range: &signals.Range{Low: 0, High: 6000}},
		"torque", signals.Signal{Start: signals.BitPos{Byte: 3, Bit: 1}, Bits: 16, Number: signals.Signed, Resolution: 0.1, Missing: []signals.RawRange{{Low: -32768, High: -32768}}},
		"pressure", signals.Signal{Start: signals.BitPos{Byte: 5, Bit: 8}, Bits: 16, Order: signals.Big, Resolution: 0.5},
		"lever", signals.Signal{Start: signals.BitPos{Byte: 7, Bit: 5}, Bits: 4, States: named[int64]("P", int64(0), "D", int64(3))},
	)}))
	// Worked out by hand: 0x0FA0 = 4000; 0xFF38 = -200; 0x0102 = 258.
	b.want(b.send(0, 0x1A4, 0xA0, 0x0F, 0x38, 0xFF, 0x01, 0x02, 0x30, 0), "speed=1000 torque=-20 pressure=129 lever=D")
	b.want(b.send(0, 0x1A4, 0xFF, 0xFF, 0x00, 0x80, 0, 0, 0, 0), "speed=16383.75! torque=not available pressure=0 lever=P")
	b.want(b.send(0, 0x1A4, 0, 0, 0, 0, 0, 0, 0xF0), "")
	b.want(b.send(0, 0x1A5, 0, 0, 0, 0, 0, 0, 0xF0, 0), "")
	b.feed(&capture.Frame{ID: 0x1A4, Len: 8, Flags: capture.Remote})
	b.feed(&capture.Frame{ID: 4, Len: 8, Flags: capture.Error})
	b.feed(&capture.Frame{ID: 0x1A4, Len: 8, Flags: capture.Own})
	b.feed(&capture.Frame{ID: 0x1A4, Len: 65})
	b.want(b.text(), "")
	c := b.Counters()
	if got := c.Frames[0]; got != (FrameCount{Name: "frame", Good: 2, Short: 1}) {
		t.Errorf("frame counted as %+v", got)
	}
	ch := c.Channels[0]
	if ch.Bus != "powertrain" || ch.Frames != 4 || ch.Known != 3 || ch.Remote != 1 || ch.Errors != 1 || ch.Own != 1 {
		t.Errorf("channel counted as %+v", ch)
	}
	// ISO 11898-1: 111 bits for 8 bytes, 47 for a remote frame.
	if want := uint64(3*111 + 103 + 47 + 111); ch.Bits != want {
		t.Errorf("%d bits on the wire, want %d", ch.Bits, want)
	}
	if len(c.Unknown) != 1 || c.Unknown[0].ID != 0x1A5 || c.Unknown[0].Count != 1 {
		t.Errorf("unknown: %+v", c.Unknown)
	}
}

func TestFloatsAndWideFields(t *testing.T) {
	b := newBench(t, oneFrame(signals.Frame{ID: ptr(uint32(1)), Signals: named[signals.Signal](
		"single", signals.Signal{Start: signals.BitPos{Byte: 1, Bit: 1}, Bits: 32, Number: signals.Float},
		"double", signals.Signal{Start: signals.BitPos{Byte: 5, Bit: 8}, Bits: 64, Order: signals.Big, Number: signals.Float},
		"all", signals.Signal{Start: signals.BitPos{Byte: 13, Bit: 1}, Bits: 64},
		"odd", signals.Signal{Start: signals.BitPos{Byte: 13, Bit: 4}, Bits: 64},
	)}))
	data := make([]byte, 21)
	copy(data, []byte{0x00, 0x00, 0x20, 0xC1})                             // IEEE 754: -10
	copy(data[4:], []byte{0x40, 0x09, 0x21, 0xFB, 0x54, 0x44, 0x2D, 0x18}) // IEEE 754: pi
	data[19] = 0x80
	b.want(b.send(0, 1, data...), "single=-10 double=3.14159265359 all=9223372036850000000 odd=1152921504610000000")
	copy(data, []byte{0, 0, 0xC0, 0x7F}) // a NaN
	if got := b.send(0, 1, data...); !strings.HasPrefix(got, "single=not available ") {
		t.Errorf("a float that is no number: %s", got)
	}
}

func TestMultiplexedSignalsComeWithTheirPage(t *testing.T) {
	page := func(low, high int64) []signals.Condition {
		return []signals.Condition{{Signal: "page", Values: []signals.RawRange{{Low: low, High: high}}}}
	}
	b := newBench(t, oneFrame(signals.Frame{ID: ptr(uint32(1)), Every: 10 * time.Millisecond, Signals: named[signals.Signal](
		"a", signals.Signal{Start: signals.BitPos{Byte: 2, Bit: 1}, Bits: 8, When: page(0, 0)},
		"page", signals.Signal{Start: signals.BitPos{Byte: 1, Bit: 1}, Bits: 8},
		"sub", signals.Signal{Start: signals.BitPos{Byte: 2, Bit: 1}, Bits: 8, When: page(1, 3)},
		"b", signals.Signal{Start: signals.BitPos{Byte: 3, Bit: 1}, Bits: 8, When: []signals.Condition{{Signal: "sub", Values: []signals.RawRange{{Low: 7, High: 7}}}}},
	)}))
	b.want(b.send(0, 1, 0, 7, 9), "a=7 page=0")
	b.want(b.send(10*ms, 1, 2, 7, 9), "page=2 sub=7 b=9")
	b.want(b.send(20*ms, 1, 3, 6, 9), "page=3 sub=6")
	// Four pages are described and may take turns: what comes on some of them is
	// gone after four times three periods. Each ages by itself: a was last seen at
	// 0, b at 10 ms.
	b.want(b.send(119*ms, 1, 3, 6, 9), `{"time_s":0.05,"kind":"stale","frame":"frame","signals":["page"],"state":"stale","since_s":0.02} `+
		`{"time_s":0.119,"kind":"stale","frame":"frame","signals":["page"],"state":"fresh","since_s":0.02} page=3 sub=6`)
	b.want(b.send(145*ms, 1, 3, 6, 9),
		`{"time_s":0.12,"kind":"stale","frame":"frame","signals":["a"],"state":"stale","since_s":0} `+
			`{"time_s":0.13,"kind":"stale","frame":"frame","signals":["b"],"state":"stale","since_s":0.01} page=3 sub=6`)
}

func TestStaleAndFresh(t *testing.T) {
	b := newBench(t, oneFrame(signals.Frame{ID: ptr(uint32(1)), Every: 10 * time.Millisecond, Signals: named[signals.Signal](
		"x", signals.Signal{Start: signals.BitPos{Byte: 1, Bit: 1}, Bits: 8},
	)}))
	b.want(b.send(5*ms, 1, 1), "x=1")
	b.want(b.send(34*ms, 2, 1), "")
	b.want(b.send(36*ms, 2, 1), `{"time_s":0.035,"kind":"stale","frame":"frame","signals":["x"],"state":"stale","since_s":0.005}`)
	b.want(b.send(99*ms, 2, 1), "")
	b.want(b.send(100*ms, 1, 1), `{"time_s":0.1,"kind":"stale","frame":"frame","signals":["x"],"state":"fresh","since_s":0.005} x=1`)
	b.want(b.send(129*ms, 1, 1), "x=1")
	b.want(b.send(158*ms, 1, 1), "x=1")
	// The age at which a value no longer counts is reached, not passed.
	b.want(b.send(188*ms, 2, 1), `{"time_s":0.188,"kind":"stale","frame":"frame","signals":["x"],"state":"stale","since_s":0.158}`)
}

func TestCounterAndChecksumKeepBadFramesOut(t *testing.T) {
	b := newBench(t, oneFrame(signals.Frame{ID: ptr(uint32(1)),
		Counter:  &signals.Counter{Start: signals.BitPos{Byte: 2, Bit: 1}, Bits: 4},
		Checksum: &signals.Checksum{Kind: "xor", Byte: 3},
		Signals:  named[signals.Signal]("x", signals.Signal{Start: signals.BitPos{Byte: 1, Bit: 1}, Bits: 8}),
	}))
	b.want(b.send(0, 1, 1, 14, 1^14), "x=1")
	b.want(b.send(0, 1, 2, 15, 2^15^1), "") // check byte wrong
	b.want(b.send(0, 1, 3, 15, 3^15), "x=3")
	b.want(b.send(0, 1, 3, 15, 3^15), "")  // counter stands still
	b.want(b.send(0, 1, 4, 0, 4), "x=4")   // wraps
	b.want(b.send(0, 1, 5, 3, 5^3), "x=5") // two lost on the way
	want := FrameCount{Name: "frame", Good: 4, Checksum: 1, Repeated: 1, Missed: 2}
	if got := b.Counters().Frames[0]; got != want {
		t.Errorf("counted as %+v, want %+v", got, want)
	}
}

// A CRC over eight bytes is looked up place by place; the answer must be that of
// the plain way, for every kind and place of the check byte.
func TestChecksumOverEightBytes(t *testing.T) {
	for _, kind := range checksum.Names() {
		k, _ := checksum.Lookup(kind)
		for at := range 8 {
			b := newBench(t, oneFrame(signals.Frame{ID: ptr(uint32(1)), Checksum: &signals.Checksum{Kind: kind, Byte: at + 1},
				Signals: named[signals.Signal]("x", signals.Signal{Start: signals.BitPos{Byte: at%8 + 1, Bit: 1}, Bits: 8})}))
			data := []byte{0x12, 0x80, 0xFF, 0, 0x55, 0xA5, 1, 0xEE}
			data[at] = k.Sum(data, at)
			if got := b.send(0, 1, data...); got != fmt.Sprintf("x=%d", data[at]) {
				t.Errorf("%s at %d: got %q", kind, at+1, got)
			}
			for i := range 64 {
				data[i/8] ^= 1 << (i % 8)
				if got := b.send(0, 1, data...); got != "" {
					t.Errorf("%s at %d: bit %d flipped and not noticed", kind, at+1, i)
				}
				data[i/8] ^= 1 << (i % 8)
			}
		}
	}
}

// The published worked cases of SAE J1939-71, through a compiled plan.
func TestJ1939Signals(t *testing.T) {
	run := func(name string, def signals.Signal, pgn uint32, data []byte) (Sample, bool) {
		b := newBench(t, oneFrame(signals.Frame{PGN: &pgn, Signals: named[signals.Signal]("x", def)}))
		b.send(0, 0x18000003|pgn<<8, data...)
		if len(b.out.Samples) != 1 {
			return Sample{}, false
		}
		return b.out.Samples[0], true
	}
	for _, v := range vectortest.Load(t, "j1939_signal") {
		var in struct {
			PGN                uint32
			Start              string
			Bits               int
			Resolution, Offset float64
			Data               string
		}
		var want any
		v.Decode(t, &in, &want)
		s, ok := run(v.Name, signals.Signal{Start: bitPos(t, in.Start), Bits: in.Bits, Resolution: in.Resolution, Offset: in.Offset}, in.PGN, vectortest.Hex(t, in.Data))
		switch want := want.(type) {
		case float64:
			if !ok || s.Status != Valid || math.Abs(s.Value-want) > 1e-9 {
				t.Errorf("%s: got %+v, want %g", v.Name, s, want)
			}
		case map[string]any:
			words := map[string]Status{"not_available": NotAvailable, "error": Faulty}
			if want["quality"] == "specific" || want["quality"] == "reserved" {
				words[want["quality"].(string)] = NotAvailable // no number, for a file that does not name it
			}
			if st, known := words[fmt.Sprint(want["quality"])]; !known || s.Status != st {
				t.Errorf("%s: got %+v, want %v", v.Name, s, want)
			}
		case string: // two characters, the first in the lower byte
			if len(want) != 2 || s.Value != float64(want[0])+256*float64(want[1]) {
				t.Errorf("%s: got %+v, want %q", v.Name, s, want)
			}
		default:
			t.Errorf("%s: cannot read the expectation %v", v.Name, want)
		}
	}
	// The second set gives signals by their number in SAE J1939-71; positions
	// and scalings from the same standard, from memory.
	known := map[int]signals.Signal{
		190: {Start: at(4, 1), Bits: 16, Resolution: 0.125}, 512: {Start: at(2, 1), Bits: 8, Offset: -125}, 513: {Start: at(3, 1), Bits: 8, Offset: -125},
		91: {Start: at(2, 1), Bits: 8, Resolution: 0.4}, 84: {Start: at(2, 1), Bits: 16, Resolution: 1.0 / 256}, 110: {Start: at(1, 1), Bits: 8, Offset: -40},
		175: {Start: at(3, 1), Bits: 16, Resolution: 1.0 / 32, Offset: -273}, 177: {Start: at(5, 1), Bits: 16, Resolution: 1.0 / 32, Offset: -273},
		123: {Start: at(1, 1), Bits: 8, Resolution: 16}, 126: {Start: at(3, 1), Bits: 8, Resolution: 2}, 191: {Start: at(2, 1), Bits: 16, Resolution: 0.125},
		161: {Start: at(6, 1), Bits: 16, Resolution: 0.125}, 522: {Start: at(4, 1), Bits: 8, Resolution: 0.4}, 560: {Start: at(1, 1), Bits: 2}, 573: {Start: at(1, 3), Bits: 2},
		574: {Start: at(1, 5), Bits: 2}, 524: {Start: at(1, 1), Bits: 8, Offset: -125, States: named[int64]("park", int64(0xFB))},
		523: {Start: at(4, 1), Bits: 8, Offset: -125}, 526: {Start: at(2, 1), Bits: 16, Resolution: 0.001}, 544: {Start: at(20, 1), Bits: 16},
		127: {Start: at(4, 1), Bits: 8, Resolution: 16}, 124: {Start: at(2, 1), Bits: 8, Resolution: 0.4}, 92: {Start: at(3, 1), Bits: 8}, 597: {Start: at(4, 5), Bits: 2},
	}
	for _, v := range vectortest.Load(t, "j1939.signal") {
		var in struct {
			SPN  int
			PGN  uint32
			Data string
		}
		var want struct {
			Status, Text string
			Value        float64
		}
		v.Decode(t, &in, &want)
		def, ok := known[in.SPN]
		if !ok {
			t.Errorf("%s: SPN %d is not in the list of this test", v.Name, in.SPN)
			continue
		}
		s, came := run(v.Name, def, in.PGN, vectortest.Hex(t, in.Data))
		switch want.Status {
		case "valid":
			if !came || s.Status != Valid || math.Abs(s.Value-want.Value) > 1e-9 {
				t.Errorf("%s: got %+v, want %g", v.Name, s, want.Value)
			}
		case "specific":
			b := newBench(t, oneFrame(signals.Frame{PGN: &in.PGN, Signals: named[signals.Signal]("x", def)}))
			if got := b.send(0, 0x18000003|in.PGN<<8, vectortest.Hex(t, in.Data)...); got != "x="+want.Text {
				t.Errorf("%s: got %s", v.Name, got)
			}
		case "not-sent":
			if came {
				t.Errorf("%s: got %+v of data too short", v.Name, s)
			}
		default:
			st := map[string]Status{"not-available": NotAvailable, "error": Faulty}[want.Status]
			if !came || s.Status != st || st == Valid {
				t.Errorf("%s: got %+v, want %s", v.Name, s, want.Status)
			}
		}
	}
}

func at(b, bit int) signals.BitPos { return signals.BitPos{Byte: b, Bit: bit} }

func bitPos(t *testing.T, s string) signals.BitPos {
	var p signals.BitPos
	if _, err := fmt.Sscanf(s, "%d.%d", &p.Byte, &p.Bit); err != nil {
		t.Fatal(err)
	}
	return p
}

func TestJ1939Addressing(t *testing.T) {
	sig := func(name string) signals.Named[signals.Signal] {
		return named[signals.Signal](name, signals.Signal{Start: at(1, 1), Bits: 8})
	}
	b := newBench(t, &signals.File{Buses: named[signals.Bus]("powertrain", signals.Bus{}), Frames: named[signals.Frame](
		"any", signals.Frame{PGN: ptr(uint32(0xFEF8)), Signals: sig("any"), Every: time.Second},
		"three", signals.Frame{PGN: ptr(uint32(0xFEF8)), Source: ptr(uint8(3)), Signals: sig("three")},
		"addressed", signals.Frame{PGN: ptr(uint32(0)), Signals: sig("addressed")},
		"exact", signals.Frame{ID: ptr(uint32(0x18FEF805)), Extended: true, Signals: sig("exact")},
	)})
	b.want(b.send(0, 0x18FEF803, 1), "three=1")     // a given source wins
	b.want(b.send(0, 0x1CFEF803, 2), "three=2")     // whatever the priority
	b.want(b.send(0, 0x18FEF805, 3), "exact=3")     // the whole identifier wins over both
	b.want(b.send(0, 0x0C000B21, 4), "addressed=4") // whatever the destination
	// Two senders of one group: the first with a value holds the signal ...
	b.want(b.send(0, 0x18FEF80B, 0xFF), "any=not available")
	b.want(b.send(0, 0x18FEF80C, 5), "any=5")
	b.want(b.send(1*ms, 0x18FEF80B, 0xFF), "")
	b.want(b.send(2*ms, 0x18FEF80B, 6), "")
	b.want(b.send(3*ms, 0x18FEF80C, 7), "any=7")
	// ... until it does not know any more, or falls silent.
	b.want(b.send(4*ms, 0x18FEF80C, 0xFF), "any=not available")
	b.want(b.send(5*ms, 0x18FEF80B, 8), "any=8")
	b.want(b.send(6*ms, 0x18FEF80C, 9), "")
	b.want(b.send(3004*ms, 0x18FEF80C, 9), "")
	b.want(b.send(3005*ms, 0x18FEF80C, 9), "any=9")
}

func TestUnknownIdentifiersAreBounded(t *testing.T) {
	b := newBench(t, oneFrame(signals.Frame{ID: ptr(uint32(1))}))
	for i := range 3 * maxUnknown {
		b.send(capture.Stamp(i), 0x10000000+uint32(i), 1)
	}
	for range 5 {
		b.send(10000, 0x123, 1)
	}
	c := b.Counters()
	if len(c.Unknown) != maxUnknown+1 || !c.Unknown[0].Others || c.Unknown[0].Count != 2*maxUnknown+5 {
		t.Errorf("%d identifiers listed, first %+v", len(c.Unknown), c.Unknown[0])
	}
}

func TestCompileRefuses(t *testing.T) {
	sig := func(s signals.Signal) signals.Frame {
		return signals.Frame{ID: ptr(uint32(1)), Signals: named[signals.Signal]("x", s)}
	}
	for _, c := range []struct {
		frame signals.Frame
		want  string
	}{
		{signals.Frame{}, "frame frame: neither id nor pgn is given"},
		{signals.Frame{ID: ptr(uint32(1)), Checksum: &signals.Checksum{Kind: "none", Byte: 1}}, `frame frame: checksum "none" is not known`},
		{sig(signals.Signal{Start: at(1, 1), Bits: 16, Number: signals.Float}), "frame frame: signal x: a float of 16 bits; expected 32 or 64"},
		{sig(signals.Signal{Start: at(1, 1), Bits: 8, When: []signals.Condition{{Signal: "y"}}}), `frame frame: signal x: depends on "y", which is not in the frame`},
		{sig(signals.Signal{Start: at(1, 1), Bits: 8, When: []signals.Condition{{Signal: "x"}}}), "frame frame: signal x: depends on itself: x -> x"},
	} {
		if _, err := Compile(oneFrame(c.frame)); err == nil || err.Error() != c.want {
			t.Errorf("got %v, want %s", err, c.want)
		}
	}
}

func fourSignals() *signals.File {
	return oneFrame(signals.Frame{ID: ptr(uint32(0x1A4)), Every: 10 * time.Millisecond, Signals: named[signals.Signal](
		"a", signals.Signal{Start: at(1, 1), Bits: 16, Number: signals.Signed, Resolution: 0.25},
		"b", signals.Signal{Start: at(3, 1), Bits: 16, Number: signals.Signed, Resolution: 0.25},
		"c", signals.Signal{Start: at(5, 1), Bits: 16, Resolution: 0.25, Range: &signals.Range{High: 1e9}},
		"d", signals.Signal{Start: at(7, 8), Bits: 16, Order: signals.Big},
	)})
}

func TestDecodingAllocatesNothing(t *testing.T) {
	b := newBench(t, fourSignals())
	f := capture.Frame{ID: 0x1A4, Len: 8}
	b.feed(&f)
	if n := testing.AllocsPerRun(1000, func() {
		f.Time += 10 * ms
		b.out.Reset()
		b.Advance(f.Time, &b.out)
		b.Frame(&f, &b.out)
	}); n != 0 {
		t.Errorf("%g allocations a frame", n)
	}
}

func BenchmarkFrame(b *testing.B) {
	plan, err := Compile(fourSignals())
	if err != nil {
		b.Fatal(err)
	}
	d := plan.NewDecoder()
	d.Channels([]capture.Channel{{Name: "powertrain"}})
	for _, c := range []struct {
		name string
		f    capture.Frame
	}{
		{"signals=4", capture.Frame{ID: 0x1A4, Len: 8, Data: [64]byte{1, 2, 3, 4, 5, 6, 7, 8}}},
		{"unknown", capture.Frame{ID: 0x18FEF803, Len: 8, Flags: capture.Extended}},
	} {
		b.Run(c.name, func(b *testing.B) {
			var out Output
			b.ReportAllocs()
			for b.Loop() {
				out.Reset()
				d.Advance(c.f.Time, &out)
				d.Frame(&c.f, &out)
				c.f.Time += ms
			}
		})
	}
}

func TestLossesInWords(t *testing.T) {
	for want, l := range map[string]LossCount{
		"3 frames or lines (overrun)":                         {capture.ReasonOverrun, 3},
		"frames or lines, it is not known how many (overrun)": {capture.ReasonOverrun, 0},
		"frames or lines, it is not known how many":           {capture.ReasonUnknown, 0},
		"1 frames or lines":                                   {capture.ReasonUnknown, 1},
	} {
		if got := l.Text(func(n uint64) string { return fmt.Sprint(n) }); got != want {
			t.Errorf("%+v: got %q, want %q", l, got, want)
		}
	}
}
