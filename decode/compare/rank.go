package compare

import (
	"cmp"
	"math"
	"math/rand/v2"
	"slices"
	"sort"
)

// mostExact is the number of values up to which the rank test counts every
// arrangement; beyond it the normal approximation is good to the third decimal.
const mostExact = 60

// RankTest is the result of Mann and Whitney's test of two samples.
type RankTest struct {
	// U counts the pairs in which the value of the second sample is larger, half
	// for equal ones.
	U float64 `json:"u"`
	// P is the two-sided probability of a U at least as far from the middle, if
	// both samples came from one distribution.
	P float64 `json:"p"`
	// Exact tells that every arrangement was counted.
	Exact bool `json:"exact"`
}

// MannWhitney tests whether values of b tend to be larger or smaller than those
// of a (Mann and Whitney, Annals of Mathematical Statistics 18, 1947). Equal
// values have the mean of their ranks. Up to 60 values P is exact, conditional
// on the ties: it counts, of all ways of giving len(b) of the ranks to the
// second sample, those whose rank sum is at least as far from its mean. Beyond,
// P is from the normal distribution with
//
//	mean     n m / 2
//	variance n m / 12 (N + 1 - sum(t^3 - t) / (N (N - 1)))
//
// and continuity correction, t the numbers of equal values, N = n + m. Neither
// sample may be empty.
func MannWhitney(a, b []float64) RankTest {
	r := rank(a, b)
	if r.n+r.m <= mostExact {
		return RankTest{U: r.u(), P: exactP(r.twice, r.m, r.sum), Exact: true}
	}
	return RankTest{U: r.u(), P: r.normalP()}
}

// ranks are the ranks of two samples taken together.
type ranks struct {
	n, m  int
	twice []int   // twice the rank, which is whole, from the lowest value up
	sum   int     // of those of the second sample
	ties  float64 // sum of t^3 - t
}

func rank(a, b []float64) ranks {
	type value struct {
		v      float64
		second bool
	}
	r := ranks{n: len(a), m: len(b)}
	all := make([]value, 0, r.n+r.m)
	for _, v := range a {
		all = append(all, value{v, false})
	}
	for _, v := range b {
		all = append(all, value{v, true})
	}
	slices.SortFunc(all, func(x, y value) int { return cmp.Compare(x.v, y.v) })
	for i := 0; i < len(all); {
		k := i
		for k < len(all) && all[k].v == all[i].v {
			k++
		}
		for j := i; j < k; j++ {
			r.twice = append(r.twice, i+k+1)
			if all[j].second {
				r.sum += i + k + 1
			}
		}
		t := float64(k - i)
		r.ties += float64(t*t*t) - t
		i = k
	}
	return r
}

func (r *ranks) u() float64 { return float64(float64(r.sum)/2) - float64(float64(r.m*(r.m+1))/2) }

func (r *ranks) normalP() float64 {
	n, m := float64(r.n), float64(r.m)
	variance := n * m / 12 * (n + m + 1 - r.ties/((n+m)*(n+m-1)))
	if variance <= 0 {
		return 1 // every value is equal
	}
	z := max(0, math.Abs(r.u()-float64(n*m/2))-0.5) / math.Sqrt(variance)
	return math.Erfc(z / math.Sqrt2)
}

// exactP is the share of the ways to choose m of the ranks whose sum is at least
// as far from the mean as sum. It fills ways[k][s], the ways to choose k ranks
// with sum s, one rank after the other.
func exactP(ranks []int, m, sum int) float64 {
	top := 0
	for _, r := range ranks {
		top += r
	}
	ways := make([][]float64, m+1)
	for k := range ways {
		ways[k] = make([]float64, top+1)
	}
	ways[0][0] = 1
	reached := 0
	for i, r := range ranks {
		reached += r
		for k := min(i+1, m); k >= 1; k-- {
			for s := reached; s >= r; s-- {
				ways[k][s] += ways[k-1][s-r]
			}
		}
	}
	// Times N the mean m/N of all ranks is whole.
	mean, n := m*top, len(ranks)
	far := abs(n*sum - mean)
	total, beyond := 0.0, 0.0
	for s, w := range ways[m] {
		total += w
		if abs(n*s-mean) >= far {
			beyond += w
		}
	}
	return beyond / total
}

func abs(x int) int {
	if x < 0 {
		return -x
	}
	return x
}

// smallestP is the smallest P that MannWhitney can give for samples of n and m
// values without ties: 2 of all arrangements.
func smallestP(n, m int) float64 {
	ln, _ := math.Lgamma(float64(n + m + 1))
	l1, _ := math.Lgamma(float64(n + 1))
	l2, _ := math.Lgamma(float64(m + 1))
	return min(1, 2*math.Exp(l1+l2-ln))
}

// Median returns the middle value, the mean of the two middle ones for an even
// number, and NaN for none. It does not change the values.
func Median(values []float64) float64 { return median(slices.Sorted(slices.Values(values))) }

func median(sorted []float64) float64 {
	n := len(sorted)
	switch {
	case n == 0:
		return math.NaN()
	case n%2 == 1:
		return sorted[n/2]
	}
	return (sorted[n/2-1] + sorted[n/2]) / 2
}

// quantile interpolates between the order statistics (type 7 of Hyndman and
// Fan, The American Statistician 50, 1996).
func quantile(sorted []float64, q float64) float64 {
	if len(sorted) == 0 {
		return math.NaN()
	}
	h := float64(q * float64(len(sorted)-1))
	i := min(int(h), len(sorted)-2)
	if i < 0 {
		return sorted[0]
	}
	return sorted[i] + float64((float64(h)-float64(i))*(sorted[i+1]-sorted[i]))
}

// Interval is a confidence interval.
type Interval struct {
	Low  float64 `json:"low"`
	High float64 `json:"high"`
}

// resamples is how often the bootstrap draws.
const resamples = 2000

// bootstrap returns the 95 % percentile interval (Efron) of a figure of samples
// drawn with replacement from those given; the draws are the same on every run.
func bootstrap(seed uint64, figure func([][]float64) float64, samples ...[]float64) Interval {
	random := rand.New(rand.NewPCG(seed, 0x67656172))
	drawn := make([][]float64, len(samples))
	for i, s := range samples {
		drawn[i] = make([]float64, len(s))
	}
	got := make([]float64, resamples)
	for k := range got {
		for i, s := range samples {
			for j := range drawn[i] {
				drawn[i][j] = s[random.IntN(len(s))]
			}
			sort.Float64s(drawn[i])
		}
		got[k] = figure(drawn)
	}
	sort.Float64s(got)
	return Interval{quantile(got, 0.025), quantile(got, 0.975)}
}

// holm adjusts the P values of several tests made at once, so that the chance of
// a false alarm in any of them stays what it was in one (Holm, Scandinavian
// Journal of Statistics 6, 1979).
func holm(p []float64) []float64 {
	order := make([]int, len(p))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int { return cmp.Compare(p[a], p[b]) })
	out := make([]float64, len(p))
	worst := 0.0
	for k, i := range order {
		worst = max(worst, min(1, p[i]*float64(len(p)-k)))
		out[i] = worst
	}
	return out
}
