package unknown

import (
	"math"
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
		report := co.Report(5)
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
	if m := c.Report(10); len(m) != 0 {
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
