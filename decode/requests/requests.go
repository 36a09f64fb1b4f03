// Package requests decides when which diagnostic read of a vehicle file is sent:
// a pure state machine that is told the time and the frames heard, and says what
// to send. It sends nothing itself, and the vehicle file can express nothing but
// reads.
//
// A bus is shared with the car. So:
//
//   - one request is under way at a time, and the next goes out no sooner than
//     Pause after the last answer
//   - requests take turns: the one that has waited longest goes first, and what
//     was missed is not made up for
//   - three in a row without an answer end all asking, until Resume
//   - parameters of SAE J1979 service 01 are asked only if a unit says that it
//     has them, for units are silent about those they lack
//
// Requests are for a vehicle that stands, or whose driver has nothing to do with
// them; a unit that is asked at the wrong moment may react (common practice, no
// source).
package requests

import (
	"fmt"
	"strings"
	"time"

	"gearwitness/capture"
	"gearwitness/decode/diagnosis"
	"gearwitness/decode/isotp"
	"gearwitness/signals"
)

// Times. P2 of the standards is 50 ms; adapters on a serial line add to it.
const (
	Pause       = 50 * time.Millisecond
	Timeout     = 250 * time.Millisecond
	TimeoutLong = 5 * time.Second // P2*: after "wait, the answer comes later"
	MaxTimeouts = 3
	// MaxBegun is how often a unit may begin a long answer to one request; it is
	// told once more than it needs to go on, and no more.
	MaxBegun = 2
)

// padding fills a frame up; its alternating bits need no stuff bits.
const padding = 0x55

// State of a request.
type State uint8

// States.
const (
	Waiting  State = iota
	UnderWay       // sent, not answered yet
	Done           // asked once, and answered
	Unknown        // no unit says that it has this parameter
)

var stateNames = [...]string{"waiting", "under way", "done", "not known to the vehicle"}

// String returns the state in words.
func (s State) String() string { return stateNames[s] }

// Status is what has become of one request.
type Status struct {
	Name     string
	State    State
	Asked    uint64
	Answered uint64
	Timeouts uint64
	Refusal  string // reason of the last refusal, empty when it was answered since
}

// Scheduler is the requests of one bus.
type Scheduler struct {
	list     []request
	units    map[target]map[byte]bool // parameters of service 01, by whom they are asked from
	active   int                      // index into list, -1 for none
	deadline capture.Stamp            // of the active one
	free     capture.Stamp            // nothing is sent before
	answers  map[uint32]*answer
	late     int             // index into list: answered last, and other units may answer it still until free; -1 for none
	flow     []capture.Frame // flow control to be sent at once
	timeouts int             // in a row
	stopped  bool
}

// answer is what one unit has said of its answer so far.
type answer struct {
	isotp.Receiver
	begun int // first frames
}

type target struct {
	id       uint32
	extended bool
}

type request struct {
	status   Status
	to       target
	payload  []byte
	echo     []byte
	from     uint32
	any      bool
	every    time.Duration
	due      capture.Stamp
	probe    bool // asks which parameters there are
	hidden   bool // not of the vehicle file
	finished bool
}

// New prepares the requests of a validated vehicle file that go to one of its
// buses, by index. The first is due at start.
func New(f *signals.File, bus int, start capture.Stamp) *Scheduler {
	s := &Scheduler{active: -1, late: -1, free: start, units: make(map[target]map[byte]bool), answers: make(map[uint32]*answer)}
	for _, e := range f.Requests {
		def := &e.V
		if i := f.Buses.Index(def.Bus); i != bus && !(len(f.Buses) == 1 && bus == 0) {
			continue
		}
		r := request{
			status: Status{Name: e.Name}, to: target{def.Target(), def.Extended}, payload: def.Payload(), echo: def.Echo(), every: def.Every, due: start,
		}
		r.from, r.any = def.Answers()
		if def.Service == signals.CurrentData {
			s.probe(r, r.payload[1])
		}
		s.list = append(s.list, r)
	}
	return s
}

// probe makes sure that the vehicle is asked which parameters it has before it
// is asked for this one: 00, then 20, 40 ... up to the one that lists it.
func (s *Scheduler) probe(r request, item byte) {
	if s.units[r.to] == nil {
		s.units[r.to] = make(map[byte]bool)
	}
	if item%0x20 == 0 {
		return // asks that itself
	}
	for bank := 0; bank <= int(item)/0x20*0x20; bank += 0x20 {
		known := false
		for i := range s.list {
			p := &s.list[i]
			known = known || p.probe && p.to == r.to && p.payload[1] == byte(bank)
		}
		if !known {
			p := r
			p.status, p.payload, p.echo = Status{Name: fmt.Sprintf("parameters from %02X", bank)}, []byte{0x01, byte(bank)}, []byte{0x41, byte(bank)}
			p.every, p.probe, p.hidden = 0, true, true
			s.list = append(s.list, p)
		}
	}
}

// Next puts the frame that is to be sent at now into f and says true, or says
// false when there is none now. Call it again until it does; then after a frame
// has been heard, and at the time Due tells.
func (s *Scheduler) Next(now capture.Stamp, f *capture.Frame) bool {
	s.expire(now)
	if len(s.flow) > 0 {
		*f = s.flow[0]
		f.Time = now
		s.flow = s.flow[1:]
		return true
	}
	if s.stopped || s.active >= 0 || now < s.free {
		return false
	}
	i := s.pick(now)
	if i < 0 {
		return false
	}
	r := &s.list[i]
	s.active, s.late, s.deadline = i, -1, now.Add(Timeout)
	r.status.State = UnderWay
	r.status.Asked++
	clear(s.answers)
	*f = message(r.to, append([]byte{byte(len(r.payload))}, r.payload...))
	f.Time = now
	return true
}

// pick returns the request that has waited longest and may be asked, -1 for none.
func (s *Scheduler) pick(now capture.Stamp) int {
	best := -1
	for i := range s.list {
		r := &s.list[i]
		if r.finished || r.due > now || !s.askable(r) {
			continue
		}
		if best < 0 || r.due < s.list[best].due {
			best = i
		}
	}
	return best
}

// askable tells whether the vehicle has said that it knows the parameter; other
// services are simply asked.
func (s *Scheduler) askable(r *request) bool {
	if r.payload[0] != byte(signals.CurrentData) {
		return true
	}
	item := r.payload[1]
	return item == 0 || s.units[r.to][item]
}

// message is one frame of eight bytes.
func message(to target, data []byte) capture.Frame {
	f := capture.Frame{ID: to.id, Len: 8, Flags: capture.Own}
	if to.extended {
		f.Flags |= capture.Extended
	}
	n := copy(f.Data[:8], data)
	for ; n < 8; n++ {
		f.Data[n] = padding
	}
	return f
}

// Due returns when Next should be called although nothing has been heard; false
// when there is no such time.
func (s *Scheduler) Due() (capture.Stamp, bool) {
	switch {
	case len(s.flow) > 0:
		return s.free, true
	case s.active >= 0:
		return s.deadline, true
	case s.stopped:
		return 0, false
	}
	at, any := capture.Stamp(0), false
	for i := range s.list {
		if r := &s.list[i]; !r.finished && s.askable(r) && (!any || r.due < at) {
			at, any = r.due, true
		}
	}
	return max(at, s.free), any
}

// Frame takes in a frame heard on the bus; those that are no answer to the
// request under way mean nothing. Where all units were asked, the first to answer
// decides, and the others are heard out until the next request.
func (s *Scheduler) Frame(f *capture.Frame) {
	s.expire(f.Time)
	i := s.active
	if i < 0 && f.Time < s.free {
		i = s.late
	}
	if i < 0 || f.Flags&(capture.Own|capture.Remote|capture.Error) != 0 {
		return
	}
	r := &s.list[i]
	extended := f.Flags&capture.Extended != 0
	if extended != r.to.extended || !r.any && f.ID != r.from {
		return
	}
	back := r.to
	if to, ok := diagnosis.AddressOf(f.ID, extended).FlowControlTo(); ok {
		back.id = to
	} else if r.any {
		return // not a unit
	}
	from := s.answers[f.ID]
	if from == nil {
		from = new(answer)
		s.answers[f.ID] = from
	}
	payload, fault := from.Frame(f.Time, f.Data[:f.Len])
	if p, bad := isotp.Parse(f.Data[:f.Len]); bad == isotp.NoFault && p.Kind == isotp.First && fault != isotp.TooLong {
		if from.begun++; from.begun > MaxBegun {
			return // a unit that begins for ever is not kept going
		}
		s.flow = append(s.flow, message(back, isotp.AppendFlow(nil, isotp.Continue, 0, 0)))
		s.await(f.Time)
		return
	}
	if from.Open() {
		s.await(f.Time)
		return
	}
	if len(payload) == 0 {
		return
	}
	fits := strings.HasPrefix(string(payload), string(r.echo))
	if list, ok := diagnosis.Supported(payload); ok && fits {
		for _, item := range list {
			s.units[r.to][item] = true
		}
	}
	if s.active < 0 {
		if fits {
			s.await(f.Time)
		}
		return
	}
	if refusal, ok := diagnosis.Refused(payload); ok {
		switch {
		case refusal.Service != r.payload[0]: // of somebody else's request
		case refusal.Wait:
			s.deadline = f.Time.Add(TimeoutLong)
		default:
			r.status.Refusal = refusal.Text
			s.finish(f.Time)
		}
		return
	}
	if !fits {
		return
	}
	r.status.Refusal = ""
	r.status.Answered++
	s.finish(f.Time)
}

// await gives an answer its time: until the request under way is given up, or,
// where another unit has answered already, until the next may go out.
func (s *Scheduler) await(now capture.Stamp) {
	if s.active >= 0 {
		s.deadline = now.Add(isotp.TimeoutConsecutive)
		return
	}
	s.free = max(s.free, now.Add(Pause))
}

// finish ends the request under way, answered or refused.
func (s *Scheduler) finish(now capture.Stamp) {
	s.timeouts = 0
	if s.list[s.active].any {
		s.late = s.active
	}
	s.next(now, Done)
}

// next plans the request under way anew, or not at all if it was to be asked
// once.
func (s *Scheduler) next(now capture.Stamp, after State) {
	r := &s.list[s.active]
	s.active, s.free = -1, now.Add(Pause)
	r.status.State = Waiting
	if r.every == 0 {
		r.finished = after == Done
		if r.finished {
			r.status.State = Done
		}
		r.due = now
		return
	}
	r.due = max(r.due.Add(r.every), now)
}

// expire gives up the request under way when its answer is overdue.
func (s *Scheduler) expire(now capture.Stamp) {
	if s.active < 0 || now < s.deadline {
		return
	}
	s.list[s.active].status.Timeouts++
	s.flow = s.flow[:0]
	if s.timeouts++; s.timeouts >= MaxTimeouts {
		s.stopped = true
	}
	s.next(s.deadline, Waiting)
}

// Stopped tells whether asking has ended because nothing answers.
func (s *Scheduler) Stopped() bool { return s.stopped }

// Resume begins asking again after Stopped.
func (s *Scheduler) Resume() { s.stopped, s.timeouts = false, 0 }

// List returns what has become of the requests of the vehicle file.
func (s *Scheduler) List() []Status {
	var out []Status
	for i := range s.list {
		r := &s.list[i]
		if r.hidden {
			continue
		}
		if !s.askable(r) && s.asked(r.to) {
			r.status.State = Unknown
		}
		out = append(out, r.status)
	}
	return out
}

// asked tells whether the vehicle has said all about the parameters it has.
func (s *Scheduler) asked(to target) bool {
	for i := range s.list {
		if p := &s.list[i]; p.probe && p.to == to && !p.finished && s.askable(p) {
			return false
		}
	}
	return true
}
