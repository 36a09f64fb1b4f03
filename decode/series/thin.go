package series

import "gearwitness/capture"

// Bin is what a graph needs of a stretch of time: no peak is lost and the line
// runs through first and last.
type Bin struct {
	Start       capture.Stamp
	Min, Max    float64
	First, Last float64
	N           int
}

// Thin appends to to the bins of width ns from start on, at most count of them,
// that hold at least one of the values; at is ascending and as long as value.
// A gap of the signal stays a gap.
func Thin(to []Bin, at []capture.Stamp, value []float64, start, width capture.Stamp, count int) []Bin {
	if width <= 0 || count <= 0 {
		return to
	}
	open := -1 // number of the bin under way
	for i, t := range at {
		if t < start {
			continue
		}
		k := int((t - start) / width)
		if k >= count {
			break
		}
		v := value[i]
		if k != open {
			open = k
			to = append(to, Bin{Start: start + capture.Stamp(k)*width, Min: v, Max: v, First: v})
		}
		b := &to[len(to)-1]
		b.Min, b.Max, b.Last = min(b.Min, v), max(b.Max, v), v
		b.N++
	}
	return to
}
