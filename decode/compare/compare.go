package compare

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"

	"gearwitness/decode/compare/stats"
	"gearwitness/signals/portable"
)

// Answer is what a comparison of one figure or finding says.
type Answer string

// Answers.
const (
	Different Answer = "clearly different"         // by more than what matters, beyond chance
	Small     Answer = "different but small"       // beyond chance, by less than what matters
	Alike     Answer = "alike within what matters" // it is shown that the difference is less than what matters
	TooFew    Answer = "too few to tell"
	NotJudged Answer = "not judged" // depends on how it was driven, not only on the gearbox
)

// Direction is which way something changed from the first session to the second.
type Direction string

// Directions.
const (
	Worse  Direction = "worse"
	Better Direction = "better"
	Higher Direction = "higher" // where neither is better by itself
	Lower  Direction = "lower"
)

// opposed turns it round.
func direction(d float64, worse int) Direction {
	switch {
	case d == 0:
		return ""
	case worse == 0 && d > 0:
		return Higher
	case worse == 0:
		return Lower
	case (d > 0) == (worse > 0):
		return Worse
	}
	return Better
}

// Comparison is two sessions of one vehicle side by side: then and now.
type Comparison struct {
	// Said is what came of it in one sentence, or two.
	Said string `json:"said"`
	// Changed are the parts that changed, the surest first; empty where none did.
	Changed []Changed `json:"changed"`
	// Rows are all that was compared, the worst change first.
	Rows []Row `json:"rows"`
	// Compared counts the rows by answer.
	Compared map[Answer]int `json:"compared"`
	// Overlays are the shifts of each kind that both sessions have.
	Overlays []KindOverlay `json:"overlays"`
	// Notes say under which conditions the sessions were driven and what this
	// comparison cannot know.
	Notes []string `json:"notes"`
}

// Changed is a part that is no longer what it was.
type Changed struct {
	Part      string    `json:"part"` // name of an element or signal, or "engine", "converter", "coolant"
	Title     string    `json:"title"`
	Direction Direction `json:"direction"`
	Why       string    `json:"why"`
	Rows      []int     `json:"rows"` // that show it
}

// Row is one line of the table.
type Row struct {
	What      string    `json:"what"`
	Then      string    `json:"then"`
	Now       string    `json:"now"`
	Judged    Answer    `json:"judged"`
	Direction Direction `json:"direction,omitempty"`
	// Words say the same as a sentence, with how sure it is and what would settle it.
	Words string `json:"words"`
	// Parts may be behind a change, the likeliest first.
	Parts  []string `json:"parts,omitempty"`
	Figure *Figure  `json:"figure,omitempty"` // nil for findings
	// Kinds are the kinds that make the figure up, such as shifts 2-3 power-on up.
	Kinds []Row `json:"kinds,omitempty"`

	weight float64 // of the change: by how much it is more than what matters
	blamed []blamed
	key    string // of the figure
	kind   string
}

// Figure is the numbers of a row.
type Figure struct {
	Key  string     `json:"key"`  // as the vehicle file's matters call it
	Unit string     `json:"unit"` // empty: a share
	N    [2]int     `json:"n"`
	Then float64    `json:"then"` // means under the mean conditions of both, outliers drawn in
	Now  float64    `json:"now"`
	Diff float64    `json:"difference"` // now minus then; of a Relative figure in parts of then
	CI   [2]float64 `json:"interval_95"`
	// Matters is the smallest difference that matters, Reason why.
	Matters  float64 `json:"matters"`
	Reason   string  `json:"reason"`
	Relative bool    `json:"relative,omitempty"`
	// Chance is the probability of such a difference if there were none, Beyond that
	// if it were no more than what matters, both with regard to all that was
	// compared; Ranks the latter of this figure alone from ranks, Exact if by counting
	// every arrangement.
	Chance float64 `json:"p_chance"`
	Beyond float64 `json:"p_matters"`
	Ranks  float64 `json:"p_ranks"`
	Exact  bool    `json:"ranks_exact"`
	// More is how many more of it in the second session would tell; 0 where it is told
	// or no number would.
	More int `json:"more,omitempty"`
}

// KindOverlay is the overlay of one kind of shift.
type KindOverlay struct {
	Kind string `json:"kind"`
	Overlay
}

// studied is a figure with its comparison.
type studied struct {
	f     *figure
	kinds []*kindOf
	all   contrast
}

// Compare compares two sessions of one vehicle: then and now. The smallest
// differences that matter are those of the second's vehicle file.
func Compare(then, now *Record) *Comparison {
	c := &Comparison{Changed: []Changed{}, Rows: []Row{}, Compared: map[Answer]int{}, Overlays: []KindOverlay{}}
	list := slices.Concat(shiftFigures(), slipFigures(then, now), lockFigures(), standFigures(), switchFigures(then, now), momentFigures(then, now))
	var studies []*studied
	for _, f := range list {
		if m, ok := now.Matters[f.key]; ok && m > 0 {
			f.matters, f.reason = m, "by the vehicle file"
		}
		if f.relative {
			f.matters, f.repeat = portable.Log(1+f.matters), portable.Log(1+f.repeat)
		}
		if kinds := f.fit(f.observe(then, f), f.observe(now, f)); kinds != nil {
			studies = append(studies, &studied{f, kinds, f.together(kinds)})
		}
	}
	counts := countRows(then, now)
	holdInCheck(studies, counts)
	for _, s := range studies {
		c.Rows = append(c.Rows, s.row(now))
	}
	for i := range counts {
		c.Rows = append(c.Rows, counts[i].row(now))
	}
	c.Rows = append(c.Rows, foundRows(then, now)...)
	slices.SortStableFunc(c.Rows, func(a, b Row) int {
		return cmp.Or(cmp.Compare(a.rank(), b.rank()), cmp.Compare(b.weight, a.weight))
	})
	for i := range c.Rows {
		c.Compared[c.Rows[i].Judged]++
	}
	c.name(then, now)
	c.say(now)
	c.overlays(then, now)
	c.notes(then, now)
	return c
}

// rank puts the rows in order: what changed for the worse, for the better, otherwise;
// then what is small or open, and what is alike.
func (r *Row) rank() int {
	switch r.Judged {
	case Different:
		switch r.Direction {
		case Worse:
			return 0
		case Better:
			return 1
		}
		return 2
	case Small:
		return 3
	case TooFew:
		return 4
	case Alike:
		return 5
	}
	return 6
}

// holdInCheck adjusts the probabilities of all tests made at once, so that of all
// differences claimed one of twenty is due to chance: first the figures (each by all
// its kinds together and by the least likely of them), then within each the kinds.
func holdInCheck(studies []*studied, counts []count) {
	var beyond, zero []float64
	for _, s := range studies {
		var b, z []float64
		for _, k := range s.kinds {
			b, z = append(b, k.beyond), append(z, k.zero)
		}
		beyond = append(beyond, min(1, 2*min(s.all.beyond, stats.Simes(b))))
		zero = append(zero, min(1, 2*min(s.all.zero, stats.Simes(z))))
	}
	for i := range counts {
		beyond, zero = append(beyond, counts[i].p), append(zero, counts[i].p)
	}
	beyond, zero = stats.Discoveries(beyond), stats.Discoveries(zero)
	for i, s := range studies {
		var b, z []float64
		for _, k := range s.kinds {
			b, z = append(b, k.beyond), append(z, k.zero)
		}
		b, z = stats.Discoveries(b), stats.Discoveries(z)
		for j, k := range s.kinds {
			k.beyondQ, k.zeroAll = max(b[j], beyond[i]), max(z[j], zero[i])
		}
		s.all.beyondQ, s.all.zeroAll = max(s.all.beyond, beyond[i]), max(s.all.zero, zero[i])
	}
	for i := range counts {
		counts[i].q = beyond[len(studies)+i]
	}
}

// sureAlone is how surely a single value must be beyond what matters where ranks
// cannot tell; ours.
const sureAlone = 0.005

func (f *figure) answer(c *contrast) Answer {
	switch {
	case c.beyondQ <= significance && (c.guard <= significance || f.single && c.beyond <= sureAlone):
		return Different
	case c.inside && c.zeroAll <= significance:
		return Small
	case c.inside:
		return Alike
	}
	return TooFew
}

// row makes the row of a figure: its kinds below it, and above them what the most
// changed of them says.
func (s *studied) row(r *Record) Row {
	f := s.f
	row := Row{What: f.title(r), key: f.key}
	var changed []int
	worst := -1
	few := 0
	for i, k := range s.kinds {
		x := s.entry(k.name, &k.contrast, k.like)
		x.Parts = partNames(k.parts)
		x.blamed, x.kind = k.parts, k.name
		if x.Judged == Different {
			changed = append(changed, i)
			if worst < 0 || x.weight > row.Kinds[worst].weight {
				worst = i
			}
		}
		if x.Judged == TooFew {
			few++
		}
		row.Kinds = append(row.Kinds, x)
	}
	level := [2]float64{}
	weight := 0.0
	for _, k := range s.kinds {
		n, m := float64(len(k.in[0])), float64(len(k.in[1]))
		w := n * m / (n + m)
		weight += w
		level[0] += float64(w * k.like[0])
		level[1] += float64(w * k.like[1])
	}
	all := s.entry(row.What, &s.all, [2]float64{level[0] / weight, level[1] / weight})
	one := len(s.kinds) == 1
	switch {
	case worst >= 0:
		k := row.Kinds[worst]
		row.Then, row.Now, row.Judged, row.Direction, row.Words, row.Figure, row.weight = k.Then, k.Now, k.Judged, k.Direction, k.Words, k.Figure, k.weight
		var names []string
		slices.SortStableFunc(changed, func(a, b int) int { return cmp.Compare(row.Kinds[b].weight, row.Kinds[a].weight) })
		for _, i := range changed {
			names = append(names, row.Kinds[i].kind)
		}
		if !one || f.kinds == "kinds of shift" {
			row.What += ", " + listed(names, 3)
		}
		if len(changed) > 1 {
			row.Words = "The most in " + names[0] + ": " + row.Words
		}
	default:
		row.Then, row.Now, row.Judged, row.Direction, row.Words, row.Figure, row.weight = all.Then, all.Now, all.Judged, all.Direction, all.Words, all.Figure, all.weight
		if one {
			if f.kinds == "kinds of shift" {
				row.What += ", " + row.Kinds[0].kind
			}
			break
		}
		row.What += fmt.Sprintf(" (%d %s)", len(s.kinds), f.kinds)
		if few > 0 && row.Judged == Alike {
			row.Words += fmt.Sprintf(" Taken one by one, %d of the %d %s are too few to tell.", few, len(s.kinds), f.kinds)
		}
	}
	if one {
		row.blamed, row.Parts = row.Kinds[0].blamed, row.Kinds[0].Parts
	} else {
		row.blamed, row.Parts = s.blame(row.Kinds)
	}
	return row
}

// listed writes some of a list and counts the rest.
func listed(names []string, most int) string {
	if len(names) > most+1 {
		return strings.Join(names[:most], ", ") + fmt.Sprintf(" and %d more", len(names)-most)
	}
	return strings.Join(names, ", ")
}

func partNames(list []blamed) (names []string) {
	for _, b := range list {
		names = append(names, b.part)
	}
	return names
}

// entry is a row without its kinds.
func (s *studied) entry(what string, c *contrast, like [2]float64) Row {
	f := s.f
	row := Row{What: what, Judged: f.answer(c), key: f.key}
	g := &Figure{Key: f.key, Unit: f.unit, N: c.n, Then: like[0], Now: like[1], Diff: c.d, CI: [2]float64{c.low, c.high}, Matters: f.matters, Reason: f.reason, Relative: f.relative,
		Chance: c.zeroAll, Beyond: c.beyondQ, Ranks: c.guard, Exact: c.exact}
	if f.relative {
		g.Then, g.Now = portable.Exp(like[0]), portable.Exp(like[1])
		g.Diff, g.CI[0], g.CI[1], g.Matters = portable.Exp(c.d)-1, portable.Exp(c.low)-1, portable.Exp(c.high)-1, portable.Exp(f.matters)-1
	}
	for _, p := range []*float64{&g.Then, &g.Now, &g.Diff, &g.CI[0], &g.CI[1], &g.Matters} {
		*p = round(*p, f.digits+2)
	}
	for _, p := range []*float64{&g.Chance, &g.Beyond, &g.Ranks} {
		*p = digits(*p, 3)
	}
	row.Figure = g
	row.Then, row.Now = f.text(g.Then), f.text(g.Now)
	row.weight = math.Abs(c.d) / f.matters
	if row.Judged == Different || row.Judged == Small {
		row.Direction = direction(c.d, f.worse)
	}
	if row.Judged == TooFew {
		g.More = f.more2(c)
	}
	row.Words = f.sentence(row.Judged, g, c)
	return row
}

// digits keeps so many significant ones.
func digits(v float64, n int) float64 {
	if v == 0 || math.IsNaN(v) || math.IsInf(v, 0) {
		return v
	}
	scale := 1.0
	for v*scale < 1 && scale < 1e300 && n > 0 {
		scale *= 10
	}
	for range n - 1 {
		scale *= 10
	}
	return math.Round(v*scale) / scale
}

// text writes a value with its unit.
func (f *figure) text(v float64) string {
	s := fmt.Sprintf("%.*f", f.digits, v)
	if strings.Trim(s, "-0.") == "" {
		s = strings.TrimPrefix(s, "-")
	}
	s = strings.Replace(s, "-", "−", 1)
	if f.unit != "" {
		s += " " + f.unit
	}
	return s
}

// share writes a difference: of a relative figure in per cent.
func (f *figure) difference(v float64) string {
	if f.relative {
		return fmt.Sprintf("%.0f %%", 100*v)
	}
	return f.text(v)
}

// mostMore is the largest number of further values that is asked for.
const mostMore = 60

// more2 is how many more values in the second session would tell; 0 where no number
// up to mostMore would.
func (f *figure) more2(c *contrast) int {
	n, m := float64(c.n[0]), float64(c.n[1])
	s2 := (float64(c.se*c.se) - c.apart) / (1/n + 1/m)
	away := math.Abs(c.d)
	for more := 1; more <= mostMore; more++ {
		se := math.Sqrt(float64(s2*(1/n+1/(m+float64(more)))) + c.apart)
		df := c.df + float64(more)
		if away < f.matters {
			if stats.Tail((f.matters-away)/se, df) <= significance {
				return more
			}
			continue
		}
		if stats.Tail((away-f.matters)/se, df) <= significance/10 && arrangements(c.n[0], c.n[1]+more) >= 1/significance {
			return more
		}
	}
	return 0
}

// arrangements is the number of ways to deal n + m values out.
func arrangements(n, m int) float64 {
	ways := 1.0
	for i := 1; i <= min(n, m) && ways < 1e6; i++ {
		ways = ways * float64(n+m-i+1) / float64(i)
	}
	return ways
}

// sentence is a figure in plain words.
func (f *figure) sentence(a Answer, g *Figure, c *contrast) string {
	s := fmt.Sprintf("%s in the first session (%d), %s in the second (%d)", f.text(g.Then), g.N[0], f.text(g.Now), g.N[1])
	word := f.more
	if g.Diff < 0 {
		word = f.less
	}
	between := fmt.Sprintf("the difference lies between %s and %s with 95 %% confidence", plus(f.difference(g.CI[0])), plus(f.difference(g.CI[1])))
	matters := fmt.Sprintf("%s matters: %s", f.difference(g.Matters), g.Reason)
	switch a {
	case Different:
		return fmt.Sprintf("%s: %s %s; %s; %s.", s, f.difference(math.Abs(g.Diff)), word, between, matters)
	case Small:
		return fmt.Sprintf("%s: %s %s, which is less than what matters; %s; %s.", s, f.difference(math.Abs(g.Diff)), word, between, matters)
	case Alike:
		return fmt.Sprintf("%s: alike; %s; %s.", s, between, matters)
	}
	what := "whether they are alike or not cannot be told"
	if c.zeroAll <= significance {
		what = "they differ, whether by more than what matters cannot be told"
	}
	s = fmt.Sprintf("%s: %s; %s; %s.", s, what, between, matters)
	switch {
	case c.apart > float64(c.se*c.se)/2:
		s += " The sessions were driven too differently for this: drive the second again like the first."
	case g.More > 0:
		s += fmt.Sprintf(" %d more of this in the second session would tell.", g.More)
	default:
		s += " It takes more of this in both sessions."
	}
	return s
}

// plus gives a figure its sign; one that is rounded to 0 has none.
func plus(s string) string {
	figure, _, _ := strings.Cut(s, " ")
	if strings.HasPrefix(s, "-") {
		return "−" + s[1:]
	}
	if strings.HasPrefix(s, "−") || strings.Trim(figure, "0.") == "" {
		return s
	}
	return "+" + s
}

func (c *Comparison) overlays(then, now *Record) {
	a, b := groups(then.Shifts), groups(now.Shifts)
	for _, k := range keysOf(a, b) {
		if len(a[k]) == 0 || len(b[k]) == 0 {
			continue
		}
		o := overlay([2][]*Shift{a[k], b[k]})
		if len(o.T) > 0 {
			c.Overlays = append(c.Overlays, KindOverlay{k.from + "-" + k.to + " " + k.kind, o})
		}
	}
}
