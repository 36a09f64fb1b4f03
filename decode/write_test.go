package decode

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"math"
	"strconv"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"gearwitness/capture"
	"gearwitness/signals"
)

func TestSamplesAsCommaSeparatedValues(t *testing.T) {
	var table Table
	a := table.Add(Info{Name: "speed", Unit: "rpm"})
	b := table.Add(Info{Name: `slip.odd, "high" clutch`, Unit: "rpm"})
	c := table.Add(Info{Name: "lever", States: named[int64]("P", int64(0), "D, sport", int64(3))})
	var out bytes.Buffer
	w := NewSampleWriter(&out, &table)
	for _, step := range []struct {
		settled capture.Stamp
		samples []Sample
	}{
		{9, []Sample{{Time: 5, Signal: a, Value: 0.1 * 3}, {Time: 10, Signal: c, Value: 3}, {Time: 10, Signal: c, Value: 7}}},
		{20, []Sample{{Time: 10, Signal: b, Status: NotAvailable}, {Time: 1500000000, Signal: a, Status: Faulty}}},
		{20, []Sample{{Time: 21, Signal: a, Status: Implausible, Value: -1e15}}},
	} {
		if err := w.Write(step.samples, step.settled); err != nil {
			t.Fatal(err)
		}
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	want := `time_s,signal,value,unit
0.000000005,speed,0.3,rpm
0.00000001,lever,"D, sport",
0.00000001,lever,7,
0.00000001,"slip.odd, ""high"" clutch",not available,rpm
0.000000021,speed,-1000000000000000,rpm
1.5,speed,error,rpm
`
	if out.String() != want {
		t.Errorf("got\n%swant\n%s", out.String(), want)
	}
	rows, err := csv.NewReader(&out).ReadAll()
	if err != nil || len(rows) != 7 || rows[4][1] != table.Signals[b].Name {
		t.Errorf("encoding/csv reads %q, %v", rows, err)
	}
}

// Samples come out in order of time, whatever portions they are given in.
func TestSamplesAreWrittenInOrder(t *testing.T) {
	var table Table
	direct, late := table.Add(Info{Name: "direct"}), table.Add(Info{Name: "late"})
	write := func(portions []int) string {
		var out strings.Builder
		w := NewSampleWriter(&out, &table)
		for now := int64(0); now < 60; {
			n := min(int64(portions[int(now)%len(portions)]), 60-now)
			var list []Sample
			for i := now; i < now+n; i++ {
				list = append(list, Sample{Time: capture.Stamp(i), Signal: direct, Value: float64(i)})
				if i >= 7 {
					list = append(list, Sample{Time: capture.Stamp(i - 7), Signal: late, Value: float64(i)})
				}
			}
			now += n
			if err := w.Write(list, capture.Stamp(now-8)); err != nil {
				t.Fatal(err)
			}
		}
		if err := w.Close(); err != nil {
			t.Fatal(err)
		}
		return out.String()
	}
	want := write([]int{60})
	times := strings.Split(want, "\n")[1:]
	last := -1.0
	for _, row := range times[:len(times)-1] {
		v, err := strconv.ParseFloat(strings.Split(row, ",")[0], 64)
		if err != nil || v < last {
			t.Fatalf("row %q after %g: %v", row, last, err)
		}
		last = v
	}
	for _, portions := range [][]int{{1}, {3, 5}, {20, 1, 1}} {
		if got := write(portions); got != want {
			t.Errorf("in portions of %v: %d bytes that are not the %d expected", portions, len(got), len(want))
		}
	}
}

func TestSecondsAreExact(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		ns := rapid.OneOf(rapid.Int64(), rapid.Just(int64(math.MinInt64)), rapid.Just(int64(0))).Draw(t, "ns")
		text := string(AppendSeconds(nil, ns))
		whole, frac, dotted := strings.Cut(text, ".")
		if dotted && (frac == "" || strings.HasSuffix(frac, "0") || len(frac) > 9) {
			t.Fatalf("%d ns: %s", ns, text)
		}
		digits := whole + frac + strings.Repeat("0", 9-len(frac))
		if back, err := strconv.ParseInt(digits, 10, 64); err != nil || back != ns {
			t.Fatalf("%d ns: %s reads back as %d, %v", ns, text, back, err)
		}
		if !json.Valid([]byte(text)) {
			t.Fatalf("%s is no JSON number", text)
		}
	})
}

// Numbers print as the plain way does it: round to twelve significant digits,
// then the shortest decimal.
func TestNumbersPrintLikeTwelveDigits(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		raw := rapid.Int64Range(-1<<33, 1<<33).Draw(t, "raw")
		step := rapid.SampledFrom([]float64{1, 0.1, 0.25, 0.01, 0.4, 0.001, 1.0 / 256, 1e-5, 1.0 / 3, 1e-9, 1e6}).Draw(t, "step")
		v := float64(raw)*step + rapid.SampledFrom([]float64{0, -40, -273, 0.05}).Draw(t, "offset")
		rounded, err := strconv.ParseFloat(fmt.Sprintf("%.11e", v), 64)
		if err != nil {
			t.Fatal(err)
		}
		want := strconv.FormatFloat(rounded, 'f', -1, 64)
		if want == "-0" {
			want = "0"
		}
		if got := string(appendNumber(nil, v)); got != want {
			t.Errorf("%v: got %s, want %s", v, got, want)
		}
	})
}

func TestEventsAsLines(t *testing.T) {
	var out strings.Builder
	err := WriteEvents(&out, []Event{
		{Time: 1500000000, Kind: KindMark, Fields: struct {
			Text string `json:"text"`
		}{"a\nb"}},
		{Time: -1, Kind: "empty"},
	})
	want := `{"time_s":1.5,"kind":"mark","text":"a\nb"}
{"time_s":-0.000000001,"kind":"empty"}
`
	if err != nil || out.String() != want {
		t.Errorf("got %s, %v, want %s", out.String(), err, want)
	}
	if err := WriteEvents(&out, []Event{{Kind: "list", Fields: []int{1}}}); err == nil {
		t.Error("fields that are no object were written")
	}
}

// An event that comes late but before its time is settled is written in its place;
// events of one time keep their order.
func TestEventsInOrder(t *testing.T) {
	var out strings.Builder
	w := NewEventWriter(&out)
	steps := []struct {
		events  []Event
		settled capture.Stamp
		want    string // kinds written so far
	}{
		{[]Event{{Time: 3, Kind: "c"}, {Time: 1, Kind: "a"}}, 0, ""},
		{[]Event{{Time: 5, Kind: "e"}}, 1, "a"},
		{[]Event{{Time: 3, Kind: "d"}, {Time: 2, Kind: "b"}}, 4, "abcd"},
		{nil, 4, "abcd"},
	}
	kinds := func() string {
		var s strings.Builder
		for line := range strings.Lines(out.String()) {
			var e struct{ Kind string }
			if err := json.Unmarshal([]byte(line), &e); err != nil {
				t.Fatal(err)
			}
			s.WriteString(e.Kind)
		}
		return s.String()
	}
	for i, s := range steps {
		if err := w.Write(s.events, s.settled); err != nil {
			t.Fatal(err)
		}
		if got := kinds(); got != s.want {
			t.Errorf("after step %d: %q, want %q", i, got, s.want)
		}
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	if got := kinds(); got != "abcde" {
		t.Errorf("%q, want abcde", got)
	}
}

func BenchmarkWriteSamples(b *testing.B) {
	var table Table
	table.Add(Info{Name: "drum_speed", Unit: "rpm"})
	table.Add(Info{Name: "lever", States: signals.States{{Name: "P", V: 0}, {Name: "D", V: 3}}})
	list := make([]Sample, 1000)
	for i := range list {
		list[i] = Sample{Time: capture.Stamp(int64(i) * 1234567), Signal: int32(i % 2), Value: []float64{float64(i) * 0.25, 3}[i%2]}
	}
	w := NewSampleWriter(discard{}, &table)
	b.ReportAllocs()
	for b.Loop() {
		if err := w.Write(list, never); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N*len(list)), "ns/sample")
}

type discard struct{}

func (discard) Write(p []byte) (int, error) { return len(p), nil }
