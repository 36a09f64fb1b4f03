package dashboards

// shiftBounds are the upper bounds of the duration histogram in seconds: a
// shift of an automatic gearbox takes a few tenths, over a second is slow
// (common practice, no source).
var shiftBounds = [...]float64{0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.8, 1, 1.5, 2, 3}

// maxShiftPairs bounds the label pairs of the histogram; a gearbox of ten
// gears can do 110.
const maxShiftPairs = 400

// shiftCount is the histogram of one change of gear.
type shiftCount struct {
	from, to string
	count    uint64
	sum      float64
	within   [len(shiftBounds)]uint64 // cumulative
}

// shift counts a finished shift.
func (b *Board) shift(v shiftView) {
	if v.Duration == nil { // its end was not seen
		return
	}
	i := 0
	for i < len(b.shifts) && (b.shifts[i].from != v.From || b.shifts[i].to != v.To) {
		i++
	}
	if i == len(b.shifts) {
		if i == maxShiftPairs {
			return
		}
		b.shifts = append(b.shifts, shiftCount{from: v.From, to: v.To})
	}
	c := &b.shifts[i]
	c.count++
	c.sum += *v.Duration
	for k, bound := range shiftBounds {
		if *v.Duration <= bound {
			c.within[k]++
		}
	}
}
