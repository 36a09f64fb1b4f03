package geartrain_test

import (
	"cmp"
	"fmt"
	"math"
	"math/big"
	"math/bits"
	"slices"
	"testing"

	"gonum.org/v1/gonum/mat"
	"pgregory.net/rapid"

	. "gearwitness/decode/geartrain"
)

// Random trains against a slow solver that shares nothing with the package: ranks
// and null spaces by singular values (gonum), torques by minimum-norm least
// squares, the one-way decision by Farkas' lemma instead of trying motions.

// randomTrain draws a train; next(n) draws one of 0..n-1.
func randomTrain(next func(n int) int, maxShafts, maxSets, maxElements, maxOneWay int) *Train {
	t := &Train{}
	for i := range 2 + next(maxShafts-1) {
		t.Shafts = append(t.Shafts, fmt.Sprint("shaft ", i))
	}
	shaft := func() int { return next(len(t.Shafts)+1) - 1 } // the housing too
	t.Input = next(len(t.Shafts))
	t.Output = (t.Input + 1 + next(len(t.Shafts)-1)) % len(t.Shafts)
	for i := range next(maxSets + 1) {
		s := Set{Name: fmt.Sprint("set ", i), Sun: shaft(), Ring: shaft(), Carrier: shaft(), SunTeeth: 12 + next(60), DoublePinion: next(3) == 0}
		s.RingTeeth = s.SunTeeth + 1 + next(60)
		t.Sets = append(t.Sets, s)
	}
	oneWays := 0
	for i := range next(maxElements + 1) {
		e := Element{Name: fmt.Sprint("element ", i), A: next(len(t.Shafts)), B: Ground, Kind: Kind(next(3))}
		if e.Kind == OneWay {
			if oneWays++; oneWays > maxOneWay {
				e.Kind = Brake
			}
		}
		if e.Kind != Brake {
			if e.B = (e.A+1+next(len(t.Shafts)))%(len(t.Shafts)+1) - 1; e.B == e.A {
				e.B = Ground
			}
		}
		if e.Kind == OneWay && next(2) == 0 {
			e.A, e.B = e.B, e.A
		}
		t.Elements = append(t.Elements, e)
	}
	return t
}

func drawTrain(rt *rapid.T) (*Train, []int) {
	next := func(n int) int { return rapid.IntRange(0, n-1).Draw(rt, "n") }
	t := randomTrain(next, 6, 3, 6, 3)
	var applied []int
	for e := range t.Elements {
		if t.Elements[e].Kind != OneWay && next(2) == 0 {
			applied = append(applied, e)
		}
	}
	return t, applied
}

const eps = 1e-8

// slow is a train in floating point, each row scaled to unit length.
type slow struct{ *Train }

func (t slow) row(element int) []float64 {
	r := make([]float64, len(t.Shafts))
	put := func(s int, v float64) {
		if s != Ground {
			r[s] += v
		}
	}
	put(t.Elements[element].A, 1)
	put(t.Elements[element].B, -1)
	return r
}

func (t slow) rows(elements []int) [][]float64 {
	var out [][]float64
	for _, s := range t.Sets {
		r := make([]float64, len(t.Shafts))
		zs, zr := float64(s.SunTeeth), float64(s.RingTeeth)
		if s.DoublePinion {
			zr = -zr
		}
		for _, m := range []struct {
			shaft int
			z     float64
		}{{s.Sun, zs}, {s.Ring, zr}, {s.Carrier, -zs - zr}} {
			if m.shaft != Ground {
				r[m.shaft] += m.z / (zs + math.Abs(zr))
			}
		}
		out = append(out, r)
	}
	for _, e := range elements {
		out = append(out, t.row(e))
	}
	return out
}

// svd returns the rank of m and orthonormal rows spanning its null space.
func svd(m [][]float64, cols int) (rank int, null [][]float64) {
	d := mat.NewDense(max(len(m), cols), cols, nil) // zero rows change nothing
	for i, r := range m {
		d.SetRow(i, r)
	}
	var f mat.SVD
	if !f.Factorize(d, mat.SVDFull) {
		panic("no singular values")
	}
	var v mat.Dense
	f.VTo(&v)
	for k, s := range f.Values(nil) {
		if s > eps {
			rank++
		} else {
			null = append(null, mat.Col(nil, k, &v))
		}
	}
	return rank, null
}

// solve is the minimum-norm solution of m x = b and whether it is exact.
func solve(m [][]float64, cols int, b []float64) ([]float64, bool) {
	d := mat.NewDense(len(m), max(cols, 1), nil)
	for i, r := range m {
		for j, v := range r {
			d.Set(i, j, v)
		}
	}
	var f mat.SVD
	f.Factorize(d, mat.SVDThin)
	x := mat.NewDense(max(cols, 1), 1, nil)
	rank := 0
	for _, s := range f.Values(nil) {
		if s > eps {
			rank++
		}
	}
	if rank > 0 {
		f.SolveTo(x, mat.NewDense(len(b), 1, slices.Clone(b)), rank)
	}
	var r mat.Dense
	r.Mul(d, x)
	for i := range b {
		if math.Abs(r.At(i, 0)-b[i]) > 1e-6 {
			return nil, false
		}
	}
	return mat.Col(nil, 0, x)[:cols], true
}

func (t slow) state(rows [][]float64) (State, float64) {
	_, null := svd(rows, len(t.Shafts))
	in, out := make([]float64, len(null)), make([]float64, len(null))
	for k, n := range null {
		in[k], out[k] = n[t.Input], n[t.Output]
	}
	norm := func(a []float64) float64 { return math.Sqrt(inner(a, a)) }
	switch i, o := norm(in) > eps, norm(out) > eps; {
	case !i && !o:
		return TiedUp, 0
	case !i:
		return InputLocked, 0
	case !o:
		return OutputLocked, 0
	}
	if rank, _ := svd([][]float64{in, out}, len(null)); rank == 2 {
		return Neutral, 0
	}
	return InGear, inner(in, out) / inner(out, out)
}

func inner(a, b []float64) float64 {
	var sum float64
	for i := range a {
		sum += a[i] * b[i]
	}
	return sum
}

func transpose(m [][]float64, cols int) [][]float64 {
	out := make([][]float64, cols)
	for j := range out {
		for i := range m {
			out[j] = append(out[j], m[i][j])
		}
	}
	return out
}

func (t slow) unit(shaft int, v float64) []float64 {
	out := make([]float64, len(t.Shafts))
	out[shaft] = v
	return out
}

// jams tells whether no motion with the input turning forwards satisfies the
// equations and leaves every one-way clutch a slip >= 0: exactly if torques of the
// parts and torques >= 0 of one-way clutches can resist a torque at the input
// (Farkas' lemma). A set of one-way clutches with independent columns suffices
// (Caratheodory).
func (t slow) jams(equations [][]float64, oneWays []int) bool {
	base, _ := svd(equations, len(t.Shafts))
	for set := range 1 << len(oneWays) {
		rows := slices.Clone(equations)
		for i, e := range oneWays {
			if set>>i&1 != 0 {
				rows = append(rows, t.row(e))
			}
		}
		if rank, _ := svd(rows, len(t.Shafts)); rank != base+bits.OnesCount(uint(set)) {
			continue
		}
		x, ok := solve(transpose(rows, len(t.Shafts)), len(rows), t.unit(t.Input, -1))
		if ok && !slices.ContainsFunc(x[len(equations):], func(v float64) bool { return v < -1e-7 }) {
			return true
		}
	}
	return false
}

// torques per part, NaN where undetermined, and the torque on the output.
func (t slow) torques(rows [][]float64, load float64) ([]float64, float64) {
	with := append(slices.Clone(rows), t.unit(t.Output, 1))
	m := transpose(with, len(t.Shafts))
	x, ok := solve(m, len(with), t.unit(t.Input, -load))
	if !ok {
		panic("no balance of torques")
	}
	_, null := svd(m, len(with))
	for _, n := range null {
		for i := range x {
			if math.Abs(n[i]) > 1e-7 {
				x[i] = math.NaN()
			}
		}
	}
	return x[:len(rows)], x[len(rows)]
}

// decide is the slow twin of Train.Solve.
func (t slow) decide(applied []int, load float64) (state State, ratio float64, holding []int) {
	var oneWays []int
	for e := range t.Elements {
		if t.Elements[e].Kind == OneWay {
			oneWays = append(oneWays, e)
		}
	}
	open := t.rows(applied)
	state, _ = t.state(open)
	if state == TiedUp || state == InputLocked {
		return state, 0, nil
	}
	for size := range len(oneWays) + 1 {
		for set := range 1 << len(oneWays) {
			if bits.OnesCount(uint(set)) != size {
				continue
			}
			var held []int
			for i, e := range oneWays {
				if set>>i&1 != 0 {
					held = append(held, e)
				}
			}
			rows := t.rows(slices.Concat(applied, held))
			s, ratio := t.state(rows)
			if s != InGear || t.jams(rows, oneWays) {
				continue
			}
			x, _ := t.torques(rows, load)
			if slices.ContainsFunc(x[len(open):], func(v float64) bool { return !(v > 1e-7) }) {
				continue
			}
			return InGear, ratio, held
		}
	}
	if t.jams(open, oneWays) {
		return TiedUp, 0, nil
	}
	return state, 0, nil
}

func TestSolveRandomTrains(t *testing.T) {
	seen := map[State]int{}
	held := 0
	rapid.Check(t, func(rt *rapid.T) {
		tr, applied := drawTrain(rt)
		if err := tr.Check(); err != nil {
			rt.Fatal(err)
		}
		s := slow{tr}
		for _, load := range []Load{Drive, Coast} {
			sign := 1 - 2*float64(load)
			got := tr.Solve(applied, load)
			state, ratio, holding := s.decide(applied, sign)
			seen[state]++
			held += len(holding)
			if got.State != state {
				rt.Fatalf("load %d: %v, slow solver %v", load, got.State, state)
			}
			for e := range tr.Elements {
				if got.Holding[e] != slices.Contains(holding, e) {
					rt.Fatalf("load %d: %s holds: %v", load, tr.Elements[e].Name, got.Holding[e])
				}
			}
			rows := s.rows(slices.Concat(applied, holding))
			rank, null := svd(rows, len(tr.Shafts))
			if got.Freedom != len(tr.Shafts)-rank || got.Redundant != len(rows)-rank {
				rt.Fatalf("freedom %d, redundant %d; slow solver rank %d of %d rows", got.Freedom, got.Redundant, rank, len(rows))
			}
			checkInvariants(rt, tr, &got)
			if state != InGear {
				continue
			}
			close := func(what string, exact *big.Rat, slow float64) {
				if exact == nil {
					if !math.IsNaN(slow) {
						rt.Fatalf("%s undetermined, slow solver %v", what, slow)
					}
					return
				}
				if v, _ := exact.Float64(); !(math.Abs(v-slow) <= 1e-6*(1+math.Abs(v))) {
					rt.Fatalf("%s = %v, slow solver %v", what, v, slow)
				}
			}
			close("ratio", got.Ratio, ratio)
			in := make([]float64, len(null))
			for k := range null {
				in[k] = null[k][tr.Input]
			}
			for i, name := range tr.Shafts {
				n := make([]float64, len(null))
				for k := range null {
					n[k] = null[k][i]
				}
				v := inner(n, in) / inner(in, in)
				for k := range n {
					if math.Abs(n[k]-v*in[k]) > 1e-7 {
						v = math.NaN()
						break
					}
				}
				close("speed of "+name, got.Speed[i], v)
			}
			x, out := s.torques(rows, sign)
			close("output torque", got.OutputTorque, -out)
			for i, e := range slices.Concat(applied, holding) {
				close("torque of "+tr.Elements[e].Name, got.Torque[e], x[len(tr.Sets)+i])
			}
		}
	})
	// A generator that never reaches a state would prove nothing about it.
	for s := InGear; s <= OutputLocked; s++ {
		if seen[s] == 0 {
			t.Errorf("no random train was %v", s)
		}
	}
	if held == 0 {
		t.Error("no one-way clutch ever held")
	}
}

type fataler interface{ Fatalf(string, ...any) }

// checkInvariants proves exact laws on a solved row, whatever the train.
func checkInvariants(t fataler, tr *Train, r *Row) {
	if r.State != InGear {
		if r.Ratio != nil || r.Speed != nil || r.Torque != nil {
			t.Fatalf("%v with figures", r.State)
		}
		return
	}
	want := new(big.Rat).Set(r.Ratio)
	if r.Load == Coast {
		want.Neg(want)
	}
	if r.OutputTorque == nil || r.OutputTorque.Cmp(want) != 0 {
		t.Fatalf("output torque %v, want the ratio %v", r.OutputTorque, want)
	}
	if p := tr.PowerError(r); p != nil && p.Sign() != 0 {
		t.Fatalf("power error %v", p)
	}
	balance := make([]*big.Rat, len(tr.Shafts))
	for i := range balance {
		balance[i] = new(big.Rat)
	}
	determined := true
	put := func(shaft int, v *big.Rat, sign int64) {
		if v == nil {
			determined = false
		} else if shaft != Ground {
			balance[shaft].Add(balance[shaft], new(big.Rat).Mul(v, big.NewRat(sign, 1)))
		}
	}
	input := int64(1)
	if r.Load == Coast {
		input = -1
	}
	put(tr.Input, big.NewRat(input, 1), 1)
	put(tr.Output, r.OutputTorque, -1)
	for i, s := range tr.Sets {
		put(s.Sun, r.SetTorque[i][0], 1)
		put(s.Ring, r.SetTorque[i][1], 1)
		put(s.Carrier, r.SetTorque[i][2], 1)
	}
	for i, e := range tr.Elements {
		put(e.A, r.Torque[i], 1)
		put(e.B, r.Torque[i], -1)
		if e.Kind != OneWay {
			continue
		}
		slip := r.Slip[i]
		switch {
		case slip != nil && slip.Sign() < 0:
			t.Fatalf("one-way clutch %s slips %v against its sense", e.Name, slip)
		case r.Holding[i] && (slip == nil || slip.Sign() != 0 || r.Torque[i] == nil || r.Torque[i].Sign() <= 0):
			t.Fatalf("one-way clutch %s holds with slip %v, torque %v", e.Name, slip, r.Torque[i])
		case !r.Holding[i] && r.Torque[i].Sign() != 0:
			t.Fatalf("one-way clutch %s carries %v without holding", e.Name, r.Torque[i])
		}
	}
	if determined {
		for i, b := range balance {
			if b.Sign() != 0 {
				t.Fatalf("torques on %s sum to %v", tr.Shafts[i], b)
			}
		}
	}
}

func drawSensors(rt *rapid.T, tr *Train) ([]Sensor, []float64) {
	var s []Sensor
	var m []float64
	for range rapid.IntRange(0, 5).Draw(rt, "sensors") {
		s = append(s, Sensor{
			Shaft:        rapid.IntRange(0, len(tr.Shafts)-1).Draw(rt, "shaft"),
			VarianceRPM2: rapid.Float64Range(0.01, 100).Draw(rt, "variance"),
		})
		m = append(m, rapid.Float64Range(-6000, 6000).Draw(rt, "reading"))
	}
	return s, m
}

// fit is the slow twin of the Estimator: speeds n = B q on an orthonormal basis B
// of what the rows allow, q by the pseudo-inverse of the weighted readings.
func (t slow) fit(s []Sensor, m []float64, holding []int) (speeds []float64, determined []bool, chi2 float64, spare int) {
	_, null := svd(t.rows(holding), len(t.Shafts))
	speeds, determined = make([]float64, len(t.Shafts)), make([]bool, len(t.Shafts))
	q := make([]float64, len(null))
	var unseen [][]float64
	spare = len(s)
	if len(s) > 0 && len(null) > 0 {
		weighted, seen := make([][]float64, len(s)), make([][]float64, len(s))
		b := mat.NewDense(len(s), 1, nil)
		d := mat.NewDense(len(s), len(null), nil)
		for i := range s {
			for k := range null {
				v := null[k][s[i].Shaft]
				seen[i] = append(seen[i], v)
				weighted[i] = append(weighted[i], v/math.Sqrt(s[i].VarianceRPM2))
			}
			d.SetRow(i, weighted[i])
			b.Set(i, 0, m[i]/math.Sqrt(s[i].VarianceRPM2))
		}
		var rank int
		rank, unseen = svd(seen, len(null))
		spare -= rank
		if rank > 0 {
			var f mat.SVD
			f.Factorize(d, mat.SVDThin)
			var x mat.Dense
			f.SolveTo(&x, b, rank)
			q = mat.Col(nil, 0, &x)
		}
	} else {
		for k := range null {
			u := make([]float64, len(null))
			u[k] = 1
			unseen = append(unseen, u)
		}
	}
	for i := range speeds {
		r := make([]float64, len(null))
		for k := range null {
			r[k] = null[k][i]
		}
		speeds[i] = inner(r, q)
		determined[i] = !slices.ContainsFunc(unseen, func(u []float64) bool { return math.Abs(inner(u, r)) > 1e-7 })
	}
	for i := range s {
		e := m[i] - speeds[s[i].Shaft]
		chi2 += e * e / s[i].VarianceRPM2
	}
	return speeds, determined, chi2, spare
}

// closeTo allows for solving with teeth of up to 130 in three sets: a millionth of
// the largest reading, 6000 rpm, or of the figure.
func closeTo(a, b float64) bool { return math.Abs(a-b) <= 1e-6*(6000+math.Abs(a)) }

func TestEstimatorRandomTrains(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		tr, holding := drawTrain(rt)
		s, m := drawSensors(rt, tr)
		e, err := NewEstimator(tr, s, holding)
		if err != nil {
			rt.Fatal(err)
		}
		speeds, slips, residual := make([]float64, len(tr.Shafts)), make([]float64, len(tr.Elements)), make([]float64, len(s))
		e.Speeds(m, speeds)
		e.Slips(m, slips)
		e.Residual(m, residual)
		want, determined, chi2, spare := slow{tr}.fit(s, m, holding)
		if !slices.Equal(e.Determined(), determined) {
			rt.Fatalf("determined %v, slow solver %v", e.Determined(), determined)
		}
		if e.Spare() != spare {
			rt.Fatalf("spare %d, slow solver %d", e.Spare(), spare)
		}
		for i := range speeds {
			if determined[i] && !closeTo(speeds[i], want[i]) || determined[i] == math.IsNaN(speeds[i]) || determined[i] == math.IsNaN(e.SpeedSigma()[i]) {
				rt.Fatalf("speed of %s = %v ± %v, slow solver %v (determined: %v)", tr.Shafts[i], speeds[i], e.SpeedSigma()[i], want[i], determined[i])
			}
		}
		for i := range residual {
			if !closeTo(residual[i], m[i]-want[s[i].Shaft]) {
				rt.Fatalf("residual %d = %v, slow solver %v", i, residual[i], m[i]-want[s[i].Shaft])
			}
		}
		if got := e.ChiSquared(m); math.Abs(got-chi2) > 1e-6*(1+chi2) {
			rt.Fatalf("chi-squared %v, slow solver %v", got, chi2)
		}
		for i := range slips {
			if e.DeterminedSlip()[i] && !closeTo(slips[i], inner(slow{tr}.row(i), want)) || e.DeterminedSlip()[i] == math.IsNaN(slips[i]) {
				rt.Fatalf("slip of %s = %v, slow solver %v", tr.Elements[i].Name, slips[i], inner(slow{tr}.row(i), want))
			}
			if slices.Contains(holding, i) && (slips[i] != 0 || e.SlipSigma()[i] != 0) {
				rt.Fatalf("%s holds, but slips %v ± %v", tr.Elements[i].Name, slips[i], e.SlipSigma()[i])
			}
			// The deviation is that of a sum of independent readings: move each by its own.
			if sigma := e.SlipSigma()[i]; !math.IsNaN(sigma) {
				var sum float64
				moved := make([]float64, len(slips))
				for k := range m {
					with := slices.Clone(m)
					with[k] += math.Sqrt(s[k].VarianceRPM2)
					e.Slips(with, moved)
					sum += (moved[i] - slips[i]) * (moved[i] - slips[i])
				}
				if !closeTo(math.Sqrt(sum), sigma) {
					rt.Fatalf("deviation of the slip of %s = %v, moving the readings gives %v", tr.Elements[i].Name, sigma, math.Sqrt(sum))
				}
			}
		}
	})
}

func TestExplainRandomTrains(t *testing.T) {
	explained := 0
	rapid.Check(t, func(rt *rapid.T) {
		tr, holding := drawTrain(rt)
		s, m := drawSensors(rt, tr)
		x, err := NewExplainer(tr, s, holding)
		if err != nil {
			rt.Fatal(err)
		}
		sl := slow{tr}
		speeds, determined, chi2, spare := sl.fit(s, m, holding)
		fits := x.Explain(m, nil)
		last := fits[len(fits)-1]
		if last.Cause != -1 || math.Abs(last.ChiSquared-chi2) > 1e-6*(1+chi2) {
			rt.Fatalf("nothing wrong: %+v, slow solver %v", last, chi2)
		}
		if in := speeds[tr.Input]; determined[tr.Input] && !closeTo(last.InputRPM, in) || determined[tr.Input] == math.IsNaN(last.InputRPM) {
			rt.Fatalf("input %v, slow solver %v", last.InputRPM, in)
		}
		if !slices.IsSortedFunc(fits[:len(fits)-1], func(a, b Fit) int { return cmp.Compare(a.ChiSquared, b.ChiSquared) }) {
			rt.Fatalf("fits out of order: %+v", fits)
		}
		byCause := map[int]Fit{}
		for _, f := range fits {
			byCause[f.Cause] = f
		}
		for i, c := range x.Causes() {
			// The refit: one sensor left out, or one element's row left away.
			s2, m2, h2 := s, m, holding
			if c.Kind == SensorWrong {
				s2 = slices.Delete(slices.Clone(s), c.Index, c.Index+1)
				m2 = slices.Delete(slices.Clone(m), c.Index, c.Index+1)
			} else {
				h2 = slices.DeleteFunc(slices.Clone(holding), func(e int) bool { return e == c.Index })
			}
			refit, _, rest, spare2 := sl.fit(s2, m2, h2)
			f, visible := byCause[i]
			if visible != x.Visible(i) || visible != (spare2 < spare) {
				rt.Fatalf("cause %+v visible: %v, spare %d then %d", c, visible, spare, spare2)
			}
			if !visible {
				if math.Abs(rest-chi2) > 1e-6*(1+chi2) {
					rt.Fatalf("invisible cause %+v changes chi-squared from %v to %v", c, chi2, rest)
				}
				continue
			}
			explained++
			if math.Abs(f.ChiSquared-rest) > 1e-6*(1+chi2) {
				rt.Fatalf("cause %+v leaves %v, refit %v", c, f.ChiSquared, rest)
			}
			if determined[tr.Input] && !closeTo(f.InputRPM, refit[tr.Input]) {
				rt.Fatalf("cause %+v: input %v, refit %v", c, f.InputRPM, refit[tr.Input])
			}
			if c.Kind == SensorWrong && determined[s[c.Index].Shaft] {
				if size := m[c.Index] - refit[s[c.Index].Shaft]; !closeTo(f.SizeRPM, size) {
					rt.Fatalf("cause %+v: size %v, refit %v", c, f.SizeRPM, size)
				}
			}
			if c.Kind == ElementSlips && determined[tr.Input] {
				slip := inner(sl.row(c.Index), refit)
				if _, known, _, _ := sl.fit(s2, m2, h2); !slices.Contains(known, false) && !closeTo(f.SizeRPM, slip) {
					rt.Fatalf("cause %+v: slip %v, refit %v", c, f.SizeRPM, slip)
				}
			}
			for j := range i {
				if !x.Visible(j) {
					continue
				}
				alike := slices.Contains(x.Group(i), j)
				if a := x.AngleDeg(i, j); alike != (a < 1e-4) {
					rt.Fatalf("causes %d and %d alike: %v, angle %v", i, j, alike, a)
				}
			}
		}
	})
	if explained == 0 {
		t.Error("no random train had a cause to tell")
	}
}

func FuzzSolve(f *testing.F) {
	f.Add([]byte{})
	f.Add([]byte("a train of many parts with one-way clutches here and there, \x00\x01\x02\x03"))
	f.Add([]byte{5, 0, 3, 3, 0, 1, 2, 9, 1, 20, 2, 3, 4, 20, 0, 30, 6, 1, 0, 2, 2, 2, 0, 0, 1, 0})
	f.Fuzz(func(t *testing.T, data []byte) {
		next := func(n int) int {
			if len(data) == 0 {
				return 0
			}
			b := int(data[0])
			data = data[1:]
			return b % n
		}
		tr := randomTrain(next, 10, 5, 10, 4)
		if err := tr.Check(); err != nil {
			t.Fatal(err)
		}
		var all []int
		for e := range tr.Elements {
			if next(2) == 0 {
				all = append(all, e)
			}
		}
		for _, row := range tr.Table([]Gear{{Name: "1", Holds: all}, {Name: "N"}}) {
			checkInvariants(t, tr, &row.Drive)
			checkInvariants(t, tr, &row.Coast)
		}
		var s []Sensor
		var shafts []int
		for range next(5) {
			s = append(s, Sensor{Shaft: next(len(tr.Shafts)), VarianceRPM2: 1})
			shafts = append(shafts, s[len(s)-1].Shaft)
		}
		e, err := NewEstimator(tr, s, all)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := NewExplainer(tr, s, all); err != nil {
			t.Fatal(err)
		}
		enough := !slices.Contains(e.Determined(), false)
		if sets := tr.SufficientSets(shafts, all, 4); enough != (len(sets) > 0) {
			t.Fatalf("every shaft follows: %v, but sufficient sets %v", enough, sets)
		}
	})
}
