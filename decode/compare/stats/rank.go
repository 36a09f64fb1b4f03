package stats

import (
	"cmp"
	"maps"
	"math"
	"slices"
)

// Stratum is two samples of one kind, such as the flares of all shifts 2-3 in two
// sessions. Values of different strata are never compared with each other.
type Stratum struct{ A, B []float64 }

// RankTest is the result of RankSum.
type RankTest struct {
	// Share is the part of all pairs within the strata in which the value of the
	// second sample is larger, half for equal ones; 0.5 where there is no pair.
	Share float64 `json:"share_larger"`
	// Larger and Smaller are the one-sided probabilities of the second samples
	// ranking at least as high, or as low, as they do, if each stratum's two samples
	// came from one distribution.
	Larger  float64 `json:"p_larger"`
	Smaller float64 `json:"p_smaller"`
	// Exact tells that every arrangement was counted.
	Exact bool `json:"exact"`
}

// P is the two-sided probability: twice the smaller one, at most 1.
func (t RankTest) P() float64 { return min(1, 2*min(t.Larger, t.Smaller)) }

// Most that is counted exactly: values of one stratum, and sums and steps of all
// strata together. Beyond, the normal approximation is good to the third decimal.
const (
	mostExact = 60
	mostSums  = 1 << 16
	mostSteps = 1 << 18
)

// RankSum tests whether the values of B tend to be larger or smaller than those of
// A, over all strata at once (van Elteren, Bulletin of the Institute of
// International Statistics 37, 1960):
//
//	T = sum over the strata of R / (N + 1)
//
// with R the sum of the ranks of the B values among the N of the stratum; equal
// values have the mean of their ranks. With one stratum it is the test of Mann and
// Whitney (Annals of Mathematical Statistics 18, 1947). Where there are few values
// the probabilities are exact, conditional on the ties: the share of all ways to
// deal the ranks of each stratum out to A and B whose T is as high, or as low.
// Beyond, they are from the normal distribution with
//
//	mean     sum of m / 2
//	variance sum of n m / (12 (N + 1)^2) (N + 1 - sum(t^3 - t) / (N (N - 1)))
//
// and half a step of continuity correction, n and m the numbers of A and B values, t
// those of equal ones. Strata without values on one side tell nothing.
func RankSum(strata ...Stratum) RankTest {
	var list []ranks
	pairs, larger := 0, 0.0
	exact := true
	for _, s := range strata {
		if len(s.A) == 0 || len(s.B) == 0 {
			continue
		}
		r := rank(s.A, s.B)
		list = append(list, r)
		pairs += r.n * r.m
		larger += r.u()
		exact = exact && r.n+r.m <= mostExact
	}
	if pairs == 0 {
		return RankTest{Share: 0.5, Larger: 1, Smaller: 1, Exact: true}
	}
	t := RankTest{Share: larger / float64(pairs)}
	if exact {
		t.Smaller, t.Larger, t.Exact = counted(list)
	}
	if !t.Exact {
		t.Smaller, t.Larger = approximated(list)
	}
	return t
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

// u counts the pairs in which the value of the second sample is larger.
func (r *ranks) u() float64 { return float64(float64(r.sum)/2) - float64(float64(r.m*(r.m+1))/2) }

// counted gives both probabilities from every arrangement; false where there are too
// many.
func counted(list []ranks) (smaller, larger float64, ok bool) {
	// All N+1 divide unit, so that unit T is whole.
	unit := 1
	for i := range list {
		k := list[i].n + list[i].m + 1
		unit = unit / gcd(unit, k) * k
		if unit > mostSums {
			return 0, 0, false
		}
	}
	ways := map[int]float64{0: 1}
	sum, top := 0, 0
	for i := range list {
		r := &list[i]
		step := unit / (r.n + r.m + 1)
		of := r.arrangements()
		if top += step * (len(of) - 1); top > mostSums || len(ways)*len(of) > mostSteps {
			return 0, 0, false
		}
		sum += step * r.sum
		next := make(map[int]float64, len(ways))
		for s, w := range ways {
			for d, x := range of {
				if x > 0 {
					next[s+step*d] += float64(w * x)
				}
			}
		}
		ways = next
	}
	// Added up in one order whatever the map's is.
	for _, s := range slices.Sorted(maps.Keys(ways)) {
		if s <= sum {
			smaller += ways[s]
		}
		if s >= sum {
			larger += ways[s]
		}
	}
	return min(1, smaller), min(1, larger), true
}

func gcd(a, b int) int {
	for b != 0 {
		a, b = b, a%b
	}
	return a
}

// arrangements is the share of the ways to choose m of the ranks, by twice their sum.
// It fills ways[k][s], the ways to choose k ranks with sum s, one rank after the other.
func (r *ranks) arrangements() []float64 {
	top := 0
	for _, t := range r.twice {
		top += t
	}
	ways := make([][]float64, r.m+1)
	for k := range ways {
		ways[k] = make([]float64, top+1)
	}
	ways[0][0] = 1
	reached := 0
	for i, t := range r.twice {
		reached += t
		for k := min(i+1, r.m); k >= 1; k-- {
			for s := reached; s >= t; s-- {
				ways[k][s] += ways[k-1][s-t]
			}
		}
	}
	total := 0.0
	for _, w := range ways[r.m] {
		total += w
	}
	for s := range ways[r.m] {
		ways[r.m][s] /= total
	}
	return ways[r.m]
}

// approximated gives both probabilities from the normal distribution.
func approximated(list []ranks) (smaller, larger float64) {
	var t, mean, variance float64
	unit := 1 // T steps by 1/unit, or less
	for i := range list {
		r := &list[i]
		n, m := float64(r.n), float64(r.m)
		all := n + m
		if unit < mostSums {
			unit = unit / gcd(unit, r.n+r.m+1) * (r.n + r.m + 1)
		}
		t += float64(r.sum) / 2 / (all + 1)
		mean += float64(m / 2)
		variance += float64(n * m / (12 * (all + 1) * (all + 1)) * (all + 1 - float64(r.ties/(all*(all-1)))))
	}
	if variance <= 0 {
		return 1, 1 // every value is equal to its like
	}
	half := 0.5 / float64(unit)
	z := func(d float64) float64 { return math.Erfc(d/math.Sqrt(2*variance)) / 2 }
	return z(mean - t - half), z(t - mean - half)
}

// Median returns the middle value, the mean of the two middle ones for an even
// number, and NaN for none. It does not change the values.
func Median(values []float64) float64 { return Quantile(values, 0.5) }

// Quantile interpolates between the order statistics (type 7 of Hyndman and Fan,
// The American Statistician 50, 1996); q is 0 to 1. NaN for no values, which are
// not changed.
func Quantile(values []float64, q float64) float64 {
	if len(values) == 0 {
		return math.NaN()
	}
	sorted := slices.Sorted(slices.Values(values))
	h := float64(q * float64(len(sorted)-1))
	i := min(int(h), len(sorted)-2)
	if i < 0 {
		return sorted[0]
	}
	return sorted[i] + float64((h-float64(i))*(sorted[i+1]-sorted[i]))
}
