package stats

import (
	"math"
	"math/bits"
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
	got := RankSum(Stratum{early, term})
	if got.Share != 35./50 || !got.Exact || !near(got.P(), 2*0.1272, 0.0001) || !near(got.Larger, 0.1272, 0.0001) {
		t.Errorf("chorioamnion: %+v; want 35 of 50 pairs and P 0.1272 of larger, exact", got)
	}
	may := []float64{41, 36, 12, 18, 28, 23, 19, 8, 7, 16, 11, 14, 18, 14, 34, 6, 30, 11, 1, 11, 4, 32, 23, 45, 115, 37}
	august := []float64{39, 9, 16, 78, 35, 66, 122, 89, 110, 44, 28, 65, 22, 59, 23, 31, 44, 21, 9, 45, 168, 73, 76, 118, 84, 85}
	got = RankSum(Stratum{august, may})
	if got.Share != 127.5/26/26 {
		t.Errorf("ozone: share %g; want 127.5 of 676 pairs", got.Share)
	}
	if p := approximate(august, may); !near(p, 0.0001208, 0.0000001) {
		t.Errorf("ozone: normal approximation P %.7f; want 0.0001208", p)
	}
	if !got.Exact || !near(got.P(), 0.0001208, 0.0001) {
		t.Errorf("ozone: exact P %.7f; want it near the approximation", got.P())
	}
}

// approximate is the two-sided P that RankSum gives beyond its limit.
func approximate(a, b []float64) float64 {
	smaller, larger := approximated([]ranks{rank(a, b)})
	return 2 * min(smaller, larger)
}

// TestMannWhitneyTables compares critical values with the table of Mann and
// Whitney (1947), two-sided 0.05, from memory of any textbook's table: the
// largest smaller U that is significant.
func TestMannWhitneyTables(t *testing.T) {
	for _, c := range []struct{ n, m, critical int }{{4, 4, 0}, {5, 5, 2}, {6, 6, 5}, {8, 8, 13}, {10, 10, 23}, {5, 8, 6}, {20, 20, 127}} {
		for _, u := range []int{c.critical, c.critical + 1} {
			a, b := samplesWithU(c.n, c.m, u)
			got := RankSum(Stratum{a, b})
			if !near(got.Share*float64(c.n*c.m), float64(u), 1e-9) {
				t.Fatalf("n %d, m %d: %g of the pairs; want %d of them", c.n, c.m, got.Share, u)
			}
			if significant := got.P() <= 0.05; significant != (u == c.critical) {
				t.Errorf("n %d, m %d, U %d: P %.4f; the table's critical value is %d", c.n, c.m, u, got.P(), c.critical)
			}
		}
	}
	if p := RankSum(Stratum{[]float64{1, 2, 3}, []float64{4, 5, 6}}).Larger; !near(p, 0.05, 1e-9) {
		t.Errorf("3 above 3: %g; want 1 of 20", p)
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

// TestCountsEverything compares the exact probabilities with going through every
// arrangement of every stratum one by one, on random samples full of ties.
func TestCountsEverything(t *testing.T) {
	random := rand.New(rand.NewPCG(1, 2))
	for range 60 {
		var strata []Stratum
		for range 1 + random.IntN(3) {
			n, m := random.IntN(4), 1+random.IntN(3)
			var all []float64
			for range n + m {
				all = append(all, float64(random.IntN(5)))
			}
			strata = append(strata, Stratum{all[:n], all[n:]})
		}
		smaller, larger := enumerated(strata)
		if got := RankSum(strata...); !near(got.Smaller, smaller, 1e-12) || !near(got.Larger, larger, 1e-12) {
			t.Fatalf("%v: %+v; going through all arrangements gives %g smaller, %g larger", strata, got, smaller, larger)
		}
	}
}

// enumerated is both one-sided P by brute force: the statistic of every choice of B
// values in every stratum, its ranks counted pair by pair.
func enumerated(strata []Stratum) (smaller, larger float64) {
	// What each choice of each stratum adds, the first being the one seen.
	var adds [][]float64
	for _, s := range strata {
		if len(s.A) == 0 || len(s.B) == 0 {
			continue
		}
		all := slices.Concat(s.B, s.A)
		var list []float64
		for set := uint(0); set < 1<<len(all); set++ {
			if bits.OnesCount(set) != len(s.B) {
				continue
			}
			sum := 0.0
			for i, x := range all {
				if set>>i&1 == 0 {
					continue
				}
				below, equal := 0.0, 0.0
				for _, y := range all {
					switch {
					case y < x:
						below++
					case y == x:
						equal++
					}
				}
				sum += below + (equal+1)/2
			}
			list = append(list, sum/float64(len(all)+1))
		}
		adds = append(adds, list)
	}
	seen := 0.0
	for _, l := range adds {
		seen += l[0]
	}
	totals := []float64{0}
	for _, l := range adds {
		var next []float64
		for _, t := range totals {
			for _, x := range l {
				next = append(next, t+x)
			}
		}
		totals = next
	}
	for _, t := range totals {
		if t <= seen+1e-9 {
			smaller++
		}
		if t >= seen-1e-9 {
			larger++
		}
	}
	return smaller / float64(len(totals)), larger / float64(len(totals))
}

// TestStrata checks that a difference within the kinds is seen where the kinds
// themselves differ far more, and that the approximation of several strata meets the
// exact count: at 7 + 7, 8 + 6 and 9 + 9 values.
func TestStrata(t *testing.T) {
	strata := []Stratum{{[]float64{1, 2, 3}, []float64{4, 5, 6}}, {[]float64{101, 102, 103}, []float64{104, 105, 106}}}
	if got := RankSum(strata...); !near(got.Larger, 1./400, 1e-12) || got.Share != 1 {
		t.Errorf("3 above 3, twice: %+v; want 1 of 20 x 20 arrangements", got)
	}
	var all Stratum
	for _, s := range strata {
		all = Stratum{append(all.A, s.A...), append(all.B, s.B...)}
	}
	if got := RankSum(all); got.Larger < 0.05 {
		t.Errorf("the same without strata: %+v; want it hidden", got)
	}
	random := rand.New(rand.NewPCG(7, 8))
	for range 20 {
		var list []Stratum
		var r []ranks
		for _, n := range [][2]int{{7, 7}, {8, 6}, {9, 9}} {
			s := Stratum{make([]float64, n[0]), make([]float64, n[1])}
			for i := range s.A {
				s.A[i] = math.Round(10 * random.NormFloat64())
			}
			for i := range s.B {
				s.B[i] = math.Round(10*random.NormFloat64()) + 6
			}
			list, r = append(list, s), append(r, rank(s.A, s.B))
		}
		exact := RankSum(list...)
		if _, larger := approximated(r); !exact.Exact || !near(exact.Larger, larger, 0.006) {
			t.Errorf("exact %+v, approximation %.4f", exact, larger)
		}
	}
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
		if exact, approx := RankSum(Stratum{a, b}).P(), approximate(a, b); !near(exact, approx, 0.005) {
			t.Errorf("30 and 30 values: exact P %.4f, approximation %.4f", exact, approx)
		}
	}
	a := slices.Repeat([]float64{7}, 40)
	if got := RankSum(Stratum{a, a}); got.P() != 1 || got.Share != 0.5 {
		t.Errorf("80 equal values: %+v; want half of the pairs and P 1", got)
	}
	if got := RankSum(Stratum{a, nil}); got.P() != 1 || got.Share != 0.5 {
		t.Errorf("nothing to compare with: %+v; want P 1", got)
	}
}

// TestQuantiles repeats type 7 of Hyndman and Fan by hand.
func TestQuantiles(t *testing.T) {
	v := []float64{1, 2, 4, 8}
	for q, want := range map[float64]float64{0: 1, 0.25: 1.75, 0.5: 3, 0.75: 5, 1: 8} {
		if got := Quantile(v, q); got != want {
			t.Errorf("quantile %g of %v is %g; want %g", q, v, got, want)
		}
	}
	if Median([]float64{9, 1, 5}) != 5 || Median([]float64{4, 1, 2, 9}) != 3 || !math.IsNaN(Median(nil)) {
		t.Error("medians of 9 1 5, of 4 1 2 9 and of nothing are not 5, 3 and NaN")
	}
}
