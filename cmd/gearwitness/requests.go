package main

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"
	"time"

	"gearwitness/capture"
	"gearwitness/decode"
	"gearwitness/decode/diagnosis"
	"gearwitness/decode/requests"
	"gearwitness/signals"
)

const requestCautions = `Requests are frames on the vehicle's bus, and an adapter that sends also
acknowledges what it hears. A control unit that is asked at the wrong moment may
react: let the first requests go out with the vehicle standing, and end them at
the first warning lamp or odd behaviour. Only reads can be expressed; at most one
is under way, and three in a row without an answer end them all.`

// firstRequest is how long the bus is listened to before anything is asked.
const firstRequest = time.Second

// maxHeard bounds the answers that wait for the asker.
const maxHeard = 4096

// asking is what becomes of the requests: it stands in the journal and among the
// events.
type asking struct {
	State string `json:"state"` // sending, paused or stopped
	Text  string `json:"text"`
}

// States of asking.
const (
	askingSends   = "sending"
	askingPaused  = "paused"
	askingStopped = "stopped"
)

func (a asking) event(t capture.Stamp) decode.Event {
	return decode.Event{Time: t, Kind: decode.KindRequests, Fields: a}
}

// asker asks the vehicle what its file lists. It works beside the loop that
// records and decodes, which only hands it what was heard: nothing of it can
// hold that up. What the answers mean is found by the chain, like that of any
// other frame.
type asker struct {
	source capture.Source
	clock  capture.Clock
	tell   func(asking)
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

// newAsker prepares the requests of a file for a source that was opened for
// them, as askedBuses says.
func newAsker(file *signals.File, source capture.Source, clock capture.Clock, tell func(asking)) (*asker, error) {
	a := &asker{source: source, clock: clock, tell: tell, lost: make(map[uint8]bool), wake: make(chan struct{}, 1)}
	var channels []capture.Channel
	if c, ok := source.(capture.Channeler); ok {
		channels = c.Channels()
	}
	for _, bus := range askedBuses(file) {
		b := askedBus{name: file.Buses[bus].Name}
		i := slices.IndexFunc(channels, func(c capture.Channel) bool { return c.Kind == capture.CAN && leadsTo(file, c.Name) == bus })
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

// askedBuses lists the buses of a file that it has requests for.
func askedBuses(file *signals.File) (list []int) {
	for i := range file.Requests {
		if bus := leadsTo(file, file.Requests[i].V.Bus); bus >= 0 && !slices.Contains(list, bus) {
			list = append(list, bus)
		}
	}
	return list
}

// leadsTo returns the bus that a channel of that name is, as the decoder takes
// it: the one of the same name, or the only one there is.
func leadsTo(file *signals.File, name string) int {
	if len(file.Buses) == 1 {
		return 0
	}
	return file.Buses.Index(name)
}

// run asks until ctx ends.
func (a *asker) run(ctx context.Context) {
	names := make([]string, len(a.buses))
	count := 0
	for i := range a.buses {
		b := &a.buses[i]
		b.scheduler = b.begin(a.clock.Now())
		names[i] = b.name
		count += len(b.scheduler.List())
	}
	a.become(askingSends, fmt.Sprintf("Sending diagnostic requests on %s: %d in the vehicle file.", strings.Join(names, ", "), count))
	timer := time.NewTimer(0)
	defer timer.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-a.wake:
		case <-timer.C:
		}
		if due, any := a.step(); any {
			timer.Reset(max(due.Sub(a.clock.Now()), 0))
		} else {
			timer.Stop()
		}
	}
}

// hear hands over a batch; it never waits.
func (a *asker) hear(batch *capture.Batch) {
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
func (a *asker) answers(f *capture.Frame) bool {
	for i := range a.buses {
		if b := &a.buses[i]; b.channel == f.Bus {
			return diagnosis.AddressOf(f.ID, f.Flags&capture.Extended != 0).Kind == diagnosis.Answer || slices.Contains(b.from, f.ID)
		}
	}
	return false
}

// step takes in what was heard, sends what is due and returns when to come back
// though nothing is heard.
func (a *asker) step() (due capture.Stamp, any bool) {
	a.mu.Lock()
	heard, lost := a.heard, a.lost
	a.heard, a.lost = nil, make(map[uint8]bool)
	a.mu.Unlock()
	if a.state == askingStopped {
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
			a.become(askingStopped, fmt.Sprintf("Requests stopped: %d in a row had no answer on %s. Is the ignition on? Nothing more is asked until the drive is started again.", requests.MaxTimeouts, b.name))
			return 0, false
		}
		if at, some := b.scheduler.Due(); some && (!any || at < due) {
			due, any = at, true
		}
	}
	return due, any
}

// send sends what is due on one bus.
func (a *asker) send(b *askedBus, now capture.Stamp) {
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
			a.tell(asking{a.state, "A request could not be sent: " + b.failure})
		}
	}
}

// plugged notes that the adapter of a bus has come or gone. What was under way
// is not waited for: its answer, or the want of one, says nothing of the vehicle.
func (a *asker) plugged(b *askedBus, there bool, now capture.Stamp) {
	switch {
	case there && b.scheduler == nil:
		b.scheduler = b.begin(now)
		if !slices.ContainsFunc(a.buses, func(b askedBus) bool { return b.scheduler == nil }) {
			a.become(askingSends, "The adapter of "+b.name+" is back: diagnostic requests are sent again.")
		}
	case !there && b.scheduler != nil:
		b.list = add(b.list, b.scheduler.List())
		b.scheduler = nil
		a.become(askingPaused, "Requests paused: the adapter of "+b.name+" is gone.")
	}
}

func (a *asker) become(state, text string) {
	a.state = state
	a.tell(asking{state, text})
}

// summary says in sentences what became of the requests. The asker must have
// ended.
func (a *asker) summary() (lines []string) {
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
