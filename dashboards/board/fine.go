package board

import (
	"math"
	"time"

	"gearwitness/capture"
	"gearwitness/decode"
)

// MaxFine is the longest stretch that is looked at finer than the history keeps it.
const MaxFine = 10 * time.Minute

// Finer prepares the answer to a question about the past that wants more than the
// history keeps: samples of the recording, decoded anew, go into it. It is nil where
// the history has as much, or where the stretch is longer than MaxFine.
func (b *Board) Finer(which []int32, from, to capture.Stamp, points int) *Fine {
	b.mu.Lock()
	newest, start, began := b.newest, b.start, b.started
	b.mu.Unlock()
	from, to = max(from, start), min(to, newest)
	step := capture.Stamp(math.Ceil(float64(to-from) / float64(max(1, points))))
	if !began || to <= from || to.Sub(from) > MaxFine || levels[b.level(from, step)].width <= step {
		return nil
	}
	f := newFine(b.table, which, from, to, step)
	f.start = start
	return f
}

// Fine puts samples into intervals of one width.
type Fine struct {
	From, To capture.Stamp // the stretch; what held before it is wanted too

	table  *decode.Table
	start  capture.Stamp // second 0
	width  capture.Stamp
	first  int64 // number of the first interval
	n      int
	which  []int32
	tracks map[int32]*fineTrack
}

// fineTrack is one signal of Fine.
type fineTrack struct {
	open   []open          // by interval
	last   []capture.Stamp // of the last sample of each
	before held            // what there was before the first interval
}

// held is a value that holds until the next one; NaN: none.
type held struct {
	v  float32
	at capture.Stamp
}

// fineStep is what the width of an interval is a multiple of: the page has
// times in milliseconds, and the middle of an interval is one.
const fineStep = capture.Stamp(2 * time.Millisecond)

func newFine(table *decode.Table, which []int32, from, to, width capture.Stamp) *Fine {
	f := &Fine{From: from, To: to, table: table, which: which, tracks: make(map[int32]*fineTrack), width: max(1, (width+fineStep-1)/fineStep) * fineStep}
	f.first = floorDiv(from, f.width)
	f.n = int(floorDiv(to, f.width)-f.first) + 1
	for _, s := range which {
		f.tracks[s] = &fineTrack{open: make([]open, f.n), last: make([]capture.Stamp, f.n), before: held{v: nan}}
	}
	return f
}

// Take takes samples in, in order of time.
func (f *Fine) Take(list []decode.Sample) {
	for i := range list {
		s := &list[i]
		t := f.tracks[s.Signal]
		if t == nil {
			continue
		}
		k := floorDiv(s.Time, f.width) - f.first
		valid := s.Status == decode.Valid && !math.IsNaN(s.Value) && !math.IsInf(s.Value, 0)
		switch {
		case k >= int64(f.n):
		case k < 0 && valid:
			t.before = held{float32(s.Value), s.Time}
		case k < 0:
			t.before = held{v: nan}
		case valid:
			t.open[k].add(s.Value)
			t.open[k].absent, t.last[k] = false, s.Time
		default:
			t.open[k].absent = true
		}
	}
}

// History is what the samples come to.
func (f *Fine) History() History {
	h := History{Step: time.Duration(f.width).Seconds(), X: make([]float64, f.n)}
	for i := range f.n {
		h.X[i] = f.left(i).Sub(f.start).Seconds() + h.Step/2
	}
	for _, s := range f.which {
		h.Columns = append(h.Columns, f.columnOf(s))
	}
	return h
}

// left is where an interval begins.
func (f *Fine) left(i int) capture.Stamp { return capture.Stamp(f.first+int64(i)) * f.width }

func (f *Fine) columnOf(signal int32) Column {
	c := Column{Signal: signal, Min: make([]float32, f.n), Max: make([]float32, f.n), Mid: make([]float32, f.n)}
	t, in := f.tracks[signal], f.table.Signals[signal]
	hold := t.before
	for i := range f.n {
		o := &t.open[i]
		v := bucket{hold.v, hold.v, hold.v}
		switch {
		case o.n > 0:
			v = o.bucket(len(in.States) > 0)
			hold = held{float32(o.last), t.last[i]}
		case o.absent, in.StaleAfter > 0 && f.left(i)-hold.at > in.StaleAfter:
			v = empty
		}
		if o.absent {
			hold.v = nan
		}
		c.Min[i], c.Max[i], c.Mid[i] = v.min, v.max, v.mid
	}
	return c
}
