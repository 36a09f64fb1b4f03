package geartrain

import (
	"math"
	"slices"
	"strings"
	"time"

	"gearwitness/signals"
	"gearwitness/signals/unit"
)

// Reading is what a vehicle file says of how finely and how often a speed is sent.
type Reading struct {
	StepRPM float64       // 0 where it is finer than matters
	Every   time.Duration // 0 where the file does not say
	Signed  bool          // it can be negative
}

// ReadingOf looks a speed signal up among the frames. One that is no field of a
// frame counts as fine and signed.
func ReadingOf(f *signals.File, signal string) Reading {
	for i := range f.Frames {
		k := f.Frames[i].V.Signals.Index(signal)
		if k < 0 {
			continue
		}
		s := &f.Frames[i].V.Signals[k].V
		r := Reading{StepRPM: math.Abs(s.Resolution), Every: f.Frames[i].V.Every, Signed: s.Number != signals.Unsigned || s.Offset < 0 || s.Resolution < 0}
		switch {
		case s.Number == signals.Float:
			r.StepRPM = 0
		case r.StepRPM == 0:
			r.StepRPM = 1
		}
		if rpm, err := unit.Convert(r.StepRPM, s.Unit, "rpm"); err == nil && s.Unit != "" {
			r.StepRPM = rpm
		}
		return r
	}
	return Reading{Signed: true}
}

// rampRPMPerS is the change of input speed that uncertainties are given for: a brisk
// pull in a low gear, or the ratio phase of a gentle shift.
const rampRPMPerS = 1000

// AddUncertainty adds to the report the standard uncertainty of each slip, nothing
// assumed to hold:
//
//	u^2 = sum over the sensors of gain^2 (step^2 + (rate period)^2) / 12
//
// A step and the moment within its period at which a speed is read both count as
// uniform distributions (JCGM 100:2008, 4.3.7). f is the file the report is of.
func (r *Report) AddUncertainty(f *signals.File) error {
	if r.Sensors == nil {
		return nil
	}
	t, err := FromFile(f.Transmission)
	if err != nil {
		return err
	}
	s, err := sensorsFromFile(t, f.Transmission)
	if err != nil {
		return err
	}
	readings := make([]Reading, len(s.list))
	for i := range s.list {
		readings[i] = ReadingOf(f, s.names[i])
		r.Sensors.Sensors[i].StepRPM, r.Sensors.Sensors[i].PeriodMS = readings[i].StepRPM, float64(readings[i].Every)/1e6
		s.list[i].VarianceRPM2 = max(readings[i].StepRPM*readings[i].StepRPM, 1e-6) / 12
	}
	e, err := NewEstimator(t, s.list, nil)
	if err != nil {
		return err
	}
	variances, slips := make([]float64, len(s.list)), make([]float64, len(t.Elements))
	// sigmas works the slips out for shafts that change by these rates per s.
	sigmas := func(rate func(shaft int) float64) []*float64 {
		for i := range s.list {
			swing := rate(s.list[i].Shaft) * readings[i].Every.Seconds()
			variances[i] = (float64(readings[i].StepRPM*readings[i].StepRPM) + float64(swing*swing)) / 12
		}
		e.SlipVariances(variances, slips)
		out := make([]*float64, len(slips))
		for i, v := range slips {
			if !math.IsNaN(v) {
				u := math.Sqrt(v)
				out[i] = &u
			}
		}
		return out
	}
	steady := sigmas(func(int) float64 { return 0 })
	for i := range r.Gears {
		g := &r.Gears[i]
		if g.State != InGear {
			continue
		}
		ramp := sigmas(func(shaft int) float64 {
			if v := g.ShaftsAt[shaft].RPM; v != nil {
				return *v / 1000 * rampRPMPerS
			}
			return math.NaN()
		})
		for k := range g.ElementsAt {
			g.ElementsAt[k].SlipSigmaRPM, g.ElementsAt[k].SlipSigmaRampRPM = steady[k], ramp[k]
		}
	}
	return nil
}

// writeUncertainty writes the table of uncertainties; nothing before AddUncertainty.
func (r *Report) writeUncertainty(b *strings.Builder) {
	i := slices.IndexFunc(r.Gears, func(g GearReport) bool {
		return slices.ContainsFunc(g.ElementsAt, func(e ElementReport) bool { return e.SlipSigmaRPM != nil })
	})
	if i < 0 {
		return
	}
	head := []string{"element", "steady"}
	for k := range r.Gears {
		if r.Gears[k].State == InGear {
			head = append(head, r.Gears[k].Gear)
		}
	}
	rows := [][]string{head}
	for e, name := range r.Elements {
		row := []string{name, number(r.Gears[i].ElementsAt[e].SlipSigmaRPM, "%.1f")}
		for k := range r.Gears {
			if r.Gears[k].State == InGear {
				row = append(row, number(r.Gears[k].ElementsAt[e].SlipSigmaRampRPM, "%.1f"))
			}
		}
		rows = append(rows, row)
	}
	b.WriteString("\nHow far each slip may be off [± rpm, one standard deviation] by the sensors' steps: at steady speeds;\nand, by their periods too, in each gear while the input speed changes by 1,000 rpm/s\n")
	table(b, rows, "l"+strings.Repeat("r", len(head)-1))
}
