// Package drive runs a drive: what is done with sources, recording, requests and the
// board while somebody is on the road.
package drive

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"
	"time"

	"gearwitness/capture"
	"gearwitness/decode/diagnosis"
	"gearwitness/decode/requests"
	"gearwitness/signals"
)

// firstRequest is how long the bus is listened to before anything is asked.
const firstRequest = time.Second

// maxHeard bounds the answers that wait for the asker.
const maxHeard = 4096

// Asker asks the vehicle what its file lists. It works beside the loop that
// records and decodes, which only hands it what was heard: nothing of it can
// hold that up. What the answers mean is found by the chain, like that of any
// other frame.
type Asker struct {
	source capture.Source
	clock  capture.Clock
	tell   func(requests.News)
	buses  []askedBus
	state  string
	sent   uint64

	mu    sync.Mutex
	heard []capture.Frame
	lost  map[uint8]bool // channels whose device went away, or came back, since
	wake  chan struct{}
}

// askedBus is one bus with requests.
type askedBus struct {
	name      string
	channel   uint8
	begin     func(capture.Stamp) *requests.Scheduler
	scheduler *requests.Scheduler // nil while its adapter is gone
	from      []uint32            // identifiers that answer, beside those of ISO 15765-4
	failure   string              // to send, told last
	list      []requests.Status   // of schedulers before the present one
}

// NewAsker prepares the requests of a file for a source that was opened for
// them, as AskedBuses says.
func NewAsker(file *signals.File, source capture.Source, clock capture.Clock, tell func(requests.News)) (*Asker, error) {
	a := &Asker{source: source, clock: clock, tell: tell, lost: make(map[uint8]bool), wake: make(chan struct{}, 1)}
	var channels []capture.Channel
	if c, ok := source.(capture.Channeler); ok {
		channels = c.Channels()
	}
	for _, bus := range AskedBuses(file) {
		b := askedBus{name: file.Buses[bus].Name}
		i := slices.IndexFunc(channels, func(c capture.Channel) bool {
			return c.Kind == capture.CAN && !c.Passive && LeadsTo(file, c.Name) == bus
		})
		if i < 0 {
			return nil, fmt.Errorf("no adapter leads to bus %s", b.name)
		}
		b.channel = uint8(i)
		b.begin = func(now capture.Stamp) *requests.Scheduler { return requests.New(file, bus, now.Add(firstRequest)) }
		for i := range file.Requests {
			if id, any := file.Requests[i].V.Answers(); !any {
				b.from = append(b.from, id)
			}
		}
		a.buses = append(a.buses, b)
	}
	return a, nil
}

// AskedBuses lists the buses of a file that it has requests for.
func AskedBuses(file *signals.File) (list []int) {
	for i := range file.Requests {
		if bus := LeadsTo(file, file.Requests[i].V.Bus); bus >= 0 && !slices.Contains(list, bus) {
			list = append(list, bus)
		}
	}
	return list
}

// LeadsTo returns the bus that a channel of that name is, as the decoder takes
// it: the one of the same name, or the only one there is.
func LeadsTo(file *signals.File, name string) int {
	if len(file.Buses) == 1 {
		return 0
	}
	return file.Buses.Index(name)
}

// Run asks until ctx ends.
func (a *Asker) Run(ctx context.Context) {
	names := make([]string, len(a.buses))
	count := 0
	for i := range a.buses {
		b := &a.buses[i]
		b.scheduler = b.begin(a.clock.Now())
		names[i] = b.name
		count += len(b.scheduler.List())
	}
	a.become(requests.Sending, fmt.Sprintf("Sending diagnostic requests on %s: %d in the vehicle file.", strings.Join(names, ", "), count))
	timer := time.NewTimer(0)
	defer timer.Stop()
	for {
		select {
		case <-ctx.Done():
		case <-a.wake:
		case <-timer.C:
		}
		if ctx.Err() != nil {
			return // even where something else came at the same moment
		}
		if due, any := a.step(); any {
			timer.Reset(max(due.Sub(a.clock.Now()), 0))
		} else {
			timer.Stop()
		}
	}
}

// Hear hands over a batch; it never waits.
func (a *Asker) Hear(batch *capture.Batch) {
	a.mu.Lock()
	defer a.mu.Unlock()
	news := false
	for i := range batch.Frames {
		f := &batch.Frames[i]
		if f.Flags&^capture.Extended == 0 && len(a.heard) < maxHeard && a.answers(f) {
			a.heard = append(a.heard, *f)
			news = true
		}
	}
	for _, n := range batch.Notes {
		if n.Kind == "lost" || n.Kind == "reconnect" {
			a.lost[n.Channel] = n.Kind == "lost"
			news = true
		}
	}
	if news {
		select {
		case a.wake <- struct{}{}:
		default:
		}
	}
}

// answers tells whether a frame may belong to an answer.
func (a *Asker) answers(f *capture.Frame) bool {
	for i := range a.buses {
		if b := &a.buses[i]; b.channel == f.Bus {
			return diagnosis.AddressOf(f.ID, f.Flags&capture.Extended != 0).Kind == diagnosis.Answer || slices.Contains(b.from, f.ID)
		}
	}
	return false
}

// step takes in what was heard, sends what is due and returns when to come back
// though nothing is heard.
func (a *Asker) step() (due capture.Stamp, any bool) {
	a.mu.Lock()
	heard, lost := a.heard, a.lost
	a.heard, a.lost = nil, make(map[uint8]bool)
	a.mu.Unlock()
	if a.state == requests.Stopped {
		return 0, false
	}
	now := a.clock.Now()
	for i := range a.buses {
		b := &a.buses[i]
		if gone, news := lost[b.channel]; news {
			a.plugged(b, !gone, now)
		}
		if b.scheduler == nil {
			continue
		}
		for j := range heard {
			if heard[j].Bus == b.channel {
				b.scheduler.Frame(&heard[j])
			}
		}
		a.send(b, now)
		if b.scheduler == nil {
			continue
		}
		if b.scheduler.Stopped() {
			a.become(requests.Stopped, fmt.Sprintf("Requests stopped: %d in a row had no answer on %s. Is the ignition on? Nothing more is asked until the drive is started again.", requests.MaxTimeouts, b.name))
			return 0, false
		}
		if at, some := b.scheduler.Due(); some && (!any || at < due) {
			due, any = at, true
		}
	}
	return due, any
}

// send sends what is due on one bus.
func (a *Asker) send(b *askedBus, now capture.Stamp) {
	var f capture.Frame
	for b.scheduler.Next(now, &f) {
		f.Bus = b.channel
		err := capture.Send(a.source, f)
		switch {
		case err == nil:
			a.sent++
			b.failure = ""
		case errors.Is(err, capture.ErrUnplugged):
			a.plugged(b, false, now)
			return
		case err.Error() != b.failure:
			// That no answer comes then is the scheduler's business.
			b.failure = err.Error()
			a.tell(requests.News{State: a.state, Text: "A request could not be sent: " + b.failure})
		}
	}
}

// plugged notes that the adapter of a bus has come or gone. What was under way
// is not waited for: its answer, or the want of one, says nothing of the vehicle.
func (a *Asker) plugged(b *askedBus, there bool, now capture.Stamp) {
	switch {
	case there && b.scheduler == nil:
		b.scheduler = b.begin(now)
		if !slices.ContainsFunc(a.buses, func(b askedBus) bool { return b.scheduler == nil }) {
			a.become(requests.Sending, "The adapter of "+b.name+" is back: diagnostic requests are sent again.")
		}
	case !there && b.scheduler != nil:
		b.list = add(b.list, b.scheduler.List())
		b.scheduler = nil
		a.become(requests.Paused, "Requests paused: the adapter of "+b.name+" is gone.")
	}
}

// Sent returns how many frames were sent. The asker must have ended.
func (a *Asker) Sent() uint64 { return a.sent }

// State returns what became of the requests last, one of requests.Sending, Paused and
// Stopped; empty before Run. The asker must have ended.
func (a *Asker) State() string { return a.state }

func (a *Asker) become(state, text string) {
	a.state = state
	a.tell(requests.News{State: state, Text: text})
}

// Summary says in sentences what became of the requests. The asker must have
// ended.
func (a *Asker) Summary() (lines []string) {
	var asked, answered uint64
	var odd []string
	for i := range a.buses {
		b := &a.buses[i]
		list := b.list
		if b.scheduler != nil {
			list = add(list, b.scheduler.List())
		}
		for _, s := range list {
			asked, answered = asked+s.Asked, answered+s.Answered
			switch {
			case s.State == requests.Unknown:
				odd = append(odd, fmt.Sprintf("Request %s was not sent: no unit says that it has it.", s.Name))
			case s.Refusal != "":
				odd = append(odd, fmt.Sprintf("Request %s was refused: %s.", s.Name, s.Refusal))
			case s.Timeouts > 0:
				odd = append(odd, fmt.Sprintf("Request %s had no answer %s times of %s.", s.Name, grouped(s.Timeouts), grouped(s.Asked)))
			}
		}
	}
	return append([]string{fmt.Sprintf("%s requests sent, %s answered; %s frames of ours on the bus in all.", grouped(asked), grouped(answered), grouped(a.sent))}, odd...)
}

// add adds up the counts of two lists of the same requests.
func add(before, now []requests.Status) []requests.Status {
	for i := range before {
		now[i].Asked += before[i].Asked
		now[i].Answered += before[i].Answered
		now[i].Timeouts += before[i].Timeouts
	}
	return now
}

// grouped writes a count with commas between thousands.
func grouped(n uint64) string {
	s := fmt.Sprint(n)
	for i := len(s) - 3; i > 0; i -= 3 {
		s = s[:i] + "," + s[i:]
	}
	return s
}
