package board

// ShiftBounds are the upper bounds of the duration histogram in seconds: a
// shift of an automatic gearbox takes a few tenths, over a second is slow
// (common practice, no source).
var ShiftBounds = [...]float64{0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.8, 1, 1.5, 2, 3}

// maxShiftPairs bounds the label pairs of the histogram; a gearbox of ten
// gears can do 110.
const maxShiftPairs = 400

// ShiftCount is the histogram of one change of gear.
type ShiftCount struct {
	From, To string
	Count    uint64
	Sum      float64                  // of the durations, in seconds
	Within   [len(ShiftBounds)]uint64 // how many took at most each bound
}

// shift counts a finished shift.
func (b *Board) shift(v shiftView) {
	if v.Duration == nil { // its end was not seen
		return
	}
	i := 0
	for i < len(b.shifts) && (b.shifts[i].From != v.From || b.shifts[i].To != v.To) {
		i++
	}
	if i == len(b.shifts) {
		if i == maxShiftPairs {
			return
		}
		b.shifts = append(b.shifts, ShiftCount{From: v.From, To: v.To})
	}
	c := &b.shifts[i]
	c.Count++
	c.Sum += *v.Duration
	for k, bound := range ShiftBounds {
		if *v.Duration <= bound {
			c.Within[k]++
		}
	}
}
