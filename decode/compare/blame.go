package compare

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"

	"gearwitness/decode/drivetrain"
)

// agreeing is the part of a change that a part must explain to be named for it:
// that of its own kinds that changed, times that of all changed kinds that are its
// own, as the analysis weighs its suspects. Ours.
const agreeing = 0.5

// blame ranks the parts that may be behind the changes of a figure's kinds.
func (s *studied) blame(kinds []Row) (list []blamed, names []string) {
	worst := -1
	for i := range kinds {
		if kinds[i].Judged == Different && (worst < 0 || kinds[i].weight > kinds[worst].weight) {
			worst = i
		}
	}
	if worst < 0 { // all kinds together, or none
		if s.f.answer(&s.all) != Different || len(s.kinds[0].parts) != 1 {
			return nil, nil
		}
		return s.kinds[0].parts, partNames(s.kinds[0].parts)
	}
	if s.f.key == "oil_difference" {
		return s.oilParts(kinds)
	}
	hit := func(i int) bool {
		d := s.kinds[i].d
		return kinds[i].Judged == Different && kinds[i].Direction == kinds[worst].Direction ||
			(d > 0) == (s.kinds[worst].d > 0) && math.Abs(d) >= s.f.matters
	}
	type tally struct{ hits, of, prior float64 }
	of := map[string]*tally{}
	all := 0.0
	for i, k := range s.kinds {
		if hit(i) {
			all++
		}
		for _, b := range k.parts {
			t := of[b.part]
			if t == nil {
				t = new(tally)
				of[b.part] = t
			}
			t.of++
			if hit(i) {
				t.hits++
				t.prior += b.prior
			}
		}
	}
	for _, part := range sortedKeys(of) {
		if t := of[part]; t.hits > 0 {
			list = append(list, blamed{part, t.prior / t.hits * t.hits / t.of * t.hits / all})
		}
	}
	slices.SortStableFunc(list, func(a, b blamed) int { return cmp.Compare(b.prior, a.prior) })
	return list, partNames(list)
}

// An offset that is the same in every state is the sensor's, one that goes with the
// heat is the cooler's: two states that differ by no more than this part of the
// change are the same. Ours.
const sameOffset = 0.35

// oilParts tells the sensor from the cooler.
func (s *studied) oilParts(kinds []Row) ([]blamed, []string) {
	low, high := math.Inf(1), math.Inf(-1)
	for i := range kinds {
		low, high = min(low, s.kinds[i].d), max(high, s.kinds[i].d)
	}
	part := "oil cooler"
	if len(kinds) > 1 && high-low <= sameOffset*max(math.Abs(low), math.Abs(high)) {
		part = s.f.sensor
	}
	return []blamed{{part, 1}}, []string{part}
}

// turn is in which order rows are asked for the part behind them: what points at one
// part before what several may be behind.
var turn = []string{"suspect", "sensor", "pressure", "slip", "lockup_slip", "lockup_swing", "lockup_time", "converter", "engine_torque", "coolant", "oil_difference",
	"flare", "bind_up", "shift_delay", "shift_time", "engagement", "stall", "switch_time", "overshoot"}

// name finds the parts that changed: those that the analysis suspects in one session
// only, then those behind the other changes that none of these explains.
func (c *Comparison) name(then, now *Record) {
	var order []int
	for i := range c.Rows {
		if c.Rows[i].Judged == Different {
			order = append(order, i)
		}
	}
	at := func(i int) int {
		if k := slices.Index(turn, c.Rows[i].key); k >= 0 {
			return k
		}
		return len(turn)
	}
	slices.SortStableFunc(order, func(a, b int) int { return cmp.Compare(at(a), at(b)) })
	kind := map[string]string{} // of suspects: element, sensor, switch ...
	for _, r := range []*Record{then, now} {
		for _, s := range r.Suspects {
			if s.Verdict == drivetrain.VerdictSuspect {
				kind[s.Element] = s.Part
			}
		}
	}
	for _, i := range order {
		r := &c.Rows[i]
		if k := slices.IndexFunc(c.Changed, func(x Changed) bool { return c.explains(x.Part, kind[x.Part], r, now) }); k >= 0 {
			c.Changed[k].Rows = append(c.Changed[k].Rows, i)
			continue
		}
		x := Changed{Title: r.What, Direction: r.Direction, Why: r.Then + " then, " + r.Now + " now", Rows: []int{i}}
		if len(r.blamed) > 0 && r.blamed[0].prior >= agreeing {
			x.Part = r.blamed[0].part
			x.Title = now.titled(then, x.Part)
			x.Why = lowerFirst(strings.TrimPrefix(r.What, x.Title+": ")) + ": " + x.Why
			if r.key == "suspect" {
				x.Why = r.Now
				if r.Direction == Better {
					x.Why = "then " + r.Then + "; " + "now " + r.Now
				}
			}
		}
		c.Changed = append(c.Changed, x)
	}
}

// explains tells that a part already named is behind a row.
func (c *Comparison) explains(part, kind string, r *Row, now *Record) bool {
	if part == "" {
		return false
	}
	if slices.Contains(r.Parts, part) {
		return true
	}
	ofShifts := slices.Contains([]string{"flare", "bind_up", "shift_delay", "shift_time", "overshoot", "switch_time", ""}, r.key)
	switch kind {
	case "sensor": // a speed that is wrong is behind whatever is computed from it
		return ofShifts || slices.Contains([]string{"slip", "lockup_slip", "lockup_swing", "lockup_time", "converter", "engine_torque", "engagement", "stall", "oil_difference", "pressure"}, r.key)
	case "supply":
		return ofShifts || r.key == "slip" || r.key == "pressure" || r.key == "engagement"
	}
	carries := false
	for _, g := range now.Gears {
		carries = carries || slices.Contains(g.Holds, part)
	}
	if !carries {
		return false
	}
	if r.key == "slip" || r.key == "oil_difference" { // it drags others along, and heats the oil
		return true
	}
	if !ofShifts {
		return false
	}
	for i := range r.Kinds {
		k := &r.Kinds[i]
		if k.Judged != Different {
			continue
		}
		from, to, _ := strings.Cut(strings.Split(k.kind, " ")[0], "-")
		if !slices.Contains(now.holds(from), part) && !slices.Contains(now.holds(to), part) {
			return false
		}
	}
	return true
}

func lowerFirst(s string) string {
	if len(s) > 1 && s[1] >= 'A' && s[1] <= 'Z' {
		return s
	}
	return strings.ToLower(s[:1]) + s[1:]
}

// mostSaid is how many parts the first sentence names.
const mostSaid = 2

// say writes the sentence on top.
func (c *Comparison) say(*Record) {
	compared := c.Compared[Alike] + c.Compared[Small] + c.Compared[Different]
	open := ""
	if n := c.Compared[TooFew]; n > 0 {
		open = fmt.Sprintf(" %s too little to tell.", counted(n, "line has", "lines have"))
	}
	switch {
	case len(c.Changed) > 0:
		var said []string
		for _, x := range c.Changed[:min(mostSaid, len(c.Changed))] {
			word := map[Direction]string{Worse: "Worse", Better: "Better", Higher: "Changed", Lower: "Changed"}[x.Direction]
			said = append(said, fmt.Sprintf("%s: %s. %s.", word, x.Title, upperFirst(strings.TrimSuffix(x.Why, "."))))
		}
		c.Said = strings.Join(said, " ")
		if n := len(c.Changed) - mostSaid; n > 0 {
			c.Said += fmt.Sprintf(" And %s.", counted(n, "more change", "more changes"))
		}
	case compared == 0:
		c.Said = "Not comparable: the two sessions have nothing in common that could be compared."
	case c.Compared[Small] > 0:
		c.Said = fmt.Sprintf("Nothing changed that matters: of %s compared, %d differ by less than what matters.%s", counted(compared, "line", "lines"), c.Compared[Small], open)
	default:
		c.Said = fmt.Sprintf("Nothing changed that matters in %s compared.%s", counted(compared, "line", "lines"), open)
	}
}

func counted(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %s", n, many)
}

// notes say how alike the sessions were driven.
func (c *Comparison) notes(then, now *Record) {
	spread := func(r *Record, of func(*Moment) *float64) (low, high float64, ok bool) {
		low, high = math.Inf(1), math.Inf(-1)
		for i := range r.Moments {
			if v := of(&r.Moments[i]); v != nil {
				low, high, ok = min(low, *v), max(high, *v), true
			}
		}
		return low, high, ok
	}
	c.Notes = []string{}
	for _, q := range []struct {
		name, unit string
		of         func(*Moment) *float64
	}{
		{"Oil", "°C", func(m *Moment) *float64 {
			if m.Pan != nil {
				return m.Pan
			}
			return m.Outlet
		}},
		{"Pedal", "%", func(m *Moment) *float64 { return m.Pedal }},
	} {
		a, b, ok := spread(then, q.of)
		x, y, ok2 := spread(now, q.of)
		if ok && ok2 {
			c.Notes = append(c.Notes, fmt.Sprintf("%s: %.0f to %.0f %s in the first session, %.0f to %.0f %s in the second.", q.name, a, b, q.unit, x, y, q.unit))
		}
	}
	if then.Format < Format || now.Format < Format {
		c.Notes = append(c.Notes, "One session is known by its shifts only: what else was found in it is not compared.")
	}
	c.Notes = append(c.Notes, "Like is compared with like: the same shift, gear or state, with pedal, torque and oil temperature alike or made alike by regression.",
		"Road slope and the vehicle's load are not measured; compare drives over like roads with like loads.")
}
