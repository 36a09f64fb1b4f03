package dashboards

import (
	"context"
	"errors"
	"math"
	"slices"
	"testing"
	"time"

	"gearwitness/capture"
	"gearwitness/dashboards/board"
	"gearwitness/decode"
	"gearwitness/signals"
)

// Deeper than the pyramid the recording is decoded anew: every sample is seen,
// what held before the stretch holds in it, and what a sensor did not know is a
// gap. Where the pyramid has enough, or the recording cannot be had, it answers.
func TestHistoryFinerThanThePyramid(t *testing.T) {
	table := &decode.Table{}
	for _, in := range []decode.Info{{Name: "fast", StaleAfter: capture.Stamp(50 * time.Millisecond)}, {Name: "slow"}, {Name: "lever", States: signals.Named[int64]{{Name: "P", V: 0}, {Name: "D", V: 3}}}} {
		table.Add(in)
	}
	b := board.New(board.Options{File: &signals.File{}, Table: table})
	var samples []decode.Sample
	put := func(signal int32, at time.Duration, v float64, status decode.Status) {
		samples = append(samples, decode.Sample{Time: capture.Stamp(at), Signal: signal, Value: v, Status: status})
	}
	const ms = time.Millisecond
	put(1, 0, 7, decode.Valid)
	put(2, 0, 0, decode.Valid)
	for i := range 200 { // to 2 s, silent from 1030 to 1200 ms
		if at := time.Duration(i) * 10 * ms; at <= 1030*ms || at >= 1200*ms {
			put(0, at, float64(i), decode.Valid)
		}
	}
	put(2, 1012*ms, 0, decode.Valid)
	put(2, 1013*ms, 3, decode.Valid)
	put(1, 1100*ms, 0, decode.NotAvailable)
	b.Take(&decode.Output{Samples: samples})

	asked, fault := 0, error(nil)
	s := NewServer(Options{Board: b, Stretch: func(_ context.Context, from, to capture.Stamp, take func([]decode.Sample)) error {
		asked++
		take(samples)
		return fault
	}})
	ask := func(from, to time.Duration, points int) (board.History, bool) {
		return s.finer(t.Context(), []int32{0, 1, 2}, capture.Stamp(from), capture.Stamp(to), points)
	}
	h, ok := ask(1000*ms, 1199*ms, 20)
	if !ok || h.Step != 0.01 || len(h.X) != 20 || math.Abs(h.X[0]-1.005) > 1e-9 {
		t.Fatalf("answered %v in steps of %g s, %v", ok, h.Step, h.X)
	}
	nan := float32(math.NaN())
	var fast []float32
	for i := range 20 {
		switch {
		case i <= 3:
			fast = append(fast, float32(100+i))
		case i <= 8: // the last came at 1030 ms and counts for 50 ms
			fast = append(fast, 103)
		default:
			fast = append(fast, nan)
		}
	}
	wantColumn(t, "fast", h.Columns[0].Mid, fast)
	slow := append(slices.Repeat([]float32{7}, 10), slices.Repeat([]float32{nan}, 10)...)
	wantColumn(t, "slow", h.Columns[1].Mid, slow)
	lever := append([]float32{0}, slices.Repeat([]float32{3}, 19)...)
	wantColumn(t, "lever", h.Columns[2].Mid, lever)
	if h.Columns[2].Min[1] != 0 || h.Columns[2].Max[1] != 3 {
		t.Errorf("the lever moved from %v to %v within an interval", h.Columns[2].Min[1], h.Columns[2].Max[1])
	}

	asked = 0
	if _, ok := ask(0, 1999*ms, 10); ok || asked != 0 {
		t.Error("the recording was decoded for what the pyramid has")
	}
	fault = errors.New("gone")
	if _, ok := ask(1000*ms, 1199*ms, 20); ok || asked != 1 {
		t.Error("a recording that is gone gave an answer")
	}
	if _, ok := ask(-time.Hour, -time.Minute, 20); ok || asked != 1 {
		t.Error("there was an answer for before the beginning")
	}
}

func wantColumn(t *testing.T, name string, got, want []float32) {
	t.Helper()
	if !slices.EqualFunc(got, want, func(a, b float32) bool { return a == b || a != a && b != b }) {
		t.Errorf("%s: got %v, want %v", name, got, want)
	}
}
