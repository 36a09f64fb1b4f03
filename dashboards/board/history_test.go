package board

import (
	"math"
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
	b := New(Options{File: &signals.File{}, Table: t})
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
