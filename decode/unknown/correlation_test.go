package unknown

import (
	"math"
	"strings"
	"testing"
	"time"

	"gearwitness/capture"
	"gearwitness/decode"
	"gearwitness/signals"
)

// In the demonstration's traffic the signals themselves must be what moves with
// them best, with the scaling their vehicle file gives.
func TestFindsASignalByItsMovement(t *testing.T) {
	file, frames := drive(t, 60*time.Second)
	plan, err := decode.Compile(file)
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		signal string
		id     uint32
		want   Field
		scale  float64
		offset float64
	}{
		{"engine_speed", 0x110, Field{Kind: Value, Byte: 1, Bit: 1, Bits: 16}, 0.25, 0},
		{"output_speed", 0x1A4, Field{Kind: Value, Byte: 5, Bit: 1, Bits: 16}, 0.25, 0},
		{"vehicle_speed", 0x2D0, Field{Kind: Value, Byte: 1, Bit: 1, Bits: 16}, 0.01, 0},
		{"oil_outlet", 0x18FF3E21, Field{Kind: Value, Byte: 3, Bit: 1, Bits: 16}, 0.1, -50},
	} {
		d := plan.NewDecoder()
		d.Channels([]capture.Channel{{Name: "powertrain"}})
		signal := plan.Table().Index(c.signal)
		co := NewCorrelation(c.signal, plan.Table().Signals[signal].Unit)
		var out decode.Output
		for i := range frames {
			out.Reset()
			d.Frame(&frames[i], &out)
			for _, s := range out.Samples {
				if s.Signal == signal && s.Status == decode.Valid {
					co.Reference(s.Time, s.Value)
				}
			}
			co.Frame(&frames[i])
		}
		report := co.Report(5, nil)
		found := false
		for _, m := range report {
			// Others may move just as well: road speed with output speed. A value
			// that was never negative fits with and without a sign.
			if m.ID == c.id && m.Field == c.want && m.Score > 0.999 && math.Abs(m.Resolution-c.scale) < 1e-12 && math.Abs(m.Offset-c.offset) <= 1 {
				found = true
			}
		}
		if !found {
			t.Errorf("%s: not among %+v", c.signal, report)
		}
		text := "format: 1\nvehicle: {title: guessed}\nbuses: {powertrain: {bitrate: 500 kbit/s}}\nframes:\n" + report[0].Definition("powertrain")
		if f, problems := signals.Parse("guessed.yaml", []byte(text), nil); f == nil {
			t.Errorf("%v\n%s", problems, text)
		}
	}
}

func TestNoiseMovesWithNothing(t *testing.T) {
	c := NewCorrelation("x", "")
	rnd := noise(7)
	for i := range 5000 {
		at := capture.Stamp(i) * 1e7
		c.Reference(at, math.Sin(float64(i)/100))
		f := capture.Frame{Time: at, ID: 1, Len: 8}
		for j := range 8 {
			f.Data[j] = byte(rnd.next())
		}
		c.Frame(&f)
	}
	if m := c.Report(10, nil); len(m) != 0 {
		t.Errorf("found %+v", m)
	}
}

func TestLikelyResolutions(t *testing.T) {
	for slope, want := range map[float64]float64{
		0.2503: 0.25, -0.1249: -0.125, 0.0999: 0.1, 0.00391: 1.0 / 256, 0.4004: 0.4, 0.0161: 1.0 / 64, 1.99: 2, 0: 1, 1234: 1200, 3.333333: 3.3,
	} {
		if got := likely(slope); math.Abs(got-want) > 1e-9 {
			t.Errorf("%g: got %g, want %g", slope, got, want)
		}
	}
}

// Every form of a field must be found again with the scaling it was made with,
// and what is proposed for it must be a vehicle file that loads and reads it so.
func TestFindsEveryFormOfField(t *testing.T) {
	put := map[string]func(d []byte, v int){
		"start: 3.1, bits: 8":               func(d []byte, v int) { d[2] = byte(v) },
		"start: 3.1, bits: 16":              func(d []byte, v int) { d[2], d[3] = byte(v), byte(v>>8) },
		"start: 3.8, bits: 16, order: big":  func(d []byte, v int) { d[2], d[3] = byte(v>>8), byte(v) },
		"start: 3.1, bits: 12":              func(d []byte, v int) { d[2], d[3] = byte(v), d[3]&0xF0|byte(v>>8)&0x0F },
		"start: 3.5, bits: 12":              func(d []byte, v int) { d[2], d[3] = d[2]&0x0F|byte(v)<<4, byte(v>>4) },
		"start: 3.8, bits: 12, order: big":  func(d []byte, v int) { d[2], d[3] = byte(v>>4), d[3]&0x0F|byte(v)<<4 },
		"start: 3.4, bits: 12, order: big":  func(d []byte, v int) { d[2], d[3] = d[2]&0xF0|byte(v>>8)&0x0F, byte(v) },
		"start: 3.1, bits: 16, number: sig": func(d []byte, v int) { d[2], d[3] = byte(v-2000), byte((v-2000)>>8) },
	}
	for want, write := range put {
		most := 4095
		if strings.Contains(want, "bits: 8") {
			most = 255
		}
		c := NewCorrelation("slip.drum brake", "rpm") // not every signal's name can stand in a file
		rnd := noise(3)
		for i := range 3000 {
			raw := int((math.Sin(float64(i)/170) + 1) / 2 * float64(most))
			at := capture.Stamp(i) * 1e7
			offset := 0.0
			if strings.Contains(want, "sig") {
				offset = -1000
			}
			c.Reference(at, float64(raw)*0.5+offset)
			f := capture.Frame{Time: at, ID: 0x2AB, Len: 6}
			for j := range f.Len {
				f.Data[j] = byte(rnd.next())
			}
			write(f.Data[:], raw)
			c.Frame(&f)
		}
		list := c.Report(10, nil)
		if len(list) != 1 {
			t.Errorf("%s: %d matches, want 1: %+v", want, len(list), list)
			continue
		}
		m := list[0]
		if m.Score < 0.9999 || math.Abs(m.Resolution-0.5) > 1e-9 || math.Abs(m.Offset) > 5 {
			t.Errorf("%s: got score %g, resolution %g, offset %g; want 1, 0.5, 0", want, m.Score, m.Resolution, m.Offset)
		}
		text := m.Definition("")
		if !strings.Contains(text, "{"+want) {
			t.Errorf("%s: got\n%s", want, text)
		}
		loads(t, text)
		loads(t, "  known:\n    id: 0x2AB\n    length: 6\n    signals:\n      first: {start: 1.1, bits: 8}\n"+m.Addition(""))

		// Described in part, it is not proposed again.
		mask := []byte{0, 0, 0, 0xFF}
		if m.Field.Bits == 8 {
			mask = []byte{0, 0, 0x10}
		}
		for _, got := range c.Report(10, func(uint8, uint32, bool) []byte { return mask }) {
			if got.Field == m.Field {
				t.Errorf("%s: found in bits that are described", want)
			}
		}
	}
}

// loads checks that text under frames: makes a vehicle file without mistakes.
func loads(t *testing.T, frames string) *signals.File {
	t.Helper()
	text := "format: 1\nvehicle: {title: guessed}\nbuses: {powertrain: {bitrate: 500 kbit/s}}\nframes:\n" + frames
	f, problems := signals.Parse("guessed.yaml", []byte(text), nil)
	if f == nil {
		t.Errorf("%v\n%s", problems, text)
	}
	return f
}

func TestRows(t *testing.T) {
	var r Rows
	for i := range 200_000 { // 2,000 s of 10 ms
		f := capture.Frame{Time: capture.Stamp(i) * 1e7, ID: 0x18FF0102, Bus: 2, Flags: capture.Extended, Len: 3}
		f.Data[0], f.Data[1], f.Data[2] = byte(i), byte(i>>8), byte(i>>16)
		r.Add(&f)
		r.Add(&capture.Frame{Time: f.Time, ID: 1, Len: 2}) // shorter: not a row
		if i == 300 {
			if got := len(r.AppendTo(nil)); got != 31 {
				t.Errorf("%d rows in 3 s, want 31: one each 100 ms", got)
			}
		}
	}
	list := r.AppendTo(nil)
	if len(list) < MaxRows/2 || len(list) > MaxRows {
		t.Fatalf("%d rows, want %d at most and half of them at least", len(list), MaxRows)
	}
	for i, f := range list {
		if n := int(f.Data[0]) | int(f.Data[1])<<8 | int(f.Data[2])<<16; capture.Stamp(n)*1e7 != f.Time || f.ID != 0x18FF0102 || f.Bus != 2 || f.Flags != capture.Extended || f.Len != 3 {
			t.Fatalf("row %d is %+v", i, f)
		}
		if i > 0 && f.Time.Sub(list[i-1].Time) != rowsLast {
			t.Errorf("row %d comes %v after the one before, want %v", i, f.Time.Sub(list[i-1].Time), rowsLast)
		}
	}
	if last := list[len(list)-1].Time; last < 1998e9 {
		t.Errorf("the newest row is of %v", last)
	}
	f := capture.Frame{Time: 3000e9, ID: 0x18FF0102, Len: 3}
	if n := testing.AllocsPerRun(1000, func() { f.Time += 16e8; r.Add(&f) }); n != 0 {
		t.Errorf("%g allocations a row, want 0", n)
	}
}
