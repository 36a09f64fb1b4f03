package export

import (
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"
	"time"

	"gearwitness/capture"
	"gearwitness/decode"
)

// Spool is where OpenMetrics keeps what it must put into another order: a
// temporary file, empty at first.
type Spool interface {
	io.Writer
	io.ReaderAt
}

// MinStep is the smallest distance of samples of one metric: Prometheus keeps
// whole milliseconds and refuses two samples in one.
const MinStep = 2 * time.Millisecond

// chunk is the memory held for each metric before it goes to the spool.
const chunk = 8 << 10

// OpenMetrics writes samples as OpenMetrics text (version 1.0.0) for `promtool
// tsdb create-blocks-from openmetrics`, under the names that /metrics has live:
//
//	gearwitness_signal{signal="engine_speed",unit="rpm"} 812.5 1764066254.12
//
// Of samples closer together than a step only the first is kept. Where a signal
// ceases to count (stale, not available, in error, implausible), one sample NaN
// stands at that time, so that nothing freezes.
//
// The standard wants all samples of one metric together; they go through a spool
// on disk, so that memory stays bounded.
type OpenMetrics struct {
	w       io.Writer
	spool   Spool
	step    capture.Stamp
	info    []decode.Info
	metrics []metric // by signal
	order   order
	at      int64 // written to the spool
}

type metric struct {
	prefix  []byte // name, labels and a blank
	buf     []byte
	chunks  []span
	last    capture.Stamp // of the sample written last
	seen    capture.Stamp // of the sample that came last
	written bool
	counts  bool // the last one written is a value
}

type span struct {
	at int64
	n  int
}

// family is one metric name, in the order of the text.
type family struct{ name, help string }

var families = [...]family{
	{"gearwitness_signal", "Value of a signal of the vehicle file in the unit given."},
	{"gearwitness_gear", "Gear engaged: 1 and up, 0 neutral, -1 reverse; NaN at standstill, between gears and when not known."},
	{"gearwitness_ratio", "Speed of the gearbox input over that of its output."},
	{"gearwitness_converter_slip_rpm", "Engine speed minus gearbox input speed in revolutions per minute."},
	{"gearwitness_element_slip_rpm", "Slip of a clutch or brake in revolutions per minute."},
	{"gearwitness_oil_temperature_difference_kelvin", "Oil temperature at the converter outlet minus that in the pan."},
}

// name returns the family of a signal and its labels.
func (in metricOf) name() (int, string) {
	if element, ok := strings.CutPrefix(in.Name, "slip."); ok && in.Origin == decode.FromAnalysis {
		return 4, `{element="` + escape(element) + `"}`
	}
	switch {
	case in.Name == "gear":
		return 1, ""
	case in.Name == "ratio":
		return 2, ""
	case in.Name == "converter_slip":
		return 3, ""
	case in.Name == "oil_temperature_difference" && in.Unit == "K":
		return 5, ""
	}
	return 0, `{signal="` + escape(in.Name) + `",unit="` + escape(string(in.Unit)) + `"}`
}

type metricOf struct{ *decode.Info }

func escape(s string) string {
	return strings.NewReplacer(`\`, `\\`, `"`, `\"`, "\n", `\n`).Replace(s)
}

// NewOpenMetrics returns a writer that keeps one sample of each metric a step at
// most.
func NewOpenMetrics(w io.Writer, spool Spool, t *decode.Table, step time.Duration) (*OpenMetrics, error) {
	if step < MinStep {
		return nil, fmt.Errorf("step %s: expected at least %s, for Prometheus keeps whole milliseconds", step, MinStep)
	}
	o := &OpenMetrics{w: w, spool: spool, step: capture.Stamp(step), info: t.Signals, metrics: make([]metric, len(t.Signals))}
	for i := range t.Signals {
		f, labels := metricOf{&t.Signals[i]}.name()
		o.metrics[i].prefix = []byte(families[f].name + labels + " ")
	}
	return o, nil
}

// Write takes in samples; see Writer.
func (o *OpenMetrics) Write(samples []decode.Sample, settled capture.Stamp) error {
	for _, s := range o.order.take(samples, settled) {
		m := &o.metrics[s.Signal]
		if err := o.stale(m, &o.info[s.Signal], s.Time); err != nil {
			return err
		}
		m.seen = s.Time
		counts := s.Status == decode.Valid && !math.IsNaN(s.Value) && !o.noGear(s)
		v := s.Value
		switch {
		case !counts && !m.counts:
			continue
		case !counts:
			v = math.NaN()
		case m.written && s.Time-m.last < o.step:
			continue
		}
		if err := o.put(m, s.Time, v); err != nil {
			return err
		}
		m.counts = counts
	}
	return nil
}

// noGear tells the words of the derived gear that are no gear.
func (o *OpenMetrics) noGear(s decode.Sample) bool {
	in := &o.info[s.Signal]
	if in.Name != "gear" || in.Origin != decode.FromAnalysis {
		return false
	}
	name, _ := stateText(in, s.Value)
	return name == "standing" || name == "between"
}

// stale ends a metric whose signal has grown stale before time t.
func (o *OpenMetrics) stale(m *metric, in *decode.Info, t capture.Stamp) error {
	if !m.counts || in.StaleAfter == 0 || t-m.seen < in.StaleAfter {
		return nil
	}
	m.counts = false
	return o.put(m, m.seen+in.StaleAfter, math.NaN())
}

func (o *OpenMetrics) put(m *metric, t capture.Stamp, v float64) error {
	if m.written {
		t = max(t, m.last+capture.Stamp(MinStep))
	}
	m.last, m.written = t, true
	m.buf = append(m.buf, m.prefix...)
	if math.IsNaN(v) {
		m.buf = append(m.buf, "NaN"...)
	} else {
		m.buf = strconv.AppendFloat(m.buf, v, 'g', -1, 64)
	}
	m.buf = append(m.buf, ' ')
	m.buf = decode.AppendSeconds(m.buf, int64(t))
	m.buf = append(m.buf, '\n')
	if len(m.buf) < chunk {
		return nil
	}
	n, err := o.spool.Write(m.buf)
	if err != nil {
		return err
	}
	m.chunks = append(m.chunks, span{o.at, n})
	o.at += int64(n)
	m.buf = m.buf[:0]
	return nil
}

// Close writes the text: nothing stands in the output before.
func (o *OpenMetrics) Close() error {
	if err := o.Write(nil, never); err != nil {
		return err
	}
	for k, f := range families {
		begun := false
		for i := range o.metrics {
			m := &o.metrics[i]
			if is, _ := (metricOf{&o.info[i]}).name(); is != k || !m.written {
				continue
			}
			if err := o.stale(m, &o.info[i], never); err != nil {
				return err
			}
			if !begun {
				begun = true
				if _, err := fmt.Fprintf(o.w, "# TYPE %s gauge\n# HELP %[1]s %s\n", f.name, f.help); err != nil {
					return err
				}
			}
			if err := o.copy(m); err != nil {
				return err
			}
		}
	}
	_, err := io.WriteString(o.w, "# EOF\n")
	return err
}

func (o *OpenMetrics) copy(m *metric) error {
	for _, c := range m.chunks {
		if _, err := io.Copy(o.w, io.NewSectionReader(o.spool, c.at, int64(c.n))); err != nil {
			return err
		}
	}
	_, err := o.w.Write(m.buf)
	return err
}
