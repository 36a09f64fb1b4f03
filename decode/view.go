package decode

import "gearwitness/capture"

// View holds the latest sample of every signal of a table.
type View struct {
	table  *Table
	latest []Sample
}

// unseen is the status of a signal that has not come yet.
const unseen Status = 255

// NewView returns a View that has seen nothing. The table must not grow any
// more.
func NewView(t *Table) *View {
	v := &View{t, make([]Sample, len(t.Signals))}
	for i := range v.latest {
		v.latest[i].Status = unseen
	}
	return v
}

// Put takes in a sample.
func (v *View) Put(s Sample) { v.latest[s.Signal] = s }

// Latest returns the last sample of a signal, whatever its status, and false
// when there is none that counts at that time: never seen, or grown stale.
func (v *View) Latest(signal int32, at capture.Stamp) (Sample, bool) {
	if signal < 0 || int(signal) >= len(v.latest) || v.latest[signal].Status == unseen || at >= v.until(signal) {
		return Sample{}, false
	}
	return v.latest[signal], true
}

// Value returns the value of a signal, and false when it has none that counts
// at that time: never seen, grown stale, not available, in error or implausible.
func (v *View) Value(signal int32, at capture.Stamp) (float64, bool) {
	s, ok := v.Latest(signal, at)
	return s.Value, ok && s.Status == Valid
}

// Until returns when the last sample of a signal grows stale, and false when
// there is none that counts at that time.
func (v *View) Until(signal int32, at capture.Stamp) (capture.Stamp, bool) {
	if v.latest[signal].Status == unseen {
		return 0, false
	}
	until := v.until(signal)
	return until, at < until
}

// until returns when the last sample of the signal grows stale.
func (v *View) until(signal int32) capture.Stamp {
	if after := v.table.Signals[signal].StaleAfter; after > 0 {
		return v.latest[signal].Time + after
	}
	return never
}
