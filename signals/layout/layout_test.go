package layout

import (
	"flag"
	"os"
	"strings"
	"testing"

	"gearwitness/signals"
)

var update = flag.Bool("update", false, "write the pictures that the test compares with")

func parse(t *testing.T, text string) *signals.File {
	t.Helper()
	f, list := signals.Parse("test.yaml", []byte(text), nil)
	if f == nil {
		t.Fatal(list)
	}
	return f
}

// The bits of each picture were checked by hand against the notation: Little
// grows from its start towards higher bits and bytes, Big falls from its start
// towards lower bits and higher bytes.
func TestPictureByHand(t *testing.T) {
	f := parse(t, `
format: 1
frames:
  one:
    id: 0x10
    length: 4
    counter: {start: 4.5, bits: 4}
    signals:
      page: {start: 1.1, bits: 2}
      low: {start: 1.5, bits: 6, when: {page: 0}}
      high: {start: 1.8, bits: 6, order: big, when: {page: 1..3}, resolution: 0.5, offset: -40, unit: °C, range: [-40, -10]}
`)
	want := `one  0x010, 4 bytes
when page = 0
  byte    8    7    6    5    4    3    2    1
     1   b3   b2   b1   b0    .    .   a1   a0
     2    .    .    .    .    .    .   b5   b4
     3    .    .    .    .    .    .    .    .
     4   #3   #2   #1   #0    .    .    .    .
  a  page     2 bits from 1.1
  b  low      6 bits from 1.5
  #  counter  4 bits from 4.5
when page = 1 to 3
  byte    8    7    6    5    4    3    2    1
     1   b5   b4   b3   b2   b1   b0   a1   a0
     2    .    .    .    .    .    .    .    .
     3    .    .    .    .    .    .    .    .
     4   #3   #2   #1   #0    .    .    .    .
  a  page     2 bits from 1.1
  b  high     6 bits from 1.8, big; 0.5 °C a step from -40; -40 to -10 °C
  #  counter  4 bits from 4.5
`
	if got := File(f); got != want {
		t.Errorf("got:\n%s\nwant:\n%s", got, want)
	}
}

func TestVan(t *testing.T) {
	f := parse(t, string(signals.Van()))
	got := File(f)
	if *update {
		if err := os.WriteFile("testdata/van.txt", []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile("testdata/van.txt")
	if err != nil {
		t.Fatal(err)
	}
	if got != string(want) {
		t.Errorf("got:\n%s", got)
	}
	for _, e := range f.Frames {
		for _, s := range e.V.Signals {
			if !strings.Contains(got, s.Name) {
				t.Errorf("%s is not drawn", s.Name)
			}
		}
	}
}

func TestRequestsAndLongGroups(t *testing.T) {
	got := File(parse(t, `
format: 1
frames:
  long: {pgn: 65251, source: 0, length: 34, signals: {torque: {start: 20.1, bits: 16, unit: N·m}}}
requests:
  speed: {service: 01, item: 0x0C, signals: {obd_speed: {start: 1.8, bits: 16, order: big, resolution: 0.25, unit: rpm}}}
`))
	for _, want := range []string{
		"long  group 65251 from 0, 34 bytes\n",
		"     1    .    .    .    .    .    .    .    .\n     :\n    20   a7   a6",
		"    22    .    .    .    .    .    .    .    .\n     :\n  a  torque  16 bits from 20.1; 1 N·m a step\n",
		"speed  answer to 01 0C, 2 bytes\n",
		"     1  a15  a14",
	} {
		if !strings.Contains(got, want) {
			t.Errorf("no %q in\n%s", want, got)
		}
	}
}
