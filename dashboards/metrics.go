package dashboards

import (
	"fmt"
	"log/slog"
	"net/http"
	"strings"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
	"github.com/prometheus/client_golang/prometheus/promhttp"

	"gearwitness/dashboards/board"
	"gearwitness/decode/finding"
	"gearwitness/signals"
)

// Revolutions per minute are kept although Prometheus would have revolutions
// per second: every figure of the trade, and every limit of a vehicle file, is
// in rpm, and a dashboard that divides by 60 is read wrongly.
var (
	descBuild     = desc("build_info", "The program; always 1.", "version")
	descFrames    = desc("frames_total", "Frames received.", "bus")
	descLines     = desc("lines_total", "Lines of text received from serial instruments.", "instrument")
	descLost      = desc("frames_lost_total", "Frames or lines that did not reach the program or the disk.", "bus", "reason")
	descLoad      = desc("bus_load_ratio", "Share of the last second that frames took on the bus, without stuff bits.", "bus")
	descSignal    = desc("signal", "Value of a signal of the vehicle file in the unit given; absent when stale, not available or outside the range the file states.", "signal", "unit")
	descGear      = desc("gear", "Gear engaged: 1 and up, 0 neutral, -1 reverse; absent at standstill, between gears and when not known.")
	descRatio     = desc("ratio", "Speed of the gearbox input over that of its output.")
	descConverter = desc("converter_slip_rpm", "Engine speed minus gearbox input speed in revolutions per minute.")
	descSlip      = desc("element_slip_rpm", "Slip of a clutch or brake in revolutions per minute.", "element")
	descPeak      = desc("element_slip_peak_rpm", "Largest slip of a clutch or brake since the last scrape, whoever scraped, without its sign.", "element")
	descOil       = desc("oil_temperature_difference_kelvin", "Oil temperature at the converter outlet minus that in the pan.")
	descShift     = desc("shift_duration_seconds", "Duration of finished shifts.", "from", "to")
	descAlarm     = desc("alarm_active", "1 while an alarm is raised, be it one of the vehicle file or one that stands for every gearbox, otherwise 0.", "alarm", "level")
	descBytes     = desc("recording_bytes_total", "Bytes written to the recording.")
	descRecording = desc("recording_active", "1 while frames are being written to disk, 0 when they are not.")
	descSamples   = desc("samples_total", "Values decoded and derived.")
	descLate      = desc("samples_late_total", "Values that came too late for the graphs.")
	descPages     = desc("pages", "Live streams open.")
	descSkipped   = desc("page_updates_skipped_total", "Updates that slow pages did not take.")
)

func desc(name, help string, labels ...string) *prometheus.Desc {
	return prometheus.NewDesc("gearwitness_"+name, help, labels, nil)
}

// collector hands the board to Prometheus. A value that does not count now is
// not there; nothing freezes.
type collector struct{ s *Server }

// Describe lists every metric.
func (c collector) Describe(ch chan<- *prometheus.Desc) {
	for _, d := range []*prometheus.Desc{
		descBuild, descFrames, descLines, descLost, descLoad, descSignal, descGear, descRatio, descConverter, descSlip, descPeak, descOil,
		descShift, descAlarm, descBytes, descRecording, descSamples, descLate, descPages, descSkipped,
	} {
		ch <- d
	}
}

// Collect reads the board once and sends what it found.
func (c collector) Collect(ch chan<- prometheus.Metric) {
	gauge := func(d *prometheus.Desc, v float64, labels ...string) {
		ch <- prometheus.MustNewConstMetric(d, prometheus.GaugeValue, v, labels...)
	}
	counter := func(d *prometheus.Desc, v uint64, labels ...string) {
		ch <- prometheus.MustNewConstMetric(d, prometheus.CounterValue, float64(v), labels...)
	}
	st, b := c.s.status(), c.s.board
	gauge(descBuild, 1, st.Version)
	counter(descSamples, st.Samples)
	counter(descLate, st.Late)
	gauge(descPages, float64(st.Pages))
	counter(descSkipped, st.Skipped)
	if st.Recording.State != "off" {
		counter(descBytes, st.Recording.Bytes)
	}
	gauge(descRecording, truth(st.Recording.State == "recording" || st.Recording.State == "warning"))
	named := make(map[string]bool) // two adapters may call their bus alike
	for i, bus := range st.Buses {
		if named[bus.Name] || bus.Name == "" {
			bus.Name = fmt.Sprintf("%s#%d", bus.Name, i)
		}
		named[bus.Name] = true
		if bus.Text {
			counter(descLines, bus.Frames, bus.Name)
		} else {
			counter(descFrames, bus.Frames, bus.Name)
		}
		for reason, n := range bus.Lost {
			counter(descLost, n, bus.Name, reason)
		}
		if bus.Load != nil {
			gauge(descLoad, *bus.Load, bus.Name)
		}
	}
	raised := make(map[string]bool)
	for _, a := range st.Alarms {
		raised[a.Name] = true
	}
	for _, a := range b.File().Alarms {
		gauge(descAlarm, truth(raised[a.Name]), a.Name, a.V.Level.String())
	}
	if b.File().Transmission != nil {
		for _, k := range finding.Kinds {
			gauge(descAlarm, truth(raised[k.Name]), k.Name, k.Level.String())
		}
	}

	readings := make([]board.Reading, len(b.Table().Signals))
	b.Readings(readings, 0)
	for i, r := range readings {
		in := &b.Table().Signals[i]
		name, isSlip := element(in.Name)
		if isSlip {
			if peak, ok := b.TakePeak(i); ok {
				gauge(descPeak, peak, name)
			}
		}
		if r.State != board.StateValid {
			continue
		}
		switch {
		case isSlip:
			gauge(descSlip, r.Value, name)
		case in.Name == "gear":
			if isGear(in.States, r.Value) {
				gauge(descGear, r.Value)
			}
		case in.Name == "ratio":
			gauge(descRatio, r.Value)
		case in.Name == "converter_slip":
			gauge(descConverter, r.Value)
		case in.Name == "oil_temperature_difference" && in.Unit == "K":
			gauge(descOil, r.Value)
		default:
			gauge(descSignal, r.Value, in.Name, string(in.Unit))
		}
	}

	for _, s := range b.Shifts() {
		buckets := make(map[float64]uint64, len(board.ShiftBounds))
		for k, bound := range board.ShiftBounds {
			buckets[bound] = s.Within[k]
		}
		ch <- prometheus.MustNewConstHistogram(descShift, s.Count, s.Sum, buckets, s.From, s.To)
	}
}

func truth(b bool) float64 {
	if b {
		return 1
	}
	return 0
}

// isGear tells a gear from the words "standing" and "between", which the
// derived signal has numbers for too.
func isGear(states signals.Named[int64], v float64) bool {
	for _, s := range states {
		if float64(s.V) == v {
			return s.Name != "standing" && s.Name != "between"
		}
	}
	return false
}

// element returns the name of the element that a slip signal belongs to.
func element(signal string) (string, bool) { return strings.CutPrefix(signal, "slip.") }

// metrics answers /metrics from a registry of its own.
func (s *Server) metrics() http.Handler {
	reg := prometheus.NewRegistry()
	reg.MustRegister(collector{s}, collectors.NewGoCollector(), collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}))
	return promhttp.HandlerFor(reg, promhttp.HandlerOpts{
		ErrorLog:            slog.NewLogLogger(s.o.Log.Handler(), slog.LevelWarn),
		MaxRequestsInFlight: 4,
	})
}
