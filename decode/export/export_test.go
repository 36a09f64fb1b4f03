package export

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"runtime"
	"strings"
	"testing"
	"time"

	"github.com/parquet-go/parquet-go"

	"gearwitness/capture"
	"gearwitness/decode"
	"gearwitness/decode/pipeline"
	"gearwitness/decode/van"
	"gearwitness/signals"
)

// drive is a stretch of the virtual van's drive, decoded.
type drive struct {
	file  *signals.File
	table *decode.Table
	steps []step
}

type step struct {
	samples []decode.Sample
	settled capture.Stamp
}

func newDrive(t testing.TB, length time.Duration) *drive {
	t.Helper()
	file, list := signals.Parse("van.yaml", signals.Van(), nil)
	if err := list.Err(); err != nil {
		t.Fatal(err)
	}
	file.Requests = nil // nobody asks
	chain, err := pipeline.New(file, pipeline.Options{})
	if err != nil {
		t.Fatal(err)
	}
	o, err := van.ParseOptions(map[string][]string{"seed": {"5"}, "for": {length.String()}})
	if err != nil {
		t.Fatal(err)
	}
	source, err := van.Open(t.Context(), o, file, nil)
	if err != nil {
		t.Fatal(err)
	}
	defer source.Close()
	d := &drive{file: file, table: chain.Table()}
	var b capture.Batch
	for {
		b.Reset()
		var out decode.Output
		readErr := source.Next(t.Context(), &b)
		if err := chain.Push(&b, &out); err != nil {
			t.Fatal(err)
		}
		if readErr != nil {
			if !errors.Is(readErr, io.EOF) {
				t.Fatal(readErr)
			}
			chain.Finish(&out)
		}
		d.steps = append(d.steps, step{out.Samples, chain.Settled()})
		if readErr != nil {
			return d
		}
	}
}

// feed gives the drive to a writer; with whole everything at once.
func (d *drive) feed(t testing.TB, w Writer, whole bool) {
	t.Helper()
	var all []decode.Sample
	for _, s := range d.steps {
		if whole {
			all = append(all, s.samples...)
			continue
		}
		if err := w.Write(s.samples, s.settled); err != nil {
			t.Fatal(err)
		}
	}
	if err := w.Write(all, d.steps[len(d.steps)-1].settled); err != nil {
		t.Fatal(err)
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
}

// tidyRow is how a reader that knows only the file would take in a row.
type tidyRow struct {
	Time   int64    `parquet:"time,timestamp(nanosecond)"`
	Signal string   `parquet:"signal"`
	Value  *float64 `parquet:"value,optional"`
	Text   *string  `parquet:"text,optional"`
	Status string   `parquet:"status"`
	Unit   string   `parquet:"unit"`
}

// TestSamplesAgreeWithCSV reads the table with the library's own reader and
// compares it, row by row, with the comma-separated values of the same drive,
// which come by another path.
func TestSamplesAgreeWithCSV(t *testing.T) {
	d := newDrive(t, 40*time.Second)
	var file, csv bytes.Buffer
	d.feed(t, NewSamples(&file, d.table), false)
	d.feed(t, decode.NewSampleWriter(&csv, d.table), false)
	rows, err := parquet.Read[tidyRow](bytes.NewReader(file.Bytes()), int64(file.Len()))
	if err != nil {
		t.Fatal(err)
	}
	lines := strings.Split(strings.TrimSpace(csv.String()), "\n")[1:]
	if len(rows) != len(lines) || len(rows) < 50_000 {
		t.Fatalf("%d rows; want the %d of the CSV, and more than 50,000", len(rows), len(lines))
	}
	seen := map[string]int{}
	for i, r := range rows {
		value := r.Status
		s := decode.Sample{Signal: d.table.Index(r.Signal)}
		switch {
		case r.Text != nil:
			value = *r.Text
			seen["text"]++
		case r.Value != nil:
			s.Value = *r.Value
			value = d.table.Text(s)
			seen["number"]++
		default:
			seen["none"]++
		}
		got := string(decode.AppendSeconds(nil, r.Time)) + "," + r.Signal + "," + value + "," + r.Unit
		if got != lines[i] {
			t.Fatalf("row %d is %q; the CSV has %q", i, got, lines[i])
		}
	}
	if seen["text"] == 0 || seen["number"] == 0 || seen["none"] == 0 {
		t.Errorf("the drive has rows %v; want some of each kind for this test to mean anything", seen)
	}
}

// TestSameBytes writes each kind of file twice, from batches as they came and
// from everything at once.
func TestSameBytes(t *testing.T) {
	d := newDrive(t, 20*time.Second)
	groups, err := Groups(d.file, d.table)
	if err != nil {
		t.Fatal(err)
	}
	kinds := map[string]func(io.Writer) Writer{
		"samples": func(w io.Writer) Writer { return NewSamples(w, d.table) },
		"openmetrics": func(w io.Writer) Writer {
			o, err := NewOpenMetrics(w, new(memory), d.table, 100*time.Millisecond)
			if err != nil {
				t.Fatal(err)
			}
			return o
		},
	}
	for _, g := range groups {
		kinds["wide "+g.Name()] = func(w io.Writer) Writer {
			x, err := NewWide(w, d.table, g)
			if err != nil {
				t.Fatal(err)
			}
			return x
		}
	}
	for name, open := range kinds {
		t.Run(name, func(t *testing.T) {
			var a, b bytes.Buffer
			d.feed(t, open(&a), false)
			d.feed(t, open(&b), true)
			if a.Len() == 0 || !bytes.Equal(a.Bytes(), b.Bytes()) {
				t.Errorf("%d bytes from batches and %d from everything at once differ", a.Len(), b.Len())
			}
		})
	}
}

// memory is a Spool.
type memory struct{ bytes.Buffer }

func (m *memory) ReadAt(p []byte, at int64) (int, error) {
	n := copy(p, m.Bytes()[at:])
	if n < len(p) {
		return n, io.EOF
	}
	return n, nil
}

// TestGroups sorts the signals of the van as its file states their periods.
func TestGroups(t *testing.T) {
	d := newDrive(t, time.Second)
	groups, err := Groups(d.file, d.table)
	if err != nil {
		t.Fatal(err)
	}
	where := map[string]string{}
	names := []string{}
	for _, g := range groups {
		names = append(names, g.Name())
		for _, s := range g.Signals {
			if was, twice := where[d.table.Signals[s].Name]; twice {
				t.Errorf("%s stands in %s and %s", d.table.Signals[s].Name, was, g.Name())
			}
			where[d.table.Signals[s].Name] = g.Name()
		}
	}
	if got := strings.Join(names, " "); got != "10ms 20ms 100ms" {
		t.Errorf("groups %s; want 10ms 20ms 100ms", got)
	}
	if len(where) != len(d.table.Signals) {
		t.Errorf("%d signals in groups; want all %d", len(where), len(d.table.Signals))
	}
	for signal, want := range map[string]string{
		"engine_speed": "10ms", "lever": "20ms", "main_pressure": "20ms", "main_pressure_bar": "20ms", "oil_pan": "100ms", "gear": "10ms", "slip.drum brake": "10ms",
	} {
		if where[signal] != want {
			t.Errorf("%s is in group %q; want %s", signal, where[signal], want)
		}
	}
}

// TestWideHoldsLastValues compares every cell with what a search through all
// samples gives: the last one at or before the row's time, unless it is older
// than the signal's age limit or has no value.
func TestWideHoldsLastValues(t *testing.T) {
	d := newDrive(t, 30*time.Second)
	groups, err := Groups(d.file, d.table)
	if err != nil {
		t.Fatal(err)
	}
	bySignal := make([][]decode.Sample, len(d.table.Signals))
	for _, st := range d.steps {
		for _, s := range st.samples {
			bySignal[s.Signal] = append(bySignal[s.Signal], s)
		}
	}
	for _, g := range groups {
		var file bytes.Buffer
		w, err := NewWide(&file, d.table, g)
		if err != nil {
			t.Fatal(err)
		}
		d.feed(t, w, false)
		f, err := parquet.OpenFile(bytes.NewReader(file.Bytes()), int64(file.Len()))
		if err != nil {
			t.Fatal(err)
		}
		if got := f.Schema().Columns(); len(got) != len(g.Signals)+1 || got[0][0] != "time" {
			t.Fatalf("group %s: columns %v; want time and %d signals", g.Name(), got, len(g.Signals))
		}
		rows := allRows(t, f)
		if want := int(30*time.Second/g.Period) - 20; len(rows) < want {
			t.Errorf("group %s: %d rows; want about %d", g.Name(), len(rows), want)
		}
		next := make([]int, len(g.Signals))
		some := 0
		for i, row := range rows {
			at := capture.Stamp(row[0].Int64())
			if at%capture.Stamp(g.Period) != 0 || i > 0 && at-capture.Stamp(rows[i-1][0].Int64()) != capture.Stamp(g.Period) {
				t.Fatalf("group %s: row %d stands at %d ns; want the next multiple of %s", g.Name(), i, at, g.Period)
			}
			for k, sig := range g.Signals {
				list := bySignal[sig]
				for next[k] < len(list) && list[next[k]].Time <= at {
					next[k]++
				}
				in := &d.table.Signals[sig]
				want := ""
				if n := next[k]; n > 0 && list[n-1].Status == decode.Valid && (in.StaleAfter == 0 || at-list[n-1].Time < in.StaleAfter) {
					want = d.table.Text(list[n-1])
					some++
				}
				got := ""
				if v := row[k+1]; !v.IsNull() {
					got = v.String()
					if v.Kind() == parquet.Double {
						got = d.table.Text(decode.Sample{Signal: sig, Value: v.Double()})
					}
				}
				if got != want {
					t.Fatalf("group %s: %s at %d ns is %q; want %q", g.Name(), in.Name, at, got, want)
				}
			}
		}
		if some == 0 {
			t.Errorf("group %s: no cell has a value", g.Name())
		}
	}
}

func allRows(t *testing.T, f *parquet.File) []parquet.Row {
	t.Helper()
	var all []parquet.Row
	for _, g := range f.RowGroups() {
		r := g.Rows()
		defer r.Close()
		for {
			buf := make([]parquet.Row, 256)
			n, err := r.ReadRows(buf)
			for _, row := range buf[:n] {
				all = append(all, row.Clone())
			}
			if err != nil {
				break
			}
		}
	}
	return all
}

// TestWideIrregular writes signals at no fixed rate: a row for each time at
// which one came, with nothing held; and a column of ours that a signal's name
// would clash with.
func TestWideIrregular(t *testing.T) {
	var table decode.Table
	a, b := table.Add(decode.Info{Name: "time"}), table.Add(decode.Info{Name: "b", States: signals.Named[int64]{{Name: "off", V: 0}}})
	var file bytes.Buffer
	w, err := NewWide(&file, &table, Group{Signals: []int32{a, b}})
	if err != nil {
		t.Fatal(err)
	}
	if err := w.Write([]decode.Sample{
		{Time: 5, Signal: a, Value: 1.5}, {Time: 5, Signal: b, Value: 0}, {Time: 7, Signal: b, Value: 3}, {Time: 9, Signal: a, Status: decode.NotAvailable},
	}, 9); err != nil {
		t.Fatal(err)
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	f, err := parquet.OpenFile(bytes.NewReader(file.Bytes()), int64(file.Len()))
	if err != nil {
		t.Fatal(err)
	}
	got := ""
	for _, r := range allRows(t, f) {
		got += fmt.Sprintf("%d %v %v; ", r[0].Int64(), r[1], r[2])
	}
	if want := "5 1.5 off; 7 <null> 3; 9 <null> <null>; "; got != want {
		t.Errorf("rows %s; want %s", got, want)
	}
	if c := f.Schema().Columns(); c[1][0] != "signal time" {
		t.Errorf("columns %v; want the signal's under another name than ours", c)
	}
}

// TestWideStopsInSilence expects no rows for a pause of an hour.
func TestWideStopsInSilence(t *testing.T) {
	var table decode.Table
	a := table.Add(decode.Info{Name: "a", StaleAfter: 30e6})
	var file bytes.Buffer
	w, err := NewWide(&file, &table, Group{Period: 10 * time.Millisecond, Signals: []int32{a}})
	if err != nil {
		t.Fatal(err)
	}
	hour := capture.Stamp(3600e9)
	if err := w.Write([]decode.Sample{{Time: 1e6, Signal: a}, {Time: hour + 1e6, Signal: a}}, never); err != nil {
		t.Fatal(err)
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	f, err := parquet.OpenFile(bytes.NewReader(file.Bytes()), int64(file.Len()))
	if err != nil {
		t.Fatal(err)
	}
	if n := f.NumRows(); n < 1000 || n > 1010 {
		t.Errorf("%d rows for two samples an hour apart; want the ten seconds after the first", n)
	}
}

// TestMemory writes a long table and expects the writer to hold no more after
// twelve million rows than after four.
func TestMemory(t *testing.T) {
	var table decode.Table
	for i := range 40 {
		table.Add(decode.Info{Name: fmt.Sprintf("s%d", i), StaleAfter: 1e9})
	}
	w := NewSamples(io.Discard, &table)
	list := make([]decode.Sample, 8192)
	at := capture.Stamp(0)
	heap := func(rows int) uint64 {
		for range rows / len(list) {
			for i := range list {
				at += 1e5
				list[i] = decode.Sample{Time: at, Signal: int32(i % 40), Value: float64(i%977) / 4}
			}
			if err := w.Write(list, at); err != nil {
				t.Fatal(err)
			}
		}
		runtime.GC()
		var m runtime.MemStats
		runtime.ReadMemStats(&m)
		return m.HeapAlloc
	}
	before, after := heap(1<<21), heap(1<<22)
	if after > before+8<<20 {
		t.Errorf("%d bytes held after 2 million rows, %d after 6 million; want no growth beyond the file's index", before, after)
	}
	if after > 100<<20 {
		t.Errorf("%d bytes held; want below 100 MiB", after)
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
}

// BenchmarkSamples reports rows a second of the tidy table.
func BenchmarkSamples(b *testing.B) {
	d := newDrive(b, 60*time.Second)
	n, size := 0, 0
	for _, s := range d.steps {
		n += len(s.samples)
	}
	b.ReportAllocs()
	for b.Loop() {
		var file bytes.Buffer
		d.feed(b, NewSamples(&file, d.table), false)
		size = file.Len()
	}
	b.ReportMetric(float64(n)*float64(b.N)/b.Elapsed().Seconds(), "rows/s")
	b.ReportMetric(float64(size)/float64(n), "bytes/row")
}

var errFull = errors.New("the disk is full")

// full takes some bytes and then no more.
type full struct{ left int }

func (f *full) Write(p []byte) (int, error) {
	if f.left -= len(p); f.left < 0 {
		return 0, errFull
	}
	return len(p), nil
}

// TestErrorsOfTheDiskAreTold fills the disk at several places.
func TestErrorsOfTheDiskAreTold(t *testing.T) {
	d := newDrive(t, 5*time.Second)
	groups, err := Groups(d.file, d.table)
	if err != nil {
		t.Fatal(err)
	}
	for _, room := range []int{0, 100, 20_000} {
		for name, open := range map[string]func() (Writer, error){
			"samples":     func() (Writer, error) { return NewSamples(&full{room}, d.table), nil },
			"wide":        func() (Writer, error) { return NewWide(&full{room}, d.table, groups[0]) },
			"openmetrics": func() (Writer, error) { return NewOpenMetrics(&full{room}, new(memory), d.table, MinStep) },
		} {
			w, err := open()
			if err != nil {
				t.Fatal(err)
			}
			for _, s := range d.steps {
				err = errors.Join(err, w.Write(s.samples, s.settled))
			}
			if err = errors.Join(err, w.Close()); !errors.Is(err, errFull) {
				t.Errorf("%s with room for %d bytes: error %v; want that the disk is full", name, room, err)
			}
		}
	}
}
