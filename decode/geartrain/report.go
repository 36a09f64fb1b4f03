package geartrain

import (
	"fmt"
	"math"
	"math/big"
	"slices"
	"strings"

	"gearwitness/signals"
)

// Report is everything that follows from the gear train and the element table of
// a vehicle file alone, before any drive. Speeds are for 1,000 rpm at the input,
// torques per unit of torque at the input; null (nil) where loose shafts or
// redundant elements leave a figure undetermined.
type Report struct {
	Shafts   []string `json:"shafts"`
	Sets     []string `json:"sets"`
	Elements []string `json:"elements"`
	Input    string   `json:"input"`
	Output   string   `json:"output"`
	// Freedom counts the shafts that can be turned at will with nothing applied.
	Freedom int            `json:"freedom"`
	Gears   []GearReport   `json:"gears"`
	Sensors *SensorsReport `json:"sensors,omitempty"`
	// Solenoids is nil where the file describes none.
	Solenoids *SolenoidsReport `json:"solenoids,omitempty"`
	// Faults make the element table wrong; Warnings may have a reason.
	Faults   []string `json:"faults"`
	Warnings []string `json:"warnings"`
}

// GearReport is one gear of the table.
type GearReport struct {
	Gear  string   `json:"gear"`
	Holds []string `json:"holds"`
	State State    `json:"state"`
	// Ratio is input over output speed, RatioExact the same as a fraction.
	Ratio      *float64 `json:"ratio"`
	RatioExact string   `json:"ratio_exact,omitempty"`
	// Step is the ratio of the forward gear before over that of this one; null in
	// the first forward gear, in reverse and for a second way to the same ratio.
	Step *float64 `json:"step"`
	// OnCoast is the state when the wheels drive the engine; EngineBraking tells
	// whether the wheels then still turn the input.
	OnCoast       State           `json:"on_coast"`
	EngineBraking bool            `json:"engine_braking"`
	Freedom       int             `json:"freedom"`
	Redundant     int             `json:"redundant"`
	ElementsAt    []ElementReport `json:"elements"`
	ShaftsAt      []ShaftReport   `json:"shafts"`
	// JammedBy and Freewheels name one-way clutches, as in Row.
	JammedBy   []string `json:"jammed_by,omitempty"`
	Freewheels []string `json:"freewheels,omitempty"`
	// Changes tell for a row that makes no gear, though it should, what one element
	// fewer (a tie-up or a lock) or more (neutral) would make of it.
	Changes []ChangeReport `json:"changes,omitempty"`
	// Sensing is nil where there are no sensors or the gear is none.
	Sensing *SensingReport `json:"sensing,omitempty"`
}

// ElementReport is one element in one gear.
type ElementReport struct {
	Element string `json:"element"`
	Carries bool   `json:"carries"`
	// SlipRPM is first side minus second (brake: the shaft; one-way: inner minus
	// outer).
	SlipRPM *float64 `json:"slip_rpm"`
	// SlipSigmaRPM is the standard uncertainty of the slip that the sensors' steps
	// leave, SlipSigmaRampRPM the same while the input speed changes by 1,000 rpm/s,
	// when the sensors' periods count too; null where the slip does not follow.
	SlipSigmaRPM     *float64 `json:"slip_sigma_rpm,omitempty"`
	SlipSigmaRampRPM *float64 `json:"slip_sigma_ramp_rpm,omitempty"`
	// Torque is what the element puts on its first side, TorqueShare its size.
	Torque      *float64 `json:"torque"`
	TorqueShare *float64 `json:"torque_share"`
	// Drive and Coast are "holds", "overruns" or "idles" for a one-way clutch.
	Drive string `json:"drive,omitempty"`
	Coast string `json:"coast,omitempty"`
}

// ShaftReport is the speed of one shaft in one gear.
type ShaftReport struct {
	Shaft string   `json:"shaft"`
	RPM   *float64 `json:"rpm"`
}

// ChangeReport is one way out of a row that makes no gear.
type ChangeReport struct {
	Element string   `json:"element"`
	Action  string   `json:"action"` // released or added
	State   State    `json:"state"`
	Ratio   *float64 `json:"ratio"`
}

// SensorsReport is what the speed sensors tell with nothing assumed.
type SensorsReport struct {
	Sensors []SensorReport `json:"sensors"`
	Follows []string       `json:"follows"` // shafts that follow from all sensors
	Spare   int            `json:"spare"`
	// Sufficient lists sets of sensors that give every shaft; none if all of them
	// together do not.
	Sufficient [][]string `json:"sufficient"`
	// Without tells for each sensor what still follows when it drops out.
	Without []WithoutReport `json:"without"`
}

// SensorReport is one speed sensor.
type SensorReport struct {
	Signal   string  `json:"signal"`
	Shaft    string  `json:"shaft"`
	StepRPM  float64 `json:"step_rpm,omitempty"`
	PeriodMS float64 `json:"period_ms,omitempty"`
}

// WithoutReport is what follows when one sensor is missing.
type WithoutReport struct {
	Signal  string   `json:"signal"`
	Follows []string `json:"follows"`
}

// SensingReport is what the sensors tell in one gear, its elements assumed to
// hold, about a single wrong sensor or slipping element.
type SensingReport struct {
	Spare      int        `json:"spare"`
	Sufficient [][]string `json:"sufficient"`
	// Alike are groups of causes that leave the same trace; Invisible leave none.
	Alike     [][]string `json:"alike"`
	Invisible []string   `json:"invisible"`
	// Nearest are the two causes hardest to tell apart among those that can be,
	// AngleDeg the angle between their traces, sensors taken as equally good.
	Nearest  []string `json:"nearest,omitempty"`
	AngleDeg *float64 `json:"angle_deg,omitempty"`
}

// sufficientLimit bounds the sets of sensors listed.
const sufficientLimit = 32

// NewReport judges the gear train of a vehicle file. A faulty table is no error
// but told in Faults.
func NewReport(tr *signals.Transmission) (*Report, error) {
	t, err := FromFile(tr)
	if err != nil {
		return nil, err
	}
	gears, err := GearsFromFile(t, tr)
	if err != nil {
		return nil, err
	}
	r := &Report{
		Shafts: t.Shafts, Input: t.Shafts[t.Input], Output: t.Shafts[t.Output],
		Sets: []string{}, Elements: []string{}, Gears: []GearReport{}, Faults: []string{},
		Freedom:  len(t.NullBasis(nil).Shafts),
		Warnings: append([]string{}, t.Warnings()...),
	}
	for i := range t.Sets {
		r.Sets = append(r.Sets, t.Sets[i].Name)
	}
	for i := range t.Elements {
		r.Elements = append(r.Elements, t.Elements[i].Name)
	}
	s, err := sensorsFromFile(t, tr)
	if err != nil {
		return nil, err
	}
	if len(s.list) > 0 {
		if r.Sensors, err = t.sensorsReport(s); err != nil {
			return nil, err
		}
	}
	if r.Solenoids, err = t.solenoidsReport(tr, gears); err != nil {
		return nil, err
	}
	forward := (*big.Rat)(nil)
	for _, row := range t.Table(gears) {
		g, err := t.gearReport(&row, s)
		if err != nil {
			return nil, fmt.Errorf("gear %s: %w", row.Gear.Name, err)
		}
		if ratio := row.Drive.Ratio; ratio != nil && ratio.Sign() > 0 {
			if forward != nil && forward.Cmp(ratio) != 0 {
				g.Step = figure(new(big.Rat).Quo(forward, ratio), 1)
			}
			forward = ratio
		}
		r.Gears = append(r.Gears, *g)
		r.judge(t, &row, g)
	}
	return r, nil
}

// sensorList is the file's sensors; all count as equally good.
type sensorList struct {
	names []string
	list  []Sensor
}

func sensorsFromFile(t *Train, tr *signals.Transmission) (sensorList, error) {
	var s sensorList
	for _, e := range tr.Train.Sensors {
		shaft, ok := t.Index(e.V.Shaft)
		if !ok || shaft == Ground {
			return s, fmt.Errorf("sensor %s: no shaft is called %q; expected one of the train's shafts", e.Name, e.V.Shaft)
		}
		s.names = append(s.names, e.Name)
		s.list = append(s.list, Sensor{Shaft: shaft, VarianceRPM2: 1})
	}
	return s, nil
}

// pick names the sensors of a set.
func (s *sensorList) pick(set []int) []string {
	out := make([]string, len(set))
	for i, k := range set {
		out[i] = s.names[k]
	}
	return out
}

func (s *sensorList) sufficient(t *Train, holding []int) [][]string {
	shafts := make([]int, len(s.list))
	for i := range s.list {
		shafts[i] = s.list[i].Shaft
	}
	out := [][]string{}
	for _, set := range t.SufficientSets(shafts, holding, sufficientLimit) {
		out = append(out, s.pick(set))
	}
	return out
}

func (t *Train) sensorsReport(s sensorList) (*SensorsReport, error) {
	r := &SensorsReport{Sufficient: s.sufficient(t, nil)}
	for i := range s.list {
		r.Sensors = append(r.Sensors, SensorReport{Signal: s.names[i], Shaft: t.Shafts[s.list[i].Shaft]})
	}
	follows := func(list []Sensor) ([]string, int, error) {
		e, err := NewEstimator(t, list, nil)
		if err != nil {
			return nil, 0, err
		}
		out := []string{}
		for shaft, known := range e.Determined() {
			if known {
				out = append(out, t.Shafts[shaft])
			}
		}
		return out, e.Spare(), nil
	}
	var err error
	if r.Follows, r.Spare, err = follows(s.list); err != nil {
		return nil, err
	}
	for i := range s.list {
		w := WithoutReport{Signal: s.names[i]}
		if w.Follows, _, err = follows(slices.Delete(slices.Clone(s.list), i, i+1)); err != nil {
			return nil, err
		}
		r.Without = append(r.Without, w)
	}
	return r, nil
}

// figure is r times scale as a floating-point number; nil stays nil.
func figure(r *big.Rat, scale float64) *float64 {
	if r == nil {
		return nil
	}
	v, _ := r.Float64()
	v *= scale
	return &v
}

func (t *Train) names(elements []int) []string {
	out := []string{}
	for _, e := range elements {
		out = append(out, t.Elements[e].Name)
	}
	return out
}

// oneWayState is the word for what one-way clutch e does in a row that is in
// gear; empty for another element or row.
func (t *Train) oneWayState(r *Row, e int) string {
	switch {
	case t.Elements[e].Kind != OneWay || r.State != InGear:
		return ""
	case r.Holding[e]:
		return "holds"
	case r.Slip[e] != nil && r.Slip[e].Sign() == 0:
		return "idles"
	default:
		return "overruns"
	}
}

// carrying are the friction elements of a gear and the one-way clutches that
// hold in it.
func (t *Train) carrying(row *TableRow) []int {
	out := t.friction(row.Gear.Holds)
	for e, holds := range row.Drive.Holding {
		if holds {
			out = append(out, e)
		}
	}
	return out
}

func (t *Train) gearReport(row *TableRow, s sensorList) (*GearReport, error) {
	d := &row.Drive
	g := &GearReport{
		Gear: row.Gear.Name, Holds: t.names(row.Gear.Holds), State: d.State,
		Ratio: figure(d.Ratio, 1), OnCoast: row.Coast.State, EngineBraking: row.Coast.State == InGear,
		Freedom: d.Freedom, Redundant: d.Redundant,
		ElementsAt: []ElementReport{}, ShaftsAt: []ShaftReport{},
	}
	if d.JammedBy != nil {
		g.JammedBy = t.names(d.JammedBy)
	}
	if d.Freewheels != nil {
		g.Freewheels = t.names(d.Freewheels)
	}
	for _, c := range row.Changes {
		if g.idle() {
			break
		}
		action := "released"
		if d.State == Neutral {
			action = "added"
		}
		g.Changes = append(g.Changes, ChangeReport{t.Elements[c.Element].Name, action, c.Row.State, figure(c.Row.Ratio, 1)})
	}
	if d.State != InGear {
		return g, nil
	}
	g.RatioExact = d.Ratio.RatString()
	carries := t.carrying(row)
	for e := range t.Elements {
		er := ElementReport{
			Element: t.Elements[e].Name, Carries: slices.Contains(carries, e),
			SlipRPM: figure(d.Slip[e], 1000), Torque: figure(d.Torque[e], 1),
			Drive: t.oneWayState(d, e), Coast: t.oneWayState(&row.Coast, e),
		}
		if er.Torque != nil {
			share := math.Abs(*er.Torque)
			er.TorqueShare = &share
		}
		g.ElementsAt = append(g.ElementsAt, er)
	}
	for i, name := range t.Shafts {
		g.ShaftsAt = append(g.ShaftsAt, ShaftReport{name, figure(d.Speed[i], 1000)})
	}
	if len(s.list) == 0 {
		return g, nil
	}
	var err error
	g.Sensing, err = t.sensingReport(s, carries)
	return g, err
}

func (t *Train) sensingReport(s sensorList, holding []int) (*SensingReport, error) {
	x, err := NewExplainer(t, s.list, holding)
	if err != nil {
		return nil, err
	}
	e, err := NewEstimator(t, s.list, holding)
	if err != nil {
		return nil, err
	}
	r := &SensingReport{Spare: e.Spare(), Sufficient: s.sufficient(t, holding), Alike: [][]string{}, Invisible: []string{}}
	name := func(i int) string {
		if c := x.Causes()[i]; c.Kind == ElementSlips {
			return t.Elements[c.Index].Name + " slips"
		} else {
			return s.names[c.Index] + " reads wrong"
		}
	}
	for _, group := range x.Alike() {
		var names []string
		for _, i := range group {
			names = append(names, name(i))
		}
		r.Alike = append(r.Alike, names)
	}
	for i := range x.Causes() {
		if !x.Visible(i) {
			r.Invisible = append(r.Invisible, name(i))
			continue
		}
		for j := range i {
			if !x.Visible(j) || slices.Contains(x.Group(i), j) {
				continue
			}
			// A tie within rounding goes to the first pair, so that the report is the
			// same on every machine.
			if a := x.AngleDeg(i, j); r.AngleDeg == nil || a < *r.AngleDeg-1e-9 {
				r.AngleDeg, r.Nearest = &a, []string{name(j), name(i)}
			}
		}
	}
	return r, nil
}

// idle tells whether a gear is meant to drive nothing: neutral or park, by the
// letters of the lever.
func (g *GearReport) idle() bool { return g.Gear == "N" || g.Gear == "P" }

// wayOut says which single change makes a gear of a row that is none.
func (g *GearReport) wayOut() string {
	var out []string
	action := "changed"
	for _, c := range g.Changes {
		action = c.Action
		if c.State == InGear {
			out = append(out, fmt.Sprintf("%s %s gives ratio %.4f", c.Element, c.Action, *c.Ratio))
		}
	}
	if out == nil {
		return "no single element " + action + " makes a gear of it"
	}
	return strings.Join(out, ", ")
}

// judge adds what is wrong with one row of the table to the report.
func (r *Report) judge(t *Train, row *TableRow, g *GearReport) {
	d := &row.Drive
	fault := func(format string, a ...any) {
		r.Faults = append(r.Faults, "gear "+g.Gear+" "+fmt.Sprintf(format, a...))
	}
	switch {
	case g.idle():
		if d.State == InGear {
			fault("is in gear with these elements: expected neutral")
		}
		return
	case d.State == Neutral && slices.ContainsFunc(d.Freewheels, func(e int) bool { return slices.Contains(row.Gear.Holds, e) }):
		fault("freewheels: %s turns free in this sense; check which way round it is fitted; %s", list(g.Freewheels), g.wayOut())
		return
	case d.State == Neutral && d.Freewheels != nil: // it is not asked to hold: another element is missing
		fault("is neutral, and %s turns free in it: %s", list(g.Freewheels), g.wayOut())
		return
	case d.State == Neutral:
		fault("is neutral: %s", g.wayOut())
		return
	case d.JammedBy != nil:
		fault("jams: %s keeps the input from turning; check which way round it is fitted", list(g.JammedBy))
		return
	case d.State == TiedUp:
		fault("is a tie-up of %s: %s", list(g.Holds), g.wayOut())
		return
	case d.State == InputLocked:
		fault("holds the input fast: %s", g.wayOut())
		return
	case d.State == OutputLocked:
		fault("holds the output fast: %s", g.wayOut())
		return
	}
	for e := range t.Elements {
		if t.Elements[e].Kind != OneWay {
			continue
		}
		switch listed := slices.Contains(row.Gear.Holds, e); {
		case listed && !d.Holding[e]:
			fault("lists %s as carrying, but under drive it %s", t.Elements[e].Name, t.oneWayState(d, e))
		case !listed && d.Holding[e]:
			fault("does not list %s, but under drive it holds and carries torque", t.Elements[e].Name)
		}
	}
	if reverse := g.Gear == "R"; reverse != (d.Ratio.Sign() < 0) {
		sense := "backwards"
		if reverse {
			sense = "forwards"
		}
		r.Warnings = append(r.Warnings, fmt.Sprintf("gear %s turns the output %s; check the shafts and the table", g.Gear, sense))
	}
}

// list joins names for a sentence.
func list(names []string) string {
	switch n := len(names); n {
	case 0:
		return "nothing"
	case 1:
		return names[0]
	default:
		out := names[0]
		for _, s := range names[1 : n-1] {
			out += ", " + s
		}
		return out + " and " + names[n-1]
	}
}
