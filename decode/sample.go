// Package decode turns frames into samples: compiled plans find the signals of
// a frame, integrity checks keep bad ones out, computed signals follow from
// them. It is a pure function of a vehicle file and time-stamped frames; it
// reads no clock.
package decode

import (
	"gearwitness/capture"
	"gearwitness/signals"
	"gearwitness/signals/unit"
)

// Status tells whether a sample has a value.
type Status uint8

// Statuses.
const (
	Valid        Status = iota
	NotAvailable        // the sender says it does not know (SAE J1939: FF..)
	Faulty              // the sender says the value is in error (SAE J1939: FE..)
	Implausible         // outside the range the vehicle file states; Value holds it all the same
)

// Sample is one value of one signal at one time.
type Sample struct {
	Time   capture.Stamp
	Signal int32 // index into the Table
	Status Status
	Value  float64 // in the signal's unit; meaningless when NotAvailable or Faulty
}

// Origin tells where a signal comes from.
type Origin uint8

// Origins.
const (
	FromFrame    Origin = iota // data of a frame or of an answer
	FromLine                   // text of a serial instrument
	FromFormula                // computed by the vehicle file's own formula
	FromAnalysis               // gear, slip and the like
)

// Info describes one signal of the table.
type Info struct {
	Name   string
	Title  string // for people; never empty
	Unit   unit.Unit
	Origin Origin
	// States, when not empty, names the values: text of the value v is the Name
	// of the entry whose V is v.
	States signals.Named[int64]
	// StaleAfter is the age in ns at which the last value no longer counts;
	// 0 means it never grows stale.
	StaleAfter capture.Stamp
	// Digits is the number of decimals worth showing.
	Digits int
	Range  *signals.Range
}

// Table lists every signal of a vehicle file: those in frames in the file's
// order, then those in answers to requests and in lines of instruments, then
// computed ones, then those of the analysis. Indexes are stable for one vehicle
// file.
type Table struct {
	Signals []Info
	index   map[string]int32
}

// Add appends a signal and returns its index. Names are unique: the caller has
// checked.
func (t *Table) Add(in Info) int32 {
	if t.index == nil {
		t.index = make(map[string]int32)
	}
	if in.Title == "" {
		in.Title = in.Name
	}
	i := int32(len(t.Signals))
	t.Signals = append(t.Signals, in)
	t.index[in.Name] = i
	return i
}

// Index returns the index of a name, or -1.
func (t *Table) Index(name string) int32 {
	if i, ok := t.index[name]; ok {
		return i
	}
	return -1
}

// Text returns the value of a sample as people and the samples file see it:
// the state's name where the signal has states, the shortest exact decimal
// otherwise, and words where there is no value.
func (t *Table) Text(s Sample) string { return string(t.AppendText(nil, s)) }

// Output collects what a step of decoding or analysis produced, in time order
// as far as one step can tell. The caller resets and reuses it.
type Output struct {
	Samples []Sample
	Events  []Event
}

// Reset empties the output and keeps its memory.
func (o *Output) Reset() { o.Samples, o.Events = o.Samples[:0], o.Events[:0] }
