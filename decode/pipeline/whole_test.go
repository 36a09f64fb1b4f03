package pipeline

import (
	"bytes"
	"encoding/json"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"gearwitness/capture"
	"gearwitness/decode"
	"gearwitness/decode/procedure"
	"gearwitness/signals"
)

// written runs the whole chain over the traffic in batches of the given sizes
// and returns what is written of it.
func written(t *testing.T, f *signals.File, traffic *capture.Batch, size func() int) string {
	t.Helper()
	p, err := New(f, Options{})
	if err != nil {
		t.Fatal(err)
	}
	p.Inject(decode.Event{Time: 5_123_456_789, Kind: decode.KindMark, Fields: struct {
		Text string `json:"text"`
	}{"here"}})
	p.Inject(procedure.Request{Procedure: "warm_up", Action: procedure.Begin, Wait: true}.Event(3_333_333_333))
	p.Inject(procedure.Request{Procedure: "warm_up", Action: procedure.Stop}.Event(30_000_000_001))
	var text bytes.Buffer
	w := decode.NewSampleWriter(&text, p.Table())
	var events bytes.Buffer
	e := decode.NewEventWriter(&events)
	var out decode.Output
	take := func() {
		if err := w.Write(out.Samples, p.Settled()); err != nil {
			t.Fatal(err)
		}
		if err := e.Write(out.Events, p.EventsSettled()); err != nil {
			t.Fatal(err)
		}
		out.Reset()
	}
	for rest := traffic.Frames; len(rest) > 0; {
		n := min(size(), len(rest))
		if err := p.Push(&capture.Batch{Channels: traffic.Channels, Frames: rest[:n]}, &out); err != nil {
			t.Fatal(err)
		}
		rest = rest[n:]
		take()
	}
	p.Finish(&out)
	take()
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	if err := e.Close(); err != nil {
		t.Fatal(err)
	}
	inOrder(t, events.String())
	text.WriteString(events.String())
	return text.String()
}

// inOrder checks that events were written in order of time.
func inOrder(t *testing.T, lines string) {
	t.Helper()
	last := math.Inf(-1)
	for line := range strings.Lines(lines) {
		var e struct {
			Time float64 `json:"time_s"`
		}
		if err := json.Unmarshal([]byte(line), &e); err != nil {
			t.Fatal(err)
		}
		if e.Time < last {
			t.Fatalf("an event at %g s stands after one at %g s: %s", e.Time, last, line)
		}
		last = e.Time
	}
}

// A drive of the van, decoded and analysed whole, is written byte for byte the
// same whatever batches its frames come in, and so is the recorded truck drive.
func TestWhatIsWrittenDoesNotDependOnBatches(t *testing.T) {
	f, traffic := drive(t, 40*time.Second)
	check := func(t *testing.T, f *signals.File, traffic *capture.Batch) {
		want := written(t, f, traffic, func() int { return len(traffic.Frames) })
		if len(want) < 100_000 {
			t.Fatalf("only %d bytes were written", len(want))
		}
		random := rand.New(rand.NewPCG(1, 2))
		for name, size := range map[string]func() int{
			"one at a time": func() int { return 1 },
			"at random":     func() int { return 1 + random.IntN(300) },
		} {
			if got := written(t, f, traffic, size); got != want {
				t.Errorf("%s: differs from the whole at byte %d of %d", name, firstDifference(got, want), len(want))
			}
		}
	}
	t.Run("van", func(t *testing.T) { check(t, f, traffic) })
	t.Run("truck", func(t *testing.T) { check(t, truckFile(t), all(t, recording(t))) })
}

func firstDifference(a, b string) int {
	for i := range min(len(a), len(b)) {
		if a[i] != b[i] {
			return i
		}
	}
	return min(len(a), len(b))
}

// Frames of any content and order neither break the chain nor become values
// that are none.
func FuzzFrames(f *testing.F) {
	f.Add([]byte{0x18, 0xFE, 0xCA, 0x03, 8, 1, 2, 3, 4, 5, 6, 7, 8, 5}, true)
	f.Add([]byte{0, 0, 1, 0xA4, 8, 0xFF, 0xFF, 0xFF, 0xFF, 0, 0, 0, 0, 0}, false)
	truck, found := signals.Parse("truck.yaml", signals.Truck(), nil)
	if truck == nil {
		f.Fatal(found)
	}
	parcelVan, found := signals.Parse("van.yaml", signals.Van(), nil)
	if parcelVan == nil {
		f.Fatal(found)
	}
	f.Fuzz(func(t *testing.T, stream []byte, long bool) {
		file, flags := parcelVan, capture.Flags(0)
		if long {
			file, flags = truck, capture.Extended
		}
		p, err := New(file, Options{})
		if err != nil {
			t.Fatal(err)
		}
		b := capture.Batch{Channels: []capture.Channel{{Name: "x"}}}
		for now := capture.Stamp(0); len(stream) >= 14; stream = stream[14:] {
			frame := capture.Frame{Time: now, Flags: flags, Len: stream[4] & 0x0F}
			frame.ID = uint32(stream[0])<<24 | uint32(stream[1])<<16 | uint32(stream[2])<<8 | uint32(stream[3])
			copy(frame.Data[:8], stream[5:13])
			b.Frames = append(b.Frames, frame)
			now += (capture.Stamp(stream[13]) - 20) * 3e6
		}
		var out decode.Output
		if err := p.Push(&b, &out); err != nil {
			t.Fatal(err)
		}
		p.Finish(&out)
		for _, s := range out.Samples {
			if s.Value != s.Value {
				t.Fatalf("%s is not a number", p.Table().Signals[s.Signal].Name)
			}
		}
		if err := decode.WriteEvents(new(bytes.Buffer), out.Events); err != nil {
			t.Fatal(err)
		}
	})
}

// What people ask for while driving comes to the same as when the recording is
// decoded with it from the start, though the chain has not kept, until then, what
// only procedures read.
func TestAskedWhileDrivingOrBefore(t *testing.T) {
	f, traffic := drive(t, 40*time.Second)
	var asks []decode.Event
	for _, a := range []struct {
		at   capture.Stamp
		name string
		what string
	}{
		{3_333_333_333, "warm_up", procedure.Begin}, {12_000_000_000, "warm_up", procedure.Stop}, {12_020_000_000, "relearn_drive", procedure.Begin},
		{20_000_000_000, "relearn_drive", procedure.Stop}, {20_000_000_001, "stall_test", procedure.Begin}, {20_150_000_000, "warm_up", procedure.Begin},
	} {
		asks = append(asks, procedure.Request{Procedure: a.name, Action: a.what}.Event(a.at))
	}
	told := func(before bool) string {
		p, err := New(f, Options{})
		if err != nil {
			t.Fatal(err)
		}
		rest := asks
		var out decode.Output
		for i := range traffic.Frames {
			for len(rest) > 0 && (before || rest[0].Time <= traffic.Frames[i].Time) {
				p.Inject(rest[0])
				rest = rest[1:]
			}
			if err := p.Push(&capture.Batch{Channels: traffic.Channels, Frames: traffic.Frames[i : i+1]}, &out); err != nil {
				t.Fatal(err)
			}
			if i%50 == 0 {
				p.Procedures() // looking changes nothing
			}
			out.Samples = out.Samples[:0]
		}
		p.Finish(&out)
		var text strings.Builder
		for _, e := range out.Events {
			if e.Kind == decode.KindProcedure || e.Kind == decode.KindStep {
				line, err := json.Marshal(e)
				if err != nil {
					t.Fatal(err)
				}
				text.Write(append(line, '\n'))
			}
		}
		return text.String()
	}
	live, offline := told(false), told(true)
	if live != offline {
		t.Errorf("asked while driving:\n%s\nasked before:\n%s", live, offline)
	}
	for _, want := range []string{`"state":"begun"`, `"verdict":"stopped"`, `"verdict":"not done"`, `"state":"refused"`} {
		if !strings.Contains(live, want) {
			t.Errorf("nothing told with %s:\n%s", want, live)
		}
	}
}
