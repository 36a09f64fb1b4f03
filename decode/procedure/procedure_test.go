package procedure

import (
	"encoding/json"
	"fmt"
	"math"
	"strings"
	"testing"

	"gearwitness/capture"
	"gearwitness/decode"
	"gearwitness/signals"
)

// file is a small vehicle with a procedure of every kind.
const file = `format: 1
frames:
  a:
    id: 1
    every: 10 ms
    signals:
      pedal: {start: 1.1, bits: 8, unit: "%", title: pedal}
      oil: {start: 2.1, bits: 8, unit: °C}
      speed: {start: 3.1, bits: 8, unit: rpm}
      lever: {start: 4.1, bits: 4, states: {0: P, 3: D}}
transmission:
  roles: {output_speed: speed, oil_pan: oil}
  ratios: {"1": 3, "2": 2, "3": 1}
procedures:
  pulls:
    title: Pulls
    cautions: Mind the road.
    before: {warm: {when: oil > 20, say: Oil above 20 °C}}
    stop_when: {hot: {when: oil > 100, say: Ease off}}
    steps:
      up: {say: Pull, hold: {pedal: [10, 15]}, grace: 1 s, gears: ["1", "2", "3"], times: 2, within: 2 min, measure: oil}
      stand: {say: Stand, until: 'speed < 50 and lever == "D"', for: 5 s, within: 30 s}
  stalls:
    title: Stalls
    cautions: Chocks.
    stop_when: {moves: {when: speed > 30, say: "Foot off: it moves"}}
    steps:
      press: {say: Press, hold: {pedal: [90, 100]}, for: 2 s, at_most: 5 s, times: 2, rest: 60 s, within: 10 min}
  trend:
    title: Trend
    cautions: None needed.
    before: {steady: {when: 'abs(rate(oil, "2 s")) < 0.5', say: Oil steady}}
    steps:
      wait: {say: Wait, hold: {oil: [50, 60]}, grace: 500 ms, for: 3 s, times: 2, within: 1 min}
`

const ms = capture.Stamp(1e6)

// rig feeds a vehicle whose signals stand where they are set.
type rig struct {
	t      testing.TB
	table  decode.Table
	view   *decode.View
	set    *Set
	values map[string]float64
	now    capture.Stamp
	step   capture.Stamp // from one sample to the next
	out    decode.Output
}

func newRig(t testing.TB) *rig {
	t.Helper()
	return newRigOf(t, file)
}

func newRigOf(t testing.TB, text string) *rig {
	t.Helper()
	f, list := signals.Parse("file", []byte(text), nil)
	if err := list.Err(); err != nil {
		t.Fatal(err)
	}
	r := &rig{t: t, values: map[string]float64{"pedal": 0, "oil": 55, "speed": 0, "lever": 3, "gear": standing}, step: 10 * ms}
	for _, e := range f.Frames[0].V.Signals {
		r.table.Add(decode.Info{Name: e.Name, Title: e.V.Title, Unit: e.V.Unit, States: e.V.States, StaleAfter: 100 * ms, Digits: 1})
	}
	r.table.Add(decode.Info{Name: "gear", StaleAfter: 100 * ms, Origin: decode.FromAnalysis, States: signals.States{
		{Name: "1", V: 1}, {Name: "2", V: 2}, {Name: "3", V: 3}, {Name: "N", V: 0}, {Name: "R", V: -1}, {Name: "standing", V: standing}, {Name: "between", V: between}}})
	for _, a := range []string{"ratio", "converter_slip", "input_speed", "oil_temperature_difference"} {
		r.table.Add(decode.Info{Name: a})
	}
	r.view = decode.NewView(&r.table)
	var err error
	if r.set, err = New(f, r.view, &r.table); err != nil {
		t.Fatal(err)
	}
	return r
}

const (
	standing = 100
	between  = 101
	gone     = -1e300 // no sample comes
)

// drive lets time pass with signals as given: "gear", 2, "pedal", 12.
func (r *rig) drive(seconds float64, set ...any) {
	for i := 0; i < len(set); i += 2 {
		switch v := set[i+1].(type) {
		case int:
			r.values[set[i].(string)] = float64(v)
		case float64:
			r.values[set[i].(string)] = v
		}
	}
	for end := r.now + capture.Stamp(seconds*1e9); r.now < end; r.now += r.step {
		r.set.Advance(r.now, &r.out)
		for i := range r.table.Signals {
			if v, ok := r.values[r.table.Signals[i].Name]; ok && v != gone {
				r.view.Put(decode.Sample{Time: r.now, Signal: int32(i), Value: v})
				r.set.Changed(int32(i), r.now)
			}
		}
	}
}

func (r *rig) ask(name, action string, wait bool) {
	r.set.Inject(Request{Procedure: name, Action: action, Wait: wait}.Event(r.now))
}

// said returns what happened since the last call, a line an event.
func (r *rig) said() string {
	var b strings.Builder
	for _, e := range r.out.Events {
		at := math.Round(float64(e.Time)/1e7) / 1e2
		switch f := e.Fields.(type) {
		case Change:
			fmt.Fprintf(&b, "%g %s %s", at, f.Procedure, f.State)
			if f.Verdict != "" {
				fmt.Fprintf(&b, " %s", f.Verdict)
			}
			if f.Why != nil {
				fmt.Fprintf(&b, ": %s", strings.Join(f.Why, " "))
			}
		case Progress:
			fmt.Fprintf(&b, "%g %s %s %d/%d", at, f.Step, f.State, f.Count, f.Of)
			if f.Why != "" {
				fmt.Fprintf(&b, ": %s", f.Why)
			}
			if f.State == Counted {
				fmt.Fprintf(&b, " in %g s", math.Round(float64(*f.Duration)/1e7)/1e2)
			}
		}
		if _, err := json.Marshal(e); err != nil {
			r.t.Error(err)
		}
		b.WriteByte('\n')
	}
	r.out.Reset()
	return strings.TrimSuffix(b.String(), "\n")
}

func (r *rig) want(want ...string) {
	r.t.Helper()
	if got := r.said(); got != strings.Join(want, "\n") {
		r.t.Errorf("it said\n%s\nwant\n%s", got, strings.Join(want, "\n"))
	}
}

// pull goes through the gears with a pedal.
func (r *rig) pull(pedal float64) {
	r.drive(2, "gear", 1, "pedal", pedal, "speed", 200)
	r.drive(0.5, "gear", between)
	r.drive(2, "gear", 2)
	r.drive(0.5, "gear", between)
	r.drive(2, "gear", 3)
}

// halt brakes to a standstill.
func (r *rig) halt() {
	r.drive(2, "pedal", 0, "gear", 2)
	r.drive(1, "gear", 1)
	r.drive(2, "gear", standing, "speed", 0)
}

func TestPullsAreCounted(t *testing.T) {
	r := newRig(t)
	r.drive(1)
	r.ask("pulls", Begin, false)
	r.pull(12.5)
	r.halt()
	r.pull(14)
	r.want("1 pulls begun", "1 up begun 0/2", "6 up counted 1/2 in 5 s", "18 up counted 2/2 in 5 s", "18 up done 2/2", "18 stand begun 0/1")
	r.halt()
	r.drive(10)
	r.want("28 stand counted 1/1 in 5 s", "28 stand done 1/1", "28 pulls ended done")
	last := r.set.List()[0].Last
	up := last.Steps[0]
	if f := up.Figures; len(f) != 2 || f[0].Signal != "pedal" || f[0].Least != 12.5 || f[0].Most != 14 || math.Abs(f[0].Mean-13.25) > 0.01 || f[1].Signal != "oil" || f[1].Mean != 55 {
		t.Errorf("figures %+v", f)
	}
	if *last.OilBegin != 55 || *last.OilEnd != 55 || last.Steps[1].Count != 1 {
		t.Errorf("%+v", last)
	}
}

// A band may be left for a second; braking and rolling to a stop in first gear
// between sequences break nothing.
func TestGrace(t *testing.T) {
	r := newRig(t)
	r.drive(1)
	r.ask("pulls", Begin, false)
	r.drive(2, "gear", 1, "pedal", 12, "speed", 200)
	r.drive(0.9, "gear", 2, "pedal", 30)
	r.drive(1, "pedal", 12)
	r.drive(1, "gear", 3)
	r.said()
	r.halt()
	r.drive(2, "gear", 1, "pedal", 12, "speed", 200)
	r.drive(1.5, "gear", 2, "pedal", 30)
	r.want("13.9 up again 1/2: In gear 2: pedal at 30 %, expected 10 to 15 %.")
	r.drive(1, "pedal", 12)
	r.drive(1, "gear", 3) // this sequence is spoiled
	r.want()
}

func TestSpoiledSequences(t *testing.T) {
	for name, c := range map[string]struct {
		drive func(r *rig)
		want  []string
	}{
		"too much pedal from the start": {func(r *rig) { r.pull(30) },
			[]string{"3.5 up again 0/2: Gear 1 was left with pedal at 30 %, expected 10 to 15 %."}},
		"pedal comes into the band in first gear": {func(r *rig) {
			r.drive(1, "gear", 1, "pedal", 30)
			r.pull(12)
		}, []string{"7 up counted 1/2 in 5 s"}},
		"no value of the pedal": {func(r *rig) { r.pull(12); r.drive(1, "gear", 1); r.drive(3, "gear", 2, "pedal", gone) },
			[]string{"6 up counted 1/2 in 5 s", "10.09 up again 1/2: In gear 2: pedal without a value."}},
		"back a gear": {func(r *rig) {
			r.drive(1, "gear", 1, "pedal", 12)
			r.drive(1, "gear", 2)
			r.drive(1, "gear", 1)
		}, []string{"3 up again 0/2: Gear 1 followed gear 2; expected gear 3."}},
		"a gear skipped": {func(r *rig) { r.drive(1, "gear", 1, "pedal", 12); r.drive(1, "gear", 3) },
			[]string{"2 up again 0/2: Gear 3 followed gear 1; expected gear 2."}},
		"standing still halfway": {func(r *rig) { r.drive(1, "gear", 1, "pedal", 12); r.drive(1, "gear", 2); r.drive(1, "gear", standing) },
			[]string{"3 up again 0/2: A standstill followed gear 2; expected gear 3."}},
		"gear unknown": {func(r *rig) { r.drive(1, "gear", 1, "pedal", 12); r.drive(1, "gear", 2); r.drive(3, "gear", gone) },
			[]string{"4.09 up again 0/2: The gear could not be told."}},
		"rolling to a stop":                {func(r *rig) { r.halt(); r.halt() }, nil},
		"a tap on the pedal in first gear": {func(r *rig) { r.drive(1, "gear", 1, "pedal", 12); r.drive(3, "pedal", 0); r.drive(1, "gear", standing) }, nil},
	} {
		t.Run(name, func(t *testing.T) {
			r := newRig(t)
			r.drive(1)
			r.ask("pulls", Begin, false)
			r.drive(0)
			c.drive(r)
			r.want(append([]string{"1 pulls begun", "1 up begun 0/2"}, c.want...)...)
		})
	}
}

func TestNeeds(t *testing.T) {
	r := newRig(t)
	r.drive(1, "oil", 10)
	r.ask("pulls", Begin, false)
	r.drive(1)
	r.want("1 pulls refused: Needed: Oil above 20 °C.")
	r.ask("pulls", Begin, true)
	r.drive(5)
	r.drive(1, "oil", 25)
	r.want("2 pulls waiting: Needed: Oil above 20 °C.", "7 pulls begun", "7 up begun 0/2")
	r.ask("stalls", Begin, false)
	r.ask("pulls", Begin, true)
	r.ask("nothing", Begin, false)
	r.ask("stalls", "pause", false)
	r.drive(1)
	r.want("8 stalls refused: Pulls is under way; stop it first.", "8 pulls refused: It is under way already.", "8 nothing refused: The vehicle file has no such procedure.",
		"8 stalls refused: It was asked for something else than to begin or to stop.")
	r.ask("pulls", Stop, false)
	r.drive(1)
	r.want("9 up stopped 0/2: It was stopped by hand.", "9 pulls ended stopped: It was stopped by hand.")
	r.ask("pulls", Stop, false)
	r.drive(1, "oil", gone)
	r.ask("pulls", Begin, false)
	r.drive(1)
	r.want("11 pulls refused: Needed: Oil above 20 °C (no value: oil). Without a value of oil this cannot be watched: Ease off.")
	r.ask("pulls", Begin, true)
	r.drive(1)
	r.set.Finish(r.now, &r.out)
	r.want("12 pulls waiting: Needed: Oil above 20 °C (no value: oil). Without a value of oil this cannot be watched: Ease off.",
		"13 pulls ended not done: The recording ended before it could begin. Needed: Oil above 20 °C (no value: oil). Without a value of oil this cannot be watched: Ease off.")
}

// What ends a procedure at once, and what is no longer to be seen.
func TestStops(t *testing.T) {
	r := newRig(t)
	r.drive(1)
	r.ask("pulls", Begin, false)
	r.drive(1)
	r.said()
	r.drive(1, "oil", 101)
	if b := r.set.List()[0].Blocked; len(b) != 1 || b[0] != "Ease off." {
		t.Errorf("blocked by %q", b)
	}
	r.want("2 up stopped 0/2: Ease off.", "2 pulls ended stopped: Ease off.")
	r.drive(1, "oil", 50)
	r.ask("pulls", Begin, false)
	r.drive(1)
	r.said()
	r.drive(0.9, "oil", gone) // back within a second
	r.drive(1, "oil", 50)
	r.want()
	r.drive(3, "oil", gone)
	r.want("7.99 up stopped 0/2: Without a value of oil this cannot be watched: Ease off.", "7.99 pulls ended stopped: Without a value of oil this cannot be watched: Ease off.")
}

func TestTimeLimit(t *testing.T) {
	r := newRig(t)
	r.drive(1)
	r.ask("pulls", Begin, false)
	r.pull(12)
	r.halt()
	r.pull(40)
	r.said()
	r.drive(120)
	r.want("121 up not done 1/2: 1 of 2 sequences counted within 2 min. Tries that came to nothing: 1, the last because: Gear 1 was left with pedal at 40 %, expected 10 to 15 %.",
		"121 pulls ended not done: 1 of 2 sequences counted within 2 min. Tries that came to nothing: 1, the last because: Gear 1 was left with pedal at 40 %, expected 10 to 15 %.")
}

// However far time jumps, what is under way ends at its own time, also in a vehicle
// file without a formula that looks back.
func TestTimeLimitInOneJump(t *testing.T) {
	without := file[:strings.Index(file, "  trend:\n")]
	for name, text := range map[string]string{"with a formula that looks back": file, "without one": without} {
		t.Run(name, func(t *testing.T) {
			r := newRigOf(t, text)
			r.drive(1)
			r.ask("stalls", Begin, false)
			r.drive(1)
			r.said()
			r.set.Advance(2000*second, &r.out) // moves has had no value for a second by then
			r.want("3.09 press stopped 0/2: Without a value of speed this cannot be watched: Foot off: it moves.",
				"3.09 stalls ended stopped: Without a value of speed this cannot be watched: Foot off: it moves.")
		})
	}
}

// A try that came to nothing is told when it lasted half a second.
func TestBriefTriesAreNotTold(t *testing.T) {
	for held, told := range map[float64]bool{0.2: false, 0.4: false, 0.49: false, 0.5: true, 0.51: true} {
		r := newRig(t)
		r.drive(1)
		r.ask("stalls", Begin, false)
		r.drive(1)
		r.said()
		r.drive(held, "pedal", 95)
		r.drive(1, "pedal", 0)
		if got := r.said(); (got != "") != told {
			t.Errorf("held for %g s: said %q; want it told: %v", held, got, told)
		}
	}
}

// A press counts when it ends between two and five seconds; one that is too
// early does not, and too long ends everything, whether it would have counted or
// not.
func TestStalls(t *testing.T) {
	begin := func() *rig {
		r := newRig(t)
		r.drive(1)
		r.ask("stalls", Begin, false)
		r.drive(1)
		r.said()
		return r
	}
	press := func(r *rig, seconds float64) { r.drive(seconds, "pedal", 95); r.drive(1, "pedal", 0) }

	r := begin()
	press(r, 4)
	press(r, 3)
	r.want("6 press counted 1/2 in 4 s", "7 press again 1/2: Too early: 59 s of rest are left.")
	r.drive(60)
	press(r, 3)
	r.want("74 press counted 2/2 in 3 s", "74 press done 2/2", "74 stalls ended done")

	r = begin()
	press(r, 1)
	press(r, 3) // rest counts from what was too short as well
	r.want("3 press again 0/2: Held for 1 s of 2 s: pedal at 0 %, expected 90 to 100 %.", "4 press again 0/2: Too early: 59 s of rest are left.")

	r = begin()
	press(r, 6)
	r.want("7.01 press stopped 0/2: Held for longer than 5 s: let go. Then 60 s of rest.", "7.01 stalls ended stopped: Held for longer than 5 s: let go. Then 60 s of rest.")

	r = begin()
	press(r, 3)
	press(r, 6)
	r.want("5 press counted 1/2 in 3 s", "6 press again 1/2: Too early: 59 s of rest are left.",
		"11.01 press stopped 1/2: Held for longer than 5 s: let go. Then 60 s of rest.", "11.01 stalls ended stopped: Held for longer than 5 s: let go. Then 60 s of rest.")

	r = begin()
	r.drive(1, "pedal", 95)
	r.drive(1, "speed", 40)
	r.want("3 press stopped 0/2: Foot off: it moves.", "3 stalls ended stopped: Foot off: it moves.")
}

// A foot that trembles on the pedal does not let go.
func TestTremblingFoot(t *testing.T) {
	r := newRig(t)
	r.drive(1)
	r.ask("stalls", Begin, false)
	r.drive(1)
	r.said()
	for range 4 {
		r.drive(1.2, "pedal", 95)
		r.drive(0.3, "pedal", 85)
	}
	if got := r.said(); !strings.HasSuffix(got, "7.01 stalls ended stopped: Held for longer than 5 s: let go. Then 60 s of rest.") {
		t.Error(got)
	}
}

// Neither stopping nor beginning anew makes a rest shorter.
func TestRestOutlastsTheProcedure(t *testing.T) {
	r := newRig(t)
	r.drive(1)
	r.ask("stalls", Begin, false)
	r.drive(4, "pedal", 95)
	r.ask("stalls", Stop, false)
	r.drive(10, "pedal", 0)
	r.said()
	if b := r.set.List()[1].Blocked; len(b) != 1 || b[0] != "50 s of rest are left since the last try." {
		t.Errorf("blocked %q", b)
	}
	r.ask("stalls", Begin, false)
	r.drive(1)
	r.ask("stalls", Begin, true)
	r.drive(60)
	r.want("15 stalls refused: 50 s of rest are left since the last try.", "16 stalls waiting: 49 s of rest are left since the last try.",
		"65 stalls begun", "65 press begun 0/2")
}

// What is held counts once, and again only after it has been left. A need may
// look back.
func TestHeldAgain(t *testing.T) {
	r := newRig(t)
	r.drive(1)
	r.ask("trend", Begin, true)
	r.drive(10)
	r.want("1 trend waiting: Needed: Oil steady.", "2 trend begun", "2 wait begun 0/2", "5.01 wait counted 1/2 in 3 s")
	r.drive(0.3, "oil", 70)
	r.drive(10, "oil", 55)
	r.want("14.3 wait counted 2/2 in 3 s", "14.3 wait done 2/2", "14.3 trend ended done")
}

// TestSampling feeds the same drive at other paces: what is told stands at the
// same ticks as long as the values at those are the same.
func TestSampling(t *testing.T) {
	told := func(step capture.Stamp) string {
		r := newRig(t)
		r.step = step
		r.drive(1)
		r.ask("pulls", Begin, false)
		r.pull(12.5)
		r.halt()
		r.pull(30)
		r.halt()
		r.pull(13)
		r.halt()
		r.drive(10)
		return r.said()
	}
	want := told(10 * ms)
	if !strings.Contains(want, "pulls ended done") || !strings.Contains(want, "again") {
		t.Fatalf("the drive tells too little:\n%s", want)
	}
	for _, step := range []capture.Stamp{5 * ms, 2500 * 1000} {
		if got := told(step); got != want {
			t.Errorf("sampled every %d ns it says\n%s\nwant\n%s", step, got, want)
		}
	}
}

// TestStatus looks at a procedure without changing what it tells.
func TestStatus(t *testing.T) {
	r := newRig(t)
	r.drive(3)
	st := r.set.List()
	if st[0].Blocked != nil || st[0].State != Idle || !st[0].Needs[0].Met || st[0].Now != nil || !st[2].Needs[0].Met {
		t.Errorf("%+v", st)
	}
	r.ask("pulls", Begin, false)
	r.drive(2, "gear", 1, "pedal", 12, "speed", 200)
	r.drive(1, "gear", 2)
	p := r.set.List()[0]
	n := p.Now
	if p.State != Running || p.Steps[0].State != Running || p.Steps[1].State != ToCome || !n.Counting || n.Gears != 2 || n.Left != 117010*ms ||
		n.Held != 2990*ms || len(n.Bands) != 1 || *n.Bands[0].Value != 12 || !n.Bands[0].Holds {
		t.Errorf("%+v %+v", p, n)
	}
	r.drive(0.5, "pedal", 30)
	if b := r.set.List()[0].Now.Bands[0]; b.Holds || *b.Value != 30 {
		t.Errorf("%+v", b)
	}
}

// TestFarApart lets stamps jump over years while a procedure waits, runs or does
// not: the ticks between are not all looked at.
func TestFarApart(t *testing.T) {
	for _, name := range []string{"", "pulls", "trend"} {
		r := newRig(t)
		r.drive(1, "oil", 10)
		if name != "" {
			r.ask(name, Begin, true)
		}
		r.drive(1)
		for _, at := range []capture.Stamp{3e18, math.MaxInt64 - 1, math.MaxInt64} {
			r.set.Advance(at, &r.out)
		}
		r.set.Finish(math.MaxInt64, &r.out)
	}
	r := newRig(t)
	r.set.Inject(Request{Procedure: "pulls", Action: Begin, Wait: true}.Event(math.MinInt64))
	r.set.Advance(math.MinInt64, &r.out)
	r.set.Advance(math.MaxInt64, &r.out)
	r.set.Finish(math.MaxInt64, &r.out)
}

func TestTicksAllocateNothing(t *testing.T) {
	for _, state := range []string{"idle", "running"} {
		r := newRig(t)
		r.drive(1)
		if state == "running" {
			r.ask("pulls", Begin, false)
			r.drive(1, "gear", 1, "pedal", 12, "speed", 200)
		}
		r.out.Reset()
		at := r.now
		if n := testing.AllocsPerRun(1000, func() {
			at += Tick
			r.set.Advance(at, &r.out)
			r.view.Put(decode.Sample{Time: at, Signal: 0, Value: 12})
			r.view.Put(decode.Sample{Time: at, Signal: 1, Value: 50})
			r.view.Put(decode.Sample{Time: at, Signal: 4, Value: 1})
			r.set.Changed(0, at)
		}); n != 0 {
			t.Errorf("%s: %g allocations a tick", state, n)
		}
	}
}

// BenchmarkTick is one tick with nothing, and with a procedure, under way.
func BenchmarkTick(b *testing.B) {
	for _, state := range []string{"idle", "running"} {
		b.Run(state, func(b *testing.B) {
			r := newRig(b)
			r.drive(1)
			if state == "running" {
				r.ask("pulls", Begin, false)
				r.drive(1, "gear", 1, "pedal", 12, "speed", 200)
			}
			at := r.now
			b.ReportAllocs()
			for b.Loop() {
				at += Tick
				r.view.Put(decode.Sample{Time: at, Signal: 0, Value: 12})
				r.view.Put(decode.Sample{Time: at, Signal: 1, Value: 50})
				r.view.Put(decode.Sample{Time: at, Signal: 4, Value: 1})
				r.set.Advance(at, &r.out)
				if r.set.active != nil {
					r.set.active.steps[0].start = at // its time never runs out
				}
			}
			b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N), "ns/tick")
		})
	}
}
