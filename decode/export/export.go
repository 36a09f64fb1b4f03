// Package export writes what the pipeline gives out for other people's tools:
// Apache Parquet tables of all samples, tidy or one wide table per rate, and
// OpenMetrics text for Prometheus. (Comma-separated values are in decode.)
//
// Every writer takes samples as they come from decode/pipeline, in bounded
// memory however long the recording, and gives the same bytes for the same
// recording. A writer belongs to one goroutine.
package export

import (
	"cmp"
	"math"
	"slices"

	"gearwitness/capture"
	"gearwitness/decode"
)

// Writer is what all writers of samples have in common; decode.SampleWriter is
// one as well.
type Writer interface {
	// Write takes in samples, of which none at or before the time settled is
	// still to come (Pipeline.Settled).
	Write(samples []decode.Sample, settled capture.Stamp) error
	// Close writes what is held. It does not close the underlying writer.
	Close() error
}

const never capture.Stamp = math.MaxInt64

// order puts samples into order of time; those of one time keep the order in
// which they were given.
type order struct {
	held  []decode.Sample
	taken int // at the beginning of held, given out by the last call
}

// take adds samples and returns those up to the time settled, until the next
// call.
func (o *order) take(samples []decode.Sample, settled capture.Stamp) []decode.Sample {
	o.held = slices.Delete(o.held, 0, o.taken)
	o.held = append(o.held, samples...)
	slices.SortStableFunc(o.held, func(a, b decode.Sample) int { return cmp.Compare(a.Time, b.Time) })
	o.taken, _ = slices.BinarySearchFunc(o.held, settled, func(s decode.Sample, t capture.Stamp) int {
		if s.Time <= t {
			return -1
		}
		return 1
	})
	return o.held[:o.taken]
}

// statusText names a status in a table.
var statusText = [...]string{
	decode.Valid:        "valid",
	decode.NotAvailable: "not available",
	decode.Faulty:       "error",
	decode.Implausible:  "implausible",
}

// stateText returns the name of a state, and false where the value has none.
func stateText(in *decode.Info, v float64) (string, bool) {
	for _, s := range in.States {
		if float64(s.V) == v {
			return s.Name, true
		}
	}
	return "", false
}
