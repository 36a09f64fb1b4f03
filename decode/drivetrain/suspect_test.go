package drivetrain_test

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"gearwitness/capture"
	"gearwitness/decode"
	"gearwitness/decode/drivetrain"
	"gearwitness/decode/pipeline"
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

// uncommanded is a vehicle file without the gear asked for.
func uncommanded(f *signals.File) *signals.File {
	g, tr := *f, *f.Transmission
	tr.Roles.CommandedGear = ""
	g.Transmission = &tr
	return &g
}

// suspects drives the van once and returns, for each vehicle file that its frames
// are read with, the names that are suspected.
func suspects(t *testing.T, drive, fault string, seed uint64, length time.Duration, files ...*signals.File) [][]string {
	o := van.DefaultOptions()
	o.Drive, o.Seed, o.For = drive, seed, length
	if fault != "" {
		in, err := van.ParseFault(fault)
		if err != nil {
			t.Error(err)
		}
		o.Faults = append(o.Faults, in)
	}
	ctx := context.Background()
	src, err := van.Open(ctx, o, files[0], nil)
	if err != nil {
		t.Error(err)
		return make([][]string, len(files))
	}
	chains := make([]*pipeline.Pipeline, len(files))
	names := make([][]string, len(files))
	for i, f := range files {
		if chains[i], err = pipeline.New(f, pipeline.Options{}); err != nil {
			t.Error(err)
			return names
		}
	}
	var b capture.Batch
	var out decode.Output
	for err == nil {
		b.Reset()
		err = src.Next(ctx, &b)
		for _, p := range chains {
			if perr := p.Push(&b, &out); perr != nil {
				t.Error(perr)
			}
			out.Reset()
		}
	}
	if !errors.Is(err, io.EOF) {
		t.Error(err)
	}
	for i, p := range chains {
		out.Reset()
		p.Finish(&out)
		for _, e := range out.Events {
			s, ok := e.Fields.(drivetrain.Suspect)
			if ok && len(s.Reasons) == 0 {
				t.Errorf("%s: %s %s without a reason", fault, s.Element, s.Verdict)
			}
			if ok && s.Verdict == drivetrain.VerdictSuspect {
				names[i] = append(names[i], s.Element)
			}
		}
	}
	return names
}

// score counts verdicts.
type score struct{ right, open, wrong, quiet, healthy int }

// judge compares the parts suspected with the one that has the fault. More than that
// one is wrong too.
func (c *score) judge(fault string, got []string) string {
	want := part(fault)
	switch {
	case want == "":
		if c.healthy++; len(got) > 0 {
			return "WRONG"
		}
		c.quiet++
	case len(got) == 0:
		c.open++
		return "open"
	case len(got) > 1 || got[0] != want:
		c.wrong++
		return "WRONG"
	default:
		c.right++
	}
	return "right"
}

func (c *score) String() string {
	return fmt.Sprintf("right suspect in %d of %d drives with a fault, a wrong one in %d; none in %d of %d healthy ones", c.right, c.right+c.open+c.wrong, c.wrong, c.quiet, c.healthy)
}

// hold compares with the parts of the drives that must be right, may be wrong and
// must be quiet [%].
func (c *score) hold(t *testing.T, what string, right, wrong, quiet float64) {
	t.Logf("%s: %v", what, c)
	if faulty := float64(c.right + c.open + c.wrong); float64(c.right) < right/100*faulty || float64(c.wrong) > wrong/100*faulty || float64(c.quiet) < quiet/100*float64(c.healthy) {
		t.Errorf("%s: %v; expected %g %%, at most %g %%, %g %%", what, c, right, wrong, quiet)
	}
}

// The confusion matrix: the fault switched on in the van against the suspects named,
// one drive a line, read with the commanded gear and without. The default grid runs
// one drive of each fault; -full all seeds, drives and sensors.
func TestConfusion(t *testing.T) {
	type run struct {
		sensors, drive, fault string
		seed                  uint64
	}
	var runs []run
	add := func(sensors, drive string, seed uint64, faults ...string) {
		for _, f := range faults {
			runs = append(runs, run{sensors, drive, f, seed})
		}
	}
	all := []string{""}
	for _, f := range van.Faults() {
		if part(f.Name) != "" && !hidden[f.Name] {
			all = append(all, f.Name)
		}
	}
	golden := filepath.Join("testdata", "confusion.txt")
	length := 160 * time.Second
	switch {
	case raceDetector:
		add("fine", "varied", 21, all[:3]...)
	case *full:
		golden = filepath.Join("testdata", "confusion-full.txt")
		length = 300 * time.Second
		for seed := range uint64(2) {
			add("fine", "varied", seed+1, all...)
			add("coarse", "varied", seed+11, all...)
			for _, d := range van.Drives() {
				add("fine", d.Name, seed+21, "")
				add("coarse", d.Name, seed+31, "")
			}
		}
		// Sensors that begin to read low under way.
		for i, start := range []int{20, 45, 90} {
			for j, percent := range []int{2, 4, 8} {
				for k, sensor := range []string{"reduced-carrier", "drum", "output"} {
					f := fmt.Sprintf("%s-speed-reads-low@%ds=%d", sensor, start, percent)
					add("fine", "varied", uint64(100+9*i+3*j+k), f)
					add("coarse", "varied", uint64(200+9*i+3*j+k), f)
				}
			}
		}
	default:
		for _, f := range all {
			// Switches and contacts are all alike: one of each sort will do here.
			if (strings.Contains(f, "switch") || strings.Contains(f, "lever")) && !strings.HasPrefix(f, "low") && !strings.HasSuffix(f, "b-open") {
				continue
			}
			add("fine", "varied", 21, f)
		}
		add("fine", "varied", 22, "reduced-carrier-speed-reads-low@20s=2", "drum-speed-reads-low@45s=3", "output-speed-reads-low@80s=8")
		add("coarse", "varied", 21, "", "low-gears-clutch-slips", "output-speed-reads-low@45s=4")
		add("fine", "hills", 22, "")
		add("fine", "town", 23, "")
	}
	files := make(map[string][]*signals.File)
	for name, f := range map[string]*signals.File{"fine": vanFile(t), "coarse": coarse(t)} {
		files[name] = []*signals.File{f, uncommanded(f)}
	}
	got := make([][][]string, len(runs))
	var group sync.WaitGroup
	next := make(chan int)
	for range 2 {
		group.Go(func() {
			for i := range next {
				r := runs[i]
				got[i] = suspects(t, r.drive, r.fault, r.seed, length, files[r.sensors]...)
			}
		})
	}
	for i := range runs {
		next <- i
	}
	close(next)
	group.Wait()

	var with, without score
	var text strings.Builder
	text.WriteString("# sensors, drive, seed, fault of the van, verdict and suspects with the commanded gear; the same\n# without it. Written by go test -update.\n")
	for i, r := range runs {
		fault := r.fault
		if fault == "" {
			fault = "(healthy)"
		}
		fmt.Fprintf(&text, "%-6s %-10s %3d  %-38s %-5s  %-24s  %-5s  %s\n", r.sensors, r.drive, r.seed, fault,
			with.judge(r.fault, got[i][0]), strings.Join(got[i][0], ", "), without.judge(r.fault, got[i][1]), strings.Join(got[i][1], ", "))
	}
	fmt.Fprintf(&text, "# with the commanded gear: %v\n# without: %v\n", &with, &without)
	with.hold(t, "with the commanded gear", 95, 2, 98)
	// Much that a shift which was asked for and failed explains must stay open.
	without.hold(t, "without", 60, 2, 98)

	switch {
	case raceDetector: // a part of the matrix only
		return
	case *update:
		if err := os.WriteFile(golden, []byte(text.String()), 0o644); err != nil {
			t.Fatal(err)
		}
		return
	}
	want, err := os.ReadFile(golden)
	if err != nil {
		t.Fatalf("%v; write it with -update", err)
	}
	if string(want) != text.String() {
		was := strings.Split(string(want), "\n")
		for i, line := range strings.Split(text.String(), "\n") {
			if i >= len(was) || was[i] != line {
				t.Logf("now:    %s", line)
			}
		}
		t.Errorf("the matrix differs from %s; look at each line, then run with -update", golden)
	}
}
