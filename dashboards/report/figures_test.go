package report

import (
	"fmt"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"gearwitness/capture"
	"gearwitness/capture/archive"
	"gearwitness/decode"
	"gearwitness/decode/drivetrain"
)

var (
	tableRow  = regexp.MustCompile(`(?s)<tr[^>]*>(.*?)</tr>`)
	tableCell = regexp.MustCompile(`(?s)<t[dh][^>]*>(.*?)</t[dh]>`)
	tag       = regexp.MustCompile(`(?s)<[^>]*>`)
	fact      = regexp.MustCompile(`(?s)<dt>(.*?)</dt><dd>(.*?)</dd>`)
)

// rows are the cells of every table row of a report, joined by " | ".
func rows(t *testing.T, r *Report) []string {
	t.Helper()
	var all []string
	for _, tr := range tableRow.FindAllStringSubmatch(html(t, r), -1) {
		var cells []string
		for _, td := range tableCell.FindAllStringSubmatch(tr[1], -1) {
			cells = append(cells, tag.ReplaceAllString(td[1], ""))
		}
		all = append(all, strings.Join(cells, " | "))
	}
	return all
}

// shows fails for each row that the report does not have.
func shows(t *testing.T, r *Report, want ...string) {
	t.Helper()
	got := rows(t, r)
	for _, w := range want {
		if !slices.Contains(got, w) {
			t.Errorf("no row %q in\n%s", w, strings.Join(got, "\n"))
		}
	}
}

// facts are what the head of a report says.
func facts(t *testing.T, r *Report) map[string]string {
	t.Helper()
	all := map[string]string{}
	for _, f := range fact.FindAllStringSubmatch(html(t, r), -1) {
		all[f[1]] = f[2]
	}
	return all
}

// Each figure of the list of shifts, with its unit, sign and rounding: durations to
// a hundredth of a second, flare in whole rpm, percent, newton metres and degrees.
func TestPrintsEveryShift(t *testing.T) {
	x := newFigures(t)
	x.sample(0, "speed", 0)
	x.event(65e9, decode.KindShift, up("1", "2", 65, func(s *drivetrain.ShiftEvent) {
		s.Load, s.Duration, s.Delay, s.Flare, s.Pedal, s.OilTemperature = "power-on", at(0.4251), at(0.1949), of(-12.6), of(33.4), of(-7.6)
	}))
	x.event(3726e9, decode.KindShift, up("3", "1", 3725.6, func(s *drivetrain.ShiftEvent) {
		s.Direction, s.Load, s.Flare, s.Skipped, s.Repeated, s.Uncommanded, s.SlippedBefore, s.Bridged = "down", "coast", nil, true, true, true, true, true
		s.Settled, s.Held, s.Command, s.Delay, s.Duration = false, false, nil, nil, nil
	}))
	x.event(70e9, decode.KindShift, drivetrain.ShiftEvent{From: "2", To: "3", Direction: "up", End: at(71), Settled: true, Held: true})
	// Torque is that of the 0.2 s before the command at 64.8 s: 64.6 to 64.8 s.
	for _, v := range []struct{ at, torque float64 }{{64.59, 999}, {64.61, 100}, {64.7, 121}, {64.79, 130.6}, {64.81, 999}, {65, 999}} {
		x.sample(capture.Stamp(v.at*1e9), "torque", v.torque)
	}
	shows(t, x.report(),
		"1:05 | 1-2 | power-on up | 0.43 | 0.19 | −13 | 33 | 117 | −8 | ",
		"1:02:06 | 3-1 | coast down | not seen |  |  |  |  |  | not commanded, did not stay, the new gear did not hold, slipped before the command, again within 5 s, skips gears, a sensor was missing",
		"1:11 | 2-3 | up | not seen |  |  |  |  |  | ",
	)
}

// The table of like shifts: median and longest duration, median delay, and the worst
// of flare, dip and overshoot, each over those shifts that have it.
func TestPrintsLikeShifts(t *testing.T) {
	x := newFigures(t)
	for i, s := range []struct {
		duration, delay float64
		flare, bind     *float64
		overshoot       float64
		settled         bool
	}{
		{0.30, 0.10, of(20), of(0.123), 0.02, true},
		{0.40, 0.21, of(45.4), nil, 0.156, true},
		{0.90, 0.30, nil, of(0.456), 0.01, true},
		{5, 0.40, of(-8), nil, 0.5, false}, // its duration says nothing, how far it overshot does
	} {
		x.event(capture.Stamp(i)*10e9, decode.KindShift, up("1", "2", float64(10*i), func(e *drivetrain.ShiftEvent) {
			e.Duration, e.Delay, e.Flare, e.BindUp, e.Overshoot, e.Settled = at(s.duration), at(s.delay), s.flare, s.bind, s.overshoot, s.settled
		}))
	}
	x.event(50e9, decode.KindShift, up("2", "1", 50, func(e *drivetrain.ShiftEvent) {
		e.Direction, e.Duration, e.End, e.Delay, e.Overshoot = "down", nil, nil, nil, 0.7
	}))
	x.event(60e9, decode.KindShift, up("2", "3", 60, func(e *drivetrain.ShiftEvent) { e.Flare = of(-9.6) }))
	shows(t, x.report(),
		"1-2 | up | 4 | 0.40 | 0.90 | 0.26 | 45 | 0.46 | 50 | 1", // delays 0.10 0.21 0.30 0.40: 0.255
		"2-1 | down | 1 |  |  |  |  |  |  | 1",
		"2-3 | up | 1 | 0.50 | 0.50 | 0.20 | −10 |  | 0 | ",
	)
}

func TestPrintsEngagements(t *testing.T) {
	x := newFigures(t)
	x.sample(2e9, "speed", 0)
	x.event(12e9, decode.KindEngagement, drivetrain.EngagementEvent{From: "N", To: "D", Start: at(11), Duration: at(0.856), Engaged: true, OilTemperature: of(-9.5)})
	x.event(30e9, decode.KindEngagement, drivetrain.EngagementEvent{From: "P", To: "R", Start: at(28), OilTemperature: of(61.4)})
	shows(t, x.report(), "0:09 | N | D | 0.86 | −10", "0:26 | P | R | did not engage | 61")
}

// Losses are told for each bus and each frame; a loss of unknown number is not none.
func TestPrintsLosses(t *testing.T) {
	x := newFigures(t)
	x.sample(0, "speed", 0)
	x.sample(5.5e9, "speed", 0)
	x.sample(6.5e9, "speed", 0)
	x.counters = decode.Counters{
		Channels: []decode.ChannelCount{
			{Name: "can0", Bus: "powertrain", Frames: 12_345, Known: 12_000, Errors: 7, Lost: []decode.LossCount{{Reason: "overrun", Count: 1_500}, {Reason: "adapter away"}}},
			{Name: "can1", Frames: 999},
			{Name: "gps", Lines: 1_000},
		},
		Frames:  []decode.FrameCount{{Name: "speeds", Good: 4_000, Short: 1, Checksum: 2, Repeated: 4, Missed: 1_024}, {Name: "oil", Good: 5}, {Name: "wheels"}},
		Unknown: []decode.UnknownID{{ID: 1}, {ID: 2}},
		TooLate: 1_001, Timeless: 1_002,
	}
	r := x.report()
	shows(t, r,
		"can0 | 12,345 | 12,000 | 7 | 1,500 (overrun), not known how many (adapter away)",
		"can1 | 999 | no bus of the vehicle file | 0 | 0",
		"gps | 1,000 | 0 | 0 | 0",
		"speeds | 4,000 | 7 | 1,024",
		"wheels | never came |  | ",
		"0:00 | nothing came for 5.5 s",
	)
	text := html(t, r)
	for _, want := range []string{"2 identifiers on the bus are not described", "1,001 frames came too late", "1,002 frames or lines had a time stamp that cannot be right"} {
		if !strings.Contains(text, want) {
			t.Errorf("the report does not say %q", want)
		}
	}
	for _, row := range rows(t, r) {
		if strings.HasPrefix(row, "oil |") {
			t.Errorf("oil is told among the frames that were not all usable: %s", row)
		}
	}
}

// An hour at 60 km/h is 60 km; where nothing was measured for a second nothing is
// added, and a tenth of a kilometre is not worth a word.
func TestPrintsDistance(t *testing.T) {
	drive := func(kmh float64, from, to, every time.Duration) func(*figures) {
		return func(x *figures) {
			for d := from; d <= to; d += every {
				x.sample(capture.Stamp(d), "speed", kmh)
			}
		}
	}
	for want, steps := range map[string][]func(*figures){
		"1 h 00 min, about 60.0 km":  {drive(60, 0, time.Hour, 500*time.Millisecond)},
		"1 h 40 min, about 166.7 km": {drive(100, 0, 100*time.Minute, 500*time.Millisecond)},
		"2 min 01 s, about 2.0 km":   {drive(60, 0, time.Minute, 500*time.Millisecond), drive(60, 61*time.Second, 121*time.Second, 500*time.Millisecond)},
		"60 s, about 0.2 km":         {drive(12, 0, time.Minute, 200*time.Millisecond)},
		"6.5 s, about 0.1 km":        {drive(60, 0, 6500*time.Millisecond, 500*time.Millisecond)},
		"5.5 s":                      {drive(60, 0, 5500*time.Millisecond, 500*time.Millisecond)},
		"1 min 40 s":                 {drive(90, 0, 100*time.Second, time.Second)}, // a second is a gap
	} {
		x := newFigures(t)
		for _, step := range steps {
			step(x)
		}
		if got := facts(t, x.report())["Recorded"]; got != want {
			t.Errorf("recorded: %q, want %q", got, want)
		}
	}
}

// What the head says of the papers, and what it says where they are silent.
func TestPrintsFacts(t *testing.T) {
	x := newFigures(t)
	started := time.Date(2026, 3, 7, 14, 15, 3, 0, time.FixedZone("", -5400))
	x.papers = Papers{Meta: archive.Meta{Workshop: "Halden Gearbox Service", Started: started, PositionConsent: "M. Okafor"}, Vehicle: "Bench", Software: "gearwitness 1"}
	got := facts(t, x.report())
	for name, want := range map[string]string{
		"Workshop": "Halden Gearbox Service", "Started": "7 March 2026, 14:15:03 -01:30", "Ended": "not recorded: the recording was cut off", "Position": "kept, agreed to by M. Okafor",
	} {
		if got[name] != want {
			t.Errorf("%s: %q, want %q", name, got[name], want)
		}
	}
	for _, name := range []string{"Technician", "Job", "VIN", "Odometer", "Concern", "Recorded"} {
		if text, there := got[name]; there {
			t.Errorf("%s: %q, though nothing is known of it", name, text)
		}
	}
	if text := html(t, x.report()); !strings.Contains(text, "<h1>Bench</h1>") {
		t.Error("a session without a title is not called by its vehicle")
	}
	x.papers = Papers{Meta: archive.Meta{PositionConsent: "M. Okafor"}, Redact: true}
	if got := facts(t, x.report()); got["Position"] != "left out on request" || got["Started"] != "" || got["Ended"] != "" {
		t.Errorf("%v", got)
	}
	x.papers = Papers{}
	if got := facts(t, x.report())["Position"]; got != "left out: nobody has agreed to it being kept" {
		t.Errorf("position: %q", got)
	}
}

// A number that a control unit answers with and that is not the one entered is told;
// the examples are those of 49 CFR 565.15 and of its check digit.
func TestPrintsNumbersRead(t *testing.T) {
	x := newFigures(t)
	x.papers.Meta.VIN = "1M8GDM9AXKP042788"
	x.event(1e9, decode.KindVIN, decode.VIN{Unit: "unit 1", VIN: "1M8GDM9AXKP042788"})
	text := html(t, x.report())
	if got := facts(t, x.report()); got["VIN"] != "1M8GDM9AXKP042788" || got["VIN read"] != "1M8GDM9AXKP042788, by unit 1" || strings.Contains(text, "On the VIN") {
		t.Errorf("%v, or a remark on a number that is right", got)
	}
	x.event(2e9, decode.KindVIN, decode.VIN{Unit: "unit 2", VIN: "1M8GDM9A1KP042788"})
	text = html(t, x.report())
	if strings.Count(text, "is not the number entered") != 1 || !strings.Contains(text, "what unit 2 answers") || strings.Count(text, "of the one read, ") != 1 {
		t.Error("another number, whose check digit is wrong as well, is not told once")
	}
	x.papers.Meta.VIN = "1M8GDM9A1KP042788"
	text = html(t, x.report())
	if strings.Contains(text, "of the one read, ") || strings.Count(text, "On the VIN") != 2 {
		t.Errorf("the wrong check digit of the number entered is told of the one read again: %d remarks, want one on it and one on unit 1", strings.Count(text, "On the VIN"))
	}
}

// Lists are cut at 400 lines and say how many more there are.
func TestCutsLists(t *testing.T) {
	x := newFigures(t)
	for i := range maxListed + 3 {
		x.event(capture.Stamp(i)*1e9, decode.KindMark, map[string]string{"text": fmt.Sprintf("mark %d.", i)})
		x.event(capture.Stamp(i)*1e9, decode.KindShift, up("1", "2", float64(i), nil))
		x.papers.Journal = append(x.papers.Journal, archive.Entry{Kind: "loss", Fields: []byte(`{"text":"line ` + fmt.Sprint(i) + `."}`)})
	}
	text := html(t, x.report())
	for _, want := range []string{"mark 0.", "mark 399.", "loss: line 0.", "loss: line 399."} {
		if !strings.Contains(text, want) {
			t.Errorf("the report does not say %q", want)
		}
	}
	for _, more := range []string{"mark 400.", "line 400."} {
		if strings.Contains(text, more) {
			t.Errorf("the report says %q", more)
		}
	}
	if n := strings.Count(text, "and 3 more"); n != 3 {
		t.Errorf("%d lists say that there are 3 more, want marks, journal and shifts", n)
	}
}

// Sixteen numbers that were read are enough for any bus; whoever sends more does not
// fill the report.
func TestListsFewNumbersRead(t *testing.T) {
	x := newFigures(t)
	for i := range maxVINs + 1 {
		for range 2 { // told again: not listed again
			x.event(1e9, decode.KindVIN, decode.VIN{Unit: fmt.Sprintf("unit %d.", i), VIN: "1M8GDM9AXKP042788"})
		}
	}
	if n := strings.Count(html(t, x.report()), "<dt>VIN read</dt>"); n != maxVINs {
		t.Errorf("%d numbers listed, want %d", n, maxVINs)
	}
}
