package compare

import (
	"cmp"
	"math"
	"slices"

	"gearwitness/decode/compare/stats"
)

// significance is the share of differences claimed that may be due to chance.
const significance = 0.05

// conditions is the most conditions that one figure is made alike in.
const conditions = 3

// condition is what a figure depends on beside the gearbox, such as the pedal.
type condition struct {
	name, unit string
	tolerance  float64 // within it two are alike
	slope      float64 // what the figure usually changes by for one unit of it: a standard deviation, not a value
}

// observation is one value of a figure in one session.
type observation struct {
	kind  string // like is compared with like of one kind only
	order string // kinds are listed in its order
	y     float64
	x     [conditions]float64 // NaN: not known
	parts []blamed            // what may be behind a change of this kind
}

// kindOf is what both sessions have of one kind of one figure.
type kindOf struct {
	name, order string
	parts       []blamed
	all         [2]int // observed, like or not
	in          [2][]observation

	mean [2]float64             // of y, outliers drawn in
	x    [2][conditions]float64 // means
	ss   float64                // sum of squares about the line
	df   float64
	rest [2][]float64 // y with the conditions' part taken off
	like [2]float64   // level under like conditions
	contrast
}

// contrast is what a comparison of one figure in one kind, or in several, gives.
type contrast struct {
	n       [2]int
	d       float64 // second minus first
	se      float64 // its standard error
	df      float64
	zero    float64 // two-sided P, if there were no difference
	beyond  float64 // one-sided P, if the difference were no more than matters, in the direction seen
	guard   float64 // the same from ranks
	exact   bool    // guard counts every arrangement
	apart   float64 // part of se's square that unlike conditions make
	low     float64 // 95 % interval
	high    float64
	inside  bool    // both one-sided tests hold that the difference is less than matters
	zeroAll float64 // zero with regard to all that was compared
	beyondQ float64 // beyond likewise
}

// fit compares one figure of two sessions, kind by kind. For each kind k
//
//	y = level_k + b (x - mean x) + d_k [second session] + rest
//
// with one slope b per condition for all kinds. Slopes are estimated within the kinds
// and sessions and drawn towards 0 as far as the figure usually depends little on the
// condition (ridge regression: Hoerl and Kennard, Technometrics 12, 1970; with the
// usual size as the prior's standard deviation, as a Bayesian reads it). So where both
// sessions were driven alike nothing is changed; where both vary, the data tell; and
// where the sessions have nothing in common, what the condition may explain makes the
// difference less sure instead of being taken for a change. Rests beyond 4 robust
// standard deviations are drawn in (Huber's proposal), their variance is shrunk
// towards that of all kinds, and that towards what like values of a sound gearbox
// differ by (stats.Shrink).
func (f *figure) fit(a, b []observation) []*kindOf {
	kinds := pair(f, a, b)
	if len(kinds) == 0 {
		return nil
	}
	beta := f.slopes(kinds)
	f.line = beta
	f.rests(kinds, beta.b)
	pooled := f.pooled(kinds)
	for _, k := range kinds {
		own := 0.0
		if k.df > 0 {
			own = k.ss / k.df
		}
		s2, kdf := stats.Shrink(own, k.df, pooled, 4)
		d := k.mean[1] - k.mean[0]
		var dx [conditions]float64
		for j := range dx {
			dx[j] = k.x[1][j] - k.x[0][j]
			d -= float64(beta.b[j] * dx[j])
		}
		// Under the mean conditions of both.
		for s := range k.like {
			part := 0.0
			for j := range dx {
				part += float64(beta.b[j] * (k.x[s][j] - float64((k.x[0][j]+k.x[1][j])/2)))
			}
			k.like[s] = k.mean[s] - part
			for i := range k.rest[s] {
				k.rest[s][i] -= part
			}
		}
		random := s2 * (1/float64(len(k.in[0])) + 1/float64(len(k.in[1])))
		k.contrast = f.conclude(contrast{n: [2]int{len(k.in[0]), len(k.in[1])}, d: d, df: kdf}, random, beta.doubt(dx), []*kindOf{k})
	}
	return kinds
}

// together compares a figure in several kinds at once: each weighs as much as its
// numbers of values can tell.
func (f *figure) together(kinds []*kindOf) contrast {
	var c contrast
	var w, d, random float64
	var dx [conditions]float64
	var df float64
	for _, k := range kinds {
		n, m := float64(len(k.in[0])), float64(len(k.in[1]))
		weight := n * m / (n + m)
		w += weight
		d += float64(weight * k.d)
		s2 := (float64(k.se*k.se) - k.apart) / (1/n + 1/m)
		random += float64(weight * s2) // weight^2 (1/n + 1/m) s2
		for j := range dx {
			dx[j] += float64(weight * (k.x[1][j] - k.x[0][j]))
		}
		df += k.df
		c.n[0] += len(k.in[0])
		c.n[1] += len(k.in[1])
	}
	if w == 0 {
		return contrast{zero: 1, beyond: 1, guard: 1}
	}
	for j := range dx {
		dx[j] /= w
	}
	c.d, c.df = d/w, max(df, 4)
	return f.conclude(c, random/(w*w), f.line.doubt(dx), kinds)
}

// conclude tests a difference.
func (f *figure) conclude(c contrast, random, apart float64, kinds []*kindOf) contrast {
	variance := random + apart
	c.apart, c.se = apart, math.Sqrt(variance)
	if apart > 0 { // Satterthwaite: what the conditions add has no end of degrees of freedom
		c.df *= variance / random * (variance / random)
	}
	m := f.matters
	away := math.Abs(c.d)
	c.zero = min(1, 2*stats.Tail(away/c.se, c.df))
	c.beyond = stats.Tail((away-m)/c.se, c.df)
	half := float64(stats.TailQuantile(0.025, c.df) * c.se)
	c.low, c.high = c.d-half, c.d+half
	// Two one-sided tests (Schuirmann, Journal of Pharmacokinetics and
	// Biopharmaceutics 15, 1987).
	c.inside = stats.Tail((m-away)/c.se, c.df) <= significance
	sign := 1.0
	if c.d < 0 {
		sign = -1
	}
	var strata []stats.Stratum
	for _, k := range kinds {
		s := stats.Stratum{}
		for _, v := range k.rest[0] {
			s.A = append(s.A, sign*v)
		}
		for _, v := range k.rest[1] {
			s.B = append(s.B, float64(sign*v)-m)
		}
		strata = append(strata, s)
	}
	r := stats.RankSum(strata...)
	c.guard, c.exact = r.Larger, r.Exact
	return c
}

// pair sorts the observations of both sessions into kinds, and leaves in each those
// that have a like one in the other session where there are enough of them.
func pair(f *figure, a, b []observation) []*kindOf {
	of := map[string]*kindOf{}
	for s, list := range [2][]observation{a, b} {
		for _, o := range list {
			if math.IsNaN(o.y) || math.IsInf(o.y, 0) {
				continue
			}
			k := of[o.kind]
			if k == nil {
				k = &kindOf{name: o.kind, order: o.order, parts: o.parts}
				of[o.kind] = k
			}
			k.in[s] = append(k.in[s], o)
			k.all[s]++
		}
	}
	var kinds []*kindOf
	for _, k := range of {
		if k.all[0] > 0 && k.all[1] > 0 {
			k.complete(f)
			if k.match(f); len(k.in[0]) > 0 && len(k.in[1]) > 0 {
				kinds = append(kinds, k)
			}
		}
	}
	slices.SortFunc(kinds, func(x, y *kindOf) int { return cmp.Or(cmp.Compare(x.order, y.order), cmp.Compare(x.name, y.name)) })
	return kinds
}

// complete gives conditions that are not known of an observation the mean of its
// session, and where one session knows nothing of it that of the other.
func (k *kindOf) complete(f *figure) {
	for j := range f.conditions {
		var m [2]average
		for s := range k.in {
			for i := range k.in[s] {
				m[s].add(k.in[s][i].x[j])
			}
		}
		for s := range k.in {
			fill := m[s].mean()
			if math.IsNaN(fill) {
				fill = m[1-s].mean()
			}
			if math.IsNaN(fill) {
				fill = 0
			}
			for i := range k.in[s] {
				if x := &k.in[s][i].x[j]; math.IsNaN(*x) {
					*x = fill
				}
			}
		}
	}
}

// enough like ones on both sides make it needless to look at the unlike.
const enough = 4

func (k *kindOf) match(f *figure) {
	alike := func(x, y *observation) bool {
		for j, c := range f.conditions {
			if math.Abs(x.x[j]-y.x[j]) > c.tolerance {
				return false
			}
		}
		return true
	}
	var like [2][]observation
	for s := range k.in {
		for i := range k.in[s] {
			if slices.ContainsFunc(k.in[1-s], func(o observation) bool { return alike(&k.in[s][i], &o) }) {
				like[s] = append(like[s], k.in[s][i])
			}
		}
	}
	if f.likeOnly || len(like[0]) >= enough && len(like[1]) >= enough {
		k.in = like
	}
}

// line is the slopes of a figure and what is not known of them.
type line struct {
	b   [conditions]float64
	cov [conditions][conditions]float64
}

// doubt is the variance that differences dx of the conditions add.
func (l *line) doubt(dx [conditions]float64) (v float64) {
	for i := range dx {
		for j := range dx {
			v += float64(dx[i] * l.cov[i][j] * dx[j])
		}
	}
	return max(0, v)
}

// pooled is the variance of what the lines leave over all kinds, held up by what the
// figure repeats to.
func (f *figure) pooled(kinds []*kindOf) float64 {
	var ss, df float64
	for _, k := range kinds {
		ss, df = ss+k.ss, df+k.df
	}
	variance := 0.0
	if df > 0 {
		variance = ss / df
	}
	s2, _ := stats.Shrink(variance, df, f.repeat*f.repeat, 4)
	return s2
}

// slopes estimates the slopes within kinds and sessions.
func (f *figure) slopes(kinds []*kindOf) line {
	l := line{}
	for range 3 { // outliers and slopes settle each other
		f.rests(kinds, l.b)
		s2 := f.pooled(kinds)
		var a [conditions][conditions]float64
		var y [conditions]float64
		for j := range a {
			a[j][j] = 1 // a condition that the figure has not
			if j < len(f.conditions) {
				a[j][j] = 1 / (f.conditions[j].slope * f.conditions[j].slope)
			}
		}
		for _, k := range kinds {
			for s := range k.in {
				for i, o := range k.in[s] {
					// The rest with outliers drawn in, and the conditions' part back on.
					v := k.rest[s][i] - k.mean[s]
					for j := range f.conditions {
						v += float64(l.b[j] * (o.x[j] - k.x[s][j]))
					}
					for j := range f.conditions {
						y[j] += float64((o.x[j] - k.x[s][j]) * v / s2)
						for h := range f.conditions {
							a[j][h] += float64((o.x[j] - k.x[s][j]) * (o.x[h] - k.x[s][h]) / s2)
						}
					}
				}
			}
		}
		l.cov = inverse(a)
		for j := range l.b {
			l.b[j] = 0
			for h := range l.b {
				l.b[j] += float64(l.cov[j][h] * y[h])
			}
		}
		for j := len(f.conditions); j < conditions; j++ {
			for h := range conditions {
				l.cov[j][h], l.cov[h][j] = 0, 0
			}
		}
	}
	return l
}

// drawnIn is how many robust standard deviations a rest may be off.
const drawnIn = 4

// rests takes the conditions' part off, draws outliers in and adds up what is left.
func (f *figure) rests(kinds []*kindOf, b [conditions]float64) {
	var off []float64
	for _, k := range kinds {
		for s := range k.in {
			k.x[s] = [conditions]float64{}
			for _, o := range k.in[s] {
				for j := range f.conditions {
					k.x[s][j] += o.x[j] / float64(len(k.in[s]))
				}
			}
			k.rest[s] = k.rest[s][:0]
			for _, o := range k.in[s] {
				v := o.y
				for j := range f.conditions {
					v -= float64(b[j] * (o.x[j] - k.x[s][j]))
				}
				k.rest[s] = append(k.rest[s], v)
			}
			if len(k.rest[s]) >= 3 {
				middle := stats.Median(k.rest[s])
				for _, v := range k.rest[s] {
					off = append(off, math.Abs(v-middle))
				}
			}
		}
	}
	spread := f.repeat
	if len(off) > 0 {
		spread = max(spread, 1.4826*stats.Median(off))
	}
	far := float64(drawnIn * spread)
	for _, k := range kinds {
		k.ss, k.df = 0, 0
		for s := range k.in {
			middle := stats.Median(k.rest[s])
			sum := 0.0
			for i, v := range k.rest[s] {
				k.rest[s][i] = min(max(v, middle-far), middle+far)
				sum += k.rest[s][i]
			}
			k.mean[s] = sum / float64(len(k.rest[s]))
			for _, v := range k.rest[s] {
				k.ss += float64((v - k.mean[s]) * (v - k.mean[s]))
			}
			k.df += float64(len(k.rest[s]) - 1)
		}
	}
}

// inverse of a symmetric matrix without a 0 on its diagonal's way (Gauss and Jordan).
func inverse(a [conditions][conditions]float64) (inv [conditions][conditions]float64) {
	for i := range inv {
		inv[i][i] = 1
	}
	for c := range a {
		p := 1 / a[c][c]
		for k := range a {
			a[c][k] *= p
			inv[c][k] *= p
		}
		for r := range a {
			if r == c {
				continue
			}
			g := a[r][c]
			for k := range a {
				a[r][k] -= float64(g * a[c][k])
				inv[r][k] -= float64(g * inv[c][k])
			}
		}
	}
	return inv
}
