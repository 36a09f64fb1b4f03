package export

import (
	"bytes"
	"errors"
	"io"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"github.com/parquet-go/parquet-go"

	"gearwitness/decode"
)

// TestCheck compares tables with the drive they came from: written as here, by
// another hand with other pages, and of another drive.
func TestCheck(t *testing.T) {
	d := newDrive(t, 20*time.Second)
	groups, err := Groups(d.file, d.table)
	if err != nil {
		t.Fatal(err)
	}
	schema := tidyColumns()
	type kind struct {
		write func(io.Writer) Writer
		check func(*bytes.Reader) (Writer, error)
	}
	kinds := map[string]kind{
		"samples": {
			func(w io.Writer) Writer { return NewSamples(w, d.table) },
			func(f *bytes.Reader) (Writer, error) { return CheckSamples(f, f.Size(), d.table) },
		},
		"samples in small pages, not compressed": {
			func(w io.Writer) Writer {
				f := newFile(w, schema.schema("samples"), len(schema.order), 1000)
				f.w = parquet.NewGenericWriter[any](w, schema.schema("samples"), parquet.PageBufferSize(1000), parquet.DataPageVersion(1))
				f.cols, f.group = f.w.ColumnWriters(), rowsPerBatch
				return newSamples(f, schema, d.table)
			},
			func(f *bytes.Reader) (Writer, error) { return CheckSamples(f, f.Size(), d.table) },
		},
	}
	for _, g := range groups {
		kinds[g.Name()] = kind{
			func(w io.Writer) Writer {
				x, err := NewWide(w, d.table, g)
				if err != nil {
					t.Fatal(err)
				}
				return x
			},
			func(f *bytes.Reader) (Writer, error) { return CheckWide(f, f.Size(), d.table, g) },
		}
	}
	for name, k := range kinds {
		t.Run(name, func(t *testing.T) {
			var b bytes.Buffer
			d.feed(t, k.write(&b), false)
			c, err := k.check(bytes.NewReader(b.Bytes()))
			if err != nil {
				t.Fatal(err)
			}
			d.feed(t, c, true) // fails at any difference
		})
	}

	var b bytes.Buffer
	d.feed(t, NewSamples(&b, d.table), false)
	held := func(change func(*decode.Sample), steps int) error {
		c, err := CheckSamples(bytes.NewReader(b.Bytes()), int64(b.Len()), d.table)
		if err != nil {
			return err
		}
		changed := false
		for i, s := range d.steps[:steps] {
			list := append([]decode.Sample(nil), s.samples...)
			if !changed && i >= len(d.steps)/2 && len(list) > 3 {
				changed = true
				change(&list[3])
			}
			if err := c.Write(list, s.settled); err != nil {
				return err
			}
		}
		return c.Close()
	}
	keep := func(*decode.Sample) {}
	for name, x := range map[string]struct {
		err  error
		want string
	}{
		"a value":      {held(func(s *decode.Sample) { s.Value++ }, len(d.steps)), "column value: the table says"},
		"a time":       {held(func(s *decode.Sample) { s.Time += 1 }, len(d.steps)), "column time: the table says"},
		"another one":  {held(func(s *decode.Sample) { s.Signal++ }, len(d.steps)), "row "},
		"its status":   {held(func(s *decode.Sample) { s.Status = decode.Faulty }, len(d.steps)), "the recording gives nothing"},
		"fewer rows":   {held(keep, len(d.steps)/2), "row"},
		"nothing else": {held(keep, len(d.steps)), ""},
	} {
		var different *Different
		if x.want == "" && x.err != nil || x.want != "" && (!errors.As(x.err, &different) || !strings.Contains(x.err.Error(), x.want)) {
			t.Errorf("%s: got %v, want %q", name, x.err, x.want)
		}
	}
	if _, err := CheckWide(bytes.NewReader(b.Bytes()), int64(b.Len()), d.table, groups[0]); err == nil || !strings.Contains(err.Error(), "other columns") {
		t.Errorf("another table: got %v", err)
	}

	// Damaged tables are told, and none is taken for another drive's: never a panic.
	r := rand.New(rand.NewPCG(1, 2))
	for range 60 {
		bad := bytes.Clone(b.Bytes())
		if at := len(bad) - 1 - r.IntN(9000); r.IntN(4) > 0 {
			bad[at] ^= 1 << r.IntN(8)
		} else {
			bad = bad[:at]
		}
		c, err := CheckSamples(bytes.NewReader(bad), int64(len(bad)), d.table)
		for i := 0; err == nil && i < len(d.steps); i++ {
			err = c.Write(d.steps[i].samples, d.steps[i].settled)
		}
		var different *Different
		if err != nil && !errors.As(err, &different) {
			t.Errorf("a damaged table: %v, want a difference", err)
		}
	}
}
