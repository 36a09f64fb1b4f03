package van

import (
	"bytes"
	"encoding/hex"
	"fmt"
	"io"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"gearwitness/capture"
	"gearwitness/capture/archive"
	"gearwitness/capture/slcan"
	"gearwitness/decode/diagnosis"
	"gearwitness/decode/isotp"
)

// tester asks the van by hand: it writes the lines of a serial adapter, reads
// what comes, and puts the answers together.
type tester struct {
	t      testing.TB
	a      *Adapter
	dec    slcan.Decoder
	now    capture.Stamp
	frames []capture.Frame // all that came since the last question
	mute   bool            // no flow control is sent
}

func newTester(t testing.TB, o Options) *tester {
	t.Helper()
	a, err := NewAdapter(o, vehicle(t), nil)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { a.Close() })
	x := &tester{t: t, a: a}
	x.write("S6\rO\r")
	return x
}

func (x *tester) write(s string) {
	x.t.Helper()
	if _, err := io.WriteString(x.a, s); err != nil {
		x.t.Fatal(err)
	}
}

func (x *tester) send(id uint32, data ...byte) {
	f := capture.Frame{ID: id, Len: 8}
	copy(f.Data[:], data)
	x.write(string(slcan.AppendFrame(nil, &f, slcan.NoStamp)))
}

// run lets the van drive on for d and returns the answers as "7E8 410C1AF8".
func (x *tester) run(d time.Duration) (answers []string) {
	x.t.Helper()
	x.frames = nil
	units := map[uint32]*isotp.Receiver{0x7E8: {}, 0x7E9: {}}
	buf := make([]byte, 256)
	for end := x.now.Add(d); x.now < end; {
		n, err := x.a.Read(buf)
		if err != nil {
			x.t.Fatal(err)
		}
		x.dec.Push(buf[:n])
		var e slcan.Event
		var f capture.Frame
		for x.dec.Next(&e, &f) {
			if e.Kind == slcan.NAK {
				answers = append(answers, "refused")
			}
			if e.Kind != slcan.Frame {
				continue
			}
			x.now = x.a.Now()
			f.Time = x.now
			x.frames = append(x.frames, f)
			unit := units[f.ID]
			if unit == nil {
				continue
			}
			if f.Len != 8 {
				x.t.Errorf("an answer of %d bytes; ISO 15765-4 asks for 8", f.Len)
			}
			message, fault := unit.Frame(x.now, f.Data[:f.Len])
			if fault != isotp.NoFault {
				x.t.Errorf("%X % x: %v", f.ID, f.Payload(), fault)
			}
			if message != nil {
				answers = append(answers, fmt.Sprintf("%X %s", f.ID, strings.ToUpper(hex.EncodeToString(message))))
			} else if unit.Open() && f.Data[0]>>4 == 1 && !x.mute {
				x.send(f.ID-8, 0x30, 0, 0)
			}
		}
	}
	return answers
}

// ask sends a request of one frame and returns what is answered within d.
func (x *tester) ask(d time.Duration, id uint32, payload ...byte) []string {
	x.t.Helper()
	x.send(id, append([]byte{byte(len(payload))}, payload...)...)
	return x.run(d)
}

func (x *tester) want(got []string, want ...string) {
	x.t.Helper()
	if !slices.Equal(got, want) {
		x.t.Errorf("answers\n%s\nwant\n%s", strings.Join(got, "\n"), strings.Join(want, "\n"))
	}
}

const soon = 50 * time.Millisecond // P2 of ISO 15765-4

func TestVehicleNumber(t *testing.T) {
	x := newTester(t, DefaultOptions())
	got := x.ask(soon, 0x7DF, 0x09, 0x02)
	x.want(got, "7E8 490201"+strings.ToUpper(hex.EncodeToString([]byte(vin))))
	// The exchange of ISO 15765-2: first frame, flow control of ours, the rest.
	var heads []string
	for _, f := range x.frames {
		if f.ID == 0x7E8 {
			heads = append(heads, fmt.Sprintf("%X", f.Data[:2]))
		}
	}
	if want := []string{"1014", "21" + fmt.Sprintf("%X", vin[3]), "22" + fmt.Sprintf("%X", vin[10])}; !slices.Equal(heads, want) {
		t.Errorf("frames begin with %v, want %v", heads, want)
	}
	// 49 CFR 565.15: the check digit of an invented number holds all the same.
	if v := archive.CheckVIN(vin); !v.Matches {
		t.Errorf("%s: %+v", vin, v)
	}
	x.want(x.ask(soon, 0x7E1, 0x22, 0xF1, 0x90), "7E9 62F190"+strings.ToUpper(hex.EncodeToString([]byte(vin))))
	x.want(x.ask(soon, 0x7DF, 0x09, 0x0A),
		"7E8 490A01"+fmt.Sprintf("%X", unitNames[engineUnit]), "7E9 490A01"+fmt.Sprintf("%X", unitNames[gearboxUnit]))
}

// TestNoFlowControl: without it the rest never comes, and the unit is free again
// after the standard's second.
func TestNoFlowControl(t *testing.T) {
	x := newTester(t, DefaultOptions())
	x.mute = true
	x.want(x.ask(500*time.Millisecond, 0x7E0, 0x09, 0x02))
	x.want(x.ask(400*time.Millisecond, 0x7E0, 0x01, 0x0D))
	x.run(200 * time.Millisecond)
	x.want(x.ask(soon, 0x7E0, 0x01, 0x0D), "7E8 410D00")
}

// TestParameters asks for every parameter the units say they have, and reads the
// answers with the tables of SAE J1979 that the decoder uses.
func TestParameters(t *testing.T) {
	x := newTester(t, DefaultOptions())
	have := map[string][]byte{}
	for bank := 0; bank <= 0xA0; bank += 0x20 {
		for _, answer := range x.ask(soon, 0x7DF, 0x01, byte(bank)) {
			unit, text, _ := strings.Cut(answer, " ")
			payload, _ := hex.DecodeString(text)
			items, ok := diagnosis.Supported(payload)
			if !ok {
				t.Errorf("%s is no list of parameters", answer)
			}
			have[unit] = append(have[unit], items...)
		}
	}
	for number, id := range []string{"7E8", "7E9"} {
		var want []byte
		for _, p := range parameters {
			if p.unit == number {
				want = append(want, p.item)
			}
		}
		for bank := byte(0x20); bank <= 0xA0; bank += 0x20 {
			want = append(want, bank)
		}
		slices.Sort(want)
		slices.Sort(have[id])
		if !bytes.Equal(have[id], want) {
			t.Errorf("unit %s says it has % X, want % X", id, have[id], want)
		}
		for _, item := range have[id] {
			answers := x.ask(soon, uint32(toUnit+number), 0x01, item)
			if len(answers) != 1 {
				t.Errorf("unit %s, parameter %02X: answers %v", id, item, answers)
				continue
			}
			payload, _ := hex.DecodeString(answers[0][4:])
			if list, ok := diagnosis.Records(payload); !ok || len(list) != 1 || list[0].Item != item {
				t.Errorf("unit %s, parameter %02X: %s is no answer", id, item, answers[0])
			}
		}
	}
	x.want(x.ask(soon, 0x7DF, 0x01, 0x11)) // nobody has it: silence
	x.want(x.ask(soon, 0x7E0, 0x01, 0x11))

	// Six at once, and figures like those in the van's own frames.
	answers := x.ask(soon, 0x7DF, 0x01, 0x0C, 0x05, 0x0D, 0x46, 0x63, 0xA6)
	if len(answers) != 1 {
		t.Fatalf("answers %v", answers)
	}
	payload, _ := hex.DecodeString(answers[0][4:])
	list, ok := diagnosis.Records(payload)
	if !ok || len(list) != 6 {
		t.Fatalf("%s: %v", answers[0], list)
	}
	number := func(b []byte) (v float64) {
		for _, c := range b {
			v = 256*v + float64(c)
		}
		return v
	}
	for i, want := range []struct{ value, scale, offset, within float64 }{
		{790, 0.25, 0, 60}, {75, 1, -40, 1}, {0, 1, 0, 0}, {15, 1, -40, 0}, {400, 1, 0, 0}, {48_211.3, 0.1, 0, 0.1},
	} {
		if v := number(list[i].Data)*want.scale + want.offset; math.Abs(v-want.value) > want.within {
			t.Errorf("parameter %02X is %g, want %g within %g", list[i].Item, v, want.value, want.within)
		}
	}
}

// TestTroubleCodes switches a fault on and watches it be noted, then stored.
func TestTroubleCodes(t *testing.T) {
	o := DefaultOptions()
	for _, f := range []string{"lock-up-clutch-slips@1s", "drum-brake-fills-late@2s=100", "lock-up-clutch-shudders"} {
		in, err := ParseFault(f)
		if err != nil {
			t.Fatal(err)
		}
		o.Faults = append(o.Faults, in)
	}
	x := newTester(t, o)
	x.want(x.ask(soon, 0x7DF, 0x03), "7E8 4300", "7E9 4300")
	x.run(1500 * time.Millisecond)
	x.want(x.ask(soon, 0x7DF, 0x07), "7E8 4700", "7E9 4700")
	x.want(x.ask(soon, 0x7E1, 0x19, 0x02, 0x01), "7E9 59028D07410001") // failed now, not yet pending
	x.run(4 * time.Second)
	x.want(x.ask(soon, 0x7DF, 0x07), "7E8 4700", "7E9 470207412703")
	x.want(x.ask(soon, 0x7DF, 0x03), "7E8 4300", "7E9 4300")
	x.want(x.ask(soon, 0x7E0, 0x02, 0x02, 0), "7E8 4202000000")
	x.run(20 * time.Second)
	x.want(x.ask(soon, 0x7DF, 0x03), "7E8 43010700", "7E9 430207412703")
	x.want(x.ask(soon, 0x7DF, 0x0A), "7E8 4A010700", "7E9 4A0207412703")
	x.want(x.ask(soon, 0x7E0, 0x01, 0x01), "7E8 410181000000")
	x.want(x.ask(soon, 0x7E1, 0x19, 0x01, 0x08), "7E9 59018D010002")
	x.want(x.ask(soon, 0x7E0, 0x02, 0x02, 0), "7E8 4202000741")
	frozen := x.ask(soon, 0x7E0, 0x02, 0x0C, 0)

	got := x.ask(soon, 0x7E1, 0x19, 0x02, 0xFF)
	if len(got) != 1 {
		t.Fatalf("answers %v", got)
	}
	payload, _ := hex.DecodeString(got[0][4:])
	_, _, list, ok := diagnosis.Faults(payload)
	if !ok || len(list) != 2 || list[0].Text != "P0741-00" || list[1].Text != "P2703-00" || list[0].Status.String() != "failed now, pending, confirmed, warning lamp" {
		t.Errorf("read as %+v", list)
	}
	x.run(time.Second)
	x.want(x.ask(soon, 0x7E0, 0x02, 0x0C, 0), frozen...)

	// Fill times: worked out when asked, so the unit asks for patience first. The
	// fourth element is the drum brake, 24 s after it began to fill late.
	got = x.ask(time.Second, 0x7E1, 0x22, 0x20, 0x10)
	if len(got) != 2 || got[0] != "7E9 7F2278" || !strings.HasPrefix(got[1], "7E9 622010800080008000") {
		t.Fatalf("answers %v", got)
	}
	late := 100 * (1 - math.Exp(-25.5/60))
	payload, _ = hex.DecodeString(got[1][4:])
	if v := float64(int(payload[9])<<8|int(payload[10])) - 32768; math.Abs(v-late) > 3 {
		t.Errorf("learned %g ms, want %g", v, late)
	}
}

func TestEveryFaultHasACodeOrAReason(t *testing.T) {
	silent := map[faultKind]bool{coolerRestricted: true, lockupShudders: true, statorSlips: true, engineWeak: true}
	for i := range catalogue {
		f := &catalogue[i]
		_, code := codeOf(f)
		if silent[f.kind] != (code == 0) {
			t.Errorf("%s has code %04X", f.Name, code)
		}
		if code != 0 && diagnosis.Code(code).Text()[0] != 'P' {
			t.Errorf("%s has code %s, none of the powertrain", f.Name, diagnosis.Code(code).Text())
		}
	}
}

func TestRefusals(t *testing.T) {
	x := newTester(t, DefaultOptions())
	for _, service := range []byte{0x04, 0x08, 0x10, 0x11, 0x14, 0x27, 0x2E, 0x2F, 0x31, 0x34, 0x3D, 0x3E, 0x85} {
		x.want(x.ask(soon, 0x7E1, service, 0, 0), fmt.Sprintf("7E9 7F%02X11", service))
	}
	x.want(x.ask(soon, 0x7DF, 0x04)) // together with others, a unit is silent
	x.want(x.ask(soon, 0x7E1, 0x22, 0x12, 0x34), "7E9 7F2231")
	x.want(x.ask(soon, 0x7E0, 0x22, 0x20, 0x01), "7E8 7F2231")
	x.want(x.ask(soon, 0x7E1, 0x22, 0x12), "7E9 7F2213")
	x.want(x.ask(soon, 0x7E1, 0x03, 0x12), "7E9 7F0313")
	x.want(x.ask(soon, 0x7E1, 0x19), "7E9 7F1913")
	x.want(x.ask(soon, 0x7E1, 0x19, 0x0F), "7E9 7F1912")
	x.want(x.ask(soon, 0x7E1, 0x19, 0x02), "7E9 7F1913")
	x.want(x.ask(soon, 0x7DF, 0x22, 0x12, 0x34))
	x.want(x.ask(soon, 0x7E2, 0x01, 0x0C))
	x.want(x.ask(soon, 0x7E0, 0x02, 0x0C, 1))

	// What is no request at all.
	x.send(0x7DF, 0x10, 0x14, 0x22)
	x.send(0x7DF, 0x21, 1, 2)
	x.send(0x7E0, 0x30, 0, 0)
	x.send(0x7DF, 0xF0)
	x.send(0x7DF)
	x.want(x.run(2 * time.Second))
}

// TestPressureStandsStillOnly: one read is refused while the van moves.
func TestPressureStandsStillOnly(t *testing.T) {
	o := DefaultOptions()
	x := newTester(t, o)
	answers := map[string]bool{}
	for range 120 {
		for _, a := range x.ask(500*time.Millisecond, 0x7E1, 0x22, 0x20, 0x30) {
			answers[a[:10]] = true
		}
	}
	if !answers["7E9 622030"] || !answers["7E9 7F2222"] || len(answers) != 2 {
		t.Errorf("answers begin with %v, want figures at rest and a refusal on the move", answers)
	}
}

// TestAskedTooMuch: questions come faster than answers; the unit says that it is
// busy and forgets nothing it has promised.
func TestAskedTooMuch(t *testing.T) {
	x := newTester(t, DefaultOptions())
	for range maxTaken + 4 {
		x.send(0x7E1, 3, 0x22, 0x20, 0x10)
	}
	got := x.run(2 * time.Second)
	count := map[string]int{}
	for _, a := range got {
		count[a[:min(10, len(a))]]++
	}
	if count["refused"] != 4 || count["7E9 622010"] != maxReplies/2 || count["7E9 7F2221"] == 0 {
		t.Errorf("answers %v", count)
	}
}

// TestListensOnlyAfterL: nothing is taken for the bus unless opened with O.
func TestListensOnlyAfterL(t *testing.T) {
	a, err := NewAdapter(DefaultOptions(), vehicle(t), nil)
	if err != nil {
		t.Fatal(err)
	}
	defer a.Close()
	buf := make([]byte, 64)
	for _, c := range []struct{ say, answer string }{
		{"S6\r", "\r"}, {"t7DF102\r", "\a"}, {"L\r", "\r"}, {"t7DF102\r", "\a"}, {"T18DB33F1102\r", "\a"}, {"r7DF0\r", "\a"}, {"O\r", "\a"},
		{"C\r", "\r"}, {"O\r", "\r"}, {"t7DF102\r", "z\r"}, {"T18DB33F1102\r", "Z\r"}, {"r7DF0\r", "\a"}, {"t7DF9\r", "\a"}, {"t8001AA\r", "\a"}, {"t7DF1020000\r", "\a"},
		{"C\r", "\r"}, {"L\r", "\r"}, {"t7DF102\r", "\a"}, {"C\r", "\r"}, {"S5\r", "\r"}, {"O\r", "\r"}, {"t7DF102\r", "\a"},
	} {
		if _, err := io.WriteString(a, c.say); err != nil {
			t.Fatal(err)
		}
		n, err := a.Read(buf)
		if err != nil || string(buf[:n]) != c.answer {
			t.Errorf("%q is answered by %q, %v; want %q", c.say, buf[:n], err, c.answer)
		}
	}
}

// TestAskingChangesNothing compares the van's own frames with and without
// questions in between: the same data in the same order, whoever asks.
func TestAskingChangesNothing(t *testing.T) {
	own := func(ask bool) map[uint32][]byte {
		x := newTester(t, DefaultOptions())
		out := map[uint32][]byte{}
		for range 40 {
			if ask {
				x.ask(500*time.Millisecond, 0x7DF, 0x01, 0x0C, 0x05)
				x.send(0x7E1, 3, 0x22, 0x20, 0x10)
			} else {
				x.run(500 * time.Millisecond)
			}
			for _, f := range x.frames {
				out[f.ID] = append(out[f.ID], f.Payload()...)
			}
		}
		return out
	}
	silent, asked := own(false), own(true)
	for id, want := range silent {
		got := asked[id]
		n := min(len(got), len(want))
		if n < len(want)-64 || !bytes.Equal(got[:n], want[:n]) {
			t.Errorf("frame %X differs when the van is asked", id)
		}
	}
}

// FuzzTester throws anything at an adapter that takes frames.
func FuzzTester(f *testing.F) {
	f.Add([]byte("t7DF8020902000000000000\rt7E03300000\r"))
	f.Add([]byte("t7E18032220100000000\rC\rO\rT18DB33F1102\r"))
	file := vehicle(f)
	f.Fuzz(func(t *testing.T, in []byte) {
		a, err := NewAdapter(Options{For: 2 * time.Second}, file, nil)
		if err != nil {
			t.Fatal(err)
		}
		defer a.Close()
		io.WriteString(a, "S6\rO\r")
		a.Write(in)
		io.WriteString(a, "C\rS6\rO\r")
		a.Write(in)
		buf := make([]byte, 4096)
		for range 3000 {
			if _, err := a.Read(buf); err != nil {
				return
			}
			for i := range a.units.list {
				if n := len(a.units.list[i].replies); n > 2*maxReplies {
					t.Fatalf("a unit has %d answers in hand", n)
				}
			}
		}
	})
}
