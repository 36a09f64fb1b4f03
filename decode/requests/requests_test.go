package requests

import (
	"encoding/hex"
	"fmt"
	"strings"
	"testing"
	"time"

	"gearwitness/capture"
	"gearwitness/decode/internal/vectortest"
	"gearwitness/decode/isotp"
	"gearwitness/signals"
)

const ms = capture.Stamp(time.Millisecond)

func ptr[T any](v T) *T { return &v }

func file(pairs ...any) *signals.File {
	f := &signals.File{Buses: signals.Named[signals.Bus]{{Name: "powertrain"}}}
	for i := 0; i < len(pairs); i += 2 {
		f.Requests = append(f.Requests, signals.Entry[signals.Request]{Name: pairs[i].(string), V: pairs[i+1].(signals.Request)})
	}
	return f
}

func current(item uint32, every time.Duration) signals.Request {
	return signals.Request{Service: signals.CurrentData, Item: &item, Every: every}
}

func byID(id uint32, every time.Duration) signals.Request {
	return signals.Request{Service: signals.ReadByID, Item: &id, To: ptr(uint32(0x7E1)), Every: every}
}

// rig is a bus with a scheduler; what is sent is noted as "ms id data".
type rig struct {
	t *testing.T
	*Scheduler
	now  capture.Stamp
	sent []string
}

func newRig(t *testing.T, f *signals.File) *rig { return &rig{t: t, Scheduler: New(f, 0, 0)} }

// until runs the scheduler as a caller would, up to a time.
func (r *rig) until(end capture.Stamp) *rig {
	for {
		var f capture.Frame
		for r.Next(r.now, &f) {
			r.sent = append(r.sent, fmt.Sprintf("%d %X %s", r.now/ms, f.ID, hex.EncodeToString(f.Data[:f.Len])))
			if f.Flags&capture.Own == 0 {
				r.t.Error("a frame that is not marked as our own")
			}
		}
		due, any := r.Due()
		if !any || due > end {
			r.now = end
			return r
		}
		if due <= r.now {
			r.t.Fatalf("nothing is sent although it is due at %d ms", due/ms)
		}
		r.now = due
	}
}

func (r *rig) hear(at capture.Stamp, id uint32, data ...byte) *rig {
	r.until(at)
	f := capture.Frame{Time: at, ID: id, Len: uint8(len(data))}
	if id > 0x7FF {
		f.Flags = capture.Extended
	}
	copy(f.Data[:], data)
	r.Frame(&f)
	return r
}

func (r *rig) want(lines ...string) *rig {
	r.t.Helper()
	if got, want := strings.Join(r.sent, "\n"), strings.Join(lines, "\n"); got != want {
		r.t.Errorf("sent\n%s\nwant\n%s", got, want)
	}
	r.sent = nil
	return r
}

func TestFramesAsPublished(t *testing.T) {
	for _, v := range vectortest.Load(t, "obd.request") {
		var in struct{ PID, To string }
		var want struct{ ID, Data string }
		v.Decode(t, &in, &want)
		item := vectortest.ID(t, in.PID)
		r := request{to: target{id: vectortest.ID(t, in.To)}, payload: (&signals.Request{Service: signals.CurrentData, Item: &item}).Payload()}
		f := message(r.to, append([]byte{byte(len(r.payload))}, r.payload...))
		if got := strings.ToUpper(hex.EncodeToString(f.Data[:f.Len])); f.ID != vectortest.ID(t, want.ID) || got != want.Data {
			t.Errorf("%s: got %X %s", v.Name, f.ID, got)
		}
	}
}

func TestOneAtATimeWithAPause(t *testing.T) {
	newRig(t, file("a", byID(0x1111, time.Second), "b", byID(0x2222, time.Second))).
		until(9*ms).want("0 7E1 0322111155555555").
		hear(10*ms, 0x7E9, 4, 0x62, 0x11, 0x11, 7).
		until(59*ms).want().
		until(60*ms).want("60 7E1 0322222255555555").
		hear(70*ms, 0x7E9, 4, 0x62, 0x22, 0x22, 7).
		until(999*ms).want().
		hear(1001*ms, 0x7E9, 4, 0x62, 0x11, 0x11, 7).want("1000 7E1 0322111155555555")
}

func TestLongAnswersGetFlowControl(t *testing.T) {
	// The exchange of ISO 15765-2 and SAE J1979 09 02 that the literature tells,
	// with a textbook number.
	r := newRig(t, file("number", signals.Request{Service: signals.VehicleInfo, Item: ptr(uint32(2))}))
	r.hear(5*ms, 0x7E8, 0x10, 0x14, 0x49, 0x02, 0x01, 0x31, 0x4D, 0x38).until(5*ms).
		want("0 7DF 0209025555555555", "5 7E0 3000005555555555")
	r.hear(900*ms, 0x7E8, 0x21, 0x47, 0x44, 0x4D, 0x39, 0x41, 0x58, 0x4B)
	r.hear(1800*ms, 0x7E8, 0x22, 0x50, 0x30, 0x34, 0x32, 0x37, 0x38, 0x38)
	if s := r.List()[0]; s.State != Done || s.Answered != 1 || s.Timeouts != 0 {
		t.Errorf("status %+v", s)
	}
	r.until(60_000 * ms).want() // once
}

func TestRefusalsAndWaiting(t *testing.T) {
	r := newRig(t, file("a", byID(0x1111, time.Second)))
	r.hear(10*ms, 0x7E9, 3, 0x7F, 0x22, 0x78).until(4000 * ms).want("0 7E1 0322111155555555") // the answer comes later
	r.hear(4009*ms, 0x7E9, 3, 0x7F, 0x01, 0x11)                                               // of somebody else's request
	r.hear(4010*ms, 0x7E9, 3, 0x7F, 0x22, 0x31)
	if s := r.List()[0]; s.State != Waiting || s.Refusal != "request out of range" || s.Timeouts != 0 {
		t.Errorf("status %+v", s)
	}
	r.until(4059 * ms).want().until(4060 * ms).want("4060 7E1 0322111155555555") // what was missed is not made up for
	r.hear(4070*ms, 0x7E9, 4, 0x62, 0x11, 0x11, 7)
	if s := r.List()[0]; s.Refusal != "" || s.Answered != 1 || s.Asked != 2 {
		t.Errorf("status %+v; want it asked twice, answered once", s)
	}
}

func TestThreeTimeoutsInARowEndAllAsking(t *testing.T) {
	r := newRig(t, file("a", byID(0x1111, time.Second), "b", byID(0x2222, time.Second)))
	r.until(700*ms).want("0 7E1 0322111155555555", "300 7E1 0322222255555555")
	r.hear(1010*ms, 0x7E9, 4, 0x62, 0x11, 0x11, 7).want("1000 7E1 0322111155555555") // answered: counts from the start again
	r.until(60_000*ms).want("1060 7E1 0322222255555555", "2000 7E1 0322111155555555", "2300 7E1 0322222255555555")
	if !r.Stopped() {
		t.Error("asking goes on")
	}
	if _, any := r.Due(); any {
		t.Error("something is due")
	}
	r.Resume()
	r.until(60_000 * ms).want("60000 7E1 0322111155555555")
}

func TestAFastRequestLeavesRoomForSlowOnes(t *testing.T) {
	r := newRig(t, file("fast", byID(0x1111, 100*time.Millisecond), "slow", byID(0x2222, time.Second), "slower", byID(0x3333, 2*time.Second)))
	answered := map[string]int{}
	for now := capture.Stamp(0); now < 10_000*ms; now += ms {
		r.until(now)
		for _, s := range r.sent { // each answer takes 80 ms, so that there is not room for all
			id := strings.Fields(s)[2][4:8]
			answered[id]++
			b, _ := hex.DecodeString(id)
			r.sent = nil
			now += 80 * ms
			r.hear(now, 0x7E9, 4, 0x62, b[0], b[1], 7)
			break
		}
	}
	// 130 ms a turn: about 77 turns in 10 s, of which the slow ones need 10 and 5.
	if answered["2222"] < 9 || answered["3333"] < 4 || answered["1111"] < 55 {
		t.Errorf("answered %v", answered)
	}
}

func TestParametersAreAskedOnlyIfTheVehicleHasThem(t *testing.T) {
	r := newRig(t, file("speed", current(0x0C, time.Second), "oil", current(0x5C, time.Second), "odometer", current(0xA6, 0)))
	r.hear(10*ms, 0x7E8, 6, 0x41, 0x00, 0x00, 0x10, 0x00, 0x01) // 0C and 20
	r.hear(70*ms, 0x7E8, 4, 0x41, 0x0C, 0x1A, 0xF8)
	r.hear(130*ms, 0x7E8, 6, 0x41, 0x20, 0, 0, 0, 0) // not 40: nothing beyond is asked
	r.until(999*ms).want("0 7DF 0201005555555555", "60 7DF 02010c5555555555", "120 7DF 0201205555555555")
	states := []State{Waiting, Unknown, Unknown}
	for i, s := range r.List() {
		if s.State != states[i] {
			t.Errorf("%s is %v, want %v", s.Name, s.State, states[i])
		}
	}
}

// Where all units are asked, those that are not the first to answer are heard out
// too: their parameters count, and their long answers get flow control.
func TestTheOthersAreHeardOut(t *testing.T) {
	r := newRig(t, file("gear", current(0xA4, time.Second)))
	r.hear(5*ms, 0x7E8, 6, 0x41, 0x00, 0, 0, 0, 1)
	for bank := byte(0x20); bank < 0xA0; bank += 0x20 { // a turn is 55 ms: the answer comes after 5
		r.hear(capture.Stamp(bank)/0x20*55*ms+5*ms, 0x7E8, 6, 0x41, bank, 0, 0, 0, 1)
	}
	r.hear(280*ms, 0x7E8, 6, 0x41, 0xA0, 0, 0, 0, 0)
	r.hear(290*ms, 0x7E9, 6, 0x41, 0xA0, 0x10, 0, 0, 0) // A4
	r.hear(291*ms, 0x7EA, 6, 0x41, 0xC0, 0x10, 0, 0, 0) // no answer to this
	r.sent = nil
	r.until(340 * ms).want("340 7DF 0201a45555555555")

	r = newRig(t, file("faults", signals.Request{Service: signals.StoredFaults, Every: time.Second}, "b", byID(0x1111, 0)))
	r.hear(5*ms, 0x7E8, 2, 0x43, 0).hear(11*ms, 0x7E9, 0x10, 8, 0x43, 3, 7, 0x41, 0x27, 0x03).until(12*ms).want("0 7DF 0103555555555555", "11 7E1 3000005555555555")
	r.hear(40*ms, 0x7E9, 0x21, 7, 0x31)
	r.until(89 * ms).want().until(100 * ms) // the answer under way puts off the next request
	if len(r.sent) != 1 || !strings.Contains(r.sent[0], "03221111") {
		t.Errorf("sent %v", r.sent)
	}
	if s := r.List()[0]; s.Answered != 1 || s.Timeouts != 0 {
		t.Errorf("status %+v", s)
	}
}

// A unit that begins its answer again and again, even because it is told to go
// on, gets no more than MaxBegun flow controls, and the request is given up.
func TestAnEndlessBeginning(t *testing.T) {
	r := newRig(t, file("a", byID(0x1111, 10*time.Second)))
	for now := capture.Stamp(1); now < 1500; now++ {
		r.hear(now*ms, 0x7E9, 0x10, 20, 0x62, 0x11, 0x11, 1, 2, 3)
	}
	r.until(2000*ms).want("0 7E1 0322111155555555", "1 7E1 3000005555555555", "2 7E1 3000005555555555")
	if s := r.List()[0]; s.Timeouts != 1 {
		t.Errorf("status %+v", s)
	}
}

func TestOtherUnitsAndBusesDoNotMatter(t *testing.T) {
	r := newRig(t, file("a", byID(0x1111, time.Second)))
	r.hear(1*ms, 0x7E8, 4, 0x62, 0x11, 0x11, 7)      // another unit
	r.hear(2*ms, 0x7E9, 4, 0x62, 0x11, 0x12, 7)      // another answer
	r.hear(3*ms, 0x18DAF101, 4, 0x62, 0x11, 0x11, 7) // another length of identifiers
	r.hear(4*ms, 0x7E9, 0x40, 0, 0, 0)               // no frame of the protocol
	r.Frame(&capture.Frame{Time: 5 * ms, ID: 0x7E9, Flags: capture.Error, Len: 8})
	if s := r.List()[0]; s.State != UnderWay {
		t.Errorf("status %+v", s)
	}
	two := file("a", signals.Request{Bus: "body", Service: signals.StoredFaults})
	two.Buses = append(two.Buses, signals.Entry[signals.Bus]{Name: "body"})
	if n := len(New(two, 0, 0).List()); n != 0 {
		t.Errorf("%d requests on a bus that has none", n)
	}
	if n := len(New(two, 1, 0).List()); n != 1 {
		t.Errorf("%d requests on the other", n)
	}
}

// A unit that cuts its answers up as the standard says, steered by our flow
// control, is understood whatever the length.
func TestAgainstAUnitOfItsOwn(t *testing.T) {
	for _, n := range []int{1, 4, 5, 60, 500} {
		r := newRig(t, file("a", byID(0x1111, 0)))
		unit := isotp.NewSender(append([]byte{0x62, 0x11, 0x11}, make([]byte, n)...))
		r.until(0)
		for now := capture.Stamp(0); now < 2000*ms; now += ms {
			r.until(now)
			for _, s := range r.sent {
				data, _ := hex.DecodeString(strings.Fields(s)[2])
				if f, fault := isotp.Parse(data); fault == isotp.NoFault {
					unit.Flow(now, f)
				}
			}
			r.sent = nil
			if data := unit.Next(now, nil); len(data) > 0 {
				r.hear(now, 0x7E9, data...)
			}
		}
		if s := r.List()[0]; s.State != Done {
			t.Errorf("%d bytes: %+v", n, s)
		}
	}
}

func FuzzScheduler(f *testing.F) {
	f.Add([]byte{8, 0x10, 0x14, 0x49, 2, 1, 0x31, 0x4D, 0x38, 8, 0x21, 0, 0, 0, 0, 0, 0, 0})
	f.Add([]byte{6, 0x41, 0, 0xFF, 0xFF, 0xFF, 0xFF})
	f.Fuzz(func(t *testing.T, stream []byte) {
		s := New(file("a", current(0x0C, time.Second), "b", byID(0x1111, 0), "c", signals.Request{Service: signals.StoredFaults}), 0, 0)
		var out capture.Frame
		sent := 0
		for now := capture.Stamp(0); len(stream) > 0; now += 20 * ms {
			for s.Next(now, &out) {
				if sent++; sent > 10_000 {
					t.Fatal("sends without end")
				}
			}
			in := capture.Frame{Time: now, ID: 0x7E8 + uint32(stream[0]>>7)}
			n := min(int(stream[0]&0x0F), len(stream)-1)
			in.Len = uint8(copy(in.Data[:], stream[1:1+n]))
			s.Frame(&in)
			stream = stream[1+n:]
		}
	})
}
