package j1939tp

import (
	"bytes"
	"encoding/binary"
	"encoding/hex"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"gearwitness/capture"
	"gearwitness/decode/internal/vectortest"
	"gearwitness/decode/j1939"
)

const ms = capture.Stamp(time.Millisecond)

func TestPublishedSessions(t *testing.T) {
	for _, v := range vectortest.Load(t, "j1939_tp") {
		var in [][2]string
		var want struct {
			Messages []struct {
				PGN     uint32
				SA, DA  uint8
				Payload string
			}
			Errors int
		}
		v.Decode(t, &in, &want)
		var l Listener
		i, faults := 0, 0
		for _, f := range in {
			r := l.Frame(0, vectortest.ID(t, f[0]), vectortest.Hex(t, f[1]))
			if r.Fault != NoFault {
				faults++
			}
			if m := r.Message; m != nil {
				if i == len(want.Messages) {
					t.Fatalf("%s: one too many: %+v", v.Name, m)
				}
				w := want.Messages[i]
				if m.PGN != w.PGN || m.Source != w.SA || m.Destination != w.DA || hex.EncodeToString(m.Data) != w.Payload {
					t.Errorf("%s: got %+v", v.Name, m)
				}
				i++
			}
		}
		if i != len(want.Messages) || faults != want.Errors {
			t.Errorf("%s: %d messages, %d faults", v.Name, i, faults)
		}
	}
	for _, v := range vectortest.Load(t, "j1939.tp") {
		var in struct{ Frames [][2]string }
		var want struct {
			Messages []struct {
				PGN     uint32
				Source  uint8
				Data    string
				Aborted *uint8
			}
			Open int
		}
		v.Decode(t, &in, &want)
		var l Listener
		i := 0
		for _, f := range in.Frames {
			r := l.Frame(0, vectortest.ID(t, f[0]), vectortest.Hex(t, f[1]))
			if r.Message == nil && r.Fault != Aborted {
				continue
			}
			if i == len(want.Messages) {
				t.Fatalf("%s: one too many: %+v", v.Name, r)
			}
			w := want.Messages[i]
			i++
			if w.Aborted != nil {
				if r.Fault != Aborted || l.AbortReason() != *w.Aborted {
					t.Errorf("%s: got %v, reason %d", v.Name, r.Fault, l.AbortReason())
				}
			} else if m := r.Message; m == nil || m.PGN != w.PGN || m.Source != w.Source || strings.ToUpper(hex.EncodeToString(m.Data)) != w.Data {
				t.Errorf("%s: got %+v", v.Name, r.Message)
			}
		}
		if i != len(want.Messages) || l.Open() != want.Open {
			t.Errorf("%s: %d messages, %d open", v.Name, i, l.Open())
		}
	}
}

// frames cuts a message up; destination 255 broadcasts.
func frames(pgn uint32, source, destination uint8, message []byte) (ids []uint32, data [][]byte) {
	n := (len(message) + 6) / 7
	control := byte(0x10)
	if destination == j1939.Everybody {
		control = 0x20
	}
	head := []byte{control, 0, 0, byte(n), 0xFF, byte(pgn), byte(pgn >> 8), byte(pgn >> 16)}
	binary.LittleEndian.PutUint16(head[1:], uint16(len(message)))
	ids = append(ids, j1939.ID{Priority: 7, PGN: Management, Source: source, Destination: destination}.Uint32())
	data = append(data, head)
	for i := range n {
		p := append([]byte{byte(i + 1)}, message[7*i:min(7*i+7, len(message))]...)
		for len(p) < 8 {
			p = append(p, 0xFF)
		}
		ids = append(ids, j1939.ID{Priority: 7, PGN: Data, Source: source, Destination: destination}.Uint32())
		data = append(data, p)
	}
	return ids, data
}

// Broadcasts of several sources and connections, interleaved at random, come
// out whole.
func TestInterleavedMessagesComeOutWhole(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		type stream struct {
			ids     []uint32
			data    [][]byte
			message []byte
		}
		streams := make(map[pair]*stream)
		var keys []pair
		for i := range rapid.IntRange(1, 6).Draw(t, "senders") {
			key := pair{uint8(i), rapid.SampledFrom([]uint8{255, 100, 101}).Draw(t, "to")}
			s := &stream{message: rapid.SliceOfN(rapid.Byte(), MinSize, 200).Draw(t, "message")}
			s.ids, s.data = frames(0xFECA, key.source, key.destination, s.message)
			streams[key], keys = s, append(keys, key)
		}
		var l Listener
		for done := 0; done < len(keys); {
			key := rapid.SampledFrom(keys).Draw(t, "next")
			s := streams[key]
			if len(s.ids) == 0 {
				done = 0
				for _, s := range streams {
					if len(s.ids) == 0 {
						done++
					}
				}
				continue
			}
			r := l.Frame(0, s.ids[0], s.data[0])
			s.ids, s.data = s.ids[1:], s.data[1:]
			if r.Fault != NoFault || (r.Message != nil) != (len(s.ids) == 0) {
				t.Fatalf("%v: %+v with %d to come", key, r, len(s.ids))
			}
			if r.Message != nil && !bytes.Equal(r.Message.Data, s.message) {
				t.Fatalf("got % x, want % x", r.Message.Data, s.message)
			}
		}
		if l.Open() != 0 {
			t.Fatalf("%d left open", l.Open())
		}
	})
}

func TestARepeatOnRequestCompletesAConnection(t *testing.T) {
	message := []byte("a message in four packets")
	ids, data := frames(0xFECA, 3, 0, message)
	var l Listener
	for _, i := range []int{0, 1, 3, 4} { // packet 2 is lost
		if r := l.Frame(0, ids[i], data[i]); r.Fault != NoFault || r.Message != nil {
			t.Fatalf("packet %d: %+v", i, r)
		}
	}
	cts := j1939.ID{Priority: 7, PGN: Management, Source: 0, Destination: 3}.Uint32()
	l.Frame(0, cts, []byte{0x11, 3, 2, 0xFF, 0xFF, 0xCA, 0xFE, 0})
	r := l.Frame(0, ids[2], data[2])
	if r.Message == nil || !bytes.Equal(r.Message.Data, message) {
		t.Errorf("got %+v", r)
	}
}

func TestFaults(t *testing.T) {
	message := make([]byte, 20)
	ids, data := frames(0xFECA, 3, 255, message)
	end := j1939.ID{Priority: 7, PGN: Management, Source: 0, Destination: 3}.Uint32()
	toUs, packets := frames(0xFECA, 3, 0, message)
	for _, c := range []struct {
		name string
		want Fault
		do   func(l *Listener) Fault
	}{
		{"short frame", BadFrame, func(l *Listener) Fault { return l.Frame(0, ids[0], data[0][:7]).Fault }},
		{"control byte", BadFrame, func(l *Listener) Fault { return l.Frame(0, ids[0], make([]byte, 8)).Fault }},
		{"packets do not fit the size", BadSize, func(l *Listener) Fault { return l.Frame(0, ids[0], []byte{0x20, 20, 0, 4, 0xFF, 0, 0, 0}).Fault }},
		{"broadcast to one", BadSize, func(l *Listener) Fault { return l.Frame(0, toUs[0], data[0]).Fault }},
		{"no message", Stray, func(l *Listener) Fault { return l.Frame(0, ids[1], data[1]).Fault }},
		{"begun anew", Replaced, func(l *Listener) Fault { l.Frame(0, ids[0], data[0]); return l.Frame(0, ids[0], data[0]).Fault }},
		{"packet 0", Missing, func(l *Listener) Fault { l.Frame(0, ids[0], data[0]); return l.Frame(0, ids[1], make([]byte, 8)).Fault }},
		{"end without the packets", Missing, func(l *Listener) Fault {
			l.Frame(0, toUs[0], packets[0])
			l.Frame(1250*ms, toUs[1], packets[1])
			return l.Frame(0, end, []byte{0x13, 20, 0, 3, 0xFF, 0xCA, 0xFE, 0}).Fault
		}},
		{"late", TimedOut, func(l *Listener) Fault { l.Frame(0, ids[0], data[0]); return l.Frame(751*ms, ids[1], data[1]).Fault }},
	} {
		if got := c.do(new(Listener)); got != c.want {
			t.Errorf("%s: got %v, want %v", c.name, got, c.want)
		}
	}
	var l Listener
	l.Frame(0, ids[0], data[0])
	if n := l.Sweep(750 * ms); n != 0 || l.Open() != 1 {
		t.Errorf("swept %d too early", n)
	}
	if n := l.Sweep(751 * ms); n != 1 || l.Open() != 0 {
		t.Errorf("swept %d", n)
	}
}

// So many messages at a time, and no more: room is made by those that are overdue,
// whether their fault has been told or not.
func TestManyMessagesAtATime(t *testing.T) {
	message := make([]byte, 20)
	begin := func(l *Listener, now capture.Stamp, k int) Fault {
		ids, data := frames(0xFECA, uint8(k/250), uint8(k%250), message) // 1.25 s each: connections
		return l.Frame(now, ids[0], data[0]).Fault
	}
	full := func() *Listener {
		l := new(Listener)
		for k := range maxSessions {
			if fault := begin(l, capture.Stamp(k), k); fault != NoFault {
				t.Fatalf("message %d of %d: %v", k+1, maxSessions, fault)
			}
		}
		return l
	}
	l := full()
	if fault := begin(l, 1250*ms, maxSessions); fault != TooMany || l.Open() != maxSessions {
		t.Errorf("one too many: %v, %d open", fault, l.Open())
	}
	// The first began at 0 ns, the second at 1 ns: one is overdue, and its fault is told.
	if fault := begin(l, 1250*ms+1, maxSessions); fault != TimedOut || l.Open() != maxSessions {
		t.Errorf("one is overdue: %v, %d open", fault, l.Open())
	}
	if fault := begin(l, 1250*ms+1, maxSessions+1); fault != TooMany {
		t.Errorf("none is overdue any more: %v", fault)
	}

	l = full()
	ids, data := frames(0xFECA, 0, 0, message)
	data[1][0] = 0 // no packet has this number: void, and told
	if fault := l.Frame(0, ids[1], data[1]).Fault; fault != Missing {
		t.Fatalf("packet 0: %v", fault)
	}
	if fault := begin(l, 1250*ms+1, maxSessions); fault != NoFault {
		t.Errorf("room of one whose fault has been told: %v", fault)
	}
}

// With an address of its own the listener steers the sender.
func TestAnswersThoseWhoSpeakToUs(t *testing.T) {
	us := uint8(0xF9)
	message := []byte("a message in four packets")
	ids, data := frames(0xFEEB, 3, us, message)
	l := Listener{Address: &us}
	reply := func(r Result) string {
		if r.Reply == nil {
			return ""
		}
		return strings.ToUpper(hex.EncodeToString(binary.BigEndian.AppendUint32(nil, r.Reply.ID))) + " " + hex.EncodeToString(r.Reply.Data[:])
	}
	want := func(got, want string) {
		t.Helper()
		if got != want {
			t.Errorf("got %s, want %s", got, want)
		}
	}
	want(reply(l.Frame(0, ids[0], data[0])), "1CEC03F9 110401ffffebfe00")
	want(reply(l.Frame(0, ids[1], data[1])), "")
	want(reply(l.Frame(0, ids[3], data[3])), "")
	want(reply(l.Frame(0, ids[4], data[4])), "1CEC03F9 110302ffffebfe00") // from packet 2 on again
	r := l.Frame(0, ids[2], data[2])
	want(reply(r), "1CEC03F9 13190004ffebfe00")
	if r.Message == nil || !bytes.Equal(r.Message.Data, message) {
		t.Errorf("got %+v", r.Message)
	}
}

func FuzzListener(f *testing.F) {
	ids, data := frames(0xFECA, 3, 255, []byte("a message in four packets"))
	var seed []byte
	for i := range ids {
		seed = append(binary.BigEndian.AppendUint32(seed, ids[i]), data[i]...)
	}
	f.Add(seed)
	f.Fuzz(func(t *testing.T, stream []byte) {
		us := uint8(0)
		l := Listener{Address: &us}
		for now := capture.Stamp(0); len(stream) >= 5; now += 100 * ms {
			n := min(12, len(stream))
			r := l.Frame(now, binary.BigEndian.Uint32(stream), stream[4:n])
			if m := r.Message; m != nil && (len(m.Data) < MinSize || len(m.Data) > MaxSize) {
				t.Fatalf("a message of %d bytes", len(m.Data))
			}
			stream = stream[n:]
		}
		if l.Open() > maxSessions {
			t.Fatalf("%d messages at a time", l.Open())
		}
	})
}
