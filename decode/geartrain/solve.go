package geartrain

// Solve gives the exact state of the train with the friction elements of
// applied engaged. One-way clutches decide for themselves whether they hold;
// those in applied are ignored.
func (t *Train) Solve(applied []int, load Load) Row { return Row{} }

// Change is what becomes of the train when one element is released or added.
type Change struct {
	Element int
	Row     Row
}

// IfReleased solves the train once for each applied friction element with that
// one released: which element of a tie-up is one too many.
func (t *Train) IfReleased(applied []int) []Change { return nil }

// IfAdded solves the train once for each friction element not in applied with
// that one added: which element a neutral lacks.
func (t *Train) IfAdded(applied []int) []Change { return nil }

// TableRow is one gear of an element table, judged.
type TableRow struct {
	Gear         Gear
	Drive, Coast Row
	// Changes are IfReleased for a row that is locked or tied up, IfAdded for a
	// neutral one, and nil for a sound gear.
	Changes []Change
}

// Table judges a whole element table.
func (t *Train) Table(gears []Gear) []TableRow { return nil }
