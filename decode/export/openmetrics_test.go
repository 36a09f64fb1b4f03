package export

import (
	"bufio"
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"gearwitness/capture/testneed"
	"gearwitness/decode"
	"gearwitness/signals"
)

// TestOpenMetricsText writes a few samples and compares every line: thinning by
// the step, NaN where a signal ceases to count, all samples of a metric
// together, label values escaped as the text format of OpenMetrics 1.0.0 asks
// (from memory), # EOF at the end.
func TestOpenMetricsText(t *testing.T) {
	var table decode.Table
	speed := table.Add(decode.Info{Name: "speed", Unit: "rpm", StaleAfter: 30e6})
	odd := table.Add(decode.Info{Name: "a\"b\\c\nd", Unit: "°C"})
	gear := table.Add(decode.Info{Name: "gear", Origin: decode.FromAnalysis, States: signals.Named[int64]{{Name: "2", V: 2}, {Name: "between", V: 101}, {Name: "3", V: 3}}})
	slip := table.Add(decode.Info{Name: "slip.drum brake", Unit: "rpm", Origin: decode.FromAnalysis})
	never := table.Add(decode.Info{Name: "never"})
	var text bytes.Buffer
	o, err := NewOpenMetrics(&text, new(memory), &table, 5*time.Millisecond)
	if err != nil {
		t.Fatal(err)
	}
	const ms = 1e6
	if err := o.Write([]decode.Sample{
		{Time: 1000 * ms, Signal: speed, Value: 800},
		{Time: 1000 * ms, Signal: odd, Value: -0.25},
		{Time: 1001 * ms, Signal: speed, Value: 801},   // within the step
		{Time: 1006 * ms, Signal: speed, Value: 802.5}, // then silence: stale at 1036 ms
		{Time: 1010 * ms, Signal: gear, Value: 2},
		{Time: 1020 * ms, Signal: gear, Value: 101}, // no gear
		{Time: 1030 * ms, Signal: gear, Value: 101}, // still none: says nothing
		{Time: 1040 * ms, Signal: gear, Value: 3},
		{Time: 1050 * ms, Signal: slip, Value: 12},
		{Time: 1100 * ms, Signal: speed, Value: 803},
		{Time: 1101 * ms, Signal: speed, Status: decode.NotAvailable}, // at least a millisecond behind
		{Time: 1102 * ms, Signal: never, Status: decode.Faulty},
	}, 1102*ms); err != nil {
		t.Fatal(err)
	}
	if err := o.Close(); err != nil {
		t.Fatal(err)
	}
	want := `# TYPE gearwitness_signal gauge
# HELP gearwitness_signal Value of a signal of the vehicle file in the unit given.
gearwitness_signal{signal="speed",unit="rpm"} 800 1
gearwitness_signal{signal="speed",unit="rpm"} 802.5 1.006
gearwitness_signal{signal="speed",unit="rpm"} NaN 1.036
gearwitness_signal{signal="speed",unit="rpm"} 803 1.1
gearwitness_signal{signal="speed",unit="rpm"} NaN 1.102
gearwitness_signal{signal="a\"b\\c\nd",unit="°C"} -0.25 1
# TYPE gearwitness_gear gauge
# HELP gearwitness_gear Gear engaged: 1 and up, 0 neutral, -1 reverse; NaN at standstill, between gears and when not known.
gearwitness_gear 2 1.01
gearwitness_gear NaN 1.02
gearwitness_gear 3 1.04
# TYPE gearwitness_element_slip_rpm gauge
# HELP gearwitness_element_slip_rpm Slip of a clutch or brake in revolutions per minute.
gearwitness_element_slip_rpm{element="drum brake"} 12 1.05
# EOF
`
	if text.String() != want {
		t.Errorf("got\n%s\nwant\n%s", text.String(), want)
	}
	if _, err := NewOpenMetrics(&text, new(memory), &table, time.Millisecond); err == nil || !strings.Contains(err.Error(), "2ms") {
		t.Errorf("a step of 1 ms: error %v; want one that names the smallest", err)
	}
}

// TestPrometheusTakesIt feeds a drive to promtool, starts a real Prometheus on
// what that made, on a port of the loopback interface, and asks it. The
// program timeout ends Prometheus whatever becomes of this test.
func TestPrometheusTakesIt(t *testing.T) {
	promtool, prometheus, timeout := testneed.Tool(t, "promtool"), testneed.Tool(t, "prometheus"), testneed.Tool(t, "timeout")
	dir := t.TempDir()
	// Long enough for what is asked below, whatever else the machine does.
	const atMost = "60"

	d := newDrive(t, 40*time.Second)
	// Stamps near 1970 would be beyond any retention: the drive takes place then.
	const begin = 1_764_000_000e9
	for i := range d.steps {
		d.steps[i].settled += begin
		for k := range d.steps[i].samples {
			d.steps[i].samples[k].Time += begin
		}
	}
	input := filepath.Join(dir, "drive.om")
	file, err := os.Create(input)
	if err != nil {
		t.Fatal(err)
	}
	spool, err := os.Create(filepath.Join(dir, "spool"))
	if err != nil {
		t.Fatal(err)
	}
	defer spool.Close()
	w := bufio.NewWriter(file)
	o, err := NewOpenMetrics(w, spool, d.table, 100*time.Millisecond)
	if err != nil {
		t.Fatal(err)
	}
	d.feed(t, o, false)
	if err := w.Flush(); err != nil {
		t.Fatal(err)
	}
	if err := file.Close(); err != nil {
		t.Fatal(err)
	}
	data := filepath.Join(dir, "data")
	if out, err := exec.Command(timeout, atMost, promtool, "tsdb", "create-blocks-from", "openmetrics", "--quiet", input, data).CombinedOutput(); err != nil {
		t.Fatalf("promtool: %v\n%s", err, out)
	}
	config := filepath.Join(dir, "prometheus.yml")
	if err := os.WriteFile(config, []byte("global: {}\n"), 0o644); err != nil {
		t.Fatal(err)
	}
	cmd := exec.CommandContext(t.Context(), timeout, "-k", "5", atMost, prometheus, "--config.file="+config, "--storage.tsdb.path="+data,
		"--storage.tsdb.retention.time=100y", "--web.listen-address=127.0.0.1:0")
	cmd.Cancel = func() error { return cmd.Process.Signal(os.Interrupt) }
	cmd.WaitDelay = 10 * time.Second
	log, err := cmd.StderrPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	defer cmd.Wait()
	defer cmd.Cancel()
	address := ready(t, log)

	// The value at a time is the last one at or before it; ask for the same of
	// the samples.
	lastValue := func(signal string, at float64) float64 {
		v := 0.0
		for _, st := range d.steps {
			for _, s := range st.samples {
				if s.Signal == d.table.Index(signal) && float64(s.Time)/1e9 <= at {
					v = s.Value
				}
			}
		}
		return v
	}
	at := begin/1e9 + 35.05
	for query, signal := range map[string]string{
		`gearwitness_signal{signal="engine_speed",unit="rpm"}`: "engine_speed",
		`gearwitness_signal{signal="oil_pan"}`:                 "oil_pan",
		"gearwitness_ratio":                                    "ratio",
		`gearwitness_element_slip_rpm{element="drum brake"}`:   "slip.drum brake",
	} {
		got := ask(t, address, query, at)
		want := lastValue(signal, at)
		// A step of 100 ms lies between the samples kept.
		if tolerance := 0.02*max(want, -want) + 15; len(got) != 1 || got[0] < want-tolerance || got[0] > want+tolerance {
			t.Errorf("%s is %v in Prometheus; the drive has %g", query, got, want)
		}
	}
	if got := ask(t, address, `count(count by (signal) (gearwitness_signal))`, at); len(got) != 1 || got[0] < 20 {
		t.Errorf("%v signals in Prometheus; want all of the van's file", got)
	}
	if got := ask(t, address, `count_over_time(gearwitness_signal{signal="engine_speed"}[30s])`, at); len(got) != 1 || got[0] < 270 || got[0] > 300 {
		t.Errorf("%v samples of engine_speed in 30 s; want about 300, ten a second", got)
	}
}

var (
	listening = regexp.MustCompile(`msg="?Listening on"? address=(?:\[::\]|127\.0\.0\.1):(\d+)`)
	serving   = regexp.MustCompile(`Server is ready to receive web requests`)
)

// ready reads the log until Prometheus answers and returns its address.
func ready(t *testing.T, log io.Reader) string {
	t.Helper()
	address, up := "", false
	var all strings.Builder
	lines := bufio.NewScanner(log)
	for lines.Scan() {
		all.WriteString(lines.Text() + "\n")
		if m := listening.FindStringSubmatch(lines.Text()); m != nil {
			address = "127.0.0.1:" + m[1]
		}
		up = up || serving.MatchString(lines.Text())
		if address != "" && up {
			go io.Copy(io.Discard, log) // ends with the process
			return address
		}
	}
	t.Fatalf("prometheus did not get ready:\n%s", all.String())
	return ""
}

// ask returns the values that a query has at a time in seconds.
func ask(t *testing.T, address, query string, at float64) []float64 {
	t.Helper()
	resp, err := http.Get("http://" + address + "/api/v1/query?" + url.Values{"query": {query}, "time": {fmt.Sprintf("%.3f", at)}}.Encode())
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	var answer struct {
		Status string
		Error  string
		Data   struct {
			Result []struct{ Value [2]any }
		}
	}
	if err := json.NewDecoder(resp.Body).Decode(&answer); err != nil {
		t.Fatal(err)
	}
	if answer.Status != "success" {
		t.Fatalf("%s: %s", query, answer.Error)
	}
	var values []float64
	for _, r := range answer.Data.Result {
		v, err := strconv.ParseFloat(fmt.Sprint(r.Value[1]), 64)
		if err != nil {
			t.Fatal(err)
		}
		values = append(values, v)
	}
	return values
}
