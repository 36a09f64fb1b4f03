package geartrain

import (
	"math"
	"math/big"
)

// CauseKind tells a wrong reading from a slipping element.
type CauseKind uint8

// Kinds of causes.
const (
	SensorWrong CauseKind = iota
	ElementSlips
)

// Cause is one single explanation of a residual. Index is the sensor's position
// in the list given, or the element.
type Cause struct {
	Kind  CauseKind
	Index int
}

// Fit is how well one cause explains a set of readings.
type Fit struct {
	Cause int // position in Explainer.Causes, or -1: nothing is wrong
	// ChiSquared is what remains of the residual with this cause allowed for.
	ChiSquared float64
	// SizeRPM is the fitted error of the sensor (reading - truth) or the fitted
	// slip of the element.
	SizeRPM float64
	// InputRPM is the input speed under this cause; NaN if not determined.
	InputRPM float64
}

// Explainer finds which single cause, a sensor that reads wrong or one of the
// holding elements that slips, fits the readings in a gear best. Allowing for a
// cause, by leaving the sensor out or the element's row away, removes exactly one
// direction from the residual; causes that share a direction cannot be told apart
// from one instant (parity space: Chow & Willsky, IEEE Trans. Automatic Control
// 29(7), 1984). A wrong sensor stays wrong in every gear, an element slips only
// where it carries: what one gear leaves open, several decide.
type Explainer struct {
	causes    []Cause
	patterns  Matrix    // causes by sensors: residual per rpm of the cause
	norm      []float64 // of each pattern, weighted: sum pattern^2 / variance
	weight    []float64 // 1/variance of each sensor
	leader    []int     // first cause of each one's group; -1 if invisible
	scale     []float64 // size of a cause per size of its group's leader
	residual  Matrix
	input     []float64 // gain of the input speed
	hasInput  bool      // the sensors determine the input speed
	inputSize []float64 // change of the input speed per rpm of each cause
	r         []float64 // scratch: one residual
}

// NewExplainer precomputes the direction in which each cause moves the residual.
// The elements of holding must be distinct.
func NewExplainer(t *Train, sensors []Sensor, holding []int) (*Explainer, error) {
	p, err := newProblem(t, sensors, holding)
	if err != nil {
		return nil, err
	}
	x := &Explainer{residual: p.residual, r: make([]float64, len(sensors))}
	for i, s := range sensors {
		x.causes = append(x.causes, Cause{SensorWrong, i})
		x.weight = append(x.weight, 1/s.VarianceRPM2)
	}
	for _, e := range holding {
		x.causes = append(x.causes, Cause{ElementSlips, e})
	}
	gains, known, _ := p.gains(p.basis[t.Input : t.Input+1])
	x.input, x.hasInput = gains.Row(0), known[0]
	n := len(x.causes)
	x.patterns = newMatrix(n, len(sensors))
	x.norm, x.inputSize = make([]float64, n), make([]float64, n)
	x.leader, x.scale = make([]int, n), make([]float64, n)

	// Rows of parity annihilate S N: parity * readings is free of any motion the
	// gear allows, so what a cause leaves there decides exactly what it resembles.
	parity := leftNull(p.sensed())
	prints := make([]row, n)
	for i, c := range x.causes {
		moved, input, d := t.direction(c, sensors, holding)
		prints[i] = make(row, len(parity))
		var term big.Int
		for k := range parity {
			for j := range moved {
				prints[i][k].Add(&prints[i][k], term.Mul(&parity[k][j], &moved[j]))
			}
		}
		x.leader[i], x.scale[i] = -1, 1
		if !visible(prints[i]) {
			continue
		}
		direction := moved.over(d)
		p.residual.Mul(direction, x.patterns.Row(i))
		x.norm[i] = x.product(x.patterns.Row(i), x.patterns.Row(i))
		inputRPM, _ := new(big.Rat).SetFrac(input, d).Float64()
		x.inputSize[i] = inputRPM - dot(x.input, direction)
		x.leader[i] = i
		for j := range i {
			if x.leader[j] == j && parallel(prints[i], prints[j]) {
				x.leader[i] = j
				x.scale[i] = x.product(x.patterns.Row(i), x.patterns.Row(j)) / x.norm[i]
				break
			}
		}
	}
	return x, nil
}

// direction is what 1 rpm of the cause adds to the readings and to the input
// speed, both times d: one reading, or the motion that the gear gains when the
// element's row is left away, up to motions the gear allows anyway. All zero for
// an element that cannot slip alone, its row following from the others.
func (t *Train) direction(c Cause, sensors []Sensor, holding []int) (moved row, input, d *big.Int) {
	moved, input, d = make(row, len(sensors)), new(big.Int), big.NewInt(1)
	if c.Kind == SensorWrong {
		moved[c.Index].SetInt64(1)
		return moved, input, d
	}
	others := make([]int, 0, len(holding))
	for _, e := range holding {
		if e != c.Index {
			others = append(others, e)
		}
	}
	open := reduce(t.rows(others), lastOf(len(t.Shafts)))
	n := open.null(len(t.Shafts))
	el := &t.Elements[c.Index]
	for j := range open.free {
		slip := new(big.Int)
		if el.A != Ground {
			slip.Add(slip, &n[el.A][j])
		}
		if el.B != Ground {
			slip.Sub(slip, &n[el.B][j])
		}
		if slip.Sign() == 0 {
			continue
		}
		for i, s := range sensors {
			moved[i].Set(&n[s.Shaft][j])
		}
		return moved, input.Set(&n[t.Input][j]), slip
	}
	return moved, input, d
}

// leftNull is a basis of the rows y with y m = 0.
func leftNull(m []row) []row {
	if len(m) == 0 {
		return nil
	}
	transposed := make([]row, len(m[0]))
	for j := range transposed {
		transposed[j] = make(row, len(m))
		for i := range m {
			transposed[j][i].Set(&m[i][j])
		}
	}
	r := reduce(transposed, lastOf(len(m)))
	columns := r.null(len(m))
	out := make([]row, len(r.free))
	for k := range out {
		out[k] = make(row, len(m))
		for i := range m {
			out[k][i].Set(&columns[i][k])
		}
	}
	return out
}

func visible(print row) bool {
	for k := range print {
		if print[k].Sign() != 0 {
			return true
		}
	}
	return false
}

// parallel tells whether two rows are multiples of each other.
func parallel(a, b row) bool {
	r := reduce([]row{clone(a), clone(b)}, lastOf(len(a)))
	return len(r.pivots) == 1
}

// product is the scalar product of two residuals, each in units of the sensors'
// standard deviations.
func (x *Explainer) product(a, b []float64) float64 {
	var sum float64
	for i, w := range x.weight {
		sum += float64(a[i] * b[i] * w)
	}
	return sum
}

// Causes lists all single causes: the sensors in order, then the holding
// elements in order. The slice belongs to the explainer.
func (x *Explainer) Causes() []Cause { return x.causes }

// Pattern is the residual [rpm per rpm] that cause i leaves on each sensor; it
// belongs to the explainer.
func (x *Explainer) Pattern(i int) []float64 { return x.patterns.Row(i) }

// Visible tells whether cause i leaves any residual at all.
func (x *Explainer) Visible(i int) bool { return x.leader[i] >= 0 }

// Alike lists the groups of two or more causes that no reading in this gear can
// tell apart, as positions in Causes. Decided exactly.
func (x *Explainer) Alike() [][]int {
	var out [][]int
	for i := range x.causes {
		if x.leader[i] == i {
			if g := x.Group(i); len(g) > 1 {
				out = append(out, g)
			}
		}
	}
	return out
}

// Group returns the causes that look like cause i, itself included; nil if i is
// invisible.
func (x *Explainer) Group(i int) []int {
	var out []int
	for j := range x.causes {
		if x.leader[i] >= 0 && x.leader[j] == x.leader[i] {
			out = append(out, j)
		}
	}
	return out
}

// AngleDeg is the angle between the directions of two visible causes [degrees,
// 0 to 90], in units of the sensors' standard deviations: 0 looks the same, 90
// cannot be confused. NaN if one is invisible.
func (x *Explainer) AngleDeg(i, j int) float64 {
	if !x.Visible(i) || !x.Visible(j) {
		return math.NaN()
	}
	if x.leader[i] == x.leader[j] {
		return 0
	}
	c := math.Abs(x.product(x.Pattern(i), x.Pattern(j))) / math.Sqrt(x.norm[i]*x.norm[j])
	return math.Acos(min(c, 1)) * 180 / math.Pi
}

// Explain appends to out one Fit per visible cause, best first, then the fit of
// nothing being wrong, and returns it. Causes that look alike get the same
// ChiSquared and stand side by side in the order of Causes. It does not allocate
// if out has room for len(Causes)+1.
func (x *Explainer) Explain(m []float64, out []Fit) []Fit {
	x.residual.Mul(m, x.r)
	total := x.product(x.r, x.r)
	input := math.NaN()
	if x.hasInput {
		input = dot(x.input, m)
	}
	first := len(out)
	for i := range x.causes {
		l := x.leader[i]
		if l < 0 {
			continue
		}
		size := x.product(x.Pattern(l), x.r) / x.norm[l]
		f := Fit{Cause: i, ChiSquared: max(0, total-float64(size*size*x.norm[l])), SizeRPM: size * x.scale[i]}
		f.InputRPM = input + float64(f.SizeRPM*x.inputSize[i])
		at := len(out)
		out = append(out, f)
		for at > first && x.after(out[at-1], f) {
			out[at] = out[at-1]
			at--
		}
		out[at] = f
	}
	return append(out, Fit{Cause: -1, ChiSquared: total, InputRPM: input})
}

// after tells whether a comes after b: by fit, then by group, then by cause.
func (x *Explainer) after(a, b Fit) bool {
	if a.ChiSquared != b.ChiSquared {
		return a.ChiSquared > b.ChiSquared
	}
	return x.leader[a.Cause] > x.leader[b.Cause]
}
