package van

import (
	"encoding/json"
	"math"
	"os"
	"sync"
	"testing"

	"gearwitness/signals"
)

// demonstration is the vehicle file of the demonstration; tests leave it as it is.
var demonstration = sync.OnceValues(func() (*signals.File, error) {
	f, list := signals.Parse("van.yaml", signals.Van(), nil)
	return f, list.Err()
})

func vehicle(t testing.TB) *signals.File {
	t.Helper()
	f, err := demonstration()
	if err != nil {
		t.Fatal(err)
	}
	return f
}

func van(t testing.TB, o Options) *sim {
	t.Helper()
	s, err := newSim(o, vehicle(t))
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// published is testdata/demo-train.json; see the README beside it.
type published struct {
	Gears map[string]struct {
		Ratio  float64            `json:"ratio"`
		Speeds map[string]float64 `json:"shafts_rpm"`
		Slip   map[string]float64 `json:"slip_rpm"`
		Torque map[string]float64 `json:"torque_per_input"`
	} `json:"computed_at_input_1000_rpm"`
}

func figures(t testing.TB) published {
	t.Helper()
	raw, err := os.ReadFile("testdata/demo-train.json")
	if err != nil {
		t.Fatal(err)
	}
	var p published
	if err := json.Unmarshal(raw, &p); err != nil {
		t.Fatal(err)
	}
	return p
}

// hold lets the rows of a gear stick under torque at the input and the load that
// balances it at the output, from rest, for one second, and returns the solver
// and the speeds.
func hold(m *mechanism, gear int, in float64) (*friction, vec, [numRows]float64) {
	f := &friction{m: m}
	var u, v vec
	var bound [numRows]float64
	for i := range numElements {
		if m.gear[gear].holds&(1<<i) != 0 {
			bound[i] = 5000 * dt
		}
	}
	var torque [numRows]float64
	for range 1000 {
		v = u
		v.addScaled(dt*in, &m.drive[inputShaft])
		v.addScaled(-dt*in*m.gear[gear].ratio, &m.drive[outputShaft])
		f.solve(&v, &bound)
		u = v
	}
	for i := range torque {
		torque[i] = f.impulse[i] / dt
	}
	return f, u, torque
}

// Torques of the elements against the published shares: with load in balance
// nothing accelerates, so that the dynamics must give the statics.
func TestTorqueSharesAgreeWithPublishedOnes(t *testing.T) {
	m := van(t, DefaultOptions()).m
	for g := 1; g < len(m.gear); g++ {
		want := figures(t).Gears[gearNames[g]]
		if d := math.Abs(m.gear[g].ratio - want.Ratio); d > 6e-6 {
			t.Errorf("gear %s: ratio %.6f, published %.6f", gearNames[g], m.gear[g].ratio, want.Ratio)
		}
		_, u, torque := hold(m, g, 100)
		if n := m.shaft[inputShaft].dot(&u); math.Abs(n) > 1e-6 {
			t.Errorf("gear %s: a balanced load moves the input at %g rad/s", gearNames[g], n)
		}
		for i, name := range elementNames {
			// The published torque is that on the element's first shaft.
			if got := torque[i] / 100; math.Abs(got-want.Torque[name]) > 1e-5 {
				t.Errorf("gear %s: %s carries %.5f per input torque, published %.5f", gearNames[g], name, got, want.Torque[name])
			}
		}
	}
}

func TestOneWayClutchOverrunsWhenTheEngineBrakes(t *testing.T) {
	m := van(t, DefaultOptions()).m
	f := &friction{m: m}
	var u vec
	var bound [numRows]float64
	bound[lowClutch], bound[oneWay] = 5000*dt, 5000*dt
	push := func(torque float64, steps int) {
		for range steps {
			u.addScaled(dt*torque, &m.drive[inputShaft])
			f.solve(&u, &bound)
		}
	}
	push(50, 500)
	if f.slip[oneWay] != 0 || f.impulse[oneWay] <= 0 {
		t.Fatalf("under drive: slip %g rad/s, torque %g N·m; expected 0 and more than 0", f.slip[oneWay], f.impulse[oneWay]/dt)
	}
	push(-30, 300)
	if f.slip[oneWay] <= 0 || f.impulse[oneWay] != 0 {
		t.Fatalf("in overrun: slip %g rad/s, torque %g N·m; expected more than 0 and 0", f.slip[oneWay], f.impulse[oneWay]/dt)
	}
	push(50, 1000)
	if f.slip[oneWay] != 0 || f.impulse[oneWay] <= 0 {
		t.Fatalf("driven again: slip %g rad/s, torque %g N·m; it should hold again", f.slip[oneWay], f.impulse[oneWay]/dt)
	}
}

// A tie-up of three elements must not blow up: something slides or all stands.
func TestTieUpStaysBounded(t *testing.T) {
	m := van(t, DefaultOptions()).m
	f := &friction{m: m}
	u := vec{}
	var bound [numRows]float64
	for _, i := range []int{lowClutch, oddClutch, highClutch, drumBrake, crawlerBrake, oneWay, lockupClutch, wheelBrake} {
		bound[i] = float64(100+50*i) * dt
	}
	for k := range 3000 {
		u.addScaled(dt*300*math.Sin(float64(k)*0.01), &m.drive[inputShaft])
		u[engine] += dt * 200 / engineInertia * math.Cos(float64(k)*0.013)
		f.solve(&u, &bound)
		for i := range numRows {
			if p := f.impulse[i]; math.Abs(p) > bound[i]*(1+1e-9) || i == oneWay && p < 0 || math.IsNaN(p) {
				t.Fatalf("step %d: row %d has the impulse %g, bound %g", k, i, p, bound[i])
			}
			// Friction never drives: torque against slip, or none of the two.
			if w := f.impulse[i] * f.slip[i]; w > 1e-6*bound[i] {
				t.Fatalf("step %d: row %d gives power: impulse %g, slip %g", k, i, f.impulse[i], f.slip[i])
			}
		}
	}
}

// Over a whole drive: speeds in every gear are the published ones, sticking
// elements have no slip, no capacity is exceeded, friction only dissipates, and
// energy is neither made nor lost.
func TestDriveObeysMechanics(t *testing.T) {
	o := DefaultOptions()
	s := van(t, o)
	want := figures(t).Gears
	seen := map[int]int{}
	before := s.m.kinetic(&s.u)
	for range 400_000 {
		s.step()
		for i := range numRows {
			p, slip := s.fric.impulse[i], s.fric.slip[i]
			if math.Abs(p) > s.bound[i]*(1+1e-9) {
				t.Fatalf("%v: row %d carries %g N·m of %g", s.now(), i, p/dt, s.bound[i]/dt)
			}
			if p*slip > 1e-6*s.bound[i] {
				t.Fatalf("%v: row %d gives power: %g N·m at %g rad/s", s.now(), i, p/dt, slip)
			}
			if s.carries(i) && (slip != 0 || math.Abs(s.m.row[i].dot(&s.u)) > 1e-7) {
				t.Fatalf("%v: row %d sticks with a slip of %g rad/s", s.now(), i, s.m.row[i].dot(&s.u))
			}
		}
		g := s.heldGear()
		if g < 0 || s.ctl.phase != steady || math.Abs(s.shafts[outputShaft]) < 100 {
			continue
		}
		seen[g]++
		w := want[gearNames[g]]
		for i, name := range shaftNames {
			n := w.Speeds[name] * s.shafts[inputShaft] / 1000
			// Published with three decimals at 1,000 rpm.
			if math.Abs(s.shafts[i]-n) > 1e-6*math.Abs(s.shafts[inputShaft])+1e-6 {
				t.Fatalf("%v, gear %s: %s turns at %.4f rpm, published %.4f", s.now(), gearNames[g], name, s.shafts[i], n)
			}
		}
	}
	for g := 1; g < len(gearNames); g++ {
		if seen[g] < 500 {
			t.Errorf("gear %s carried for only %d ms of the drive", gearNames[g], seen[g])
		}
	}
	e := s.energy
	lost := e.engine - e.converter - e.friction - e.drag - e.brakes - e.road - (s.m.kinetic(&s.u) - before)
	if math.Abs(lost) > 1e-6*e.engine {
		t.Errorf("energies %+v leave %g J over", e, lost)
	}
	if e.friction <= 0 || e.brakes <= 0 || e.drag <= 0 {
		t.Errorf("a loss is not positive: %+v", e)
	}
}
