package isotp

import (
	"bytes"
	"encoding/hex"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"gearwitness/capture"
	"gearwitness/decode/internal/vectortest"
)

const ms = capture.Stamp(time.Millisecond)

func TestParse(t *testing.T) {
	kinds := map[string]Kind{"single": Single, "consecutive": Consecutive, "flow": Flow}
	statuses := map[string]Status{"continue": Continue, "wait": Wait, "overflow": Overflow}
	faults := map[string]Fault{"length": BadLength, "type": BadType}
	for _, v := range vectortest.Load(t, "isotp_frame") {
		var in string
		var want struct {
			Type, Data, Status, Error string
			Length, SN                int
			BlockSize                 uint8 `json:"block_size"`
			STus                      int64 `json:"st_us"`
		}
		v.Decode(t, &in, &want)
		f, fault := Parse(vectortest.Hex(t, in))
		if fault != faults[want.Error] {
			t.Errorf("%s: got %v", v.Name, fault)
			continue
		}
		if want.Error != "" {
			continue
		}
		gap, _ := SeparationTime(f.Separation)
		if f.Kind != kinds[want.Type] || hex.EncodeToString(f.Data) != want.Data || f.Length != want.Length || int(f.Number) != want.SN ||
			f.Status != statuses[want.Status] || f.BlockSize != want.BlockSize || gap.Microseconds() != want.STus {
			t.Errorf("%s: got %+v", v.Name, f)
		}
	}
	for _, v := range vectortest.Load(t, "isotp.fc") {
		var in struct{ Data string }
		var want struct {
			Status       string
			Block, STmin uint8
		}
		v.Decode(t, &in, &want)
		data := vectortest.Hex(t, in.Data)
		f, fault := Parse(data)
		if fault != NoFault || f.Kind != Flow || f.Status != statuses[want.Status] || f.BlockSize != want.Block || f.Separation != want.STmin {
			t.Errorf("%s: got %+v, %v", v.Name, f, fault)
		}
		if back := AppendFlow(nil, f.Status, f.BlockSize, f.Separation); !bytes.Equal(back, data) {
			t.Errorf("%s: written as % x", v.Name, back)
		}
	}
}

func TestSeparationTime(t *testing.T) {
	for _, v := range vectortest.Load(t, "isotp_stmin") {
		var code uint8
		var want int64
		v.Decode(t, &code, &want)
		if got, _ := SeparationTime(code); got.Microseconds() != want {
			t.Errorf("%s: got %v, want %d us", v.Name, got, want)
		}
	}
	for _, v := range vectortest.Load(t, "isotp.stmin") {
		var in struct{ STmin uint8 }
		var want struct {
			Microseconds int64
			Reserved     bool
		}
		v.Decode(t, &in, &want)
		if got, reserved := SeparationTime(in.STmin); got.Microseconds() != want.Microseconds || reserved != want.Reserved {
			t.Errorf("%s: got %v, %v", v.Name, got, reserved)
		}
	}
}

func TestReceiver(t *testing.T) {
	for _, v := range vectortest.Load(t, "isotp_session") {
		var in [][2]string
		var want struct {
			Messages []struct{ From, Payload string }
			Errors   int
		}
		v.Decode(t, &in, &want)
		receivers := make(map[string]*Receiver)
		var got []struct{ From, Payload string }
		faults := 0
		for _, f := range in {
			if f[0] < "7E8" { // not an answer
				continue
			}
			if receivers[f[0]] == nil {
				receivers[f[0]] = new(Receiver)
			}
			message, fault := receivers[f[0]].Frame(0, vectortest.Hex(t, f[1]))
			if message != nil {
				got = append(got, struct{ From, Payload string }{f[0], hex.EncodeToString(message)})
			}
			if fault != NoFault {
				faults++
			}
		}
		if len(got) != len(want.Messages) || faults != want.Errors {
			t.Errorf("%s: got %v and %d faults", v.Name, got, faults)
			continue
		}
		for i := range got {
			if got[i] != want.Messages[i] {
				t.Errorf("%s: got %v", v.Name, got[i])
			}
		}
	}
	classes := map[string]Fault{
		"unexpected-consecutive": Unexpected, "single-length": BadLength, "first-length": BadLength, "unknown-type": BadType,
		"wrong-sequence": OutOfOrder, "sequence": OutOfOrder,
	}
	for _, v := range vectortest.Load(t, "isotp") {
		var in struct{ Frames []string }
		var want struct {
			Messages []struct{ Payload, Bad string }
			Open     bool
		}
		v.Decode(t, &in, &want)
		var r Receiver
		i := 0
		for _, f := range in.Frames {
			message, fault := r.Frame(0, vectortest.Hex(t, f))
			if message == nil && (fault == NoFault || fault == Replaced) {
				continue
			}
			if i >= len(want.Messages) {
				t.Fatalf("%s: too much comes out: % x, %v", v.Name, message, fault)
			}
			w := want.Messages[i]
			i++
			if w.Bad != "" {
				if class, known := classes[w.Bad]; !known || fault != class {
					t.Errorf("%s: got %v, want %s", v.Name, fault, w.Bad)
				}
			} else if got := hex.EncodeToString(message); got != strings.ToLower(w.Payload) {
				t.Errorf("%s: got %s, %v", v.Name, got, fault)
			}
		}
		if i != len(want.Messages) || r.Open() != want.Open {
			t.Errorf("%s: %d of %d came out, open %v", v.Name, i, len(want.Messages), r.Open())
		}
	}
}

func TestReceiverGivesUp(t *testing.T) {
	var r Receiver
	first := []byte{0x10, 0x14, 1, 2, 3, 4, 5, 6}
	r.Frame(0, first)
	if _, fault := r.Frame(1001*ms, []byte{0x21, 7, 8, 9, 10, 11, 12, 13}); fault != TimedOut && fault != Unexpected {
		t.Errorf("a frame after the time-out: %v", fault)
	}
	r.Frame(2000*ms, first)
	if fault := r.Expire(3000 * ms); fault != NoFault {
		t.Errorf("at the time-out: %v", fault)
	}
	if fault := r.Expire(3001 * ms); fault != TimedOut || r.Open() {
		t.Errorf("after the time-out: %v", fault)
	}
	r.Frame(4000*ms, first)
	if _, fault := r.Frame(4000*ms, first); fault != Replaced || !r.Open() {
		t.Errorf("a first frame in place of the rest: %v", fault)
	}
	r.Frame(4000*ms, []byte{0x21, 7, 8, 9, 10, 11, 12, 13})
	if _, fault := r.Frame(4000*ms, []byte{0x21, 7, 8, 9, 10, 11, 12, 13}); fault != OutOfOrder || r.Open() {
		t.Errorf("a repeated frame: %v", fault)
	}
	if _, fault := r.Frame(0, []byte{0x10, 0, 0, 1, 0, 1, 0, 0}); fault != TooLong {
		t.Errorf("a message of 65,537 bytes: %v", fault)
	}
}

func TestSendersThatDoNotObeyFlowControl(t *testing.T) {
	first := []byte{0x10, 40, 1, 2, 3, 4, 5, 6}
	next := func(r *Receiver, now capture.Stamp, n byte) Fault {
		_, fault := r.Frame(now, []byte{0x20 | n, 1, 2, 3, 4, 5, 6, 7})
		return fault
	}
	flow := func(r *Receiver, now capture.Stamp, data ...byte) Fault {
		f, _ := Parse(data)
		return r.Flow(now, f)
	}
	var r Receiver
	if fault := flow(&r, 0, 0x30, 1, 0); fault != NoFault { // of nothing
		t.Errorf("flow control without a message: %v", fault)
	}
	r.Frame(0, first)
	flow(&r, 1*ms, 0x30, 2, 20)
	for i, c := range []struct {
		at   capture.Stamp
		want Fault
	}{
		{2 * ms, NoFault}, // the first of a block may come at once
		{21 * ms, NoFault},
		{60 * ms, Unsteered},  // only two were allowed
		{70 * ms, Unsteered},  // nor this one
		{300 * ms, Unsteered}, // nor the last
	} {
		if got := next(&r, c.at, byte(i+1)); got != c.want {
			t.Errorf("frame %d: %v, want %v", i+1, got, c.want)
		}
	}
	if r.Open() {
		t.Error("the message is not complete, although nothing of it is missing")
	}
	r.Frame(0, first)
	flow(&r, 1*ms, 0x30, 0, 20)
	if a, b := next(&r, 2*ms, 1), next(&r, 10*ms, 2); a != NoFault || b != Unsteered {
		t.Errorf("too soon: %v, %v", a, b)
	}
	r.Frame(0, first)
	flow(&r, 1*ms, 0x31, 0, 0)
	if got := next(&r, 2*ms, 1); got != Unsteered {
		t.Errorf("in spite of wait: %v", got)
	}
	r.Frame(0, first)
	if got := flow(&r, 1*ms, 0x32, 0, 0); got != Refused || r.Open() {
		t.Errorf("overflow: %v", got)
	}
}

// With extended addressing the first data byte is an address, so that a single
// frame holds at most 6 bytes and a first frame begins at 7 (ISO 15765-2).
func TestExtendedAddressing(t *testing.T) {
	strip := func(frame ...byte) []byte { return frame[1:] }
	if f, fault := Parse(strip(0xF1, 6, 1, 2, 3, 4, 5, 6)); fault != NoFault || f.Length != 6 {
		t.Errorf("six bytes: %+v, %v", f, fault)
	}
	if _, fault := Parse(strip(0xF1, 7, 1, 2, 3, 4, 5, 6)); fault != BadLength {
		t.Errorf("seven bytes: %v", fault)
	}
	var r Receiver
	r.Frame(0, strip(0xF1, 0x10, 8, 1, 2, 3, 4, 5))
	if got, fault := r.Frame(0, strip(0xF1, 0x21, 6, 7, 8, 0xAA, 0xAA, 0xAA)); fault != NoFault || !bytes.Equal(got, []byte{1, 2, 3, 4, 5, 6, 7, 8}) {
		t.Errorf("two frames: % x, %v", got, fault)
	}
}

func TestSenderCutsAsPublished(t *testing.T) {
	for _, v := range vectortest.Load(t, "isotp.long") {
		var in struct {
			Length int `json:"payload_length"`
		}
		var want struct {
			Frames              int
			First, Second, Last string
		}
		v.Decode(t, &in, &want)
		message := make([]byte, in.Length)
		for i := range message {
			message[i] = byte(i)
		}
		frames := segment(t, message)
		padded := func(f []byte) string {
			for len(f) < 8 {
				f = append(f, 0x55)
			}
			return strings.ToUpper(hex.EncodeToString(f))
		}
		if len(frames) != want.Frames || padded(frames[0]) != want.First || padded(frames[1]) != want.Second || padded(frames[len(frames)-1]) != want.Last {
			t.Errorf("%s: got %d frames, %s, %s ... %s", v.Name, len(frames), padded(frames[0]), padded(frames[1]), padded(frames[len(frames)-1]))
		}
	}
}

// segment sends a message to a receiver without limits and returns its frames.
func segment(t interface{ Fatal(...any) }, message []byte) [][]byte {
	s := NewSender(message)
	var frames [][]byte
	for now := capture.Stamp(0); ; {
		f := s.Next(now, nil)
		if len(f) == 0 {
			due, more := s.Due()
			if !more {
				break
			}
			now = due
			continue
		}
		frames = append(frames, f)
		if p, _ := Parse(f); p.Kind == First {
			s.Flow(now, Frame{Kind: Flow})
		}
	}
	if _, fault := s.Done(); fault != NoFault {
		t.Fatal(fault)
	}
	return frames
}

func TestSenderObeysFlowControl(t *testing.T) {
	message := make([]byte, 6+7*5)
	s := NewSender(message)
	next := func(now capture.Stamp) byte {
		if f := s.Next(now, nil); len(f) > 0 {
			return f[0]
		}
		return 0
	}
	want := func(now capture.Stamp, w byte) {
		t.Helper()
		if got := next(now); got != w {
			t.Errorf("at %d ms: got %02x, want %02x", now/ms, got, w)
		}
	}
	flow := func(now capture.Stamp, data ...byte) {
		f, _ := Parse(data)
		s.Flow(now, f)
	}
	want(0, 0x10)
	want(1*ms, 0) // waits for flow control
	flow(2*ms, 0x31, 0, 0)
	want(900*ms, 0)
	flow(950*ms, 0x30, 2, 5)
	want(950*ms, 0x21)
	want(954*ms, 0) // 5 ms apart
	want(955*ms, 0x22)
	want(970*ms, 0) // two frames were allowed
	flow(980*ms, 0x30, 0, 0xF5)
	want(980*ms, 0x23)
	want(980*ms+499_999, 0)
	want(980*ms+500_000, 0x24)
	flow(981*ms, 0x32, 0, 0) // not awaited
	want(981*ms, 0x25)
	if over, fault := s.Done(); !over || fault != NoFault {
		t.Errorf("over %v, %v", over, fault)
	}
	if _, more := s.Due(); more {
		t.Error("something is due after the end")
	}

	for _, c := range []struct {
		want Fault
		do   func()
	}{
		{TimedOut, func() { next(1000 * ms) }},
		{Refused, func() { flow(0, 0x32, 0, 0) }},
		{WaitTooLong, func() {
			for range maxWaits + 1 {
				flow(0, 0x31, 0, 0)
			}
		}},
	} {
		s = NewSender(message)
		next(0)
		c.do()
		if over, fault := s.Done(); !over || fault != c.want {
			t.Errorf("over %v, %v; want %v", over, fault, c.want)
		}
	}
}

// The head of a message by its length (ISO 15765-2): a nibble up to 7, 12 bits from 8
// to 4095, 32 bits above.
func TestSenderHeads(t *testing.T) {
	for length, want := range map[int]string{
		1: "01", 7: "07", 8: "1008", 255: "10ff", 256: "1100", 300: "112c", 4095: "1fff", 4096: "100000001000", 65536: "100000010000",
	} {
		message := make([]byte, length)
		got := NewSender(message).Next(0, nil)
		if n := len(want) / 2; hex.EncodeToString(got[:n]) != want || len(got) != min(8, n+length) {
			t.Errorf("%d bytes: % x, want it to begin with %s", length, got, want)
		}
		if back := segment(t, message); len(back) != map[int]int{1: 1, 7: 1, 8: 2, 255: 37, 256: 37, 300: 43, 4095: 586, 4096: 586, 65536: 9363}[length] {
			t.Errorf("%d bytes in %d frames", length, len(back))
		}
	}
}

// A block size of 0 sets no limit (ISO 15765-2).
func TestBlockSizeOfNone(t *testing.T) {
	var r Receiver
	r.Frame(0, []byte{0x10, 6 + 7*20, 1, 2, 3, 4, 5, 6})
	if fault := r.Flow(1*ms, Frame{Kind: Flow}); fault != NoFault {
		t.Fatal(fault)
	}
	for i := range 20 {
		message, fault := r.Frame(2*ms, []byte{0x20 | byte(i+1)&0xF, 1, 2, 3, 4, 5, 6, 7})
		if fault != NoFault || (message != nil) != (i == 19) {
			t.Fatalf("frame %d of 20: %v", i+1, fault)
		}
	}
}

// The other side may ask to wait maxWaits times in a row (N_WFTmax), each of which
// gives it another second (N_Bs); going on in between begins a new row.
func TestSenderWaitsAsOftenAsAllowed(t *testing.T) {
	const second = 1000 * ms
	s := NewSender(make([]byte, 6+7*2))
	s.Next(0, nil)
	now := capture.Stamp(0)
	wait := func() {
		now += second - 1 // the last moment
		if f := s.Next(now, nil); len(f) > 0 {
			t.Fatalf("sends % x while it should wait", f)
		}
		s.Flow(now, Frame{Kind: Flow, Status: Wait})
	}
	for range maxWaits {
		wait()
	}
	if over, fault := s.Done(); over {
		t.Fatalf("after the last wait allowed: over, %v", fault)
	}
	if due, more := s.Due(); due != now+second || !more {
		t.Errorf("gives up at %d ns, %v; want a second after the last wait", due-now, more)
	}
	s.Flow(now, Frame{Kind: Flow, BlockSize: 1})
	if f := s.Next(now, nil); len(f) != 8 || f[0] != 0x21 {
		t.Fatalf("told to go on: % x", f)
	}
	for range maxWaits {
		wait()
	}
	if over, fault := s.Done(); over {
		t.Fatalf("after the last wait allowed in the second block: over, %v", fault)
	}
	wait()
	if over, fault := s.Done(); !over || fault != WaitTooLong {
		t.Errorf("after one wait too many: over %v, %v", over, fault)
	}

	s = NewSender(make([]byte, 20))
	s.Next(5*ms, nil)
	s.Next(5*ms+second-1, nil)
	if over, fault := s.Done(); over {
		t.Errorf("just before its time: over, %v", fault)
	}
	s.Next(5*ms+second, nil)
	if over, fault := s.Done(); !over || fault != TimedOut {
		t.Errorf("a second without flow control: over %v, %v", over, fault)
	}
}

func TestCutAndPutTogetherIsTheIdentity(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		message := rapid.SliceOfN(rapid.Byte(), 1, 4500).Draw(t, "message")
		var r Receiver
		frames := segment(t, message)
		for i, f := range frames {
			for len(f) < 8 {
				f = append(f, 0xAA)
			}
			got, fault := r.Frame(0, f)
			if fault != NoFault || (got != nil) != (i == len(frames)-1) {
				t.Fatalf("frame %d of %d: %v", i+1, len(frames), fault)
			}
			if got != nil && !bytes.Equal(got, message) {
				t.Fatalf("got % x", got)
			}
		}
	})
}

func FuzzReceiver(f *testing.F) {
	f.Add([]byte("\x08\x10\x14\x49\x02\x01\x31\x4d\x38\x08\x21\x47\x44\x4d\x39\x41\x58\x4b"))
	f.Add([]byte("\x09\x00\x05\x01\x02\x03\x04\x05\x00\x00"))
	f.Fuzz(func(t *testing.T, stream []byte) {
		var r Receiver
		for now := capture.Stamp(0); len(stream) > 0; now += 100 * ms {
			n := min(int(stream[0]), len(stream)-1)
			message, _ := r.Frame(now, stream[1:1+n])
			if message != nil && len(message) == 0 || len(message) > MaxMessage {
				t.Fatalf("a message of %d bytes", len(message))
			}
			stream = stream[1+n:]
		}
	})
}
