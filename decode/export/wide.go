package export

import (
	"cmp"
	"fmt"
	"io"
	"slices"
	"time"

	"github.com/parquet-go/parquet-go"

	"gearwitness/capture"
	"gearwitness/decode"
	"gearwitness/decode/pipeline"
	"gearwitness/signals"
)

// silence is how long none of a group's signals may come before its rows stop:
// a pause of the recording is no table of empty rows.
const silence capture.Stamp = 10e9

// Group is signals that are expected at the same rate and make one wide table.
type Group struct {
	Period  time.Duration // 0: at no fixed rate
	Signals []int32       // indexes of the table of signals
}

// Name is the group's name, good for a file: 10ms, 1s, irregular.
func (g Group) Name() string {
	if g.Period <= 0 {
		return "irregular"
	}
	return g.Period.String()
}

// Groups sorts all signals by the rate at which they are expected, the fastest
// group first and those at no fixed rate last: a signal of a frame by the
// frame's period, a computed one by the fastest of its inputs, a result of the
// analysis by the analysis's step.
func Groups(f *signals.File, t *decode.Table) ([]Group, error) {
	period := make([]time.Duration, len(t.Signals))
	for i := range t.Signals {
		switch in := &t.Signals[i]; in.Origin {
		case decode.FromAnalysis:
			period[i] = time.Duration(pipeline.Tick)
		case decode.FromLine:
			period[i] = time.Duration(in.StaleAfter / 3) // three periods make it stale
		}
	}
	for i := range f.Frames {
		for _, s := range f.Frames[i].V.Signals {
			if k := t.Index(s.Name); k >= 0 {
				period[k] = f.Frames[i].V.Every
			}
		}
	}
	direct, derived, err := decode.Formulas(f, t)
	if err != nil {
		return nil, err
	}
	for _, c := range slices.Concat(direct, derived) {
		for _, in := range c.Formula.Inputs() {
			if p := period[in]; p > 0 && (period[c.Signal] == 0 || p < period[c.Signal]) {
				period[c.Signal] = p
			}
		}
	}
	var groups []Group
	for i, p := range period {
		k := slices.IndexFunc(groups, func(g Group) bool { return g.Period == p })
		if k < 0 {
			k = len(groups)
			groups = append(groups, Group{Period: p})
		}
		groups[k].Signals = append(groups[k].Signals, int32(i))
	}
	slices.SortFunc(groups, func(a, b Group) int {
		switch {
		case a.Period == 0:
			return 1
		case b.Period == 0:
			return -1
		}
		return cmp.Compare(a.Period, b.Period)
	})
	return groups, nil
}

// Wide writes one group as a table with a column for each signal, after the
// column time. A row stands at every whole multiple of the group's period and
// holds each signal's last value at that time, as long as it counts: none where
// it has grown stale, is not available, in error or implausible. Signals with
// states are text. Where none of the group's signals came for 10 s there are no
// rows.
//
// A group at no fixed rate has a row for every time at which one of its signals
// came, and in it the values of that time alone.
//
// The exact times of all samples are in the tidy table.
type Wide struct {
	t       *table
	info    []decode.Info
	signals []int32
	column  []int // by signal of the table: its column, 0 for none
	states  [][]parquet.Value
	view    *decode.View
	period  capture.Stamp
	order   order

	begun bool
	next  capture.Stamp // row under way
	last  capture.Stamp // sample taken in last
}

// NewWide returns a writer of one group's table.
func NewWide(w io.Writer, t *decode.Table, g Group) (*Wide, error) {
	return newWide(t, g, func(c columns) (sink, error) {
		return newFile(w, c.schema("signals"), len(c.order), widePageBytes), nil
	})
}

// CheckWide returns a writer that writes nothing and compares each row with the
// group's table in file; see Different.
func CheckWide(file io.ReaderAt, size int64, t *decode.Table, g Group) (*Wide, error) {
	return newWide(t, g, func(c columns) (sink, error) { return newCheck(file, size, c, c.schema("signals")) })
}

func newWide(t *decode.Table, g Group, open func(columns) (sink, error)) (*Wide, error) {
	if len(g.Signals) == 0 {
		return nil, fmt.Errorf("a wide table needs signals; the group %s has none", g.Name())
	}
	var c columns
	c.add("time", timeColumn())
	x := &Wide{info: t.Signals, signals: g.Signals, column: make([]int, len(t.Signals)),
		states: make([][]parquet.Value, len(t.Signals)), view: decode.NewView(t), period: capture.Stamp(g.Period)}
	for i, s := range g.Signals {
		in := &t.Signals[s]
		node := numberColumn()
		if len(in.States) > 0 {
			node = textColumn()
			x.states[s] = stateValues(in)
		}
		name := in.Name
		if name == "time" {
			name = "signal time"
		}
		c.add(name, parquet.Optional(node))
		x.column[s] = i + 1
	}
	to, err := open(c)
	if err != nil {
		return nil, err
	}
	x.t = newTable(to, c)
	return x, nil
}

// Write takes in samples; see Writer. Those of other groups are passed over.
func (x *Wide) Write(samples []decode.Sample, settled capture.Stamp) error {
	for _, s := range x.order.take(samples, settled) {
		if x.column[s.Signal] == 0 {
			continue
		}
		if err := x.advance(s.Time); err != nil {
			return err
		}
		x.view.Put(s)
		x.last = s.Time
	}
	return nil
}

// advance writes the rows before time t.
func (x *Wide) advance(t capture.Stamp) error {
	switch {
	case x.period == 0:
		if x.begun && t > x.next {
			if err := x.row(x.next); err != nil {
				return err
			}
		}
		x.begun, x.next = true, t
		return nil
	case !x.begun:
		x.begun, x.next, x.last = true, gridUp(t, x.period), t
		return nil
	}
	for x.next < t && x.next <= x.last+silence {
		if err := x.row(x.next); err != nil {
			return err
		}
		x.next += x.period
	}
	if x.next < t {
		x.next = gridUp(t, x.period)
	}
	return nil
}

// gridUp is the first multiple of period at or after t.
func gridUp(t, period capture.Stamp) capture.Stamp {
	g := t - t%period
	if g < t {
		g += period
	}
	return g
}

func (x *Wide) row(at capture.Stamp) error {
	x.t.put(0, parquet.Int64Value(int64(at)))
	for i, sig := range x.signals {
		s, ok := x.view.Latest(sig, at)
		if x.period == 0 {
			ok = ok && s.Time == at
		}
		switch {
		case !ok || s.Status != decode.Valid:
			x.t.none(i + 1)
		case x.states[sig] == nil:
			x.t.some(i+1, parquet.DoubleValue(s.Value))
		default:
			if k := stateIndex(&x.info[sig], s.Value); k >= 0 {
				x.t.some(i+1, x.states[sig][k])
			} else {
				// A raw value that the file gives no name is still a value.
				x.t.some(i+1, text(fmt.Sprint(s.Value)))
			}
		}
	}
	return x.t.end()
}

// Close ends the table. The last row stands at or before the last sample.
func (x *Wide) Close() error {
	if err := x.Write(nil, never); err != nil {
		return err
	}
	if x.begun {
		if x.period == 0 {
			if err := x.row(x.next); err != nil {
				return err
			}
		} else if err := x.advance(x.last + 1); err != nil {
			return err
		}
	}
	return x.t.close()
}
