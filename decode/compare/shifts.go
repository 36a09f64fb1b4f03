package compare

import (
	"encoding/json"
	"fmt"
	"math"
	"slices"

	"gearwitness/capture"
	"gearwitness/decode"
	"gearwitness/decode/drivetrain"
	"gearwitness/signals"
	"gearwitness/signals/unit"
)

// Shift is one change of gear and the curve it took.
type Shift struct {
	drivetrain.ShiftEvent
	// TorqueBefore is the mean engine torque of the 0.2 s before the gear was asked
	// for, or before 0.3 s ahead of the start where no command is known. Engine
	// torque at the start itself is no condition of the shift but part of it: a
	// control unit takes torque away while it shifts, sooner or later.
	TorqueBefore *float64 `json:"engine_torque_before_nm,omitempty"`
	Curve        Curve    `json:"curve"`
}

// Kind is what drove in which direction: "power-on up", "coast down"; the load
// is left out where the pedal is not known.
func (s *Shift) Kind() string {
	if s.Load == "" {
		return s.Direction
	}
	return s.Load + " " + s.Direction
}

// At is the time of the shift: its start, or its end where the start was not
// seen; 0 when neither was.
func (s *Shift) At() capture.Stamp {
	switch {
	case s.Start != nil:
		return capture.Stamp(*s.Start)
	case s.End != nil:
		return capture.Stamp(*s.End)
	}
	return 0
}

// Curve is the progress of a shift: p = (r - r_old)/(r_new - r_old) of the ratio
// r = input over output, 0 in the old gear and 1 in the new one, at ticks of
// the analysis where r is known; empty where the shift's start was not seen. Of
// many shifts of one Set only some keep their curve, see keptCurves.
type Curve []Point

// Point is one point of a curve. It marshals as [seconds, progress].
type Point struct {
	T float64 // s from the start of the shift
	P float64
}

// MarshalJSON writes [t, p] to a tenth of a millisecond and a thousandth.
func (p Point) MarshalJSON() ([]byte, error) { return fmt.Appendf(nil, "[%.4f,%.3f]", p.T, p.P), nil }

// UnmarshalJSON reads [t, p].
func (p *Point) UnmarshalJSON(text []byte) error {
	var v []float64
	if err := json.Unmarshal(text, &v); err != nil {
		return err
	}
	if len(v) != 2 {
		return fmt.Errorf("point of a curve: expected [seconds, progress], found %.40s", text)
	}
	p.T, p.P = v[0], v[1]
	return nil
}

// How much of a curve is kept before the start and behind the end of a shift.
const (
	curveBefore = capture.Stamp(300e6)
	curveAfter  = capture.Stamp(500e6)
	torqueSpan  = capture.Stamp(200e6)
	longest     = capture.Stamp(5e9) // of a curve
	kept        = capture.Stamp(15e9)
)

// keptCurves bounds the memory of a long session: from twice as many shifts of one
// Set on, only every second, fourth and so on keeps its curve, so that at least
// this many are left, spread evenly over the session. Of all other figures every
// shift keeps its own, 1 kB.
const keptCurves = 64

// longestGap between points for a curve to be drawn between them, in seconds.
const longestGap = 0.06

// shiftCurves gathers the shifts of one session and their curves.
type shiftCurves struct {
	ratio, torque int32 // signals, -1 without
	torqueUnit    unit.Unit
	ratios        map[string]float64
	past          track         // ratio
	pastTorque    track         // N·m
	now           capture.Stamp // of the last ratio
	waiting       []Shift       // the end of their curves is still to come
	curves        map[groupKey]*curves
}

// curves of one Set.
type curves struct {
	every int   // so many shifts have one curve
	seen  int   // shifts that had one
	kept  []int // shifts of the record that have it still
}

// track is the values of a signal over the last seconds, in order of time.
type track []struct {
	at capture.Stamp
	v  float64
}

func (t *track) put(at capture.Stamp, v float64) {
	*t = append(*t, struct {
		at capture.Stamp
		v  float64
	}{at, v})
}

// forget drops what is older than the last seconds, in large steps, so that
// moving the rest costs little.
func (t *track) forget() {
	n := len(*t)
	if n < 4096 {
		return
	}
	k := max(0, n-1<<16) // whatever the stamps say
	for (*t)[k].at < (*t)[n-1].at-kept {
		k++
	}
	if k > n/2 {
		*t = slices.Delete(*t, 0, k)
	}
}

// mean of the values in a time, nil without any.
func (t track) mean(from, to capture.Stamp) *float64 {
	sum, n := 0.0, 0
	for i := len(t) - 1; i >= 0 && t[i].at >= from; i-- {
		if t[i].at <= to {
			sum += t[i].v
			n++
		}
	}
	if n == 0 {
		return nil
	}
	mean := math.Round(100*sum/float64(n)) / 100
	return &mean
}

func newShiftCurves(f *signals.File, t *decode.Table, gears []Gear) shiftCurves {
	c := shiftCurves{ratio: t.Index(drivetrain.SignalRatio), torque: -1, ratios: map[string]float64{}, curves: map[groupKey]*curves{}, torqueUnit: "N·m"}
	if f.Transmission != nil {
		c.torque = t.Index(f.Transmission.Roles.EngineTorque)
	}
	if c.torque >= 0 && t.Signals[c.torque].Unit != "" {
		c.torqueUnit = t.Signals[c.torque].Unit
	}
	for _, g := range gears {
		c.ratios[g.Name] = g.Ratio
	}
	return c
}

// take takes in what one step of the pipeline gave out.
func (c *shiftCurves) take(out *decode.Output, r *Record) {
	for _, s := range out.Samples {
		switch {
		case s.Status != decode.Valid:
		case s.Signal == c.ratio:
			c.past.put(s.Time, s.Value)
			c.now = s.Time
		case s.Signal == c.torque:
			if v, err := unit.Convert(s.Value, c.torqueUnit, "N·m"); err == nil {
				c.pastTorque.put(s.Time, v)
			}
		}
	}
	for _, e := range out.Events {
		if s, ok := e.Fields.(drivetrain.ShiftEvent); ok && e.Kind == decode.KindShift {
			c.waiting = append(c.waiting, Shift{ShiftEvent: s, TorqueBefore: c.torqueBefore(&s)})
		}
	}
	if len(c.waiting) > 0 {
		c.settle(c.now, r)
	}
	// Not before: one step may hold more than the last seconds.
	c.past.forget()
	c.pastTorque.forget()
}

func (c *shiftCurves) torqueBefore(s *drivetrain.ShiftEvent) *float64 {
	var at capture.Stamp
	switch {
	case s.Command != nil:
		at = capture.Stamp(*s.Command)
	case s.Start != nil:
		at = capture.Stamp(*s.Start) - curveBefore
	default:
		return nil
	}
	return c.pastTorque.mean(at-torqueSpan, at)
}

// settle finishes the shifts whose curves are complete at time now.
func (c *shiftCurves) settle(now capture.Stamp, r *Record) {
	n := 0
	for ; n < len(c.waiting); n++ {
		s := &c.waiting[n]
		if s.Start != nil {
			_, to := s.window()
			if now < to && now < c.limit(s) {
				break
			}
			s.Curve = c.curve(s)
		}
		r.Shifts = append(r.Shifts, *s)
		c.thin(r.Shifts, len(r.Shifts)-1)
	}
	c.waiting = slices.Delete(c.waiting, 0, n)
}

// thin takes a shift of the record in, and takes curves away where there are too
// many of its kind.
func (c *shiftCurves) thin(shifts []Shift, i int) {
	s := &shifts[i]
	if len(s.Curve) == 0 {
		return
	}
	l := c.curves[s.key()]
	if l == nil {
		l = &curves{every: 1}
		c.curves[s.key()] = l
	}
	l.seen++
	if (l.seen-1)%l.every != 0 {
		s.Curve = nil
		return
	}
	if l.kept = append(l.kept, i); len(l.kept) < 2*keptCurves {
		return
	}
	l.every *= 2
	for k := range keptCurves {
		l.kept[k] = l.kept[2*k]
		shifts[l.kept[2*k+1]].Curve = nil
	}
	l.kept = l.kept[:keptCurves]
}

// limit is when waiting for the end of a curve is over whatever comes.
func (c *shiftCurves) limit(s *Shift) capture.Stamp {
	return capture.Stamp(*s.Start) + longest + curveAfter
}

// window is the time a curve covers.
func (s *Shift) window() (from, to capture.Stamp) {
	start := capture.Stamp(*s.Start)
	from, to = start-curveBefore, start+longest
	if s.End != nil {
		to = min(to, capture.Stamp(*s.End)+curveAfter)
	}
	return from, to
}

func (c *shiftCurves) curve(s *Shift) Curve {
	old, ok1 := c.ratios[s.From]
	new, ok2 := c.ratios[s.To]
	if !ok1 || !ok2 || old == new {
		return nil
	}
	from, to := s.window()
	var curve Curve
	for _, x := range c.past {
		if x.at >= from && x.at <= to {
			curve = append(curve, Point{float64(x.at-capture.Stamp(*s.Start)) / 1e9, (x.v - old) / (new - old)})
		}
	}
	return curve
}

// finish takes in the shifts whose curves are not complete.
func (c *shiftCurves) finish(r *Record) { c.settle(math.MaxInt64, r) }

// at is the progress at a time between the points of a curve.
func (c Curve) at(t float64) (float64, bool) {
	i, exact := slices.BinarySearchFunc(c, t, func(p Point, t float64) int {
		switch {
		case p.T < t:
			return -1
		case p.T > t:
			return 1
		}
		return 0
	})
	switch {
	case exact:
		return c[i].P, true
	case i == 0 || i == len(c) || c[i].T-c[i-1].T > longestGap:
		return 0, false
	}
	f := (t - c[i-1].T) / (c[i].T - c[i-1].T)
	return c[i-1].P + float64(f*(c[i].P-c[i-1].P)), true
}
