package geartrain

import (
	"fmt"
	"io"
	"strings"

	"gearwitness/signals"
)

// Ratios is what can be said about a gearbox of which the vehicle file gives the
// ratios and no train.
type Ratios struct {
	Gears []RatioOf `json:"gears"`
	// Spread is the largest forward ratio over the smallest one; null with fewer
	// than two forward gears.
	Spread *float64 `json:"spread"`
	// Warnings name gears that are probably written wrong, or that no speed can
	// tell apart.
	Warnings []string `json:"warnings"`
}

// RatioOf is one gear.
type RatioOf struct {
	Gear  string  `json:"gear"`
	Ratio float64 `json:"ratio"` // input over output speed, negative for reverse
	// Step is the ratio of the forward gear before over that of this one; null in
	// the first one and in reverse.
	Step *float64 `json:"step"`
}

// narrowStep is the step below which two gears cannot be told apart: a gear counts
// as engaged while the input speed is within 2 % of what it should be.
const narrowStep = 1.04

// NewRatios returns the ratios of a transmission, in the order of the file.
func NewRatios(t *signals.Transmission) *Ratios {
	r := &Ratios{Gears: []RatioOf{}, Warnings: []string{}}
	before, largest, smallest := -1, 0.0, 0.0
	for i, e := range t.Ratios {
		g := RatioOf{Gear: e.Name, Ratio: e.V}
		if e.V > 0 {
			if before >= 0 {
				last := t.Ratios[before]
				step := last.V / e.V
				g.Step = &step
				switch {
				case step <= 1:
					r.Warnings = append(r.Warnings, fmt.Sprintf("gear %s has no smaller ratio than gear %s before it; look at the figures and their order", e.Name, last.Name))
				case step < narrowStep:
					r.Warnings = append(r.Warnings, fmt.Sprintf("gears %s and %s are %.1f %% apart: too close to be told apart by speeds", last.Name, e.Name, 100*(step-1)))
				}
			}
			before = i
			largest = max(largest, e.V)
			if smallest == 0 || e.V < smallest {
				smallest = e.V
			}
		}
		r.Gears = append(r.Gears, g)
	}
	if largest > smallest {
		spread := largest / smallest
		r.Spread = &spread
	}
	return r
}

// WriteText writes the table for people.
func (r *Ratios) WriteText(w io.Writer) error {
	var b strings.Builder
	fmt.Fprintf(&b, "Ratios of %s, as the vehicle file gives them.\n\nGears\n", count(len(r.Gears), "gear"))
	rows := [][]string{{"gear", "ratio", "step"}}
	for _, g := range r.Gears {
		row := []string{g.Gear, fmt.Sprintf("%.4f", g.Ratio), ""}
		if g.Step != nil {
			row[2] = fmt.Sprintf("%.3f", *g.Step)
		}
		rows = append(rows, row)
	}
	table(&b, rows, "lrr")
	if r.Spread != nil {
		fmt.Fprintf(&b, "\nSpread, largest over smallest forward ratio: %.3f\n", *r.Spread)
	}
	b.WriteString("\nWithout train, elements and gears the shafts inside are not known: no slip of single elements, no torque shares.\n")
	writeList(&b, "Worth a look", r.Warnings)
	_, err := io.WriteString(w, b.String())
	return err
}
