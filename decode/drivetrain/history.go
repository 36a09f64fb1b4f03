package drivetrain

import "gearwitness/capture"

// history is the last instants, enough to look back from the end of a shift to
// its beginning.
type history struct {
	ring []instant
	n    int // ever pushed
}

// 20 s: a shift that takes longer has no beginning worth a figure.
const historyTicks = 2048

func newHistory() history { return history{ring: make([]instant, historyTicks)} }

func (h *history) push(i *instant) {
	h.ring[h.n%len(h.ring)] = *i
	h.n++
}

// back returns the instant i ticks before the newest, nil where it is forgotten
// or never was.
func (h *history) back(i int) *instant {
	if i < 0 || i >= min(h.n, len(h.ring)) {
		return nil
	}
	return &h.ring[(h.n-1-i)%len(h.ring)]
}

// since returns how many ticks back the first instant at or after t is.
func (h *history) since(t capture.Stamp) int {
	i := 0
	for b := h.back(i + 1); b != nil && b.at >= t; b = h.back(i + 1) {
		i++
	}
	return i
}
