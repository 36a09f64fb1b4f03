package compare

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"gearwitness/decode/compare/stats"
	"gearwitness/decode/drivetrain"
	"gearwitness/decode/readings"
)

// count is how often something happened that should not, of so many or in so long.
type count struct {
	what    string
	k       [2]int
	n       [2]int     // of so many; 0: a rate
	seconds [2]float64 // in so long, for a rate
	least   int        // a difference of fewer is not claimed
	parts   []blamed
	note    string
	p, q    float64
}

// countRows are the shifts that did not come, were not asked for or did not hold, and
// what was told of sensors.
func countRows(then, now *Record) []count {
	var list []count
	records := [2]*Record{then, now}
	type key struct{ from, to string }
	asked := map[key]*[2]int{}
	missed, unasked, loose := map[key]*[2]int{}, map[key]*[2]int{}, map[key]*[2]int{}
	add := func(m map[key]*[2]int, k key, s int) {
		if m[k] == nil {
			m[k] = new([2]int)
		}
		m[k][s]++
	}
	for s, r := range records {
		for i := range r.Shifts {
			x := &r.Shifts[i]
			k := key{x.From, x.To}
			add(asked, k, s)
			if !x.Settled || !x.Held {
				add(loose, k, s)
			}
		}
		for _, l := range r.Lost {
			k := key{l.From, l.To}
			if l.Kind == LostMissed {
				add(asked, k, s)
				add(missed, k, s)
			} else {
				add(unasked, k, s)
			}
		}
	}
	sum := func(m map[key]*[2]int) (n [2]int) {
		for _, v := range m {
			n[0] += v[0]
			n[1] += v[1]
		}
		return n
	}
	all := sum(asked)
	// What the shifts concerned have in common is blamed.
	blame := func(m map[key]*[2]int) ([]blamed, string) {
		var keys []key
		for k := range m {
			keys = append(keys, k)
		}
		slices.SortFunc(keys, func(a, b key) int {
			if n, m := m[a][0]+m[a][1], m[b][0]+m[b][1]; n != m {
				return m - n
			}
			return strings.Compare(a.from+"\x00"+a.to, b.from+"\x00"+b.to)
		})
		total := map[string]float64{}
		var names []string
		weight := 0.0
		for _, k := range keys {
			n := math.Abs(float64(m[k][1] - m[k][0]))
			weight += n
			names = append(names, fmt.Sprintf("%s-%s", k.from, k.to))
			applied, _ := now.handover(k.from, k.to)
			for _, e := range applied {
				total[e] += n
			}
			for _, e := range now.holds(k.to) {
				if !slices.Contains(applied, e) {
					total[e] += float64(n * lessUsual)
				}
			}
		}
		var out []blamed
		for _, e := range sortedKeys(total) {
			if weight > 0 && total[e] > 0 {
				out = append(out, blamed{e, total[e] / weight})
			}
		}
		slices.SortStableFunc(out, func(a, b blamed) int {
			switch {
			case a.prior > b.prior:
				return -1
			case a.prior < b.prior:
				return 1
			}
			return 0
		})
		return out, listed(names, 4)
	}
	of := func(what string, m map[key]*[2]int) {
		parts, names := blame(m)
		list = append(list, count{what: what, k: sum(m), n: all, least: 1, parts: parts, note: names})
	}
	if then.Commanded && now.Commanded && all[0] > 0 && all[1] > 0 {
		of("Shifts asked for that did not come", missed)
		of("Shifts that nobody asked for", unasked)
	}
	if all[0] > 0 && all[1] > 0 {
		of("Shifts whose gear did not hold", loose)
	}
	// Sensors that dropped out, by signal.
	times := map[string]*[2]int{}
	for s, r := range records {
		for _, p := range r.Parts {
			if p.Finding == "never opens" || p.Finding == "never closes" || p.Part == "lever contacts" {
				continue // suspects say it
			}
			if times[p.Part] == nil {
				times[p.Part] = new([2]int)
			}
			times[p.Part][s] += p.Count
		}
	}
	if then.Seconds > 0 && now.Seconds > 0 {
		for _, name := range sortedKeys(times) {
			list = append(list, count{what: now.titled(then, name) + ": without a credible value", k: *times[name], seconds: [2]float64{then.Seconds, now.Seconds}, least: 3, parts: []blamed{{name, 1}}})
		}
		var held [2]float64
		for s, r := range records {
			for _, l := range r.Locks {
				held[s] += l.Seconds
			}
		}
		if then.Shudders+now.Shudders > 0 && held[0] > 0 && held[1] > 0 {
			list = append(list, count{what: "Converter clutch: shudders", k: [2]int{then.Shudders, now.Shudders}, seconds: held, least: 1, parts: []blamed{{converterClutch, 1}}})
		}
	}
	for i := range list {
		c := &list[i]
		c.p = stats.Rates(c.k[0], c.seconds[0], c.k[1], c.seconds[1])
		if c.n[0] > 0 {
			c.p = stats.Fisher(c.k[0], c.n[0], c.k[1], c.n[1])
		}
	}
	return list
}

func sortedKeys[T any](m map[string]T) []string {
	var list []string
	for k := range m {
		list = append(list, k)
	}
	slices.Sort(list)
	return list
}

// titled is a title that one of two records knows.
func (r *Record) titled(other *Record, name string) string {
	if r.Titles[name] == "" {
		r = other
	}
	return upperFirst(r.titleOf(name))
}

// row makes the row of a count.
func (c *count) row(*Record) Row {
	text := func(s int) string {
		switch {
		case c.n[0] > 0:
			return fmt.Sprintf("%d of %d", c.k[s], c.n[s])
		case c.k[s] == 0:
			return "never"
		case c.k[s] == 1:
			return "once"
		}
		return fmt.Sprintf("%d times", c.k[s])
	}
	r := Row{What: c.what, Then: text(0), Now: text(1), Judged: TooFew, blamed: c.parts, Parts: partNames(c.parts)}
	rate := [2]float64{float64(c.k[0]), float64(c.k[1])}
	for s := range rate {
		if c.n[0] > 0 {
			rate[s] /= float64(c.n[s])
		} else {
			rate[s] /= c.seconds[s]
		}
	}
	apart := max(c.k[0]-c.k[1], c.k[1]-c.k[0])
	none := c.k[0] == 0 && c.k[1] == 0
	switch {
	case none:
		r.Judged = Alike
	case c.q <= significance && apart >= c.least:
		r.Judged, r.Direction = Different, direction(rate[1]-rate[0], +1)
	case c.p > 0.2 && c.k[0] > 0 && c.k[1] > 0:
		r.Judged = Alike
	}
	r.weight = float64(apart)
	if !none && c.note != "" {
		r.What += ", " + c.note
	}
	r.Words = fmt.Sprintf("%s in the first session, %s in the second", r.Then, r.Now)
	if c.n[0] == 0 {
		r.Words += fmt.Sprintf(", in %.0f and %.0f min", c.seconds[0]/60, c.seconds[1]/60)
	}
	switch r.Judged {
	case Different:
		r.Words += fmt.Sprintf("; chance alone does this in %s.", cases(c.q))
	case TooFew:
		r.Words += fmt.Sprintf("; chance alone does this in %s, with regard to all that was compared: more driving of the same kind would tell.", cases(c.q))
	default:
		r.Words += "."
	}
	return r
}

// A suspect with less than this against it has nothing against it worth a word.
const nothingAgainst = 0.35

// Weight of findings among the rows: they are the analysis' own conclusions.
const foundWeight = 1000

// foundRows are the findings that are there or not: suspects, fault memories, bench
// readings, alarms, procedures. A list of findings from elsewhere would be one more
// source here.
func foundRows(then, now *Record) []Row {
	return slices.Concat(suspectRows(then, now), faultRows(then, now), readingRows(then, now), eventRows(then, now))
}

// Slip of more than slipRPM that lasted for less than this part of the time in every
// gear is no verdict on an element: a shift that takes long in cold oil shows as much.
// Ours.
const (
	slipRPM       = 30
	momentaryPart = 0.03
)

// momentary tells that an element is known to have slipped for moments only.
func momentary(then, now *Record, element string) bool {
	slipped := false
	for _, r := range []*Record{then, now} {
		sums := map[string]*[2]int{} // by gear: all ticks, those that slipped
		for i := range r.Slips {
			s := &r.Slips[i]
			if s.Element != element {
				continue
			}
			if sums[s.Gear] == nil {
				sums[s.Gear] = new([2]int)
			}
			for b, n := range s.Bins {
				if n < 0 {
					continue
				}
				sums[s.Gear][0] += n
				if low, _ := binRange(max(0, min(b, 1000))); low >= slipRPM {
					sums[s.Gear][1] += n
				}
			}
		}
		for _, n := range sums {
			slipped = slipped || n[1] > 0
			if float64(n[1]) > momentaryPart*float64(n[0]) {
				return false
			}
		}
	}
	return slipped
}

func suspectRows(then, now *Record) (rows []Row) {
	of := func(r *Record) map[string]*drivetrain.Suspect {
		m := map[string]*drivetrain.Suspect{}
		for i := range r.Suspects {
			m[r.Suspects[i].Element] = &r.Suspects[i]
		}
		return m
	}
	a, b := of(then), of(now)
	var names []string
	for _, list := range [][]drivetrain.Suspect{then.Suspects, now.Suspects} {
		for _, s := range list {
			if !slices.Contains(names, s.Element) {
				names = append(names, s.Element)
			}
		}
	}
	score := func(s *drivetrain.Suspect) float64 {
		if s == nil {
			return 0
		}
		return s.Score
	}
	text := func(s *drivetrain.Suspect, r *Record) string {
		switch {
		case len(r.Suspects) == 0:
			return "not judged"
		case s == nil:
			return "nothing against it"
		case s.Score >= nothingAgainst && len(s.Reasons) > 0:
			return s.Reasons[0]
		case s.Verdict == drivetrain.VerdictCleared:
			return "found to work"
		}
		return "nothing against it"
	}
	for _, name := range names {
		x, y := a[name], b[name]
		if len(then.Suspects) == 0 || len(now.Suspects) == 0 {
			continue
		}
		r := Row{What: now.titled(then, name), Then: text(x, then), Now: text(y, now), Judged: Alike, blamed: []blamed{{name, 1}}, Parts: []string{name}, key: "suspect", weight: foundWeight * max(score(x), score(y))}
		was, is := x != nil && x.Verdict == drivetrain.VerdictSuspect, y != nil && y.Verdict == drivetrain.VerdictSuspect
		switch {
		case is != was && momentary(then, now, name):
			r.Judged, r.weight = TooFew, 1
			r.Words = "It slipped for a moment in one session, which is no verdict. "
		case is && !was:
			r.Judged, r.Direction = Different, Worse
		case was && !is:
			r.Judged, r.Direction = Different, Better
		case was && is:
			r.Words = "Suspected in both sessions. "
		case score(x) >= nothingAgainst || score(y) >= nothingAgainst:
			r.Judged = TooFew
		case x == nil || y == nil || x.Verdict != drivetrain.VerdictCleared || y.Verdict != drivetrain.VerdictCleared:
			if x == nil || y == nil {
				break
			}
			r.Judged = TooFew
		}
		say := func(s *drivetrain.Suspect, r *Record) string {
			if s == nil || len(s.Reasons) == 0 {
				return text(s, r)
			}
			return strings.Join(s.Reasons, "; ")
		}
		r.Words += fmt.Sprintf("First session: %s. Second: %s.", say(x, then), say(y, now))
		if r.Judged != Different && r.Then == "nothing against it" && r.Now == "nothing against it" && r.Judged == TooFew {
			r.weight = 0
		}
		rows = append(rows, r)
	}
	return rows
}

func faultRows(then, now *Record) (rows []Row) {
	type memory struct{ channel, unit, memory string }
	var keys []memory
	of := [2]map[memory][]string{{}, {}}
	for s, r := range []*Record{then, now} {
		for _, f := range r.Faults {
			k := memory{"", f.Unit, f.Memory}
			if !slices.Contains(keys, k) {
				keys = append(keys, k)
			}
			list := []string{}
			for _, c := range f.Codes {
				code, _, _ := strings.Cut(c, " (")
				list = append(list, code)
			}
			slices.Sort(list)
			of[s][k] = slices.Compact(list)
		}
	}
	for _, k := range keys {
		x, asked := of[0][k]
		y, askedNow := of[1][k]
		r := Row{What: "Trouble codes, " + k.unit + ", " + k.memory, Then: codes(x, asked), Now: codes(y, askedNow), weight: foundWeight / 2}
		fresh, gone := without(y, x), without(x, y)
		switch {
		case !asked || !askedNow:
			r.Judged = NotJudged
			r.Words = "Not read in both sessions."
		case len(fresh) == 0 && len(gone) == 0:
			r.Judged = Alike
			r.Words = "The same in both."
		default:
			r.Judged, r.Direction = Different, Worse
			if len(fresh) == 0 {
				r.Direction = Better
			}
			if len(fresh) > 0 {
				r.Words += "New: " + strings.Join(fresh, ", ") + ". "
			}
			if len(gone) > 0 {
				r.Words += "Gone: " + strings.Join(gone, ", ") + ". "
			}
			r.Words = strings.TrimSpace(r.Words)
		}
		rows = append(rows, r)
	}
	return rows
}

func codes(list []string, read bool) string {
	switch {
	case !read:
		return "not read"
	case len(list) == 0:
		return "none"
	}
	return strings.Join(list, ", ")
}

func without(list, other []string) (out []string) {
	for _, x := range list {
		if !slices.Contains(other, x) {
			out = append(out, x)
		}
	}
	return out
}

// Meters agree within this part of the reading; common practice, no source.
const meterShare = 0.05

func readingRows(then, now *Record) (rows []Row) {
	find := func(r *Record, name string) *readings.Entry {
		for i := range r.Readings {
			if r.Readings[i].Reading == name {
				return &r.Readings[i]
			}
		}
		return nil
	}
	var names []string
	for _, r := range []*Record{then, now} {
		for i := range r.Readings {
			if !slices.Contains(names, r.Readings[i].Reading) {
				names = append(names, r.Readings[i].Reading)
			}
		}
	}
	text := func(e *readings.Entry) string {
		if e == nil {
			return "not taken"
		}
		return e.Text()
	}
	figure := func(e *readings.Entry) *float64 {
		if e.Corrected != nil {
			return e.Corrected
		}
		return e.Value
	}
	for _, name := range names {
		x, y := find(then, name), find(now, name)
		title := name
		if y != nil && y.Title != "" {
			title = y.Title
		} else if x != nil && x.Title != "" {
			title = x.Title
		}
		r := Row{What: upperFirst(title), Then: text(x), Now: text(y), blamed: []blamed{{name, 1}}, Parts: []string{name}, weight: foundWeight / 4}
		switch {
		case x == nil || y == nil:
			r.Judged, r.Words = NotJudged, "Not taken in both sessions."
		case (x.Verdict == readings.Bad) != (y.Verdict == readings.Bad):
			r.Judged, r.Direction, r.Words = Different, Better, "Bad then, good now."
			if y.Verdict == readings.Bad {
				r.Direction, r.Words = Worse, "Good then, bad now."
			}
		case x.Choice != y.Choice:
			r.Judged, r.Words = Small, "Not the same, and both "+y.Verdict+"."
		case figure(x) != nil && figure(y) != nil && math.Abs(*figure(x)-*figure(y)) > meterShare*max(math.Abs(*figure(x)), math.Abs(*figure(y))):
			r.Judged, r.Words = Small, "They differ by more than two meters do, and both are "+y.Verdict+"."
		default:
			r.Judged, r.Words = Alike, "They differ by no more than two meters do."
		}
		if !strings.HasSuffix(r.Words, ".") {
			r.Words += "."
		}
		rows = append(rows, r)
	}
	return rows
}

// eventRows are alarms and procedures: what they say depends on how it was driven.
func eventRows(then, now *Record) (rows []Row) {
	names := map[string]*[2]int{}
	for s, r := range []*Record{then, now} {
		for _, a := range r.Alarms {
			if names[a.Part] == nil {
				names[a.Part] = new([2]int)
			}
			names[a.Part][s] += a.Count
		}
	}
	times := func(n int) string {
		switch n {
		case 0:
			return "not raised"
		case 1:
			return "raised once"
		}
		return fmt.Sprintf("raised %d times", n)
	}
	for _, name := range sortedKeys(names) {
		n := *names[name]
		rows = append(rows, Row{What: "Alarm: " + strings.ReplaceAll(name, "_", " "), Then: times(n[0]), Now: times(n[1]), Judged: NotJudged, Words: "An alarm depends on how it was driven; the figures above compare like with like."})
	}
	type run struct{ title, text [2]string }
	runs := map[string]*run{}
	for s, r := range []*Record{then, now} {
		for _, p := range r.Procedures {
			if runs[p.Procedure] == nil {
				runs[p.Procedure] = &run{text: [2]string{"not driven", "not driven"}}
			}
			runs[p.Procedure].title[s], runs[p.Procedure].text[s] = p.Title, p.Verdict
		}
	}
	for _, name := range sortedKeys(runs) {
		x := runs[name]
		title := x.title[1]
		if title == "" {
			title = x.title[0]
		}
		if title == "" {
			title = name
		}
		r := Row{What: "Procedure: " + title, Then: x.text[0], Now: x.text[1], Judged: NotJudged, Words: "How a procedure ended depends on how it was driven."}
		if x.text[0] == x.text[1] {
			r.Judged, r.Words = Alike, "It ended alike."
		}
		rows = append(rows, r)
	}
	return rows
}
