package portable

import (
	"math"
	"math/rand/v2"
	"testing"
)

// far is how many units in the last place two numbers are apart.
func far(a, b float64) int64 {
	if a == b || math.IsNaN(a) && math.IsNaN(b) {
		return 0
	}
	if math.IsNaN(a) || math.IsNaN(b) || math.Signbit(a) != math.Signbit(b) {
		return math.MaxInt64
	}
	d := int64(math.Float64bits(a)) - int64(math.Float64bits(b))
	return max(d, -d)
}

// TestAgainstMath holds the functions to those of the standard library, which
// are within one unit in the last place themselves (FreeBSD's msun, from which
// they come, states so for log and exp).
func TestAgainstMath(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	check := func(what string, got, want float64, within int64, in ...float64) {
		if far(got, want) > within {
			t.Errorf("%s of %v: got %v, want %v: %d units in the last place apart", what, in, got, want, far(got, want))
		}
	}
	for _, x := range []float64{0, math.Copysign(0, -1), 1, -1, 2, 0.5, 10, 1e-300, math.MaxFloat64, math.Inf(1), math.Inf(-1), math.NaN(), math.Nextafter(1, 2), math.Nextafter(1, 0), 709, 710, -745, -746} {
		check("ln", Log(x), math.Log(x), 2, x)
		check("exp", Exp(x), math.Exp(x), 2, x)
		for _, y := range []float64{0, 1, -1, 2, 0.5, -0.5, 3, 65, -65, 66, math.Inf(1), math.Inf(-1), math.NaN()} {
			check("power", Pow(x, y), math.Pow(x, y), 2000, x, y)
		}
	}
	// At the ends of the range the assembly of amd64 gives -709.09 and +Inf
	// (Go 1.26); ln 2^-1074 = -1074 ln 2, and e^709.7 is below the largest number.
	check("ln", Log(5e-324), -1074*math.Ln2, 1)
	if v := Exp(709.7); math.IsInf(v, 0) || far(v, math.Exp(354.85)*math.Exp(354.85)) > 8 {
		t.Errorf("exp of 709.7: got %v", v)
	}
	for range 20_000 {
		x := math.Exp(r.Float64()*200 - 100)
		check("ln", Log(x), math.Log(x), 2, x)
		near := 0.5 + r.Float64()
		check("ln", Log(near), math.Log(near), 2, near)
		e := r.Float64()*1400 - 700
		check("exp", Exp(e), math.Exp(e), 2, e)
		b, y := r.Float64()*1000, r.Float64()*6-3
		check("power", Pow(b, y), math.Pow(b, y), 30, b, y)
		n := float64(r.IntN(13) - 6)
		check("power", Pow(b, n), math.Pow(b, n), 8, b, n)
	}
}

// TestDecade asks at the powers of ten, where the logarithm is off by its last
// bit on one processor or another.
func TestDecade(t *testing.T) {
	for d := -300; d <= 300; d++ {
		p := math.Pow10(d)
		for v, want := range map[float64]int{p: d, -p: d, math.Nextafter(p, 0): d - 1, math.Nextafter(p, 1e308): d, 9 * p: d} {
			if got := Decade(v); got != want {
				t.Errorf("%v: got %d, want %d", v, got, want)
			}
		}
	}
}
