package signals

import (
	"bytes"
	"encoding/json"
	"flag"
	"os"
	"path/filepath"
	"testing"

	"github.com/goccy/go-yaml"
	"github.com/santhosh-tekuri/jsonschema/v6"
)

var update = flag.Bool("update", false, "write the files that the tests compare with")

const schemaFile = "vehicle-file.schema.json"

func TestSchemaFileIsUpToDate(t *testing.T) {
	if *update {
		if err := os.WriteFile(schemaFile, Schema(), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(schemaFile)
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(Schema(), want) {
		t.Errorf("%s differs from the types; run go test ./signals -update", schemaFile)
	}
}

func compileSchema(t *testing.T) *jsonschema.Schema {
	t.Helper()
	doc, err := jsonschema.UnmarshalJSON(bytes.NewReader(Schema()))
	if err != nil {
		t.Fatal(err)
	}
	c := jsonschema.NewCompiler()
	if err := c.AddResource("vehicle.json", doc); err != nil {
		t.Fatal(err)
	}
	s, err := c.Compile("vehicle.json")
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// value reads YAML the way an editor's schema checker sees it: as JSON.
func value(t *testing.T, text []byte) any {
	t.Helper()
	j, err := yaml.YAMLToJSON(text)
	if err != nil {
		t.Fatalf("%v\n%s", err, text)
	}
	v, err := jsonschema.UnmarshalJSON(bytes.NewReader(j))
	if err != nil {
		t.Fatal(err)
	}
	return v
}

// Every file that the reader accepts must pass the schema.
func TestSchemaAcceptsWhatTheReaderAccepts(t *testing.T) {
	s := compileSchema(t)
	texts := map[string][]byte{"van": Van(), "truck": Truck()}
	for _, name := range Libraries() {
		texts[name], _ = Builtin(name)
	}
	cases, _ := filepath.Glob("testdata/spec/*/*.yaml")
	for _, c := range cases {
		text, err := os.ReadFile(c)
		if err != nil {
			t.Fatal(err)
		}
		if f, _ := Parse(c, text, openSpec); f != nil {
			texts[c] = text
			texts[c+" printed"] = f.Text()
		}
	}
	for name, text := range texts {
		if err := s.Validate(value(t, text)); err != nil {
			t.Errorf("%s: %v", name, err)
		}
	}
}

func TestSchemaRefuses(t *testing.T) {
	s := compileSchema(t)
	for name, text := range map[string]string{
		"unknown key":         "format: 1\nfarmes: {}\n",
		"no format":           "vehicle: {title: x}\n",
		"unknown signal key":  "format: 1\nframes: {a: {id: 1, signals: {b: {strat: 1.1}}}}\n",
		"wrong order":         "format: 1\nframes: {a: {id: 1, signals: {b: {order: middle}}}}\n",
		"a text for a number": "format: 1\nframes: {a: {id: 1, signals: {b: {bits: many}}}}\n",
		"period without unit": "format: 1\nframes: {a: {id: 1, every: 10}}\n",
		"bad signal name":     "format: 1\nframes: {a: {id: 1, signals: {b-c: {bits: 8}}}}\n",
		"writing service":     "format: 1\nrequests: {a: {service: 2E00}}\n",
	} {
		if err := s.Validate(value(t, []byte(text))); err == nil {
			t.Errorf("%s: accepted", name)
		}
	}
	if !json.Valid(Schema()) {
		t.Error("no JSON")
	}
}
