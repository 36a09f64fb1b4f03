package decode

import (
	"math"
	"testing"

	"gearwitness/capture"
	"gearwitness/decode/j1939"
	"gearwitness/signals"

	"pgregory.net/rapid"
)

// drawSignal draws a signal of whole numbers, near the first byte of the data,
// with or without a range and missing values.
func drawSignal(t *rapid.T) signals.Signal {
	s := signals.Signal{
		Start:      signals.BitPos{Byte: rapid.IntRange(1, 3).Draw(t, "byte"), Bit: rapid.IntRange(1, 8).Draw(t, "bit")},
		Bits:       rapid.OneOf(rapid.IntRange(1, 12), rapid.IntRange(1, 64)).Draw(t, "bits"),
		Order:      rapid.SampledFrom([]signals.Order{signals.Little, signals.Big}).Draw(t, "order"),
		Number:     rapid.SampledFrom([]signals.Number{signals.Unsigned, signals.Signed}).Draw(t, "number"),
		Resolution: rapid.SampledFrom([]float64{0, 1, 0.25, 0.1, -0.5, 3e-7, 1e300}).Draw(t, "resolution"),
		Offset:     rapid.SampledFrom([]float64{0, -40, 1e9, 0.1}).Draw(t, "offset"),
	}
	if rapid.Bool().Draw(t, "has a range") {
		low := rapid.Float64Range(-300, 300).Draw(t, "low")
		s.Range = &signals.Range{Low: low, High: low + rapid.Float64Range(0, 300).Draw(t, "width")}
	}
	for range rapid.IntRange(0, 2).Draw(t, "missing") {
		low := rapid.OneOf(rapid.Int64Range(-20, 260), rapid.Int64()).Draw(t, "from")
		s.Missing = append(s.Missing, signals.RawRange{Low: low, High: max(low, low+rapid.Int64Range(0, 3).Draw(t, "to"))})
	}
	return s
}

func drawData(t *rapid.T) (f capture.Frame) {
	copy(f.Data[:], rapid.SliceOfN(rapid.SampledFrom([]byte{0, 1, 2, 0x7F, 0x80, 0xF9, 0xFA, 0xFB, 0xFE, 0xFF, 0x55}), 16, 16).Draw(t, "data"))
	return f
}

// The short way of decoding a field must say what the thorough one says.
func TestShortWayAgreesWithTheThoroughOne(t *testing.T) {
	short, thorough := 0, 0
	rapid.Check(t, func(t *rapid.T) {
		s := signals.Entry[signals.Signal]{Name: "s", V: drawSignal(t)}
		fl, err := compileField(&s, rapid.Bool().Draw(t, "sae"))
		if err != nil {
			t.Fatal(err)
		}
		f := drawData(t)
		raw, good := fl.read(&f.Data)
		if !good {
			thorough++
			return
		}
		short++
		want := fl.sample(&f)
		if got := fl.value(float64(int64(raw))); want.Status != Valid || math.Float64bits(got) != math.Float64bits(want.Value) {
			t.Errorf("got %v, want %+v", got, want)
		}
	})
	if short < thorough/10 || thorough < short/10 {
		t.Errorf("drew %d of the short and %d of the thorough way: one is hardly tested", short, thorough)
	}
}

// Nearly all values must go the short way: it leaves out only what lies outside
// the range, and what missing values cut off.
func TestShortWayTakesEveryValue(t *testing.T) {
	s := signals.Entry[signals.Signal]{Name: "s", V: signals.Signal{
		Start: signals.BitPos{Byte: 1, Bit: 1}, Bits: 16, Number: signals.Signed, Resolution: 0.25, Offset: -10,
		Range: &signals.Range{Low: -100, High: 200}, Missing: []signals.RawRange{{Low: -0x8000, High: -0x8000}, {Low: -360, High: -359}},
	}}
	fl, err := compileField(&s, false)
	if err != nil {
		t.Fatal(err)
	}
	// -100 = raw * 0.25 - 10 at raw -360, of which two are missing; 200 at 840.
	for raw, want := range map[int16]bool{-361: false, -359: false, -358: true, -1: true, 0: true, 840: true, 841: false, -0x8000: false} {
		var f capture.Frame
		f.Data[0], f.Data[1] = byte(raw), byte(uint16(raw)>>8)
		if _, good := fl.read(&f.Data); good != want {
			t.Errorf("raw %d: short way %v, want %v", raw, good, want)
		}
	}
}

func TestConditionsAgreeWithTheirDefinition(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := drawSignal(t)
		var values []signals.RawRange
		for range rapid.IntRange(0, 3).Draw(t, "values") {
			low := rapid.Int64Range(-130, 260).Draw(t, "from")
			values = append(values, signals.RawRange{Low: low, High: low + rapid.Int64Range(-1, 100).Draw(t, "to")})
		}
		c := newCondition(s.Field(), &s, values)
		f := drawData(t)
		field := s.Field()
		if got, want := c.holds(&f.Data), within(s.Raw(field.Load(&f.Data)), values); got != want {
			t.Errorf("got %v, want %v for raw %d in %v", got, want, s.Raw(field.Load(&f.Data)), values)
		}
	})
}

// The highest raw value that is a value, by SAE J1939-71: FA and what follows it up to
// FA FF FF .., from memory; of up to 8 bits, as the classes of raw values have it. The
// next one means something else.
func TestHighestValueOfSAE(t *testing.T) {
	for bits, want := range map[int]uint64{2: 1, 4: 0xD, 8: 0xFA, 16: 0xFAFF, 32: 0xFAFFFFFF} {
		if got := highest(bits); got != want {
			t.Errorf("%d bits: %#x, want %#x", bits, got, want)
		}
	}
	for bits := 2; bits <= 63; bits++ {
		h := highest(bits)
		if q := j1939.Classify(h, bits); q != j1939.Value {
			t.Errorf("%d bits: %#x is %v, want a value", bits, h, q)
		}
		if q := j1939.Classify(h+1, bits); q == j1939.Value {
			t.Errorf("%d bits: %#x is a value too", bits, h+1)
		}
	}
}
