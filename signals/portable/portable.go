// Package portable has the functions of real numbers that give the same bits on
// every processor. Those of math need not: some are written in assembly for one
// processor and not for the other, and where they are written in Go a compiler
// may fuse a product and a sum into one operation that rounds once (Go
// specification, Floating-point operators), which it does on arm64, ppc64le,
// riscv64 and s390x and not on amd64. A recording that is decoded again on
// another machine must give the same samples, so what is computed from frames
// uses these; math.Sqrt, Floor, Round and Mod are exact everywhere.
//
// For the same reason every product that is added to something stands in an
// explicit conversion, which forbids fusing, here and wherever frames are
// turned into samples, events and reports.
package portable

import "math"

// ln 2 in two parts; the first has 33 bits, so that a whole number up to 1100
// times it is exact.
const (
	ln2High = 0x1.62e42feep-1
	ln2Low  = math.Ln2 - ln2High
)

// Log returns the natural logarithm, within two units in the last place. Special
// cases are those of math.Log.
//
// With x = 2^k m, m between sqrt(1/2) and sqrt(2), and s = (m - 1)/(m + 1):
//
//	ln x = k ln 2 + 2 (s + s^3/3 + s^5/5 + ...)
func Log(x float64) float64 {
	if !(x > 0) || math.IsInf(x, 1) || x == 1 {
		return math.Log(x) // nothing is computed
	}
	m, k := math.Frexp(x)
	if m < math.Sqrt2/2 {
		m, k = m*2, k-1
	}
	f := m - 1 // exact
	s := f / (2 + f)
	z := float64(s * s)
	// s is below 0.172, so the term s^23/23 is below 2^-60 of the sum.
	r := 0.0
	for n := 21; n >= 3; n -= 2 {
		r = float64(z * (r + 1/float64(n)))
	}
	// 2 s = f - s f, which leaves what was rounded in s to a small term.
	tail := float64(s * (2*r - f))
	if k == 0 {
		return f + tail
	}
	e := float64(k)
	return float64(e*ln2High) + (f + (tail + float64(e*ln2Low)))
}

// Exp returns e to the power x, within two units in the last place. Special
// cases are those of math.Exp.
//
// With k the whole number next to x/ln 2 and r = x - k ln 2:
//
//	e^x = 2^k (1 + r + r^2/2! + r^3/3! + ...)
func Exp(x float64) float64 {
	switch {
	case math.IsNaN(x) || math.IsInf(x, 1):
		return x
	case x > 709.782712893384: // ln of the largest number
		return math.Inf(1)
	case x < -745.1332191019412: // ln of half the smallest
		return 0
	}
	k := math.Round(x / math.Ln2)
	r := (x - float64(k*ln2High)) - float64(k*ln2Low)
	// r is below 0.35 in size, so the term r^15/15! is below 2^-62.
	sum := 0.0
	for n := 14; n >= 2; n-- {
		sum = float64(r/float64(n)) * (1 + sum)
	}
	return math.Ldexp(1+(r+float64(r*sum)), int(k))
}

// Pow returns x to the power y. Whole powers from -64 to 64 are products, the
// power 0.5 a root; any other is exp(y ln x), with a relative error of about
// |y ln x| units in the last place. Special cases are those of math.Pow.
func Pow(x, y float64) float64 {
	switch {
	case y == math.Trunc(y) && math.Abs(y) <= 64:
		return whole(x, int(y))
	case y == 0.5 && x >= 0 && !math.IsInf(x, 1):
		return math.Sqrt(x)
	case !(x > 0) || math.IsInf(x, 0) || math.IsNaN(y) || math.IsInf(y, 0):
		if x < 0 && y == math.Trunc(y) && !math.IsInf(x, 0) && !math.IsInf(y, 0) {
			p := Exp(float64(y * Log(-x)))
			if math.Mod(y, 2) != 0 {
				return -p
			}
			return p
		}
		return math.Pow(x, y) // zero, infinite or no number: nothing is computed
	}
	return Exp(float64(y * Log(x)))
}

// whole multiplies.
func whole(x float64, n int) float64 {
	p := 1.0
	for k := max(n, -n); k > 0; k >>= 1 {
		if k&1 != 0 {
			p *= x
		}
		x *= x
	}
	if n < 0 {
		return 1 / p
	}
	return p
}

// Decade returns the power of ten of the first digit of a finite number other
// than zero: 3 for 1000 and for 9999.
func Decade(v float64) int {
	v = math.Abs(v)
	d := int(math.Floor(math.Log10(v))) // right but for the last bit
	switch {
	case v < math.Pow10(d):
		d--
	case v >= math.Pow10(d+1):
		d++
	}
	return d
}
