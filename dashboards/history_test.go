package dashboards

import (
	"context"
	"errors"
	"math"
	"slices"
	"testing"
	"time"
	"unsafe"

	"pgregory.net/rapid"

	"gearwitness/capture"
	"gearwitness/decode"
	"gearwitness/signals"
)

// one returns a board with a single signal and a way to give it samples.
func one(info decode.Info) (*Board, func(at time.Duration, v float64, status decode.Status)) {
	t := &decode.Table{}
	info.Name = "x"
	t.Add(info)
	b := NewBoard(BoardOptions{File: &signals.File{}, Table: t})
	var out decode.Output
	return b, func(at time.Duration, v float64, status decode.Status) {
		out.Reset()
		out.Samples = append(out.Samples, decode.Sample{Time: capture.Stamp(at), Value: v, Status: status})
		b.Take(&out)
	}
}

// column asks for the one signal.
func (b *Board) ask(from, to time.Duration, points int) (History, Column) {
	h := b.History([]int32{0}, capture.Stamp(from), capture.Stamp(to), points)
	return h, h.Columns[0]
}

func same(a, b float32) bool { return a == b || a != a && b != b }

func wantColumn(t *testing.T, name string, got, want []float32) {
	t.Helper()
	ok := len(got) == len(want)
	for i := 0; ok && i < len(got); i++ {
		ok = same(got[i], want[i])
	}
	if !ok {
		t.Errorf("%s: got %v, want %v", name, got, want)
	}
}

func TestHistoryMinMaxMean(t *testing.T) {
	b, put := one(decode.Info{})
	for i := range 40 { // 0, 1, 2 ... one each 10 ms: ten a bucket
		put(time.Duration(i)*10*time.Millisecond, float64(i), decode.Valid)
	}
	h, c := b.ask(0, 399*time.Millisecond, 10)
	if h.Step != 0.1 {
		t.Errorf("step: got %g, want 0.1", h.Step)
	}
	wantColumn(t, "min", c.Min, []float32{0, 10, 20, 30})
	wantColumn(t, "max", c.Max, []float32{9, 19, 29, 39})
	wantColumn(t, "mean", c.Mid, []float32{4.5, 14.5, 24.5, 34.5})
	for i, want := range []float64{0.05, 0.15, 0.25, 0.35} {
		if math.Abs(h.X[i]-want) > 1e-9 {
			t.Errorf("x[%d]: got %g, want %g", i, h.X[i], want)
		}
	}
	_, c = b.ask(0, 399*time.Millisecond, 2)
	wantColumn(t, "min of two", c.Min, []float32{0, 20})
	wantColumn(t, "max of two", c.Max, []float32{19, 39})
	wantColumn(t, "mean of two", c.Mid, []float32{9.5, 29.5})
}

func TestHistoryGaps(t *testing.T) {
	nan := float32(math.NaN())
	t.Run("stale", func(t *testing.T) {
		b, put := one(decode.Info{StaleAfter: capture.Stamp(250 * time.Millisecond)})
		put(50*time.Millisecond, 7, decode.Valid)
		put(1050*time.Millisecond, 8, decode.Valid)
		_, c := b.ask(0, 1099*time.Millisecond, 100)
		// Bucket 0 has the sample; 1 to 3 begin less than 250 ms after its end.
		wantColumn(t, "mid", c.Mid, []float32{7, 7, 7, 7, nan, nan, nan, nan, nan, nan, 8})
	})
	t.Run("never stale", func(t *testing.T) {
		b, put := one(decode.Info{})
		put(50*time.Millisecond, 7, decode.Valid)
		put(450*time.Millisecond, 8, decode.Valid)
		_, c := b.ask(0, 499*time.Millisecond, 100)
		wantColumn(t, "mid", c.Mid, []float32{7, 7, 7, 7, 8})
	})
	t.Run("not available", func(t *testing.T) {
		b, put := one(decode.Info{StaleAfter: capture.Stamp(time.Second)})
		put(50*time.Millisecond, 7, decode.Valid)
		put(150*time.Millisecond, 0, decode.NotAvailable)
		put(450*time.Millisecond, 8, decode.Valid)
		_, c := b.ask(0, 499*time.Millisecond, 100)
		wantColumn(t, "mid", c.Mid, []float32{7, nan, nan, nan, 8})
	})
	t.Run("implausible and NaN", func(t *testing.T) {
		b, put := one(decode.Info{})
		put(50*time.Millisecond, 65535, decode.Implausible)
		put(150*time.Millisecond, math.NaN(), decode.Valid)
		_, c := b.ask(0, 199*time.Millisecond, 100)
		wantColumn(t, "mid", c.Mid, []float32{nan, nan})
	})
	t.Run("value before the stretch", func(t *testing.T) {
		b, put := one(decode.Info{StaleAfter: capture.Stamp(time.Second)})
		put(50*time.Millisecond, 7, decode.Valid)
		put(950*time.Millisecond, 8, decode.Valid)
		_, c := b.ask(300*time.Millisecond, 500*time.Millisecond, 100)
		wantColumn(t, "mid", c.Mid, []float32{7, 7, 7})
	})
}

func TestHistoryStates(t *testing.T) {
	b, put := one(decode.Info{States: signals.Named[int64]{{Name: "1", V: 1}, {Name: "5", V: 5}}})
	put(10*time.Millisecond, 1, decode.Valid)
	put(20*time.Millisecond, 5, decode.Valid)
	_, c := b.ask(0, 99*time.Millisecond, 1)
	wantColumn(t, "mid", c.Mid, []float32{5}) // not 3: there is no gear between
}

func TestHistoryLate(t *testing.T) {
	b, put := one(decode.Info{})
	put(500*time.Millisecond, 1, decode.Valid)
	put(350*time.Millisecond, 9, decode.Valid)
	if b.late != 1 {
		t.Errorf("late: got %d, want 1", b.late)
	}
	if b.latest[0].v != 1 {
		t.Errorf("latest: got %g, want 1: an older sample must not replace a newer one", b.latest[0].v)
	}
}

// A spike of one sample must be seen from any distance.
func TestHistoryLevels(t *testing.T) {
	b, put := one(decode.Info{StaleAfter: capture.Stamp(time.Second)})
	const hours = 4
	spike := 40 * time.Minute
	for at := time.Duration(0); at < hours*time.Hour; at += 200 * time.Millisecond {
		v := 1000.0
		if at == spike {
			v = 4000
		}
		put(at, v, decode.Valid)
	}
	for _, tt := range []struct {
		name     string
		from, to time.Duration
		points   int
		step     float64
		spike    bool
	}{
		{"last minute", hours*time.Hour - time.Minute, hours * time.Hour, 600, 0.1, false},
		{"last minute, few points", hours*time.Hour - time.Minute, hours * time.Hour, 60, 1, false},
		{"around the spike, beyond the seconds", spike - time.Minute, spike + time.Minute, 600, 10, true},
		{"an hour and a half back", 150 * time.Minute, 160 * time.Minute, 600, 1, false},
		{"everything", 0, hours * time.Hour, 300, 50, true},
	} {
		t.Run(tt.name, func(t *testing.T) {
			h, c := b.ask(tt.from, tt.to, tt.points)
			if h.Step != tt.step {
				t.Errorf("step: got %g s, want %g", h.Step, tt.step)
			}
			if len(h.X) > tt.points {
				t.Errorf("got %d points, want at most %d", len(h.X), tt.points)
			}
			found := false
			for i := range c.Max {
				found = found || c.Max[i] == 4000
				if c.Min[i] != 1000 {
					t.Fatalf("min at %g s: got %g, want 1000", h.X[i], c.Min[i])
				}
				if i > 0 && h.X[i] <= h.X[i-1] {
					t.Fatalf("x does not ascend at %d: %g after %g", i, h.X[i], h.X[i-1])
				}
			}
			if found != tt.spike {
				t.Errorf("spike seen: got %t, want %t", found, tt.spike)
			}
		})
	}
}

// Against the plain computation over all samples, for any samples and question.
func TestHistoryAgainstPlain(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		b, put := one(decode.Info{StaleAfter: 1})
		type sample struct {
			at time.Duration
			v  float64
		}
		var all []sample
		at := time.Duration(rapid.Int64Range(-1e9, 1e9).Draw(t, "begin"))
		for range rapid.IntRange(1, 60).Draw(t, "samples") {
			at += time.Duration(rapid.Int64Range(0, 3e8).Draw(t, "step"))
			v := float64(rapid.IntRange(-1000, 1000).Draw(t, "value"))
			all = append(all, sample{at, v})
			put(at, v, decode.Valid)
		}
		points := rapid.IntRange(1, 50).Draw(t, "points")
		from := all[0].at + time.Duration(rapid.Int64Range(0, 2e9).Draw(t, "from"))
		h, c := b.ask(from, all[len(all)-1].at, points)
		for i, x := range h.X {
			lo, hi, n := math.Inf(1), math.Inf(-1), 0
			left := time.Duration(math.Round((x-h.Step/2)*1e9)) + all[0].at
			right := left + time.Duration(math.Round(h.Step*1e9))
			for _, s := range all {
				if s.at >= left && s.at < right {
					lo, hi, n = min(lo, s.v), max(hi, s.v), n+1
				}
			}
			if n > 0 && (float64(c.Min[i]) != lo || float64(c.Max[i]) != hi) {
				t.Fatalf("from %v to %v: got %g to %g, want %g to %g", left, right, c.Min[i], c.Max[i], lo, hi)
			}
			if n > 0 && !(c.Mid[i] >= c.Min[i] && c.Mid[i] <= c.Max[i]) {
				t.Fatalf("mean %g outside %g to %g", c.Mid[i], c.Min[i], c.Max[i])
			}
		}
	})
}

func TestHistoryMemory(t *testing.T) {
	if s := unsafe.Sizeof(bucket{}); s != bucketBytes {
		t.Errorf("a bucket takes %d bytes, want %d", s, bucketBytes)
	}
	for _, n := range []int{10, 300, 5000} {
		table := &decode.Table{Signals: make([]decode.Info, n)}
		h := newHistory(table)
		sum := 0
		for _, l := range h.lengths {
			sum += l
		}
		if total := n * sum * bucketBytes; total > historyBytes {
			t.Errorf("%d signals: rings take %d bytes, want at most %d", n, total, historyBytes)
		}
	}
}

// A clock that jumps far ahead must not take long: the rings are cleared once.
func TestHistoryJump(t *testing.T) {
	b, put := one(decode.Info{})
	put(0, 1, decode.Valid)
	put(1<<62, 2, decode.Valid)
	if h, c := b.ask(0, 1<<62, 10); len(h.X) > 10 || c.Mid[len(c.Mid)-1] != 2 {
		t.Errorf("after a jump: got %d points ending with %v, want at most 10 ending with 2", len(h.X), c.Mid)
	}
}

// Deeper than the pyramid the recording is decoded anew: every sample is seen,
// what held before the stretch holds in it, and what a sensor did not know is a
// gap. Where the pyramid has enough, or the recording cannot be had, it answers.
func TestHistoryFinerThanThePyramid(t *testing.T) {
	table := &decode.Table{}
	for _, in := range []decode.Info{{Name: "fast", StaleAfter: capture.Stamp(50 * time.Millisecond)}, {Name: "slow"}, {Name: "lever", States: signals.Named[int64]{{Name: "P", V: 0}, {Name: "D", V: 3}}}} {
		table.Add(in)
	}
	b := NewBoard(BoardOptions{File: &signals.File{}, Table: table})
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
	ask := func(from, to time.Duration, points int) (History, bool) {
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
