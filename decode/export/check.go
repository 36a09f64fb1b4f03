package export

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"math"

	"github.com/parquet-go/parquet-go"
)

// Different tells where a table does not say what it should. It is by values
// that tables are compared and not by bytes: Parquet leaves to its writer how runs
// are packed and pages cut, and does so differently from one processor and one
// version to the next.
type Different struct {
	Row    int64 // from 1; 0: it is not about one row
	Column string
	Text   string
}

// Error is the difference in one line.
func (d *Different) Error() string {
	if d.Row == 0 {
		return d.Text
	}
	return fmt.Sprintf("row %d, column %s: %s", d.Row, d.Column, d.Text)
}

// check compares rows with those of a table, a page of each column at a time.
type check struct {
	names []string
	cols  []cursor
	total int64 // rows that the table has
	done  int64
}

// cursor reads one column.
type cursor struct {
	chunks []parquet.ColumnChunk // not begun yet
	pages  parquet.Pages
	page   parquet.Page
	values parquet.ValueReader
	buf    []parquet.Value
}

func newCheck(file io.ReaderAt, size int64, c columns, schema *parquet.Schema) (k *check, err error) {
	defer unreadable(&err)
	f, err := parquet.OpenFile(file, size, parquet.SkipPageIndex(true), parquet.SkipBloomFilters(true))
	if err != nil {
		return nil, &Different{Text: fmt.Sprintf("cannot be read as a table: %v", err)}
	}
	if got, want := f.Schema().String(), schema.String(); got != want {
		return nil, &Different{Text: "has other columns than the recording gives"}
	}
	k = &check{names: c.order, cols: make([]cursor, len(c.order)), total: f.NumRows()}
	for i := range k.cols {
		k.cols[i].buf = make([]parquet.Value, rowsPerBatch)
		for _, g := range f.RowGroups() {
			k.cols[i].chunks = append(k.cols[i].chunks, g.ColumnChunks()[i])
		}
	}
	return k, nil
}

// unreadable turns what the library makes of a file that is no table into a
// difference; foreign bytes make it panic.
func unreadable(err *error) {
	if p := recover(); p != nil {
		*err = &Different{Text: fmt.Sprintf("cannot be read as a table: %v", p)}
	}
}

func (k *check) take(batch [][]parquet.Value, rows int) (err error) {
	defer unreadable(&err)
	for i := range k.cols {
		if err := k.column(i, batch[i]); err != nil {
			return err
		}
	}
	k.done += int64(rows)
	return nil
}

// column compares the next values of a column.
func (k *check) column(i int, want []parquet.Value) error {
	c := &k.cols[i]
	for at := 0; at < len(want); {
		got, err := c.next(len(want) - at)
		if err == io.EOF {
			return k.rows()
		}
		if err != nil {
			return &Different{Text: fmt.Sprintf("cannot be read as a table: column %s: %v", k.names[i], err)}
		}
		for j, v := range got {
			if w := want[at+j]; !same(v, w) {
				return &Different{Row: k.done + int64(at+j) + 1, Column: k.names[i], Text: fmt.Sprintf("the table says %s, the recording gives %s", shown(v), shown(w))}
			}
		}
		at += len(got)
	}
	return nil
}

func (k *check) rows() error {
	return &Different{Text: fmt.Sprintf("has %d rows, the recording gives another number", k.total)}
}

func (k *check) close() error {
	if k.done != k.total {
		return k.rows()
	}
	return nil
}

// next returns at most n values, one or more, until the next call; io.EOF at the
// end.
func (c *cursor) next(n int) ([]parquet.Value, error) {
	for {
		if c.values != nil {
			got, err := c.values.ReadValues(c.buf[:min(n, len(c.buf))])
			if got > 0 {
				return c.buf[:got], nil
			}
			if err != nil && !errors.Is(err, io.EOF) {
				return nil, err
			}
			parquet.Release(c.page)
			c.values = nil
		}
		if c.pages == nil {
			if len(c.chunks) == 0 {
				return nil, io.EOF
			}
			c.pages, c.chunks = c.chunks[0].Pages(), c.chunks[1:]
		}
		page, err := c.pages.ReadPage()
		switch {
		case errors.Is(err, io.EOF):
			c.pages.Close()
			c.pages = nil
		case err != nil:
			return nil, err
		default:
			c.page, c.values = page, page.Values()
		}
	}
}

// same compares numbers by their bits.
func same(a, b parquet.Value) bool {
	switch {
	case a.IsNull() || b.IsNull():
		return a.IsNull() && b.IsNull()
	case a.Kind() != b.Kind():
		return false
	case a.Kind() == parquet.Double:
		return math.Float64bits(a.Double()) == math.Float64bits(b.Double())
	case a.Kind() == parquet.Int64:
		return a.Int64() == b.Int64()
	}
	return bytes.Equal(a.ByteArray(), b.ByteArray())
}

func shown(v parquet.Value) string {
	switch {
	case v.IsNull():
		return "nothing"
	case v.Kind() == parquet.ByteArray:
		return fmt.Sprintf("%.60q", v.ByteArray())
	}
	return fmt.Sprint(v)
}
