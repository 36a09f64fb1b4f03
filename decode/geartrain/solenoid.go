package geartrain

import (
	"fmt"
	"slices"
	"strings"

	"gearwitness/signals"
)

// copperPerKelvin is the temperature coefficient of the resistance of annealed
// copper at 20 °C [1/K] (IEC 60028, from memory).
const copperPerKelvin = 0.00393

// CoilAt20 gives the resistance [ohm] that a copper coil measured at a
// temperature [°C] has at 20 °C: R20 = R / (1 + 0.00393 (t - 20)).
func CoilAt20(ohm, celsius float64) float64 {
	return ohm / (1 + float64(copperPerKelvin*(celsius-20)))
}

// CoilAt gives the resistance [ohm] at a temperature [°C] of a copper coil that has
// ohm20 at 20 °C: R = R20 (1 + 0.00393 (t - 20)).
func CoilAt(ohm20, celsius float64) float64 {
	return ohm20 * (1 + float64(copperPerKelvin*(celsius-20)))
}

// SolenoidsReport is what follows from the solenoids of the elements.
type SolenoidsReport struct {
	// Pressed are the elements with pressure when no solenoid has current.
	Pressed []string `json:"pressed"`
	// State and Ratio are what these make of the train under drive, Gear the row of
	// the table that holds just them; empty where none does.
	State State    `json:"state"`
	Ratio *float64 `json:"ratio"`
	Gear  string   `json:"gear,omitempty"`
	// Untold are the clutches and brakes without a solenoid in the file; they count
	// as released.
	Untold []string     `json:"untold,omitempty"`
	Coils  []CoilReport `json:"coils"`
}

// CoilReport is what a meter should read of a coil [ohm].
type CoilReport struct {
	Solenoid string    `json:"solenoid"`
	Element  string    `json:"element"`
	Normally string    `json:"normally"`
	At       []OhmBand `json:"at,omitempty"` // nil where the file gives no resistance
}

// OhmBand is the band of a coil's resistance [ohm] at a temperature [°C].
type OhmBand struct {
	Celsius float64 `json:"celsius"`
	Low     float64 `json:"low_ohm"`
	High    float64 `json:"high_ohm"`
}

// meterCelsius are temperatures at which a coil is likely to be measured: a cold
// morning, the workshop, warm oil, hot oil.
var meterCelsius = [...]float64{-20, 20, 60, 90}

// solenoidsReport is nil where the file describes no solenoids.
func (t *Train) solenoidsReport(tr *signals.Transmission, gears []Gear) (*SolenoidsReport, error) {
	if len(tr.Solenoids) == 0 {
		return nil, nil
	}
	r := &SolenoidsReport{Pressed: []string{}}
	var pressed, told []int
	for _, s := range tr.Solenoids {
		e, ok := t.ElementIndex(s.V.Element)
		if !ok {
			return nil, fmt.Errorf("solenoid %s: no element is called %q; expected one of the elements above", s.Name, s.V.Element)
		}
		told = append(told, e)
		if s.V.High() {
			pressed = append(pressed, e)
		}
		c := CoilReport{Solenoid: s.Name, Element: s.V.Element, Normally: s.V.Normally}
		if s.V.Ohm > 0 {
			for _, at := range meterCelsius {
				c.At = append(c.At, OhmBand{at, CoilAt(s.V.Ohm-s.V.Tolerance, at), CoilAt(s.V.Ohm+s.V.Tolerance, at)})
			}
		}
		r.Coils = append(r.Coils, c)
	}
	slices.Sort(pressed)
	r.Pressed = t.names(pressed)
	for e := range t.Elements {
		if t.Elements[e].Kind != OneWay && !slices.Contains(told, e) {
			r.Untold = append(r.Untold, t.Elements[e].Name)
		}
	}
	row := t.Solve(pressed, Drive)
	r.State, r.Ratio = row.State, figure(row.Ratio, 1)
	for i := range gears {
		if holds := t.friction(gears[i].Holds); len(pressed) > 0 && len(holds) == len(pressed) {
			slices.Sort(holds)
			if slices.Equal(holds, pressed) {
				r.Gear = gears[i].Name
			}
		}
	}
	return r, nil
}

func (r *Report) writeSolenoids(b *strings.Builder) {
	s := r.Solenoids
	what := s.State.String()
	switch {
	case s.Gear != "" && s.State == InGear:
		what = fmt.Sprintf("gear %s, ratio %.4f", s.Gear, *s.Ratio)
	case s.State == InGear:
		what = fmt.Sprintf("no gear of the table, ratio %.4f", *s.Ratio)
	}
	fmt.Fprintf(b, "\nSolenoids\n  without current: %s (pressure on %s)\n", what, list(s.Pressed))
	if len(s.Untold) > 0 {
		fmt.Fprintf(b, "  no solenoid is given for %s\n", list(s.Untold))
	}
	rows := [][]string{{"solenoid", "element", "pressure without current"}}
	for _, at := range meterCelsius {
		rows[0] = append(rows[0], fmt.Sprintf("%g °C", at))
	}
	for _, c := range s.Coils {
		row := []string{c.Solenoid, c.Element, "normally " + c.Normally}
		for i := range meterCelsius {
			cell := "?"
			if c.At != nil {
				cell = fmt.Sprintf("%.1f to %.1f Ω", c.At[i].Low, c.At[i].High)
			}
			row = append(row, cell)
		}
		rows = append(rows, row)
	}
	table(b, rows, "lll"+strings.Repeat("r", len(meterCelsius)))
}
