package pipeline

import (
	"context"
	"errors"
	"fmt"
	"io"
	"testing"

	"gearwitness/capture"
	"gearwitness/capture/pcapng"
	"gearwitness/capture/testneed"
	"gearwitness/decode"
	"gearwitness/signals"
)

// recording returns the truck's recorded traffic, which is kept outside the
// project (open data, MIT licence).
func recording(t testing.TB) string {
	t.Helper()
	return testneed.Truck(t)
}

func truckFile(t testing.TB) *signals.File {
	t.Helper()
	f, found := signals.Parse("truck.yaml", signals.Truck(), nil)
	if f == nil {
		t.Fatal(found)
	}
	return f
}

// all reads a capture file as one batch.
func all(t testing.TB, path string) *capture.Batch {
	t.Helper()
	r, err := pcapng.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	var b capture.Batch
	for {
		switch err := r.Next(context.Background(), &b); {
		case errors.Is(err, io.EOF):
			return &b
		case err != nil:
			t.Fatal(err)
		}
	}
}

// A recorded drive of a truck that speaks SAE J1939: after a forged address
// claim its engine controller falls silent at 15.498 s, while the gearbox goes
// on (the recording's own description).
func TestTruckDrive(t *testing.T) {
	b := all(t, recording(t))
	if len(b.Frames) != 15723 {
		t.Fatalf("%d frames", len(b.Frames))
	}
	p, err := New(truckFile(t), Options{})
	if err != nil {
		t.Fatal(err)
	}
	var out decode.Output
	if err := p.Push(b, &out); err != nil {
		t.Fatal(err)
	}
	now := p.Now()
	p.Finish(&out)
	table := p.Table()

	// By SAE J1939-71, from memory: no number above FAFF raw, so no shaft or
	// engine speed above 8031.875 rpm, no temperature above 1735 °C, no 8-bit
	// temperature above 210 °C; error and not available are words.
	highest := map[string]float64{
		"engine_speed": 8031.875, "output_shaft_speed": 8031.875, "input_shaft_speed": 8031.875, "coolant_temperature": 210,
		"transmission_oil_temperature": 1735, "accelerator_pedal": 100, "wheel_based_speed": 250.99609375,
	}
	valid := make(map[string]int)
	last := make(map[string]capture.Stamp)
	view := decode.NewView(table)
	for _, s := range out.Samples {
		view.Put(s)
		name := table.Signals[s.Signal].Name
		if s.Status != decode.Valid {
			continue
		}
		valid[name]++
		last[name] = s.Time
		if most, ok := highest[name]; ok && s.Value > most {
			t.Fatalf("%s = %s at %s s", name, table.Text(s), decode.AppendSeconds(nil, int64(s.Time)))
		}
	}
	for name := range highest {
		if valid[name] == 0 {
			t.Errorf("no value of %s in the whole drive", name)
		}
	}
	// The engine is silent from 15.498 s on; its signals are gone within three
	// of their periods and stay so.
	const silent = capture.Stamp(15_498e6)
	if last["engine_speed"] > silent+1e6 {
		t.Errorf("engine speed at %d ns", last["engine_speed"])
	}
	if _, ok := view.Latest(table.Index("engine_speed"), now); ok {
		t.Error("engine speed is still shown at the end")
	}
	if s, ok := view.Latest(table.Index("output_shaft_speed"), now); !ok || s.Status != decode.Valid {
		t.Error("output shaft speed is not shown at the end")
	}
	stale := ""
	for _, e := range out.Events {
		if s, ok := e.Fields.(decode.Stale); ok && s.Frame == "EEC1" {
			stale += fmt.Sprintf("%s %s; ", s.State, decode.AppendSeconds(nil, int64(e.Time/1e6*1e6)))
			if s.State == "stale" && e.Time > silent && e.Time.Sub(capture.Stamp(s.Since)) != 60e6 {
				t.Errorf("stale %v after the last one", e.Time.Sub(capture.Stamp(s.Since)))
			}
		}
	}
	if stale == "" {
		t.Error("the engine's silence is no event")
	}
	// The configuration comes by the transport protocol: reference torque.
	if valid["reference_torque"] == 0 {
		t.Error("no value of reference_torque, which comes in several packets")
	}
	c := p.Counters()
	if c.Late > 0 || c.Channels[0].Frames == 0 || c.Channels[0].Known == 0 {
		t.Errorf("counted %+v", c.Channels[0])
	}
	t.Logf("EEC1: %s%d samples, %d events, %d of %d frames known", stale, len(out.Samples), len(out.Events), c.Channels[0].Known, c.Channels[0].Frames)
}
