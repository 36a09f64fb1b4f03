package board

import (
	"slices"

	"gearwitness/capture"
)

// Overview is how everything but the values stands, at one moment.
type Overview struct {
	Start      capture.Stamp // second 0 of everything else
	Now        float64       // event time in seconds since Start
	Ended      bool          // no source will deliver any more
	Connection Connection
	Sources    []Source
	Buses      []BusStatus
	Requests   Requests
	Alarms     []Alarm // raised now
	Samples    uint64
	Late       uint64 // samples too old for the history
}

// BusStatus is one bus or serial instrument.
type BusStatus struct {
	Name    string            `json:"name"`
	Device  string            `json:"device"`
	Text    bool              `json:"text"` // lines, not frames
	BitRate int               `json:"bit_rate,omitempty"`
	Passive bool              `json:"passive"`
	Frames  uint64            `json:"frames"`
	Load    *float64          `json:"load"` // 0 to 1, without stuff bits; null: not known
	Lost    map[string]uint64 `json:"lost"` // by reason
}

// Overview returns how everything stands now.
func (b *Board) Overview() Overview {
	b.mu.Lock()
	defer b.mu.Unlock()
	o := Overview{
		Start: b.start, Now: b.seconds(b.shown()), Ended: b.ended(), Connection: b.connection(),
		Sources: append([]Source{}, b.sources...), Requests: b.requests, Alarms: append([]Alarm{}, b.alarms...),
		Samples: b.samples, Late: b.late, Buses: make([]BusStatus, len(b.buses)),
	}
	now := b.now()
	for i := range b.buses {
		o.Buses[i] = b.buses[i].status(now)
	}
	return o
}

func (b *bus) status(now capture.Stamp) BusStatus {
	st := BusStatus{
		Name: b.channel.Name, Device: b.channel.Device, Text: b.channel.Kind == capture.Text,
		BitRate: b.channel.BitRate, Passive: b.channel.Passive, Frames: b.frames, Lost: make(map[string]uint64, len(b.lost)),
	}
	for k, n := range b.lost {
		st.Lost[k] = n
	}
	if load, ok := b.load(now); ok {
		st.Load = &load
	}
	return st
}

// Span returns the stamp of second 0 and the newest one; false while nothing has
// come.
func (b *Board) Span() (start, newest capture.Stamp, begun bool) {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.start, b.newest, b.started
}

// LastEvent returns the number of the newest event.
func (b *Board) LastEvent() uint64 {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.seq
}

// Alarms returns those raised now, the most urgent first.
func (b *Board) Alarms() []Alarm {
	b.mu.Lock()
	defer b.mu.Unlock()
	raised := append([]Alarm{}, b.alarms...)
	ByUrgency(raised)
	return raised
}

// Shifts returns how long shifts took, by change of gear.
func (b *Board) Shifts() []ShiftCount {
	b.mu.Lock()
	defer b.mu.Unlock()
	return slices.Clone(b.shifts)
}
