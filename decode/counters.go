package decode

import (
	"cmp"
	"slices"

	"gearwitness/capture"
)

// Counters tell what became of the frames and lines of a recording.
type Counters struct {
	Channels []ChannelCount // by channel of the batches
	Frames   []FrameCount   // by frame of the vehicle file, then by request, then by instrument
	Unknown  []UnknownID    // identifiers no frame of the vehicle file describes, most frequent first
	// Late counts frames and lines older than one before them; those very much
	// older are not decoded and counted in TooLate as well.
	Late, TooLate uint64
	// Timeless counts those with a stamp that no recording can have, or that what
	// comes after it shows to be wrong; they are not decoded.
	Timeless uint64
}

// ChannelCount is about one bus or instrument.
type ChannelCount struct {
	Name     string // of the channel
	Bus      string // of the vehicle file it was taken for; empty when for none
	Frames   uint64 // data frames of the vehicle, known or not
	Known    uint64 // of them: described by the vehicle file
	Remote   uint64 // remote frames
	Errors   uint64 // error messages of the controller
	Own      uint64 // sent by this program
	Bits     uint64 // on the wire, without stuff bits, CAN FD as if sent at one rate: for the bus load
	Lines    uint64 // lines of text
	BadLines uint64 // of them: not understood
	BadLine  string // the first of these, cut
	Lost     []LossCount
	// BrokenMessages counts messages of several packets that did not come
	// whole, and packets of none.
	BrokenMessages uint64
}

// LossCount is how many frames or lines did not reach us, by reason.
type LossCount struct {
	Reason string // a capture.Reason constant
	Count  uint64
}

// Text says how much was lost and why, numbers as write writes them.
func (l LossCount) Text(write func(uint64) string) string {
	n := write(l.Count) + " frames or lines"
	if l.Count == 0 {
		n = "frames or lines, it is not known how many"
	}
	if l.Reason == capture.ReasonUnknown {
		return n
	}
	return n + " (" + l.Reason + ")"
}

// FrameCount is about one frame of the vehicle file, the answers to one of its
// requests or the lines of one of its instruments.
type FrameCount struct {
	Name     string
	Good     uint64        // decoded
	Short    uint64        // fewer data bytes than its signals need; not decoded
	Checksum uint64        // check byte wrong; not decoded
	Repeated uint64        // alive counter stood still or beyond its values; not decoded
	Missed   uint64        // how far the alive counter skipped, all told
	Last     capture.Stamp // of the last good one; meaningless when Good is 0
}

// UnknownID is an identifier no frame of the vehicle file describes.
type UnknownID struct {
	Channel     string
	ID          uint32
	Extended    bool
	Others      bool // stands for all that found no room in the list; ID means nothing
	Count       uint64
	First, Last capture.Stamp
}

// Lose counts losses of a source.
func (d *Decoder) Lose(list []capture.Loss) {
	for _, l := range list {
		if int(l.Channel) >= len(d.channels) {
			continue
		}
		lost := &d.channels[l.Channel].count.Lost
		i := slices.IndexFunc(*lost, func(c LossCount) bool { return c.Reason == l.Reason })
		if i < 0 {
			i = len(*lost)
			*lost = append(*lost, LossCount{Reason: l.Reason})
		}
		(*lost)[i].Count += l.Count
	}
}

// Counters returns what has been counted so far, as a copy.
func (d *Decoder) Counters() Counters {
	var out Counters
	for i := range d.channels {
		ch := &d.channels[i]
		c := ch.count
		c.Lost = slices.Clone(c.Lost)
		out.Channels = append(out.Channels, c)
		out.Unknown = append(out.Unknown, ch.unknown...)
	}
	slices.SortStableFunc(out.Unknown, func(a, b UnknownID) int { return cmp.Compare(b.Count, a.Count) })
	for i := range d.frames {
		out.Frames = append(out.Frames, d.frames[i].count)
	}
	return out
}
