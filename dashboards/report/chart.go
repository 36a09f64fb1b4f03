package report

import (
	"fmt"
	"math"
	"strings"

	"gearwitness/capture"
	"gearwitness/decode/compare"
	"gearwitness/signals/portable"
)

// bins of a trace; when they are full, pairs are joined.
const bins = 1200

// quantityTrace is a signal over the whole drive in bounded memory: extremes and
// mean of up to 1,200 stretches of equal length.
type quantityTrace struct {
	origin   capture.Stamp
	width    capture.Stamp
	bin      []bin
	n        int
	min, max float64
	sum      float64
}

type bin struct {
	min, max, sum float64
	n             int
}

func (t *quantityTrace) add(at capture.Stamp, v float64) {
	if at < t.origin || at-t.origin < 0 { // the second: stamps too far apart for their difference
		return
	}
	if t.n == 0 {
		t.width, t.min, t.max = 100e6, v, v
	}
	t.n++
	t.sum += v
	t.min, t.max = min(t.min, v), max(t.max, v)
	for (at-t.origin)/t.width >= bins {
		t.join()
	}
	k := int((at - t.origin) / t.width)
	for len(t.bin) <= k {
		t.bin = append(t.bin, bin{})
	}
	b := &t.bin[k]
	if b.n == 0 {
		b.min, b.max = v, v
	}
	b.min, b.max = min(b.min, v), max(b.max, v)
	b.sum += v
	b.n++
}

func (t *quantityTrace) join() {
	t.width *= 2
	half := (len(t.bin) + 1) / 2
	for i := range half {
		b := t.bin[2*i]
		if k := 2*i + 1; k < len(t.bin) && t.bin[k].n > 0 {
			c := t.bin[k]
			if b.n == 0 {
				b = c
			} else {
				b = bin{min(b.min, c.min), max(b.max, c.max), b.sum + c.sum, b.n + c.n}
			}
		}
		t.bin[i] = b
	}
	t.bin = t.bin[:half]
}

// strip is the gear over the whole drive: the last one of each stretch.
type strip struct {
	origin, width capture.Stamp
	name          []string
}

func (t *strip) add(at capture.Stamp, name string) {
	if at < t.origin || at-t.origin < 0 { // the second: stamps too far apart for their difference
		return
	}
	if t.width == 0 {
		t.width = 100e6
	}
	for (at-t.origin)/t.width >= bins {
		t.width *= 2
		half := (len(t.name) + 1) / 2
		for i := range half {
			t.name[i] = t.name[min(2*i+1, len(t.name)-1)]
		}
		t.name = t.name[:half]
	}
	k := int((at - t.origin) / t.width)
	for len(t.name) <= k {
		t.name = append(t.name, "")
	}
	t.name[k] = name
}

// chart is an SVG drawing, ready for the template.
type chart struct {
	Title, Describe      string
	Width, Height        float64
	Left, Right          float64 // of the plot
	Top, Bottom          float64
	XLabel, YLabel       string
	XTicks, YTicks       []tick
	Areas, Lines, Points []path
	Blocks               []block
	Legend               []entry
}

type tick struct {
	At   string // px
	Text string
}

type path struct {
	Class, D string
	X, Y     string // of a point
	Text     string
}

type block struct {
	Class, X, Y, W, H, Text, TX, TY string
}

type entry struct {
	Class, Text   string
	X, TX, Y, End string
}

func px(v float64) string {
	s := fmt.Sprintf("%.1f", v)
	return strings.TrimSuffix(s, ".0")
}

// scale maps values to pixels.
type scale struct{ v0, v1, p0, p1 float64 }

func (s scale) at(v float64) float64 {
	if s.v1 == s.v0 {
		return s.p0
	}
	return s.p0 + float64((float64(v)-s.v0)/(s.v1-s.v0)*(s.p1-s.p0))
}

// round returns a step of 1, 2 or 5 times a power of ten that cuts a range into
// at most n parts.
func step(span float64, n int) float64 {
	if !(span > 0) {
		return 1
	}
	p := math.Pow10(portable.Decade(span / float64(n)))
	for _, m := range []float64{1, 2, 5, 10} {
		if span/(m*p) <= float64(n) {
			return m * p
		}
	}
	return 10 * p
}

// timeSteps are distances of time marks in seconds.
var timeSteps = []float64{1, 2, 5, 10, 20, 30, 60, 120, 300, 600, 1200, 1800, 3600, 7200, 14400, 28800, 86400}

func newChart(width, height float64) *chart {
	return &chart{Width: width, Height: height, Left: 44, Right: width - 8, Top: 20, Bottom: height - 24}
}

func (c *chart) yAxis(low, high float64, label string) scale {
	if !(high > low) {
		low, high = low-1, high+1
	}
	st := step(high-low, 5)
	low, high = float64(math.Floor(low/st)*st), float64(math.Ceil(high/st)*st)
	s := scale{low, high, c.Bottom, c.Top}
	for k := 0; k <= 12; k++ {
		v := low + float64(float64(k)*st)
		if v > high+float64(st/2) {
			break
		}
		text := fmt.Sprintf("%g", math.Round(v/st)*st)
		if st < 1 {
			text = fmt.Sprintf("%.*f", -portable.Decade(st), v)
		}
		c.YTicks = append(c.YTicks, tick{px(s.at(v)), strings.Replace(text, "-", "−", 1)})
	}
	c.YLabel = label
	return s
}

// timeAxis covers a drive of that many seconds.
func (c *chart) timeAxis(seconds float64) scale {
	seconds = max(seconds, 1)
	s := scale{0, seconds, c.Left, c.Right}
	st := timeSteps[len(timeSteps)-1]
	for _, t := range timeSteps {
		if seconds/t <= 8 {
			st = t
			break
		}
	}
	for k := 0; float64(k)*st <= seconds && k < 400; k++ {
		t := float64(k) * st
		c.XTicks = append(c.XTicks, tick{px(s.at(t)), clock(capture.Stamp(t) * 1e9)})
	}
	c.XLabel = "time since the recording began"
	return s
}

// clock writes the time since the beginning as 4:05 or 1:04:05, to the nearest
// second.
func clock(d capture.Stamp) string {
	sign := ""
	if d < 0 {
		sign, d = "−", -d
	}
	s := int64((d + 5e8) / 1e9)
	if s == 0 {
		return "0:00"
	}
	if s < 3600 {
		return fmt.Sprintf("%s%d:%02d", sign, s/60, s%60)
	}
	return fmt.Sprintf("%s%d:%02d:%02d", sign, s/3600, s/60%60, s%60)
}

func (r *Report) clock(at capture.Stamp) string { return clock(at - r.b.first) }

// trace draws the mean of a trace as a line and its extremes as an area; where
// nothing came there is a gap.
func (c *chart) trace(t *quantityTrace, x, y scale, class string) {
	var line strings.Builder
	up := false
	var top, low []string
	flush := func() {
		if len(top) > 1 {
			for i, k := 0, len(low)-1; i < k; i, k = i+1, k-1 {
				low[i], low[k] = low[k], low[i]
			}
			c.Areas = append(c.Areas, path{Class: class, D: "M" + strings.Join(top, "L") + "L" + strings.Join(low, "L") + "Z"})
		}
		top, low, up = nil, nil, false
	}
	holes := 0
	for i, b := range t.bin {
		if b.n == 0 {
			// Signals that come more rarely than a stretch is long leave some empty.
			if holes++; capture.Stamp(holes)*t.width > 2*pause {
				flush()
			}
			continue
		}
		holes = 0
		px0 := px(x.at((float64(i) + 0.5) * float64(t.width) / 1e9))
		move := "L"
		if !up {
			move, up = "M", true
		}
		line.WriteString(move + px0 + " " + px(y.at(b.sum/float64(b.n))))
		top = append(top, px0+" "+px(y.at(b.max)))
		low = append(low, px0+" "+px(y.at(b.min)))
	}
	flush()
	if line.Len() > 0 {
		c.Lines = append(c.Lines, path{Class: class, D: line.String()})
	}
}

// legend puts the names of the lines above the plot.
func (c *chart) legend(names ...[2]string) {
	at := c.Left
	for _, n := range names {
		c.Legend = append(c.Legend, entry{Class: n[0], Text: n[1], X: px(at), End: px(at + 18), TX: px(at + 22), Y: "9"})
		at += 34 + float64(5.2*float64(len([]rune(n[1]))))
	}
	c.Top = 28
}

// driveChart shows road speed and, below it, the gear.
func (r *Report) driveChart() *chart {
	b := r.b
	if b.speed.n == 0 && len(b.gearStrip.name) == 0 {
		return nil
	}
	c := newChart(720, 190)
	c.Title = "Road speed and gear engaged"
	c.Bottom -= 18 // for the strip
	x := c.timeAxis(float64(b.last-b.first) / 1e9)
	if b.speed.n > 0 {
		y := c.yAxis(0, b.speed.max, "km/h")
		c.trace(&b.speed, x, y, "a")
		c.Describe = fmt.Sprintf("Road speed up to %.0f km/h over %s.", b.speed.max, clock(b.last-b.first))
	}
	y := c.Bottom + 4
	names := b.gearStrip.name
	for i := 0; i < len(names); {
		k := i
		for k < len(names) && names[k] == names[i] {
			k++
		}
		if names[i] != "" && names[i] != "between" {
			x0, x1 := x.at(float64(i)*float64(b.gearStrip.width)/1e9), x.at(float64(k)*float64(b.gearStrip.width)/1e9)
			bl := block{Class: gearClass(names[i]), X: px(x0), Y: px(y), W: px(max(0.4, x1-x0)), H: "13"}
			if x1-x0 > float64(5.5*float64(len(names[i])))+2 {
				bl.Text, bl.TX, bl.TY = names[i], px((x0+x1)/2), px(y+10)
			}
			c.Blocks = append(c.Blocks, bl)
		}
		i = k
	}
	r.moments(c, x)
	c.Bottom += 18
	return c
}

func gearClass(name string) string {
	switch {
	case name == "standing", name == "N":
		return "still"
	case strings.HasPrefix(name, "R"):
		return "reverse"
	}
	if n := len(name); n > 0 && (name[n-1]-'0')%2 == 0 {
		return "even"
	}
	return "odd"
}

// moments puts marks and alarms into a chart.
func (r *Report) moments(c *chart, x scale) {
	put := func(l *list, class string) {
		for _, h := range l.entries {
			c.Points = append(c.Points, path{Class: class, X: px(x.at(float64(h.at-r.b.first) / 1e9)), Text: h.text})
		}
	}
	put(&r.b.marks, "mark")
	put(&r.b.alarmLog, "alarm")
}

// heatChart shows temperatures.
func (r *Report) heatChart() *chart {
	b := r.b
	traces := []struct {
		t           *quantityTrace
		class, name string
	}{{&b.outlet, "b", "oil at the converter outlet"}, {&b.pan, "a", "oil in the pan"}, {&b.coolant, "c", "coolant"}}
	low, high := math.Inf(1), math.Inf(-1)
	var names [][2]string
	for _, t := range traces {
		if t.t.n > 0 {
			low, high = min(low, t.t.min), max(high, t.t.max)
			names = append(names, [2]string{t.class, t.name})
		}
	}
	if names == nil {
		return nil
	}
	c := newChart(720, 200)
	c.Title = "Temperatures"
	c.legend(names...)
	x := c.timeAxis(float64(b.last-b.first) / 1e9)
	y := c.yAxis(low, high, "°C")
	c.Describe = fmt.Sprintf("Temperatures between %.0f and %.0f °C.", low, high)
	for _, t := range traces {
		c.trace(t.t, x, y, t.class)
	}
	r.moments(c, x)
	return c
}

// overlayChart lays the progress of like shifts over each other.
func overlayChart(s *compare.Set) *chart {
	var curves []compare.Curve
	end := 0.0
	for _, x := range s.Shifts {
		if len(x.Curve) > 1 && len(curves) < maxCurves {
			curves = append(curves, x.Curve)
			if x.Duration != nil {
				end = max(end, float64(*x.Duration)/1e9)
			}
		}
	}
	if len(curves) == 0 {
		return nil
	}
	c := newChart(232, 132)
	c.Left, c.Right = 30, 228
	c.Title = s.Name()
	c.Describe = fmt.Sprintf("Progress of %d shifts %s over each other.", len(curves), s.Name())
	end = min(max(end+0.2, 0.6), 3)
	x := scale{-0.2, end, c.Left, c.Right}
	st := step(end+0.2, 5)
	for k := 0; float64(k)*st <= end; k++ {
		c.XTicks = append(c.XTicks, tick{px(x.at(float64(k) * st)), fmt.Sprintf("%.2g", float64(k)*st)})
	}
	low, high := -0.1, 1.1
	for _, cv := range curves {
		for _, p := range cv {
			if p.T >= -0.2 && p.T <= end {
				low, high = max(min(low, p.P-0.05), -2), min(max(high, p.P+0.05), 3)
			}
		}
	}
	y := scale{low, high, c.Bottom, c.Top}
	st = step(high-low, 5)
	for k := math.Ceil(low / st); k*st <= high; k++ {
		c.YTicks = append(c.YTicks, tick{px(y.at(k * st)), strings.Replace(fmt.Sprintf("%.0f", float64(100*k*st)+0), "-", "−", 1)})
	}
	c.XLabel, c.YLabel = "s from start", "%"
	for _, cv := range curves {
		var d strings.Builder
		last := math.Inf(-1)
		for _, p := range cv {
			if p.T < -0.2 || p.T > end {
				continue
			}
			move := "L"
			if p.T-last > 0.06 {
				move = "M"
			}
			last = p.T
			d.WriteString(move + px(x.at(p.T)) + " " + px(y.at(min(max(p.P, low), high))))
		}
		c.Lines = append(c.Lines, path{Class: "thin", D: d.String()})
	}
	return c
}
