package unknown

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"strings"
	"testing"
	"time"

	"gearwitness/capture"
	"gearwitness/decode/van"
	"gearwitness/signals"
	"gearwitness/signals/checksum"
)

// drive returns the demonstration's vehicle file, which these tests use as the
// truth, and some of its traffic.
func drive(t testing.TB, d time.Duration) (*signals.File, []capture.Frame) {
	t.Helper()
	f, found := signals.Parse("van.yaml", signals.Van(), nil)
	if f == nil {
		t.Fatal(found)
	}
	src, err := van.Open(context.Background(), van.Options{Seed: 7, For: d}, f, nil)
	if err != nil {
		t.Fatal(err)
	}
	defer src.Close()
	var all capture.Batch
	for {
		if err := src.Next(context.Background(), &all); errors.Is(err, io.EOF) {
			return f, all.Frames
		} else if err != nil {
			t.Fatal(err)
		}
	}
}

func TestFindsWhatTheVanIsKnownToSend(t *testing.T) {
	file, frames := drive(t, 90*time.Second)
	s := New()
	for i := range frames {
		s.Frame(&frames[i])
	}
	byID := make(map[uint32]ID)
	for _, id := range s.Report(nil) {
		byID[id.ID] = id
	}
	for _, e := range file.Frames {
		id, ok := byID[*e.V.ID]
		if !ok {
			t.Errorf("%s never came", e.Name)
			continue
		}
		if d := id.Period - e.V.Every; math.Abs(float64(d)) > 0.02*float64(e.V.Every) {
			t.Errorf("%s every %v, want %v", e.Name, id.Period, e.V.Every)
		}
		has := func(want Field) bool {
			for _, f := range id.Fields {
				if f.Flips = 0; f == want {
					return true
				}
			}
			return false
		}
		if c := e.V.Counter; c != nil && !has(Field{Kind: Counter, Byte: c.Start.Byte, Bit: c.Start.Bit, Bits: c.Bits}) {
			t.Errorf("%s: no counter in %+v", e.Name, id.Fields)
		}
		if c := e.V.Checksum; c != nil && !has(Field{Kind: Check, Byte: c.Byte, Bit: 1, Bits: 8, Check: c.Kind}) {
			t.Errorf("%s: no check byte in %+v", e.Name, id.Fields)
		}
	}
	// Wide values that move all through a drive, in both byte orders.
	for _, c := range []struct {
		id   uint32
		want Field
	}{
		{0x110, Field{Kind: Value, Byte: 1, Bit: 1, Bits: 16}},
		{0x1A4, Field{Kind: Value, Byte: 1, Bit: 1, Bits: 16}},
		{0x2D0, Field{Kind: Value, Byte: 1, Bit: 1, Bits: 16}},
	} {
		ok := false
		for _, f := range byID[c.id].Fields {
			f.Flips = 0
			ok = ok || f == c.want
		}
		if !ok {
			t.Errorf("%X: no %+v in %+v", c.id, c.want, byID[c.id].Fields)
		}
	}
}

// noise is a small generator with a fixed seed (Numerical Recipes' constants,
// from memory; any would do).
type noise uint32

func (n *noise) next() uint32 {
	*n = *n*1664525 + 1013904223
	return uint32(*n) >> 8
}

func TestKindsOfFields(t *testing.T) {
	s := New()
	rnd := noise(1)
	value := 20000.0
	for i := range 2000 {
		value += float64(rnd.next()%201) - 100
		v := uint16(value)
		f := capture.Frame{Time: capture.Stamp(i) * 20e6, ID: 0x18FF0102, Flags: capture.Extended, Len: 8}
		f.Data[0], f.Data[1] = byte(v>>8), byte(v) // a big-endian value
		f.Data[2] = 0x5A                           // fixed
		f.Data[3] = byte(i/100%2) | 0x40           // a flag and a bit that never moves
		f.Data[4] = byte(i)                        // a counter
		f.Data[5] = byte(rnd.next()%15)<<4 | byte(i%15)
		s.Frame(&f)
	}
	report := s.Report(nil)
	if len(report) != 1 || report[0].Count != 2000 || report[0].Period != 20*time.Millisecond {
		t.Fatalf("%+v", report)
	}
	want := []string{"value 1.8 16 big", "fixed 3.1 8", "flag 4.1 1", "counter 5.1 8", "counter 6.1 4", "value 6.5 4", "fixed 7.1 8", "fixed 8.1 8"}
	var got []string
	for _, f := range report[0].Fields {
		text := fmt.Sprintf("%v %d.%d %d", f.Kind, f.Byte, f.Bit, f.Bits)
		if f.Big {
			text += " big"
		}
		if f.Kind != Fixed || f.Bits == 8 {
			got = append(got, text)
		}
	}
	if strings.Join(got, ", ") != strings.Join(want, ", ") {
		t.Errorf("got  %v\nwant %v", got, want)
	}
}

// A byte is cut where the order of flip rates begins anew: within a number a bit flips
// at most twice as often as the next lower one, so that a rate below half of that of
// the bit above is another number's highest; bits that never move are the top of
// what follows. Rates are per 1,000 frames, the highest bit first.
func TestRuns(t *testing.T) {
	for _, c := range []struct {
		rates [8]uint32
		taken byte
		want  string
	}{
		{[8]uint32{1, 2, 4, 8, 16, 32, 64, 128}, 0, "7-0"},
		{[8]uint32{100, 200, 400, 800, 100, 200, 400, 800}, 0, "7-4 3-0"},
		{[8]uint32{100, 200, 400, 800, 400, 401, 402, 403}, 0, "7-0"}, // half, not less
		{[8]uint32{100, 200, 400, 800, 399, 401, 402, 403}, 0, "7-4 3-0"},
		{[8]uint32{0, 0, 0, 1, 2, 4, 8, 16}, 0, "7-0"},
		{[8]uint32{0, 0, 0, 0, 0, 0, 0, 0}, 0, "7-0"},
		{[8]uint32{100, 200, 0, 0, 1, 2, 4, 8}, 0, "7-6 5-0"},
		{[8]uint32{100, 200, 0, 0, 0, 0, 0, 0}, 0, "7-6 5-0"},
		{[8]uint32{1, 2, 4, 8, 16, 32, 64, 128}, 0x0F, "7-4"},
		{[8]uint32{1, 2, 4, 8, 16, 32, 64, 128}, 0x18, "7-5 2-0"},
		{[8]uint32{1, 2, 4, 8, 16, 32, 64, 128}, 0xFF, ""},
	} {
		tr := &Traffic{count: 1001, length: 2, flips: make([]uint32, 16)}
		for i, r := range c.rates {
			tr.flips[8+7-i] = r
		}
		var got []string
		for _, r := range tr.runs(1, c.taken) {
			if r.byteNo != 1 {
				t.Errorf("%v: a run of byte %d", c.rates, r.byteNo)
			}
			got = append(got, fmt.Sprintf("%d-%d", r.high, r.low))
		}
		if text := strings.Join(got, " "); text != c.want {
			t.Errorf("rates %v, taken %08b: %s, want %s", c.rates, c.taken, text, c.want)
		}
	}
}

// What is proposed must be a vehicle file that loads, whatever came.
func TestDefinitionsLoad(t *testing.T) {
	_, frames := drive(t, 20*time.Second)
	s := New()
	for i := range frames {
		s.Frame(&frames[i])
	}
	text := ""
	for _, id := range s.Report(nil) {
		text += id.Definition("powertrain")
	}
	loads(t, text)
}

// Two counters, two check bytes, one identifier on two buses and with 11 and 29
// bits, odd lengths, CAN FD, periods below a millisecond and above an hour: all
// of it pasted into one file.
func TestOddDefinitionsLoad(t *testing.T) {
	s := New()
	rnd := noise(5)
	for i := range 400 {
		for k := range 6 {
			f := capture.Frame{Time: capture.Stamp(i) * 150e3, ID: 0x123, Bus: uint8(k % 2), Len: 8}
			switch k {
			case 2, 3:
				f.Flags = capture.Extended
			case 4:
				f.ID, f.Flags, f.Len, f.Time = 0x124, capture.FD, 24, capture.Stamp(i)*4000e9
			case 5:
				f.ID, f.Len = 0x125, uint8(i%2) // empty, and one byte
			}
			for j := range f.Len {
				f.Data[j] = byte(rnd.next())
			}
			f.Data[0] = byte(i)
			if f.Len >= 8 {
				f.Data[1] = byte(i + 7)
				kind, _ := checksum.Lookup("xor")
				f.Data[3], f.Data[5] = 0, 0
				f.Data[3] = kind.Sum(f.Data[:f.Len], 3)
			}
			s.Frame(&f)
		}
	}
	report := s.Report(nil)
	if len(report) != 6 {
		t.Fatalf("%d identifiers, want 6", len(report))
	}
	text := "format: 1\nvehicle: {title: guessed}\nbuses: {body: {}, \"front left\": {}}\nframes:\n"
	for _, id := range report {
		text += id.Definition([]string{"body", "front left"}[id.Channel])
	}
	if f, problems := signals.Parse("guessed.yaml", []byte(text), nil); f == nil {
		t.Errorf("%v\n%s", problems, text)
	}
}

// Bits that are described are left alone; the rest of the frame can be pasted
// into it.
func TestWhatIsDescribedIsLeftOut(t *testing.T) {
	file, frames := drive(t, 30*time.Second)
	s := New()
	for i := range frames {
		s.Frame(&frames[i])
	}
	all := s.Report(func(_ uint8, id uint32, _ bool) []byte {
		if id == 0x110 {
			return []byte{0xFF, 0xFF, 0xFF, 0xFF} // engine_speed and engine_torque
		}
		return bytes.Repeat([]byte{0xFF}, 8)
	})
	for _, id := range all {
		if id.ID != 0x110 {
			if len(id.Fields) > 0 || id.Moves() || id.Additions("") != "" {
				t.Errorf("%X is described and has %+v", id.ID, id.Fields)
			}
			continue
		}
		for _, f := range id.Fields {
			if f.Byte < 5 {
				t.Errorf("%+v lies in bits that are described", f)
			}
		}
		add := id.Additions("")
		if !id.Moves() || !strings.Contains(add, "counter: {start: 8.1, bits: 4}") || !strings.Contains(add, "checksum: {kind: crc8-sae-j1850, byte: 7}") || !strings.Contains(add, "{start: 5.1, bits: 8}") {
			t.Errorf("proposed:\n%s", add)
		}
		loads(t, "  engine:\n    id: 0x110\n"+add)
	}
	if got := file.Frames.Index("engine"); got < 0 {
		t.Error("the demonstration has no frame engine")
	}
}

func TestTrafficAllocates(t *testing.T) {
	var tr Traffic
	f := capture.Frame{ID: 1, Len: 8}
	next := func() {
		f.Time += 1e7
		f.Data[0]++
		tr.Add(&f)
	}
	for range 2 * Kept {
		next()
	}
	if n := testing.AllocsPerRun(1000, next); n != 0 {
		t.Errorf("%g allocations a frame, want 0", n)
	}
}

func BenchmarkTraffic(b *testing.B) {
	_, frames := drive(b, 10*time.Second)
	s := New()
	i := 0
	for b.Loop() {
		s.Frame(&frames[i%len(frames)])
		i++
	}
	b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "frames/s")
}

func TestIdentifiersAreBounded(t *testing.T) {
	s := New()
	for i := range uint32(MaxIDs + 10) {
		s.Frame(&capture.Frame{ID: i, Flags: capture.Extended, Len: 1})
	}
	if len(s.Report(nil)) != MaxIDs || s.Missed() != 10 {
		t.Errorf("%d listed, %d missed", len(s.Report(nil)), s.Missed())
	}
}

func FuzzStatistics(f *testing.F) {
	f.Add([]byte{8, 1, 2, 3, 4, 5, 6, 7, 8, 3, 1, 2, 3, 0, 2, 9, 9})
	f.Fuzz(func(t *testing.T, stream []byte) {
		s, c := New(), NewCorrelation("x", "")
		for n := range 3 * fewest {
			rest := stream
			for len(rest) > 0 {
				frame := capture.Frame{Time: capture.Stamp(n) * 1e6, ID: uint32(rest[0] & 0x80)}
				l := min(int(rest[0]&0x7F)%65, len(rest)-1)
				frame.Len = uint8(copy(frame.Data[:], rest[1:1+l]))
				c.Reference(frame.Time, float64(n))
				s.Frame(&frame)
				c.Frame(&frame)
				rest = rest[1+l:]
			}
			if len(stream) > 0 {
				stream[n%len(stream)] += byte(n)
			}
		}
		for _, id := range s.Report(nil) {
			for _, f := range id.Fields {
				if f.Byte < 1 || f.Bit < 1 || f.Bit > 8 || f.Bits < 1 || f.Byte > id.Length {
					t.Fatalf("%+v of %d bytes", f, id.Length)
				}
			}
			id.Definition("")
		}
		c.Report(10, nil)
	})
}
