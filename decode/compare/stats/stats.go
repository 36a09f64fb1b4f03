// Package stats is the statistics that two sessions are compared with: rank tests
// over several kinds at once, comparisons of means whose spread is known from
// elsewhere too, counts, and what holds many tests in check. It knows nothing of
// gearboxes, keeps nothing, and gives the same on every run.
//
// Probabilities are of a difference at least as large as the one seen, if there were
// none; they are no probability of there being none.
package stats

import (
	"cmp"
	"math"
	"slices"

	"gonum.org/v1/gonum/stat/distuv"
)

// Tail is the probability that a value of Student's distribution with df degrees of
// freedom is at least t. df is above 0 and may be infinite: the normal distribution.
func Tail(t, df float64) float64 {
	switch {
	case math.IsNaN(t):
		return math.NaN()
	case math.IsInf(t, 1):
		return 0
	case math.IsInf(t, -1):
		return 1
	case df > 1e6:
		return math.Erfc(t/math.Sqrt2) / 2
	case t < 0:
		return 1 - Tail(-t, df)
	}
	// The upper tail is the lower one of -t, which keeps its digits.
	return distuv.StudentsT{Mu: 0, Sigma: 1, Nu: df}.CDF(-t)
}

// TailQuantile is the t whose Tail is p, 0 < p <= 0.5.
func TailQuantile(p, df float64) float64 {
	if df > 1e6 {
		return math.Sqrt2 * math.Erfinv(1-float64(2*p))
	}
	return distuv.StudentsT{Mu: 0, Sigma: 1, Nu: df}.Quantile(1 - p)
}

// Shrink combines a variance of df degrees of freedom with one expected, that is worth
// expectedDF of them (Smyth, Statistical Applications in Genetics and Molecular
// Biology 3, 2004, equation for the posterior variance):
//
//	(df variance + expectedDF expected) / (df + expectedDF)
//
// with df + expectedDF degrees of freedom. So a few like values that happen to agree
// prove no more than the measurement can tell.
func Shrink(variance, df, expected, expectedDF float64) (v, all float64) {
	all = df + expectedDF
	return (float64(df*variance) + float64(expectedDF*expected)) / all, all
}

// Discoveries adjusts the P values of many tests so that of those called different at
// an adjusted P up to q, about q are called so wrongly at most (Benjamini and
// Hochberg, Journal of the Royal Statistical Society B 57, 1995). NaN stays NaN and
// does not count as a test.
func Discoveries(p []float64) []float64 {
	var order []int
	for i := range p {
		if !math.IsNaN(p[i]) {
			order = append(order, i)
		}
	}
	slices.SortStableFunc(order, func(a, b int) int { return cmp.Compare(p[a], p[b]) })
	out := slices.Clone(p)
	least := 1.0
	for k := len(order) - 1; k >= 0; k-- {
		i := order[k]
		least = min(least, p[i]*float64(len(order))/float64(k+1))
		out[i] = least
	}
	return out
}

// Simes combines the P values of several tests into one of "none of them is
// different" (Simes, Biometrika 73, 1986): the least adjusted one of Discoveries. NaN
// does not count; 1 for none.
func Simes(p []float64) float64 {
	least := 1.0
	for _, q := range Discoveries(p) {
		if q < least {
			least = q
		}
	}
	return least
}

// Fisher is the two-sided probability of Fisher's exact test (The Design of
// Experiments, 1935) of k1 of n1 against k2 of n2: that of all tables with the same
// sums that are no likelier than this one.
func Fisher(k1, n1, k2, n2 int) float64 {
	k, n := k1+k2, n1+n2
	if k1 < 0 || k2 < 0 || k1 > n1 || k2 > n2 || n1 == 0 || n2 == 0 {
		return 1
	}
	log := func(x int) float64 { return choose(n1, x) + choose(n2, k-x) - choose(n, k) }
	seen := log(k1)
	sum := 0.0
	for x := max(0, k-n2); x <= min(k, n1); x++ {
		if l := log(x); l <= seen+1e-7 {
			sum += math.Exp(l)
		}
	}
	return min(1, sum)
}

// Rates is the two-sided probability of k1 events in a time t1 against k2 in t2, if
// they come at one rate: given k1 + k2, k2 is binomial with p = t2 / (t1 + t2)
// (Przyborowski and Wilenski, Biometrika 31, 1940). Two-sided as in Fisher.
func Rates(k1 int, t1 float64, k2 int, t2 float64) float64 {
	n := k1 + k2
	if n == 0 || !(t1 > 0) || !(t2 > 0) {
		return 1
	}
	p, q := math.Log(t2/(t1+t2)), math.Log(t1/(t1+t2))
	log := func(x int) float64 { return choose(n, x) + float64(float64(x)*p) + float64(float64(n-x)*q) }
	seen := log(k2)
	sum := 0.0
	for x := range n + 1 {
		if l := log(x); l <= seen+1e-7 {
			sum += math.Exp(l)
		}
	}
	return min(1, sum)
}

// choose is the logarithm of n over k.
func choose(n, k int) float64 {
	a, _ := math.Lgamma(float64(n + 1))
	b, _ := math.Lgamma(float64(k + 1))
	c, _ := math.Lgamma(float64(n - k + 1))
	return a - b - c
}
