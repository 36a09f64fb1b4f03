package decode

import (
	"math"
	"strconv"
)

// AppendText appends what Text returns to b.
func (t *Table) AppendText(b []byte, s Sample) []byte {
	switch s.Status {
	case NotAvailable:
		return append(b, "not available"...)
	case Faulty:
		return append(b, "error"...)
	}
	for _, st := range t.Signals[s.Signal].States {
		if float64(st.V) == s.Value {
			return append(b, st.Name...)
		}
	}
	// Sums such as raw*0.1 carry noise in the sixteenth digit; twelve are more
	// than any sensor has and print what the author of the file expects.
	v, err := strconv.ParseFloat(strconv.FormatFloat(s.Value, 'g', 12, 64), 64)
	if err != nil || math.IsNaN(v) {
		return append(b, "not available"...)
	}
	return strconv.AppendFloat(b, v, 'f', -1, 64)
}
