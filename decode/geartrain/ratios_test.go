package geartrain

import (
	"math"
	"strings"
	"testing"

	"gearwitness/signals"
)

// Figures worked out by hand: 3.6/2.0 = 1.8, 2.0/1.25 = 1.6, 1.25/1.22 = 1.0246,
// spread 3.6/1.22 = 2.9508.
func TestRatios(t *testing.T) {
	tr := &signals.Transmission{Ratios: signals.Named[float64]{{Name: "R", V: -3}, {Name: "1", V: 3.6}, {Name: "2", V: 2}, {Name: "3", V: 1.25}, {Name: "4", V: 1.22}}}
	r := NewRatios(tr)
	want := map[string]float64{"2": 1.8, "3": 1.6, "4": 1.0246}
	for _, g := range r.Gears {
		w, ok := want[g.Gear]
		switch {
		case ok != (g.Step != nil):
			t.Errorf("gear %s: step %v, want one: %v", g.Gear, g.Step, ok)
		case ok && math.Abs(*g.Step-w) > 1e-4:
			t.Errorf("gear %s: step %.4f, want %.4f", g.Gear, *g.Step, w)
		}
	}
	if r.Spread == nil || math.Abs(*r.Spread-2.9508) > 1e-4 {
		t.Errorf("spread %v, want 2.9508", r.Spread)
	}
	if len(r.Warnings) != 1 || !strings.Contains(r.Warnings[0], "gears 3 and 4 are 2.5 % apart") {
		t.Errorf("warnings %q", r.Warnings)
	}
	var b strings.Builder
	if err := r.WriteText(&b); err != nil {
		t.Fatal(err)
	}
	for _, line := range []string{"gear    ratio   step", "R     -3.0000", "2      2.0000  1.800", "Spread, largest over smallest forward ratio: 2.951"} {
		if !strings.Contains(b.String(), line+"\n") {
			t.Errorf("no line %q in\n%s", line, b.String())
		}
	}
}

// A table out of order is told; one gear has no step and no spread.
func TestRatiosDoubtful(t *testing.T) {
	r := NewRatios(&signals.Transmission{Ratios: signals.Named[float64]{{Name: "1", V: 2}, {Name: "2", V: 3}}})
	if len(r.Warnings) != 1 || !strings.Contains(r.Warnings[0], "gear 2 has no smaller ratio than gear 1") {
		t.Errorf("warnings %q", r.Warnings)
	}
	r = NewRatios(&signals.Transmission{Ratios: signals.Named[float64]{{Name: "1", V: 2}}})
	if r.Gears[0].Step != nil || r.Spread != nil || len(r.Warnings) != 0 {
		t.Errorf("one gear: %+v", r)
	}
}
