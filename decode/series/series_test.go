package series

import (
	"math"
	"testing"

	"gearwitness/capture"
)

func TestLinear(t *testing.T) {
	r := NewRing(1000)
	r.Push(100, 1)
	r.Push(200, 3)
	r.Push(300, math.NaN())
	r.Push(400, 7)
	for _, c := range []struct {
		at, horizon, gap capture.Stamp
		want             float64
		ok               bool
	}{
		{99, 1000, 1000, 0, false},  // before the first
		{100, 1000, 1000, 1, true},  // on an entry
		{150, 1000, 1000, 2, true},  // half way
		{150, 200, 1000, 0, false},  // the neighbour has not arrived at the horizon
		{150, 201, 1000, 2, true},   // it has
		{150, 1000, 99, 0, false},   // too long a way
		{250, 1000, 1000, 0, false}, // towards an entry without value
		{300, 1000, 1000, 0, false}, // on it
		{350, 1000, 1000, 0, false}, // from it
		{400, 1000, 1000, 7, true},  // after it
		{401, 1000, 1000, 0, false}, // beyond the last
	} {
		if v, ok := r.Linear(c.at, c.horizon, c.gap); v != c.want || ok != c.ok {
			t.Errorf("at %d before %d over at most %d: %g %v, expected %g %v", c.at, c.horizon, c.gap, v, ok, c.want, c.ok)
		}
	}
}

func TestHold(t *testing.T) {
	r := NewRing(1000)
	r.Push(100, 1)
	r.Push(200, 2)
	r.Push(200, 3) // the later of one time counts
	r.Push(150, 9) // time moves forwards only
	r.Push(300, math.NaN())
	for _, c := range []struct {
		at, age capture.Stamp
		want    float64
		ok      bool
	}{
		{99, 0, 0, false}, {100, 0, 1, true}, {199, 100, 1, true}, {199, 99, 0, false}, {200, 1, 3, true}, {299, 0, 3, true}, {300, 0, 0, false}, {9999, 0, 0, false},
	} {
		if v, ok := r.Hold(c.at, c.age); v != c.want || ok != c.ok {
			t.Errorf("at %d, age %d: %g %v, expected %g %v", c.at, c.age, v, ok, c.want, c.ok)
		}
	}
	if at, ok := r.HeldSince(250); at != 200 || !ok {
		t.Errorf("held since %d %v, expected 200", at, ok)
	}
}

// Whatever is asked for, the answer is that of looking at every entry.
func TestHoldFindsTheEntryAtAnyDistance(t *testing.T) {
	r := NewRing(1 << 40)
	for n := range capture.Stamp(150) {
		r.Push(10*n, float64(n))
		for at := capture.Stamp(-5); at <= 10*n+5; at += 5 {
			want, there := 0.0, false
			for i := range n + 1 {
				if 10*i <= at {
					want, there = float64(i), true
				}
			}
			if v, ok := r.Hold(at, 0); ok != there || v != want {
				t.Fatalf("of %d entries 10 apart the one at %d is %v, %v, want %v, %v", n+1, at, v, ok, want, there)
			}
		}
	}
}

// The ring keeps what lies within its time and no more than its bound.
func TestRingKeeps(t *testing.T) {
	r := NewRing(1000)
	for i := range capture.Stamp(5000) {
		r.Push(i, float64(i))
		if i >= 1000 {
			if v, ok := r.Hold(i-999, 0); !ok || v != float64(i-999) {
				t.Fatalf("after %d: the value 999 ago is %g %v", i, v, ok)
			}
		}
	}
	if r.Len() > 2048 {
		t.Errorf("%d values kept for a time of 1,000", r.Len())
	}
	endless := NewRing(1 << 40)
	for i := range capture.Stamp(20000) {
		endless.Push(i, 0)
	}
	if endless.Len() != maxLen {
		t.Errorf("%d values kept, expected the bound of %d", endless.Len(), maxLen)
	}
}

func TestThin(t *testing.T) {
	at := []capture.Stamp{0, 1, 2, 10, 11, 35}
	v := []float64{5, -1, 3, 2, 2, 9}
	got := Thin(nil, at, v, 0, 10, 4)
	want := []Bin{{Start: 0, Min: -1, Max: 5, First: 5, Last: 3, N: 3}, {Start: 10, Min: 2, Max: 2, First: 2, Last: 2, N: 2}, {Start: 30, Min: 9, Max: 9, First: 9, Last: 9, N: 1}}
	if len(got) != len(want) {
		t.Fatalf("%d bins, expected %d: %v", len(got), len(want), got)
	}
	for i := range want {
		if got[i] != want[i] {
			t.Errorf("bin %d is %+v, expected %+v", i, got[i], want[i])
		}
	}
	if got := Thin(nil, at, v, 2, 10, 1); len(got) != 1 || got[0].N != 3 {
		t.Errorf("one bin of 2 to 12: %+v", got)
	}
}

func TestNoAllocation(t *testing.T) {
	r := NewRing(1000)
	var at capture.Stamp
	for range 5000 {
		at += 10
		r.Push(at, 1)
	}
	if n := testing.AllocsPerRun(1000, func() {
		at += 10
		r.Push(at, 1)
		r.Linear(at-25, at+1, 100)
		r.Hold(at-25, 0)
	}); n != 0 {
		t.Errorf("%g allocations", n)
	}
}

func BenchmarkRing(b *testing.B) {
	r := NewRing(300e6)
	var at capture.Stamp
	for b.Loop() {
		at += 10e6
		r.Push(at, 1)
		r.Linear(at-25e6, at+1, 100e6)
	}
}
