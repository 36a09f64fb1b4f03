package compare

import (
	"bytes"
	"encoding/json"
	"math"
	"reflect"
	"strings"
	"testing"

	"gearwitness/capture"
	"gearwitness/decode"
	"gearwitness/decode/pipeline"
	"gearwitness/decode/readings"
	"gearwitness/signals"
)

// A record read back is what was written, and written again the same bytes; that of a
// drive with trouble has something in every list that a drive can fill.
func TestRecordIsReadBack(t *testing.T) {
	r := drive(t, map[string][]string{"drive": {"varied"}, "for": {"4m"}, "seed": {"5"}, "fault": {"odd-gears-clutch-slips", "drum-speed-drops-out@2m", "lock-up-clutch-shudders"}})
	v := 12.5
	r.Readings = []readings.Entry{{Reading: "odd_gears_coil", Value: &v, Unit: "Ω", Verdict: "good"}}
	if len(r.Lost) == 0 || len(r.Holds) == 0 || len(r.Slips) == 0 || len(r.Locks) == 0 || len(r.LockTimes) == 0 || len(r.Engagements) == 0 || len(r.Moments) == 0 || len(r.SwitchTimes) == 0 || len(r.Parts) == 0 || len(r.Suspects) == 0 || r.Oil == nil || r.Moved <= 0 || r.Seconds < r.Moved {
		t.Errorf("record of a faulty drive: %d lost, %d holds, %d slips, %d locks, %d lock times, %d engagements, %d moments, %d switch times, %d parts, %d suspects, %.1f of %.1f s moved; want some of each",
			len(r.Lost), len(r.Holds), len(r.Slips), len(r.Locks), len(r.LockTimes), len(r.Engagements), len(r.Moments), len(r.SwitchTimes), len(r.Parts), len(r.Suspects), r.Moved, r.Seconds)
	}
	var first, second bytes.Buffer
	if err := r.WriteJSON(&first); err != nil {
		t.Fatal(err)
	}
	back, err := Read(bytes.NewReader(first.Bytes()))
	if err != nil {
		t.Fatal(err)
	}
	if err := back.WriteJSON(&second); err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(first.Bytes(), second.Bytes()) {
		t.Error("read and written again, the record has other bytes")
	}
	if !reflect.DeepEqual(back.Holds, r.Holds) || !reflect.DeepEqual(back.Suspects, r.Suspects) || !reflect.DeepEqual(back.Moments, r.Moments) {
		t.Error("read back, the record is another")
	}
	if n := bytes.Count(first.Bytes(), []byte("\n")); n < len(r.Shifts)+len(r.Holds)+len(r.Moments) {
		t.Errorf("%d lines; want a line for each entry", n)
	}
}

// The format of before had gears and shifts only; newer ones and what is none are
// refused with what to do.
func TestReadRefuses(t *testing.T) {
	old := `{"format":1,
"gears":[{"name":"1","ratio":4.1},{"name":"2","ratio":2.3}],
"shifts":[
{"from":"1","to":"2","start_s":12.345678901,"end_s":12.7,"duration_s":0.354321099,"direction":"up","settled":true,"held":true,"overshoot":0,"flare_rpm":3.5,"uncertainty_s":0.005,"curve":[[-0.1,0.01],[0.2,0.5]]}
]}
`
	r, err := Read(strings.NewReader(old))
	if err != nil || len(r.Shifts) != 1 || *r.Shifts[0].Start != 12_345_678_901 || *r.Shifts[0].Duration != 354_321_099 || r.Shifts[0].Curve[1] != (Point{0.2, 0.5}) || r.Gears[1].Ratio != 2.3 {
		t.Errorf("format 1: %+v, %v; want its gears and its shift, to the nanosecond", r, err)
	}
	if c := Compare(r, r); !strings.Contains(strings.Join(c.Notes, " "), "known by its shifts only") || len(c.Rows) == 0 {
		t.Errorf("format 1 compared: %q with %d rows; want its shifts compared, and said that there is no more", c.Notes, len(c.Rows))
	}
	for text, want := range map[string]string{
		`{"format":3}`:                          "use a newer program",
		`{"shifts":[]}`:                         "no format",
		`[]`:                                    "shifts file",
		"{\"format\":2,\n\"shifts\":[\n{]}":     "line 3",
		`{"format":2,"shifts":[{"curve":[1]}]}`: "shifts file",
		`{"format":2,"shifts":[{"curve":[[1,2,3]],"start_s":1}]}`: "point of a curve",
		`{"format":2,"shifts":[{"start_s":1e300}]}`:               "expected seconds",
	} {
		if _, err := Read(strings.NewReader(text)); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: %v; want an error with %q", text, err, want)
		}
	}
}

// FuzzRead: whatever is read can be compared with itself and with a sound record.
func FuzzRead(f *testing.F) {
	f.Add([]byte(`{"format":2,"gears":[{"name":"1","ratio":4}],"holds":[{"element":"a","gear":"1","torque_class":-7,"p99_rpm":1e300}],"slips":[{"bins":{"-3":1,"99999999":7}}],"moments":[{"at_s":-1,"gear":"1","lock":"open","engine_rpm":0,"pressures_kpa":[null,3]}],"pressures":["a","b","c"],"shifts":[]}`))
	f.Add([]byte(`{"format":1,"gears":[],"shifts":[{"from":"1","to":"2","flare_rpm":4,"start_s":1}]}`))
	f.Fuzz(func(t *testing.T, text []byte) {
		r, err := Read(bytes.NewReader(text))
		if err != nil || len(text) > 1<<16 {
			return
		}
		for _, c := range []*Comparison{Compare(r, r), Compare(r, &Record{Format: Format}), Compare(&Record{Format: Format}, r)} {
			if c.Said == "" {
				t.Error("a comparison without a word")
			}
			if _, err := json.Marshal(c); err != nil {
				t.Errorf("the comparison is no JSON: %v", err)
			}
		}
	})
}

// Bins of slip: every slip lies in its bin, bins follow each other without a gap, and
// quantiles lie where the values are. Widths by hand: 1 rpm below 16, an eighth of
// the octave above.
func TestSlipBins(t *testing.T) {
	end := 0.0
	for b := range 16 + 8*12 {
		low, high := binRange(b)
		if low != end {
			t.Fatalf("bin %d begins at %g; want %g, where the one before ends", b, low, end)
		}
		end = high
		for _, v := range []float64{low, (low + high) / 2, math.Nextafter(high, 0)} {
			if slipBin(v) != b {
				t.Fatalf("%g rpm lies in bin %d; want %d, from %g to %g", v, slipBin(v), b, low, high)
			}
		}
	}
	if low, high := binRange(slipBin(500)); low != 480 || high != 512 {
		t.Errorf("500 rpm: %g to %g; want 480 to 512", low, high)
	}
	bins := map[int]int{}
	for i := range 1000 {
		bins[slipBin(float64(i))]++
	}
	for q, want := range map[float64]float64{0.5: 500, 0.99: 990, 1: 999} {
		if got := binQuantile(bins, q, 999); math.Abs(got-want) > 3 {
			t.Errorf("quantile %g of 0 to 999: %g; want about %g", q, got, want)
		}
	}
	if got := binQuantile(map[int]int{-5: 3, 1 << 30: 4}, 0.5, 7); got != 7 {
		t.Errorf("bins that cannot be: %g; want the worst", got)
	}
}

// Where a gear asked for is broadcast, what counts is the slip from 2 s after it; an
// element slips in the gear it should carry in even when no gear is engaged. The drum
// brake of 80 N·m slips in the second gear at half load, and only it.
func TestHolds(t *testing.T) {
	r := drive(t, map[string][]string{"drive": {"varied"}, "for": {"5m"}, "seed": {"7"}, "fault": {"drum-brake-slips=120"}})
	worst := map[string]float64{}
	for _, h := range r.Holds {
		worst[h.Element] = max(worst[h.Element], h.High)
	}
	if worst["drum brake"] < 200 || worst["low-gears clutch"] > 60 || worst["odd-gears clutch"] > 60 {
		t.Errorf("99th percentiles %v; want the drum brake's above 200 rpm and the others' small", worst)
	}
}

// Where none is broadcast, what lies between leaving a gear and coming back to it is
// slip, what lies between two gears is a shift.
func TestHoldsWithoutCommand(t *testing.T) {
	file, list := signals.Parse("van.yaml", signals.Van(), nil)
	if err := list.Err(); err != nil {
		t.Fatal(err)
	}
	file.Transmission.Roles.CommandedGear = ""
	chain, err := pipeline.New(file, pipeline.Options{})
	if err != nil {
		t.Fatal(err)
	}
	table := chain.Table()
	c, err := NewCollector(file, table)
	if err != nil {
		t.Fatal(err)
	}
	gear := func(name string) float64 {
		states := table.Signals[table.Index("gear")].States
		return float64(states[states.Index(name)].V)
	}
	at := capture.Stamp(0)
	feed := func(seconds float64, state string, slip float64) {
		for range int(seconds * 100) {
			var out decode.Output
			for name, v := range map[string]float64{"gear": gear(state), "input_speed": 1500, "slip.odd-gears clutch": -slip, "engine_torque": 150, "pedal": 40} {
				out.Samples = append(out.Samples, decode.Sample{Time: at, Signal: table.Index(name), Value: v})
			}
			c.Take(&out)
			at += 10e6
		}
	}
	feed(5, "3", 1)
	feed(1, "between", 400) // it slips
	feed(5, "3", 1)
	feed(1, "between", 700) // the shift to the fourth, which it does not carry in
	feed(5, "4", 0)
	feed(1, "between", 900) // and to the fifth
	feed(5, "5", 2)
	got := map[string]Hold{}
	for _, h := range c.Finish().Holds {
		if h.Element == "odd-gears clutch" {
			got[h.Gear] = h
		}
	}
	// By hand: 5 s less the first 0.6, 1 s of slip, 5 s: 10.4 s; one of ten at 400 rpm.
	if h := got["3"]; h.Seconds != 10.4 || h.Worst != 400 || h.High < 380 || h.Median > 2 || h.Torque != 3 || h.Torque.String() != "100 to 200 N·m" || *h.Pedal != 40 {
		t.Errorf("gear 3: %+v; want 10.4 s at 100 to 200 N·m, 1 rpm in the middle and 400 at worst", h)
	}
	if h := got["5"]; h.Worst != 2 || len(got) != 2 {
		t.Errorf("gear 5: %+v of %d gears; want 2 rpm at worst, and no other gear", h, len(got))
	}
}

// Memory is bounded: what comes often is thinned evenly.
func TestSparse(t *testing.T) {
	var s sparse[int]
	for i := range 10000 {
		s.add(i, 100)
	}
	if len(s.list) < 100 || len(s.list) > 200 || s.list[0] != 0 {
		t.Fatalf("%d of 10,000 kept; want 100 to 199 from the first on", len(s.list))
	}
	for i := 1; i < len(s.list); i++ {
		if s.list[i]-s.list[i-1] != 64 {
			t.Fatalf("%d follows %d; want every 64th", s.list[i], s.list[i-1])
		}
	}
}

// Parts: how often, and for how long until it counts again.
func TestParts(t *testing.T) {
	c, err := NewCollector(&signals.File{}, &decode.Table{})
	if err != nil {
		t.Fatal(err)
	}
	for _, x := range []struct {
		finding string
		at      capture.Stamp
	}{{"no value", 1e9}, {"counts again", 3e9}, {"no value", 10e9}, {"reads 0 while its shaft turns", 11e9}, {"counts again", 11.5e9}} {
		c.part("drum_speed", x.finding, x.at)
	}
	want := []Part{{"drum_speed", "no value", 2, 3}, {"drum_speed", "reads 0 while its shaft turns", 1, 0.5}}
	if got := c.Finish().Parts; !reflect.DeepEqual(got, want) {
		t.Errorf("parts %+v; want %+v", got, want)
	}
}
