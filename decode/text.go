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
	return appendNumber(b, s.Value)
}

// appendNumber appends the shortest decimal that agrees with v in twelve
// significant digits: sums such as raw * 0.1 carry noise in the sixteenth, and
// twelve are more than any sensor has.
func appendNumber(b []byte, v float64) []byte {
	// Most values are a whole number of millionths; then that number is all
	// there is to print. Half a step of the twelfth digit is 5e-13 of v or more.
	if micro := math.Round(v * 1e6); math.Abs(micro) < 1e12 && math.Abs(v-micro/1e6) <= 1e-13*math.Abs(v) {
		return appendScaled(b, int64(micro), 6)
	}
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return append(b, "not available"...)
	}
	v, _ = strconv.ParseFloat(strconv.FormatFloat(v, 'g', 12, 64), 64)
	return strconv.AppendFloat(b, v, 'f', -1, 64)
}

// appendScaled appends n / 10^digits without trailing zeros.
func appendScaled(b []byte, n int64, digits int) []byte {
	u := uint64(n)
	if n < 0 {
		b, u = append(b, '-'), -u
	}
	var buf [20]byte
	i := len(buf)
	for k := 0; k < digits; k++ {
		d := byte(u % 10)
		u /= 10
		if d != 0 || i < len(buf) {
			i--
			buf[i] = '0' + d
		}
	}
	b = strconv.AppendUint(b, u, 10)
	if i < len(buf) {
		b = append(append(b, '.'), buf[i:]...)
	}
	return b
}
