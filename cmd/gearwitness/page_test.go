package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"testing"
	"time"

	"gearwitness/capture"
	"gearwitness/capture/pcapng"
	"gearwitness/dashboards"
	"gearwitness/dashboards/webtest"
	"gearwitness/decode/van"
)

// recordVan drives the van as fast as possible and returns a capture file of
// what its adapter delivered, and what really happened.
func recordVan(t *testing.T, o van.Options) (path string, truth []byte) {
	t.Helper()
	file, err := demoVehicle()
	if err != nil {
		t.Fatal(err)
	}
	var truthful bytes.Buffer
	o.Truth = &truthful
	source, err := van.Open(t.Context(), o, file, nil)
	if err != nil {
		t.Fatal(err)
	}
	path = filepath.Join(t.TempDir(), "van.pcapng")
	f, err := os.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	w := pcapng.NewWriter(f, pcapng.Header{})
	var batch capture.Batch
	for err = nil; err == nil; {
		batch.Reset()
		err = source.Next(context.Background(), &batch)
		if e := w.WriteBatch(&batch); e != nil {
			t.Fatal(e)
		}
	}
	if !errors.Is(err, io.EOF) {
		t.Fatal(err)
	}
	if err := errors.Join(w.Close(capture.Stamp(o.For)), f.Close(), source.Close()); err != nil {
		t.Fatal(err)
	}
	return path, truthful.Bytes()
}

// TestPageShowsTheTrueGear looks at the page in a browser while a recorded drive of
// the van is played back, held at moment after moment: the graphs are drawn anew, and
// the large gear is the one that was truly engaged, wherever that has not just changed.
func TestPageShowsTheTrueGear(t *testing.T) {
	ctx := webtest.Browser(t)
	const length = 72 * time.Second
	recording, truth := recordVan(t, van.Options{Seed: 7, For: length, Oil: 60, Ambient: 15})
	type state struct {
		Kind string  `json:"kind"`
		Time float64 `json:"time_s"`
		Gear string  `json:"gear"`
	}
	var states []state
	for d := json.NewDecoder(bytes.NewReader(truth)); ; {
		var s state
		if err := d.Decode(&s); errors.Is(err, io.EOF) {
			break
		} else if err != nil {
			t.Fatal(err)
		}
		if s.Kind == "state" {
			states = append(states, s)
		}
	}
	// steady returns the gear truly engaged from some seconds before until t.
	steady := func(now float64) string {
		gear := ""
		for _, s := range states {
			if s.Time < now-4 || s.Time > now+1 {
				continue
			}
			if gear != "" && s.Gear != gear {
				return ""
			}
			gear = s.Gear
		}
		if gear == "standing" || gear == "between" {
			return "" // the page says these in words
		}
		return gear
	}

	r := start(t, "drive", "--vehicle", "van", "--from", "capture:"+recording, "--no-record")
	webtest.Open(t, ctx, r.page)
	webtest.Until(t, ctx, `document.querySelectorAll('.plot canvas').length > 0`)
	const drawn = `[...document.querySelectorAll('.plot canvas')].map((c) => c.toDataURL()).join()`
	webtest.Eval[any](t, ctx, `window.before = ""; null`)
	seen := map[string]bool{}
	for now := 8.0; now < length.Seconds()-2; now += 4 {
		want := steady(now)
		if want == "" {
			continue
		}
		r.post(t, "POST", "api/v1/playback", fmt.Sprintf(`{"pause": true, "seek_s": %g, "step_s": 3}`, now-3))
		until(t, r, "api/v1/playback", func(s dashboards.PlaybackState) bool { return s.At > now-0.5 && s.At < now+1 })
		webtest.Until(t, ctx, fmt.Sprintf(`document.querySelector('[data-hook="gear"]').textContent === %q`, want))
		webtest.Until(t, ctx, `(() => { const now = `+drawn+`; const moved = now !== window.before; window.before = now; return moved; })()`)
		seen[want] = true
	}
	if len(seen) < 3 {
		t.Errorf("gears compared: %v, want at least three", seen)
	}
}
