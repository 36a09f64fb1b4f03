package report

import (
	"bytes"
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"gearwitness/capture"
	"gearwitness/capture/archive"
	"gearwitness/dashboards/webtest"
	"gearwitness/decode"
	"gearwitness/decode/alarm"
	"gearwitness/decode/pipeline"
	"gearwitness/decode/procedure"
	"gearwitness/decode/van"
	"gearwitness/signals"
)

var pictures = flag.String("pictures", "", "write the report and its prints into this directory")

// papers of a session that never was; the VIN is the example of 49 CFR 565.15
// that facts about check digits use.
func papers() Papers {
	start := time.Date(2026, 3, 7, 14, 15, 3, 0, time.FixedZone("", 3600))
	return Papers{
		Name: "2026-03-07_14-15-03_parcel-van", Vehicle: "Parcel van", Software: "gearwitness 1",
		Meta: archive.Meta{Title: "Flare in 2-3 after rebuild", Workshop: "Halden Gearbox Service", Technician: "M. Okafor", Job: "0412",
			Vehicle: "Parcel van, 1m8gdm9axkp042788", VIN: "1M8GDM9AXKP042788", Odometer: "148,210 km", Concern: "Engine revs up between 2 and 3",
			Software: "gearwitness 1", Started: start, Ended: start.Add(12 * time.Minute)},
		Files: []File{{"data/capture-0001.pcapng", 15552260, strings.Repeat("ab", 32)}},
		Seal:  &Seal{Digest: strings.Repeat("cd", 32), Signer: "SHA256:8Uq"},
	}
}

// drive makes the report of a drive of the virtual van.
func drive(t testing.TB, query map[string][]string, p Papers, ask ...procedure.Request) *Report {
	t.Helper()
	file, list := signals.Parse("van.yaml", signals.Van(), nil)
	if err := list.Err(); err != nil {
		t.Fatal(err)
	}
	chain, err := pipeline.New(file, pipeline.Options{})
	if err != nil {
		t.Fatal(err)
	}
	chain.Inject(decode.Event{Time: 60e9, Kind: decode.KindMark, Fields: map[string]string{"text": "customer hears it here"}})
	for _, r := range ask {
		chain.Inject(r.Event(0))
	}
	o, err := van.ParseOptions(query)
	if err != nil {
		t.Fatal(err)
	}
	source, err := van.Open(t.Context(), o, file, nil)
	if err != nil {
		t.Fatal(err)
	}
	defer source.Close()
	b, err := NewBuilder(file, chain.Table())
	if err != nil {
		t.Fatal(err)
	}
	var batch capture.Batch
	var out decode.Output
	for {
		batch.Reset()
		out.Reset()
		readErr := source.Next(t.Context(), &batch)
		if err := chain.Push(&batch, &out); err != nil {
			t.Fatal(err)
		}
		if errors.Is(readErr, io.EOF) {
			chain.Finish(&out)
		} else if readErr != nil {
			t.Fatal(readErr)
		}
		b.Take(&out)
		if readErr != nil {
			return b.Finish(chain.Counters(), p)
		}
	}
}

func html(t testing.TB, r *Report) string {
	t.Helper()
	var b bytes.Buffer
	if err := r.Write(&b); err != nil {
		t.Fatal(err)
	}
	return escapes.Replace(b.String())
}

// escapes takes back what HTML must write otherwise, as far as these tests look
// for it.
var escapes = strings.NewReplacer("&#43;", "+", "&#39;", "'")

func check(t *testing.T, r *Report, name string) Check {
	t.Helper()
	for _, c := range r.Checks() {
		if c.Name == name {
			return c
		}
	}
	t.Fatalf("no check %q among %v", name, r.Checks())
	return Check{}
}

// TestSoundVan expects nothing beyond a limit in a sound van, and every forward
// gear within the ratios of the van's published train.
func TestSoundVan(t *testing.T) {
	r := drive(t, map[string][]string{"seed": {"7"}, "for": {"6m"}}, papers())
	for _, c := range r.Checks() {
		if c.Verdict == Beyond {
			t.Errorf("a sound van has %s beyond its limit: %s, limit %s", c.Name, c.Measured, c.Limit)
		}
	}
	for gear, ratio := range map[string]string{"1": "4.120", "2": "2.266", "3": "1.471", "4": "1.129", "5": "0.879", "6": "0.700"} {
		c := check(t, r, "Ratio of gear "+gear)
		if c.Verdict != Within || !strings.HasPrefix(c.Limit, ratio+" ") || !strings.HasPrefix(c.Measured, ratio[:3]) {
			t.Errorf("gear %s: %+v; want it within %s ± 3 %%", gear, c, ratio)
		}
	}
	text := html(t, r)
	for _, want := range []string{
		"Flare in 2-3 after rebuild", "1M8GDM9AXKP042788", "148,210 km", "7 March 2026, 14:15:03 +01:00", "customer hears it here", "1:00",
		strings.Repeat("cd", 32), strings.Repeat("ab", 32), "15,552,260", "ssh-keygen -Y check-novalidate -n gearwitness-session", "0 beyond it",
	} {
		if !strings.Contains(text, want) {
			t.Errorf("the report does not say %q", want)
		}
	}
	if n := strings.Count(text, "<svg"); n < 8 {
		t.Errorf("%d drawings; want the drive, the temperatures and the shifts", n)
	}
}

// TestFaultyVan expects what is wrong to be beyond its limit, and named.
func TestFaultyVan(t *testing.T) {
	for _, c := range []struct {
		fault, length, check, measured string
	}{
		{"odd-gears-clutch-fills-late=300", "4m", "Flare of upshifts", "rpm"},
		{"odd-gears-clutch-fills-late=300", "4m", "Clutches, brakes, sensors and switches", "odd-gears clutch"},
		{"coolant-hot=60", "9m", "Alarm pan_warm", "raised"},
		{"lock-up-clutch-slips=40", "4m", "Clutches, brakes, sensors and switches", "converter clutch"},
	} {
		r := drive(t, map[string][]string{"seed": {"7"}, "for": {c.length}, "fault": {c.fault}}, papers())
		if got := check(t, r, c.check); got.Verdict != Beyond || !strings.Contains(strings.ToLower(got.Measured), c.measured) {
			t.Errorf("%s: %+v; want it beyond the limit and %q measured", c.fault, got, c.measured)
		}
		if text := html(t, r); !strings.Contains(text, "Beyond: ") {
			t.Errorf("%s: the summary does not name what is beyond", c.fault)
		}
	}
}

// TestSameBytes makes a report twice.
func TestSameBytes(t *testing.T) {
	q := map[string][]string{"seed": {"2"}, "for": {"3m"}}
	if a, b := html(t, drive(t, q, papers())), html(t, drive(t, q, papers())); a != b {
		t.Error("two reports of one session differ")
	}
}

// TestRedact leaves the number out wherever it stands, in whatever case, and says
// so.
func TestRedact(t *testing.T) {
	p := papers()
	p.Name += "_1m8gdm9axkp042788"
	p.Journal = []archive.Entry{{Time: 1e9, Kind: "note", Fields: []byte(`{"text":"read VIN 1M8GDM9AXKP042788"}`)},
		{Time: 2e9, Kind: archive.KindCorrection, Fields: []byte(`{"changed":[{"label":"Vehicle-Identification-Number","from":"1M8GDM9A1KP042799","to":""},{"label":"Odometer","from":"","to":"10 km"}]}`)}}
	open := html(t, drive(t, map[string][]string{"for": {"20s"}}, p))
	if n := strings.Count(strings.ToUpper(open), "1M8GDM9AXKP042788"); n != 4 {
		t.Fatalf("the number stands %d times in the open report; want 4 for this test to mean anything", n)
	}
	p.Redact = true
	shut := html(t, drive(t, map[string][]string{"for": {"20s"}}, p))
	if strings.Contains(strings.ToUpper(shut), "1M8GDM9AXKP042788") {
		t.Error("the shortened report holds the number")
	}
	if strings.Contains(shut, "1M8GDM9A1KP042799") || !strings.Contains(open, "1M8GDM9A1KP042799") {
		t.Error("the shortened report holds the number that was corrected, or the open one does not")
	}
	if !strings.Contains(shut, "Odometer was &#34;&#34;, is now &#34;10 km&#34;") {
		t.Error("the report does not tell of the corrected odometer")
	}
	if !strings.Contains(shut, "Shortened on request") || !strings.Contains(shut, "left out on request") || strings.Contains(open, "Shortened on request") {
		t.Error("the shortened report does not say that it is, or the open one does")
	}
}

// TestForeignTextStaysText gives the report hostile words everywhere.
func TestForeignTextStaysText(t *testing.T) {
	evil := `<script>alert(1)</script>"><img src=x onerror=alert(2)>`
	p := papers()
	p.Meta.Title, p.Meta.Concern, p.Meta.Job, p.Vehicle, p.Name, p.Software = evil, evil, evil, evil, evil, evil
	p.Damage = []string{evil}
	p.Files[0].Name = evil
	p.Journal = []archive.Entry{{Kind: evil, Fields: []byte(`{"text":"<script>alert(3)</script>"}`)}, {Kind: "odd", Fields: []byte(`not json`)}}
	text := html(t, drive(t, map[string][]string{"for": {"5s"}}, p))
	for _, bad := range []string{"<script", "<img"} {
		if strings.Contains(text, bad) {
			t.Errorf("the report holds %s", bad)
		}
	}
}

// TestNothingMeasured makes reports of a recording without frames and of a
// vehicle without a gearbox: what was not tested is not called good.
func TestNothingMeasured(t *testing.T) {
	for name, file := range map[string]*signals.File{"no gearbox": {}, "no frames": nil} {
		if file == nil {
			var list interface{ Err() error }
			file, list = parseVan()
			if list.Err() != nil {
				t.Fatal(list.Err())
			}
		}
		chain, err := pipeline.New(file, pipeline.Options{})
		if err != nil {
			t.Fatal(err)
		}
		b, err := NewBuilder(file, chain.Table())
		if err != nil {
			t.Fatal(err)
		}
		r := b.Finish(chain.Counters(), Papers{})
		for _, c := range r.Checks() {
			if c.Verdict == Within && !strings.HasPrefix(c.Name, "Alarm") {
				t.Errorf("%s: %s is called within its limit: %+v", name, c.Name, c)
			}
		}
		if text := html(t, r); !strings.Contains(text, "</html>") {
			t.Errorf("%s: the report is not whole", name)
		}
	}
}

func parseVan() (*signals.File, interface{ Err() error }) {
	f, list := signals.Parse("van.yaml", signals.Van(), nil)
	return f, list
}

// TestLossesAreTold gives counters of a bad recording.
func TestLossesAreTold(t *testing.T) {
	file, _ := parseVan()
	chain, err := pipeline.New(file, pipeline.Options{})
	if err != nil {
		t.Fatal(err)
	}
	b, err := NewBuilder(file, chain.Table())
	if err != nil {
		t.Fatal(err)
	}
	speed := chain.Table().Index("vehicle_speed")
	b.Take(&decode.Output{Samples: []decode.Sample{{Time: 0, Signal: speed, Value: 20}, {Time: 5e9, Signal: speed, Value: 20}}})
	r := b.Finish(decode.Counters{
		Channels: []decode.ChannelCount{{Name: "powertrain", Bus: "powertrain", Frames: 1000, Known: 900, Lost: []decode.LossCount{{Reason: "overrun", Count: 12}}}},
		Frames:   []decode.FrameCount{{Name: "engine", Good: 400, Checksum: 7, Missed: 3}, {Name: "wheels"}, {Name: file.Requests[0].Name}},
		TooLate:  4,
	}, Papers{Damage: []string{"data/capture-0001.pcapng: cut off at offset 4096"}})
	c := check(t, r, "Recording complete")
	if c.Verdict != Beyond || c.Measured != "1,000 frames; 15 lost, 11 unusable, 1 gap over 1 s" {
		t.Errorf("recording: %+v; want 12 lost and 3 missed, 7 unusable and 4 too late, and a gap", c)
	}
	text := html(t, r)
	for _, want := range []string{"12 (overrun)", "never came", "cut off at offset 4096", "4 frames came too late", "nothing came for 5 s"} {
		if !strings.Contains(text, want) {
			t.Errorf("the report does not say %q", want)
		}
	}
	if strings.Contains(text, file.Requests[0].Name) {
		t.Errorf("the report misses an answer to %s, which was never asked for", file.Requests[0].Name)
	}
}

// TestAlarmTimes adds an alarm up that ends, and one that does not.
func TestAlarmTimes(t *testing.T) {
	file, _ := parseVan()
	chain, err := pipeline.New(file, pipeline.Options{})
	if err != nil {
		t.Fatal(err)
	}
	b, err := NewBuilder(file, chain.Table())
	if err != nil {
		t.Fatal(err)
	}
	speed := chain.Table().Index("vehicle_speed")
	event := func(at capture.Stamp, name, state string) decode.Event {
		return decode.Event{Time: at, Kind: decode.KindAlarm, Fields: alarm.Change{Alarm: name, Level: "stop", State: state}}
	}
	b.Take(&decode.Output{
		Samples: []decode.Sample{{Time: 0, Signal: speed}, {Time: 100e9, Signal: speed}},
		Events: []decode.Event{event(10e9, "outlet_hot", "raised"), event(14e9, "outlet_hot", "cleared"), event(20e9, "outlet_hot", "raised"), event(23e9, "outlet_hot", "cleared"),
			event(60e9, "pan_warm", "raised")},
	})
	r := b.Finish(chain.Counters(), Papers{})
	if c := check(t, r, "Alarm outlet_hot"); c.Measured != "raised twice, 7 s in all" || c.Limit != "never oil_outlet > 130 for 5 s" || c.Source != "vehicle file" {
		t.Errorf("%+v; want raised twice, 7 s", c)
	}
	if c := check(t, r, "Alarm pan_warm"); c.Measured != "raised once, 40 s in all" {
		t.Errorf("%+v; want raised once, 40 s up to the end", c)
	}
}

// TestTraceKeepsExtremes compares a trace that had to join its stretches with a
// search through all values.
func TestTraceKeepsExtremes(t *testing.T) {
	var tr quantityTrace
	tr.origin = 500
	n := 40_000
	value := func(i int) float64 { return math.Sin(float64(i)/900) + float64(i*i%97)/100 }
	for i := range n {
		tr.add(500+capture.Stamp(i)*20e6, value(i))
	}
	if len(tr.bin) > bins || len(tr.bin) < bins/2-1 {
		t.Fatalf("%d stretches; want %d to %d", len(tr.bin), bins/2, bins)
	}
	for k, b := range tr.bin[:20] {
		low, high, sum, count := math.Inf(1), math.Inf(-1), 0.0, 0
		for i := range n {
			if capture.Stamp(i)*20e6/tr.width == capture.Stamp(k) {
				low, high, sum, count = min(low, value(i)), max(high, value(i)), sum+value(i), count+1
			}
		}
		if b.min != low || b.max != high || b.n != count || math.Abs(b.sum-sum) > 1e-6 {
			t.Fatalf("stretch %d is %+v; want %g to %g, sum %g of %d", k, b, low, high, sum, count)
		}
	}
	// Stamps too far apart for their difference, and before the origin.
	tr.origin = math.MinInt64 + 1
	tr.add(math.MaxInt64, 1)
	tr.origin = 0
	tr.add(math.MaxInt64, 1)
	tr.add(-5, 1)
	var s strip
	s.add(0, "1")
	s.add(math.MaxInt64, "2")
	if len(s.name) > bins {
		t.Errorf("%d stretches of a strip; want at most %d", len(s.name), bins)
	}
}

func TestWords(t *testing.T) {
	for d, want := range map[capture.Stamp]string{0: "0:00", 499e6: "0:00", 999e6: "0:01", -2e9: "−0:02", 65e9: "1:05", 3725e9: "1:02:05"} {
		if got := clock(d); got != want {
			t.Errorf("clock of %d ns is %q; want %q", d, got, want)
		}
	}
	for d, want := range map[capture.Stamp]string{150e6: "0.15 s", 5e9: "5 s", 42e9: "42 s", 185e9: "3 min 05 s", 3725e9: "1 h 02 min"} {
		if got := length(d); got != want {
			t.Errorf("length of %d ns is %q; want %q", d, got, want)
		}
	}
	for span, want := range map[float64]float64{1: 0.2, 7: 2, 130: 50, 0.9: 0.2, 0: 1, math.NaN(): 1} {
		if got := step(span, 5); math.Abs(got-want) > 1e-12 {
			t.Errorf("step of %g is %g; want %g", span, got, want)
		}
	}
	if got := flatten([]byte(`{"time_s":1,"kind":"reading","what":"coil A","ohm":5.02,"limits":{"low":4.5,"high":6},"empty":""}`), ""); got != `what: coil A; ohm: 5.02; limits: {"high":6,"low":4.5}` {
		t.Errorf("a reading becomes %q", got)
	}
}

// FuzzFlatten feeds foreign journal entries.
func FuzzFlatten(f *testing.F) {
	for _, s := range []string{`{"a":1}`, `{"text":"x","b":[1,{"c":null}]}`, `[1]`, `{`, `{"a":`, ``} {
		f.Add(s, "text")
	}
	f.Fuzz(func(t *testing.T, object, name string) {
		if got := flatten([]byte(object), name); len(got) > 12*len(object)+100 {
			t.Errorf("%d bytes become %d", len(object), len(got))
		}
	})
}

// TestPrints loads the report in a browser and prints it on A4 and Letter: no
// request leaves it, nothing is wider than the paper, and every page has the
// paper's size (ISO 216: 210 x 297 mm; ANSI A: 8.5 x 11 in; 72 points an inch).
func TestPrints(t *testing.T) {
	ctx := webtest.Browser(t)
	dir := t.TempDir()
	if *pictures != "" {
		dir = *pictures
	}
	text := html(t, drive(t, map[string][]string{"seed": {"7"}, "for": {"12m"}, "fault": {"odd-gears-clutch-fills-late@5m=250"}}, papers()))
	name := filepath.Join(dir, "report.html")
	if err := os.WriteFile(name, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
	if outside := regexp.MustCompile(`(?i)(src|href|@import|url)\s*[=(]\s*["']?[a-z]+:`).FindString(text); outside != "" {
		t.Errorf("the report points outside: %s", outside)
	}
	webtest.Open(t, ctx, "file://"+name)
	if n := webtest.Eval[int](t, ctx, `performance.getEntriesByType("resource").length`); n != 0 {
		t.Errorf("the report fetched %d things; want none", n)
	}
	for _, width := range []int64{1200, 690, 390} { // a desk, the width between A4's margins, a phone
		if err := chromedp.Do(ctx, chromedp.EmulateViewport(width, 900)); err != nil {
			t.Fatal(err)
		}
		if over := webtest.Eval[float64](t, ctx, `document.documentElement.scrollWidth - innerWidth`); over > 0 {
			t.Errorf("at %d px the report is %g px too wide", width, over)
		}
	}
	for _, paper := range []struct {
		name          string
		width, height float64 // in
		box           string
	}{
		{"A4", 210 / 25.4, 297 / 25.4, `/MediaBox \[0 0 59[45](\.\d+)? 84[12](\.\d+)?\]`},
		{"Letter", 8.5, 11, `/MediaBox \[0 0 612 792\]`},
	} {
		pdf, err := print(ctx, paper.width, paper.height)
		if err != nil {
			t.Fatal(err)
		}
		if *pictures != "" {
			if err := os.WriteFile(filepath.Join(dir, paper.name+".pdf"), pdf, 0o644); err != nil {
				t.Fatal(err)
			}
		}
		pages := len(regexp.MustCompile(`/Type /Page\b[^s]`).FindAll(pdf, -1))
		sized := len(regexp.MustCompile(paper.box).FindAll(pdf, -1))
		if pages < 4 || pages > 14 || sized != pages {
			t.Errorf("%s: %d pages, %d of them of its size; want 4 to 14, all of it", paper.name, pages, sized)
		}
	}
}

// print prints the page at hand; the paper's margins are the report's own.
func print(ctx context.Context, width, height float64) ([]byte, error) {
	pdf, err := chromedp.Run(ctx, chromedp.PrintToPDF(chromedp.PDFPaper(chromedp.PaperSize{Width: width, Height: height}), chromedp.PDFPrintBackground()))
	if err != nil {
		return nil, fmt.Errorf("printing: %w", err)
	}
	return pdf, nil
}
