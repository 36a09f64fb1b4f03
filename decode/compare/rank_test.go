package compare

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"
)

func near(got, want, tolerance float64) bool { return math.Abs(got-want) <= tolerance }

// TestMannWhitneyPublished repeats two worked examples of the R manual, page
// wilcox.test (figures from memory): permeability constants of the human
// chorioamnion at term (first sample) and at 12 to 26 weeks, from Hollander and
// Wolfe (1973), page 69: W = 35, one-sided p = 0.1272; and ozone in New York in
// May and August 1973 from the data set airquality, with ties: W = 127.5,
// p = 0.0001208 by the normal approximation with continuity correction. R's W
// counts the pairs in which the first sample is larger.
func TestMannWhitneyPublished(t *testing.T) {
	term := []float64{0.80, 0.83, 1.89, 1.04, 1.45, 1.38, 1.91, 1.64, 0.73, 1.46}
	early := []float64{1.15, 0.88, 0.90, 0.74, 1.21}
	got := MannWhitney(early, term)
	if got.U != 35 || !got.Exact || !near(got.P, 2*0.1272, 0.0001) {
		t.Errorf("chorioamnion: %+v; want U 35 and P 0.2544, exact", got)
	}
	may := []float64{41, 36, 12, 18, 28, 23, 19, 8, 7, 16, 11, 14, 18, 14, 34, 6, 30, 11, 1, 11, 4, 32, 23, 45, 115, 37}
	august := []float64{39, 9, 16, 78, 35, 66, 122, 89, 110, 44, 28, 65, 22, 59, 23, 31, 44, 21, 9, 45, 168, 73, 76, 118, 84, 85}
	got = MannWhitney(august, may)
	if got.U != 127.5 {
		t.Errorf("ozone: U %g; want 127.5", got.U)
	}
	if p := approximate(august, may); !near(p, 0.0001208, 0.0000001) {
		t.Errorf("ozone: normal approximation P %.7f; want 0.0001208", p)
	}
	if !got.Exact || !near(got.P, 0.0001208, 0.0001) {
		t.Errorf("ozone: exact P %.7f; want it near the approximation", got.P)
	}
}

// approximate is the P that MannWhitney gives beyond its limit.
func approximate(a, b []float64) float64 {
	r := rank(a, b)
	return r.normalP()
}

// TestMannWhitneyTables compares critical values with the table of Mann and
// Whitney (1947), two-sided 0.05, from memory of any textbook's table: the
// largest smaller U that is significant.
func TestMannWhitneyTables(t *testing.T) {
	for _, c := range []struct{ n, m, critical int }{{4, 4, 0}, {5, 5, 2}, {6, 6, 5}, {8, 8, 13}, {10, 10, 23}, {5, 8, 6}, {20, 20, 127}} {
		for _, u := range []int{c.critical, c.critical + 1} {
			a, b := samplesWithU(c.n, c.m, u)
			got := MannWhitney(a, b)
			if got.U != float64(u) {
				t.Fatalf("n %d, m %d: U %g; want %d", c.n, c.m, got.U, u)
			}
			if significant := got.P <= 0.05; significant != (u == c.critical) {
				t.Errorf("n %d, m %d, U %d: P %.4f; the table's critical value is %d", c.n, c.m, u, got.P, c.critical)
			}
		}
	}
	if p := smallestP(3, 3); !near(p, 0.1, 1e-9) {
		t.Errorf("smallest P of 3 and 3: %g; want 2 of 20", p)
	}
}

// samplesWithU makes samples of n and m values without ties in which u pairs
// have the larger value in the second.
func samplesWithU(n, m, u int) (a, b []float64) {
	for i := range n {
		a = append(a, float64(i))
	}
	for range m {
		// A value of b above k values of a adds k pairs.
		k := min(u, n)
		u -= k
		b = append(b, float64(k)-0.5+float64(len(b))*1e-6)
	}
	return a, b
}

// TestMannWhitneyCountsEverything compares the exact P with going through every
// arrangement one by one, on random samples full of ties.
func TestMannWhitneyCountsEverything(t *testing.T) {
	random := rand.New(rand.NewPCG(1, 2))
	for range 60 {
		n, m := 1+random.IntN(6), 1+random.IntN(6)
		var all []float64
		for range n + m {
			all = append(all, float64(random.IntN(5)))
		}
		want := enumerated(all, n)
		if got := MannWhitney(all[:n], all[n:]).P; !near(got, want, 1e-12) {
			t.Fatalf("samples %v and %v: P %g; going through all arrangements gives %g", all[:n], all[n:], got, want)
		}
	}
}

// enumerated is the two-sided P by brute force: the U of every choice of n of
// the values, counted pair by pair.
func enumerated(all []float64, n int) float64 {
	u := func(first uint) float64 {
		s := 0.0
		for i, x := range all {
			for k, y := range all {
				if first>>i&1 == 1 && first>>k&1 == 0 {
					switch {
					case y > x:
						s++
					case y == x:
						s += 0.5
					}
				}
			}
		}
		return s
	}
	middle := float64(n*(len(all)-n)) / 2
	far := math.Abs(u(1<<n-1) - middle)
	total, beyond := 0.0, 0.0
	for set := uint(0); set < 1<<len(all); set++ {
		ones := 0
		for i := range all {
			ones += int(set >> i & 1)
		}
		if ones != n {
			continue
		}
		total++
		if math.Abs(u(set)-middle) >= far {
			beyond++
		}
	}
	return beyond / total
}

// TestApproximationMeetsExact compares both ways near the limit between them.
func TestApproximationMeetsExact(t *testing.T) {
	random := rand.New(rand.NewPCG(3, 4))
	for range 20 {
		var a, b []float64
		for range 30 {
			a = append(a, math.Round(20*random.NormFloat64())/10)
			b = append(b, math.Round(20*random.NormFloat64()+8)/10)
		}
		if exact, approx := MannWhitney(a, b).P, approximate(a, b); !near(exact, approx, 0.005) {
			t.Errorf("30 and 30 values: exact P %.4f, approximation %.4f", exact, approx)
		}
	}
	a := slices.Repeat([]float64{7}, 40)
	if got := MannWhitney(a, a); got.P != 1 || got.U != 800 {
		t.Errorf("80 equal values: %+v; want U 800 and P 1", got)
	}
}

// TestHolm repeats the rule by hand on four values: 4 x 0.005, 3 x 0.01, 2 x
// 0.03, and the last no smaller than the one before.
func TestHolm(t *testing.T) {
	got := holm([]float64{0.01, 0.04, 0.03, 0.005})
	want := []float64{0.03, 0.06, 0.06, 0.02}
	for i := range want {
		if !near(got[i], want[i], 1e-12) {
			t.Fatalf("got %v; want %v", got, want)
		}
	}
}

// TestQuantiles repeats type 7 of Hyndman and Fan by hand.
func TestQuantiles(t *testing.T) {
	v := []float64{1, 2, 4, 8}
	for q, want := range map[float64]float64{0: 1, 0.25: 1.75, 0.5: 3, 0.75: 5, 1: 8} {
		if got := quantile(v, q); got != want {
			t.Errorf("quantile %g of %v is %g; want %g", q, v, got, want)
		}
	}
	if Median([]float64{9, 1, 5}) != 5 || Median([]float64{4, 1, 2, 9}) != 3 || !math.IsNaN(Median(nil)) {
		t.Error("medians of 9 1 5, of 4 1 2 9 and of nothing are not 5, 3 and NaN")
	}
}

// TestBootstrapCovers draws samples whose medians differ by a known amount and
// counts how often the interval holds it: near 95 of 100 by its definition; of
// 300 trials the count's standard deviation is 1.3 %.
func TestBootstrapCovers(t *testing.T) {
	random := rand.New(rand.NewPCG(5, 6))
	const trials = 300
	hits := 0
	for k := range trials {
		var a, b []float64
		for range 25 {
			a = append(a, random.NormFloat64())
			b = append(b, 0.7+random.NormFloat64())
		}
		i := bootstrap(uint64(k), func(s [][]float64) float64 { return median(s[1]) - median(s[0]) }, a, b)
		if i.Low <= 0.7 && 0.7 <= i.High {
			hits++
		}
	}
	if share := float64(hits) / trials; share < 0.90 || share > 0.99 {
		t.Errorf("the interval holds the true difference in %.1f %% of %d trials; want about 95", 100*share, trials)
	}
}

// TestMannKendallTable compares with Kendall's table of the probability of S
// (Rank Correlation Methods, appendix; from memory): n = 5: S = 10 has 0.0083,
// S = 8 0.042; n = 8: S = 16 0.031; n = 10: S = 21 0.036, one-sided.
func TestMannKendallTable(t *testing.T) {
	for _, c := range []struct {
		values []float64
		s      float64
		p      float64
	}{
		{[]float64{1, 2, 3, 4, 5}, 10, 0.0083},
		{[]float64{1, 2, 3, 5, 4}, 8, 0.042},
		{[]float64{5, 4, 3, 2, 1}, -10, 0.0083},
		{[]float64{1, 5, 4, 3, 2, 6, 7, 8}, 16, 0.031},
		{[]float64{7, 1, 2, 3, 4, 5, 10, 9, 8, 6}, 21, 0.036},
	} {
		got := MannKendall(c.values)
		n := float64(len(c.values))
		if !near(got.Tau*n*(n-1)/2, c.s, 1e-9) || !near(got.P, 2*c.p, 0.001) {
			t.Errorf("%v: S %g, P %.4f; want S %g, P %.4f", c.values, got.Tau*n*(n-1)/2, got.P, c.s, 2*c.p)
		}
	}
	// Beyond ten values, normal: n = 12, S = 66 throughout: z = 65/sqrt(212.667)
	// = 4.457, P = 8.3e-6, by hand.
	var v []float64
	for i := range 12 {
		v = append(v, float64(3*i))
	}
	if got := MannKendall(v); !near(got.P, 8.3e-6, 1e-7) || got.PerSession != 3 {
		t.Errorf("12 rising values: %+v; want P 8.3e-6 and a slope of 3", got)
	}
	if got := MannKendall([]float64{2, 2, 2}); got.P != 1 || got.PerSession != 0 {
		t.Errorf("three equal values: %+v; want P 1 and no slope", got)
	}
}
