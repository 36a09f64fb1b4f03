package geartrain_test

import (
	"math"
	"strings"
	"testing"

	. "gearwitness/decode/geartrain"
	"gearwitness/signals"
)

// The basis is what the rows allow: each row times each column is zero, and q is
// the speed of the shafts it names, input and output among them in the open train.
func TestNullBasis(t *testing.T) {
	tr := demoTrain(t)
	for _, c := range []struct {
		holding []string
		freedom int
	}{
		{nil, 3},
		{[]string{"drum brake"}, 2},
		{[]string{"low-gears clutch", "crawler one-way clutch"}, 1},
		{[]string{"low-gears clutch", "drum brake", "crawler brake"}, 0},
	} {
		holding := elements(t, tr, c.holding)
		n := tr.NullBasis(holding)
		if n.Cols != c.freedom || len(n.Shafts) != c.freedom || n.Rows != len(tr.Shafts) {
			t.Fatalf("%v: basis %d x %d for shafts %v, want %d columns", c.holding, n.Rows, n.Cols, n.Shafts, c.freedom)
		}
		if c.freedom >= 2 && (n.Shafts[c.freedom-1] != tr.Input || n.Shafts[c.freedom-2] != tr.Output) {
			t.Errorf("%v: free shafts %v, want output and input last", c.holding, n.Shafts)
		}
		var rows [][]float64
		for s := range tr.Sets {
			rows = append(rows, tr.SetRow(s))
		}
		for _, e := range holding {
			rows = append(rows, tr.ElementRow(e))
		}
		for j, shaft := range n.Shafts {
			if n.At(shaft, j) != 1 {
				t.Errorf("%v: q[%d] is not the speed of %s", c.holding, j, tr.Shafts[shaft])
			}
			for i, r := range rows {
				var sum float64
				for s := range r {
					sum += r[s] * n.At(s, j)
				}
				if math.Abs(sum) > 1e-12*128*4 { // rounding of entries up to 4 times 128 teeth
					t.Errorf("%v: row %d times column %d = %g", c.holding, i, j, sum)
				}
			}
		}
	}
}

// The rows as the method writes them: front set 41 and 87 with its sun on the
// housing, the rear double-pinion set 30 and 84, and the three kinds of elements.
func TestRows(t *testing.T) {
	tr := demoTrain(t)
	for _, c := range []struct {
		name      string
		got, want []float64
	}{
		{"simple set", tr.SetRow(0), []float64{87, -128, 0, 0, 0, 0}},
		{"double-pinion set", tr.SetRow(2), []float64{0, 0, 30, 0, 54, -84}},
		{"clutch", tr.ElementRow(0), []float64{0, 1, -1, 0, 0, 0}},
		{"brake", tr.ElementRow(3), []float64{0, 0, 0, 1, 0, 0}},
		{"one-way clutch", tr.ElementRow(5), []float64{0, 0, 0, 0, 1, 0}},
	} {
		for i := range c.want {
			if c.got[i] != c.want[i] {
				t.Errorf("%s: row %v, want %v", c.name, c.got, c.want)
				break
			}
		}
	}
}

func TestSensorErrors(t *testing.T) {
	tr := demoTrain(t)
	for _, c := range []struct {
		sensor Sensor
		want   string
	}{
		{Sensor{Shaft: Ground, VarianceRPM2: 1}, "sensor 1 reads no shaft"},
		{Sensor{Shaft: 6, VarianceRPM2: 1}, "sensor 1 reads no shaft"},
		{Sensor{Shaft: 1}, `sensor on "reduced carrier": variance 0`},
		{Sensor{Shaft: 1, VarianceRPM2: math.NaN()}, "variance NaN"},
		{Sensor{Shaft: 1, VarianceRPM2: math.Inf(1)}, "variance +Inf"},
	} {
		if _, err := NewEstimator(tr, []Sensor{c.sensor}, nil); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%+v: error %v, want one with %q", c.sensor, err, c.want)
		}
		if _, err := NewExplainer(tr, []Sensor{c.sensor}, nil); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%+v: explainer: error %v, want one with %q", c.sensor, err, c.want)
		}
	}
}

// Each mistake of an element table and the sentence that names it.
func TestFaults(t *testing.T) {
	for _, c := range []struct {
		gear  string
		holds []string
		want  string // "" for a sound gear
	}{
		{"1", []string{"low-gears clutch", "crawler one-way clutch"}, ""},
		{"1", []string{"low-gears clutch"}, "does not list crawler one-way clutch, but under drive it holds"},
		{"1", []string{"low-gears clutch", "crawler brake", "crawler one-way clutch"}, "lists crawler one-way clutch as carrying, but under drive it idles"},
		{"2", []string{"low-gears clutch", "drum brake", "crawler one-way clutch"}, "lists crawler one-way clutch as carrying, but under drive it overruns"},
		{"2", []string{"drum brake"}, "is neutral: low-gears clutch added gives ratio 2.2657, high-gears clutch added gives ratio 0.7000"},
		{"3", []string{"low-gears clutch", "drum brake", "odd-gears clutch"}, "is a tie-up of low-gears clutch, drum brake and odd-gears clutch: drum brake released gives ratio 1.4713, odd-gears clutch released gives ratio 2.2657"},
		{"5", []string{"odd-gears clutch", "drum brake"}, "holds the input fast: no single element released makes a gear of it"},
		{"6", []string{"crawler brake", "drum brake"}, "holds the output fast: no single element released makes a gear of it"},
		{"N", nil, ""},
		{"P", []string{"crawler brake", "drum brake"}, ""},
		{"N", []string{"odd-gears clutch", "crawler brake"}, "is in gear with these elements: expected neutral"},
		{"R", []string{"high-gears clutch", "drum brake"}, "turns the output forwards"},
		{"4", []string{"odd-gears clutch", "crawler brake"}, "turns the output backwards"},
	} {
		tr, _ := demo(t)
		tr.Gears = signals.Named[signals.Gear]{named(c.gear, signals.Gear{Holds: c.holds})}
		r, err := NewReport(tr)
		if err != nil {
			t.Fatal(err)
		}
		got := strings.Join(append(r.Faults, r.Warnings...), "; ")
		if c.want == "" && got != "" || c.want != "" && !strings.HasPrefix(got, "gear "+c.gear+" "+c.want) {
			t.Errorf("gear %s of %v: %q, want %q", c.gear, c.holds, got, c.want)
		}
	}
}
