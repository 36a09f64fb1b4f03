package capture

import (
	"context"
	"errors"
	"fmt"
	"io"
	"maps"
	"math"
	"os"
	"slices"
	"sync"
	"time"
)

// MergeOptions say how sources are put in time order.
type MergeOptions struct {
	// Window is how long an item may be held back while a source that has been
	// silent might still deliver an older one. With 0 nothing is given out
	// before every source has come that far or ended, and a source that runs
	// ahead is made to wait: for files, where the result then depends on
	// their content alone.
	Window time.Duration
	// Queue is the most frames and lines held for one source, 1<<16 when 0.
	// With a window, what comes to a full queue is dropped and counted; without
	// one, the source waits.
	Queue int
}

const defaultQueue = 1 << 16

// Merge makes one source of several, each read in a goroutine of its own. Its
// batches are in time order; items of the same time stand in the order of the
// sources. The channels of all are joined in one table: those of a Channeler at
// once, in the order of the sources, the rest as they appear.
//
// What comes so late that newer items have been given out already gets the time
// of the newest of these, and a note says so. A source that fails does not stop
// the others: a note and a loss tell of it. Next returns io.EOF when all have
// ended, or, when all of them failed, their errors.
//
// Frames that are sent go to the source of their channel.
//
// A single source is returned as it is. All sources, at most 255, must run on
// one clock: a file played back at its own stamps does not go with a live one.
func Merge(o MergeOptions, sources ...Source) Source {
	if len(sources) == 1 {
		return sources[0]
	}
	if len(sources) > noChannel {
		panic(fmt.Sprintf("capture: %d sources, at most 255 can be merged", len(sources)))
	}
	if o.Queue <= 0 {
		o.Queue = defaultQueue
	}
	ctx, cancel := context.WithCancel(context.Background())
	m := &merge{options: o, cancel: cancel, changed: make(chan struct{}, 1), newest: never, given: never}
	for _, s := range sources {
		in := &input{source: s, newest: never, space: make(chan struct{}, 1)}
		if c, ok := s.(Channeler); ok {
			m.join(in, c.Channels())
		}
		m.inputs = append(m.inputs, in)
	}
	for _, in := range m.inputs {
		m.running.Go(func() { m.read(ctx, in) })
	}
	return m
}

type merge struct {
	options MergeOptions
	cancel  context.CancelFunc
	running sync.WaitGroup
	changed chan struct{} // an input delivered or ended

	mu       sync.Mutex
	channels []Channel // only ever grows; batches alias it
	inputs   []*input
	seen     []arrival // greatest stamps with the moment they came, oldest first
	newest   Stamp     // greatest stamp that came from anywhere
	given    Stamp     // greatest stamp given out
	late     int       // items lifted to given since the last note about it
	lateBy   time.Duration
	closed   bool
}

// input is one source with what it has delivered and nobody has taken yet.
type input struct {
	source Source
	table  []uint8 // its channel numbers to ours
	joined bool
	held   Batch // with our channel numbers
	newest Stamp // of all it delivered; live, of its frames and lines only
	bound  Stamp // its frames and lines up to here may go out
	words  Stamp // its losses and notes
	ended  bool
	err    error
	space  chan struct{}    // something changed for it while it waits to deliver
	lost   map[uint8]uint64 // per channel, since the last batch given out
}

type arrival struct {
	at     time.Time
	newest Stamp
}

const (
	never     = Stamp(math.MinInt64)
	noChannel = math.MaxUint8
	maxSeen   = 1024 // arrivals remembered; more are taken together
	maxWords  = 4096 // losses and notes held for one source
)

// join enters the channels of an input that are not known yet. A table has room
// for 255; what belongs to later ones is lost and counted by take.
func (m *merge) join(in *input, channels []Channel) {
	in.joined = true
	for _, c := range channels[min(len(in.table), len(channels)):] {
		if len(m.channels) >= noChannel {
			in.table = append(in.table, noChannel)
			continue
		}
		in.table = append(in.table, uint8(len(m.channels)))
		m.channels = append(m.channels, c)
	}
}

// turn tells whether all inputs before in have entered their channels, so that
// files get the same numbers in every run.
func (m *merge) turn(in *input) bool {
	for _, before := range m.inputs {
		if before == in {
			return true
		}
		if !before.joined && !before.ended {
			return false
		}
	}
	return true
}

// read moves what one source delivers into its queue.
func (m *merge) read(ctx context.Context, in *input) {
	var b Batch
	for {
		b.Reset()
		err := in.source.Next(ctx, &b)
		m.mu.Lock()
		for !m.take(in, &b) {
			m.mu.Unlock()
			select {
			case <-in.space:
			case <-ctx.Done():
				return
			}
			m.mu.Lock()
		}
		if err != nil {
			in.ended = true
			m.wakeInputs()
			if !errors.Is(err, io.EOF) && ctx.Err() == nil {
				in.fail(err)
			}
		}
		m.mu.Unlock()
		wake(m.changed)
		if err != nil {
			return
		}
	}
}

// fail notes that the source came to a bad end.
func (in *input) fail(err error) {
	in.err = err
	var channel uint8
	if len(in.table) > 0 {
		channel = in.table[0]
	}
	var t Stamp
	if in.newest != never {
		t = in.newest
	}
	in.held.Notes = append(in.held.Notes, Note{Time: t, Channel: channel, Kind: "lost", Text: err.Error()})
	in.held.Losses = append(in.held.Losses, Loss{Time: t, Channel: channel, Reason: ReasonUnknown,
		Detail: "nothing is known of this source from here on"})
}

// wakeInputs lets all inputs that wait see whether it is their turn.
func (m *merge) wakeInputs() {
	for _, in := range m.inputs {
		wake(in.space)
	}
}

func wake(c chan struct{}) {
	select {
	case c <- struct{}{}:
	default:
	}
}

// take queues a batch with our channel numbers. Without a window it takes
// nothing and reports false while the source has to wait.
func (m *merge) take(in *input, b *Batch) bool {
	live := m.options.Window > 0
	room := m.options.Queue - len(in.held.Frames) - len(in.held.Lines)
	n := len(b.Frames) + len(b.Lines)
	if !live {
		// A batch larger than the whole queue still has to pass.
		if n > room && room < m.options.Queue || !m.turn(in) {
			return false
		}
		room = n
		if !in.joined {
			m.wakeInputs()
		}
	}
	m.join(in, b.Channels)
	number := func(c uint8) uint8 {
		if int(c) >= len(in.table) {
			return noChannel
		}
		return in.table[c]
	}
	fits := func(c uint8) bool {
		if c == noChannel || room <= 0 {
			if in.lost == nil {
				in.lost = map[uint8]uint64{}
			}
			in.lost[c]++
			return false
		}
		room--
		return true
	}
	for i := range b.Frames {
		f := &b.Frames[i]
		in.newest = max(in.newest, f.Time)
		if c := number(f.Bus); fits(c) {
			in.held.Frames = append(in.held.Frames, *f)
			in.held.Frames[len(in.held.Frames)-1].Bus = c
		}
	}
	for _, l := range b.Lines {
		in.newest = max(in.newest, l.Time)
		if c := number(l.Port); fits(c) {
			l.Port = c
			in.held.Lines = append(in.held.Lines, l)
		}
	}
	for _, l := range b.Losses {
		l.Channel = number(l.Channel)
		in.lose(l)
		if !live {
			in.newest = max(in.newest, l.Time)
		}
	}
	for _, n := range b.Notes {
		n.Channel = number(n.Channel)
		if !live {
			in.newest = max(in.newest, n.Time)
		}
		if len(in.held.Notes) < maxWords {
			in.held.Notes = append(in.held.Notes, n)
		}
	}
	if live && n > 0 {
		m.newest = max(m.newest, in.newest)
		if len(m.seen) < maxSeen {
			m.seen = append(m.seen, arrival{})
		}
		m.seen[len(m.seen)-1] = arrival{time.Now(), m.newest}
	}
	return true
}

// lose queues a loss; when too many wait, it is added to an earlier one of its
// kind.
func (in *input) lose(l Loss) {
	held := in.held.Losses
	if len(held) >= maxWords {
		for i := len(held) - 1; i >= 0; i-- {
			if h := &held[i]; h.Channel == l.Channel && h.Reason == l.Reason {
				h.Count += l.Count
				return
			}
		}
	}
	in.held.Losses = append(held, l)
}

// Channels returns the channels known so far.
func (m *merge) Channels() []Channel {
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.channels
}

// Send hands a frame to the source that its channel belongs to.
func (m *merge) Send(f Frame) error {
	m.mu.Lock()
	closed := m.closed
	var to Source
	for _, in := range m.inputs {
		if i := slices.Index(in.table, f.Bus); i >= 0 && f.Bus != noChannel {
			to, f.Bus = in.source, uint8(i)
			break
		}
	}
	m.mu.Unlock()
	switch {
	case closed:
		return os.ErrClosed
	case to == nil:
		return fmt.Errorf("a frame for channel %d, which no source has", f.Bus)
	}
	return Send(to, f)
}

func (m *merge) Next(ctx context.Context, b *Batch) error {
	for {
		m.mu.Lock()
		if m.closed {
			m.mu.Unlock()
			return os.ErrClosed
		}
		some, wait, err := m.give(b)
		m.mu.Unlock()
		if some || err != nil {
			return err
		}
		if err := m.wait(ctx, wait); err != nil {
			return err
		}
	}
}

// wait returns when an input stirs or the window is over; 0 is no window.
func (m *merge) wait(ctx context.Context, window time.Duration) error {
	var over <-chan time.Time
	if window > 0 {
		timer := time.NewTimer(window)
		defer timer.Stop()
		over = timer.C
	}
	select {
	case <-m.changed:
	case <-over:
	case <-ctx.Done():
		return ctx.Err()
	}
	return nil
}

// give appends to b what may go out now; where there is nothing, it tells how
// long to wait for the window, 0 for as long as no source stirs.
func (m *merge) give(b *Batch) (some bool, wait time.Duration, err error) {
	b.Channels = m.channels
	live := m.options.Window > 0
	over := never
	if live {
		over, wait = m.over(time.Now())
	}
	ended := true
	for i, in := range m.inputs {
		in.bound = max(m.known(i), over)
		in.words = in.bound
		if live {
			in.words = math.MaxInt64 // words need not wait for data
		}
		ended = ended && in.ended
	}
	frames, lines, losses, notes := len(b.Frames), len(b.Lines), len(b.Losses), len(b.Notes)
	b.Frames = collect(m, b.Frames, func(in *input) (*[]Frame, Stamp) { return &in.held.Frames, in.bound }, func(f *Frame) Stamp { return f.Time })
	b.Lines = collect(m, b.Lines, func(in *input) (*[]Line, Stamp) { return &in.held.Lines, in.bound }, func(l *Line) Stamp { return l.Time })
	b.Losses = collect(m, b.Losses, func(in *input) (*[]Loss, Stamp) { return &in.held.Losses, in.words }, func(l *Loss) Stamp { return l.Time })
	b.Notes = collect(m, b.Notes, func(in *input) (*[]Note, Stamp) { return &in.held.Notes, in.words }, func(n *Note) Stamp { return n.Time })
	m.lift(b, frames, lines)
	for _, in := range m.inputs {
		for _, c := range slices.Sorted(maps.Keys(in.lost)) {
			detail := "the program did not keep up with its sources"
			if c == noChannel {
				detail = "more than 255 buses and instruments"
			}
			b.Losses = append(b.Losses, Loss{Time: in.newest, Channel: c, Reason: ReasonQueue, Count: in.lost[c], Detail: detail})
		}
		clear(in.lost)
	}
	some = len(b.Frames) > frames || len(b.Lines) > lines || len(b.Losses) > losses || len(b.Notes) > notes
	if !some && ended {
		return false, 0, m.end()
	}
	return some, wait, nil
}

// known returns the time up to which nothing can come any more that belongs
// before an item of input i: every other source has come that far, or just so
// far and stands behind i where times are equal. What the source itself delivers
// later goes behind in any case, so the one that is furthest back never waits.
func (m *merge) known(i int) Stamp {
	bound := Stamp(math.MaxInt64)
	for j, other := range m.inputs {
		switch {
		case j == i || other.ended:
		case other.newest == never:
			return never
		case i < j:
			bound = min(bound, other.newest)
		default:
			bound = min(bound, other.newest-1)
		}
	}
	return bound
}

// over returns the greatest stamp that came more than a window ago, and how long
// until the next one has waited enough.
func (m *merge) over(now time.Time) (bound Stamp, wait time.Duration) {
	bound = never
	n := 0
	for ; n < len(m.seen); n++ {
		if wait = m.options.Window - now.Sub(m.seen[n].at); wait > 0 {
			break
		}
		wait, bound = 0, m.seen[n].newest
	}
	m.seen = append(m.seen[:0], m.seen[n:]...)
	return bound, wait
}

// collect moves the items that may go out, up to a bound for each input, to out
// in time order, the first input first where times are equal. With few inputs a
// look at each head is cheaper than a heap.
func collect[T any](m *merge, out []T, held func(*input) (*[]T, Stamp), stamp func(*T) Stamp) []T {
	var heads [noChannel]int
	for {
		best, least := -1, Stamp(0)
		for i, in := range m.inputs {
			items, bound := held(in)
			if heads[i] >= len(*items) {
				continue
			}
			if t := stamp(&(*items)[heads[i]]); t <= bound && (best < 0 || t < least) {
				best, least = i, t
			}
		}
		if best < 0 {
			break
		}
		items, _ := held(m.inputs[best])
		out = append(out, (*items)[heads[best]])
		heads[best]++
	}
	for i, in := range m.inputs {
		if items, _ := held(in); heads[i] > 0 {
			*items = append((*items)[:0], (*items)[heads[i]:]...)
			wake(in.space)
		}
	}
	return out
}

// lift gives late items the time of the newest that have gone out before, so
// that frames and lines never step back, and notes it.
func (m *merge) lift(b *Batch, frames, lines int) {
	given := m.given
	up := func(t *Stamp) {
		if *t < m.given {
			m.late++
			m.lateBy = max(m.lateBy, m.given.Sub(*t))
			*t = m.given
		}
		given = max(given, *t)
	}
	for i := range b.Frames[frames:] {
		up(&b.Frames[frames+i].Time)
	}
	for i := range b.Lines[lines:] {
		up(&b.Lines[lines+i].Time)
	}
	m.given = given
	if m.late > 0 {
		b.Notes = append(b.Notes, Note{Time: m.given, Kind: "clock", Text: fmt.Sprintf(
			"%d frames or lines came up to %v behind others that had gone out already; they were given the time of these", m.late, m.lateBy)})
		m.late, m.lateBy = 0, 0
	}
}

// end tells how everything ended.
func (m *merge) end() error {
	var errs []error
	for _, in := range m.inputs {
		if in.err == nil {
			return io.EOF
		}
		errs = append(errs, in.err)
	}
	if len(errs) == 0 {
		return io.EOF
	}
	return errors.Join(errs...)
}

func (m *merge) Close() error {
	m.mu.Lock()
	if m.closed {
		m.mu.Unlock()
		return os.ErrClosed
	}
	m.closed = true
	m.mu.Unlock()
	m.cancel()
	var errs []error
	for _, in := range m.inputs {
		errs = append(errs, in.source.Close())
	}
	m.running.Wait()
	wake(m.changed)
	return errors.Join(errs...)
}
