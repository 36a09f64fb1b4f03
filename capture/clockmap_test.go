package capture

import (
	"testing"
	"time"
)

// TestClockMap reads a device whose clock runs 100 ppm slow in whole
// milliseconds, with a delay of 0 to 7 ms: after the first windows the mapped
// time must stay within 4 ms of the true one, without the delay: 1 ms for the
// whole milliseconds, 2 ms for the drift of two windows, and 1 ms to spare.
func TestClockMap(t *testing.T) {
	var m ClockMap
	var worst time.Duration
	var last Stamp
	for i := range 36_000 {
		truth := time.Duration(i) * 100 * time.Millisecond
		elapsed := (truth - truth/10_000).Truncate(time.Millisecond)
		delay := time.Duration((i*37+7)%8) * time.Millisecond
		got := m.At(elapsed, Stamp(truth+delay))
		if truth > 30*time.Second {
			worst = max(worst, got.Sub(Stamp(truth)).Abs())
		}
		if got <= last && i > 0 {
			t.Fatalf("time steps back at %v", truth)
		}
		last = got
	}
	if worst > 4*time.Millisecond {
		t.Errorf("an hour mapped with an error of up to %v, want at most 4 ms", worst)
	}
}

// TestClockMapKeepsSpacing reads three moments at once, as they come in one
// packet: they stay apart, but for the thousandth that corrects the offset.
func TestClockMapKeepsSpacing(t *testing.T) {
	var m ClockMap
	const host = Stamp(1e18)
	a, b, c := m.At(500*time.Millisecond, host), m.At(520*time.Millisecond, host), m.At(525*time.Millisecond, host)
	if d := b.Sub(a); a != host || (d-20*time.Millisecond).Abs() > 20*time.Microsecond {
		t.Errorf("got %v and %v, want 20 ms", a.Sub(host), d)
	}
	if d := c.Sub(b); (d - 5*time.Millisecond).Abs() > 5*time.Microsecond {
		t.Errorf("got %v, want 5 ms", d)
	}
}
