package pipeline

import (
	"encoding/json"
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"gearwitness/capture"
	"gearwitness/decode"
	"gearwitness/signals"
	"pgregory.net/rapid"
)

const ms = capture.Stamp(time.Millisecond)

func named[T any](pairs ...any) signals.Named[T] {
	var out signals.Named[T]
	for i := 0; i < len(pairs); i += 2 {
		out = append(out, signals.Entry[T]{Name: pairs[i].(string), V: pairs[i+1].(T)})
	}
	return out
}

// eightBits is a frame whose every byte is a signal; raw 255 is missing.
func eightBits(id uint32, every time.Duration, names ...string) signals.Frame {
	f := signals.Frame{ID: &id, Every: every}
	for i, n := range names {
		f.Signals = append(f.Signals, signals.Entry[signals.Signal]{Name: n, V: signals.Signal{
			Start: signals.BitPos{Byte: i + 1, Bit: 1}, Bits: 8, Missing: []signals.RawRange{{Low: 255, High: 255}},
		}})
	}
	return f
}

// twoShafts is a vehicle file whose analysis, in these tests, is double.
func twoShafts() *signals.File {
	return &signals.File{
		Buses: named[signals.Bus]("powertrain", signals.Bus{}),
		Frames: named[signals.Frame](
			"shafts", eightBits(1, 10*time.Millisecond, "input", "output"),
			"oil", eightBits(2, 100*time.Millisecond, "pan", "outlet"),
		),
		Computed: named[signals.Computed](
			"twice", signals.Computed{Formula: "doubled - difference"}, // reads the analysis and another computed one
			"difference", signals.Computed{Formula: "outlet - pan"},
			"half_difference", signals.Computed{Formula: "difference / 2"},
		),
		Transmission: &signals.Transmission{Roles: signals.Roles{OutputSpeed: "output"}},
		Alarms: named[signals.Alarm](
			"hot", signals.Alarm{When: "outlet > 100", For: 30 * time.Millisecond, Clear: "outlet < 90", Level: signals.LevelStop, Say: "Hot."},
			"far", signals.Alarm{When: "doubled > 200", Level: signals.LevelNote, Say: "Far."},
		),
	}
}

// double is an analysis that gives twice the last output speed at every tick,
// 30 ms late.
type double struct {
	table    *decode.Table
	in, out  int32
	slow     int32 // of a hesitant one: the same again
	samples  []decode.Sample
	next     capture.Stamp
	begun    bool
	hesitant bool            // thinks values above 200 over for three ticks
	held     []decode.Sample // meanwhile
}

func newHesitant(f *signals.File, t *decode.Table) (Analysis, error) {
	d, err := newDouble(f, t)
	d.(*double).hesitant = true
	d.(*double).slow = t.Add(decode.Info{Name: "slow", Origin: decode.FromAnalysis})
	return d, err
}

func newDouble(_ *signals.File, t *decode.Table) (Analysis, error) {
	return &double{table: t, in: t.Index("output"), out: t.Add(decode.Info{Name: "doubled", Origin: decode.FromAnalysis, StaleAfter: 50 * ms})}, nil
}

func (d *double) Delay() capture.Stamp { return 30 * ms }

func (d *double) Held() (capture.Stamp, bool) {
	if len(d.held) == 0 {
		return 0, false
	}
	return d.held[0].Time, true
}

func (d *double) Undecided() (capture.Stamp, bool) { return 0, false }

func (d *double) Reads(signal int32) bool { return signal == d.in }

func (d *double) Sample(list ...decode.Sample) {
	for _, s := range list {
		if s.Signal == d.in {
			d.samples = append(d.samples, s)
		}
	}
}

func (d *double) Advance(now capture.Stamp, out *decode.Output) { d.until(now-d.Delay(), out) }

func (d *double) Finish(now capture.Stamp, out *decode.Output) {
	d.until(now, out)
	out.Samples = append(out.Samples, d.held...)
	d.held = nil
}

func (d *double) until(last capture.Stamp, out *decode.Output) {
	if !d.begun {
		if len(d.samples) == 0 {
			return
		}
		d.begun, d.next = true, d.samples[0].Time-mod(d.samples[0].Time, Tick)+Tick
	}
	for ; d.next <= last; d.next += Tick {
		if n := len(d.held); n > 0 && (d.held[0].Value < 200 || d.next-d.held[0].Time > 3*Tick) {
			out.Samples = append(out.Samples, d.held...)
			d.held = d.held[:0]
		}
		for len(d.samples) > 1 && d.samples[1].Time < d.next {
			d.samples = d.samples[1:]
		}
		if s := d.samples[0]; s.Time < d.next && s.Status == decode.Valid {
			out.Samples = append(out.Samples, decode.Sample{Time: d.next, Signal: d.out, Value: 2 * s.Value})
			if d.hesitant {
				d.held = append(d.held, decode.Sample{Time: d.next, Signal: d.slow, Value: 2 * s.Value})
			}
			if s.Value == 77 {
				out.Events = append(out.Events, decode.Event{Time: d.next, Kind: decode.KindShift, Fields: map[string]float64{"value": s.Value}})
			}
		}
	}
}

func newPipeline(t testing.TB, f *signals.File, o Options) *Pipeline {
	t.Helper()
	return newPipelineWith(t, f, o, newDouble)
}

func newPipelineWith(t testing.TB, f *signals.File, o Options, analyse func(*signals.File, *decode.Table) (Analysis, error)) *Pipeline {
	t.Helper()
	p, err := build(f, o, analyse)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// texts turns an output into one line per sample and per event.
func texts(t interface{ Fatal(...any) }, table *decode.Table, out *decode.Output) (samples, events []string) {
	for _, s := range out.Samples {
		samples = append(samples, fmt.Sprintf("%s %s=%s", decode.AppendSeconds(nil, int64(s.Time)), table.Signals[s.Signal].Name, table.Text(s)))
	}
	for _, e := range out.Events {
		text, err := json.Marshal(e)
		if err != nil {
			t.Fatal(err)
		}
		events = append(events, string(text))
	}
	return samples, events
}

func frame(at capture.Stamp, id uint32, data ...byte) capture.Frame {
	f := capture.Frame{Time: at, ID: id, Len: uint8(len(data))}
	copy(f.Data[:], data)
	return f
}

var channels = []capture.Channel{{Name: "powertrain"}, {Name: "gps", Kind: capture.Text}}

func run(t testing.TB, p *Pipeline, frames ...capture.Frame) (samples, events []string) {
	t.Helper()
	var out decode.Output
	if err := p.Push(&capture.Batch{Channels: channels, Frames: frames}, &out); err != nil {
		t.Fatal(err)
	}
	p.Finish(&out)
	return texts(t, p.Table(), &out)
}

func wantLines(t *testing.T, got []string, want ...string) {
	t.Helper()
	if g, w := strings.Join(got, "\n"), strings.Join(want, "\n"); g != w {
		t.Errorf("got\n%s\nwant\n%s", g, w)
	}
}

func TestComputedSignalsFollowTheirInputs(t *testing.T) {
	f := twoShafts()
	f.Transmission, f.Alarms, f.Computed = nil, nil, f.Computed[1:]
	samples, events := run(t, newPipeline(t, f, Options{}),
		frame(0, 2, 80, 90),
		frame(100*ms, 2, 255, 95), // the pan's sensor is gone
		frame(200*ms, 2, 255, 95),
		frame(300*ms, 2, 81, 95),
		frame(700*ms, 1, 1, 2), // oil falls silent: stale after three periods, at 600 ms
	)
	wantLines(t, samples,
		"0 pan=80", "0 outlet=90", "0 difference=10", "0 half_difference=5",
		"0.1 pan=not available", "0.1 outlet=95", "0.1 difference=not available", "0.1 half_difference=not available",
		"0.2 pan=not available", "0.2 outlet=95",
		"0.3 pan=81", "0.3 outlet=95", "0.3 difference=14", "0.3 half_difference=7",
		"0.6 difference=not available", "0.6 half_difference=not available",
		"0.7 input=1", "0.7 output=2",
	)
	wantLines(t, events, `{"time_s":0.6,"kind":"stale","frame":"oil","signals":["pan","outlet"],"state":"stale","since_s":0.3}`)
}

func TestWhatReadsTheAnalysisRunsBehindIt(t *testing.T) {
	p := newPipeline(t, twoShafts(), Options{})
	p.Inject(decode.Event{Time: 15 * ms, Kind: decode.KindMark, Fields: map[string]string{"text": "here"}})
	samples, events := run(t, p,
		frame(0, 2, 80, 90),
		frame(1*ms, 1, 9, 50),
		frame(11*ms, 1, 9, 110),
		frame(12*ms, 2, 80, 91), // seen by what runs behind only at its time
		frame(21*ms, 1, 9, 111),
		frame(55*ms, 1, 9, 112),
	)
	wantLines(t, samples,
		"0 pan=80", "0 outlet=90", "0 difference=10", "0 half_difference=5",
		"0.001 input=9", "0.001 output=50", "0.011 input=9", "0.011 output=110",
		"0.012 pan=80", "0.012 outlet=91", "0.012 difference=11", "0.012 half_difference=5.5",
		"0.021 input=9", "0.021 output=111",
		"0.01 doubled=100", "0.02 doubled=220", "0.01 twice=90", "0.012 twice=89", "0.02 twice=209",
		"0.055 input=9", "0.055 output=112",
		"0.03 doubled=222", "0.04 doubled=222", "0.05 doubled=222", "0.03 twice=211", "0.04 twice=211", "0.05 twice=211",
	)
	wantLines(t, events,
		`{"time_s":0.051,"kind":"stale","frame":"shafts","signals":["input","output"],"state":"stale","since_s":0.021}`,
		`{"time_s":0.015,"kind":"mark","text":"here"}`,
		`{"time_s":0.02,"kind":"alarm","alarm":"far","level":"note","state":"raised","say":"Far."}`,
		`{"time_s":0.055,"kind":"stale","frame":"shafts","signals":["input","output"],"state":"fresh","since_s":0.021}`,
	)
}

func TestDecodeOnlyLeavesTheRestOut(t *testing.T) {
	p := newPipeline(t, twoShafts(), Options{DecodeOnly: true})
	samples, events := run(t, p, frame(0, 1, 9, 150), frame(100*ms, 2, 80, 120), frame(200*ms, 2, 80, 120))
	wantLines(t, samples, "0 input=9", "0 output=150",
		"0.1 pan=80", "0.1 outlet=120", "0.1 difference=40", "0.1 half_difference=20",
		"0.2 pan=80", "0.2 outlet=120", "0.2 difference=40", "0.2 half_difference=20")
	wantLines(t, events, `{"time_s":0.03,"kind":"stale","frame":"shafts","signals":["input","output"],"state":"stale","since_s":0}`)
	if p.Table().Index("doubled") < 0 {
		t.Error("the table lacks the signals of the analysis")
	}
}

func TestTimeDoesNotRunBackwards(t *testing.T) {
	f := twoShafts()
	f.Transmission, f.Alarms, f.Computed = nil, nil, nil
	p := newPipeline(t, f, Options{})
	samples, events := run(t, p, frame(-5*ms, 1, 1, 1), frame(2000*ms, 2, 2, 2), frame(1990*ms, 2, 3, 3), frame(0, 2, 4, 4), frame(1*ms, 2, 4, 4))
	wantLines(t, samples, "-0.005 input=1", "-0.005 output=1", "2 pan=2", "2 outlet=2", "2 pan=3", "2 outlet=3")
	wantLines(t, events,
		`{"time_s":0.025,"kind":"stale","frame":"shafts","signals":["input","output"],"state":"stale","since_s":-0.005}`,
		`{"time_s":2,"kind":"note","text":"the clock of the recording steps back by 2 s; what is more than 1 s behind is not decoded; split the recording here to see the rest"}`)
	if c := p.Counters(); c.Late != 3 || c.TooLate != 2 {
		t.Errorf("late %d, too late %d", c.Late, c.TooLate)
	}
}

func TestRefusesWhatCannotBe(t *testing.T) {
	ring := twoShafts()
	ring.Computed = named[signals.Computed]("a", signals.Computed{Formula: "b + 1"}, "b", signals.Computed{Formula: "a + 1"})
	back := twoShafts()
	back.Transmission.Roles.VehicleSpeed = "twice"
	for want, f := range map[string]*signals.File{
		"computed signals depend on each other in a ring: a, b, a":                                            ring,
		"computed signal twice follows from the analysis of the gearbox and cannot be its role vehicle_speed": back,
	} {
		if _, err := build(f, Options{}, newDouble); err == nil || err.Error() != want {
			t.Errorf("got %v, want %s", err, want)
		}
	}
	p := newPipeline(t, twoShafts(), Options{})
	for want, b := range map[string]capture.Batch{
		"a frame of channel 2; the source has 2": {Channels: channels, Frames: []capture.Frame{{Bus: 2}}},
		"a line of channel 9; the source has 2":  {Channels: channels, Lines: []capture.Line{{Port: 9}}},
	} {
		if err := p.Push(&b, &decode.Output{}); err == nil || err.Error() != want {
			t.Errorf("got %v, want %s", err, want)
		}
	}
}

func TestLossesAreCounted(t *testing.T) {
	p := newPipeline(t, twoShafts(), Options{})
	loss := func(ch uint8, reason string, n uint64) capture.Loss {
		return capture.Loss{Channel: ch, Reason: reason, Count: n}
	}
	for range 2 {
		b := capture.Batch{Channels: channels, Losses: []capture.Loss{loss(0, capture.ReasonOverrun, 3), loss(0, capture.ReasonQueue, 1), loss(7, capture.ReasonDisk, 1)}}
		if err := p.Push(&b, &decode.Output{}); err != nil {
			t.Fatal(err)
		}
	}
	want := []decode.LossCount{{Reason: capture.ReasonOverrun, Count: 6}, {Reason: capture.ReasonQueue, Count: 2}}
	if got := p.Counters().Channels[0].Lost; fmt.Sprint(got) != fmt.Sprint(want) {
		t.Errorf("lost %v, want %v", got, want)
	}
}

// The output is a function of the frames, not of the batches they come in, nor
// of whether what is injected is known beforehand.
func TestBatchesMakeNoDifference(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		var frames []capture.Frame
		var lines []capture.Line
		var marks []decode.Event
		now := capture.Stamp(rapid.Int64Range(-50e6, 50e6).Draw(rt, "start"))
		for range rapid.IntRange(1, 120).Draw(rt, "items") {
			now += capture.Stamp(rapid.SampledFrom([]int64{0, 0, 1e5, 1e6, 5e6, 10e6, 33e6, 400e6}).Draw(rt, "gap"))
			v := rapid.SampledFrom([]byte{0, 77, 80, 95, 105, 120, 255}).Draw(rt, "value")
			switch id := rapid.SampledFrom([]uint32{1, 1, 1, 2, 2, 3, 8, 9}).Draw(rt, "what"); id {
			case 8:
				lines = append(lines, capture.Line{Time: now, Port: 1, Text: "x"})
			case 9:
				marks = append(marks, decode.Event{Time: now, Kind: decode.KindMark, Fields: map[string]int{"n": len(marks)}})
			default:
				frames = append(frames, frame(now, id, 80, v))
			}
		}
		analyse, file := newDouble, twoShafts()
		if rapid.Bool().Draw(rt, "hesitant") {
			analyse = newHesitant
			file.Computed = append(file.Computed, named[signals.Computed]("sum", signals.Computed{Formula: "slow + doubled + outlet"})...)
			file.Alarms[1].V.When = "slow > 200 and doubled > 150"
		}
		whole := newPipelineWith(t, file, Options{}, analyse)
		for _, m := range marks {
			whole.Inject(m)
		}
		var want, got decode.Output
		if err := whole.Push(&capture.Batch{Channels: channels, Frames: frames, Lines: lines}, &want); err != nil {
			rt.Fatal(err)
		}
		whole.Finish(&want)

		split := newPipelineWith(t, file, Options{}, analyse)
		for first := true; first || len(frames)+len(lines) > 0; first = false {
			var b capture.Batch
			b.Channels = channels
			for range rapid.IntRange(1, 10).Draw(rt, "batch") {
				switch {
				case len(lines) > 0 && (len(frames) == 0 || lines[0].Time < frames[0].Time || lines[0].Time == frames[0].Time && rapid.Bool().Draw(rt, "line first")):
					b.Lines, lines = append(b.Lines, lines[0]), lines[1:]
				case len(frames) > 0:
					b.Frames, frames = append(b.Frames, frames[0]), frames[1:]
				}
			}
			// A mark is given live before anything later has been decoded.
			last := capture.Stamp(math.MinInt64)
			if n := len(b.Frames); n > 0 {
				last = b.Frames[n-1].Time
			}
			if n := len(b.Lines); n > 0 {
				last = max(last, b.Lines[n-1].Time)
			}
			for len(marks) > 0 && marks[0].Time <= last {
				split.Inject(marks[0])
				marks = marks[1:]
			}
			before, k := split.Settled(), len(got.Samples)
			if err := split.Push(&b, &got); err != nil {
				rt.Fatal(err)
			}
			for _, s := range got.Samples[k:] {
				if s.Time <= before {
					rt.Fatalf("a sample of %d ns although all up to %d ns was said to be given out", s.Time, before)
				}
			}
		}
		for _, m := range marks {
			split.Inject(m)
		}
		split.Finish(&got)
		ws, we := texts(rt, whole.Table(), &want)
		gs, ge := texts(rt, split.Table(), &got)
		if w, g := strings.Join(ws, "\n"), strings.Join(gs, "\n"); w != g {
			rt.Fatalf("samples differ; whole:\n%s\nin batches:\n%s", w, g)
		}
		if w, g := strings.Join(we, "\n"), strings.Join(ge, "\n"); w != g {
			rt.Fatalf("events differ; whole:\n%s\nin batches:\n%s", w, g)
		}
		if w, g := fmt.Sprint(whole.Counters()), fmt.Sprint(split.Counters()); w != g {
			rt.Fatalf("counters differ: %s and %s", w, g)
		}
	})
}

func TestStrangersAreHandedOver(t *testing.T) {
	var got []uint32
	p := newPipeline(t, twoShafts(), Options{Stranger: func(f *capture.Frame) { got = append(got, f.ID) }})
	own, remote := frame(0, 7, 1), frame(0, 8, 1)
	own.Flags, remote.Flags = capture.Own, capture.Remote
	run(t, p, frame(0, 1, 1, 2), frame(0, 5, 1), own, remote, frame(0, 6, 1), frame(0, 5, 2))
	if fmt.Sprint(got) != "[5 6 5]" {
		t.Errorf("handed over %v", got)
	}
}

func TestFramesAllocateNothing(t *testing.T) {
	p := newPipeline(t, twoShafts(), Options{DecodeOnly: true})
	b := capture.Batch{Channels: channels}
	for i := range 100 {
		b.Frames = append(b.Frames, frame(capture.Stamp(i)*ms, uint32(1+i%3), byte(i), 50))
	}
	var out decode.Output
	push := func() {
		out.Reset()
		if err := p.Push(&b, &out); err != nil {
			t.Fatal(err)
		}
		for i := range b.Frames {
			b.Frames[i].Time += 100 * ms
		}
	}
	push()
	if n := testing.AllocsPerRun(100, push); n != 0 {
		t.Errorf("%g allocations for 100 frames with formulas", n)
	}
}
