// Package pipeline is the one chain from frames to samples to analysis to
// events. Live display, playback, zooming, offline decoding and reports all run
// it, so that they cannot disagree: its output is a function of the vehicle
// file and the time-stamped frames alone, whatever batches they come in.
//
//	p, err := pipeline.New(file, pipeline.Options{})
//	for src.Next(ctx, &batch) == nil {
//		out.Reset()
//		err := p.Push(&batch, &out)
//		...
//	}
//	p.Finish(&out)
//
// A Pipeline belongs to one goroutine.
package pipeline

import (
	"cmp"
	"fmt"
	"math"
	"reflect"
	"slices"
	"sort"

	"gearwitness/capture"
	"gearwitness/decode"
	"gearwitness/decode/alarm"
	"gearwitness/decode/procedure"
	"gearwitness/signals"
)

// Tick is the step at which the analysis and what follows from it are
// evaluated; ticks stand at its whole multiples.
const Tick capture.Stamp = 10e6

// Analysis is what finds out about the gearbox.
type Analysis interface {
	// Reads tells whether a signal matters to it; samples of others need not be
	// fed.
	Reads(signal int32) bool
	// Sample feeds samples, in time order; it does not keep the list.
	Sample(list ...decode.Sample)
	// Advance says that every sample before now has been fed, and appends the
	// samples and events of all times up to now - Delay, but those that Held
	// tells of. Now is a multiple of Tick.
	Advance(now capture.Stamp, out *decode.Output)
	// Held returns the earliest time up to now - Delay of which samples are
	// still to come; false when there are none.
	Held() (capture.Stamp, bool)
	// Undecided returns the earliest time that an event may still be given, of
	// what began up to now - Delay; false when nothing is under way.
	Undecided() (capture.Stamp, bool)
	// Finish appends what is left at the end of the recording.
	Finish(now capture.Stamp, out *decode.Output)
	// Delay is how far its results lag behind.
	Delay() capture.Stamp
}

// Options choose how much of the chain runs.
type Options struct {
	// DecodeOnly leaves out the analysis of the gearbox and the alarms: for
	// looking at a stretch of a recording, or checking a vehicle file against
	// one.
	DecodeOnly bool
	// Stranger, when not nil, is handed every data frame that the vehicle file
	// does not describe, such as to package unknown. It must not keep the frame.
	Stranger func(f *capture.Frame)
}

// Pipeline is the chain for one recording.
//
// Order of things, for one frame or line after the other: first, signals that
// have grown stale by its time, computed signals that lose their value with
// them, and the analysis up to the last tick; then its samples, then the
// computed signals that follow. What reads results of the analysis (computed
// signals, alarms) and what was injected runs behind it, on all samples merged
// in time order, and never feeds back.
type Pipeline struct {
	plan     *decode.Plan
	table    *decode.Table
	decoder  *decode.Decoder
	computer *decode.Computer
	analysis Analysis // nil: none
	behind   *behind  // nil: none
	delay    capture.Stamp

	readers []readers // by signal

	clock
	nextTick capture.Stamp
	complete capture.Stamp  // the analysis has given out all samples up to here
	told     capture.Stamp  // and all events
	lines    []capture.Line // until event time has passed them
}

// readers tells who reads a signal.
type readers uint8

const (
	forFormula readers = 1 << iota
	forAnalysis
	forBehind
	forCoach // procedures, and nothing else of what runs behind

	later     = forBehind | forCoach
	everybody = forFormula | forAnalysis | later
)

// New makes the chain for a validated vehicle file.
func New(f *signals.File, o Options) (*Pipeline, error) {
	return build(f, o, analyse)
}

// build makes the chain with the analysis that analyse returns.
func build(f *signals.File, o Options, analyse func(*signals.File, *decode.Table) (Analysis, error)) (*Pipeline, error) {
	plan, err := decode.Compile(f)
	if err != nil {
		return nil, err
	}
	p := &Pipeline{plan: plan, table: plan.Table()}
	// The analysis adds its signals even where it does not run, so that indexes
	// and formulas mean the same.
	if f.Transmission != nil {
		if p.analysis, err = analyse(f, p.table); err != nil {
			return nil, err
		}
		p.delay = p.analysis.Delay()
	}
	direct, derived, err := decode.Formulas(f, p.table)
	if err != nil {
		return nil, err
	}
	if err := feedsBack(f, derived); err != nil {
		return nil, err
	}
	p.computer = decode.NewComputer(direct, p.table)
	p.decoder = plan.NewDecoder()
	p.decoder.Stranger = o.Stranger
	if o.DecodeOnly {
		p.analysis = nil
	} else if p.behind, err = newBehind(f, p.table, derived); err != nil {
		return nil, err
	}
	p.readers = make([]readers, len(p.table.Signals))
	for i := range p.readers {
		signal := int32(i)
		if p.computer.Reads(signal) {
			p.readers[i] |= forFormula
		}
		if p.analysis != nil && p.analysis.Reads(signal) {
			p.readers[i] |= forAnalysis
		}
		if p.behind != nil && p.behind.wanted[i] {
			p.readers[i] |= forBehind
		} else if p.behind != nil && p.behind.procedures.Reads(signal) {
			p.readers[i] |= forCoach
		}
		p.decoder.Watch(signal, uint8(p.readers[i]))
	}
	return p, nil
}

// feedsBack refuses a gearbox whose roles, sensors or switches are signals that
// themselves follow from the analysis.
func feedsBack(f *signals.File, derived []*decode.Computed) error {
	if f.Transmission == nil {
		return nil
	}
	used := make(map[string]string)
	roles := reflect.ValueOf(f.Transmission.Roles)
	for i := range roles.NumField() {
		if name, ok := roles.Field(i).Interface().(string); ok && name != "" {
			used[name] = "role " + roles.Type().Field(i).Tag.Get("key")
		}
	}
	if t := f.Transmission.Train; t != nil {
		for _, s := range t.Sensors {
			used[s.Name] = "speed sensor"
		}
	}
	for _, s := range f.Transmission.Switches {
		used[s.Name] = "pressure switch"
	}
	for _, c := range derived {
		if as, ok := used[c.Name]; ok {
			return fmt.Errorf("computed signal %s follows from the analysis of the gearbox and cannot be its %s", c.Name, as)
		}
	}
	return nil
}

// Push decodes a batch and appends what follows from it to out: samples and
// events of frames at once, those of the analysis a fixed delay later. The
// batch is not kept. An error means that the batch cannot be decoded at all;
// frames that make no sense are counted, not errors.
//
// Batches come in time order. A line of text waits until event time has passed
// it, so that its place among frames of the same time does not depend on where
// batches end.
func (p *Pipeline) Push(b *capture.Batch, out *decode.Output) error {
	p.decoder.Channels(b.Channels)
	p.decoder.Lose(b.Losses)
	for _, l := range b.Lines {
		if int(l.Port) >= len(b.Channels) {
			return fmt.Errorf("a line of channel %d; the source has %d", l.Port, len(b.Channels))
		}
		p.line(l)
	}
	for i := range b.Frames {
		f := &b.Frames[i]
		if int(f.Bus) >= len(b.Channels) {
			return fmt.Errorf("a frame of channel %d; the source has %d", f.Bus, len(b.Channels))
		}
		if p.plain(f.Time) {
			p.frame(f, out)
		} else {
			p.doubtful(f, out)
		}
	}
	if n := len(p.lines); n > 0 {
		passed := p.lines[n-1].Time
		if p.begun {
			passed = max(passed, p.now)
		}
		p.flushLines(passed, out)
	}
	return nil
}

// frame decodes a frame whose time stamp is believed, after the lines before it.
func (p *Pipeline) frame(f *capture.Frame, out *decode.Output) {
	if len(p.lines) > 0 {
		p.flushLines(f.Time, out)
	}
	if !p.begun || f.Time < p.now {
		t, ok := p.arrive(f.Time, out)
		if !ok {
			return
		}
		late := *f
		late.Time = t
		f = &late
	}
	p.advance(f.Time, out)
	k := len(out.Samples)
	if to := readers(p.decoder.Frame(f, out)); to != 0 {
		p.absorb(k, to, out)
	}
}

// doubtful looks at a frame whose stamp is the first, lies behind the latest or far
// ahead, or that comes after one that is wrong or may be.
func (p *Pipeline) doubtful(f *capture.Frame, out *decode.Output) {
	if !f.Time.Possible() {
		p.wrong.add(f.Time)
		p.sure = 0 // the next frame tells
		return
	}
	if p.waits {
		p.decide(f.Time, out)
	}
	if !p.begun || f.Time-p.now >= capture.Leap {
		p.hold(f)
		return
	}
	p.frame(f, out)
	p.sure = capture.Leap
	p.tell(&p.wrong, out)
}

// decide decodes the frame that waits if the next stamp bears it out.
func (p *Pipeline) decide(next capture.Stamp, out *decode.Output) {
	f := p.release()
	if !f.Time.BorneOut(next) {
		p.wrong.add(f.Time)
		return
	}
	p.frame(&f, out)
}

// arrive handles a time stamp: see clock.
func (p *Pipeline) arrive(t capture.Stamp, out *decode.Output) (capture.Stamp, bool) {
	if !p.begun {
		p.begin(t)
		p.nextTick = t - mod(t, Tick)
		p.complete = p.nextTick - p.delay - 1
		p.told = p.complete
	}
	return p.clock.arrive(t, out)
}

// line takes in a line of text. One far ahead that the next line belies must not
// keep that one waiting.
func (p *Pipeline) line(l capture.Line) {
	if !l.Time.Possible() {
		p.wrongLines.add(l.Time)
		return
	}
	for n := len(p.lines); n > 0 && p.lines[n-1].Time-l.Time >= capture.Leap; n-- {
		p.wrongLines.add(p.lines[n-1].Time)
		p.lines = p.lines[:n-1]
	}
	p.lines = append(p.lines, l)
}

// mod is the remainder towards minus infinity.
func mod(t, m capture.Stamp) capture.Stamp { return (t%m + m) % m }

// flushLines decodes the lines before time t.
func (p *Pipeline) flushLines(t capture.Stamp, out *decode.Output) {
	if p.waits {
		t = min(t, p.doubt.Time)
	}
	n := 0
	for ; n < len(p.lines) && p.lines[n].Time < t; n++ {
		l := p.lines[n]
		var ok bool
		if l.Time, ok = p.arrive(l.Time, out); !ok {
			continue
		}
		p.advance(l.Time, out)
		k := len(out.Samples)
		p.decoder.Line(&l, out)
		p.absorb(k, everybody, out)
	}
	p.lines = slices.Delete(p.lines, 0, n)
}

// absorb passes on the samples from index k on to those who may read them, and
// likewise the computed signals that follow, which it appends.
func (p *Pipeline) absorb(k int, to readers, out *decode.Output) {
	p.pass(out.Samples[k:], to)
	if to&forFormula != 0 {
		k = len(out.Samples)
		p.computer.Evaluate(p.now, out)
		p.pass(out.Samples[k:], forAnalysis|later) // formulas have seen each other's results
	}
}

// pass hands samples to those who read them, of some readers.
func (p *Pipeline) pass(list []decode.Sample, to readers) {
	if to&forAnalysis != 0 && p.analysis != nil {
		p.analysis.Sample(list...)
	}
	if to&(forFormula|later) == 0 {
		return
	}
	idle := p.behind != nil && p.behind.procedures.Idle()
	for i := range list {
		s := &list[i]
		to := to & p.readers[s.Signal]
		if to&forFormula != 0 {
			p.computer.Put(*s)
		}
		switch {
		case to&later == 0:
		case to&forCoach != 0 && idle:
			p.behind.glance(s)
		default:
			p.behind.queue = append(p.behind.queue, *s)
		}
	}
}

// advance moves event time to t, before anything of that time is decoded.
func (p *Pipeline) advance(t capture.Stamp, out *decode.Output) {
	p.decoder.Advance(t, out)
	if p.computer.Due(t) {
		k := len(out.Samples)
		p.computer.Advance(t, out)
		p.pass(out.Samples[k:], forAnalysis|later)
	}
	if t >= p.nextTick {
		p.tick(t-mod(t, Tick), out)
	}
	p.now = t
}

// tick evaluates what is due at a tick.
func (p *Pipeline) tick(t capture.Stamp, out *decode.Output) {
	p.nextTick = t + Tick
	k, first := len(out.Samples), len(out.Events)
	p.complete = t - p.delay
	if p.analysis != nil {
		p.analysis.Advance(t, out)
		if held, ok := p.analysis.Held(); ok {
			p.complete = min(p.complete, held-1)
		}
	}
	p.told = p.complete
	if p.analysis != nil {
		if at, ok := p.analysis.Undecided(); ok {
			p.told = min(p.told, at-1)
		}
	}
	if p.behind != nil {
		p.behind.hear(first, p.complete, out)
		p.behind.run(out.Samples[k:], p.complete, out)
	}
}

// Inject hands in something that did not come over a bus: a mark, word of the
// requests, the beginning of a procedure. It is emitted when event time has passed its time by the delay
// of the analysis, so that it stands at the same place of the output whether it
// was given live or, offline, up front. Events of one time keep their order.
func (p *Pipeline) Inject(e decode.Event) {
	if p.behind != nil {
		p.behind.inject(e)
	}
}

// Finish evaluates what is still waiting at the end of a recording and appends
// it to out. The pipeline must not be pushed to afterwards.
func (p *Pipeline) Finish(out *decode.Output) {
	if p.waits {
		p.decide(p.doubt.Time, out)
	}
	if n := len(p.lines); n > 0 {
		p.flushLines(p.lines[n-1].Time+1, out)
	}
	if p.begun {
		p.advance(p.now, out)
		p.tell(&p.wrong, out)
		p.tell(&p.wrongLines, out)
	}
	k, first := len(out.Samples), len(out.Events)
	if p.analysis != nil {
		p.analysis.Finish(p.now, out)
	}
	if p.behind != nil {
		p.behind.hear(first, p.now, out)
		p.behind.run(out.Samples[k:], p.now, out)
		p.behind.rest(out)
	}
}

// Table returns the table of all signals, those of the analysis included.
func (p *Pipeline) Table() *decode.Table { return p.table }

// Plan returns the compiled vehicle file.
func (p *Pipeline) Plan() *decode.Plan { return p.plan }

// Now returns the event time: the latest time stamp seen.
func (p *Pipeline) Now() capture.Stamp { return p.now }

// EventsSettled returns the time up to which every event has been given out. What
// takes a while to be recognised, such as a shift, holds it back.
func (p *Pipeline) EventsSettled() capture.Stamp {
	return min(p.Settled(), p.told)
}

// Settled returns the time up to which every sample has been given out; what
// comes later is later. Samples of frames come at once, those of the analysis
// its delay behind.
func (p *Pipeline) Settled() capture.Stamp {
	if !p.begun {
		return math.MinInt64
	}
	return min(p.now-1, p.complete)
}

// Alarms returns every alarm as it stands.
func (p *Pipeline) Alarms() []alarm.Status {
	if p.behind == nil {
		return nil
	}
	return p.behind.alarms.List(p.behind.now)
}

// Procedures returns every procedure as it stands.
func (p *Pipeline) Procedures() []procedure.Status {
	if p.behind == nil {
		return nil
	}
	return p.behind.procedures.List()
}

// Counters returns what has been counted so far, as a copy.
func (p *Pipeline) Counters() decode.Counters {
	c := p.decoder.Counters()
	c.Late, c.TooLate, c.Timeless = p.late, p.tooLate, p.wrong.count+p.wrongLines.count
	return c
}

// behind is what runs behind the analysis: computed signals that read its
// results, alarms, procedures, and injected events, on samples merged in time
// order.
type behind struct {
	computer   *decode.Computer
	alarms     *alarm.Set
	standing   *alarm.Standing
	procedures *procedure.Set
	wanted     []bool          // by signal: kept for computed signals and alarms
	glanced    []capture.Stamp // by signal: time of the last sample that glance put
	queue      []decode.Sample // not from the analysis, in time order, until it has caught up
	results    []decode.Sample // of the analysis, until they are complete
	injected   []decode.Event  // in time order
	now        capture.Stamp
}

func newBehind(f *signals.File, t *decode.Table, derived []*decode.Computed) (*behind, error) {
	b := &behind{computer: decode.NewComputer(derived, t), standing: alarm.NewStanding(), wanted: make([]bool, len(t.Signals)), glanced: make([]capture.Stamp, len(t.Signals))}
	var err error
	if b.alarms, err = alarm.New(f, b.computer.View, t); err != nil {
		return nil, err
	}
	if b.procedures, err = procedure.New(f, b.computer.View, t); err != nil {
		return nil, err
	}
	for i := range b.wanted {
		b.wanted[i] = b.computer.Reads(int32(i)) || b.alarms.Reads(int32(i))
		b.glanced[i] = math.MinInt64
	}
	return b, nil
}

func (b *behind) inject(e decode.Event) {
	if e.Kind == decode.KindCoach {
		b.procedures.Inject(e)
		return
	}
	i := sort.Search(len(b.injected), func(i int) bool { return b.injected[i].Time > e.Time })
	b.injected = slices.Insert(b.injected, i, e)
}

// hear lets the standing alarms hear the events from index first on.
func (b *behind) hear(first int, done capture.Stamp, out *decode.Output) {
	for i, n := first, len(out.Events); i < n; i++ {
		b.standing.Take(&out.Events[i], out)
	}
	b.standing.Advance(done, out)
}

// glance puts a sample that only procedures read into the view at once. That will
// do while they are idle, which is most of the time: nobody looks at all of them in
// order. It may be ahead of the time here.
func (b *behind) glance(s *decode.Sample) {
	b.computer.View.Put(*s)
	b.glanced[s.Signal] = s.Time
}

// run takes in the queue and the results of the analysis, of which these are
// new, in time order up to the time done; at equal times the queue goes first.
func (b *behind) run(results []decode.Sample, done capture.Stamp, out *decode.Output) {
	idle := b.procedures.Idle()
	for i := range results {
		switch s := &results[i]; {
		case b.wanted[s.Signal]:
			b.results = append(b.results, *s)
		case !b.procedures.Reads(s.Signal):
		case idle:
			b.glance(s)
		default:
			b.results = append(b.results, *s)
		}
	}
	// Some come later than others of their time.
	slices.SortStableFunc(b.results, func(x, y decode.Sample) int { return cmp.Compare(x.Time, y.Time) })
	q, r := 0, 0
	for {
		queued := q < len(b.queue) && b.queue[q].Time <= done
		resulted := r < len(b.results) && b.results[r].Time <= done
		switch {
		case queued && (!resulted || b.queue[q].Time <= b.results[r].Time):
			q += b.step(b.queue[q:], out)
		case resulted:
			r += b.step(b.results[r:], out)
		default:
			b.queue = slices.Delete(b.queue, 0, q)
			b.results = slices.Delete(b.results, 0, r)
			b.advance(done, out)
			b.alarms.Advance(done+1, out) // all of that time has been taken in
			b.procedures.Advance(done+1, out)
			return
		}
	}
}

// step takes in the samples at the beginning of list that share its first time
// and returns their number.
func (b *behind) step(list []decode.Sample, out *decode.Output) int {
	at := list[0].Time
	b.advance(at, out)
	n := 0
	for ; n < len(list) && list[n].Time == at; n++ {
		if at < b.glanced[list[n].Signal] {
			continue // it waited while a procedure was under way, and a later one has been seen since
		}
		b.computer.Put(list[n])
		b.alarms.Changed(&list[n])
		b.procedures.Changed(list[n].Signal, at)
	}
	k := len(out.Samples)
	b.computer.Evaluate(at, out)
	b.changed(k, out)
	b.alarms.Evaluate(at, out)
	return n
}

func (b *behind) changed(k int, out *decode.Output) {
	for i := k; i < len(out.Samples); i++ {
		s := &out.Samples[i]
		b.alarms.Changed(s)
		b.procedures.Changed(s.Signal, s.Time)
	}
}

// advance moves the time here to t, before anything of that time is taken in.
func (b *behind) advance(t capture.Stamp, out *decode.Output) {
	b.now = t
	b.procedures.Advance(t, out)
	k := len(out.Samples)
	b.computer.Advance(t, out)
	b.changed(k, out)
	b.alarms.Advance(t, out)
	n := 0
	for ; n < len(b.injected) && b.injected[n].Time <= t; n++ {
		out.Events = append(out.Events, b.injected[n])
	}
	b.injected = slices.Delete(b.injected, 0, n)
}

// rest ends what is under way at the end of the recording and emits what was
// injected beyond it.
func (b *behind) rest(out *decode.Output) {
	b.procedures.Finish(b.now, out)
	out.Events = append(out.Events, b.injected...)
	b.injected = nil
}
