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
	"gearwitness/capture"
	"gearwitness/decode"
	"gearwitness/signals"
)

// Options choose how much of the chain runs.
type Options struct {
	// DecodeOnly leaves out the analysis of the gearbox: for looking at a
	// stretch of a recording, or checking a vehicle file against one.
	DecodeOnly bool
}

// Pipeline is the chain for one recording.
type Pipeline struct {
	plan *decode.Plan
	now  capture.Stamp
}

// New makes the chain for a validated vehicle file.
func New(f *signals.File, o Options) (*Pipeline, error) {
	plan, err := decode.Compile(f)
	if err != nil {
		return nil, err
	}
	return &Pipeline{plan: plan}, nil
}

// Push decodes a batch and appends what follows from it to out: samples and
// events of frames at once, those of the analysis a fixed delay later. The
// batch is not kept. An error means that the batch cannot be decoded at all;
// frames that make no sense are counted, not errors.
func (p *Pipeline) Push(b *capture.Batch, out *decode.Output) error {
	for i := range b.Frames {
		p.now = max(p.now, b.Frames[i].Time)
	}
	return nil
}

// Inject hands in something that did not come over a bus: a mark, a reading, a
// journal entry. It is emitted when event time has passed its time by the delay
// of the analysis, so that it stands at the same place of the output whether it
// was given live or, offline, up front. Events of one time keep their order.
func (p *Pipeline) Inject(e decode.Event) {}

// Finish evaluates what is still waiting at the end of a recording and appends
// it to out. The pipeline must not be pushed to afterwards.
func (p *Pipeline) Finish(out *decode.Output) {}

// Table returns the table of all signals, those of the analysis included.
func (p *Pipeline) Table() *decode.Table { return p.plan.Table() }

// Now returns the event time: the latest time stamp seen.
func (p *Pipeline) Now() capture.Stamp { return p.now }

// Latest returns the last sample of a signal, and false when there is none that
// counts at that time: never seen, or grown stale.
func (p *Pipeline) Latest(signal int32, at capture.Stamp) (decode.Sample, bool) {
	return decode.Sample{}, false
}

// Counters returns what has been counted so far. The slices are fresh copies.
func (p *Pipeline) Counters() Counters { return Counters{} }

// Counters tell what became of the frames and lines of a recording.
type Counters struct {
	Channels []ChannelCount // by channel of the batches
	Frames   []FrameCount   // by frame of the vehicle file
	Unknown  []UnknownID    // identifiers no frame of the vehicle file describes, most frequent first
	// Late counts frames and lines older than one before them; those more than
	// MaxLate older are not decoded and counted in TooLate as well.
	Late, TooLate uint64
}

// ChannelCount is about one bus or instrument.
type ChannelCount struct {
	Name     string // of the channel
	Bus      string // of the vehicle file it was taken for; empty when for none
	Frames   uint64 // data frames, known or not
	Known    uint64 // of them: described by the vehicle file
	Remote   uint64 // remote frames
	Errors   uint64 // error messages of the controller
	Bits     uint64 // on the wire, without stuff bits: for the bus load
	Lines    uint64 // lines of text
	BadLines uint64 // of them: not understood
	Lost     []LossCount
}

// LossCount is how many frames or lines did not reach us, by reason.
type LossCount struct {
	Reason string // a capture.Reason constant
	Count  uint64
}

// FrameCount is about one frame of the vehicle file.
type FrameCount struct {
	Name     string
	Good     uint64        // decoded
	Short    uint64        // fewer data bytes than its signals need; not decoded
	Checksum uint64        // check byte wrong; not decoded
	Counter  uint64        // alive counter stuck or skipped; not decoded when stuck
	Last     capture.Stamp // of the last good one
}

// UnknownID is an identifier no frame of the vehicle file describes.
type UnknownID struct {
	Channel     string
	ID          uint32
	Extended    bool
	Count       uint64
	First, Last capture.Stamp
}
