package van

import (
	"fmt"
	"math"
	"math/big"
	mathbits "math/bits"
	"slices"
	"strings"

	"gearwitness/decode/geartrain"
	"gearwitness/signals"
)

// The moving parts are four speeds: three of the gearbox (its freedom with
// nothing applied) and the engine's. Everything that can stick is one row c of
// a matrix: slip = c u. A step of dt solves, at the level of velocity,
//
//	M (u' - u) = f dt + C^T p,   |p_i| <= capacity_i dt,
//	p_i against the slip at the bound, slip_i = 0 inside it,
//
// a bounded linear complementarity problem: Coulomb friction that really
// sticks. (Pfeiffer & Glocker, Multibody Dynamics with Unilateral Contacts;
// time stepping after Moreau; from memory.)
const (
	dof    = 4
	gears  = 3 // of them in the gearbox
	engine = 3 // index of the engine's speed
)

// vec is one figure per degree of freedom.
type vec [dof]float64

func (a *vec) dot(b *vec) float64 {
	return float64(a[0]*b[0]) + float64(a[1]*b[1]) + float64(a[2]*b[2]) + float64(a[3]*b[3])
}

func (a *vec) addScaled(s float64, b *vec) {
	a[0] += float64(s * b[0])
	a[1] += float64(s * b[1])
	a[2] += float64(s * b[2])
	a[3] += float64(s * b[3])
}

// Shafts of the van's gearbox by the names the vehicle file must use, and the
// inertia of each [kg·m2]: orders of magnitude of a gearbox for 400 N·m (common
// practice, no source). The input carries the turbine; the output is the
// driveline alone, the vehicle comes on top.
const (
	inputShaft = iota
	reducedCarrier
	smallSun
	sunDrum
	rearCarrier
	outputShaft
	numShafts
)

var shaftNames = [numShafts]string{"input", "reduced carrier", "small sun", "large sun drum", "rear carrier", "output"}
var shaftInertia = [numShafts]float64{0.055, 0.012, 0.006, 0.018, 0.022, 0.03}

const (
	engineInertia = 0.30 // crankshaft, flywheel and pump [kg·m2]; common practice, no source

	vehicleMass = 3100.0 // loaded parcel van [kg]
	tyreRadius  = 0.345  // [m]
	axleRatio   = 3.90
)

// kinetic is the energy of motion [J].
func (m *mechanism) kinetic(u *vec) (e float64) {
	for j := range dof {
		for k := range dof {
			e += float64(u[j] * m.mass[j][k] * u[k] / 2)
		}
	}
	return e
}

// gearRow is one gear of the element table, as the model needs it.
type gearRow struct {
	name  string
	holds uint // mask over elements
	ratio float64
	share [numElements]float64 // |torque| of each holding element per input torque
}

// Gears by index: 0 is neutral, 1 to 6 forward, 7 reverse.
const (
	neutral = 0
	reverse = 7
)

var gearNames = [8]string{"N", "1", "2", "3", "4", "5", "6", "R"}

// mechanism is the train with its inertias: constant once made.
type mechanism struct {
	shaft    [numShafts]vec // speed of a shaft = shaft · u
	row      [numRows]vec   // slip of a row = row · u
	response [numRows]vec   // change of u by a unit impulse in the row: M^-1 row^T
	w        [numRows][numRows]float64
	drive    [numShafts]vec // M^-1 shaft^T
	mass     [dof][dof]float64
	gear     [8]gearRow
}

// newMechanism builds the gearbox that the vehicle file describes. The van has
// one gearbox: its shafts, elements and gears must carry the names it knows.
func newMechanism(tr *signals.Transmission) (*mechanism, error) {
	if tr == nil || tr.Train == nil {
		return nil, fmt.Errorf("van: the vehicle file has no transmission with a train; the van needs shafts, sets, elements and gears")
	}
	train, err := geartrain.FromFile(tr)
	if err != nil {
		return nil, err
	}
	m := &mechanism{}
	var shaft [numShafts]int
	var unknown []string
	for _, name := range train.Shafts {
		if !slices.Contains(shaftNames[:], name) {
			unknown = append(unknown, "shaft "+quote(name))
		}
	}
	for i, name := range shaftNames {
		at, ok := train.Index(name)
		if !ok || at == geartrain.Ground {
			unknown = append(unknown, "no shaft "+quote(name))
		}
		shaft[i] = at
	}
	var element [numElements]int
	for i := range train.Elements {
		if !slices.Contains(elementNames[:], train.Elements[i].Name) {
			unknown = append(unknown, "element "+quote(train.Elements[i].Name))
		}
	}
	for i, name := range elementNames {
		at, ok := train.ElementIndex(name)
		if !ok {
			unknown = append(unknown, "no element "+quote(name))
		} else if (train.Elements[at].Kind == geartrain.OneWay) != (i == oneWay) {
			unknown = append(unknown, "element "+quote(name)+" of another kind")
		}
		element[i] = at
	}
	if unknown != nil {
		return nil, fmt.Errorf("van: the van's gearbox has the shafts %s and the elements %s; the vehicle file differs: %s",
			list(shaftNames[:]), list(elementNames[:]), list(unknown))
	}

	basis := train.NullBasis(nil)
	if basis.Cols != gears {
		return nil, fmt.Errorf("van: the train of the vehicle file has %d degrees of freedom; the van's gearbox has %d", basis.Cols, gears)
	}
	for i := range numShafts {
		copy(m.shaft[i][:gears], basis.Row(shaft[i]))
	}
	for i := range numElements {
		row := train.ElementRow(element[i])
		for s, v := range row {
			for j := range gears {
				m.row[i][j] += float64(v * basis.At(s, j))
			}
		}
	}
	m.row[lockupClutch] = m.shaft[inputShaft]
	m.row[lockupClutch][engine] = -1 // turbine - pump
	m.row[wheelBrake] = m.shaft[outputShaft]

	var mass [dof][dof]float64
	mass[engine][engine] = engineInertia
	for i := range numShafts {
		inertia := shaftInertia[i]
		if i == outputShaft {
			inertia += vehicleMass * 1.03 * tyreRadius * tyreRadius / (axleRatio * axleRatio) // wheels: 3 %
		}
		for j := range dof {
			for k := range dof {
				mass[j][k] += float64(inertia * m.shaft[i][j] * m.shaft[i][k])
			}
		}
	}
	m.mass = mass
	inverse, ok := invert(mass, dof)
	if !ok {
		return nil, fmt.Errorf("van: the train of the vehicle file leaves a shaft without a path for torque")
	}
	times := func(v *vec) (out vec) {
		for j := range dof {
			for k := range dof {
				out[j] += float64(inverse[j][k] * v[k])
			}
		}
		return out
	}
	for i := range m.row {
		m.response[i] = times(&m.row[i])
	}
	for i := range m.shaft {
		m.drive[i] = times(&m.shaft[i])
	}
	for i := range m.row {
		for j := range m.row {
			m.w[i][j] = m.row[i].dot(&m.response[j])
		}
	}
	return m, m.tabulate(train, tr, element)
}

// tabulate computes ratio and torque shares of each gear, exactly.
func (m *mechanism) tabulate(train *geartrain.Train, tr *signals.Transmission, element [numElements]int) error {
	known := map[int]int{}
	for i, at := range element {
		known[at] = i
	}
	table, err := geartrain.GearsFromFile(train, tr)
	if err != nil {
		return err
	}
	m.gear[neutral].name = gearNames[neutral]
	for g := 1; g < len(gearNames); g++ {
		found := false
		for _, e := range table {
			if e.Name != gearNames[g] {
				continue
			}
			found = true
			row := train.Solve(e.Holds, geartrain.Drive)
			if row.State != geartrain.InGear {
				return fmt.Errorf("van: gear %s of the vehicle file is %v; the van cannot drive in it", e.Name, row.State)
			}
			m.gear[g] = gearRow{name: e.Name, ratio: float(row.Ratio)}
			for _, at := range e.Holds {
				i := known[at]
				m.gear[g].holds |= 1 << i
				m.gear[g].share[i] = math.Abs(float(row.Torque[at]))
			}
		}
		if !found {
			return fmt.Errorf("van: the vehicle file has no gear %s; the van has %s", gearNames[g], list(gearNames[1:]))
		}
	}
	return nil
}

func float(r *big.Rat) float64 {
	if r == nil {
		return 0
	}
	f, _ := r.Float64()
	return f
}

func list(names []string) string { return strings.Join(names, ", ") }

// invert returns the inverse of the leading n by n part; false where it is
// singular to working precision.
func invert(a [dof][dof]float64, n int) (inv [dof][dof]float64, ok bool) {
	var largest float64
	for i := range n {
		inv[i][i] = 1
		largest = math.Max(largest, math.Abs(a[i][i]))
	}
	for c := range n {
		p := c
		for r := c + 1; r < n; r++ {
			if math.Abs(a[r][c]) > math.Abs(a[p][c]) {
				p = r
			}
		}
		if math.Abs(a[p][c]) < 1e-9*largest {
			return inv, false
		}
		a[c], a[p] = a[p], a[c]
		inv[c], inv[p] = inv[p], inv[c]
		d := 1 / a[c][c]
		for k := range n {
			a[c][k] *= d
			inv[c][k] *= d
		}
		for r := range n {
			if f := a[r][c]; r != c && f != 0 {
				for k := range n {
					a[r][k] -= float64(f * a[c][k])
					inv[r][k] -= float64(f * inv[c][k])
				}
			}
		}
	}
	return inv, true
}

// stickInverse is the inverse of w over the rows of one set that sticks.
type stickInverse struct {
	state int8 // 0 not computed, 1 good, -1 singular
	inv   [dof][dof]float64
}

// friction solves one step after the other; it remembers what stuck.
type friction struct {
	m       *mechanism
	impulse [numRows]float64 // of the last step [N·m·s]
	slip    [numRows]float64 // after the last step [rad/s]
	stuck   uint             // mask of rows with slip exactly 0 and room to spare
	cache   [1 << numRows]stickInverse
	solves  [2]int // steps solved at the first guess, steps that needed sweeps
}

// eps is a slip that counts as none [rad/s], far below a hundredth of an rpm.
const eps = 1e-7

// solve moves u, which already holds the effect of all other torques, by the
// impulses of the friction rows; bound is capacity times dt. Row oneWay pulls in
// one sense only.
func (f *friction) solve(u *vec, bound *[numRows]float64) {
	if f.try(u, bound, f.stuck, &f.impulse) {
		f.solves[0]++
		return
	}
	f.solves[1]++
	f.sweep(u, bound)
	// What lies inside its bounds sticks: solve these rows exactly.
	var stick uint
	for i := range numRows {
		b := bound[i]
		if b > 0 && f.impulse[i] < b*(1-1e-9) && (i == oneWay && f.impulse[i] > float64(b*1e-12)+1e-12 || i != oneWay && f.impulse[i] > -b*(1-1e-9)) {
			stick |= 1 << i
		}
	}
	guess := f.impulse
	if f.try(u, bound, stick, &guess) {
		return
	}
	// Redundant rows (two elements share one torque): the sweeps' answer stands.
	for i := range numRows {
		u.addScaled(f.impulse[i], &f.m.response[i])
	}
	f.stuck = 0
	for i := range numRows {
		f.slip[i] = f.m.row[i].dot(u)
		if bound[i] > 0 && math.Abs(f.slip[i]) < 1e-4 && stick&(1<<i) != 0 {
			f.stuck |= 1 << i
		}
	}
}

// try assumes that exactly the rows of stick stick and that the others slide the
// way guess says; true when everything fits, with u, slip and impulse set.
func (f *friction) try(u *vec, bound *[numRows]float64, stick uint, guess *[numRows]float64) bool {
	m := f.m
	n := mathbits.OnesCount(stick)
	if n > dof {
		return false
	}
	v := *u
	var impulse [numRows]float64
	for i := range numRows {
		b := bound[i]
		if b <= 0 || stick&(1<<i) != 0 {
			continue
		}
		s := f.slip[i]
		switch {
		case i == oneWay:
			if s < -eps || s <= eps && guess[i] >= b*(1-1e-9) {
				impulse[i] = b // driven back beyond what it holds
				break
			}
			continue
		case s > eps:
			impulse[i] = -b
		case s < -eps:
			impulse[i] = b
		case guess[i] > 0:
			impulse[i] = b
		case guess[i] < 0:
			impulse[i] = -b
		default:
			return false
		}
		v.addScaled(impulse[i], &m.response[i])
	}
	if n > 0 {
		c := &f.cache[stick]
		if c.state == 0 {
			f.fill(c, stick)
		}
		if c.state < 0 {
			return false
		}
		var rows [dof]int
		var rest [dof]float64
		k := 0
		for s := stick; s != 0; s &= s - 1 {
			i := mathbits.TrailingZeros(s)
			if bound[i] <= 0 {
				return false
			}
			rows[k], rest[k] = i, m.row[i].dot(&v)
			k++
		}
		for a := range n {
			var p float64
			for b := range n {
				p -= float64(c.inv[a][b] * rest[b])
			}
			i := rows[a]
			if p > bound[i] || p < -bound[i] || i == oneWay && p < 0 {
				return false
			}
			impulse[i] = p
		}
		for a := range n {
			v.addScaled(impulse[rows[a]], &m.response[rows[a]])
		}
	}
	var slip [numRows]float64
	for i := range numRows {
		slip[i] = m.row[i].dot(&v)
		if stick&(1<<i) != 0 {
			slip[i] = 0
			continue
		}
		if bound[i] <= 0 {
			continue
		}
		if i == oneWay {
			if slip[i] < -eps && impulse[i] == 0 || slip[i] > eps && impulse[i] > 0 {
				return false
			}
		} else if slip[i]*impulse[i] > eps*bound[i] {
			return false
		}
	}
	*u, f.impulse, f.slip, f.stuck = v, impulse, slip, stick
	return true
}

func (f *friction) fill(c *stickInverse, stick uint) {
	var a [dof][dof]float64
	n := 0
	for s := stick; s != 0; s &= s - 1 {
		k := 0
		for t := stick; t != 0; t &= t - 1 {
			a[n][k] = f.m.w[mathbits.TrailingZeros(s)][mathbits.TrailingZeros(t)]
			k++
		}
		n++
	}
	inv, ok := invert(a, n)
	c.inv, c.state = inv, -1
	if ok {
		c.state = 1
	}
}

// sweep finds the impulses by projected Gauss-Seidel from the last step's.
func (f *friction) sweep(u *vec, bound *[numRows]float64) {
	m := f.m
	v := *u
	for i := range numRows {
		p := math.Max(-bound[i], math.Min(bound[i], f.impulse[i]))
		if i == oneWay && p < 0 {
			p = 0
		}
		f.impulse[i] = p
		if p != 0 {
			v.addScaled(p, &m.response[i])
		}
	}
	for range 400 {
		var moved float64
		for i := range numRows {
			b := bound[i]
			if b <= 0 {
				continue
			}
			low := -b
			if i == oneWay {
				low = 0
			}
			d := -m.row[i].dot(&v) / m.w[i][i]
			p := math.Max(low, math.Min(b, f.impulse[i]+d))
			if d = p - f.impulse[i]; d != 0 {
				f.impulse[i] = p
				v.addScaled(d, &m.response[i])
				moved = math.Max(moved, math.Abs(d)*m.w[i][i])
			}
		}
		if moved < 1e-8 {
			break
		}
	}
}
