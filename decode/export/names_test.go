package export

import (
	"encoding/json"
	"os"
	"regexp"
	"testing"

	"gearwitness/decode"
)

// The classic character sets of the Prometheus data model; the published
// cases decide whether they are written down rightly here.
var (
	metricName = regexp.MustCompile(`^[a-zA-Z_:][a-zA-Z0-9_:]*$`)
	labelName  = regexp.MustCompile(`^[a-zA-Z_][a-zA-Z0-9_]*$`)
	labels     = regexp.MustCompile(`([^{,=]+)="`)
)

// TestNamesAndLabels runs the published cases (testdata/names.json, source beside
// each) and holds every name that is written to them.
func TestNamesAndLabels(t *testing.T) {
	raw, err := os.ReadFile("testdata/names.json")
	if err != nil {
		t.Fatal(err)
	}
	var file struct {
		Vectors []struct {
			Kind, Input, Source string
			Expect              any
		}
	}
	if err := json.Unmarshal(raw, &file); err != nil {
		t.Fatal(err)
	}
	if len(file.Vectors) != 11 {
		t.Fatalf("%d cases, want 11", len(file.Vectors))
	}
	for _, v := range file.Vectors {
		var got any
		switch v.Kind {
		case "metric_name":
			got = metricName.MatchString(v.Input)
		case "label_name":
			got = labelName.MatchString(v.Input)
		case "label_escape":
			got = escape(v.Input)
		}
		if got != v.Expect {
			t.Errorf("%s %q: got %v, want %v (%s)", v.Kind, v.Input, got, v.Expect, v.Source)
		}
	}

	for _, f := range families {
		if !metricName.MatchString(f.name) || regexp.MustCompile(":").MatchString(f.name) {
			t.Errorf("metric name %q: colons are for recording rules, other signs are not allowed", f.name)
		}
	}
	for _, in := range []decode.Info{{Name: "speed", Unit: "rpm"}, {Name: "slip.drum brake", Origin: decode.FromAnalysis}} {
		_, text := metricOf{&in}.name()
		found := labels.FindAllStringSubmatch(text, -1)
		if found == nil {
			t.Errorf("signal %s: no label in %s", in.Name, text)
		}
		for _, m := range found {
			if !labelName.MatchString(m[1]) {
				t.Errorf("signal %s: label name %q", in.Name, m[1])
			}
		}
	}
}
