// Package fit holds a vehicle file against a recording: what it defines that
// never came, what came that it does not define, which signals left their range
// or never moved, how the periods compare. What is not defined it describes by
// its statistics (package unknown), with text to paste.
//
//	c, err := fit.New(file, fit.Options{})
//	for src.Next(ctx, &batch) == nil {
//		err := c.Push(&batch)
//		...
//	}
//	report := c.Finish()
//
// A Comparison belongs to one goroutine. Its memory does not grow with the
// recording.
package fit

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"gearwitness/capture"
	"gearwitness/decode"
	"gearwitness/decode/pipeline"
	"gearwitness/decode/unknown"
	"gearwitness/signals"
	"gearwitness/signals/diag"
)

// Options choose what is looked at beside the file.
type Options struct {
	// With is the signal that bits nobody describes are compared with; empty for
	// none.
	With string
}

// ErrNoSignal is in the chain of New's error when With is no signal that can be
// compared with.
var ErrNoSignal = errors.New("no signal of the vehicle file")

// Bounds.
const (
	maxWaiting = 1 << 17 // frames that wait for the signal they are compared with
	maxRelated = 20
)

// Comparison is a comparison under way.
type Comparison struct {
	file       *signals.File
	chain      *pipeline.Pipeline
	channels   []capture.Channel
	statistics *unknown.Statistics
	out        decode.Output

	frames  []occurrences // as decode.Counters.Frames
	frameOf []int32       // by signal; -1: none
	signals []values      // by signal

	began, last capture.Stamp
	begun       bool

	with        int32 // index of the signal, -1: none
	correlation *unknown.Correlation
	waiting     []capture.Frame
	references  []decode.Sample
}

// occurrences are the times one frame came, good.
type occurrences struct {
	count             uint64
	first, last       capture.Stamp
	shortest, longest time.Duration
}

// values are what one signal was.
type values struct {
	valid, unavailable, faulty, outside uint64
	low, high                           float64
	firstOutside                        capture.Stamp
	unnamed                             int64 // a value without a text where there are texts
	anyUnnamed                          bool
}

// New starts a comparison.
func New(f *signals.File, o Options) (*Comparison, error) {
	// The analysis runs only where something it finds is compared with.
	chain, err := pipeline.New(f, pipeline.Options{DecodeOnly: true})
	if err != nil {
		return nil, err
	}
	c := &Comparison{file: f, chain: chain, statistics: unknown.New(), with: -1}
	table := chain.Table()
	if o.With != "" {
		c.with = table.Index(o.With)
		if c.with < 0 {
			names := make([]string, len(table.Signals))
			for i := range table.Signals {
				names[i] = table.Signals[i].Name
			}
			return nil, fmt.Errorf("%w is called %q%s", ErrNoSignal, o.With, diag.Suggest(o.With, names))
		}
		in := table.Signals[c.with]
		if len(in.States) > 0 {
			return nil, fmt.Errorf("%w to compare with: %s is a choice of words, not a figure", ErrNoSignal, o.With)
		}
		if in.Origin == decode.FromFormula || in.Origin == decode.FromAnalysis {
			if c.chain, err = pipeline.New(f, pipeline.Options{}); err != nil {
				return nil, err
			}
		}
		c.correlation = unknown.NewCorrelation(in.Name, in.Unit)
	}
	c.frames = make([]occurrences, len(f.Frames)+len(f.Requests)+len(f.Lines))
	c.signals = make([]values, len(table.Signals))
	c.frameOf = make([]int32, len(table.Signals))
	for i := range c.frameOf {
		c.frameOf[i] = -1
	}
	n := int32(0)
	of := func(name string) {
		if i := table.Index(name); i >= 0 {
			c.frameOf[i] = n
		}
	}
	for i := range f.Frames {
		for _, s := range f.Frames[i].V.Signals {
			of(s.Name)
		}
		n++
	}
	for i := range f.Requests {
		for _, s := range f.Requests[i].V.Signals {
			of(s.Name)
		}
		n++
	}
	for i := range f.Lines {
		for _, s := range f.Lines[i].V.Signals {
			of(s.Name)
		}
		n++
	}
	return c, nil
}

// Push takes in a batch, which it does not keep.
func (c *Comparison) Push(b *capture.Batch) error {
	c.channels = b.Channels
	c.out.Reset()
	if err := c.chain.Push(b, &c.out); err != nil {
		return err
	}
	c.take()
	for i := range b.Frames {
		c.statistics.Frame(&b.Frames[i])
		c.time(b.Frames[i].Time)
	}
	for i := range b.Lines {
		c.time(b.Lines[i].Time)
	}
	if c.correlation != nil {
		c.waiting = append(c.waiting, b.Frames...)
		c.correlate(c.chain.Settled())
		if over := len(c.waiting) - maxWaiting; over > 0 {
			c.correlate(c.waiting[over-1].Time)
		}
	}
	return nil
}

func (c *Comparison) time(t capture.Stamp) {
	if !c.begun {
		c.begun, c.began, c.last = true, t, t
	}
	c.began, c.last = min(c.began, t), max(c.last, t)
}

// take looks at the samples of a step.
func (c *Comparison) take() {
	table := c.chain.Table()
	for i := range c.out.Samples {
		s := &c.out.Samples[i]
		if s.Signal == c.with && s.Status == decode.Valid {
			c.references = append(c.references, *s)
		}
		n := c.frameOf[s.Signal]
		if n < 0 {
			continue
		}
		c.frames[n].at(s.Time)
		c.signals[s.Signal].add(s, &table.Signals[s.Signal])
	}
}

func (o *occurrences) at(t capture.Stamp) {
	switch {
	case o.count == 0:
		*o = occurrences{first: t, shortest: math.MaxInt64}
	case t == o.last:
		return // another signal of the same frame
	default:
		gap := t.Sub(o.last)
		o.shortest, o.longest = min(o.shortest, gap), max(o.longest, gap)
	}
	o.count, o.last = o.count+1, t
}

func (v *values) add(s *decode.Sample, in *decode.Info) {
	switch s.Status {
	case decode.NotAvailable:
		v.unavailable++
		return
	case decode.Faulty:
		v.faulty++
		return
	case decode.Implausible:
		if v.outside == 0 {
			v.firstOutside = s.Time
		}
		v.outside++
	default:
		v.valid++
	}
	if v.valid+v.outside == 1 {
		v.low, v.high = s.Value, s.Value
	}
	v.low, v.high = min(v.low, s.Value), max(v.high, s.Value)
	if len(in.States) > 0 && !v.anyUnnamed {
		raw := int64(s.Value)
		if !slices.ContainsFunc(in.States, func(e signals.Entry[int64]) bool { return e.V == raw }) {
			v.unnamed, v.anyUnnamed = raw, true
		}
	}
}

// correlate compares the frames up to a time, before which every sample of the
// signal is there, in the order in which things happened.
func (c *Comparison) correlate(until capture.Stamp) {
	frames, refs := 0, 0
	for ; frames < len(c.waiting) && c.waiting[frames].Time <= until; frames++ {
		f := &c.waiting[frames]
		for ; refs < len(c.references) && c.references[refs].Time <= f.Time; refs++ {
			c.correlation.Reference(c.references[refs].Time, c.references[refs].Value)
		}
		c.correlation.Frame(f)
	}
	c.waiting = slices.Delete(c.waiting, 0, frames)
	c.references = slices.Delete(c.references, 0, refs)
}

// describe tells what the file makes of an identifier on a channel of the
// recording.
func (c *Comparison) describe(channel uint8, id uint32, extended bool) decode.Description {
	return c.chain.Plan().Describe(c.channels[channel], id, extended)
}

func (c *Comparison) mask(channel uint8, id uint32, extended bool) []byte {
	d := c.describe(channel, id, extended)
	return d.Mask[:]
}

// Finish ends the comparison. Nothing may be pushed afterwards.
func (c *Comparison) Finish() *Report {
	c.out.Reset()
	c.chain.Finish(&c.out)
	c.take()
	if c.correlation != nil {
		c.correlate(math.MaxInt64)
	}
	return c.report()
}

// bus returns what a definition must name as its bus: nothing where the file
// has only one.
func (c *Comparison) bus(channel uint8) string {
	if len(c.file.Buses) == 1 {
		return ""
	}
	return c.channels[channel].Name
}

// when writes the conditions of a signal.
func when(list []signals.Condition) string {
	var parts []string
	for _, w := range list {
		var vs []string
		for _, r := range w.Values {
			if r.Low == r.High {
				vs = append(vs, fmt.Sprint(r.Low))
			} else {
				vs = append(vs, fmt.Sprintf("%d..%d", r.Low, r.High))
			}
		}
		parts = append(parts, w.Signal+" "+strings.Join(vs, " or "))
	}
	return strings.Join(parts, " and ")
}
