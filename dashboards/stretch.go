package dashboards

import (
	"context"
	"math"
	"time"

	"gearwitness/capture"
	"gearwitness/decode"
)

// Stretch decodes the recording anew from shortly before one time to another and
// hands over the samples in order of time, those from before the first time too,
// so that what still holds there is known. It must be what a whole decode gives.
type Stretch func(ctx context.Context, from, to capture.Stamp, take func([]decode.Sample)) error

const (
	// maxStretch is how much is decoded anew for one question: a saturated bus
	// takes half a second for so much.
	maxStretch = 10 * time.Minute
	// stretchWithin is how long that may take, finding the place included; who
	// asks gets what the board has then.
	stretchWithin = 5 * time.Second
)

// finer answers a question about the past out of the recording, where the board
// keeps less than was asked for; false where it does not, or cannot be had.
func (s *Server) finer(ctx context.Context, which []int32, from, to capture.Stamp, points int) (History, bool) {
	b := s.board
	b.mu.Lock()
	newest, start, began := b.newest, b.start, b.started
	b.mu.Unlock()
	from, to = max(from, start), min(to, newest)
	points = max(1, points)
	step := capture.Stamp(math.Ceil(float64(to-from) / float64(points)))
	if s.o.Stretch == nil || !began || to <= from || to.Sub(from) > maxStretch || levels[b.level(from, step)].width <= step {
		return History{}, false
	}
	ctx, cancel := context.WithTimeout(ctx, stretchWithin)
	defer cancel()
	select { // one at a time: it takes at most one processor from a drive
	case s.stretching <- struct{}{}:
		defer func() { <-s.stretching }()
	case <-ctx.Done():
		return History{}, false
	}
	f := newFine(b.table, which, from, to, step)
	if err := s.o.Stretch(ctx, from, to, f.take); err != nil {
		s.o.Log.Debug("a stretch of the recording could not be decoded again", "cause", err)
		return History{}, false
	}
	return f.history(start), true
}

// fine puts samples into intervals of one width.
type fine struct {
	table  *decode.Table
	width  capture.Stamp
	first  int64 // number of the first interval
	n      int
	which  []int32
	tracks map[int32]*fineTrack
}

// fineTrack is one signal of fine.
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

func newFine(table *decode.Table, which []int32, from, to, width capture.Stamp) *fine {
	f := &fine{table: table, which: which, tracks: make(map[int32]*fineTrack), width: max(1, (width+fineStep-1)/fineStep) * fineStep}
	f.first = floorDiv(from, f.width)
	f.n = int(floorDiv(to, f.width)-f.first) + 1
	for _, s := range which {
		f.tracks[s] = &fineTrack{open: make([]open, f.n), last: make([]capture.Stamp, f.n), before: held{v: nan}}
	}
	return f
}

func (f *fine) take(list []decode.Sample) {
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

// history is what the samples come to; start is second 0.
func (f *fine) history(start capture.Stamp) History {
	h := History{Step: time.Duration(f.width).Seconds(), X: make([]float64, f.n)}
	for i := range f.n {
		h.X[i] = f.left(i).Sub(start).Seconds() + h.Step/2
	}
	for _, s := range f.which {
		h.Columns = append(h.Columns, f.columnOf(s))
	}
	return h
}

// left is where an interval begins.
func (f *fine) left(i int) capture.Stamp { return capture.Stamp(f.first+int64(i)) * f.width }

func (f *fine) columnOf(signal int32) Column {
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
