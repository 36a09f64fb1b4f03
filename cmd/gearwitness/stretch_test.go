package main

import (
	"io"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"gearwitness/capture"
	"gearwitness/decode"
	"gearwitness/decode/pipeline"
	"gearwitness/decode/van"
)

// A stretch decoded anew is what decoding the whole recording gives there, to
// the sample, however many capture files there are.
func TestStretchIsPartOfTheWhole(t *testing.T) {
	recording, _ := recordVan(t, van.Options{Seed: 7, For: 60 * time.Second, Oil: 60, Ambient: 15})
	file, err := demoVehicle()
	if err != nil {
		t.Fatal(err)
	}
	from, to := capture.Stamp(40e9), capture.Stamp(43e9)
	in := func(list []decode.Sample) []decode.Sample {
		return slices.DeleteFunc(slices.Clone(list), func(s decode.Sample) bool { return s.Time < from || s.Time > to })
	}
	source, err := openRecording(recording)
	if err != nil {
		t.Fatal(err)
	}
	defer source.(io.Closer).Close()
	chain, err := pipeline.New(file, pipeline.Options{})
	if err != nil {
		t.Fatal(err)
	}
	var want, got []decode.Sample
	if _, err := decodeAll(t.Context(), source, chain, func(out *decode.Output, _ capture.Stamp) error {
		want = append(want, in(out.Samples)...)
		return nil
	}, func(tally) {}); err != nil {
		t.Fatal(err)
	}
	many := sessionOf(t, t.TempDir(), recording, nil, 100<<10)
	if files, err := filepath.Glob(filepath.Join(many, "data", "capture-*.pcapng")); err != nil || len(files) < 5 {
		t.Fatalf("%d capture files, %v", len(files), err)
	}
	for _, path := range []string{recording, sessionOf(t, t.TempDir(), recording, nil), many} {
		got = got[:0]
		if err := stretchOf(file, path)(t.Context(), from, to, func(list []decode.Sample) { got = append(got, in(list)...) }); err != nil {
			t.Fatal(err)
		}
		if len(want) < 1000 || !slices.Equal(got, want) {
			t.Errorf("%s: %d samples of the stretch, want the %d of the whole recording", path, len(got), len(want))
		}
	}
}
