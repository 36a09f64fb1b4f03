package decode

import (
	"testing"

	"gearwitness/capture"
	"gearwitness/signals"
)

func TestDescribe(t *testing.T) {
	const text = `format: 1
vehicle: {title: t}
buses: {a: {}, b: {}}
frames:
  one:
    bus: a
    id: 0x123
    length: 4
    counter: {start: 4.1, bits: 4}
    checksum: {kind: xor, byte: 3}
    signals:
      low: {start: 1.3, bits: 4}
      page: {start: 2.1, bits: 2}
      high: {start: 2.8, bits: 3, order: big, when: {page: 1}}
  group: {bus: b, pgn: 61444, signals: {rpm: {start: 4.1, bits: 16}}}
requests:
  asked: {bus: a, service: 1, item: 0x0C, to: 0x7E0, every: 1 s, signals: {x: {start: 1.1, bits: 16}}}
`
	f, problems := signals.Parse("t.yaml", []byte(text), nil)
	if f == nil {
		t.Fatal(problems)
	}
	plan, err := Compile(f)
	if err != nil {
		t.Fatal(err)
	}
	a, b := capture.Channel{Name: "a"}, capture.Channel{Name: "b"}
	whole := [4]byte{0xFF, 0xFF, 0xFF, 0xFF}
	for _, c := range []struct {
		on       capture.Channel
		id       uint32
		extended bool
		name     string
		frame    int
		mask     [4]byte
	}{
		{a, 0x123, false, "one", 0, [4]byte{0x3C, 0xE3, 0xFF, 0x0F}},
		{a, 0x123, true, "", -1, [4]byte{}},
		{a, 0x124, false, "", -1, [4]byte{}},
		{b, 0x123, false, "", -1, [4]byte{}},
		{capture.Channel{Name: "elsewhere"}, 0x123, false, "", -1, [4]byte{}},
		{capture.Channel{Name: "a", Kind: capture.Text}, 0x123, false, "", -1, [4]byte{}},
		{b, 0x0CF00400, true, "group", 1, [4]byte{0, 0, 0, 0xFF}}, // SAE J1939-71: EEC1 of the engine
		{b, 0x0CF00427, true, "group", 1, [4]byte{0, 0, 0, 0xFF}}, // of somebody else
		{b, 0x18ECFF00, true, "messages of several packets", -1, whole},
		{b, 0x18EBFF00, true, "messages of several packets", -1, whole},
		{b, 0x18FECA00, true, "active faults", -1, whole},
		{b, 0x18FEF100, true, "", -1, [4]byte{}},
		{a, 0x18ECFF00, true, "", -1, [4]byte{}}, // no SAE J1939 there
		{a, 0x7E8, false, "asked", -1, whole},
	} {
		d := plan.Describe(c.on, c.id, c.extended)
		if d.Name != c.name || d.Frame != c.frame || [4]byte(d.Mask[:4]) != c.mask {
			t.Errorf("%X on %s: got %q, frame %d, mask %X; want %q, %d, %X", c.id, c.on.Name, d.Name, d.Frame, d.Mask[:4], c.name, c.frame, c.mask)
		}
	}
}
