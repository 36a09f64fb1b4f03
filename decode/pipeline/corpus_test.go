package pipeline

import (
	"bytes"
	"cmp"
	"context"
	"crypto/sha256"
	"encoding/binary"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"hash"
	"io"
	"maps"
	"math"
	"net/url"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"gearwitness/capture"
	"gearwitness/decode"
	"gearwitness/decode/j1939"
	"gearwitness/decode/procedure"
	"gearwitness/decode/van"
	"gearwitness/signals"
)

var update = flag.Bool("update", false, "write the corpus of results that the test compares with")

const corpusFile = "testdata/corpus.txt"

// corpus is the fixed drives whose results are kept as digests. A drive of the van is
// given as the query of a van: source; it is read with a vehicle file that may know
// less than the van's own.
var corpus = []struct {
	name  string
	query string                // empty: the truck of truckDrive
	sends [][2]string           // replaced in van.yaml before the van is built, so that its sensors are different
	reads func(f *signals.File) // what the vehicle file it is read with lacks
	asks  []decode.Event        // procedures
	gap   bool                  // nothing comes from 40 s to 42 s
}{
	{name: "varied", query: "drive=varied&for=120s&seed=1"},
	{name: "varied-cold", query: "drive=varied&for=100s&seed=2&oil=-15&ambient=-20"},
	{name: "hills-hot", query: "drive=hills&for=100s&seed=3&oil=110&ambient=45&fault=cooler-restricted=100&fault=coolant-hot=60"},
	{name: "town", query: "drive=town&for=90s&seed=4", gap: true},
	{name: "highway", query: "drive=highway&for=100s&seed=5&fault=lock-up-clutch-shudders"},
	{name: "hills", query: "drive=hills&for=90s&seed=6&fault=main-pressure-low=60"},
	{name: "relearn", query: "drive=relearn&for=120s&seed=7", asks: []decode.Event{
		procedure.Request{Procedure: "relearn_drive", Action: procedure.Begin, Wait: true}.Event(2_000_000_000),
	}},
	{name: "shifts", query: "drive=shifts&for=90s&seed=8"},
	{name: "engagements", query: "drive=engagements&for=60s&seed=9&fault=crawler-brake-fills-late=600"},
	{name: "stall", query: "drive=stall&for=60s&seed=10&fault=stator-clutch-slips", asks: []decode.Event{
		procedure.Request{Procedure: "stall_test", Action: procedure.Begin, Wait: true}.Event(1_000_000_000),
		procedure.Request{Procedure: "stall_test", Action: procedure.Stop}.Event(50_000_000_000),
	}},
	{name: "lock-up", query: "drive=lock-up&for=90s&seed=11&fault=lock-up-clutch-slips"},
	{name: "coast-down", query: "drive=coast-down&for=90s&seed=12&fault=oil-outlet-sensor-reads-high"},
	{name: "slipping-clutch", query: "drive=shifts&for=120s&seed=13&fault=odd-gears-clutch-slips@20s"},
	{name: "late-brake", query: "drive=shifts&for=120s&seed=14&fault=drum-brake-fills-late"},
	{name: "binding-up", query: "drive=shifts&for=100s&seed=15&fault=high-gears-clutch-releases-late=500"},
	{name: "wrong-switches", query: "drive=varied&for=90s&seed=16&fault=drum-brake-pressure-switch-stuck-open&fault=lever-contact-b-open"},
	{name: "output-drops-out", query: "drive=shifts&for=90s&seed=17&fault=output-speed-drops-out&fault=drum-speed-reads-low@30s=6"},
	{name: "coarse-uncommanded", query: "drive=shifts&for=100s&seed=18&fault=odd-gears-clutch-slips",
		sends: [][2]string{{"every: 10 ms", "every: 50 ms"}, {"resolution: 0.25, unit: rpm", "resolution: 10, unit: rpm"}},
		reads: func(f *signals.File) { f.Transmission.Roles.CommandedGear = "" }},
	{name: "ratios-only", query: "drive=varied&for=90s&seed=19&fault=low-gears-clutch-slips@30s",
		reads: func(f *signals.File) {
			tr := f.Transmission
			tr.Train, tr.Elements, tr.Gears, tr.Switches, tr.Solenoids = nil, nil, nil, nil, nil
			// Of the van's train, which decode/geartrain's tests work out exactly.
			tr.Ratios = named[float64]("1", 4.1195, "2", 2.2657, "3", 1.4713, "4", 1.1292, "5", 0.8793, "6", 0.7, "R", -3.433)
		}},
	{name: "truck"},
}

// What the chain makes of the drives of the corpus is what was decided last: a change
// of results, wanted or not, shows here, with the kind of thing that has changed.
// testdata/README.md says what to do then.
func TestCorpus(t *testing.T) {
	digests := make([]string, len(corpus))
	t.Run("drives", func(t *testing.T) {
		for i, c := range corpus {
			t.Run(c.name, func(t *testing.T) {
				t.Parallel()
				file := vanYAML(t, c.sends)
				var traffic *capture.Batch
				if c.query == "" {
					file, traffic = truckFile(t), truckDrive()
				} else {
					traffic = vanDrive(t, file, c.query)
				}
				if c.gap {
					traffic.Frames = slices.DeleteFunc(traffic.Frames, func(f capture.Frame) bool { return f.Time.Seconds() >= 40 && f.Time.Seconds() < 42 })
				}
				if c.reads != nil {
					tr := *file.Transmission
					file.Transmission = &tr
					c.reads(file)
				}
				digests[i] = digest(t, c.name, file, traffic, c.asks)
			})
		}
	})
	if t.Failed() {
		return
	}
	got := strings.Join(digests, "")
	if *update {
		if err := os.WriteFile(filepath.FromSlash(corpusFile), []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
		return
	}
	kept, err := os.ReadFile(filepath.FromSlash(corpusFile))
	if err != nil {
		t.Fatal(err)
	}
	want := strings.ReplaceAll(string(kept), "\r\n", "\n")
	if got == want {
		return
	}
	t.Error("results differ from " + corpusFile + "; if that was the intention, `go test ./decode/pipeline -run Corpus -update` writes it anew, and the commit says why:\n" + difference(want, got))
}

// difference shows the lines of one text that are not in the other.
func difference(want, got string) string {
	var b strings.Builder
	for _, x := range []struct{ mark, lines, others string }{{"was", want, got}, {"is ", got, want}} {
		others := strings.Split(x.others, "\n")
		for line := range strings.Lines(x.lines) {
			if line = strings.TrimSuffix(line, "\n"); !slices.Contains(others, line) {
				fmt.Fprintf(&b, "%s %s\n", x.mark, line)
			}
		}
	}
	return b.String()
}

// vanYAML is the van's file with some of its text replaced.
func vanYAML(t *testing.T, replace [][2]string) *signals.File {
	t.Helper()
	text := string(signals.Van())
	for _, r := range replace {
		if !strings.Contains(text, r[0]) {
			t.Fatalf("van.yaml has no %q", r[0])
		}
		text = strings.ReplaceAll(text, r[0], r[1])
	}
	f, found := signals.Parse("van.yaml", []byte(text), nil)
	if f == nil {
		t.Fatal(found)
	}
	return f
}

// vanDrive is the traffic of the van that a query describes.
func vanDrive(t *testing.T, f *signals.File, query string) *capture.Batch {
	t.Helper()
	q, err := url.ParseQuery(query)
	if err != nil {
		t.Fatal(err)
	}
	o, err := van.ParseOptions(q)
	if err != nil {
		t.Fatal(err)
	}
	src, err := van.Open(context.Background(), o, f, nil)
	if err != nil {
		t.Fatal(err)
	}
	defer src.Close()
	var all capture.Batch
	for {
		if err := src.Next(context.Background(), &all); errors.Is(err, io.EOF) {
			return &all
		} else if err != nil {
			t.Fatal(err)
		}
	}
}

// digest runs the chain over the traffic and returns a line for each kind of result:
// how many there are and their SHA-256. Samples of frames and of formulas are one
// line each; those of the analysis one for each figure, where a figure of each
// element (slip.NAME) counts as one. Events are a line for each kind.
func digest(t *testing.T, name string, f *signals.File, traffic *capture.Batch, asks []decode.Event) string {
	t.Helper()
	p, err := New(f, Options{})
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range asks {
		p.Inject(e)
	}
	table := p.Table()
	figures := make([]figure, len(table.Signals))
	for i := range figures {
		figures[i].begin(&table.Signals[i])
	}
	events := make(map[string][]decode.Event)
	var out decode.Output
	take := func() {
		for _, s := range out.Samples {
			figures[s.Signal].add(s)
		}
		for _, e := range out.Events {
			events[e.Kind] = append(events[e.Kind], e)
		}
		out.Reset()
	}
	frames := sha256.New()
	var b []byte
	for rest := traffic.Frames; len(rest) > 0; {
		n := min(1024, len(rest))
		for i := range rest[:n] {
			x := &rest[i]
			b = binary.LittleEndian.AppendUint64(b[:0], uint64(x.Time))
			b = binary.LittleEndian.AppendUint32(b, x.ID)
			frames.Write(append(b, x.Data[:x.Len]...))
		}
		if err := p.Push(&capture.Batch{Channels: traffic.Channels, Frames: rest[:n]}, &out); err != nil {
			t.Fatal(err)
		}
		take()
		rest = rest[n:]
	}
	p.Finish(&out)
	take()

	var text bytes.Buffer
	line := func(what string, n int, h hash.Hash) {
		fmt.Fprintf(&text, "%-18s %-36s %7d %x\n", name, what, n, h.Sum(nil))
	}
	line("frames", len(traffic.Frames), frames)

	groups := make(map[string]*figure)
	for i := range figures {
		k := "sample " + family(&table.Signals[i])
		if groups[k] == nil {
			groups[k] = &figure{sum: sha256.New()}
		}
		groups[k].n += figures[i].n
		groups[k].sum.Write(figures[i].sum.Sum(nil))
	}
	for _, k := range slices.Sorted(maps.Keys(groups)) {
		line(k, groups[k].n, groups[k].sum)
	}
	for _, kind := range slices.Sorted(maps.Keys(events)) {
		list := events[kind]
		slices.SortStableFunc(list, func(a, b decode.Event) int { return cmp.Compare(a.Time, b.Time) })
		sum := sha256.New()
		for _, e := range list {
			one, err := json.Marshal(e)
			if err != nil {
				t.Fatal(err)
			}
			sum.Write(append(one, '\n'))
		}
		line("event "+kind, len(list), sum)
	}
	return text.String()
}

// family is what a signal counts as in the corpus.
func family(s *decode.Info) string {
	switch s.Origin {
	case decode.FromAnalysis:
		base, of, ok := strings.Cut(s.Name, ".")
		if ok {
			_, rest, _ := strings.Cut(of, ".")
			return strings.TrimSuffix(base+".*."+rest, ".")
		}
		return base
	case decode.FromFormula:
		return "(formula)"
	case decode.FromLine:
		return "(line)"
	default:
		return "(frame)"
	}
}

// figure is the digest of the samples of one signal.
type figure struct {
	n   int
	sum hash.Hash
	buf []byte
}

// begin starts with what the signal is called and its values mean.
func (f *figure) begin(s *decode.Info) {
	f.sum = sha256.New()
	fmt.Fprintf(f.sum, "%s %s", s.Name, s.Unit)
	for _, e := range s.States {
		fmt.Fprintf(f.sum, " %d=%s", e.V, e.Name)
	}
}

func (f *figure) add(s decode.Sample) {
	f.n++
	f.buf = append(binary.LittleEndian.AppendUint64(f.buf[:0], uint64(s.Time)), byte(s.Status))
	if s.Status == decode.Valid || s.Status == decode.Implausible {
		f.buf = binary.LittleEndian.AppendUint64(f.buf, math.Float64bits(s.Value))
	}
	f.sum.Write(f.buf)
}

// truckDrive is 90 s of traffic of the truck of truck.yaml, in whole numbers: from a
// standstill through four gears up to 2,000 rpm of the output shaft, back down
// and to a standstill. A shift is asked for 200 ms before the ratio begins to
// move, and takes 400 ms; converter lock-up from third gear on. Fields as SAE
// J1939-71 has them (signals/library/j1939/powertrain.yaml).
func truckDrive() *capture.Batch {
	b := &capture.Batch{Channels: []capture.Channel{{Name: "chassis"}}}
	send := func(ms int64, pgn uint32, source uint8, data ...byte) {
		f := capture.Frame{
			Time: capture.Stamp(ms) * capture.Stamp(time.Millisecond), Flags: capture.Extended, Len: 8,
			ID: j1939.ID{Priority: 3, PGN: pgn, Source: source, Destination: j1939.Everybody}.Uint32(),
		}
		copy(f.Data[:], data)
		b.Frames = append(b.Frames, f)
	}
	const none = 0xFF // J1939: not available
	low := func(v int64) byte { return byte(v) }
	high := func(v int64) byte { return byte(v >> 8) }

	ratio := [...]int64{0, 3102, 1810, 1406, 1000} // thousandths, as in truck.yaml
	up := [...]int64{0, 350, 700, 1150, 1 << 40}   // rpm of the output shaft at which the next gear is asked for
	down := [...]int64{0, -1, 250, 600, 1000}
	gear, old, asked := int64(1), int64(1), int64(-10_000)
	for ms := int64(0); ms < 90_000; ms += 10 {
		var output, rate int64 // in eighths of rpm; rpm/s
		switch {
		case ms < 4_000:
		case ms < 44_000:
			output, rate = (ms-4_000)*2/5, 50
		case ms < 54_000:
			output = 16_000
		case ms < 84_000:
			output, rate = 16_000-(ms-54_000)*8/15, -67
		}
		if ms-asked > 1_000 {
			switch {
			case rate > 0 && output >= 8*up[gear]:
				old, gear, asked = gear, gear+1, ms
			case rate < 0 && output <= 8*down[gear]:
				old, gear, asked = gear, gear-1, ms
			}
		}
		part := min(max(ms-asked-200, 0), 400) // of 400 ms
		r := ratio[old] + (ratio[gear]-ratio[old])*part/400
		current := gear
		if part < 400 {
			current = old
		}
		input := output * r / 1000
		engine, pedal, torque := input, int64(0), int64(0)
		locked := current >= 3 && part == 400
		switch {
		case rate > 0:
			pedal, torque = 150, 60 // 60 %
			if !locked {
				engine += 8 * 300
			}
		case rate == 0 && output > 0:
			pedal, torque = 50, 20
		case !locked:
			engine -= 8 * 60
		}
		engine = max(engine, 8*700)
		shifting, lock := byte(0), byte(0)
		if part > 0 && part < 400 {
			shifting = 1
		}
		if locked {
			lock = 1
		}
		inLow, inHigh := low(input), high(input)
		if ms >= 30_000 && ms < 31_000 { // a second of nothing known of the input
			inLow, inHigh = none, none
		}
		send(ms, 61442, 3, 1|lock<<2|shifting<<4|0xC0, low(output), high(output), none, none, inLow, inHigh, none)
		if ms%20 == 0 {
			send(ms, 61444, 0, none, byte(torque+125), byte(torque+125), low(engine), high(engine), none, none, none)
		}
		if ms%50 == 0 {
			send(ms, 61443, 0, none, byte(pedal), byte(torque), none, none, none, none, none)
		}
		if ms%100 == 0 {
			send(ms, 61445, 3, byte(gear+125), low(r), high(r), byte(current+125), 0x44, 0x20, 0x44, 0x20)
			speed := output / 8 * 256 * 14 / 300 // 14 km/h at 300 rpm
			send(ms, 65265, 0, none, low(speed), high(speed), 0xCF, none, none, none, none)
			brake := byte(0)
			if rate < 0 {
				brake = 1
			}
			send(ms, 65265, 49, none, none, none, 0xCF|brake<<4, none, none, none, none)
		}
		if ms%1_000 == 0 {
			oil := (273 + 95 + ms/6_000) * 32 // passes 105 °C after a minute
			send(ms, 65272, 3, 1600/16, none, none, 1600/16, low(oil), high(oil), none, none)
			send(ms, 65262, 0, 88+40, none, low(oil), high(oil), none, none, none, none)
		}
	}
	return b
}
