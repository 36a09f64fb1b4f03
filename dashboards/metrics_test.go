package dashboards

import (
	"flag"
	"net/http/httptest"
	"os"
	"strings"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus/testutil"

	"gearwitness/capture"
	"gearwitness/dashboards/board"
	"gearwitness/dashboards/board/boardtest"
	"gearwitness/decode"
	"gearwitness/signals"
)

var update = flag.Bool("update", false, "write the golden files anew")

// metricsServer is a server over a board that has seen a minute of driving.
func metricsServer(t *testing.T) (*boardtest.Feed, *board.Board, *Server) {
	t.Helper()
	f := boardtest.New(0)
	f.File.Alarms = signals.Named[signals.Alarm]{
		{Name: "outlet_hot", V: signals.Alarm{Level: signals.LevelStop}},
		{Name: "pan_warm", V: signals.Alarm{Level: signals.LevelCaution}},
	}
	b := f.Board(nil)
	f.Run(b, time.Minute)
	f.Batch.Losses = []capture.Loss{{Reason: capture.ReasonOverrun, Count: 3}, {Reason: "of our own making", Count: 2}}
	f.Batch.Frames = nil
	b.Batch(&f.Batch)
	f.Alarm(b, "raised")
	return f, b, NewServer(Options{Board: b, Version: "v1.2.3", Recorder: recorderStub{Recording{Bytes: 4096, Frames: 18000}}})
}

func TestMetricsScrape(t *testing.T) {
	_, _, s := metricsServer(t)
	got := strings.Join(lines(t, s, ""), "\n") + "\n"
	const golden = "testdata/metrics.txt"
	if *update {
		if err := os.WriteFile(golden, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(golden)
	if err != nil {
		t.Fatal(err)
	}
	if got != string(want) {
		t.Errorf("the scrape differs from %s; run with -update and look at the difference:\n%s", golden, got)
	}
}

// Rules of the Prometheus naming documentation, as its own linter has them.
func TestMetricNames(t *testing.T) {
	_, _, s := metricsServer(t)
	problems, err := testutil.CollectAndLint(collector{s})
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range problems {
		t.Errorf("%s: %s", p.Metric, p.Text)
	}
}

// lines scrapes and returns our own lines that begin with prefix.
func lines(t *testing.T, s *Server, prefix string) []string {
	t.Helper()
	w := httptest.NewRecorder()
	s.Handler().ServeHTTP(w, httptest.NewRequest("GET", "http://localhost:8477/metrics", nil))
	if w.Code != 200 {
		t.Fatalf("/metrics: got status %d: %s", w.Code, w.Body)
	}
	var out []string
	for l := range strings.Lines(w.Body.String()) {
		if strings.HasPrefix(l, prefix) && strings.Contains(l, "gearwitness_") {
			out = append(out, strings.TrimSpace(l))
		}
	}
	return out
}

func TestMetricsStale(t *testing.T) {
	f, b, s := metricsServer(t)
	if got := lines(t, s, `gearwitness_signal{signal="engine_speed"`); len(got) != 1 {
		t.Fatalf("engine speed while it comes: got %q, want one line", got)
	}
	f.Quiet["engine_speed"] = true
	f.Run(b, 20*time.Millisecond) // its limit is 30 ms
	if got := lines(t, s, `gearwitness_signal{signal="engine_speed"`); len(got) != 1 {
		t.Errorf("20 ms after its last sample: got %q, want one line", got)
	}
	f.Run(b, 40*time.Millisecond)
	if got := lines(t, s, `gearwitness_signal{signal="engine_speed"`); len(got) != 0 {
		t.Errorf("60 ms after its last sample: got %q, want none", got)
	}
	if got := lines(t, s, `gearwitness_signal{signal="output_speed"`); len(got) != 1 {
		t.Errorf("output speed, which still comes: got %q, want one line", got)
	}
}

func TestMetricsGear(t *testing.T) {
	f, b, s := metricsServer(t)
	gear := f.Table.Index("gear")
	for _, tt := range []struct {
		name   string
		sample decode.Sample
		want   string
	}{
		{"third", decode.Sample{Value: 3}, "gearwitness_gear 3"},
		{"reverse", decode.Sample{Value: -1}, "gearwitness_gear -1"},
		{"neutral", decode.Sample{Value: 0}, "gearwitness_gear 0"},
		{"standing", decode.Sample{Value: 100}, ""},
		{"between", decode.Sample{Value: 101}, ""},
		{"unknown", decode.Sample{Value: 3, Status: decode.NotAvailable}, ""},
	} {
		t.Run(tt.name, func(t *testing.T) {
			f.Now = f.Now.Add(10 * time.Millisecond)
			tt.sample.Signal, tt.sample.Time = gear, f.Now
			b.Take(&decode.Output{Samples: []decode.Sample{tt.sample}})
			if got := strings.Join(lines(t, s, "gearwitness_gear"), " "); got != tt.want {
				t.Errorf("got %q, want %q", got, tt.want)
			}
		})
	}
}

func TestMetricsPeak(t *testing.T) {
	f, b, s := metricsServer(t)
	slip := f.Table.Index("slip.drum brake")
	const line = `gearwitness_element_slip_peak_rpm{element="drum brake"}`
	lines(t, s, line) // a scrape ends the time a peak is about
	for _, v := range []float64{12, -240, 30} {
		f.Now = f.Now.Add(10 * time.Millisecond)
		b.Take(&decode.Output{Samples: []decode.Sample{{Time: f.Now, Signal: slip, Value: v}}})
	}
	if got := lines(t, s, line); len(got) != 1 || got[0] != line+" 240" {
		t.Errorf("after 12, -240 and 30 rpm: got %q, want 240", got)
	}
	if got := lines(t, s, line); len(got) != 0 {
		t.Errorf("no sample since the last scrape: got %q, want none", got)
	}
}

func TestMetricsHandler(t *testing.T) {
	_, _, s := metricsServer(t)
	w := httptest.NewRecorder()
	s.Handler().ServeHTTP(w, httptest.NewRequest("GET", "http://localhost:8477/metrics", nil))
	for _, want := range []string{
		`gearwitness_build_info{version="v1.2.3"} 1`, `gearwitness_frames_total{bus="powertrain"} 18000`, `gearwitness_alarm_active{alarm="outlet_hot",level="stop"} 1`,
		`gearwitness_frames_lost_total{bus="powertrain",reason="unknown"} 2`, "go_goroutines", "process_start_time_seconds",
	} {
		if !strings.Contains(w.Body.String(), want) {
			t.Errorf("no %s in the scrape", want)
		}
	}
}
