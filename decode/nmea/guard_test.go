package nmea

import (
	"context"
	"io"
	"slices"
	"testing"

	"gearwitness/capture"
)

// lines is a source of text lines, one batch.
type lines []capture.Line

func (l lines) Next(_ context.Context, b *capture.Batch) error {
	b.Lines = append(b.Lines, l...)
	return io.EOF
}

func (lines) Close() error { return nil }

// Positions go out of every line; a channel is named once, and once more after they
// were allowed in between. The sentence is a published example (NMEA 0183, GLL).
func TestGuard(t *testing.T) {
	const whole, blank, other = "$GPGLL,4916.45,N,12311.12,W,225444,A*31", "$GPGLL,,,,,225444,A*10", "temperature 90"
	var g Guard
	take := func(want []uint8, ports ...uint8) {
		t.Helper()
		var list []capture.Line
		for _, p := range ports {
			list = append(list, capture.Line{Port: p, Text: whole}, capture.Line{Port: p, Text: other})
		}
		if got := g.Take(list); !slices.Equal(got, want) {
			t.Errorf("first on channels %v, want %v", got, want)
		}
		for i, l := range list {
			if want := []string{blank, other}[i%2]; l.Text != want {
				t.Errorf("line %q, want %q", l.Text, want)
			}
		}
	}
	take([]uint8{1, 255}, 1, 255, 1)
	take(nil, 1)
	g.Allow()
	take([]uint8{1}, 1)
	if a, b, c := g.Held(1), g.Held(255), g.Held(0); a != 4 || b != 1 || c != 0 {
		t.Errorf("held %d, %d and %d lines, want 4, 1 and 0", a, b, c)
	}

	// A source guards what it adds, and not what was there before.
	b := capture.Batch{Lines: []capture.Line{{Text: whole}}}
	if err := Guarded(lines{{Text: whole}}).Next(t.Context(), &b); err != io.EOF || b.Lines[0].Text != whole || b.Lines[1].Text != blank {
		t.Errorf("guarded: %v, %+v", err, b.Lines)
	}
}
