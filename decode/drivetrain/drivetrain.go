// Package drivetrain finds out what really happened in the gearbox: the gear
// engaged, the slip of every element and of the converter, every shift and
// engagement, from the speeds there are and the train the vehicle file
// describes.
//
// It is a pure function of the samples fed in: it works on a fixed grid of
// event time (ticks at absolute multiples of 10 ms) and evaluates a tick once
// every sample that belongs to it must have arrived, a fixed delay later. How
// the samples are split into batches makes no difference.
package drivetrain

import (
	"gearwitness/capture"
	"gearwitness/decode"
	"gearwitness/signals"
)

// Tick is the step of the analysis grid.
const Tick capture.Stamp = 10e6

// Analyzer is the analysis of one drive. It is not safe for use by several
// goroutines at once.
type Analyzer struct {
	table *decode.Table
}

// New resolves the roles of the vehicle file against the table and appends the
// derived signals to it: gear, ratio, input_speed (where not measured),
// converter_slip, oil_temperature_difference, slip.<element>; each only where
// the file gives what it takes. A file without a transmission section yields
// an Analyzer that adds nothing.
func New(f *signals.File, t *decode.Table) (*Analyzer, error) {
	return &Analyzer{table: t}, nil
}

// Sample feeds one sample, in event order. Samples that play no role cost one
// look-up.
func (a *Analyzer) Sample(s decode.Sample) {}

// Advance evaluates every tick that is due at now (tick + Delay <= now) and
// appends its derived samples and events to out. Every sample before now must
// have been fed.
func (a *Analyzer) Advance(now capture.Stamp, out *decode.Output) {}

// Finish evaluates what is left up to now, says of a shift still under way
// that its end was not seen, and closes the drive.
func (a *Analyzer) Finish(now capture.Stamp, out *decode.Output) {}
