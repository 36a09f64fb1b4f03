package geartrain

import (
	"math/big"
	"slices"
)

// row is an integer row of a homogeneous system.
type row []big.Int

// setRow is the row of planetary set s; the housing's column is left out.
func (t *Train) setRow(s int) row {
	set := &t.Sets[s]
	r := make(row, len(t.Shafts))
	ring, carrier := set.RingTeeth, -(set.SunTeeth + set.RingTeeth)
	if set.DoublePinion {
		ring, carrier = -set.RingTeeth, set.RingTeeth-set.SunTeeth
	}
	r.add(set.Sun, int64(set.SunTeeth))
	r.add(set.Ring, int64(ring))
	r.add(set.Carrier, int64(carrier))
	return r
}

// elementRow is the row of element e.
func (t *Train) elementRow(e int) row {
	r := make(row, len(t.Shafts))
	r.add(t.Elements[e].A, 1)
	r.add(t.Elements[e].B, -1)
	return r
}

// rows are the sets' rows followed by those of the elements.
func (t *Train) rows(elements []int) []row {
	out := make([]row, 0, len(t.Sets)+len(elements))
	for s := range t.Sets {
		out = append(out, t.setRow(s))
	}
	for _, e := range elements {
		out = append(out, t.elementRow(e))
	}
	return out
}

func (r row) add(column int, v int64) {
	if column != Ground {
		r[column].Add(&r[column], big.NewInt(v))
	}
}

// clone copies a row; reduce works in place.
func clone(a row) row {
	out := make(row, len(a))
	for i := range a {
		out[i].Set(&a[i])
	}
	return out
}

// sign is that of the scalar product of r and x.
func (r row) sign(x []*big.Rat) int {
	var sum, term big.Rat
	for j := range r {
		if r[j].Sign() != 0 {
			sum.Add(&sum, term.Mul(term.SetInt(&r[j]), x[j]))
		}
	}
	return sum.Sign()
}

// reduced is the result of Gauss-Jordan elimination: row k has d at column
// pivots[k] and 0 at the other pivots. The columns that are no pivots, in the
// order of elimination, are free.
type reduced struct {
	rows   []row
	pivots []int
	free   []int
	d      *big.Int
}

// reduce eliminates in place, looking for pivots along order. It is the one-step
// fraction-free scheme: each division by the previous pivot is exact, and no
// entry grows beyond a minor of the matrix (Bareiss, Mathematics of Computation
// 22, 1968, 565-578; from memory).
func reduce(m []row, order []int) reduced {
	out := reduced{rows: m, d: big.NewInt(1)}
	var a, b big.Int
	for _, c := range order {
		k := len(out.pivots)
		p := slices.IndexFunc(m[k:], func(r row) bool { return r[c].Sign() != 0 })
		if p < 0 {
			out.free = append(out.free, c)
			continue
		}
		m[k], m[k+p] = m[k+p], m[k]
		pivot := new(big.Int).Set(&m[k][c])
		for i, r := range m {
			if i == k {
				continue
			}
			factor := new(big.Int).Set(&r[c])
			for j := range r {
				a.Mul(pivot, &r[j])
				b.Mul(factor, &m[k][j])
				r[j].Quo(a.Sub(&a, &b), out.d)
			}
		}
		out.pivots = append(out.pivots, c)
		out.d = pivot
	}
	out.rows = m[:len(out.pivots)]
	return out
}

// spans tells whether r is a combination of the reduced rows.
func (m *reduced) spans(r row) bool {
	var sum, term big.Int
	for j := range r {
		sum.Mul(&r[j], m.d)
		for k, c := range m.pivots {
			sum.Sub(&sum, term.Mul(&r[c], &m.rows[k][j]))
		}
		if sum.Sign() != 0 {
			return false
		}
	}
	return true
}

// null is the null-space basis with integer entries: column j is the solution
// with d at free column m.free[j] and 0 at the other free ones.
func (m *reduced) null(columns int) []row {
	n := make([]row, columns)
	for c := range n {
		n[c] = make(row, len(m.free))
	}
	for j, f := range m.free {
		n[f][j].Set(m.d)
		for k, c := range m.pivots {
			n[c][j].Neg(&m.rows[k][f])
		}
	}
	return n
}

// follow gives every unknown of the homogeneous equations m as a multiple of
// unknown lead, nil where lead does not determine it. The result is nil if the
// equations force lead to zero. It reduces m in place.
func follow(m []row, columns, lead int) []*big.Rat {
	r := reduce(m, lastOf(columns, lead))
	if slices.Contains(r.pivots, lead) {
		return nil
	}
	out := make([]*big.Rat, columns)
	out[lead] = big.NewRat(1, 1)
	for k, c := range r.pivots {
		others := slices.ContainsFunc(r.free, func(f int) bool { return f != lead && r.rows[k][f].Sign() != 0 })
		if !others {
			v := new(big.Rat).SetFrac(&r.rows[k][lead], r.d)
			out[c] = v.Neg(v)
		}
	}
	return out
}

// lastOf orders the columns as they are, but with last at the end, where they
// stay free if they can.
func lastOf(columns int, last ...int) []int {
	order := make([]int, 0, columns)
	for c := range columns {
		if !slices.Contains(last, c) {
			order = append(order, c)
		}
	}
	return append(order, last...)
}
