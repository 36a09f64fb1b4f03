// Package compare puts the shifts of two or more sessions side by side, like
// with like: the same change of gear under the same load, with pedal, engine
// torque and oil temperature alike. It gives medians, confidence intervals and
// a rank test, says in plain words what they mean, and says when there are too
// few shifts to tell.
//
// A Collector gathers shifts and their curves from what the pipeline gives out;
// everything else is pure functions of those records, the same on every run.
package compare

import (
	"encoding/json"
	"fmt"
	"io"
	"math"
	"slices"

	"gearwitness/capture"
	"gearwitness/decode"
	"gearwitness/decode/drivetrain"
	"gearwitness/decode/geartrain"
	"gearwitness/signals"
	"gearwitness/signals/unit"
)

// Format is the version of the shifts file that Record.WriteJSON writes.
const Format = 1

// Record is the shifts of one session.
type Record struct {
	Format int     `json:"format"`
	Gears  []Gear  `json:"gears"`
	Shifts []Shift `json:"shifts"`
}

// Gear is one gear of the vehicle file.
type Gear struct {
	Name  string  `json:"name"`
	Ratio float64 `json:"ratio"` // input over output, negative in reverse
}

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

// Collector gathers the shifts of one session. It belongs to one goroutine.
type Collector struct {
	ratio, torque int32 // signals, -1 without
	torqueUnit    unit.Unit
	ratios        map[string]float64
	past          track         // ratio
	pastTorque    track         // N·m
	now           capture.Stamp // of the last ratio
	waiting       []Shift       // the end of their curves is still to come
	curves        map[groupKey]*curves
	record        Record
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

// NewCollector returns a collector for the samples and events of a vehicle file.
func NewCollector(f *signals.File, t *decode.Table) (*Collector, error) {
	c := &Collector{ratio: t.Index(drivetrain.SignalRatio), torque: -1, ratios: map[string]float64{}, curves: map[groupKey]*curves{}, torqueUnit: "N·m"}
	if f.Transmission != nil {
		c.torque = t.Index(f.Transmission.Roles.EngineTorque)
	}
	if c.torque >= 0 && t.Signals[c.torque].Unit != "" {
		c.torqueUnit = t.Signals[c.torque].Unit
	}
	gears, err := gears(f.Transmission)
	if err != nil {
		return nil, err
	}
	for _, g := range gears {
		c.ratios[g.Name] = g.Ratio
	}
	c.record = Record{Format: Format, Gears: gears, Shifts: []Shift{}}
	return c, nil
}

// gears lists the gears of a vehicle file that have a ratio: those written down,
// or what the train makes of the element table.
func gears(t *signals.Transmission) ([]Gear, error) {
	list := []Gear{}
	if t == nil {
		return list, nil
	}
	if t.Train == nil {
		for _, r := range t.Ratios {
			ratio := r.V
			if r.Name != "" && (r.Name[0] == 'R' || r.Name[0] == 'r') {
				ratio = -math.Abs(ratio)
			}
			list = append(list, Gear{r.Name, ratio})
		}
		return list, nil
	}
	report, err := geartrain.NewReport(t)
	if err != nil {
		return nil, err
	}
	for _, g := range report.Gears {
		if g.Ratio != nil {
			list = append(list, Gear{g.Gear, *g.Ratio})
		}
	}
	return list, nil
}

// Gears returns the gears of the vehicle file that have a ratio.
func (c *Collector) Gears() []Gear { return c.record.Gears }

// Take takes in what one step of the pipeline gave out.
func (c *Collector) Take(out *decode.Output) {
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
		c.settle(c.now)
	}
	// Not before: one step may hold more than the last seconds.
	c.past.forget()
	c.pastTorque.forget()
}

func (c *Collector) torqueBefore(s *drivetrain.ShiftEvent) *float64 {
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
func (c *Collector) settle(now capture.Stamp) {
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
		c.record.Shifts = append(c.record.Shifts, *s)
		c.thin(len(c.record.Shifts) - 1)
	}
	c.waiting = slices.Delete(c.waiting, 0, n)
}

// thin takes a shift of the record in, and takes curves away where there are too
// many of its kind.
func (c *Collector) thin(i int) {
	s := &c.record.Shifts[i]
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
		c.record.Shifts[l.kept[2*k+1]].Curve = nil
	}
	l.kept = l.kept[:keptCurves]
}

// limit is when waiting for the end of a curve is over whatever comes.
func (c *Collector) limit(s *Shift) capture.Stamp {
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

func (c *Collector) curve(s *Shift) Curve {
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

// Finish ends the session and returns its record.
func (c *Collector) Finish() *Record {
	c.settle(math.MaxInt64)
	return &c.record
}

// WriteJSON writes the record as one JSON object, a shift a line.
func (r *Record) WriteJSON(w io.Writer) error {
	gears, err := json.Marshal(r.Gears)
	if err != nil {
		return err
	}
	if _, err := fmt.Fprintf(w, "{\"format\":%d,\n\"gears\":%s,\n\"shifts\":[", r.Format, gears); err != nil {
		return err
	}
	for i := range r.Shifts {
		line, err := json.Marshal(&r.Shifts[i])
		if err != nil {
			return err
		}
		sep := ",\n"
		if i == 0 {
			sep = "\n"
		}
		if _, err := fmt.Fprintf(w, "%s%s", sep, line); err != nil {
			return err
		}
	}
	_, err = io.WriteString(w, "\n]}\n")
	return err
}

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
