package decode

import (
	"bufio"
	"cmp"
	"encoding/json"
	"io"
	"slices"
	"strings"

	"gearwitness/capture"
)

// SampleWriter writes samples as comma-separated values: a header line
// time_s,signal,value,unit, then one line a sample in order of time, quoted
// where RFC 4180 asks for it. Times are exact; values are as Table.Text gives
// them.
type SampleWriter struct {
	w     io.Writer
	table *Table
	names [][]byte // by signal: ",name,"
	units [][]byte // by signal: ",unit\n"
	held  []Sample // later than what was settled
	buf   []byte
}

// NewSampleWriter returns a writer that has written nothing yet. The table must
// not grow any more.
func NewSampleWriter(w io.Writer, t *Table) *SampleWriter {
	s := &SampleWriter{w: w, table: t, buf: []byte("time_s,signal,value,unit\n")}
	for i := range t.Signals {
		s.names = append(s.names, append(appendField([]byte{','}, t.Signals[i].Name), ','))
		s.units = append(s.units, append(appendField([]byte{','}, string(t.Signals[i].Unit)), '\n'))
	}
	return s
}

// appendField appends a field, quoted where RFC 4180 asks for it.
func appendField(b []byte, s string) []byte {
	if !strings.ContainsAny(s, ",\"\r\n") {
		return append(b, s...)
	}
	b = append(b, '"')
	b = append(b, strings.ReplaceAll(s, `"`, `""`)...)
	return append(b, '"')
}

// Write takes in samples, of which none at or before the time settled is still
// to come, and writes those up to that time. Samples of one time keep the order
// in which they were given.
func (s *SampleWriter) Write(list []Sample, settled capture.Stamp) error {
	s.held = append(s.held, list...)
	slices.SortStableFunc(s.held, func(a, b Sample) int { return cmp.Compare(a.Time, b.Time) })
	n, _ := slices.BinarySearchFunc(s.held, settled, func(a Sample, t capture.Stamp) int {
		if a.Time <= t {
			return -1
		}
		return 1
	})
	for _, x := range s.held[:n] {
		s.append(x)
	}
	s.held = slices.Delete(s.held, 0, n)
	if len(s.buf) < 1<<16 {
		return nil
	}
	return s.flush()
}

func (s *SampleWriter) append(x Sample) {
	s.buf = AppendSeconds(s.buf, int64(x.Time))
	s.buf = append(s.buf, s.names[x.Signal]...)
	k := len(s.buf)
	s.buf = s.table.AppendText(s.buf, x)
	if len(s.table.Signals[x.Signal].States) > 0 { // a text the file's author chose
		s.buf = appendField(s.buf[:k], string(s.buf[k:]))
	}
	s.buf = append(s.buf, s.units[x.Signal]...)
}

func (s *SampleWriter) flush() error {
	_, err := s.w.Write(s.buf)
	s.buf = s.buf[:0]
	return err
}

// Close writes what is held. It does not close the underlying writer.
func (s *SampleWriter) Close() error {
	if err := s.Write(nil, never); err != nil {
		return err
	}
	return s.flush()
}

// EventWriter writes events as WriteEvents does, in order of time.
type EventWriter struct {
	w    io.Writer
	held []Event // later than what was settled
}

// NewEventWriter returns a writer that has written nothing yet.
func NewEventWriter(w io.Writer) *EventWriter { return &EventWriter{w: w} }

// Write takes in events, of which none at or before the time settled is still to
// come, and writes those up to that time. Events of one time keep the order in
// which they were given.
func (e *EventWriter) Write(list []Event, settled capture.Stamp) error {
	e.held = append(e.held, list...)
	slices.SortStableFunc(e.held, func(a, b Event) int { return cmp.Compare(a.Time, b.Time) })
	n := 0
	for n < len(e.held) && e.held[n].Time <= settled {
		n++
	}
	if n == 0 {
		return nil
	}
	err := WriteEvents(e.w, e.held[:n])
	e.held = slices.Delete(e.held, 0, n)
	return err
}

// Close writes what is held. It does not close the underlying writer.
func (e *EventWriter) Close() error { return e.Write(nil, never) }

// WriteEvents writes events as JSON, one object a line.
func WriteEvents(w io.Writer, list []Event) error {
	b := bufio.NewWriter(w)
	enc := json.NewEncoder(b)
	enc.SetEscapeHTML(false)
	for _, e := range list {
		if err := enc.Encode(e); err != nil {
			return err
		}
	}
	return b.Flush()
}
