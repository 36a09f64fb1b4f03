package procedure_test

import (
	"context"
	"errors"
	"io"
	"net/url"
	"strings"
	"testing"

	"gearwitness/capture"
	"gearwitness/decode"
	"gearwitness/decode/pipeline"
	"gearwitness/decode/procedure"
	"gearwitness/decode/van"
	"gearwitness/signals"
)

// outcome drives the virtual van with a procedure of its vehicle file, which may
// be changed, and returns how it ended.
func outcome(t *testing.T, query string, r procedure.Request, at capture.Stamp, change func(text string) string) procedure.Change {
	t.Helper()
	text := string(signals.Van())
	if change != nil {
		text = change(text)
	}
	file, list := signals.Parse("van.yaml", []byte(text), nil)
	if err := list.Err(); err != nil {
		t.Fatal(err)
	}
	chain, err := pipeline.New(file, pipeline.Options{})
	if err != nil {
		t.Fatal(err)
	}
	chain.Inject(r.Event(at))
	q, err := url.ParseQuery(query)
	if err != nil {
		t.Fatal(err)
	}
	o, err := van.ParseOptions(q)
	if err != nil {
		t.Fatal(err)
	}
	source, err := van.Open(context.Background(), o, file, nil)
	if err != nil {
		t.Fatal(err)
	}
	defer source.Close()
	var batch capture.Batch
	var out decode.Output
	for {
		batch.Reset()
		out.Reset()
		readErr := source.Next(context.Background(), &batch)
		if err := chain.Push(&batch, &out); err != nil {
			t.Fatal(err)
		}
		if errors.Is(readErr, io.EOF) {
			chain.Finish(&out)
		} else if readErr != nil {
			t.Fatal(readErr)
		}
		for _, e := range out.Events {
			if c, ok := e.Fields.(procedure.Change); ok && (c.State == procedure.Ended || c.State == procedure.Refused) {
				return c
			}
		}
		if readErr != nil {
			t.Fatal("the procedure never ended")
		}
	}
}

// The van's own procedures, done well and done badly. 12.5 % pedal, oil above
// 20 °C, at least four full upshift sequences: common practice, no source. Stall
// near 2500 rpm for 5 s at most: the same.
func TestVan(t *testing.T) {
	wait := func(name string) procedure.Request {
		return procedure.Request{Procedure: name, Action: procedure.Begin, Wait: true}
	}
	now := func(name string) procedure.Request {
		return procedure.Request{Procedure: name, Action: procedure.Begin}
	}
	for _, c := range []struct {
		name, query string
		ask         procedure.Request
		at          capture.Stamp
		change      func(string) string
		verdict     string // empty: refused
		why         []string
	}{
		{"relearn", "drive=relearn&for=10m", wait("relearn_drive"), 0, nil, procedure.Done, nil},
		{"stall", "drive=stall&for=2m", wait("stall_test"), 0, nil, procedure.Done, nil},
		{"warm-up", "drive=town&for=5m&oil=57", wait("warm_up"), 0, nil, procedure.Done, nil},
		{"too much pedal", "drive=shifts&for=150s", wait("relearn_drive"), 0, nil, procedure.NotDone,
			[]string{"0 of 4 sequences counted when the recording ended.", "Gear 1 was left with accelerator pedal at", "expected 10 to 15 %"}},
		{"cold oil", "drive=relearn&for=20s&oil=5&ambient=0", now("relearn_drive"), 10e9, nil, "", []string{"Needed: Oil in the pan above 20 °C."}},
		{"oil never warm", "drive=relearn&for=20s&oil=5&ambient=0", wait("relearn_drive"), 0, nil, procedure.NotDone,
			[]string{"The recording ended before it could begin.", "Needed: Oil in the pan above 20 °C."}},
		{"too few sequences", "drive=relearn&for=4m", wait("relearn_drive"), 0, nil, procedure.NotDone, []string{"2 of 4 sequences counted when the recording ended."}},
		{"too slow", "drive=relearn&for=4m", wait("relearn_drive"), 0,
			func(s string) string { return strings.Replace(s, "within: 20 min", "within: 2 min", 1) }, procedure.NotDone, []string{"1 of 4 sequences counted within 2 min."}},
		{"stall in N", "drive=engagements&for=20s&oil=60", now("stall_test"), 1e9, nil, "", []string{"Needed: Lever in D."}},
		{"stall held too long", "drive=stall&for=2m", wait("stall_test"), 0,
			func(s string) string { return strings.Replace(s, "at_most: 5 s", "at_most: 3 s", 1) }, procedure.Stopped, []string{"Held for longer than 3 s: let go. Then 60 s of rest."}},
		{"pedal down too long", "drive=stall&for=2m", wait("stall_test"), 0,
			func(s string) string { return strings.Replace(s, `min(pedal, "6 s")`, `min(pedal, "3 s")`, 1) }, procedure.Stopped,
			[]string{"Foot off the pedal: that was too long."}},
		{"stall climbs too far", "drive=stall&for=2m", wait("stall_test"), 0,
			func(s string) string { return strings.Replace(s, "engine_speed > 2800", "engine_speed > 2400", 1) }, procedure.Stopped,
			[]string{"Foot off the pedal: engine speed climbs past the stated figure, something slips."}},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			got := outcome(t, "seed=1&"+c.query, c.ask, c.at, c.change)
			if got.Verdict != c.verdict || len(c.why) == 0 && len(got.Why) > 0 {
				t.Fatalf("%q, because %q; want %q", got.Verdict, got.Why, c.verdict)
			}
			for _, want := range c.why {
				if !strings.Contains(strings.Join(got.Why, " "), want) {
					t.Errorf("because %q; want %q in it", got.Why, want)
				}
			}
			switch c.name {
			case "relearn":
				if s := got.Steps[0]; s.Count != 4 || s.Figures[0].Least < 12 || s.Figures[0].Most > 13.2 || *s.OilBegin < 20 {
					t.Errorf("%+v", s)
				}
			case "stall":
				if f := got.Steps[0].Figures[1]; f.Signal != "engine_speed" || f.Most < 2450 || f.Most > 2550 {
					t.Errorf("the engine stalls at %+v; want about 2500 rpm", f)
				}
			}
		})
	}
}
