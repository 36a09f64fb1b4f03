package drivetrain_test

import (
	"bytes"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"gearwitness/decode"
	"gearwitness/decode/finding"
	"gearwitness/decode/van"
	"gearwitness/signals"
)

// What is told while it happens, held against the van's truth, in testdata/told.txt:
// for each fault the first finding about its part, and how long after its first effect
// it was told; and every finding of healthy drives, of which there should be none. With
// -full the same for all faults and for healthy drives of every kind and temperature,
// read with and without the commanded gear and with coarse speeds (told-full.txt).
func TestToldWhileItHappens(t *testing.T) {
	name, faults, length := "told.txt", []string{
		"low-gears-clutch-slips", "odd-gears-clutch-slips", "high-gears-clutch-slips", "drum-brake-slips", "high-gears-clutch-fills-late", "drum-brake-releases-late",
		"drum-brake-pressure-switch-stuck-open", "lever-contact-b-open", "drum-speed-reads-low", "output-speed-missing", "engine-speed-drops-out", "lock-up-clutch-slips",
	}, 3*time.Minute
	temperatures, kinds := []float64{-20, 30}, []string{"varied", "shifts", "highway"}
	if *full {
		name, faults, length = "told-full.txt", nil, 5*time.Minute
		for _, f := range van.Faults() {
			faults = append(faults, f.Name)
		}
		temperatures, kinds = []float64{-20, 0, 20, 40}, nil
		for _, d := range van.Drives() {
			kinds = append(kinds, d.Name)
		}
	}
	fine, rough := vanFile(t), coarse(t)
	lines := make([]string, len(faults))
	healthy := make([]string, len(kinds)*len(temperatures))
	t.Run("drives", func(t *testing.T) {
		for i, f := range faults {
			t.Run(f, func(t *testing.T) {
				t.Parallel()
				o := van.DefaultOptions()
				o.Drive, o.Seed, o.For, o.Oil = driveFor(f), uint64(i+1), length, 60
				in, err := van.ParseFault(f + "@45s")
				if err != nil {
					t.Fatal(err)
				}
				o.Faults = []van.Injection{in}
				var truth bytes.Buffer
				lines[i] = toldLine(f, runVan(t, fine, o, &truth))
			})
		}
		for i, kind := range kinds {
			for k, temperature := range temperatures {
				t.Run(fmt.Sprintf("healthy/%s/%g", kind, temperature), func(t *testing.T) {
					t.Parallel()
					at := i*len(temperatures) + k
					o := van.DefaultOptions()
					o.Drive, o.Seed, o.For, o.Oil, o.Ambient = kind, uint64(500+at), length, temperature, temperature
					var b strings.Builder
					for _, x := range []struct {
						name   string
						drives *signals.File
						read   *signals.File
					}{{"", fine, fine}, {" no commanded gear", fine, uncommanded(fine)}, {" coarse", rough, rough}, {" coarse, no commanded gear", rough, uncommanded(rough)}} {
						d := runVanAs(t, x.drives, x.read, o, nil)
						var l finding.List
						for _, e := range d.events {
							l.Take(e)
						}
						for _, f := range l.All() {
							fmt.Fprintf(&b, "healthy %s %g °C%s: %.2f s %s: %s\n", kind, temperature, x.name, float64(f.Since)/1e9, f.Kind, f.Text)
						}
					}
					healthy[at] = b.String()
				})
			}
		}
	})
	if t.Failed() {
		return
	}
	var b strings.Builder
	for _, l := range lines {
		b.WriteString(l)
	}
	b.WriteString(delays(lines))
	found := 0
	for _, h := range healthy {
		b.WriteString(h)
		found += strings.Count(h, "\n")
	}
	fmt.Fprintf(&b, "%d healthy drives of %s, each read in 4 ways: %d findings\n", len(healthy), length, found)
	path := filepath.Join("testdata", name)
	if *update {
		if err := os.WriteFile(path, []byte(b.String()), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if got := b.String(); got != string(want) {
		t.Errorf("what is told differs from %s; if that is meant, write it anew with -update\n%s", path, got)
	}
}

func driveFor(fault string) string {
	switch {
	case strings.HasPrefix(fault, "lock-up"), strings.HasPrefix(fault, "cooler"):
		return "highway"
	case strings.HasPrefix(fault, "stator"), strings.HasPrefix(fault, "engine-weak"):
		return "stall"
	case strings.HasPrefix(fault, "crawler"):
		return "engagements"
	}
	return "varied"
}

// toldLine says when the part of a fault was named first, against its first effect.
func toldLine(fault string, d *drive) string {
	effect := firstEffect(fault, d.truth)
	want := part(fault)
	var l finding.List
	var first *decode.Event
	var others []string
	for i, e := range d.events {
		if !l.Take(e) {
			continue
		}
		f := e.Fields.(finding.Finding)
		about := f.Name == want || f.Part == "shift" && (strings.HasSuffix(fault, "late") || strings.HasSuffix(fault, "-slips"))
		switch {
		case !about && !slices.Contains(others, f.Kind):
			others = append(others, f.Kind)
		case about && first == nil:
			first = &d.events[i]
		}
	}
	beside := ""
	if len(others) > 0 {
		beside = "; beside it " + strings.Join(others, ", ")
	}
	switch {
	case first == nil && effect < 0:
		return fmt.Sprintf("%-42s no effect, nothing told%s\n", fault, beside)
	case first == nil:
		return fmt.Sprintf("%-42s effect %7.2f s, not told%s\n", fault, effect, beside)
	case effect < 0:
		return fmt.Sprintf("%-42s told %7.2f s %s: %s%s\n", fault, first.Time.Seconds(), first.Fields.(finding.Finding).Kind, first.Fields.(finding.Finding).Name, beside)
	}
	return fmt.Sprintf("%-42s effect %7.2f s, told %+6.2f s %s: %s%s\n", fault, effect, first.Time.Seconds()-effect, first.Fields.(finding.Finding).Kind, first.Fields.(finding.Finding).Name, beside)
}

// firstEffect is when the truth shows a fault first [s], -1 where it does not: for a
// slipping element the end of the first 0.3 s in which it slips by more than
// max(60 rpm, 3 %) while the same gear, which needs it, has been asked for for 2 s and
// the pedal is down; for the rest the beginning of the fault.
func firstEffect(fault string, list []truth) float64 {
	if !strings.HasSuffix(fault, "-slips") {
		if strings.HasSuffix(fault, "late") || strings.HasPrefix(fault, "lock-up") {
			return -1
		}
		return 45
	}
	element := part(fault)
	gears := map[string][]string{"low-gears clutch": {"1", "2", "3", "4"}, "odd-gears clutch": {"3", "5", "R"}, "high-gears clutch": {"4", "5", "6"}, "drum brake": {"2", "6"}}
	asked, since, slipping := "", 0.0, -1.0
	for _, x := range list {
		if x.Kind != "state" {
			continue
		}
		if x.Asked != asked {
			asked, since = x.Asked, x.Time
		}
		slip := x.Slip[element]
		if x.Gear == "standing" || !slices.Contains(gears[element], asked) || x.Time-since < 2 || x.Pedal < 5 || max(slip, -slip) <= max(60, 0.03*x.Input) {
			slipping = -1
			continue
		}
		if slipping < 0 {
			slipping = x.Time
		}
		if x.Time-slipping >= 0.3 {
			return x.Time
		}
	}
	return -1
}

// delays is the distribution of the delays in the lines.
func delays(lines []string) string {
	var d []float64
	for _, l := range lines {
		var name string
		var effect, told float64
		if n, _ := fmt.Sscanf(l, "%s effect %f s, told %f s", &name, &effect, &told); n == 3 {
			d = append(d, told)
		}
	}
	slices.Sort(d)
	if len(d) == 0 {
		return ""
	}
	return fmt.Sprintf("delay against the first effect of %d faults: least %.2f s, median %.2f s, most %.2f s\n", len(d), d[0], d[len(d)/2], d[len(d)-1])
}
