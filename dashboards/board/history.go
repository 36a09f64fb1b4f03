package board

import (
	"math"
	"time"

	"gearwitness/capture"
	"gearwitness/decode"
)

// The history is a pyramid: for every signal that has been seen, the smallest,
// largest and mean value of each tenth of a second, second and ten seconds, in
// rings of fixed size. Deeper questions go to the recording.
//
// Values are kept as float32: 24 bits, finer than any gearbox sensor and than
// any screen.
var levels = [...]struct {
	width capture.Stamp
	span  time.Duration // what a ring reaches back, when memory allows
}{
	{capture.Stamp(100 * time.Millisecond), 10 * time.Minute},
	{capture.Stamp(time.Second), 2 * time.Hour},
	{capture.Stamp(10 * time.Second), 24 * time.Hour},
}

// historyBytes bounds the rings of all signals together. A file with so many
// signals that the usual spans would not fit gets shorter ones.
const historyBytes = 64 << 20

// bucket is one interval of one signal. mid is the mean, or the last value of
// a signal with states, where a mean means nothing.
type bucket struct{ min, max, mid float32 }

const bucketBytes = 12

var (
	nan    = float32(math.NaN())
	empty  = bucket{nan, nan, nan}                                    // nothing came in
	absent = bucket{float32(math.Inf(1)), float32(math.Inf(-1)), nan} // the sender said it has no value
)

func (b bucket) isAbsent() bool { return b.min > b.max }

// open is the bucket being filled.
type open struct {
	n         int64
	sum, last float64
	min, max  float64
	absent    bool
}

func (o *open) add(v float64) {
	if o.n == 0 {
		o.min, o.max = v, v
	} else {
		o.min, o.max = min(o.min, v), max(o.max, v)
	}
	o.n++
	o.sum += v
	o.last = v
}

// fold adds a finer bucket.
func (o *open) fold(f *open) {
	switch {
	case f.n > 0 && o.n == 0:
		*o = *f
	case f.n > 0:
		o.n, o.sum, o.last = o.n+f.n, o.sum+f.sum, f.last
		o.min, o.max = min(o.min, f.min), max(o.max, f.max)
		o.absent = f.absent
	case f.absent:
		o.absent = true
	}
}

func (o *open) bucket(last bool) bucket {
	switch {
	case o.n == 0 && o.absent:
		return absent
	case o.n == 0:
		return empty
	case last:
		return bucket{float32(o.min), float32(o.max), float32(o.last)}
	}
	return bucket{float32(o.min), float32(o.max), float32(o.sum / float64(o.n))}
}

// layer is one level of one signal. The ring holds the closed buckets below
// number; number is the open one.
type layer struct {
	ring   []bucket
	number int64
	open   open
}

// advance closes the open bucket and opens k.
func (l *layer) advance(k int64, last bool) {
	l.ring[mod(l.number, len(l.ring))] = l.open.bucket(last)
	from := max(l.number+1, k-int64(len(l.ring)))
	for i := from; i < k; i++ {
		l.ring[mod(i, len(l.ring))] = empty
	}
	l.number, l.open = k, open{}
}

// track is the history of one signal; its rings come with its first sample.
type track struct {
	layers [len(levels)]layer
	last   bool // keeps the last value of a bucket instead of the mean
	seen   bool
}

// at returns bucket k of a level.
func (t *track) at(lv int, k int64) bucket {
	l := &t.layers[lv]
	switch {
	case k == l.number:
		o := l.open
		if lv > 0 {
			o.fold(&t.layers[0].open) // not handed up yet
		}
		return o.bucket(t.last)
	case k > l.number || k < l.number-int64(len(l.ring)):
		return empty
	}
	return l.ring[mod(k, len(l.ring))]
}

// history holds a track for every signal.
type history struct {
	tracks  []track
	lengths [len(levels)]int
}

func newHistory(t *decode.Table) history {
	h := history{tracks: make([]track, len(t.Signals))}
	total := 0
	for i, l := range levels {
		h.lengths[i] = int(l.span / time.Duration(l.width))
		total += h.lengths[i]
	}
	if n := len(t.Signals) * total * bucketBytes; n > historyBytes {
		for i := range h.lengths {
			h.lengths[i] = max(1, int(float64(h.lengths[i])*historyBytes/float64(n)))
		}
	}
	for i := range h.tracks {
		h.tracks[i].last = len(t.Signals[i].States) > 0
	}
	return h
}

// add takes a sample in and tells whether it was in time: a sample older than
// the open bucket is refused.
func (h *history) add(signal int32, at capture.Stamp, v float64, valid bool) bool {
	t := &h.tracks[signal]
	k := floorDiv(at, levels[0].width)
	fine := &t.layers[0]
	switch {
	case !t.seen:
		t.seen = true
		for i := range t.layers {
			ring := make([]bucket, h.lengths[i])
			for j := range ring {
				ring[j] = empty
			}
			t.layers[i] = layer{ring: ring, number: floorDiv(at, levels[i].width)}
		}
	case k < fine.number:
		return false
	case k > fine.number:
		t.close(k)
	}
	if valid && !math.IsNaN(v) && !math.IsInf(v, 0) {
		fine.open.add(v)
		fine.open.absent = false
	} else {
		fine.open.absent = true
	}
	return true
}

// close ends the fine bucket, handing it up, and opens k. Widths divide each
// other, so the open bucket of each level holds those of the levels below.
func (t *track) close(k int64) {
	for i := 1; i < len(levels); i++ {
		up := &t.layers[i]
		up.open.fold(&t.layers[0].open)
		if n := floorDiv(capture.Stamp(k)*levels[0].width, levels[i].width); n > up.number {
			up.advance(n, t.last)
		}
	}
	t.layers[0].advance(k, t.last)
}

// History is a stretch of the past in columns of equal length. X is the middle
// of each interval in seconds since session start, strictly ascending; NaN is a
// gap, null on the wire.
type History struct {
	Step    float64 // width of an interval in seconds
	X       []float64
	Columns []Column
}

// Column is one signal of a History. Mid is the mean of the interval, or the
// last value of a signal with states. Between two samples that are no further
// apart than the signal's stale age the value holds; beyond, there is a gap.
type Column struct {
	Signal        int32
	Min, Max, Mid []float32
}

// History returns the signals between from and to in at most points intervals
// of one width. It holds the board's lock for one signal at a time.
func (b *Board) History(which []int32, from, to capture.Stamp, points int) History {
	points = max(1, points)
	b.mu.Lock()
	newest := b.newest
	to = min(to, newest)
	from = max(from, b.start)
	start := b.start
	b.mu.Unlock()
	if to < from || !b.has() {
		return History{Step: time.Duration(levels[0].width).Seconds(), Columns: make([]Column, len(which))}.naming(which)
	}
	step := max(1, capture.Stamp(math.Ceil(float64(to-from)/float64(points))))
	lv := b.level(from, step)
	width := levels[lv].width
	per := max(1, int64((step+width-1)/width)) // buckets in an interval
	first := floorDiv(floorDiv(from, width), per)
	last := floorDiv(floorDiv(to, width), per)
	if last-first >= int64(points) { // unaligned ends cut one interval more
		first = last - int64(points) + 1
	}
	n := int(last - first + 1)
	h := History{Step: time.Duration(width).Seconds() * float64(per), X: make([]float64, n), Columns: make([]Column, len(which))}
	for i := range n {
		left := capture.Stamp((first+int64(i))*per) * width
		h.X[i] = left.Sub(start).Seconds() + h.Step/2
	}
	for i, s := range which {
		h.Columns[i] = b.column(s, lv, first, n, per)
	}
	return h
}

// level is the finest of the pyramid that reaches back to from and is no finer
// than a step asks for.
func (b *Board) level(from, step capture.Stamp) int {
	b.mu.Lock()
	defer b.mu.Unlock()
	lv := 0
	for lv+1 < len(levels) {
		reach := b.newest - capture.Stamp(b.history.lengths[lv])*levels[lv].width
		if levels[lv+1].width > step && from >= reach {
			break
		}
		lv++
	}
	return lv
}

func (h History) naming(which []int32) History {
	for i := range which {
		h.Columns[i].Signal = which[i]
	}
	return h
}

func (b *Board) has() bool {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.started
}

// column reads n intervals of per buckets each, the first being number first.
func (b *Board) column(signal int32, lv int, first int64, n int, per int64) Column {
	c := Column{Signal: signal, Min: make([]float32, n), Max: make([]float32, n), Mid: make([]float32, n)}
	b.mu.Lock()
	defer b.mu.Unlock()
	t := &b.history.tracks[signal]
	width := levels[lv].width
	stale := b.table.Signals[signal].StaleAfter
	if b.table.Signals[signal].Origin == decode.FromAnalysis && stale > 0 {
		stale += capture.Stamp(analysisLag)
	}
	var oldest, end int64
	if t.seen {
		l := &t.layers[lv]
		oldest, end = l.number-int64(len(l.ring)), l.number+1
	}
	// The value that holds across an interval without samples, and the bucket
	// it came from. Look back as far as it could still count.
	held, heldAt := nan, int64(0)
	back := first*per - 1
	limit := oldest
	if stale > 0 {
		limit = max(limit, back-int64((stale+width-1)/width))
	}
	for k := min(back, end-1); k >= limit && t.seen; k-- {
		if v := t.at(lv, k); v.isAbsent() {
			break
		} else if v.mid == v.mid {
			held, heldAt = v.mid, k
			break
		}
	}
	for i := range n {
		lo, hi := float32(math.Inf(1)), float32(math.Inf(-1))
		var sum float64
		var got int
		mid := nan
		left := (first + int64(i)) * per
		// Only buckets there are: a question may span any time.
		for k := max(left, oldest); k < min(left+per, end); k++ {
			v := t.at(lv, k)
			if v.isAbsent() {
				held = nan
				continue
			}
			if v.mid == v.mid {
				lo, hi = min(lo, v.min), max(hi, v.max)
				sum += float64(v.mid)
				got++
				mid, held, heldAt = v.mid, v.mid, k
			}
		}
		switch {
		case got > 0:
			if !t.last {
				mid = float32(sum / float64(got))
			}
			c.Min[i], c.Max[i], c.Mid[i] = lo, hi, mid
		case held == held && holds(heldAt, left, width, stale):
			c.Min[i], c.Max[i], c.Mid[i] = held, held, held
		default:
			c.Min[i], c.Max[i], c.Mid[i] = nan, nan, nan
		}
	}
	return c
}

// holds tells whether a value of bucket k still counts at the start of bucket
// j: the sample was somewhere in k, at its end at best.
func holds(k, j int64, width, stale capture.Stamp) bool {
	return stale == 0 || capture.Stamp(j-k-1)*width <= stale
}

// floorDiv rounds towards minus infinity: stamps may be negative.
func floorDiv[T ~int64](a, b T) int64 {
	q := a / b
	if a%b != 0 && (a < 0) != (b < 0) {
		q--
	}
	return int64(q)
}

func mod(k int64, n int) int {
	m := int(k % int64(n))
	if m < 0 {
		m += n
	}
	return m
}
