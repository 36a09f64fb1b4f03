package van

import (
	"fmt"
	"io"
	"math"
	"strconv"

	"gearwitness/decode"
)

// truth writes what really happens, one JSON object a line, times in seconds on
// the session's clock. Nothing in it passes through a sensor or a frame.
//
//	state       each 10 ms: gear, row, commanded, lever, slip_rpm by element,
//	            input_rpm, output_rpm, engine_rpm, turbine_torque, lockup_slip_rpm,
//	            oil_pan, oil_outlet, pedal
//	shift       from, to, start_s and end_s: where p leaves 5 % for good and where it
//	            reaches 95 % and stays, p = (r - r_old)/(r_new - r_old), r = input /
//	            output speed; commanded_s, flare_rpm, dip_mps2, power ("on", "off"),
//	            pedal, oil_pan at the command; turbine_torque likewise
//	lost_shift  from, to, commanded_s: a commanded shift that never came, that ended
//	            below 50 rpm at the output, or whose ratio had left the old gear's by
//	            slip before the command, so that it has no beginning
//	engagement  to, start_s (the lever leaves P or N at a standstill), end_s (the input
//	            speed has fallen 80 % of its way)
//	fault       name, start_s, size, unit
//
// row is the gear whose elements all carry without slip, "N" when no element has
// pressure, else "between": an element carries when Coulomb friction holds it, so
// that its slip is exactly 0, not merely small. gear is the engaged gear as the
// trade and this program mean it: "standing" below 50 rpm at the output; else the
// gear whose elements' true slips all lie within max(30 rpm, 2 % of the input
// speed), be it that one of them slips a little; "N" without pressure; else
// "between". It changes the moment the slips do, with no settling time.
type truth struct {
	w     io.Writer
	s     *sim
	start int64 // of the drive on the session's clock [ns]
	buf   []byte
	err   error

	shift     shiftTruth
	lastPhase phase
	lever     int
	engage    engageTruth
	told      []bool
	outBefore float64
}

// standingRPM is the output speed below which the van counts as standing.
const standingRPM = 50

// flushAt is how much is collected before it is written [bytes].
const flushAt = 32 << 10

// shiftTruth follows one commanded shift.
type shiftTruth struct {
	active    bool
	from, to  int
	commanded int64   // [ns since the start]
	p         float64 // at the last step
	start     float64 // [s]
	end       float64 // [s]
	started   bool
	ended     bool
	adrift    bool    // p was not below 5 % at any time since the command
	flare     float64 // largest rise above the old gear's line [rpm]
	peak      float64 // flare so far, counted only until the ratio phase began
	turbine   float64
	pedal     float64
	pan       float64
	lowest    float64 // acceleration [m/s2]
	before    float64 // acceleration at the command [m/s2]
}

type engageTruth struct {
	active bool
	start  int64
	input  float64
}

func newTruth(w io.Writer, s *sim, start int64) *truth {
	return &truth{w: w, s: s, start: start, buf: make([]byte, 0, flushAt+4096), told: make([]bool, len(s.faults))}
}

func (t *truth) time(ns int64) { t.buf = decode.AppendSeconds(t.buf, t.start+ns) }

func (t *truth) seconds(key string, sec float64) {
	t.buf = append(t.buf, key...)
	t.time(int64(math.Round(sec * 1e9)))
}

// fixed appends v with three decimals.
func (t *truth) fixed(v float64) {
	n := int64(math.Round(v * 1000))
	if n < 0 {
		t.buf = append(t.buf, '-')
		n = -n
	}
	t.buf = strconv.AppendInt(t.buf, n/1000, 10)
	if f := n % 1000; f != 0 {
		t.buf = append(t.buf, '.', byte('0'+f/100), byte('0'+f/10%10), byte('0'+f%10))
	}
}

func (t *truth) figure(key string, v float64) {
	t.buf = append(t.buf, key...)
	t.fixed(v)
}

func (t *truth) text(key, v string) {
	t.buf = append(t.buf, key...)
	t.buf = append(t.buf, '"')
	t.buf = append(t.buf, v...)
	t.buf = append(t.buf, '"')
}

func (t *truth) open(kind string, ns int64) {
	t.buf = append(t.buf, `{"time_s":`...)
	t.time(ns)
	t.text(`,"kind":`, kind)
}

func (t *truth) close() {
	t.buf = append(t.buf, '}', '\n')
	if len(t.buf) >= flushAt {
		t.flush()
	}
}

func (t *truth) flush() {
	if len(t.buf) > 0 && t.err == nil {
		if _, err := t.w.Write(t.buf); err != nil {
			t.err = fmt.Errorf("the truth channel cannot be written: %w", err)
		}
	}
	t.buf = t.buf[:0]
}

// slipKeys are the element names as JSON keys.
var slipKeys = func() (keys [numElements]string) {
	for i, name := range elementNames {
		keys[i] = `,"` + name + `":`
	}
	keys[0] = keys[0][1:]
	return keys
}()

var lockupTexts = channels[qLockup].texts

// row is the gear by what carries.
func (t *truth) row() string { return t.name(t.s.heldGear()) }

// gear is the engaged gear.
func (t *truth) gear() string {
	s := t.s
	if math.Abs(s.shafts[outputShaft]) < standingRPM {
		return "standing"
	}
	band := math.Max(30, 0.02*math.Abs(s.shafts[inputShaft])) / rpm
	var still uint
	for i := range numElements {
		if math.Abs(s.fric.slip[i]) <= band {
			still |= 1 << i
		}
	}
	return t.name(s.gearOf(still))
}

func (t *truth) name(gear int) string {
	switch {
	case !t.s.applied():
		return "N"
	case gear < 0:
		return "between"
	}
	return gearNames[gear]
}

// step is called after each step of the van.
func (t *truth) step() {
	s := t.s
	ns := s.steps * int64(stepTime)
	for i := range s.faults {
		if a := &s.faults[i]; a.done && !t.told[i] {
			t.told[i] = true
			t.open("fault", ns-int64(stepTime))
			t.text(`,"name":`, a.in.Name)
			t.seconds(`,"start_s":`, float64(ns-int64(stepTime))/1e9)
			t.figure(`,"size":`, a.in.Size)
			t.text(`,"unit":`, a.f.Unit)
			t.close()
		}
	}
	t.followLever(ns)
	t.followShift(ns)
	t.lastPhase = s.ctl.phase
	t.outBefore = s.speed
	if s.steps%10 == 0 {
		t.state(ns)
	}
}

func (t *truth) state(ns int64) {
	s := t.s
	t.open("state", ns)
	t.text(`,"gear":`, t.gear())
	t.text(`,"row":`, t.row())
	t.text(`,"commanded":`, gearNames[s.commanded()])
	t.text(`,"lever":`, channels[qLever].texts[s.drv.lever])
	t.buf = append(t.buf, `,"slip_rpm":{`...)
	for i := range numElements {
		t.figure(slipKeys[i], s.fric.slip[i]*rpm)
	}
	t.buf = append(t.buf, '}')
	t.figure(`,"input_rpm":`, s.shafts[inputShaft])
	t.figure(`,"output_rpm":`, s.shafts[outputShaft])
	t.figure(`,"engine_rpm":`, s.u[engine]*rpm)
	t.figure(`,"turbine_torque":`, s.turbine)
	t.figure(`,"lockup_slip_rpm":`, -s.fric.slip[lockupClutch]*rpm)
	t.text(`,"lockup":`, lockupTexts[s.ctl.lockup])
	t.figure(`,"oil_pan":`, s.heat.pan)
	t.figure(`,"oil_outlet":`, s.heat.outlet)
	t.figure(`,"pedal":`, 100*s.drv.pedal)
	t.close()
}

func (t *truth) followLever(ns int64) {
	s := t.s
	at := s.drv.lever
	if at != t.lever {
		out := leverOrder[t.lever] == 'P' || leverOrder[t.lever] == 'N'
		in := leverOrder[at] == 'R' || leverOrder[at] == 'D'
		t.engage.active = out && in && math.Abs(s.shafts[outputShaft]) < standingRPM
		t.engage.start, t.engage.input = ns, s.shafts[inputShaft]
		t.lever = at
	}
	if e := &t.engage; e.active && s.shafts[inputShaft] < 0.2*e.input {
		e.active = false
		t.open("engagement", ns)
		t.text(`,"to":`, channels[qLever].texts[at])
		t.seconds(`,"start_s":`, float64(e.start)/1e9)
		t.seconds(`,"end_s":`, float64(ns)/1e9)
		t.close()
	}
}

// followShift watches the true ratio from the command until it has settled.
func (t *truth) followShift(ns int64) {
	s, x := t.s, &t.shift
	in, out := s.shafts[inputShaft], s.shafts[outputShaft]
	fresh := false
	if t.lastPhase == steady && s.ctl.phase == fill {
		t.finish(ns)
		*x = shiftTruth{active: true, from: s.ctl.gear, to: s.ctl.target, commanded: ns,
			turbine: s.turbine, pedal: 100 * s.drv.pedal, pan: s.heat.pan,
			before: (s.speed - t.outBefore) / dt, lowest: math.Inf(1)}
		fresh = true
	}
	if !x.active {
		return
	}
	if math.Abs(out) < standingRPM || s.ctl.gear == neutral {
		x.ended = false
		t.finish(ns)
		return
	}
	old, next := s.m.gear[x.from].ratio, s.m.gear[x.to].ratio
	p := (in/out - old) / (next - old)
	if fresh {
		x.p, x.adrift = p, true // an element that slips may have moved the ratio before
	}
	now := float64(ns) / 1e9
	cross := func(level float64) float64 { // of the straight line over the last step
		return now - dt*(p-level)/(p-x.p)
	}
	if next < old {
		x.peak = math.Max(x.peak, in-float64(old*out))
	}
	x.lowest = math.Min(x.lowest, (s.speed-t.outBefore)/dt)
	switch {
	case p < 0.05:
		x.started, x.adrift = false, false
		x.flare = x.peak
	case !x.started:
		x.started = true
		x.start = now
		if p > x.p {
			x.start = cross(0.05)
		}
	}
	switch {
	case p < 0.95:
		x.ended = false
	case !x.ended:
		x.ended = true
		x.end = now
		if p > x.p {
			x.end = cross(0.95)
		}
	}
	x.p = p
	if x.ended && now-x.end > 0.3 && s.ctl.phase == steady || now-float64(x.commanded)/1e9 > 5 {
		t.finish(ns)
	}
}

func (t *truth) finish(ns int64) {
	x := &t.shift
	if !x.active {
		return
	}
	x.active = false
	kind := "shift"
	if !x.ended || x.adrift {
		kind = "lost_shift"
	}
	t.open(kind, ns)
	t.text(`,"from":`, gearNames[x.from])
	t.text(`,"to":`, gearNames[x.to])
	if kind == "shift" {
		t.seconds(`,"start_s":`, x.start)
		t.seconds(`,"end_s":`, x.end)
		t.figure(`,"flare_rpm":`, x.flare)
		t.figure(`,"dip_mps2":`, math.Max(0, x.before-x.lowest))
	}
	t.seconds(`,"commanded_s":`, float64(x.commanded)/1e9)
	power := "on"
	if x.turbine < 0 {
		power = "off"
	}
	t.text(`,"power":`, power)
	t.figure(`,"turbine_torque":`, x.turbine)
	t.figure(`,"pedal":`, x.pedal)
	t.figure(`,"oil_pan":`, x.pan)
	t.close()
}

// end tells the last shift, if it is complete, and writes out what is left.
func (t *truth) end(ns int64) {
	if t.shift.ended {
		t.finish(ns)
	}
	t.flush()
}
