package drivetrain_test

import (
	"encoding/json"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"gearwitness/decode/drivetrain"
	"gearwitness/decode/van"
	"gearwitness/signals"
)

var (
	update = flag.Bool("update", false, "write the confusion matrix that the test compares with")
	full   = flag.Bool("full", false, "run the whole grid of drives, seeds and sensors")
)

// part is the name under which a fault of the van should be suspected; "" where
// no analysis of these signals can tell the part.
func part(fault string) string {
	fault, _, _ = strings.Cut(fault, "@")
	for _, suffix := range []string{"-slips", "-fills-late", "-releases-late", "-shudders", "-stuck-open", "-stuck-closed", "-drops-out", "-missing", "-reads-low", "-open"} {
		base, ok := strings.CutSuffix(fault, suffix)
		if !ok {
			continue
		}
		switch {
		case strings.HasPrefix(base, "lock-up"):
			return "converter clutch"
		case strings.HasSuffix(base, "-pressure-switch"):
			return strings.ReplaceAll(strings.TrimSuffix(base, "-switch"), "-", "_")
		case strings.HasPrefix(base, "lever-contact"), strings.HasSuffix(base, "-speed"):
			return strings.ReplaceAll(base, "-", "_")
		case base == "stator-clutch":
			return ""
		case base == "crawler-one-way-clutch":
			return "crawler one-way clutch"
		}
		for _, kind := range []string{"-clutch", "-brake"} {
			if name, ok := strings.CutSuffix(base, kind); ok {
				return name + strings.Replace(kind, "-", " ", 1)
			}
		}
	}
	return ""
}

// hidden are faults of the default size that leave no trace in these signals:
// their elements have time in hand in every shift and engagement, or carry
// nothing while they drag.
var hidden = map[string]bool{"low-gears-clutch-fills-late": true, "crawler-brake-fills-late": true, "crawler-brake-releases-late": true}

// coarse is the van with speeds in steps of 10 rpm every 50 ms.
func coarse(t *testing.T) *signals.File {
	text := string(signals.Van())
	for _, r := range [][2]string{{"every: 10 ms", "every: 50 ms"}, {"resolution: 0.25, unit: rpm", "resolution: 10, unit: rpm"}} {
		if !strings.Contains(text, r[0]) {
			t.Fatalf("van.yaml has no %q", r[0])
		}
		text = strings.ReplaceAll(text, r[0], r[1])
	}
	f, list := signals.Parse("van.yaml", []byte(text), nil)
	if f == nil {
		t.Fatal(list)
	}
	return f
}

// suspects drives the van and returns the names that are suspected.
func suspects(t *testing.T, f *signals.File, drive, fault string, seed uint64, length time.Duration) []string {
	o := van.DefaultOptions()
	o.Drive, o.Seed, o.For = drive, seed, length
	if fault != "" {
		in, err := van.ParseFault(fault)
		if err != nil {
			t.Fatal(err)
		}
		o.Faults = append(o.Faults, in)
	}
	var names []string
	for _, e := range runVan(t, f, o, nil).events {
		if e.Kind != drivetrain.KindSuspect {
			continue
		}
		b, err := json.Marshal(e.Fields)
		if err != nil {
			t.Fatal(err)
		}
		var s drivetrain.Suspect
		if err := json.Unmarshal(b, &s); err != nil {
			t.Fatal(err)
		}
		if len(s.Reasons) == 0 {
			t.Errorf("%s: %s %s without a reason", fault, s.Element, s.Verdict)
		}
		if s.Verdict == drivetrain.VerdictSuspect {
			names = append(names, s.Element)
		}
	}
	return names
}

// The confusion matrix: the fault switched on in the van against the suspects
// named, one drive a line. The default grid runs one drive of each fault; -full
// all seeds, drives and sensors.
func TestConfusion(t *testing.T) {
	type run struct {
		sensors, drive, fault string
		seed                  uint64
	}
	var runs []run
	add := func(sensors, drive string, seed uint64, withFaults bool) {
		runs = append(runs, run{sensors, drive, "", seed})
		for _, f := range van.Faults() {
			if withFaults && part(f.Name) != "" && !hidden[f.Name] {
				runs = append(runs, run{sensors, drive, f.Name, seed})
				if strings.HasSuffix(f.Name, "-reads-low") && !strings.HasPrefix(f.Name, "engine") {
					runs = append(runs, run{sensors, drive, f.Name + "@45s=3", seed}) // not from the beginning
				}
			}
		}
	}
	golden := filepath.Join("testdata", "confusion.txt")
	if *full {
		golden = filepath.Join("testdata", "confusion-full.txt")
		for seed := range uint64(2) {
			add("fine", "varied", seed+1, true)
			add("coarse", "varied", seed+11, true)
			for _, d := range van.Drives() {
				add("fine", d.Name, seed+21, false)
				add("coarse", d.Name, seed+31, false)
			}
		}
	} else {
		// Switches and contacts are all alike: one of each sort will do here.
		add("fine", "varied", 21, true)
		kept := runs[:0]
		for _, r := range runs {
			if (strings.Contains(r.fault, "switch") || strings.Contains(r.fault, "lever")) && !strings.HasPrefix(r.fault, "low") && !strings.HasSuffix(r.fault, "b-open") {
				continue
			}
			kept = append(kept, r)
		}
		runs = kept
		add("coarse", "varied", 21, false)
		add("fine", "hills", 22, false)
		add("fine", "town", 23, false)
	}
	if raceDetector {
		runs = runs[:3]
	}
	files := map[string]*signals.File{"fine": vanFile(t), "coarse": coarse(t)}
	lines := make([]string, len(runs))
	right, faulty, quiet, healthy := 0, 0, 0, 0
	var lock sync.Mutex
	var group sync.WaitGroup
	next := make(chan int)
	for range 2 {
		group.Go(func() {
			for i := range next {
				r := runs[i]
				length := 160 * time.Second
				if *full {
					length = 300 * time.Second
				}
				got := suspects(t, files[r.sensors], r.drive, r.fault, r.seed, length)
				verdict := "right"
				lock.Lock()
				if want := part(r.fault); want == "" {
					healthy++
					if len(got) == 0 {
						quiet++
					} else {
						verdict = "WRONG"
					}
				} else {
					faulty++
					switch {
					case len(got) > 0 && got[0] == want:
						right++
					case len(got) == 0:
						verdict = "open"
					default:
						verdict = "WRONG"
					}
				}
				lines[i] = fmt.Sprintf("%-6s %-10s %2d  %-38s %-5s  %s\n", r.sensors, r.drive, r.seed, orHealthy(r.fault), verdict, strings.Join(got, ", "))
				lock.Unlock()
			}
		})
	}
	for i := range runs {
		next <- i
	}
	close(next)
	group.Wait()
	text := "# sensors, drive, seed, fault of the van, verdict, suspects. Written by go test -update.\n" + strings.Join(lines, "") +
		fmt.Sprintf("# right suspect in %d of %d drives with a fault, none in %d of %d healthy ones\n", right, faulty, quiet, healthy)
	t.Logf("right suspect in %d of %d drives with a fault, none in %d of %d healthy ones", right, faulty, quiet, healthy)
	if float64(right) < 0.95*float64(faulty) {
		t.Errorf("right suspect in %d of %d drives with a fault, expected 95 %%", right, faulty)
	}
	if float64(quiet) < 0.98*float64(healthy) {
		t.Errorf("no suspect in %d of %d healthy drives, expected 98 %%", quiet, healthy)
	}
	if *update {
		if err := os.MkdirAll("testdata", 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(golden, []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
		return
	}
	if raceDetector {
		return // a part of the matrix only
	}
	want, err := os.ReadFile(golden)
	if err != nil {
		t.Fatalf("%v; write it with -update", err)
	}
	if string(want) != text {
		for i, line := range strings.Split(text, "\n") {
			w := strings.Split(string(want), "\n")
			if i >= len(w) || w[i] != line {
				t.Logf("now:    %s", line)
			}
		}
		t.Errorf("the matrix differs from %s; look at each line, then run with -update", golden)
	}
}

func orHealthy(fault string) string {
	if fault == "" {
		return "(healthy)"
	}
	return fault
}
