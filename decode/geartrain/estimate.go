package geartrain

import (
	"fmt"
	"math"
	"math/big"
)

// Matrix is a dense matrix in row order.
type Matrix struct {
	Rows, Cols int
	Data       []float64
}

func newMatrix(rows, cols int) Matrix {
	return Matrix{Rows: rows, Cols: cols, Data: make([]float64, rows*cols)}
}

// At returns the entry in row i, column j.
func (m *Matrix) At(i, j int) float64 { return m.Data[i*m.Cols+j] }

// Row returns row i; it aliases the matrix.
func (m *Matrix) Row(i int) []float64 { return m.Data[i*m.Cols : (i+1)*m.Cols] }

// Mul sets out = M x. x has Cols entries, out has Rows; they must not overlap.
func (m *Matrix) Mul(x, out []float64) {
	for i := range m.Rows {
		out[i] = dot(m.Row(i), x)
	}
}

func dot(a, b []float64) float64 {
	var sum float64
	for i, v := range a {
		sum += float64(v * b[i])
	}
	return sum
}

// SetRow returns the row of planetary set s over the shafts, for a matrix of
// motion or, times the set's one unknown, its torques on the shafts.
func (t *Train) SetRow(s int) []float64 { return t.setRow(s).floats() }

// ElementRow returns the row of element e over the shafts: slip = row * n, torque
// on the shafts = row * (torque on its first side).
func (t *Train) ElementRow(e int) []float64 { return t.elementRow(e).floats() }

func (r row) floats() []float64 {
	out := make([]float64, len(r))
	for j := range r {
		out[j], _ = new(big.Float).SetInt(&r[j]).Float64()
	}
	return out
}

// over divides r by d.
func (r row) over(d *big.Int) []float64 {
	out := make([]float64, len(r))
	var v big.Rat
	for j := range r {
		out[j], _ = v.SetFrac(&r[j], d).Float64()
	}
	return out
}

// Basis is a null-space basis: all shaft speeds n = N q. q[j] is the speed of
// shaft Shafts[j]; output and input come last, and are among them wherever the
// train leaves them free.
type Basis struct {
	Matrix
	Shafts []int
}

// NullBasis gives the motions that the gear rows and the rows of the holding
// elements (one-way clutches included) allow; nil holding for the open train.
func (t *Train) NullBasis(holding []int) Basis {
	m := reduce(t.rows(holding), lastOf(len(t.Shafts), t.Output, t.Input))
	b := Basis{Matrix: newMatrix(len(t.Shafts), len(m.free)), Shafts: m.free}
	for i, r := range m.null(len(t.Shafts)) {
		copy(b.Row(i), r.over(m.d))
	}
	return b
}

// Sensor is one speed reading with its variance [rpm^2]. A resolution step D
// counts as D^2/12 (a uniform distribution; JCGM 100:2008, 4.3.7).
type Sensor struct {
	Shaft        int
	VarianceRPM2 float64
}

// variances outside these bounds are no speed sensor's, and would spoil the
// floating-point weights: a millionth to a million rpm standard deviation.
const minVarianceRPM2, maxVarianceRPM2 = 1e-12, 1e12

// Estimator computes every shaft speed and slip that follows from a fixed set of
// sensors while a fixed set of elements is assumed to hold, by weighted least
// squares with the gear rows and the holding elements as exact constraints:
// with n = N q, minimise sum (S N q - m)^2 / v (weights by reciprocal variance;
// Golub & Van Loan, Matrix Computations, on equality constraints).
//
// What is determined is decided exactly; the weights are floating point. All
// matrices are computed once; every call is a matrix product without allocation.
// The readings m must be numbers: keep one estimator per set of live sensors.
type Estimator struct {
	speeds, slips, residual Matrix
	determined, slipKnown   []bool
	speedSigma, slipSigma   []float64
	weight                  []float64 // 1/variance of each sensor
	spare                   int
}

// NewEstimator precomputes an estimator; m in its methods are the sensors'
// readings [rpm] in the order given here. holding nil assumes nothing. Several
// sensors may read one shaft, and no sensor at all is allowed.
func NewEstimator(t *Train, sensors []Sensor, holding []int) (*Estimator, error) {
	p, err := newProblem(t, sensors, holding)
	if err != nil {
		return nil, err
	}
	e := &Estimator{
		residual: p.residual,
		weight:   make([]float64, len(sensors)),
		spare:    len(sensors) - len(p.rank.pivots),
	}
	for i, s := range sensors {
		e.weight[i] = 1 / s.VarianceRPM2
	}
	e.speeds, e.determined, e.speedSigma = p.gains(p.basis)
	slips := make([]row, len(t.Elements))
	for i := range slips {
		slips[i] = p.motion(t.elementRow(i))
	}
	e.slips, e.slipKnown, e.slipSigma = p.gains(slips)
	return e, nil
}

// problem is one least-squares problem: its exact part (basis and rank) and its
// solution in floating point.
type problem struct {
	sensors []Sensor
	basis   []row    // N: shafts by freedoms, times d
	d       *big.Int // common denominator of basis
	rank    reduced  // of S N
	solve   Matrix   // P: pivot freedoms by sensors; q = P m, other freedoms 0
	// residual is I - S N P.
	residual Matrix
}

func newProblem(t *Train, sensors []Sensor, holding []int) (*problem, error) {
	for i, s := range sensors {
		if s.Shaft < 0 || s.Shaft >= len(t.Shafts) {
			return nil, fmt.Errorf("speed sensor %d reads no shaft of the train", i+1)
		}
		if !(s.VarianceRPM2 >= minVarianceRPM2 && s.VarianceRPM2 <= maxVarianceRPM2) {
			return nil, fmt.Errorf("speed sensor on %q: variance %v rpm²: expected %v to %v", t.Shafts[s.Shaft], s.VarianceRPM2, minVarianceRPM2, maxVarianceRPM2)
		}
	}
	open := reduce(t.rows(holding), lastOf(len(t.Shafts), t.Output, t.Input))
	p := &problem{sensors: sensors, basis: open.null(len(t.Shafts)), d: open.d}
	p.rank = reduce(p.sensed(), lastOf(len(open.free)))

	pivots := p.rank.pivots
	p.solve = newMatrix(len(pivots), len(sensors))
	p.residual = newMatrix(len(sensors), len(sensors))
	for i := range sensors {
		p.residual.Row(i)[i] = 1
	}
	if len(pivots) == 0 {
		return p, nil
	}
	// Columns outside the pivots add nothing to the range of S N, so their
	// freedoms may be put to zero: whatever is determined does not depend on them.
	p.solveExactly()
	for i, s := range sensors {
		for j, v := range p.gain(p.basis[s.Shaft]) {
			p.residual.Row(i)[j] -= v
		}
	}
	return p, nil
}

// solveExactly computes P = (A' W A)^-1 A' W in rational numbers, A the pivot
// columns of S N and W the weights, and rounds once at the end. A has full column
// rank and every weight is positive, so there is a solution whatever the tooth
// counts and variances; floating point would differ in the last bits from one
// processor's linear algebra to the next, and with it every slip.
func (p *problem) solveExactly() {
	pivots := p.rank.pivots
	a := make([][]big.Rat, len(p.sensors)) // A
	m := make([][]big.Rat, len(pivots))    // A' W A beside A' W
	for k := range m {
		m[k] = make([]big.Rat, len(pivots)+len(p.sensors))
	}
	var weight, term big.Rat
	for i, s := range p.sensors {
		a[i] = make([]big.Rat, len(pivots))
		for k, c := range pivots {
			a[i][k].SetFrac(&p.basis[s.Shaft][c], p.d)
		}
		weight.SetFloat64(s.VarianceRPM2)
		weight.Inv(&weight)
		for k := range m {
			right := &m[k][len(pivots)+i]
			right.Mul(&a[i][k], &weight)
			for l := range pivots {
				m[k][l].Add(&m[k][l], term.Mul(right, &a[i][l]))
			}
		}
	}
	for k := range m {
		// Positive definite: what is left on the diagonal is never zero.
		term.Inv(&m[k][k])
		for c := range m[k] {
			m[k][c].Mul(&m[k][c], &term)
		}
		for l := range m {
			if l == k || m[l][k].Sign() == 0 {
				continue
			}
			factor := new(big.Rat).Set(&m[l][k])
			for c := range m[l] {
				m[l][c].Sub(&m[l][c], term.Mul(factor, &m[k][c]))
			}
		}
	}
	for k := range m {
		for i := range p.sensors {
			p.solve.Row(k)[i], _ = m[k][len(pivots)+i].Float64()
		}
	}
}

// sensed is S N times d: the rows of the basis that the sensors see.
func (p *problem) sensed() []row {
	out := make([]row, len(p.sensors))
	for i, s := range p.sensors {
		out[i] = clone(p.basis[s.Shaft])
	}
	return out
}

// motion is c N: a row over the shafts turned into one over the freedoms.
func (p *problem) motion(c row) row {
	out := make(row, len(p.basis[0]))
	var term big.Int
	for s := range c {
		if c[s].Sign() != 0 {
			for j := range out {
				out[j].Add(&out[j], term.Mul(&c[s], &p.basis[s][j]))
			}
		}
	}
	return out
}

// pivotEntries are the entries of a row over the freedoms that count.
func (p *problem) pivotEntries(r row) []float64 {
	all := r.over(p.d)
	out := make([]float64, len(p.rank.pivots))
	for k, c := range p.rank.pivots {
		out[k] = all[c]
	}
	return out
}

// gain is the row of factors by which the readings make the quantity r q.
func (p *problem) gain(r row) []float64 {
	out := make([]float64, len(p.sensors))
	for k, v := range p.pivotEntries(r) {
		for j, s := range p.solve.Row(k) {
			out[j] += float64(v * s)
		}
	}
	return out
}

// gains are the gain of each row, whether the sensors determine it (exactly: it
// is a combination of what they see), and its standard deviation. The rows of
// undetermined quantities are NaN.
func (p *problem) gains(rows []row) (Matrix, []bool, []float64) {
	m := newMatrix(len(rows), len(p.sensors))
	known := make([]bool, len(rows))
	sigma := make([]float64, len(rows))
	for i, r := range rows {
		known[i] = p.rank.spans(r)
		if !known[i] {
			sigma[i] = math.NaN()
			continue
		}
		copy(m.Row(i), p.gain(r))
		for j, g := range m.Row(i) {
			sigma[i] += float64(g * g * p.sensors[j].VarianceRPM2)
		}
		sigma[i] = math.Sqrt(sigma[i])
	}
	return m, known, sigma
}

// Speeds sets out[shaft] [rpm]; NaN where the sensors do not determine it.
func (e *Estimator) Speeds(m, out []float64) { product(&e.speeds, e.determined, m, out) }

// Slips sets out[element] [rpm]; NaN where the sensors do not determine it, 0
// for an element assumed to hold.
func (e *Estimator) Slips(m, out []float64) { product(&e.slips, e.slipKnown, m, out) }

func product(gains *Matrix, known []bool, m, out []float64) {
	for i, ok := range known {
		if ok {
			out[i] = dot(gains.Row(i), m)
		} else {
			out[i] = math.NaN()
		}
	}
}

// Residual sets out[sensor] = reading - estimate [rpm]; out must not overlap m.
func (e *Estimator) Residual(m, out []float64) { e.residual.Mul(m, out) }

// ChiSquared is the sum of residual^2 / variance; with nothing wrong it follows
// the chi-squared distribution with Spare degrees of freedom.
func (e *Estimator) ChiSquared(m []float64) float64 {
	var sum float64
	for i, w := range e.weight {
		r := dot(e.residual.Row(i), m)
		sum += float64(w * r * r)
	}
	return sum
}

// Determined tells for each shaft whether its speed follows from the sensors.
// The slice belongs to the estimator, as do those of the next three methods.
func (e *Estimator) Determined() []bool { return e.determined }

// DeterminedSlip tells for each element whether its slip follows.
func (e *Estimator) DeterminedSlip() []bool { return e.slipKnown }

// SpeedSigma is the standard deviation of each shaft speed [rpm], NaN where not
// determined.
func (e *Estimator) SpeedSigma() []float64 { return e.speedSigma }

// SlipSigma is the standard deviation of each slip [rpm], NaN where not
// determined, 0 for an element assumed to hold.
func (e *Estimator) SlipSigma() []float64 { return e.slipSigma }

// SlipVariances sets out[element] to the variance [rpm^2] of each slip where the
// sensors' errors have these variances instead of those they were weighted with:
// the sum of gain^2 * variance. NaN where a slip is not determined.
func (e *Estimator) SlipVariances(variances, out []float64) {
	for i, ok := range e.slipKnown {
		if !ok {
			out[i] = math.NaN()
			continue
		}
		out[i] = 0
		for j, g := range e.slips.Row(i) {
			out[i] += float64(g * g * variances[j])
		}
	}
}

// Spare is the number of sensors beyond those needed: sensors - rank.
func (e *Estimator) Spare() int { return e.spare }
