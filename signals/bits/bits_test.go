package bits

import (
	"encoding/hex"
	"encoding/json"
	"fmt"
	"math"
	"os"
	"testing"

	"pgregory.net/rapid"
)

// reference reads a field one bit at a time straight from the words of the
// notation: walk from the start, bit by bit, and note each bit's weight.
func reference(data []byte, start Pos, width int, order Order) uint64 {
	var raw uint64
	byteNo, bitNo := start.Byte, start.Bit
	for i := range width {
		bit := uint64(data[byteNo-1]>>(bitNo-1)) & 1
		if order == Little { // least significant first, upwards
			raw |= bit << i
			if bitNo++; bitNo > 8 {
				byteNo, bitNo = byteNo+1, 1
			}
		} else { // most significant first, downwards
			raw = raw<<1 | bit
			if bitNo--; bitNo < 1 {
				byteNo, bitNo = byteNo+1, 8
			}
		}
	}
	return raw
}

func drawField(t *rapid.T) (Pos, int, Order, Field) {
	start := Pos{rapid.IntRange(1, MaxData).Draw(t, "byte"), rapid.IntRange(1, 8).Draw(t, "bit")}
	order := Order(rapid.IntRange(0, 1).Draw(t, "order"))
	room := 8*(MaxData-start.Byte) + 9 - start.Bit
	if order == Big {
		room = 8*(MaxData-start.Byte) + start.Bit
	}
	width := rapid.IntRange(1, min(64, room)).Draw(t, "width")
	f, err := New(start, width, order)
	if err != nil {
		t.Fatalf("New(%v, %d, %d): %v", start, width, order, err)
	}
	return start, width, order, f
}

func TestReadsLikeTheBitByBitReference(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		start, width, order, f := drawField(t)
		var data [MaxData]byte
		copy(data[:], rapid.SliceOfN(rapid.Byte(), MaxData, MaxData).Draw(t, "data"))
		want := reference(data[:], start, width, order)
		if got := f.Load(&data); got != want {
			t.Errorf("Load: got %#x, want %#x", got, want)
		}
		if w := f.Window(); !f.Wide() && w.Load(&data) != want || f.Wide() && w.Load(&data) != 0 {
			t.Errorf("Window: got %#x, want %#x, or 0 for a wide field", w.Load(&data), want)
		}
		short := data[:f.Need()]
		if got, ok := f.Uint(short); !ok || got != want {
			t.Errorf("Uint: got %#x, %v, want %#x", got, ok, want)
		}
		if _, ok := f.Uint(short[:len(short)-1]); ok {
			t.Errorf("Uint reads a field that the data do not hold")
		}
		signed := int64(want)
		if width < 64 && want>>(width-1) == 1 {
			signed -= 1 << width // two's complement by its definition
		}
		if got, _ := f.Int(short); got != signed {
			t.Errorf("Int: got %d, want %d", got, signed)
		}
	})
}

func TestInsertThenExtractIsTheIdentity(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		start, width, order, f := drawField(t)
		before := rapid.SliceOfN(rapid.Byte(), f.Need(), MaxData).Draw(t, "data")
		raw := rapid.Uint64().Draw(t, "raw")
		after := append([]byte(nil), before...)
		if !f.Put(after, raw) {
			t.Fatal("Put refuses data long enough")
		}
		if got, want := reference(after, start, width, order), raw&f.Max(); got != want {
			t.Errorf("read back %#x, want %#x", got, want)
		}
		mask := f.Mask()
		ones := 0
		for i := range after {
			if (before[i]^after[i])&^mask[i] != 0 {
				t.Errorf("byte %d: bits outside the field changed: %02x became %02x, mask %02x", i+1, before[i], after[i], mask[i])
			}
		}
		for _, m := range mask {
			for ; m != 0; m &= m - 1 {
				ones++
			}
		}
		if ones != width {
			t.Errorf("mask has %d bits, want %d", ones, width)
		}
		if f.Put(after[:f.Need()-1], raw) {
			t.Errorf("Put writes a field that the data do not hold")
		}
	})
}

func TestFloats(t *testing.T) {
	f32, _ := New(Pos{1, 8}, 32, Big)
	// IEEE 754 binary32: 40490FDB is the nearest to pi; 7FC00000 a quiet NaN.
	if v, ok := f32.Float([]byte{0x40, 0x49, 0x0F, 0xDB}); !ok || v != float64(float32(math.Pi)) {
		t.Errorf("40490FDB: got %v, %v", v, ok)
	}
	if v, _ := f32.Float([]byte{0x7F, 0xC0, 0, 0}); !math.IsNaN(v) {
		t.Errorf("7FC00000: got %v, want NaN", v)
	}
	f64, _ := New(Pos{1, 1}, 64, Little)
	if v, ok := f64.Float([]byte{0x18, 0x2D, 0x44, 0x54, 0xFB, 0x21, 0x09, 0x40}); !ok || v != math.Pi {
		t.Errorf("400921FB54442D18: got %v, %v", v, ok)
	}
	f16, _ := New(Pos{1, 1}, 16, Little)
	if _, ok := f16.Float([]byte{0, 0}); ok {
		t.Error("a 16-bit field read as a float")
	}
}

func TestNewRefuses(t *testing.T) {
	for _, c := range []struct {
		start Pos
		width int
		order Order
	}{
		{Pos{0, 1}, 8, Little}, {Pos{65, 1}, 8, Little}, {Pos{1, 0}, 8, Little}, {Pos{1, 9}, 8, Little},
		{Pos{1, 1}, 0, Little}, {Pos{1, 1}, 65, Little}, {Pos{64, 2}, 8, Little}, {Pos{64, 7}, 8, Big},
	} {
		if f, err := New(c.start, c.width, c.order); err == nil {
			t.Errorf("New(%v, %d, %d) = %+v; want an error", c.start, c.width, c.order, f)
		}
	}
}

// vectors reads the cases of one kind from testdata/vectors.json; each names
// its source.
func TestVectors(t *testing.T) {
	text, err := os.ReadFile("testdata/vectors.json")
	if err != nil {
		t.Fatal(err)
	}
	var cases []struct {
		ID string
		In struct {
			Data, Start, Order string
			Bits               int
		}
		Want struct{ Raw uint64 }
	}
	if err := json.Unmarshal(text, &cases); err != nil {
		t.Fatal(err)
	}
	if len(cases) < 10 {
		t.Fatalf("only %d cases", len(cases))
	}
	for _, c := range cases {
		data, err := hex.DecodeString(c.In.Data)
		if err != nil {
			t.Fatal(err)
		}
		var start Pos
		fmt.Sscanf(c.In.Start, "%d.%d", &start.Byte, &start.Bit)
		order := map[string]Order{"little": Little, "big": Big}[c.In.Order]
		f, err := New(start, c.In.Bits, order)
		if err != nil {
			t.Errorf("%s: %v", c.ID, err)
			continue
		}
		if got, ok := f.Uint(data); !ok || got != c.Want.Raw {
			t.Errorf("%s: %+v: got %d, want %d", c.ID, c.In, got, c.Want.Raw)
		}
	}
}

func TestNoAllocations(t *testing.T) {
	var data [MaxData]byte
	narrow, _ := New(Pos{2, 5}, 13, Big)
	wide, _ := New(Pos{2, 5}, 64, Little)
	var sink uint64
	if n := testing.AllocsPerRun(100, func() {
		sink += narrow.Load(&data) + wide.Load(&data)
		narrow.Put(data[:], sink)
	}); n != 0 {
		t.Errorf("%v allocations a field, want 0", n)
	}
}

func BenchmarkLoad(b *testing.B) {
	for _, c := range []struct {
		name  string
		start Pos
		width int
		order Order
	}{
		{"order=little/bits=16", Pos{3, 1}, 16, Little},
		{"order=big/bits=13", Pos{3, 4}, 13, Big},
		{"order=little/bits=64/nine-bytes", Pos{3, 4}, 64, Little},
	} {
		b.Run(c.name, func(b *testing.B) {
			f, err := New(c.start, c.width, c.order)
			if err != nil {
				b.Fatal(err)
			}
			var data [MaxData]byte
			var sink uint64
			b.ReportAllocs()
			for b.Loop() {
				sink += f.Load(&data)
			}
			b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "fields/s")
			_ = sink
		})
	}
}
