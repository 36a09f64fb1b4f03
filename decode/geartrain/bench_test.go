package geartrain_test

import (
	"flag"
	"fmt"
	"os"
	"testing"

	. "gearwitness/decode/geartrain"
)

// TestMain asks for enough random trains to reach every state and one-way clutches
// that hold; -rapid.checks on the command line stands.
func TestMain(m *testing.M) {
	checks := flag.Lookup("rapid.checks")
	if err := checks.Value.Set("3000"); err != nil {
		panic(err)
	}
	flag.Parse()
	os.Exit(m.Run())
}

// fourth is the demonstration's gearbox in fourth gear, a drum sensor 5 % low.
func fourth(tb testing.TB) (tr *Train, s []Sensor, holding []int, m []float64) {
	tr = demoTrain(tb)
	s = sensors(tb, tr, []string{"reduced carrier", "large sun drum", "output"})
	return tr, s, elements(tb, tr, []string{"low-gears clutch", "high-gears clutch"}), []float64{1827, 3235.225, 2380.5}
}

// estimate is one live estimate: everything the analysis asks for at a tick.
func estimate(e *Estimator, m, speeds, slips, residual []float64) float64 {
	e.Speeds(m, speeds)
	e.Slips(m, slips)
	e.Residual(m, residual)
	return e.ChiSquared(m)
}

func TestLiveAllocatesNothing(t *testing.T) {
	tr, s, holding, m := fourth(t)
	e, err := NewEstimator(tr, s, holding)
	if err != nil {
		t.Fatal(err)
	}
	x, err := NewExplainer(tr, s, holding)
	if err != nil {
		t.Fatal(err)
	}
	speeds, slips, residual := make([]float64, len(tr.Shafts)), make([]float64, len(tr.Elements)), make([]float64, len(s))
	fits := make([]Fit, 0, len(x.Causes())+1)
	if n := testing.AllocsPerRun(100, func() {
		estimate(e, m, speeds, slips, residual)
		fits = x.Explain(m, fits[:0])
	}); n != 0 {
		t.Errorf("%v allocations per estimate and explanation, want 0", n)
	}
	if c := x.Causes()[fits[0].Cause]; c != (Cause{SensorWrong, 1}) {
		t.Errorf("best explanation %+v, want the drum sensor", c)
	}
}

func BenchmarkEstimate(b *testing.B) {
	tr, s, holding, m := fourth(b)
	for _, c := range []struct {
		name    string
		holding []int
	}{{"holding=none", nil}, {"holding=fourth", holding}} {
		b.Run(c.name, func(b *testing.B) {
			e, err := NewEstimator(tr, s, c.holding)
			if err != nil {
				b.Fatal(err)
			}
			speeds, slips, residual := make([]float64, len(tr.Shafts)), make([]float64, len(tr.Elements)), make([]float64, len(s))
			b.ReportAllocs()
			for b.Loop() {
				estimate(e, m, speeds, slips, residual)
			}
		})
	}
}

func BenchmarkExplain(b *testing.B) {
	tr, s, holding, m := fourth(b)
	x, err := NewExplainer(tr, s, holding)
	if err != nil {
		b.Fatal(err)
	}
	fits := make([]Fit, 0, len(x.Causes())+1)
	b.ReportAllocs()
	for b.Loop() {
		fits = x.Explain(m, fits[:0])
	}
}

// BenchmarkLoad is what opening a vehicle file costs: the whole report.
func BenchmarkLoad(b *testing.B) {
	tr, _ := demo(b)
	for b.Loop() {
		if _, err := NewReport(tr); err != nil {
			b.Fatal(err)
		}
	}
}

// largest is the largest train the package takes, with nothing that simplifies it:
// every set on shafts of its own, all one-way clutches free to hold.
func largest() (*Train, []int) {
	t := &Train{Input: 0, Output: 1}
	for i := range MaxShafts {
		t.Shafts = append(t.Shafts, fmt.Sprint("shaft ", i))
	}
	for i := range MaxSets {
		t.Sets = append(t.Sets, Set{Name: fmt.Sprint(i), Sun: i, Ring: i + 5, Carrier: MaxShafts - 1 - i, SunTeeth: 9001 + 2*i, RingTeeth: 9973 - 2*i})
	}
	var applied []int
	for i := range MaxElements {
		e := Element{Name: fmt.Sprint(i), Kind: OneWay, A: i, B: Ground}
		if i >= MaxOneWay {
			e.Kind, e.A, e.B = Clutch, i%MaxShafts, (i+7)%MaxShafts
			if len(applied) < 12 {
				applied = append(applied, i)
			}
		}
		t.Elements = append(t.Elements, e)
	}
	return t, applied
}

func BenchmarkSolve(b *testing.B) {
	small, _, fourthGear, _ := fourth(b)
	large, applied := largest()
	if err := large.Check(); err != nil {
		b.Fatal(err)
	}
	for _, c := range []struct {
		name    string
		train   *Train
		applied []int
	}{{"train=demonstration", small, fourthGear}, {"train=largest", large, applied}} {
		b.Run(c.name, func(b *testing.B) {
			for b.Loop() {
				c.train.Solve(c.applied, Drive)
			}
		})
	}
}
