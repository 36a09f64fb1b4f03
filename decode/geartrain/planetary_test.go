package geartrain_test

import (
	"encoding/json"
	"fmt"
	"math"
	"math/big"
	"os"
	"slices"
	"strings"
	"testing"

	. "gearwitness/decode/geartrain"
)

// The published cases: testdata/planetary.json, each with its source.

type number struct {
	Exact string `json:"exact"`
}

// rat is nil for a null in the file.
func (n *number) rat(t *testing.T) *big.Rat {
	if n == nil {
		return nil
	}
	r, ok := new(big.Rat).SetString(n.Exact)
	if !ok {
		t.Fatalf("not a fraction: %q", n.Exact)
	}
	return r
}

type answer struct {
	State          string             `json:"state"`
	Freedom        int                `json:"dof"`
	Redundant      int                `json:"redundant"`
	Ratio          *number            `json:"ratio"`
	Speeds         map[string]*number `json:"speeds"`
	Slips          map[string]*number `json:"slips"`
	Planets        map[string]*number `json:"planet_speeds"`
	PowerError     *number            `json:"power_error"`
	Loose          []string           `json:"loose_shafts"`
	OneWay         map[string]string  `json:"one_way"`
	Coast          string             `json:"coast"`
	IfReleased     map[string]answer  `json:"if_released"`
	IfAdded        map[string]answer  `json:"if_added"`
	FreewheelsAt   []string           `json:"freewheels_at"`
	JammedBy       []string           `json:"jammed_by"`
	SensorsCanTell *struct {
		Patterns  map[string][]*number `json:"patterns"`
		Invisible []string             `json:"invisible"`
		Alike     [][]string           `json:"cannot_be_told_apart"`
	} `json:"sensors_can_tell"`
	Torque struct {
		Output   *number                       `json:"output"`
		Elements map[string]*number            `json:"elements"`
		Sets     map[string]map[string]*number `json:"sets"`
	} `json:"torque"`
}

type question struct {
	Name         string             `json:"name"`
	Freedom      int                `json:"freedom"`
	Spare        int                `json:"spare"`
	Determined   bool               `json:"determined"`
	Speeds       map[string]*number `json:"speeds"`
	Slips        map[string]*number `json:"slips"`
	Residuals    map[string]*number `json:"residuals"`
	RSS          *number            `json:"rss"`
	Explanations map[string]struct {
		RSS   *number `json:"rss"`
		Input *number `json:"input"`
		Slip  *number `json:"slip"`
	} `json:"explanations"`
}

type publishedCase struct {
	ID      string   `json:"id"`
	Source  string   `json:"source"`
	Sensors []string `json:"sensors"`
	Train   struct {
		Fixed  []string `json:"fixed"`
		Input  string   `json:"input"`
		Output string   `json:"output"`
		Sets   []struct {
			Name       string `json:"name"`
			Kind       string `json:"kind"`
			Sun        int    `json:"sun"`
			SunShort   int    `json:"sun_short"`
			SunLong    int    `json:"sun_long"`
			Ring       int    `json:"ring"`
			Planet     int    `json:"planet"`
			PlanetLong int    `json:"planet_long"`
			Pinions    int    `json:"pinions"`
			A          int    `json:"a"`
			B          int    `json:"b"`
			Mesh       string `json:"mesh"`
		} `json:"sets"`
		Shafts   map[string][]string `json:"shafts"`
		Elements []struct {
			Name    string   `json:"name"`
			Kind    string   `json:"kind"`
			Between []string `json:"between"`
			Shaft   string   `json:"shaft"`
			Inner   string   `json:"inner"`
			Outer   string   `json:"outer"`
			Free    string   `json:"free"`
		} `json:"elements"`
	} `json:"train"`
	Gears []struct {
		Name      string                `json:"name"`
		Apply     []string              `json:"apply"`
		Published *float64              `json:"published_ratio"`
		Tolerance float64               `json:"tolerance"`
		Torque    map[string][2]float64 `json:"published_torque"`
	} `json:"gears"`
	Tables []struct {
		Name   string   `json:"name"`
		Apply  []string `json:"apply"`
		Expect string   `json:"expect"`
	} `json:"faulty_tables"`
	Questions []struct {
		Name       string                `json:"name"`
		Measured   map[string]float64    `json:"measured"`
		Holding    []string              `json:"holding"`
		Published  map[string][2]float64 `json:"published_speeds"`
		ExpectBest []string              `json:"expect_best"`
	} `json:"speed_questions"`
	Results struct {
		Freedom      int               `json:"train_dof"`
		Gears        map[string]answer `json:"gears"`
		Tables       map[string]answer `json:"tables"`
		Questions    []question        `json:"questions"`
		Combinations map[string]answer `json:"combinations"`
	} `json:"results"`
}

func readJSON(tb testing.TB, file string, v any) {
	tb.Helper()
	data, err := os.ReadFile(file)
	if err != nil {
		tb.Fatal(err)
	}
	if err := json.Unmarshal(data, v); err != nil {
		tb.Fatalf("%s: %v", file, err)
	}
}

func published(tb testing.TB) []publishedCase {
	tb.Helper()
	var file struct {
		Cases []publishedCase `json:"cases"`
	}
	readJSON(tb, "testdata/planetary.json", &file)
	if len(file.Cases) != 15 {
		tb.Fatalf("%d cases, want 15", len(file.Cases))
	}
	return file.Cases
}

// build writes the case in the terms of the package: a Ravigneaux set is a simple
// and a double-pinion set, a bevel differential a simple set of equal counts, a
// pair a set on a fixed carrier. parts tells where each set of the file went.
func (c *publishedCase) build(tb testing.TB) *Train {
	tb.Helper()
	t := &Train{}
	member := map[string]int{}
	for _, m := range c.Train.Fixed {
		member[m] = Ground
	}
	for name := range c.Train.Shafts {
		t.Shafts = append(t.Shafts, name)
	}
	slices.Sort(t.Shafts)
	for i, name := range t.Shafts {
		for _, m := range c.Train.Shafts[name] {
			member[m] = i
		}
	}
	index := func(name string) int {
		if name == "housing" {
			return Ground
		}
		i, ok := t.Index(name)
		if !ok {
			tb.Fatalf("%s: no shaft %q", c.ID, name)
		}
		return i
	}
	t.Input, t.Output = index(c.Train.Input), index(c.Train.Output)
	for _, s := range c.Train.Sets {
		at := func(m string) int {
			i, ok := member[s.Name+"."+m]
			if !ok {
				tb.Fatalf("%s: %s.%s is on no shaft", c.ID, s.Name, m)
			}
			return i
		}
		switch s.Kind {
		case "simple", "dual_pinion":
			t.Sets = append(t.Sets, Set{
				Name: s.Name, Sun: at("sun"), Ring: at("ring"), Carrier: at("carrier"),
				SunTeeth: s.Sun, RingTeeth: s.Ring, DoublePinion: s.Kind == "dual_pinion",
				PlanetTeeth: s.Planet, Planets: s.Pinions,
			})
		case "ravigneaux":
			t.Sets = append(t.Sets,
				Set{Name: s.Name + " long", Sun: at("sun_long"), Ring: at("ring"), Carrier: at("carrier"), SunTeeth: s.SunLong, RingTeeth: s.Ring, PlanetTeeth: s.PlanetLong, Planets: s.Pinions},
				Set{Name: s.Name + " short", Sun: at("sun_short"), Ring: at("ring"), Carrier: at("carrier"), SunTeeth: s.SunShort, RingTeeth: s.Ring, DoublePinion: true, Planets: s.Pinions})
		case "bevel":
			t.Sets = append(t.Sets, Set{Name: s.Name, Sun: at("left"), Ring: at("right"), Carrier: at("carrier"), SunTeeth: 1, RingTeeth: 1})
		case "pair":
			t.Sets = append(t.Sets, Set{Name: s.Name, Sun: at("a"), Ring: at("b"), Carrier: Ground, SunTeeth: s.A, RingTeeth: s.B, DoublePinion: s.Mesh == "internal"})
		default:
			tb.Fatalf("%s: unknown kind of set %q", c.ID, s.Kind)
		}
	}
	for _, e := range c.Train.Elements {
		el := Element{Name: e.Name, B: Ground}
		switch e.Kind {
		case "clutch":
			el.Kind, el.A, el.B = Clutch, index(e.Between[0]), index(e.Between[1])
		case "brake":
			el.Kind, el.A = Brake, index(e.Shaft)
		case "one_way":
			el.Kind, el.A, el.B = OneWay, index(e.Inner), index(e.Outer)
			if e.Free == "-" { // what may not run ahead is the outer part here
				el.A, el.B = el.B, el.A
			}
		}
		t.Elements = append(t.Elements, el)
	}
	if err := t.Check(); err != nil {
		tb.Fatalf("%s: %v", c.ID, err)
	}
	return t
}

func elements(tb testing.TB, t *Train, names []string) []int {
	tb.Helper()
	var out []int
	for _, name := range names {
		e, ok := t.ElementIndex(name)
		if !ok {
			tb.Fatalf("no element %q", name)
		}
		out = append(out, e)
	}
	return out
}

var stateOf = map[string]State{
	"in_gear": InGear, "neutral": Neutral, "tied_up": TiedUp, "input_locked": InputLocked, "output_locked": OutputLocked,
}

// same compares exact values of which either may be undetermined.
func same(t *testing.T, what string, got *big.Rat, want *big.Rat) {
	t.Helper()
	switch {
	case got == nil && want == nil:
	case got == nil || want == nil || got.Cmp(want) != 0:
		t.Errorf("%s = %v, want %v", what, got, want)
	}
}

// per1000 is a speed at 1000 rpm of the input.
func per1000(r *big.Rat) *big.Rat {
	if r == nil {
		return nil
	}
	return new(big.Rat).Mul(r, big.NewRat(1000, 1))
}

func TestPublishedGears(t *testing.T) {
	for _, c := range published(t) {
		tr := c.build(t)
		t.Run(c.ID, func(t *testing.T) {
			if got := tr.Solve(nil, Drive); len(tr.NullBasis(nil).Shafts) != c.Results.Freedom {
				t.Errorf("freedom of the open train = %d (solved: %d), want %d", len(tr.NullBasis(nil).Shafts), got.Freedom, c.Results.Freedom)
			}
			for _, g := range c.Gears {
				t.Run(g.Name, func(t *testing.T) {
					checkGear(t, tr, &c, elements(t, tr, g.Apply), c.Results.Gears[g.Name])
					row := tr.Solve(elements(t, tr, g.Apply), Drive)
					if g.Published != nil {
						if ratio, _ := row.Ratio.Float64(); math.Abs(ratio-*g.Published) > g.Tolerance {
							t.Errorf("ratio %.5f, published %.5f ± %g (%s)", ratio, *g.Published, g.Tolerance, c.Source)
						}
					}
					for part, want := range g.Torque {
						torque := row.OutputTorque
						if part != "output" {
							torque = row.Torque[elements(t, tr, []string{part})[0]]
						}
						if got, _ := torque.Float64(); math.Abs(got-want[0]) > want[1] {
							t.Errorf("torque of %s = %.4f, published %.4f ± %g (%s)", part, got, want[0], want[1], c.Source)
						}
					}
				})
			}
		})
	}
}

func checkGear(t *testing.T, tr *Train, c *publishedCase, apply []int, want answer) {
	row := tr.Solve(apply, Drive)
	if row.State != stateOf[want.State] || row.Freedom != want.Freedom || row.Redundant != want.Redundant {
		t.Fatalf("%v, freedom %d, redundant %d; want %s, %d, %d", row.State, row.Freedom, row.Redundant, want.State, want.Freedom, want.Redundant)
	}
	same(t, "ratio", row.Ratio, want.Ratio.rat(t))
	for i, name := range tr.Shafts {
		same(t, "speed of "+name, per1000(row.Speed[i]), want.Speeds[name].rat(t))
		if loose := row.Speed[i] == nil; loose != slices.Contains(want.Loose, name) {
			t.Errorf("%s loose: %v", name, loose)
		}
	}
	for i, e := range tr.Elements {
		flip := e.A == Ground // the file counts slip and torque from its first side
		sign := func(r *big.Rat) *big.Rat {
			if r != nil && flip {
				return new(big.Rat).Neg(r)
			}
			return r
		}
		same(t, "slip of "+e.Name, sign(per1000(row.Slip[i])), want.Slips[e.Name].rat(t))
		torque, listed := want.Torque.Elements[e.Name]
		switch {
		case listed:
			same(t, "torque of "+e.Name, sign(row.Torque[i]), torque.rat(t))
		case row.Torque[i] == nil || row.Torque[i].Sign() != 0:
			t.Errorf("torque of %s = %v, want 0", e.Name, row.Torque[i])
		}
		if e.Kind == OneWay {
			got := "overruns"
			if row.Holding[i] {
				got = "holds"
			} else if row.Slip[i] != nil && row.Slip[i].Sign() == 0 {
				got = "idle"
			}
			if got != want.OneWay[e.Name] {
				t.Errorf("%s %s, want %s", e.Name, got, want.OneWay[e.Name])
			}
		}
	}
	same(t, "output torque", row.OutputTorque, want.Torque.Output.rat(t))
	checkSetTorques(t, tr, &row, want)
	if p := tr.PowerError(&row); p != nil && p.Sign() != 0 {
		t.Errorf("power error %v", p)
	}
	for i, s := range tr.Sets {
		if n := want.Planets[s.Name]; n != nil {
			same(t, "planets of "+s.Name, per1000(row.Planet[i]), n.rat(t))
		}
	}
	if coast := tr.Solve(apply, Coast); coast.State != stateOf[want.Coast] {
		t.Errorf("coast: %v, want %s", coast.State, want.Coast)
	}
	if want.SensorsCanTell != nil {
		checkPatterns(t, tr, c, carrying(tr, apply, &row), want)
	}
}

func checkSetTorques(t *testing.T, tr *Train, row *Row, want answer) {
	for name, members := range want.Torque.Sets {
		got := map[string]*big.Rat{}
		add := func(member string, v *big.Rat) {
			if v != nil && got[member] != nil {
				v = new(big.Rat).Add(v, got[member])
			}
			got[member] = v
		}
		for i, s := range tr.Sets {
			torque := row.SetTorque[i]
			switch s.Name {
			case name:
				switch {
				case members["a"] != nil:
					add("a", torque[0])
					add("b", torque[1])
				case members["left"] != nil:
					add("left", torque[0])
					add("right", torque[1])
					add("carrier", torque[2])
				default:
					add("sun", torque[0])
					add("ring", torque[1])
					add("carrier", torque[2])
				}
			case name + " long", name + " short":
				add("sun_"+strings.TrimPrefix(s.Name, name+" "), torque[0])
				add("ring", torque[1])
				add("carrier", torque[2])
			}
		}
		for member, v := range members {
			if v == nil && len(got) == 5 {
				continue // a sum of undetermined parts
			}
			same(t, fmt.Sprintf("torque of %s %s", name, member), got[member], v.rat(t))
		}
	}
}

// carrying are the applied elements and the one-way clutches that hold.
func carrying(tr *Train, apply []int, row *Row) []int {
	out := slices.Clone(apply)
	for e := range tr.Elements {
		if row.Holding[e] {
			out = append(out, e)
		}
	}
	return out
}

func sensors(tb testing.TB, tr *Train, shafts []string) []Sensor {
	var out []Sensor
	for _, name := range shafts {
		i, ok := tr.Index(name)
		if !ok {
			tb.Fatalf("no shaft %q", name)
		}
		out = append(out, Sensor{Shaft: i, VarianceRPM2: 1})
	}
	return out
}

func causeName(tr *Train, s []Sensor, c Cause) string {
	if c.Kind == SensorWrong {
		return "sensor " + tr.Shafts[s[c.Index].Shaft]
	}
	return "slip " + tr.Elements[c.Index].Name
}

func checkPatterns(t *testing.T, tr *Train, c *publishedCase, holding []int, want answer) {
	s := sensors(t, tr, c.Sensors)
	x, err := NewExplainer(tr, s, holding)
	if err != nil {
		t.Fatal(err)
	}
	var invisible []string
	for i, cause := range x.Causes() {
		name := causeName(tr, s, cause)
		pattern := want.SensorsCanTell.Patterns[name]
		if len(pattern) != len(s) {
			t.Errorf("cause %q: the file gives %d entries", name, len(pattern))
			continue
		}
		for k, v := range x.Pattern(i) {
			if w, _ := pattern[k].rat(t).Float64(); math.Abs(v-w) > 1e-12 {
				t.Errorf("pattern of %s on %s = %v, want %v", name, c.Sensors[k], v, w)
			}
		}
		if !x.Visible(i) {
			invisible = append(invisible, name)
		}
	}
	if len(x.Causes()) != len(want.SensorsCanTell.Patterns) || !slices.Equal(invisible, want.SensorsCanTell.Invisible) {
		t.Errorf("%d causes, invisible %v; want %d, %v", len(x.Causes()), invisible, len(want.SensorsCanTell.Patterns), want.SensorsCanTell.Invisible)
	}
	var alike [][]string
	for _, g := range x.Alike() {
		var names []string
		for _, i := range g {
			names = append(names, causeName(tr, s, x.Causes()[i]))
		}
		alike = append(alike, names)
	}
	if fmt.Sprint(alike) != fmt.Sprint(want.SensorsCanTell.Alike) {
		t.Errorf("alike %v, want %v", alike, want.SensorsCanTell.Alike)
	}
}

func TestPublishedTables(t *testing.T) {
	for _, c := range published(t) {
		tr := c.build(t)
		for _, table := range c.Tables {
			t.Run(c.ID+"/"+table.Name, func(t *testing.T) {
				want := c.Results.Tables[table.Name]
				apply := elements(t, tr, table.Apply)
				row := tr.Solve(apply, Drive)
				if row.State != stateOf[table.Expect] || row.State != stateOf[want.State] || row.Freedom != want.Freedom || row.Redundant != want.Redundant {
					t.Errorf("%v, freedom %d, redundant %d; want %s, %d, %d", row.State, row.Freedom, row.Redundant, want.State, want.Freedom, want.Redundant)
				}
				checkNames(t, "freewheels at", tr, row.Freewheels, want.FreewheelsAt)
				checkNames(t, "jammed by", tr, row.JammedBy, want.JammedBy)
				judged := tr.Table([]Gear{{Name: table.Name, Holds: apply}})[0]
				changes := want.IfReleased
				if row.State == Neutral {
					changes = want.IfAdded
				}
				if len(judged.Changes) != len(changes) {
					t.Errorf("%d changes, want %d", len(judged.Changes), len(changes))
				}
				for _, ch := range judged.Changes {
					name := tr.Elements[ch.Element].Name
					w := changes[name]
					if ch.Row.State != stateOf[w.State] {
						t.Errorf("with %s changed: %v, want %s", name, ch.Row.State, w.State)
					}
					same(t, "ratio with "+name+" changed", ch.Row.Ratio, w.Ratio.rat(t))
				}
			})
		}
		for name, want := range c.Results.Combinations {
			var apply []int
			if name != "" {
				apply = elements(t, tr, strings.Split(name, " + "))
			}
			row := tr.Solve(apply, Drive)
			if row.State != stateOf[want.State] {
				t.Errorf("%s: %q: %v, want %s", c.ID, name, row.State, want.State)
			}
			same(t, c.ID+": ratio with "+name, row.Ratio, want.Ratio.rat(t))
		}
	}
}

func checkNames(t *testing.T, what string, tr *Train, got []int, want []string) {
	t.Helper()
	var names []string
	for _, e := range got {
		names = append(names, tr.Elements[e].Name)
	}
	if !slices.Equal(names, want) {
		t.Errorf("%s %v, want %v", what, names, want)
	}
}

// near compares speeds: exact results through floating point, within 1e-9 of the
// speeds' size.
func near(t *testing.T, what string, got float64, want *number) {
	t.Helper()
	if want == nil {
		if !math.IsNaN(got) {
			t.Errorf("%s = %v, want not determined", what, got)
		}
		return
	}
	if w, _ := want.rat(t).Float64(); !(math.Abs(got-w) <= 1e-9*(1+math.Abs(w)+1000)) {
		t.Errorf("%s = %v, want %v", what, got, w)
	}
}

func TestPublishedSpeedQuestions(t *testing.T) {
	for _, c := range published(t) {
		tr := c.build(t)
		for i, q := range c.Questions {
			want := c.Results.Questions[i]
			t.Run(c.ID+"/"+q.Name, func(t *testing.T) {
				var names []string
				for name := range q.Measured {
					names = append(names, name)
				}
				slices.SortFunc(names, func(a, b string) int { // the order of the patterns, where there is one
					return slices.Index(c.Sensors, a) - slices.Index(c.Sensors, b)
				})
				var m []float64
				for _, name := range names {
					m = append(m, q.Measured[name])
				}
				holding := elements(t, tr, q.Holding)
				s := sensors(t, tr, names)
				e, err := NewEstimator(tr, s, holding)
				if err != nil {
					t.Fatal(err)
				}
				if e.Spare() != want.Spare {
					t.Errorf("spare %d, want %d", e.Spare(), want.Spare)
				}
				if f := len(tr.NullBasis(holding).Shafts); f != want.Freedom {
					t.Errorf("freedom %d, want %d", f, want.Freedom)
				}
				if got := !slices.Contains(e.Determined(), false); got != want.Determined {
					t.Errorf("all determined: %v, want %v", got, want.Determined)
				}
				speeds, slips, residual := make([]float64, len(tr.Shafts)), make([]float64, len(tr.Elements)), make([]float64, len(m))
				e.Speeds(m, speeds)
				e.Slips(m, slips)
				e.Residual(m, residual)
				for i, name := range tr.Shafts {
					near(t, "speed of "+name, speeds[i], want.Speeds[name])
					if p, ok := q.Published[name]; ok && math.Abs(speeds[i]-p[0]) > p[1] {
						t.Errorf("speed of %s = %v, published %v ± %v (%s)", name, speeds[i], p[0], p[1], c.Source)
					}
				}
				for i, el := range tr.Elements {
					near(t, "slip of "+el.Name, slips[i], want.Slips[el.Name])
					if e.DeterminedSlip()[i] != (want.Slips[el.Name] != nil) {
						t.Errorf("slip of %s determined: %v", el.Name, e.DeterminedSlip()[i])
					}
				}
				for i, name := range names {
					near(t, "residual of "+name, residual[i], want.Residuals[name])
				}
				near(t, "sum of squares", e.ChiSquared(m), want.RSS)
				if want.Explanations != nil {
					checkExplanations(t, tr, s, holding, m, want, q.ExpectBest)
				}
			})
		}
	}
}

func checkExplanations(t *testing.T, tr *Train, s []Sensor, holding []int, m []float64, want question, best []string) {
	x, err := NewExplainer(tr, s, holding)
	if err != nil {
		t.Fatal(err)
	}
	fits := x.Explain(m, nil)
	if len(fits) != len(want.Explanations) {
		t.Errorf("%d explanations, want %d", len(fits), len(want.Explanations))
	}
	name := func(f Fit) string {
		if f.Cause < 0 {
			return "nothing wrong"
		}
		if c := x.Causes()[f.Cause]; c.Kind == ElementSlips {
			return tr.Elements[c.Index].Name + " slips"
		} else {
			return "sensor " + tr.Shafts[s[c.Index].Shaft] + " wrong"
		}
	}
	for i, f := range fits {
		w, ok := want.Explanations[name(f)]
		if !ok {
			t.Errorf("unexpected explanation %q", name(f))
			continue
		}
		near(t, name(f)+": sum of squares", f.ChiSquared, w.RSS)
		near(t, name(f)+": input", f.InputRPM, w.Input)
		if w.Slip != nil {
			near(t, name(f)+": slip", f.SizeRPM, w.Slip)
		}
		if i > 0 && f.Cause >= 0 && f.ChiSquared < fits[i-1].ChiSquared {
			t.Errorf("explanation %d fits better than the one before", i)
		}
	}
	for i, b := range best {
		if name(fits[i]) != b {
			t.Errorf("explanation %d is %q, want %q", i+1, name(fits[i]), b)
		}
	}
}
