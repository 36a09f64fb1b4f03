package geartrain

import (
	"fmt"
	"io"
	"strings"
	"unicode/utf8"
)

// WriteText writes the report for people: one table each for ratios, torque
// shares, slips and shaft speeds, then what the sensors can tell, then what is
// wrong.
func (r *Report) WriteText(w io.Writer) error {
	var b strings.Builder
	fmt.Fprintf(&b, "Gear train: %s, %s, %s. With nothing applied, %s can be turned at will.\n",
		count(len(r.Shafts), "shaft"), count(len(r.Sets), "planetary set"), count(len(r.Elements), "element"), count(r.Freedom, "shaft"))
	if len(r.Gears) > 0 {
		r.writeRatios(&b)
		r.writeElements(&b)
		r.writeChanges(&b)
	}
	if r.Sensors != nil {
		r.writeSensors(&b)
		r.writeUncertainty(&b)
	}
	if r.Solenoids != nil {
		r.writeSolenoids(&b)
	}
	writeList(&b, "Wrong in the table", r.Faults)
	writeList(&b, "Worth a look", r.Warnings)
	if len(r.Faults) == 0 && len(r.Gears) > 0 {
		b.WriteString("\nEvery gear of the table is sound.\n")
	}
	_, err := io.WriteString(w, b.String())
	return err
}

func (r *Report) writeRatios(b *strings.Builder) {
	rows := [][]string{{"gear", "ratio", "step", "engine braking", "holds under drive"}}
	for i := range r.Gears {
		g := &r.Gears[i]
		row := []string{g.Gear, g.State.String(), "", "", strings.Join(g.carrying(), " + ")}
		if g.State == InGear {
			row[1] = fmt.Sprintf("%.4f", *g.Ratio)
			row[3] = "no"
			if g.EngineBraking {
				row[3] = "yes"
			}
			if idle := g.oneWays("overruns"); len(idle) > 0 {
				row[4] += "; " + list(idle) + " overruns"
				if len(idle) > 1 {
					row[4] = strings.TrimSuffix(row[4], "s")
				}
			}
		} else if row[4] == "" {
			row[4] = strings.Join(g.Holds, " + ")
		}
		if g.Step != nil {
			row[2] = fmt.Sprintf("%.3f", *g.Step)
		}
		rows = append(rows, row)
	}
	b.WriteString("\nGears\n")
	table(b, rows, "lrrll")
}

func (g *GearReport) carrying() []string {
	var out []string
	for i := range g.ElementsAt {
		if g.ElementsAt[i].Carries {
			out = append(out, g.ElementsAt[i].Element)
		}
	}
	return out
}

func (g *GearReport) oneWays(state string) []string {
	var out []string
	for i := range g.ElementsAt {
		if g.ElementsAt[i].Drive == state {
			out = append(out, g.ElementsAt[i].Element)
		}
	}
	return out
}

// writeElements writes the tables of parts against gears.
func (r *Report) writeElements(b *strings.Builder) {
	var sound []*GearReport
	for i := range r.Gears {
		if r.Gears[i].State == InGear {
			sound = append(sound, &r.Gears[i])
		}
	}
	if len(sound) == 0 {
		return
	}
	unknown := false
	write := func(title, what string, names []string, cell func(g *GearReport, i int) string) {
		if len(names) == 0 {
			return
		}
		head := []string{what}
		for _, g := range sound {
			head = append(head, g.Gear)
		}
		rows := [][]string{head}
		for i, name := range names {
			row := []string{name}
			for _, g := range sound {
				c := cell(g, i)
				unknown = unknown || c == "?"
				row = append(row, c)
			}
			rows = append(rows, row)
		}
		b.WriteString("\n" + title + "\n")
		table(b, rows, "l"+strings.Repeat("r", len(sound)))
	}
	write("Torque share of each element, per unit of input torque (- carries nothing)", "element", r.Elements, func(g *GearReport, i int) string {
		if e := &g.ElementsAt[i]; e.Carries {
			return number(e.TorqueShare, "%.3f")
		}
		return "-"
	})
	write("Slip of each element [rpm] at 1,000 rpm input (first side minus second)", "element", r.Elements, func(g *GearReport, i int) string {
		return number(g.ElementsAt[i].SlipRPM, "%.1f")
	})
	write("Speed of each shaft [rpm] at 1,000 rpm input", "shaft", r.Shafts, func(g *GearReport, i int) string {
		return number(g.ShaftsAt[i].RPM, "%.1f")
	})
	if unknown {
		b.WriteString("? is not determined: a loose shaft, or elements that share torque in a way statics alone cannot tell.\n")
	}
}

func (r *Report) writeChanges(b *strings.Builder) {
	for i := range r.Gears {
		g := &r.Gears[i]
		if len(g.Changes) == 0 {
			continue
		}
		fmt.Fprintf(b, "\nGear %s: %s\n", g.Gear, g.State)
		var rows [][]string
		for _, c := range g.Changes {
			row := []string{"  with " + c.Element + " " + c.Action, c.State.String()}
			if c.Ratio != nil {
				row[1] = fmt.Sprintf("in gear, ratio %.4f", *c.Ratio)
			}
			rows = append(rows, row)
		}
		table(b, rows, "ll")
	}
}

func (r *Report) writeSensors(b *strings.Builder) {
	s := r.Sensors
	b.WriteString("\nSpeed sensors, no element assumed to hold\n")
	var rows [][]string
	for i, sensor := range s.Sensors {
		reads := "reads " + sensor.Shaft
		if sensor.StepRPM > 0 {
			reads += fmt.Sprintf(" in steps of %g rpm", sensor.StepRPM)
		}
		if sensor.PeriodMS > 0 {
			reads += fmt.Sprintf(" every %g ms", sensor.PeriodMS)
		}
		rows = append(rows, []string{"  " + sensor.Signal, reads, "without it: " + r.follows(s.Without[i].Follows)})
	}
	table(b, rows, "lll")
	fmt.Fprintf(b, "  all together: %s; %s to spare\n", r.follows(s.Follows), count(s.Spare, "sensor"))

	rows = [][]string{{"gear", "enough for every shaft", "cannot be told apart in this gear alone"}}
	for i := range r.Gears {
		g := &r.Gears[i]
		if g.Sensing == nil {
			continue
		}
		var sets, alike []string
		for _, set := range g.Sensing.Sufficient {
			sets = append(sets, strings.Join(set, " + "))
		}
		for _, group := range g.Sensing.Alike {
			alike = append(alike, strings.Join(group, " = "))
		}
		if len(g.Sensing.Invisible) > 0 {
			alike = append(alike, "leaves no trace: "+list(g.Sensing.Invisible))
		}
		if len(alike) == 0 {
			alike = []string{"none"}
		}
		if a := g.Sensing.AngleDeg; a != nil {
			alike = append(alike, fmt.Sprintf("nearest others: %s, %.0f°", strings.Join(g.Sensing.Nearest, " / "), *a))
		}
		if len(sets) == 0 {
			sets = []string{"no set of these"}
		}
		for k := range max(len(sets), len(alike)) {
			row := []string{"", "", ""}
			if k == 0 {
				row[0] = g.Gear
			}
			if k < len(sets) {
				row[1] = sets[k]
			}
			if k < len(alike) {
				row[2] = alike[k]
			}
			rows = append(rows, row)
		}
	}
	if len(rows) > 1 {
		b.WriteString("\nOne sensor that reads wrong, or one element that slips\n")
		table(b, rows, "lll")
	}
}

// follows says which shafts follow, as a sentence part.
func (r *Report) follows(shafts []string) string {
	switch len(shafts) {
	case len(r.Shafts):
		return "every shaft follows"
	case 0:
		return "no shaft follows"
	case 1:
		return "only " + shafts[0] + " follows"
	}
	return "only " + list(shafts) + " follow"
}

func writeList(b *strings.Builder, title string, lines []string) {
	if len(lines) == 0 {
		return
	}
	b.WriteString("\n" + title + "\n")
	for _, l := range lines {
		b.WriteString("  " + l + "\n")
	}
}

// number formats a figure that may be undetermined. A zero has no sign.
func number(v *float64, format string) string {
	if v == nil {
		return "?"
	}
	s := fmt.Sprintf(format, *v)
	if strings.Trim(s, "-0.") == "" {
		s = strings.TrimPrefix(s, "-")
	}
	return s
}

func count(n int, noun string) string {
	if n == 1 {
		return "1 " + noun
	}
	return fmt.Sprintf("%d %ss", n, noun)
}

// table writes rows in columns, two spaces apart, each left or right aligned as
// align says; the last left-aligned column is not padded.
func table(b *strings.Builder, rows [][]string, align string) {
	width := make([]int, len(align))
	for _, row := range rows {
		for i, c := range row {
			width[i] = max(width[i], utf8.RuneCountInString(c))
		}
	}
	for _, row := range rows {
		var line strings.Builder
		for i, c := range row {
			if i > 0 {
				line.WriteString("  ")
			}
			pad := strings.Repeat(" ", width[i]-utf8.RuneCountInString(c))
			if align[i] == 'r' {
				line.WriteString(pad + c)
			} else {
				line.WriteString(c + pad)
			}
		}
		b.WriteString(strings.TrimRight(line.String(), " ") + "\n")
	}
}
