package drivetrain

import (
	"fmt"
	"math"
	"math/big"
	"slices"
	"strconv"
	"strings"

	"gearwitness/decode"
	"gearwitness/decode/geartrain"
	"gearwitness/signals"
)

// maxSensors bounds the shaft-speed sensors of one gearbox, and with it the
// number of subsets the analysis may be left with.
const maxSensors = 8

// usualFlareRPM is a flare that counts as a fault (common practice, no source: 150 to
// 200 rpm).
const usualFlareRPM = 150

// NaN stands for "not known" in the figures of this package: speeds of shafts no
// sensor tells of, slips that do not follow, roles that are not filled.
var unknown = math.NaN()

func known(v float64) bool { return v == v }

// model is what the vehicle file says of the gearbox, as numbers.
type model struct {
	train    *geartrain.Train // nil with plain ratios
	sensors  []sensor
	gears    []gear
	elements []string
	oneWay   []bool // by element

	energyLimit []float64 // by element: what its lining bears in one shift [kJ], 0 not known
	flareLimit  float64   // rpm

	input, output int // positions in sensors, -1 where not measured

	twins bool // all sensors together show two of the gears alike

	open   []*geartrain.Estimator // by set of sensors: nothing assumed to hold
	held   map[heldKey]*geartrain.Estimator
	speeds []float64 // scratch, one per shaft
}

type heldKey struct{ elements, sensors uint64 }

// sensor is a shaft-speed signal.
type sensor struct {
	name      string // of the signal
	signal    int32
	channel   int
	shaft     int // of the train
	magnitude bool
	step      float64 // resolution [rpm]
}

// gear is one gear of the box.
type gear struct {
	name    string
	value   int64 // of the derived signal
	reverse bool
	ratio   float64   // input over output, negative in reverse
	speed   []float64 // by sensor: speed per rpm of input; NaN on a loose shaft
	spread  float64   // doubt from the sensors' steps: two standard deviations of the input speed [rpm]
	carries []int     // elements
	mask    uint64    // the same
	oneWay  bool      // one of them is a one-way clutch
	alike   uint64    // sensors whose error looks the same as slip of a carrying element
	torque  []float64 // by element: torque on its first shaft per unit of input torque; NaN undetermined
}

// Values of the derived signal gear that are no gear.
const (
	valueNeutral  = 0
	valueStanding = 100
	valueBetween  = 101
)

// States of the gearbox where a gear's position in model.gears is not asked for.
const (
	standing = -1 - iota
	neutral
	between
	notKnown
)

// gearValue numbers a gear by its name: "3" is 3, "R" -1, "R2" -2. Names that
// are no number follow from 200.
func gearValue(name string, taken []int64) int64 {
	v := int64(200)
	if n, err := strconv.Atoi(name); err == nil && n > 0 && n < 100 {
		v = int64(n)
	} else if isReverse(name) {
		v = -1
		if n, err := strconv.Atoi(name[1:]); err == nil && n > 0 && n < 100 {
			v = -int64(n)
		}
	}
	for slices.Contains(taken, v) {
		v = max(v+1, 200)
	}
	return v
}

// isReverse tells a reverse gear by its name: R, R1, R2.
func isReverse(name string) bool {
	rest, ok := strings.CutPrefix(strings.ToUpper(name), "R")
	if !ok {
		return false
	}
	_, err := strconv.Atoi(rest)
	return rest == "" || err == nil
}

// newModel reads the transmission section. The file's reader has checked it;
// what only the exact solution shows is an error here.
func newModel(f *signals.File, t *decode.Table, channel func(string) int) (*model, error) {
	tr := f.Transmission
	m := &model{input: -1, output: -1, flareLimit: tr.Limits.FlareRPM}
	if m.flareLimit == 0 {
		m.flareLimit = usualFlareRPM
	}
	add := func(name string, shaft int, magnitude bool) (int, error) {
		i := t.Index(name)
		if i < 0 {
			return 0, fmt.Errorf("transmission: speed signal %q is not in the vehicle file; name one of its signals", name)
		}
		if len(m.sensors) == maxSensors {
			return 0, fmt.Errorf("transmission: more than %d shaft-speed sensors; leave out those that repeat another", maxSensors)
		}
		r := geartrain.ReadingOf(f, name)
		m.sensors = append(m.sensors, sensor{name: name, signal: i, channel: channel(name), shaft: shaft, magnitude: magnitude || !r.Signed, step: r.StepRPM})
		return len(m.sensors) - 1, nil
	}
	var err error
	if tr.Train == nil {
		if m.input, m.output, err = ends(tr.Roles, add, 0, 1); err != nil {
			return nil, err
		}
		for _, r := range tr.Ratios {
			if !(math.Abs(r.V) > 1e-3 && math.Abs(r.V) < 1e3) {
				return nil, fmt.Errorf("transmission: ratio of gear %s is %g; expected input over output speed, such as 3.1", r.Name, r.V)
			}
			ratio := r.V
			reverse := isReverse(r.Name) || ratio < 0
			if reverse {
				ratio = -math.Abs(ratio)
			}
			g := gear{name: r.Name, value: gearValue(r.Name, m.values()), reverse: reverse, ratio: ratio, speed: make([]float64, len(m.sensors))}
			for s := range g.speed {
				if s == m.input {
					g.speed[s] = 1
				} else {
					g.speed[s] = 1 / ratio
				}
			}
			m.gears = append(m.gears, g)
		}
		m.doubt()
		return m, nil
	}

	m.train, err = geartrain.FromFile(tr)
	if err != nil {
		return nil, err
	}
	for _, s := range tr.Train.Sensors {
		shaft, ok := m.train.Index(s.V.Shaft)
		if !ok || shaft == geartrain.Ground {
			return nil, fmt.Errorf("transmission: sensor %s is on shaft %q, which the train does not have", s.Name, s.V.Shaft)
		}
		i, err := add(s.Name, shaft, s.V.Magnitude)
		if err != nil {
			return nil, err
		}
		m.note(i)
	}
	roles := tr.Roles
	for i := range m.sensors { // a role filled by a sensor of the train is that sensor
		if m.sensors[i].name == roles.InputSpeed {
			roles.InputSpeed = ""
		}
		if m.sensors[i].name == roles.OutputSpeed {
			roles.OutputSpeed = ""
		}
	}
	in, out, err := ends(roles, add, m.train.Input, m.train.Output)
	if err != nil {
		return nil, err
	}
	for _, i := range []int{in, out} {
		if i >= 0 {
			m.note(i)
		}
	}
	gears, err := geartrain.GearsFromFile(m.train, tr)
	if err != nil {
		return nil, err
	}
	for i := range gears {
		g, err := m.solve(&gears[i])
		if err != nil {
			return nil, err
		}
		m.gears = append(m.gears, g)
	}
	for _, e := range m.train.Elements {
		m.elements = append(m.elements, e.Name)
		m.oneWay = append(m.oneWay, e.Kind == geartrain.OneWay)
		m.energyLimit = append(m.energyLimit, tr.Elements[tr.Elements.Index(e.Name)].V.EnergyLimitKJ)
	}
	m.doubt()
	m.open = make([]*geartrain.Estimator, 1<<len(m.sensors))
	m.held = make(map[heldKey]*geartrain.Estimator)
	m.speeds = make([]float64, len(m.train.Shafts))
	for i := range m.gears {
		m.gears[i].alike = m.alikeIn(&m.gears[i])
		for o := range i {
			m.twins = m.twins || len(m.sensors) > 1 && twins(&m.gears[i], &m.gears[o])
		}
	}
	return m, nil
}

// twins tells that the sensors' speeds stand in the same proportion in two gears.
func twins(a, b *gear) bool {
	for s := range a.speed {
		for o := range s {
			x, y := float64(a.speed[s]*b.speed[o]), float64(a.speed[o]*b.speed[s])
			if !(math.Abs(x-y) < 1e-9) { // a loose shaft tells nothing for certain, but no twin either
				return false
			}
		}
	}
	return true
}

// ends adds the sensors named by the roles input and output speed.
func ends(r signals.Roles, add func(string, int, bool) (int, error), inShaft, outShaft int) (in, out int, err error) {
	in, out = -1, -1
	if r.InputSpeed != "" {
		if in, err = add(r.InputSpeed, inShaft, false); err != nil {
			return
		}
	}
	if r.OutputSpeed != "" {
		out, err = add(r.OutputSpeed, outShaft, false)
	}
	return
}

// note remembers which sensor measures input and output.
func (m *model) note(i int) {
	switch m.sensors[i].shaft {
	case m.train.Input:
		m.input = i
	case m.train.Output:
		m.output = i
	}
}

func (m *model) values() []int64 {
	out := make([]int64, len(m.gears))
	for i := range m.gears {
		out[i] = m.gears[i].value
	}
	return out
}

// solve works a gear of the element table out exactly.
func (m *model) solve(in *geartrain.Gear) (gear, error) {
	row := m.train.Solve(in.Holds, geartrain.Drive)
	if row.State != geartrain.InGear {
		return gear{}, fmt.Errorf("transmission: gear %s gives no ratio (%s); correct its elements, `gearwitness check --gears` says which one is to blame", in.Name, row.State)
	}
	g := gear{name: in.Name, value: gearValue(in.Name, m.values()), ratio: float(row.Ratio)}
	g.reverse = g.ratio < 0
	for e := range m.train.Elements {
		carries := row.Holding[e]
		if m.train.Elements[e].Kind != geartrain.OneWay {
			carries = slices.Contains(in.Holds, e)
		}
		if carries {
			g.carries = append(g.carries, e)
			g.oneWay = g.oneWay || m.train.Elements[e].Kind == geartrain.OneWay
			g.mask |= 1 << e
		}
		g.torque = append(g.torque, float(row.Torque[e]))
	}
	for _, s := range m.sensors {
		g.speed = append(g.speed, float(row.Speed[s.shaft]))
	}
	return g, nil
}

// float is the nearest float64; NaN for nil, which is "not determined".
func float(r *big.Rat) float64 {
	if r == nil {
		return unknown
	}
	f, _ := r.Float64()
	return f
}

// doubt works out what the sensors' steps leave open of the input speed in each
// gear: a step D counts as variance D^2/12 (a uniform distribution, JCGM
// 100:2008, 4.3.7), a difference of two readings as the sum of both.
func (m *model) doubt() {
	for i := range m.gears {
		g := &m.gears[i]
		var sum float64
		for s, c := range g.speed {
			if known(c) && c != 0 {
				sum = max(sum, m.sensors[s].step*m.sensors[s].step/12/(c*c))
			}
		}
		g.spread = 2 * math.Sqrt(2*sum)
	}
}

// estimator returns the one for a set of sensors with a set of elements assumed
// to hold; nil if there is none. Each is computed when it is first needed.
func (m *model) estimator(elements, sensors uint64) *geartrain.Estimator {
	if m.train == nil || sensors == 0 {
		return nil
	}
	if elements == 0 {
		if m.open[sensors] == nil {
			m.open[sensors] = m.newEstimator(0, sensors)
		}
		return m.open[sensors]
	}
	k := heldKey{elements, sensors}
	e, ok := m.held[k]
	if !ok {
		e = m.newEstimator(elements, sensors)
		m.held[k] = e
	}
	return e
}

func (m *model) newEstimator(elements, set uint64) *geartrain.Estimator {
	var list []geartrain.Sensor
	for i, s := range m.sensors {
		if set>>i&1 != 0 {
			// Half a step of 0.25 rpm at least: no sensor is without doubt.
			step := max(s.step, 0.25)
			list = append(list, geartrain.Sensor{Shaft: s.shaft, VarianceRPM2: step * step / 12})
		}
	}
	var holding []int
	for e := range m.elements {
		if elements>>e&1 != 0 {
			holding = append(holding, e)
		}
	}
	est, err := geartrain.NewEstimator(m.train, list, holding)
	if err != nil {
		return nil // such as a tie-up of these elements: nothing follows
	}
	return est
}

// alikeIn finds the sensors that cannot be told from an element in a gear: with
// the sensor left out, the others would not see that element slip.
func (m *model) alikeIn(g *gear) (alike uint64) {
	all := uint64(1)<<len(m.sensors) - 1
	for s := range m.sensors {
		others := all &^ (1 << s)
		whole := m.estimator(g.mask, others)
		for _, e := range g.carries {
			without := m.estimator(g.mask&^(1<<e), others)
			if whole == nil || without == nil || without.Spare() >= whole.Spare() {
				alike |= 1 << s
			}
		}
	}
	return alike
}

// pick writes the readings of a set of sensors one after the other into to.
func pick(set uint64, readings *[maxSensors]float64, to *[maxSensors]float64) []float64 {
	n := 0
	for i := range readings {
		if set>>i&1 != 0 {
			to[n] = readings[i]
			n++
		}
	}
	return to[:n]
}
