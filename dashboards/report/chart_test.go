package report

import (
	"fmt"
	"strings"
	"testing"

	"gearwitness/capture"
	"gearwitness/decode"
	"gearwitness/decode/compare"
	"gearwitness/decode/drivetrain"
)

// marks writes the marks of an axis as text@position.
func marks(list []tick) string {
	var all []string
	for _, m := range list {
		all = append(all, m.Text+"@"+m.At)
	}
	return strings.Join(all, " ")
}

// The plot of a chart 720 by 190 lies from 44 to 712 and from 20 to 166 px. An axis
// of values has marks at 1, 2 or 5 times a power of ten, and ends on one.
func TestValueAxis(t *testing.T) {
	for want, c := range map[string][2]float64{
		"0@166 20@117.3 40@68.7 60@20":                                    {0, 57.3},
		"0@166 20@129.5 40@93 60@56.5 80@20":                              {0, 80}, // ends on a mark: no further one
		"−15@166 −10@136.8 −5@107.6 0@78.4 5@49.2 10@20":                  {-12, 9},
		"0.0@166 0.2@129.5 0.4@93 0.6@56.5 0.8@20":                        {0, 0.7},
		"4.0@166 4.5@129.5 5.0@93 5.5@56.5 6.0@20":                        {5, 5},
		"−0.10@166 −0.08@136.8 −0.06@107.6 −0.04@78.4 −0.02@49.2 0.00@20": {-0.1, 0},
		"1000@166 1200@129.5 1400@93 1600@56.5 1800@20":                   {1000, 1800},
		"100@166 110@129.5 120@93 130@56.5 140@20":                        {100, 132},
	} {
		chart := newChart(720, 190)
		s := chart.yAxis(c[0], c[1], "rpm")
		if got := marks(chart.YTicks); got != want {
			t.Errorf("axis of %v: %s, want %s", c, got, want)
		}
		if chart.YLabel != "rpm" || s.at(s.v0) != 166 || s.at(s.v1) != 20 {
			t.Errorf("axis of %v: label %q, from %g to %g px", c, chart.YLabel, s.at(s.v0), s.at(s.v1))
		}
	}
}

// An axis of time has at most eight parts of a length that people count in.
func TestTimeAxis(t *testing.T) {
	for seconds, want := range map[float64]string{
		0.2:     "0:00@44 0:01@712", // at least a second
		8:       "0:00@44 0:01@127.5 0:02@211 0:03@294.5 0:04@378 0:05@461.5 0:06@545 0:07@628.5 0:08@712",
		10:      "0:00@44 0:02@177.6 0:04@311.2 0:06@444.8 0:08@578.4 0:10@712",
		600:     "0:00@44 2:00@177.6 4:00@311.2 6:00@444.8 8:00@578.4 10:00@712",
		9_600:   "0:00@44 20:00@127.5 40:00@211 1:00:00@294.5 1:20:00@378 1:40:00@461.5 2:00:00@545 2:20:00@628.5 2:40:00@712",
		16_700:  "0:00@44 1:00:00@188 2:00:00@332 3:00:00@476 4:00:00@620",
		172_800: "0:00@44 8:00:00@155.3 16:00:00@266.7 24:00:00@378 32:00:00@489.3 40:00:00@600.7 48:00:00@712",
	} {
		chart := newChart(720, 190)
		chart.timeAxis(seconds)
		if got := marks(chart.XTicks); got != want {
			t.Errorf("%g s: %s, want %s", seconds, got, want)
		}
	}
}

// A trace is a line of means within an area of extremes, at the middle of each
// stretch; where nothing came for more than 2 s both are cut.
func TestTraceIsCutAtGaps(t *testing.T) {
	draw := func(silence capture.Stamp) *chart {
		var tr quantityTrace
		for _, at := range []capture.Stamp{0, 50e6, 100e6, 200e6 + silence, 300e6 + silence} {
			tr.add(at, float64(at%100e6)/5e6) // 0 10 0 0 0
		}
		c := newChart(720, 190)
		c.trace(&tr, scale{0, 10, 0, 1000}, scale{0, 10, 100, 0}, "a")
		return c
	}
	// Stretches of 0.1 s, 10 px: the first holds 0 and 10, mean 5.
	c := draw(2e9)
	if len(c.Lines) != 1 || c.Lines[0].D != "M5 50L15 100L225 100L235 100" || c.Lines[0].Class != "a" {
		t.Errorf("after 2 s of silence: line %+v", c.Lines)
	}
	if len(c.Areas) != 1 || c.Areas[0].D != "M5 0L15 100L225 100L235 100L235 100L225 100L15 100L5 100Z" {
		t.Errorf("after 2 s of silence: area %+v", c.Areas)
	}
	c = draw(2.1e9)
	if len(c.Lines) != 1 || c.Lines[0].D != "M5 50L15 100M235 100L245 100" || len(c.Areas) != 2 || c.Areas[1].D != "M235 100L245 100L245 100L235 100Z" {
		t.Errorf("after 2.1 s of silence: line %+v, areas %+v", c.Lines, c.Areas)
	}
}

// Below the road speed stands the gear, as wide as it lasted, and a line for each mark.
func TestDriveChart(t *testing.T) {
	x := newFigures(t)
	states := x.table.Signals[x.table.Index(drivetrain.SignalGear)].States
	for i := range 100 { // 10 s, a stretch each 0.1 s
		at := 1000e9 + capture.Stamp(i)*100e6
		x.sample(at, "speed", float64(min(i, 50)))
		name := "2"
		switch {
		case i < 20:
			name = "standing"
		case i < 40:
			name = "1"
		case i < 45:
			name = "between"
		}
		x.sample(at, drivetrain.SignalGear, float64(states[states.Index(name)].V))
	}
	x.sample(1010e9, "pan", 80) // ends the recording at 10 s
	x.event(1005e9, decode.KindMark, map[string]string{"text": "here"})
	r := x.report()
	c := r.driveChart()
	if c.Describe != "Road speed up to 50 km/h over 0:10." || c.Title != "Road speed and gear engaged" {
		t.Errorf("%q, %q", c.Title, c.Describe)
	}
	// 668 px for 10 s from 44 px on; the strip lies below the plot, which ends at 148.
	want := []block{
		{Class: "still", X: "44", Y: "152", W: "133.6", H: "13", Text: "standing", TX: "110.8", TY: "162"},
		{Class: "odd", X: "177.6", Y: "152", W: "133.6", H: "13", Text: "1", TX: "244.4", TY: "162"},
		{Class: "even", X: "344.6", Y: "152", W: "367.4", H: "13", Text: "2", TX: "528.3", TY: "162"},
	}
	if fmt.Sprint(c.Blocks) != fmt.Sprint(want) {
		t.Errorf("gears\n%v, want\n%v", c.Blocks, want)
	}
	if len(c.Points) != 1 || c.Points[0] != (path{Class: "mark", X: "378", Text: "here"}) {
		t.Errorf("marks %+v", c.Points)
	}
	if h := r.heatChart(); h.Describe != "Temperatures between 80 and 80 °C." || marks(h.YTicks) != "79.0@176 79.5@139 80.0@102 80.5@65 81.0@28" || len(h.Legend) != 1 || h.Legend[0].Text != "oil in the pan" {
		t.Errorf("%+v", h)
	}
	for name, want := range map[string]string{"standing": "still", "N": "still", "R": "reverse", "R1": "reverse", "1": "odd", "2": "even", "9": "odd", "10": "even"} {
		if got := gearClass(name); got != want {
			t.Errorf("gear %s is drawn as %s, want %s", name, got, want)
		}
	}
}

// Progress of like shifts over each other: from 0.2 s before the start, cut where a
// curve has a gap of more than 0.06 s.
func TestOverlayChart(t *testing.T) {
	curve := compare.Curve{{T: -0.3, P: 0}, {T: -0.2, P: 0}, {T: 0, P: 0.05}, {T: 0.06, P: 0.5}, {T: 0.13, P: 0.95}, {T: 0.9, P: 1}}
	d := decode.Seconds(0.4e9)
	c := overlayChart(&compare.Set{From: "1", To: "2", Kind: "up", Shifts: []*compare.Shift{
		{ShiftEvent: drivetrain.ShiftEvent{Duration: &d}, Curve: curve}, {Curve: curve[:1]}, {},
	}})
	// 0.8 s from 30 to 228 px, −10 to 110 % from 108 to 20 px.
	if len(c.Lines) != 1 || c.Lines[0].D != "M30 100.7M79.5 97L94.4 64M111.7 31" || c.Describe != "Progress of 1 shifts 1-2 up over each other." {
		t.Errorf("%+v, %s", c.Lines, c.Describe)
	}
	if got, want := marks(c.XTicks), "0@79.5 0.2@129 0.4@178.5 0.6@228"; got != want {
		t.Errorf("time %s, want %s", got, want)
	}
	if got, want := marks(c.YTicks), "0@100.7 50@64 100@27.3"; got != want {
		t.Errorf("progress %s, want %s", got, want)
	}
	if overlayChart(&compare.Set{Shifts: []*compare.Shift{{Curve: curve[:1]}}}) != nil {
		t.Error("a curve of one point is drawn")
	}
	// A flare far below 0 % makes room for itself, down to −200 %.
	deep := compare.Curve{{T: 0, P: -0.4}, {T: 0.05, P: -5}}
	c = overlayChart(&compare.Set{From: "1", To: "2", Shifts: []*compare.Shift{{Curve: deep}}})
	if got, want := marks(c.YTicks), "−200@108 −100@79.6 0@51.2 100@22.8"; got != want {
		t.Errorf("progress %s, want %s", got, want)
	}
}
