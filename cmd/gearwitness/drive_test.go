package main

import (
	"bufio"
	"bytes"
	"context"
	"fmt"
	"io"
	"math"
	"net/http"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"gearwitness/capture/testneed"
	"gearwitness/dashboards"
)

// running is a drive under way in this process.
type running struct {
	page string
	out  *bytes.Buffer // what it printed after the address; read after end
	end  func() int    // ends it as Ctrl-C does and returns the exit status
}

// start begins a drive or demo on a free port and waits for its page.
func start(t *testing.T, args ...string) running {
	t.Helper()
	ctx, cancel := context.WithCancel(t.Context())
	in, out := io.Pipe()
	var errs bytes.Buffer
	status := make(chan int, 1)
	go func() {
		s := run(ctx, append(args, "--listen", "127.0.0.1:0"), strings.NewReader(""), out, &errs)
		out.Close()
		status <- s
	}()
	r := running{out: new(bytes.Buffer)}
	lines := bufio.NewReader(in)
	first, err := lines.ReadString('\n')
	page := regexp.MustCompile(`^Page: +(http://\S+/)\n$`).FindStringSubmatch(first)
	if page == nil {
		cancel()
		t.Fatalf("gearwitness %s printed %q (%v), want the address of the page first; it complained:\n%s", strings.Join(args, " "), first, err, errs.String())
	}
	r.page = page[1]
	read := make(chan struct{})
	go func() {
		io.Copy(r.out, lines)
		close(read)
	}()
	ended := false
	r.end = func() int {
		ended = true
		cancel()
		s := <-status
		<-read
		return s
	}
	t.Cleanup(func() {
		if !ended {
			r.end()
		}
	})
	return r
}

// get returns the body of an address of the page.
func (r running) get(t *testing.T, path string) string {
	t.Helper()
	resp, err := http.Get(r.page + path)
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	body, err := io.ReadAll(resp.Body)
	if err != nil || resp.StatusCode != http.StatusOK {
		t.Fatalf("%s: %s %v\n%s", path, resp.Status, err, body)
	}
	return string(body)
}

// TestStaleSignalsLeaveMetrics plays the recorded truck drive: its engine
// controller falls silent at 15.498 s while the gearbox goes on. After that no
// figure of the engine may stand in /metrics, and those of the gearbox must.
func TestStaleSignalsLeaveMetrics(t *testing.T) {
	recording := testneed.Truck(t)
	r := start(t, "drive", "--vehicle", "../../signals/truck.yaml", "--from", "capture:"+recording+"?speed=8", "--no-record")
	// held holds the recording two seconds after one of its seconds, however busy the
	// machine, and returns the metrics as soon as they have what must be there.
	held := func(second float64, wanted ...string) string {
		t.Helper()
		r.post(t, "POST", "api/v1/playback", fmt.Sprintf(`{"pause": true, "seek_s": %g, "step_s": 2}`, second))
		for limit := time.Now().Add(time.Minute); ; time.Sleep(20 * time.Millisecond) {
			at := fromJSON[dashboards.PlaybackState](t, r.get(t, "api/v1/playback")).At
			body := r.get(t, "metrics")
			lacks := slices.DeleteFunc(slices.Clone(wanted), func(s string) bool { return strings.Contains(body, "\n"+s) })
			if math.Abs(at-second-2) < 0.1 && len(lacks) == 0 {
				return body
			}
			if time.Now().After(limit) {
				t.Fatalf("held at second %g instead of %g; /metrics lacks %q", at, second+2, lacks)
			}
		}
	}
	held(8, `gearwitness_signal{signal="engine_speed",unit="rpm"} `, "gearwitness_converter_slip_rpm ", "gearwitness_gear 3")
	after := held(15, `gearwitness_signal{signal="output_shaft_speed",unit="rpm"} `, "gearwitness_gear 3")
	if strings.Contains(after, `signal="engine_speed"`) || strings.Contains(after, "\ngearwitness_converter_slip_rpm ") {
		t.Error("at second 17 /metrics still has the engine's figures")
	}
	r.post(t, "POST", "api/v1/playback", `{"resume": true}`)
	// When the recording is over everything falls silent, and is gone.
	for limit := time.Now().Add(time.Minute); strings.Contains(r.get(t, "metrics"), "\ngearwitness_gear "); time.Sleep(20 * time.Millisecond) {
		if time.Now().After(limit) {
			t.Fatal("the recording has ended and /metrics still claims a gear")
		}
	}
	if status := r.end(); status != exitDone {
		t.Errorf("exit status %d, want %d", status, exitDone)
	}
}
