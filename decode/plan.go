package decode

import (
	"gearwitness/capture"
	"gearwitness/signals"
)

// Plan is a vehicle file made ready for decoding: the table of its signals and,
// per bus, where each identifier's fields lie. It is immutable once decoding
// has begun and may serve several Decoders.
type Plan struct {
	table *Table
}

// Compile makes a Plan of a validated vehicle file. Its table holds the signals
// of frames in the file's order, then those of text lines, then computed ones;
// the analysis appends its own.
func Compile(f *signals.File) (*Plan, error) {
	return &Plan{table: &Table{}}, nil
}

// Table returns the table of the plan's signals. It is shared, not copied.
func (p *Plan) Table() *Table { return p.table }

// Decoder applies a Plan to the frames of one recording: it keeps what must be
// remembered from frame to frame (alive counters, ages, counts). It is not safe
// for use by several goroutines at once.
type Decoder struct {
	plan *Plan
}

// NewDecoder returns a Decoder at the beginning of a recording.
func (p *Plan) NewDecoder() *Decoder { return &Decoder{plan: p} }

// Frame decodes one frame and appends its samples to out, in the order the
// signals stand in the file. It allocates nothing once out has grown.
func (d *Decoder) Frame(f *capture.Frame, out *Output) {}
