package geartrain

import (
	"math/big"
	"math/bits"
	"slices"
)

// Solve gives the exact state of the train with the friction elements of
// applied engaged. One-way clutches decide for themselves whether they hold;
// those in applied are ignored, and so is an element named twice.
//
// The decision is the complementarity of slip and torque (Pfeiffer & Glocker,
// Multibody Dynamics with Unilateral Contacts): with the input turning forwards,
// over all subsets of one-way clutches, smallest first, the subset holds if the
// train is then in gear, every other one-way clutch can turn in its free sense,
// and each of the subset carries torque strictly in its holding sense. Of a
// one-way clutch beside an applied friction element that element is thus taken to
// carry and the one-way clutch to idle. If no subset fits, the train freewheels
// or is neutral where some forward motion of the input respects all one-way
// clutches, and jams, a tie-up, where none does.
func (t *Train) Solve(applied []int, load Load) Row {
	friction := t.friction(applied)
	open := reduce(t.rows(friction), lastOf(len(t.Shafts), t.Output, t.Input))
	out := Row{
		State:     t.state(&open),
		Load:      load,
		Holding:   make([]bool, len(t.Elements)),
		Freedom:   len(open.free),
		Redundant: len(t.Sets) + len(friction) - len(open.pivots),
	}
	if out.State == TiedUp || out.State == InputLocked {
		return out // the input cannot turn, whatever the one-way clutches do
	}
	space := t.oneWaySpace(&open)
	for _, held := range space.bySize() {
		holding := space.elements(held)
		all := slices.Concat(friction, holding)
		if !space.makesGear(held) || !space.forward(held, space.every()) {
			continue
		}
		torque := t.torques(all, load)
		free := slices.DeleteFunc(slices.Clone(holding), func(e int) bool {
			return torque[len(t.Sets)+slices.Index(all, e)].Sign() > 0
		})
		if len(free) > 0 {
			if out.Freewheels == nil {
				out.Freewheels = free
			}
			continue
		}
		for _, e := range holding {
			out.Holding[e] = true
		}
		out.State, out.Freewheels = InGear, nil
		out.Freedom -= len(holding) // each adds an equation, none a redundant one
		t.fill(&out, all, torque)
		return out
	}
	if !space.forward(0, space.every()) {
		out.State, out.Freewheels = TiedUp, nil
		out.JammedBy = space.jammed()
	}
	return out
}

// friction returns the clutches and brakes among elements, each once.
func (t *Train) friction(elements []int) []int {
	var out []int
	for _, e := range elements {
		if t.Elements[e].Kind != OneWay && !slices.Contains(out, e) {
			out = append(out, e)
		}
	}
	return out
}

// state reads the state from rows reduced with output and input as the last two
// columns: each is then free, zero, or (the output) a multiple of the input.
func (t *Train) state(m *reduced) State {
	inputFree := !slices.Contains(m.pivots, t.Input)
	switch k := slices.Index(m.pivots, t.Output); {
	case k < 0 && inputFree:
		return Neutral
	case k < 0:
		return InputLocked
	case !inputFree:
		return TiedUp
	case m.rows[k][t.Input].Sign() == 0:
		return OutputLocked
	default:
		return InGear
	}
}

// torques solves the statics: on every shaft the torques of the sets, of the
// carrying elements and of the world outside sum to zero. Unknowns, in order: one
// per set (torque on sun, ring, carrier = unknown times the set's row), one per
// element (torque on its first side), the external torque on the output, that on
// the input, which is 1 or, in coast, -1. nil = not determined.
func (t *Train) torques(carrying []int, load Load) []*big.Rat {
	parts := t.rows(carrying)
	balance := make([]row, len(t.Shafts))
	for s := range balance {
		balance[s] = make(row, len(parts)+2)
		for p := range parts {
			balance[s][p].Set(&parts[p][s])
		}
	}
	balance[t.Output].add(len(parts), 1)
	balance[t.Input].add(len(parts)+1, 1)
	x := follow(balance, len(parts)+2, len(parts)+1)
	if load == Coast {
		for _, v := range x {
			if v != nil {
				v.Neg(v)
			}
		}
	}
	return x
}

// fill completes a row that is in gear; torque is the solution of torques.
func (t *Train) fill(out *Row, carrying []int, torque []*big.Rat) {
	out.Speed = follow(t.rows(carrying), len(t.Shafts), t.Input)
	out.Ratio = new(big.Rat).Inv(out.Speed[t.Output])
	out.Slip = make([]*big.Rat, len(t.Elements))
	out.Torque = make([]*big.Rat, len(t.Elements))
	for e := range t.Elements {
		out.Slip[e] = t.slip(e, carrying, out.Speed)
		out.Torque[e] = new(big.Rat)
		if i := slices.Index(carrying, e); i >= 0 {
			out.Torque[e] = torque[len(t.Sets)+i]
		}
	}
	out.SetTorque = make([][3]*big.Rat, len(t.Sets))
	out.Planet = make([]*big.Rat, len(t.Sets))
	for s := range t.Sets {
		set := &t.Sets[s]
		out.Planet[s] = set.planetSpeed(out.Speed)
		if torque[s] == nil {
			continue
		}
		ring, carrier := set.RingTeeth, -(set.SunTeeth + set.RingTeeth)
		if set.DoublePinion {
			ring, carrier = -set.RingTeeth, set.RingTeeth-set.SunTeeth
		}
		for i, teeth := range []int{set.SunTeeth, ring, carrier} {
			out.SetTorque[s][i] = new(big.Rat).Mul(torque[s], big.NewRat(int64(teeth), 1))
		}
	}
	out.OutputTorque = new(big.Rat).Neg(torque[len(torque)-2])
}

// slip of element e; zero for one that carries even if both its sides are loose.
func (t *Train) slip(e int, carrying []int, speed []*big.Rat) *big.Rat {
	if slices.Contains(carrying, e) {
		return new(big.Rat)
	}
	a, b := at(speed, t.Elements[e].A), at(speed, t.Elements[e].B)
	if a == nil || b == nil {
		return nil
	}
	return new(big.Rat).Sub(a, b)
}

// planetSpeed is n_carrier - (n_sun - n_carrier) Zs/Zp.
func (s *Set) planetSpeed(speed []*big.Rat) *big.Rat {
	sun, carrier := at(speed, s.Sun), at(speed, s.Carrier)
	if s.PlanetTeeth == 0 || sun == nil || carrier == nil {
		return nil
	}
	n := new(big.Rat).Sub(sun, carrier)
	n.Mul(n, big.NewRat(int64(s.SunTeeth), int64(s.PlanetTeeth)))
	return n.Sub(carrier, n)
}

// at is the speed of a shaft or of the housing.
func at(speed []*big.Rat, shaft int) *big.Rat {
	if shaft == Ground {
		return new(big.Rat)
	}
	return speed[shaft]
}

// oneWaySpace is what the one-way clutches see: their rows over the freedoms that
// the sets and friction elements leave. Subsets are bit sets over numbers.
type oneWaySpace struct {
	numbers []int // element numbers
	rows    []row // over the free shafts, in order of elimination
	freedom int
	input   int // column of the input
	output  row // the output's speed
}

// oneWaySpace requires that the input is free in m.
func (t *Train) oneWaySpace(m *reduced) oneWaySpace {
	n := m.null(len(t.Shafts))
	s := oneWaySpace{freedom: len(m.free), input: slices.Index(m.free, t.Input), output: n[t.Output]}
	for e := range t.Elements {
		if t.Elements[e].Kind != OneWay {
			continue
		}
		r := make(row, len(m.free))
		for j := range r {
			if a := t.Elements[e].A; a != Ground {
				r[j].Add(&r[j], &n[a][j])
			}
			if b := t.Elements[e].B; b != Ground {
				r[j].Sub(&r[j], &n[b][j])
			}
			if m.d.Sign() < 0 { // the basis is scaled by d; keep the sense of slip
				r[j].Neg(&r[j])
			}
		}
		s.numbers = append(s.numbers, e)
		s.rows = append(s.rows, r)
	}
	return s
}

func (s *oneWaySpace) every() uint { return 1<<len(s.numbers) - 1 }

// bySize lists all subsets, smallest first.
func (s *oneWaySpace) bySize() []uint {
	out := make([]uint, s.every()+1)
	for i := range out {
		out[i] = uint(i)
	}
	slices.SortStableFunc(out, func(a, b uint) int { return bits.OnesCount(a) - bits.OnesCount(b) })
	return out
}

// equations are copies of the rows of a subset, to be reduced.
func (s *oneWaySpace) equations(subset uint) []row {
	var out []row
	for i, r := range s.rows {
		if subset>>i&1 != 0 {
			out = append(out, clone(r))
		}
	}
	return out
}

// makesGear tells whether the train is in gear with the subset holding and each
// of them adds an equation; one that adds none shares its torque in an
// undetermined way with a smaller subset, which decides.
func (s *oneWaySpace) makesGear(subset uint) bool {
	input := make(row, s.freedom)
	input[s.input].SetInt64(1)
	held := reduce(s.equations(subset), lastOf(s.freedom))
	if len(held.pivots) != bits.OnesCount(subset) || held.spans(input) || held.spans(s.output) {
		return false
	}
	locked := reduce(append(s.equations(subset), input), lastOf(s.freedom))
	return locked.spans(s.output)
}

func (s *oneWaySpace) elements(subset uint) []int {
	var out []int
	for i, e := range s.numbers {
		if subset>>i&1 != 0 {
			out = append(out, e)
		}
	}
	return out
}

// forward tells whether the input can turn forwards with the one-way clutches of
// held at zero slip and the others of present at slips >= 0.
//
// A polyhedron that is not empty has a minimal face, on which a subset of its
// inequalities are equalities and all others hold throughout; so it suffices to
// try one solution of each subset of equalities.
func (s *oneWaySpace) forward(held, present uint) bool {
	for tight := range present + 1 {
		if tight&^present != 0 || tight&held != held {
			continue
		}
		n := particular(s.equations(tight), s.freedom, s.input)
		if n == nil {
			continue
		}
		fits := true
		for i, r := range s.rows {
			if present>>i&1 != 0 && tight>>i&1 == 0 && r.sign(n) < 0 {
				fits = false
				break
			}
		}
		if fits {
			return true
		}
	}
	return false
}

// particular is one solution of the homogeneous equations m with 1 at column
// lead, nil if there is none. It reduces m in place.
func particular(m []row, columns, lead int) []*big.Rat {
	r := reduce(m, lastOf(columns, lead))
	if slices.Contains(r.pivots, lead) {
		return nil
	}
	out := make([]*big.Rat, columns)
	for c := range out {
		out[c] = new(big.Rat)
	}
	out[lead].SetInt64(1)
	for k, c := range r.pivots {
		out[c].SetFrac(&r.rows[k][lead], r.d)
		out[c].Neg(out[c])
	}
	return out
}

// jammed names the one-way clutches any one of which, taken away, would let the
// input turn; all of them if no single one would.
func (s *oneWaySpace) jammed() []int {
	var out []int
	for i, e := range s.numbers {
		if s.forward(0, s.every()&^(1<<i)) {
			out = append(out, e)
		}
	}
	if out == nil {
		return slices.Clone(s.numbers)
	}
	return out
}

// PowerError is the power balance of a row in gear per unit of input speed and
// torque: what the input and output exchange with the world, plus what each set
// makes of it. Exactly zero for a sound train; nil if a torque is undetermined
// or a shaft with torque is loose.
func (t *Train) PowerError(r *Row) *big.Rat {
	if r.State != InGear {
		return nil
	}
	sum := big.NewRat(1, 1)
	if r.Load == Coast {
		sum.Neg(sum)
	}
	var term big.Rat
	sum.Sub(sum, term.Mul(r.OutputTorque, r.Speed[t.Output]))
	for s := range t.Sets {
		set := &t.Sets[s]
		for i, shaft := range [3]int{set.Sun, set.Ring, set.Carrier} {
			torque, speed := r.SetTorque[s][i], at(r.Speed, shaft)
			switch {
			case torque == nil:
				return nil
			case torque.Sign() == 0:
			case speed == nil:
				return nil
			default:
				sum.Add(sum, term.Mul(torque, speed))
			}
		}
	}
	return sum
}

// Change is what becomes of the train when one element is released or added.
type Change struct {
	Element int
	Row     Row
}

// IfReleased solves the train once for each applied friction element with that
// one released: which element of a tie-up is one too many.
func (t *Train) IfReleased(applied []int) []Change {
	var out []Change
	friction := t.friction(applied)
	for i, e := range friction {
		out = append(out, Change{e, t.Solve(slices.Delete(slices.Clone(friction), i, i+1), Drive)})
	}
	return out
}

// IfAdded solves the train once for each friction element not in applied with
// that one added: which element a neutral lacks.
func (t *Train) IfAdded(applied []int) []Change {
	var out []Change
	friction := t.friction(applied)
	for e := range t.Elements {
		if t.Elements[e].Kind != OneWay && !slices.Contains(friction, e) {
			out = append(out, Change{e, t.Solve(append(slices.Clone(friction), e), Drive)})
		}
	}
	return out
}

// TableRow is one gear of an element table, judged.
type TableRow struct {
	Gear         Gear
	Drive, Coast Row
	// Changes are IfReleased for a row that is locked or tied up, IfAdded for a
	// neutral one, and nil for a sound gear.
	Changes []Change
}

// Table judges a whole element table.
func (t *Train) Table(gears []Gear) []TableRow {
	out := make([]TableRow, len(gears))
	for i, g := range gears {
		out[i] = TableRow{Gear: g, Drive: t.Solve(g.Holds, Drive), Coast: t.Solve(g.Holds, Coast)}
		switch out[i].Drive.State {
		case InGear:
		case Neutral:
			out[i].Changes = t.IfAdded(g.Holds)
		default:
			out[i].Changes = t.IfReleased(g.Holds)
		}
	}
	return out
}

// SufficientSets lists, up to limit, the minimal subsets of the candidate shafts
// whose speeds determine every shaft of the train with the given elements
// holding (nil: nothing assumed), as positions in candidates. All have the same
// size, the train's freedom; none is listed if not even all candidates suffice.
func (t *Train) SufficientSets(candidates, holding []int, limit int) [][]int {
	open := reduce(t.rows(holding), lastOf(len(t.Shafts)))
	n := open.null(len(t.Shafts))
	rank := func(sets ...[]int) int {
		var m []row
		for _, c := range slices.Concat(sets...) {
			m = append(m, clone(n[candidates[c]]))
		}
		r := reduce(m, lastOf(len(open.free)))
		return len(r.pivots)
	}
	rest := make([]int, len(candidates))
	for i := range rest {
		rest[i] = i
	}
	var out [][]int
	var grow func(set []int, next int)
	grow = func(set []int, next int) {
		if len(set) == len(open.free) {
			out = append(out, slices.Clone(set))
			return
		}
		// Every branch entered ends in at least one set, so the work is bounded by
		// the limit: a branch is left as soon as what remains cannot complete it.
		for c := next; c < len(candidates) && len(out) < limit && rank(set, rest[c:]) == len(open.free); c++ {
			if with := append(set, c); rank(with) == len(with) {
				grow(with, c+1)
			}
		}
	}
	grow(nil, 0)
	return out
}
