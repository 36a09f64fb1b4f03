package decode

import (
	"fmt"
	"math"
	"testing"
	"time"

	"gearwitness/capture"
	"gearwitness/decode/internal/vectortest"
	"gearwitness/signals"
)

func TestSensorsGiveFaultyWhereTheWireIsBroken(t *testing.T) {
	b := newBench(t, oneFrame(signals.Frame{ID: ptr(uint32(1)), Signals: named[signals.Signal](
		"pressure", signals.Signal{Start: at(1, 1), Bits: 8, Resolution: 0.1, Unit: "kPa", Range: &signals.Range{Low: 0, High: 2000},
			Table: signals.Points{{X: 0.5, Y: 0}, {X: 4.5, Y: 2000}, {X: 5, Y: 3000}}},
		"plain", signals.Signal{Start: at(2, 1), Bits: 8},
	)}))
	// By hand: 2.5 V lies half way between 0.5 and 4.5 V.
	b.want(b.send(0, 1, 25, 7), "pressure=1000 plain=7")
	b.want(b.send(0, 1, 2, 7), "pressure=error plain=7")
	b.want(b.send(0, 1, 50, 7), "pressure=3000! plain=7")
	if d := b.plan.Table().Signals[0]; d.Digits != 1 || len(d.States) != 0 {
		t.Errorf("table: %+v", d)
	}
}

func TestProtectedBytesAndCountersThatSkipValues(t *testing.T) {
	// AUTOSAR E2E profile 1, from memory: data identifier 0x123, low byte first,
	// both counted in before the data; counter 0 to 14; polynomial 1D. The frames
	// are those the profile's published example gives for counters 0 and 1.
	b := newBench(t, oneFrame(signals.Frame{ID: ptr(uint32(1)),
		Counter:  &signals.Counter{Start: at(2, 1), Bits: 4, Modulo: 15},
		Checksum: &signals.Checksum{Kind: "crc8-gsm-a", Byte: 1, Prefix: signals.Bytes{0x23, 0x01}},
		Signals:  named[signals.Signal]("x", signals.Signal{Start: at(3, 1), Bits: 8}),
	}))
	b.want(b.send(0, 1, 0xCC, 0, 0, 0, 0, 0, 0, 0), "x=0")
	b.want(b.send(0, 1, 0x91, 1, 0, 0, 0, 0, 0, 0), "x=0")
	b.want(b.send(0, 1, 0x91, 1, 0, 0, 0, 0, 0, 0), "") // repeated
	b.want(b.send(0, 1, 0x90, 1, 0, 0, 0, 0, 0, 0), "") // check byte
	k := func(count byte) byte {
		c := signals.Checksum{Kind: "crc8-gsm-a", Byte: 1, Prefix: signals.Bytes{0x23, 0x01}}
		return c.Sum(b.plan.frames[0].kind, []byte{0, count, 0, 0, 0, 0, 0, 0}, 0)
	}
	b.want(b.send(0, 1, k(14), 14, 0, 0, 0, 0, 0, 0), "x=0")
	b.want(b.send(0, 1, k(0), 0, 0, 0, 0, 0, 0, 0), "x=0") // 14 is followed by 0
	b.want(b.send(0, 1, k(15), 15, 0, 0, 0, 0, 0, 0), "")  // no value of this counter
	if got, want := b.Counters().Frames[0], (FrameCount{Name: "frame", Good: 4, Checksum: 1, Repeated: 2, Missed: 12}); got != want {
		t.Errorf("counted as %+v, want %+v", got, want)
	}
}

func TestDestinationsOfParameterGroups(t *testing.T) {
	sig := func(name string) signals.Named[signals.Signal] {
		return named[signals.Signal](name, signals.Signal{Start: at(1, 1), Bits: 8})
	}
	b := newBench(t, &signals.File{Buses: named[signals.Bus]("powertrain", signals.Bus{}), Frames: named[signals.Frame](
		"any", signals.Frame{PGN: ptr(uint32(0)), Source: ptr(uint8(5)), Signals: sig("any")},
		"ours", signals.Frame{PGN: ptr(uint32(0)), Dest: ptr(uint8(3)), Signals: sig("ours")},
		"exact", signals.Frame{PGN: ptr(uint32(0)), Dest: ptr(uint8(3)), Source: ptr(uint8(5)), Signals: sig("exact")},
	)})
	b.want(b.send(0, 0x0C000305, 1), "exact=1")
	b.want(b.send(0, 0x0C000405, 2), "any=2")
	b.want(b.send(0, 0x0C000306, 3), "ours=3")
	b.want(b.send(0, 0x0C000406, 4), "")
}

func TestAnswersToRequests(t *testing.T) {
	speed := signals.Signal{Start: at(1, 8), Bits: 16, Order: signals.Big, Resolution: 0.25, Unit: "rpm"}
	temperature := signals.Signal{Start: at(1, 1), Bits: 8, Offset: -40, Unit: "°C"}
	b := newBench(t, &signals.File{Buses: named[signals.Bus]("powertrain", signals.Bus{}), Requests: named[signals.Request](
		"speed", signals.Request{Service: signals.CurrentData, Item: ptr(uint32(0x0C)), Every: time.Second, Signals: named[signals.Signal]("engine", speed)},
		"gearbox", signals.Request{Service: signals.ReadByID, Item: ptr(uint32(0x1234)), To: ptr(uint32(0x7E1)), Length: 9, Signals: named[signals.Signal](
			"oil", temperature, "last", signals.Signal{Start: at(9, 1), Bits: 8})},
		"far", signals.Request{Service: signals.CurrentData, Item: ptr(uint32(5)), Extended: true, To: ptr(uint32(0x18DA10F1)), Signals: named[signals.Signal]("coolant", temperature)},
	)})
	// SAE J1979, from memory: 1A F8 is 1726 rpm, 7B is 83 °C.
	b.want(b.send(0, 0x7E8, 4, 0x41, 0x0C, 0x1A, 0xF8), "engine=1726")
	b.want(b.send(0, 0x7E9, 4, 0x41, 0x0C, 0, 0), "") // another unit answers as well: the first one counts
	b.want(b.send(0, 0x7E8, 3, 0x7F, 0x01, 0x12),
		`{"time_s":0,"kind":"refused","channel":"powertrain","unit":"unit 1","service":"01","reason":"sub-function unknown","requests":["speed"]}`)
	b.want(b.send(0, 0x7E8, 3, 0x41, 0x0C, 0x1A), "") // too short
	b.want(b.send(0, 0x7E9, 0x10, 12, 0x62, 0x12, 0x34, 0x7B, 1, 2), "")
	b.want(b.send(0, 0x7E9, 0x21, 3, 4, 5, 6, 7, 8, 0xAA), "oil=83 last=8")
	b.want(b.send(0, 0x7E9, 0x22, 3, 4, 5, 6, 7, 8, 0xAA), "")
	b.want(b.send(0, 0x18DAF110, 3, 0x41, 0x05, 0x7B), "coolant=83")
	b.want(b.send(0, 0x18DAF111, 3, 0x41, 0x05, 0x7B), "") // not asked
	b.want(b.send(0, 0x7DF, 2, 0x01, 0x0C), "")
	c := b.Counters()
	if c.Channels[0].BrokenMessages != 1 || len(c.Unknown) != 2 {
		t.Errorf("counted as %+v, unknown %+v", c.Channels[0], c.Unknown)
	}
	want := []FrameCount{{Name: "speed", Good: 2, Short: 1}, {Name: "gearbox", Good: 1}, {Name: "far", Good: 1}}
	if got := fmt.Sprint(c.Frames); got != fmt.Sprint(want) {
		t.Errorf("counted as %v, want %v", got, want)
	}
	// The one that held the signal is silent for three periods.
	b.want(b.send(3000*ms, 0x7E9, 4, 0x41, 0x0C, 0, 4),
		`{"time_s":3,"kind":"stale","frame":"speed","signals":["engine"],"state":"stale","since_s":0} `+
			`{"time_s":3,"kind":"stale","frame":"speed","signals":["engine"],"state":"fresh","since_s":0} engine=1`)
}

func lineBench(t *testing.T, name string, l signals.Lines) func(at capture.Stamp, text string) (string, ChannelCount) {
	b := newBench(t, &signals.File{Lines: named[signals.Lines](name, l)})
	b.Channels([]capture.Channel{{Name: "powertrain"}, {Name: name, Kind: capture.Text}})
	return func(at capture.Stamp, text string) (string, ChannelCount) {
		b.out.Reset()
		b.Advance(at, &b.out)
		b.Line(&capture.Line{Time: at, Port: 1, Text: text}, &b.out)
		return b.text(), b.Counters().Channels[1]
	}
}

func TestLines(t *testing.T) {
	for _, c := range []struct {
		name string
		form signals.Lines
		text string
		want string
		bad  bool
	}{
		{"nmea/published example", signals.Lines{Form: signals.NMEA, Signals: named[signals.Text](
			"road_speed", signals.Text{Sentence: "RMC", Field: 7, Resolution: 1.852, Unit: "km/h"},
			"latitude", signals.Text{Sentence: "RMC", Field: 3},
			"height", signals.Text{Sentence: "GGA", Field: 9},
		)}, "$GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,230394,003.1,W*6A", "road_speed=41.4848 latitude=48.1173", false},
		{"nmea/no fix", signals.Lines{Form: signals.NMEA, Signals: named[signals.Text]("road_speed", signals.Text{Sentence: "RMC", Field: 7})},
			"$GPRMC,235959.90,V,,,,,,,311226,,,N*70", "road_speed=not available", false},
		{"nmea/checksum", signals.Lines{Form: signals.NMEA, Signals: named[signals.Text]("road_speed", signals.Text{Sentence: "RMC", Field: 7})},
			"$GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,230394,003.1,W*6B", "", true},
		{"columns/comma", signals.Lines{Form: signals.Columns, Signals: named[signals.Text](
			"a", signals.Text{Column: 1}, "c", signals.Text{Column: 3, Resolution: 100, Offset: 1, Range: &signals.Range{Low: 0, High: 100}}, "e", signals.Text{Column: 5},
		)}, " 1.5 ,x,-2,9", "a=1.5 c=-199! e=not available", false},
		{"columns/no number", signals.Lines{Form: signals.Columns, Signals: named[signals.Text]("a", signals.Text{Column: 1}, "b", signals.Text{Column: 2})},
			"ERR,2", "a=error b=2", true},
		{"columns/missing", signals.Lines{Form: signals.Columns, Separator: ";", Signals: named[signals.Text](
			"a", signals.Text{Column: 1, Missing: []string{"---"}}, "b", signals.Text{Column: 2}, "c", signals.Text{Column: 3})},
			"---;;3", "a=not available b=not available c=3", false},
		{"columns/white space", signals.Lines{Form: signals.Columns, Separator: " ", Begins: "P:", Signals: named[signals.Text](
			"a", signals.Text{Column: 1}, "c", signals.Text{Column: 3, States: named[int64]("open", int64(0), "closed", int64(1))})},
			"P:  7 \t 8   1 ", "a=7 c=closed", false},
		{"columns/another kind of line", signals.Lines{Form: signals.Columns, Begins: "P:", Signals: named[signals.Text]("a", signals.Text{Column: 1})},
			"T: 7", "", false},
		{"pairs", signals.Lines{Form: signals.Pairs, Separator: ";", Signals: named[signals.Text](
			"p", signals.Text{Key: "p"}, "t", signals.Text{Key: "T"})},
			"T = 21.5; p=3;q=9;", "t=21.5 p=3", false},
		{"pairs/white space", signals.Lines{Form: signals.Pairs, Separator: " ", Signals: named[signals.Text]("p", signals.Text{Key: "p"}, "t", signals.Text{Key: "T"})},
			"p=0x10  T=", "p=error t=not available", true},
	} {
		t.Run(c.name, func(t *testing.T) {
			feed := lineBench(t, "gauge", c.form)
			got, count := feed(0, c.text)
			if got != c.want {
				t.Errorf("got  %s\nwant %s", got, c.want)
			}
			if count.Lines != 1 || (count.BadLines == 1) != c.bad {
				t.Errorf("counted as %+v", count)
			}
			if first := c.text[:min(len(c.text), maxBadLine)]; c.bad && count.BadLine != first {
				t.Errorf("the bad line is shown as %q, want %q", count.BadLine, first)
			}
		})
	}
}

func TestLinesGrowStaleByTheirKind(t *testing.T) {
	feed := lineBench(t, "gauge", signals.Lines{Form: signals.Pairs, Every: time.Second, Signals: named[signals.Text]("p", signals.Text{Key: "p"}, "t", signals.Text{Key: "T"})})
	feed(0, "p=1,T=2")
	feed(2000*ms, "p=1")
	got, _ := feed(3500*ms, "p=1")
	want := `{"time_s":3,"kind":"stale","frame":"gauge","signals":["t"],"state":"stale","since_s":0} p=1`
	if got != want {
		t.Errorf("got  %s\nwant %s", got, want)
	}
}

func FuzzLine(f *testing.F) {
	f.Add("a, 1;2 = 3", ",", "", uint8(1), uint8(1))
	f.Add("$GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,230394,003.1,W*6A", "", "", uint8(0), uint8(7))
	f.Add("k=1 k=2", " ", "k", uint8(2), uint8(1))
	f.Fuzz(func(t *testing.T, text, separator, begins string, form, n uint8) {
		l := signals.Lines{Form: signals.Form(form % 3), Separator: separator, Begins: begins, Signals: named[signals.Text](
			"x", signals.Text{Sentence: "RMC", Field: int(n), Column: max(int(n), 1), Key: "k"})}
		plan, err := Compile(&signals.File{Lines: named[signals.Lines]("gauge", l)})
		if err != nil {
			t.Fatal(err)
		}
		d := plan.NewDecoder()
		d.Channels([]capture.Channel{{Name: "gauge", Kind: capture.Text}})
		var out Output
		d.Line(&capture.Line{Text: text}, &out)
		for _, s := range out.Samples {
			if s.Value != s.Value {
				t.Fatal("a value that is no number")
			}
		}
	})
}

func TestFaultsAreToldWhenTheyChange(t *testing.T) {
	b := newBench(t, &signals.File{Buses: named[signals.Bus]("powertrain", signals.Bus{}),
		Frames: named[signals.Frame]("any", signals.Frame{PGN: ptr(uint32(61444))}),
		Requests: named[signals.Request](
			"stored", signals.Request{Service: signals.StoredFaults},
			"gearbox", signals.Request{Service: signals.ReadFaults, Item: ptr(uint32(2)), To: ptr(uint32(0x7E1))},
			"speed", signals.Request{Service: signals.CurrentData, Item: ptr(uint32(0x0C)), Signals: named[signals.Signal]("engine", signals.Signal{Start: at(1, 8), Bits: 16, Order: signals.Big})},
			"road", signals.Request{Service: signals.CurrentData, Item: ptr(uint32(0x0D)), Signals: named[signals.Signal]("road_speed", signals.Signal{Start: at(1, 1), Bits: 8})},
		)})
	const from = `{"time_s":0,"kind":"faults","channel":"powertrain","unit":`
	// SAE J1939-73, from memory: SPN 1208, FMI 3.
	b.want(b.send(0, 0x18FECA03, 0x04, 0xFF, 0xB8, 0x04, 0x03, 0x0A, 0xFF, 0xFF), from+`"address 3","memory":"active","codes":["SPN 1208 FMI 3"],"lamps":["amber"]}`)
	b.want(b.send(0, 0x18FECA03, 0x04, 0xFF, 0xB8, 0x04, 0x03, 0x0B, 0xFF, 0xFF), "") // the count alone
	b.want(b.send(0, 0x18FECA03, 0x00, 0xFF, 0, 0, 0, 0, 0xFF, 0xFF), from+`"address 3","memory":"active","codes":[]}`)
	// Two faults come in two packets.
	b.want(b.send(0, 0x18ECFF03, 0x20, 10, 0, 2, 0xFF, 0xCA, 0xFE, 0), "")
	b.want(b.send(0, 0x18EBFF03, 1, 0x40, 0xFF, 0xB1, 0, 3, 5, 0xB8), "")
	b.want(b.send(0, 0x18EBFF03, 2, 4, 3, 10, 0xFF, 0xFF, 0xFF, 0xFF), from+`"address 3","memory":"active","codes":["SPN 177 FMI 3","SPN 1208 FMI 3"],"lamps":["malfunction"]}`)
	// ISO 15031-6 and ISO 14229, from memory.
	b.want(b.send(0, 0x7E8, 4, 0x43, 1, 0x07, 0x41), from+`"unit 1","memory":"stored","codes":["P0741"]}`)
	b.want(b.send(0, 0x7E8, 4, 0x43, 1, 0x07, 0x41), "")
	b.want(b.send(0, 0x7E9, 7, 0x59, 2, 0xFF, 0x07, 0x41, 0x1C, 0x09), from+`"unit 2","memory":"by status","codes":["P0741-1C (failed now, confirmed)"]}`)
	const refused = `{"time_s":0,"kind":"refused","channel":"powertrain","unit":"unit 1","service":"01","reason":`
	b.want(b.send(0, 0x7E8, 3, 0x7F, 0x01, 0x78), "") // later
	b.want(b.send(0, 0x7E8, 3, 0x7F, 0x01, 0x11), refused+`"service unknown","requests":["speed","road"]}`)
	b.want(b.send(0, 0x7E8, 3, 0x7F, 0x01, 0x11), "")
	// Somebody asked for two parameters at once.
	b.want(b.send(0, 0x7E8, 6, 0x41, 0x0C, 0x1A, 0xF8, 0x0D, 0x50), "engine=6904 road_speed=80")
}

// The published answers of SAE J1979, through the built-in library of diagnostic
// reads and the transport protocol.
func TestPublishedAnswersThroughTheLibrary(t *testing.T) {
	f, found := signals.Parse("bench.yaml", []byte("format: 1\nvehicle: {title: bench}\nbuses: {powertrain: {bitrate: 500 kbit/s}}\nuse: [obd/powertrain]\n"), nil)
	if f == nil {
		t.Fatal(found)
	}
	answered := 0
	check := func(name, payload string, want float64) {
		data := vectortest.Hex(t, payload)
		if len(data) > 7 {
			t.Fatalf("%s: does not fit one frame", name)
		}
		b := newBench(t, f)
		b.send(0, 0x7E8, append([]byte{byte(len(data))}, data...)...)
		if b.Counters().Channels[0].Known == 0 {
			t.Errorf("%s: the answer is unknown", name)
		}
		if len(b.out.Samples) == 0 {
			return // the library need not hold every parameter there is
		}
		answered++
		for _, s := range b.out.Samples {
			if math.Abs(s.Value-want) <= 1e-6 {
				return
			}
		}
		t.Errorf("%s: got %s, want %g", name, b.text(), want)
	}
	for _, v := range vectortest.Load(t, "obd_pid") {
		var in string
		var want struct{ Value float64 }
		v.Decode(t, &in, &want)
		check(v.Name, in, want.Value)
	}
	for _, v := range vectortest.Load(t, "obd.pid") {
		var in struct{ Response string }
		var want struct{ Value float64 }
		v.Decode(t, &in, &want)
		check(v.Name, in.Response, want.Value)
	}
	if answered < 20 {
		t.Errorf("only %d of the cases are in the library", answered)
	}
}
