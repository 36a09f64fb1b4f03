package slcan

import (
	"bytes"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"gearwitness/capture"
)

// vector is one published expectation; two sets were made independently of each
// other and differ in form.
type vector struct {
	ID     string
	Kind   string
	In     json.RawMessage
	Input  json.RawMessage
	Want   json.RawMessage
	Expect json.RawMessage
	Source string
}

func vectors(t testing.TB) []vector {
	t.Helper()
	text, err := os.ReadFile("testdata/vectors.json")
	if err != nil {
		t.Fatal(err)
	}
	var file struct{ Vectors []vector }
	if err := json.Unmarshal(text, &file); err != nil {
		t.Fatal(err)
	}
	return file.Vectors
}

func get[T any](t *testing.T, raw json.RawMessage) (v T) {
	t.Helper()
	if err := json.Unmarshal(raw, &v); err != nil {
		t.Fatalf("vector %s: %v", raw, err)
	}
	return v
}

// seen is an event and the frame that came with it.
type seen struct {
	Event
	Frame capture.Frame
}

// decode reads input in pieces of at most step bytes.
func decode(input []byte, step int) (events []seen, left string) {
	var d Decoder
	for chunk := range slices.Chunk(input, step) {
		d.Push(chunk)
		for {
			var s seen
			if !d.Next(&s.Event, &s.Frame) {
				break
			}
			s.Line = bytes.Clone(s.Line)
			events = append(events, s)
		}
	}
	return events, string(d.Pending())
}

func TestVectors(t *testing.T) {
	ran := map[string]int{}
	for _, v := range vectors(t) {
		ran[v.Kind]++
		t.Run(v.Kind+"/"+v.ID, func(t *testing.T) {
			switch v.Kind {
			case "slcan_stream":
				want := get[[]map[string]any](t, v.Expect)
				for _, step := range []int{1 << 20, 7, 1} {
					events, _ := decode([]byte(get[string](t, v.Input)), step)
					var got []map[string]any
					for _, e := range events {
						got = append(got, describe(e))
					}
					if !same(got, want) {
						t.Errorf("%q in pieces of %d:\n got %v\nwant %v (%s)", v.Input, step, got, want, v.Source)
					}
				}
			case "slcan.stream":
				want := get[struct {
					Tokens []any
					Left   string
				}](t, v.Want)
				events, left := decode([]byte(get[string](t, v.In)), 1<<20)
				var got []any
				for _, e := range events {
					switch e.Kind {
					case OK:
						got = append(got, "ok")
					case NAK:
						got = append(got, "refused")
					case Frame:
						got = append(got, map[string]any{"frame": frameMore(e)})
					case Bad:
						got = append(got, map[string]any{"bad": reasonMore(e)})
					default:
						got = append(got, fmt.Sprint("kind ", e.Kind))
					}
				}
				if !same(got, want.Tokens) || left != want.Left {
					t.Errorf("%s: got %v, left %q; want %v, left %q", v.In, got, left, want.Tokens, want.Left)
				}
			case "slcan.frame":
				events, _ := decode([]byte(get[string](t, v.In)), 1<<20)
				if got := frameMore(events[0]); events[0].Kind != Frame || !same(got, get[any](t, v.Want)) {
					t.Errorf("%s: got %v, want %s", v.In, got, v.Want)
				}
			case "slcan.reject":
				want := get[struct{ Reject string }](t, v.Want).Reject
				events, _ := decode([]byte(get[string](t, v.In)), 1<<20)
				got := reasonMore(events[0])
				if events[0].Kind == Info {
					got = "not-a-frame" // that set does not tell answers from garbage
				}
				if got != want {
					t.Errorf("%s: got %v, want %v", v.In, got, want)
				}
			case "slcan.state":
				events, _ := decode([]byte(get[string](t, v.In)), 1<<20)
				got := map[string]any{}
				switch e := events[0]; e.Kind {
				case State:
					got["state"], got["rx_errors"], got["tx_errors"] = e.State.String(), e.Rx, e.Tx
				case BusError:
					// That set lists errors in the order of their letters on the line.
					got["errors"] = errorNames(e.Line, "-")
				case Bad:
					got["ignore"] = true
				}
				if !same(got, get[any](t, v.Want)) {
					t.Errorf("%s: got %v, want %s", v.In, got, v.Want)
				}
			case "slcan.status":
				names := map[string]string{"rx_full": "rx-queue-full", "tx_full": "tx-queue-full", "error_warning": "error-warning",
					"error_passive": "error-passive", "arbitration_lost": "arbitration-lost", "bus_error": "bus-error"}
				events, _ := decode([]byte(get[string](t, v.In)), 1<<20)
				got := []string{}
				for _, n := range events[0].Flags.Names() {
					got = append(got, names[n])
				}
				if want := get[struct{ Flags []string }](t, v.Want).Flags; events[0].Kind != Status || !slices.Equal(got, want) {
					t.Errorf("%s: got %v, want %v", v.In, got, want)
				}
			case "slcan_bitrate":
				got, err := RateCode(get[int](t, v.Input))
				want := get[*string](t, v.Expect)
				if want == nil {
					if err == nil {
						t.Errorf("%s bit/s: got %s, want it refused", v.Input, got)
					}
				} else if got+"\r" != *want {
					t.Errorf("%s bit/s: got %q, want %q", v.Input, got, *want)
				}
			case "slcan.bitrate":
				want := get[struct {
					Rate int `json:"bit_per_s"`
				}](t, v.Want).Rate
				if got, ok := RateOf(strings.TrimSuffix(get[string](t, v.In), "\r")); !ok || got != want {
					t.Errorf("%s: got %d, %v, want %d", v.In, got, ok, want)
				}
			case "slcan_unwrap":
				in := get[struct {
					Stamps []string
					Host   []int64 `json:"host_ms"`
				}](t, v.Input)
				var u Unwrapper
				var got []int64
				for i, s := range in.Stamps {
					got = append(got, u.Elapsed(int(hexValue(t, s)), time.Duration(in.Host[i])*time.Millisecond).Milliseconds())
				}
				if want := get[[]int64](t, v.Expect); !slices.Equal(got, want) {
					t.Errorf("%s: got %v, want %v", v.Input, got, want)
				}
			case "slcan.unwrap":
				in := get[struct {
					Pairs [][2]float64 `json:"host_s_and_stamp_ms"`
				}](t, v.In)
				var u Unwrapper
				var got []int64
				for _, p := range in.Pairs {
					got = append(got, u.Elapsed(int(p[1]), time.Duration(p[0]*1e9)).Milliseconds())
				}
				if want := get[struct {
					MS []int64 `json:"elapsed_ms"`
				}](t, v.Want).MS; !slices.Equal(got, want) {
					t.Errorf("%s: got %v, want %v", v.In, got, want)
				}
			case "slcan.encode":
				in := get[struct {
					ID            uint32
					Extended, RTR bool
					Data          string
				}](t, v.In)
				f := capture.Frame{ID: in.ID}
				if in.Extended {
					f.Flags |= capture.Extended
				}
				if in.RTR {
					f.Flags |= capture.Remote
				}
				n, err := hex.Decode(f.Data[:], []byte(in.Data))
				if err != nil {
					t.Fatal(err)
				}
				f.Len = uint8(n)
				if got, want := string(AppendFrame(nil, &f, NoStamp)), get[string](t, v.Want); got != want {
					t.Errorf("%s: got %q, want %q", v.In, got, want)
				}
			case "slcan.open":
				// Run by TestOpenSequence, over a link.
			default:
				t.Errorf("no test for vectors of kind %s", v.Kind)
			}
		})
	}
	if len(ran) < 12 {
		t.Errorf("only %d kinds of vectors in the file", len(ran))
	}
}

func hexValue(t *testing.T, s string) (v uint32) {
	t.Helper()
	if _, err := fmt.Sscanf(s, "%X", &v); err != nil {
		t.Fatal(err)
	}
	return v
}

// same compares two values by what they are in JSON.
func same(a, b any) bool {
	x, err := json.Marshal(a)
	if err != nil {
		panic(err)
	}
	y, err := json.Marshal(b)
	if err != nil {
		panic(err)
	}
	return bytes.Equal(x, y)
}

func errorNames(line []byte, join string) []string {
	names := map[byte]string{'a': "ack", 'b': "bit0", 'B': "bit1", 'c': "crc", 'f': "form",
		'o': "rx" + join + "overrun", 'O': "tx" + join + "overrun", 's': "stuff"}
	var out []string
	for _, c := range line[2:] {
		out = append(out, names[c])
	}
	return out
}

func describe(e seen) map[string]any {
	switch e.Kind {
	case OK:
		return map[string]any{"event": "ok"}
	case NAK:
		return map[string]any{"event": "nak"}
	case Frame:
		m := map[string]any{"event": "frame", "id": e.Frame.ID, "extended": e.Frame.Flags&capture.Extended != 0,
			"rtr": e.Frame.Flags&capture.Remote != 0, "dlc": e.Frame.Len, "data": hex.EncodeToString(e.Frame.Payload()), "stamp_ms": nil}
		if e.StampMS != NoStamp {
			m["stamp_ms"] = e.StampMS
		}
		return m
	case State:
		return map[string]any{"event": "state", "state": e.State.String(), "rx_errors": e.Rx, "tx_errors": e.Tx}
	case BusError:
		return map[string]any{"event": "bus_error", "errors": errorNames(e.Line, "_")}
	case Status:
		return map[string]any{"event": "status", "bits": e.Flags.Names()}
	case Info:
		return map[string]any{"event": "info", "text": string(e.Line)}
	}
	return map[string]any{"event": "bad", "reason": e.Reason.String()}
}

func frameMore(e seen) map[string]any {
	m := map[string]any{"id": e.Frame.ID, "extended": e.Frame.Flags&capture.Extended != 0, "rtr": e.Frame.Flags&capture.Remote != 0,
		"fd": e.Frame.Flags&capture.FD != 0, "brs": e.Frame.Flags&capture.BitRateSwitch != 0, "length": e.Frame.Len,
		"data": strings.ToUpper(hex.EncodeToString(e.Frame.Payload()))}
	if e.StampMS != NoStamp {
		m["timestamp_ms"] = e.StampMS
	}
	return m
}

// reasonMore gives the name that the second set has for a reason; it tells by
// the place of a digit or the kind of a wrong length what ours leaves together.
func reasonMore(e seen) string {
	head := 5
	if len(e.Line) > 0 && (e.Line[0] == 'T' || e.Line[0] == 'R') {
		head = 10
	}
	switch e.Reason {
	case Overlong:
		return "line-too-long"
	case Type:
		return "not-a-frame"
	case IDRange:
		return "id-out-of-range"
	case NotHex:
		if nibble[e.Line[head-1]] > 15 {
			return "bad-length-digit"
		}
		return "bad-id-digit"
	case Length:
		if len(e.Line) < head {
			return "too-short"
		}
		if len(e.Line) < head+2*int(nibble[e.Line[head-1]]) {
			return "data-short"
		}
		return "trailing-characters"
	}
	return e.Reason.String()
}

// TestKernelExamples holds the lines printed in the comments of the kernel
// driver (drivers/net/can/slcan/slcan-core.c) and the error message frames that
// it makes of the last five (class bits of include/uapi/linux/can/error.h).
func TestKernelExamples(t *testing.T) {
	data := func(b ...byte) (d [capture.MaxData]byte) { copy(d[:], b); return d }
	for line, want := range map[string]capture.Frame{
		"t1230":          {ID: 0x123},
		"t4563112233":    {ID: 0x456, Len: 3, Data: data(0x11, 0x22, 0x33)},
		"T12ABCDEF2AA55": {ID: 0x12ABCDEF, Flags: capture.Extended, Len: 2, Data: data(0xAA, 0x55)},
		"r1230":          {ID: 0x123, Flags: capture.Remote},
		"sb256256":       {ID: 0x240, Flags: capture.Error, Len: 8, Data: data(0, 0, 0, 0, 0, 0, 255, 255)},
		"sa057033":       {ID: 0x204, Flags: capture.Error, Len: 8, Data: data(0, 0x40, 0, 0, 0, 0, 33, 57)},
		"e1a":            {ID: 0x0A8, Flags: capture.Error, Len: 8, Data: data(0, 0, 0, 0x19)},
		"e3bcO":          {ID: 0x08C, Flags: capture.Error, Len: 8, Data: data(0, 0x02, 0x08, 0x08)},
		"e1o":            {ID: 0x004, Flags: capture.Error, Len: 8, Data: data(0, 0x01)},
	} {
		events, _ := decode([]byte(line+"\r"), 1<<20)
		if len(events) != 1 || events[0].Kind == Bad || events[0].Frame != want {
			t.Errorf("%s: got %+v, want frame %+v", line, events, want)
		}
	}
}

func TestStampOutOfRangeKeepsTheFrame(t *testing.T) {
	events, _ := decode([]byte("t1001AAEA60\r"), 1<<20)
	if e := events[0]; e.Kind != Bad || e.Reason != StampRange || e.Frame.ID != 0x100 || e.Frame.Len != 1 || e.Frame.Data[0] != 0xAA {
		t.Errorf("got %+v, want the frame 100 [AA] beside the refused stamp", e)
	}
}

// Counters of errors are decimal digits: what lies just below 0 and above 9 in ASCII is
// none, in each of the six places.
func TestErrorCountersAreDigits(t *testing.T) {
	for _, c := range []struct {
		line string
		rx   int
		tx   int
	}{{"sa009123", 9, 123}, {"sp255000", 255, 0}} {
		events, _ := decode([]byte(c.line+"\r"), 1<<20)
		if e := events[0]; e.Kind != State || e.Rx != c.rx || e.Tx != c.tx {
			t.Errorf("%s: got %+v", c.line, e)
		}
		for i := 2; i < len(c.line); i++ {
			for _, wrong := range "/:aA " {
				line := c.line[:i] + string(wrong) + c.line[i+1:]
				events, _ := decode([]byte(line+"\r"), 1<<20)
				if e := events[0]; e.Kind != Bad || e.Reason != Unknown {
					t.Errorf("%q: got %+v", line, e)
				}
			}
		}
	}
	for _, line := range []string{"sa00000", "sa0000000", "sx000000"} {
		if events, _ := decode([]byte(line+"\r"), 1<<20); events[0].Kind != Bad {
			t.Errorf("%q: got %+v", line, events[0])
		}
	}
}

func TestSkip(t *testing.T) {
	var d Decoder
	var e Event
	var f capture.Frame
	d.Push([]byte("t123411"))
	d.Next(&e, &f)
	d.Skip()
	d.Push([]byte("223344\rt1001AA\r"))
	if !d.Next(&e, &f) || e.Kind != Frame || f.ID != 0x100 {
		t.Errorf("after a gap: got %+v, want the first whole line, without a count for the broken one", e)
	}
}

func TestRateError(t *testing.T) {
	_, err := RateCode(83_333)
	if err == nil || !strings.Contains(err.Error(), "83.333 kbit/s") || !strings.Contains(err.Error(), "the nearest is 100 kbit/s") {
		t.Errorf("got %v", err)
	}
	for _, bad := range []string{"", "S", "S9", "S10", "O", "S/"} {
		if r, ok := RateOf(bad); ok {
			t.Errorf("RateOf(%q) = %d", bad, r)
		}
	}
}

// randomFrame gives any frame that has a line.
func randomFrame(r *rand.Rand) (capture.Frame, int) {
	f := capture.Frame{ID: r.Uint32N(1 << 11)}
	if r.IntN(2) == 0 {
		f.Flags, f.ID = capture.Extended, r.Uint32N(1<<29)
	}
	switch r.IntN(5) {
	case 0:
		f.Flags |= capture.Remote
		f.Len = uint8(r.IntN(9))
	case 1:
		f.Flags |= capture.FD
		f.Len = fdLength[r.IntN(16)]
		if r.IntN(2) == 0 {
			f.Flags |= capture.BitRateSwitch
		}
	default:
		f.Len = uint8(r.IntN(9))
	}
	for i := range f.Payload() {
		f.Data[i] = uint8(r.Uint32())
	}
	stamp := NoStamp
	if r.IntN(2) == 0 {
		stamp = r.IntN(60_000)
	}
	return f, stamp
}

func TestRoundTrip(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	for range 20_000 {
		f, stamp := randomFrame(r)
		line := AppendFrame(nil, &f, stamp)
		if r.IntN(4) == 0 {
			line = bytes.ToLower(line[1:])
			line = append(AppendFrame(nil, &f, stamp)[:1], line...)
		}
		events, left := decode(line, 1<<20)
		if len(events) != 1 || events[0].Kind != Frame || events[0].Frame != f || events[0].StampMS != stamp || left != "" {
			t.Fatalf("%q: got %+v, want %+v with stamp %d", line, events, f, stamp)
		}
	}
}

func TestAppendFrame(t *testing.T) {
	f := capture.Frame{ID: 1, Flags: capture.FD, Len: 9}
	if got := string(AppendFrame(nil, &f, 60_001)); got != "d0019"+strings.Repeat("0", 24)+"0001\r" {
		t.Errorf("9 bytes on CAN FD: got %q, want 12 bytes and stamp 0001", got)
	}
	f = capture.Frame{ID: 0x40, Flags: capture.Error, Len: 8}
	if got := AppendFrame(nil, &f, NoStamp); len(got) != 0 {
		t.Errorf("error message frame: got %q, want nothing", got)
	}
}

func FuzzDecoder(f *testing.F) {
	for _, v := range vectors(f) {
		var s string
		if json.Unmarshal(v.Input, &s) == nil || json.Unmarshal(v.In, &s) == nil {
			f.Add([]byte(s))
		}
	}
	f.Add([]byte("t12\x0030\r"))
	f.Add([]byte("t12321122\n0001\rT18FEF10\x07"))
	f.Fuzz(func(t *testing.T, input []byte) {
		// However the bytes are cut, the events are the same; in pieces of one
		// byte the careful path alone reads them.
		whole, left := decode(input, len(input)+1)
		bytewise, left1 := decode(input, 1)
		if !slices.EqualFunc(whole, bytewise, equalEvents) || left != left1 {
			t.Fatalf("%q\n at once: %+v, left %q\n bytewise: %+v, left %q", input, whole, left, bytewise, left1)
		}
		lines := bytes.Count(input, []byte{'\r'}) + 2*bytes.Count(input, []byte{'\a'})
		if len(whole) > lines {
			t.Fatalf("%q: %d events from %d line ends", input, len(whole), lines)
		}
		for _, e := range whole {
			if e.Kind != Frame {
				continue
			}
			again, _ := decode(AppendFrame(nil, &e.Frame, e.StampMS), 1<<20)
			if len(again) != 1 || again[0].Frame != e.Frame || again[0].StampMS != e.StampMS {
				t.Fatalf("%+v was written and read back as %+v", e, again)
			}
		}
	})
}

func equalEvents(a, b seen) bool {
	if a.Kind == Frame {
		// The line of the fast path is the input's own, with skipped bytes left out too.
		a.Line, b.Line = nil, nil
	}
	if a.Kind == Bad && a.Reason != StampRange {
		a.Frame, b.Frame = capture.Frame{}, capture.Frame{}
	}
	x, y := a.Line, b.Line
	a.Line, b.Line = nil, nil
	return bytes.Equal(x, y) && fmt.Sprint(a) == fmt.Sprint(b)
}

// traffic is one second of a busy bus as text: 29-bit frames of 8 bytes, a
// quarter of them 11-bit.
func traffic(n int, stamps bool) []byte {
	r := rand.New(rand.NewPCG(3, 4))
	var text []byte
	for i := range n {
		f := capture.Frame{ID: r.Uint32N(1 << 29), Flags: capture.Extended, Len: 8}
		if i%4 == 0 {
			f.ID, f.Flags = f.ID&0x7FF, 0
		}
		for j := range f.Payload() {
			f.Data[j] = uint8(r.Uint32())
		}
		stamp := NoStamp
		if stamps {
			stamp = i % 60_000
		}
		text = AppendFrame(text, &f, stamp)
	}
	return text
}

func TestDecoderAllocatesNothing(t *testing.T) {
	text := traffic(1000, true)
	var d Decoder
	var e Event
	var f capture.Frame
	if n := testing.AllocsPerRun(10, func() {
		for chunk := range slices.Chunk(text, 100) {
			d.Push(chunk)
			for d.Next(&e, &f) {
			}
		}
	}); n != 0 {
		t.Errorf("%v allocations per 1,000 frames, want 0", n)
	}
}

func BenchmarkDecoder(b *testing.B) {
	for _, stamps := range []bool{false, true} {
		for _, piece := range []int{64, 16 << 10} {
			b.Run(fmt.Sprintf("stamps=%v/piece=%d", stamps, piece), func(b *testing.B) {
				const frames = 9000
				text := traffic(frames, stamps)
				var d Decoder
				var e Event
				f := new(capture.Frame)
				b.ReportAllocs()
				n := 0
				for b.Loop() {
					for i := 0; i < len(text); i += piece {
						d.Push(text[i:min(i+piece, len(text))])
						for d.Next(&e, f) {
							n++
						}
					}
				}
				b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(n), "ns/frame")
				b.ReportMetric(float64(n)/b.Elapsed().Seconds(), "frames/s")
			})
		}
	}
}

func BenchmarkAppendFrame(b *testing.B) {
	f := capture.Frame{ID: 0x18FEF100, Flags: capture.Extended, Len: 8}
	var line []byte
	b.ReportAllocs()
	for b.Loop() {
		line = AppendFrame(line[:0], &f, 1)
	}
}
