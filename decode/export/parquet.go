package export

import (
	"io"

	"github.com/parquet-go/parquet-go"
	"github.com/parquet-go/parquet-go/compress/zstd"

	"gearwitness/capture"
	"gearwitness/decode"
)

// Sizes of the tables: a row group is what a reader takes in at a time, and
// what its writer holds, compressed. Larger pages make the index at the end of
// the file smaller, which is all that grows with the length of a recording.
const (
	cellsPerGroup = 1 << 22
	rowsPerBatch  = 4096
	tidyPageBytes = 1 << 20 // six columns
	widePageBytes = 64 << 10
)

// columns is a schema whose columns stand in the order given; parquet.Group
// alone sorts them by name.
type columns struct {
	parquet.Group
	order []string
}

func (c columns) Fields() []parquet.Field {
	byName := make(map[string]parquet.Field, len(c.order))
	for _, f := range c.Group.Fields() {
		byName[f.Name()] = f
	}
	fields := make([]parquet.Field, len(c.order))
	for i, name := range c.order {
		fields[i] = byName[name]
	}
	return fields
}

func (c *columns) add(name string, n parquet.Node) {
	if c.Group == nil {
		c.Group = parquet.Group{}
	}
	c.Group[name] = n
	c.order = append(c.order, name)
}

func (c columns) schema(name string) *parquet.Schema { return parquet.NewSchema(name, c) }

func timeColumn() parquet.Node {
	return parquet.Encoded(parquet.Timestamp(parquet.Nanosecond), &parquet.DeltaBinaryPacked)
}

func textColumn() parquet.Node { return parquet.Encoded(parquet.String(), &parquet.RLEDictionary) }

func numberColumn() parquet.Node { return parquet.Leaf(parquet.DoubleType) }

// table gathers rows column by column and hands them on.
type table struct {
	sink  sink
	batch [][]parquet.Value // by column
	rows  int               // in the batch
}

// sink is where the rows of a table go: into a file, or against one that is
// there already.
type sink interface {
	take(batch [][]parquet.Value, rows int) error
	close() error
}

func newTable(s sink, c columns) *table {
	return &table{sink: s, batch: make([][]parquet.Value, len(c.order))}
}

// file writes rows.
type file struct {
	w      *parquet.GenericWriter[any]
	cols   []*parquet.ColumnWriter
	inside int // rows of the row group that were handed over
	group  int // rows of a row group
}

func newFile(w io.Writer, schema *parquet.Schema, columns, pageBytes int) *file {
	pw := parquet.NewGenericWriter[any](w, schema,
		parquet.Compression(&zstd.Codec{Level: zstd.SpeedFastest, Concurrency: 1}),
		parquet.CreatedBy("gearwitness", "", ""),
		parquet.PageBufferSize(pageBytes),
		parquet.DataPageStatistics(true))
	return &file{w: pw, cols: pw.ColumnWriters(), group: max(rowsPerBatch, cellsPerGroup/columns)}
}

func (f *file) take(batch [][]parquet.Value, rows int) error {
	for i, c := range f.cols {
		if _, err := c.WriteRowValues(batch[i]); err != nil {
			return err
		}
	}
	if f.inside += rows; f.inside < f.group {
		return nil
	}
	f.inside = 0
	return f.w.Flush()
}

func (f *file) close() error { return f.w.Close() }

// put sets a value of a required column of the row under way.
func (t *table) put(column int, v parquet.Value) { t.ready(column, v.Level(0, 0, column)) }

// ready sets a value that has its level and column already.
func (t *table) ready(column int, v parquet.Value) {
	t.batch[column] = append(t.batch[column], v)
}

// some sets a value of an optional column.
func (t *table) some(column int, v parquet.Value) {
	t.ready(column, v.Level(0, 1, column))
}

// none leaves an optional column of the row without a value.
func (t *table) none(column int) {
	t.ready(column, parquet.NullValue().Level(0, 0, column))
}

// end ends the row; every column has been set.
func (t *table) end() error {
	if t.rows++; t.rows < rowsPerBatch {
		return nil
	}
	return t.hand()
}

func (t *table) hand() error {
	if t.rows == 0 {
		return nil // the library takes the address of the first value
	}
	if err := t.sink.take(t.batch, t.rows); err != nil {
		return err
	}
	for i := range t.batch {
		t.batch[i] = t.batch[i][:0]
	}
	t.rows = 0
	return nil
}

func (t *table) close() error {
	if err := t.hand(); err != nil {
		return err
	}
	return t.sink.close()
}

// Columns of the tidy table.
const (
	colTime = iota
	colSignal
	colValue
	colText
	colStatus
	colUnit
)

// Samples writes a tidy table, one row a sample in order of time:
//
//	time    timestamp  the sample's stamp, ns since the Unix epoch on the clock of the recording
//	signal  text
//	value   double     in the unit given; none where the sample has no value
//	text    text       name of the state; none where the signal has no states
//	status  text       valid, not available, error (the sender says so), implausible (outside the file's range)
//	unit    text       empty for a pure number
//
// A row takes about five bytes.
type Samples struct {
	t      *table
	info   []decode.Info
	names  []parquet.Value
	units  []parquet.Value
	states [][]parquet.Value // by signal and state
	status [len(statusText)]parquet.Value
	order  order
}

// NewSamples returns a writer of a tidy table. The table of signals must not
// grow any more.
func NewSamples(w io.Writer, t *decode.Table) *Samples {
	c := tidyColumns()
	return newSamples(newFile(w, c.schema("samples"), len(c.order), tidyPageBytes), c, t)
}

// CheckSamples returns a writer that writes nothing and compares each row with
// the tidy table in file; see Different.
func CheckSamples(file io.ReaderAt, size int64, t *decode.Table) (*Samples, error) {
	c := tidyColumns()
	k, err := newCheck(file, size, c, c.schema("samples"))
	if err != nil {
		return nil, err
	}
	return newSamples(k, c, t), nil
}

func tidyColumns() columns {
	var c columns
	c.add("time", timeColumn())
	c.add("signal", textColumn())
	c.add("value", parquet.Optional(numberColumn()))
	c.add("text", parquet.Optional(textColumn()))
	c.add("status", textColumn())
	c.add("unit", textColumn())
	return c
}

func newSamples(to sink, c columns, t *decode.Table) *Samples {
	s := &Samples{t: newTable(to, c), info: t.Signals}
	for i := range t.Signals {
		in := &t.Signals[i]
		s.names = append(s.names, text(in.Name).Level(0, 0, colSignal))
		s.units = append(s.units, text(string(in.Unit)).Level(0, 0, colUnit))
		s.states = append(s.states, stateValues(in))
	}
	for i, name := range statusText {
		s.status[i] = text(name).Level(0, 0, colStatus)
	}
	return s
}

func text(s string) parquet.Value { return parquet.ByteArrayValue([]byte(s)) }

func stateValues(in *decode.Info) []parquet.Value {
	list := make([]parquet.Value, len(in.States))
	for i, st := range in.States {
		list[i] = text(st.Name)
	}
	return list
}

// Write takes in samples; see Writer.
func (s *Samples) Write(samples []decode.Sample, settled capture.Stamp) error {
	for _, x := range s.order.take(samples, settled) {
		if err := s.row(x); err != nil {
			return err
		}
	}
	return nil
}

func (s *Samples) row(x decode.Sample) error {
	s.t.put(colTime, parquet.Int64Value(int64(x.Time)))
	s.t.ready(colSignal, s.names[x.Signal])
	hasValue := x.Status == decode.Valid || x.Status == decode.Implausible
	if hasValue {
		s.t.some(colValue, parquet.DoubleValue(x.Value))
	} else {
		s.t.none(colValue)
	}
	if i := stateIndex(&s.info[x.Signal], x.Value); hasValue && i >= 0 {
		s.t.some(colText, s.states[x.Signal][i])
	} else {
		s.t.none(colText)
	}
	s.t.ready(colStatus, s.status[x.Status])
	s.t.ready(colUnit, s.units[x.Signal])
	return s.t.end()
}

// stateIndex is the position of the state that a value means, -1 where it means
// none.
func stateIndex(in *decode.Info, v float64) int {
	for i := range in.States {
		if float64(in.States[i].V) == v {
			return i
		}
	}
	return -1
}

// Close ends the table.
func (s *Samples) Close() error {
	if err := s.Write(nil, never); err != nil {
		return err
	}
	return s.t.close()
}
