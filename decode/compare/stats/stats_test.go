package stats

import (
	"math"
	"math/rand/v2"
	"testing"
)

// TestTail compares with the tables of Student's distribution found in any textbook
// (from memory), upper 2.5 %: 12.706, 2.776, 2.228 and 1.960 for 1, 4, 10 and
// infinitely many degrees of freedom; and with the worked example of the R manual,
// page t.test: Student's sleep data, t = -1.8608, 18 degrees of freedom, P = 0.07919.
func TestTail(t *testing.T) {
	for df, want := range map[float64]float64{1: 12.706, 4: 2.776, 10: 2.228, math.Inf(1): 1.960} {
		if got := TailQuantile(0.025, df); !near(got, want, 0.0006) {
			t.Errorf("upper 2.5 %% at %g degrees of freedom: %.4f; the table says %.3f", df, got, want)
		}
		if got := Tail(want, df); !near(got, 0.025, 0.00005) {
			t.Errorf("tail of %.3f at %g degrees of freedom: %.5f; want 0.025", want, df, got)
		}
	}
	if got := 2 * Tail(1.8608, 18); !near(got, 0.07919, 0.00001) {
		t.Errorf("sleep data: P %.5f; want 0.07919", got)
	}
	if got := Tail(-1, 5) + Tail(1, 5); !near(got, 1, 1e-12) {
		t.Errorf("both tails together: %g; want 1", got)
	}
	if got := Tail(60, 7); !(got > 0 && got < 1e-9) {
		t.Errorf("tail of 60 at 7 degrees of freedom: %g; want a figure that is small and not 0", got)
	}
}

// TestShrink by hand: (3 x 4 + 6 x 1) / 9.
func TestShrink(t *testing.T) {
	if v, df := Shrink(4, 3, 1, 6); v != 2 || df != 9 {
		t.Errorf("got %g with %g degrees of freedom; want 2 with 9", v, df)
	}
}

// TestShrunkTestHoldsItsLevel draws few values of one distribution for both sides,
// whose true spread is the expected one, and counts how often they are called
// different at 5 %: of 4,000 trials the count's standard deviation is 0.3 %.
func TestShrunkTestHoldsItsLevel(t *testing.T) {
	random := rand.New(rand.NewPCG(9, 10))
	hits := 0
	const trials = 4000
	for range trials {
		const n = 4
		var mean [2]float64
		var squares float64
		for s := range mean {
			var v [n]float64
			for i := range v {
				v[i] = random.NormFloat64()
				mean[s] += v[i] / n
			}
			for i := range v {
				squares += (v[i] - mean[s]) * (v[i] - mean[s])
			}
		}
		variance, df := Shrink(squares/(2*n-2), 2*n-2, 1, 4)
		if 2*Tail(math.Abs(mean[1]-mean[0])/math.Sqrt(variance*2/n), df) <= 0.05 {
			hits++
		}
	}
	if share := float64(hits) / trials; share < 0.03 || share > 0.06 {
		t.Errorf("%.1f %% of equal samples called different; want 5 %% or a little less", 100*share)
	}
}

// TestDiscoveries repeats the example of Benjamini and Hochberg (1995), section 3.2:
// of these 15 comparisons, the four smallest are rejected at a rate of 0.05; three by
// Bonferroni's rule.
func TestDiscoveries(t *testing.T) {
	p := []float64{0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344, 0.0459, 0.3240, 0.4262, 0.5719, 0.6528, 0.7590, 1}
	shuffled := make([]float64, len(p))
	order := rand.New(rand.NewPCG(1, 1)).Perm(len(p))
	for i, k := range order {
		shuffled[k] = p[i]
	}
	q := Discoveries(append(shuffled, math.NaN()))
	for i, k := range order {
		if (q[k] <= 0.05) != (i < 4) {
			t.Errorf("P %g adjusted to %g; the paper rejects the four smallest", p[i], q[k])
		}
	}
	if !math.IsNaN(q[len(p)]) {
		t.Error("what was not tested has an adjusted P")
	}
	// The fourth by hand: 0.0095 x 15 / 4.
	if got := q[order[3]]; !near(got, 0.035625, 1e-12) {
		t.Errorf("0.0095 adjusted to %g; want 0.035625", got)
	}
	// Simes by hand: the least of 3 x 0.03, 3/2 x 0.04, 0.9.
	if got := Simes([]float64{0.9, 0.04, math.NaN(), 0.03}); !near(got, 0.06, 1e-12) {
		t.Errorf("Simes: %g; want 0.06", got)
	}
	if got := Simes(nil); got != 1 {
		t.Errorf("Simes of nothing: %g; want 1", got)
	}
}

// TestFisher repeats the lady tasting tea (The Design of Experiments, 1935): three of
// four cups right has a probability of 17/70 by chance, two-sided 34/70; all four 1/70
// and 2/70.
func TestFisher(t *testing.T) {
	for _, c := range []struct {
		k1, n1, k2, n2 int
		want           float64
	}{{3, 4, 1, 4, 34. / 70}, {4, 4, 0, 4, 2. / 70}, {0, 4, 4, 4, 2. / 70}, {2, 4, 2, 4, 1}, {0, 5, 0, 7, 1}, {1, 0, 2, 3, 1}} {
		if got := Fisher(c.k1, c.n1, c.k2, c.n2); !near(got, c.want, 1e-9) {
			t.Errorf("%d of %d against %d of %d: %g; want %g", c.k1, c.n1, c.k2, c.n2, got, c.want)
		}
	}
}

// TestRates by hand: five events, all in one of two equal times: 2 x (1/2)^5; three
// in the shorter of 1 : 3: (1/4)^3, and nothing on the other side is as unlikely.
func TestRates(t *testing.T) {
	if got := Rates(0, 10, 5, 10); !near(got, 2./32, 1e-12) {
		t.Errorf("0 against 5: %g; want 0.0625", got)
	}
	if got := Rates(3, 10, 0, 30); !near(got, 1./64, 1e-12) {
		t.Errorf("3 in 10 against 0 in 30: %g; want 1/64", got)
	}
	if got := Rates(0, 10, 0, 10); got != 1 {
		t.Errorf("none: %g; want 1", got)
	}
}
