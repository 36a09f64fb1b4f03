package unknown

import (
	"time"

	"gearwitness/capture"
)

// Bounds of Rows.
const (
	MaxRows  = 512
	rowEvery = 100 * time.Millisecond // at first; doubled whenever there is no more room
	rowsLast = 1600 * time.Millisecond
)

// Rows keep payloads of one identifier evenly from all of the last quarter of an
// hour or so, to be compared with a signal that is chosen later. The zero value
// is empty. They belong to one goroutine.
type Rows struct {
	every  time.Duration
	key    key
	flags  capture.Flags
	length int
	at     []capture.Stamp
	data   []byte // length bytes a row
}

// Add takes in a data frame of the identifier; others, and those shorter than
// the first, mean nothing. It allocates nothing once the rows are full.
func (r *Rows) Add(f *capture.Frame) {
	n := len(r.at)
	switch {
	case !counts(f):
		return
	case n == 0:
		*r = Rows{every: rowEvery, key: keyOf(f), flags: f.Flags, length: int(f.Len), at: r.at, data: r.data}
	case int(f.Len) < r.length || f.Time.Sub(r.at[n-1]) < r.every:
		return
	}
	if n == MaxRows {
		if r.every < rowsLast {
			r.thin()
		} else {
			r.drop(MaxRows / 2)
		}
	}
	r.at = append(r.at, f.Time)
	r.data = append(r.data, f.Data[:r.length]...)
}

// thin keeps every second row.
func (r *Rows) thin() {
	r.every *= 2
	n := 0
	for i := 0; i < len(r.at); i += 2 {
		r.at[n] = r.at[i]
		copy(r.data[n*r.length:][:r.length], r.data[i*r.length:])
		n++
	}
	r.at, r.data = r.at[:n], r.data[:n*r.length]
}

// drop forgets the oldest n rows.
func (r *Rows) drop(n int) {
	r.at = r.at[:copy(r.at, r.at[n:])]
	r.data = r.data[:copy(r.data, r.data[n*r.length:])]
}

// AppendTo appends the rows to list as the frames they were, oldest first.
func (r *Rows) AppendTo(list []capture.Frame) []capture.Frame {
	for i, at := range r.at {
		f := capture.Frame{Time: at, ID: r.key.id, Bus: r.key.channel, Flags: r.flags, Len: uint8(r.length)}
		copy(f.Data[:], r.data[i*r.length:][:r.length])
		list = append(list, f)
	}
	return list
}
