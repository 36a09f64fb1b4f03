// Package board holds what is true now of a running session and what was true
// before, in fixed memory: the newest value of every signal and its history, events,
// alarms, shifts, sources, buses, procedures.
//
// It decides nothing about the vehicle: gear, slip and alarms come from decode, and
// what leaves here is the same for page, report and metrics. It can hurt nothing
// either: Batch and Take copy and return, and nobody who asks is ever waited for.
//
//	b := board.New(board.Options{File: file, Table: table, Clock: clock})
//	for { source.Next(ctx, batch); b.Batch(batch); chain.Push(batch, out); b.Take(out) }
//
// A Board may be used by any number of goroutines.
package board

import (
	"cmp"
	"encoding/json"
	"math"
	"slices"
	"sync"
	"time"

	"gearwitness/capture"
	"gearwitness/decode"
	"gearwitness/signals"
)

// Options say what a board is about.
type Options struct {
	File  *signals.File // the vehicle, for its title, gears, elements and roles
	Table *decode.Table // the signals; samples index it
	// Clock tells how long nothing has come in; only differences count, so its
	// epoch need not be that of the stamps. Without one, time stands still
	// between samples and nothing goes stale when everything falls silent.
	Clock capture.Clock
	// Plan tells the bus view which identifiers the vehicle file describes; nil:
	// none.
	Plan *decode.Plan
}

// Limits of what the board keeps.
const (
	MaxEvents = 2000 // of each kind; older ones are in the journal
	maxKinds  = 32   // kinds beyond are kept together as one
	maxAlarms = 256  // active at a time
	maxBuses  = 256  // capture.Frame.Bus is eight bits
)

const (
	// A source that has said nothing for this long is silent. Shorter gaps are
	// how adapters and batches deliver, not news about the vehicle.
	quiet = 500 * time.Millisecond
	// The analysis waits for its slowest input; its samples are this much
	// behind those of frames at most.
	analysisLag = time.Second
	// Frames or samples older than this do not count as arriving.
	arriving = 2 * time.Second
)

// Board is the state of the session for everybody who looks at it.
type Board struct {
	file  *signals.File
	table *decode.Table
	clock capture.Clock

	mu       sync.Mutex
	round    uint64        // grows with every Restart
	start    capture.Stamp // first stamp seen
	started  bool
	newest   capture.Stamp // newest stamp seen
	analysed capture.Stamp // newest stamp of an analysis sample
	heard    capture.Stamp // clock reading when newest last grew
	decoded  capture.Stamp // newest stamp of a sample out of a frame or line
	samples  uint64
	late     uint64 // samples older than the history's open bucket
	latest   []latest
	history  history
	buses    []bus
	sources  []Source
	requests Requests
	counts   []decode.FrameCount // as last told
	unusable []string            // frames of which none could be used lately, and why
	seq      uint64
	events   map[string]*ring[Event]
	alarms   []Alarm
	shifts   []ShiftCount

	procedures proceduresShown

	traffic traffic // has a lock of its own
}

// latest is the newest sample of a signal.
type latest struct {
	seen   bool
	status decode.Status
	at     capture.Stamp
	v      float64
	peak   float64 // largest magnitude since the peak was last taken; NaN: none
}

// bus counts what one channel carried.
type bus struct {
	channel capture.Channel
	frames  uint64
	errors  uint64 // error messages of the controller, no frames of the bus
	last    capture.Stamp
	lost    map[string]uint64
	fd      bool
	second  int64 // event second that now counts
	now     amount
	full    amount // of the second before
	fullAt  int64
}

// amount is what a bus carried in a second.
type amount struct{ frames, bits uint64 }

// Event is an event of the session as the API hands it out.
type Event struct {
	Seq  uint64          `json:"seq"`  // grows by one an event, from 1
	T    float64         `json:"t"`    // seconds since session start
	Kind string          `json:"kind"` //
	Data json.RawMessage `json:"data"` // the event's own object: time_s, kind, ...
}

// Alarm is an alarm that is raised.
type Alarm struct {
	Name string `json:"name"`
	// Subject is the element, sensor or shift it is about; empty for an alarm of the
	// vehicle file.
	Subject string  `json:"subject,omitempty"`
	Level   string  `json:"level"`          // note, caution or stop
	Say     string  `json:"say"`            // spoken
	Text    string  `json:"text,omitempty"` // shown; say where it is empty
	Since   float64 `json:"since"`          // seconds since session start
}

// SourceState tells how a source is doing.
type SourceState string

// States of a source.
const (
	SourceOpening SourceState = "opening" // not open yet, or being opened again
	SourceOpen    SourceState = "open"
	SourceSilent  SourceState = "silent" // open, but it did not answer; some never do
	SourceLost    SourceState = "lost"   // unplugged or failed; Text says what to do
	SourceEnded   SourceState = "ended"  // a played-back file or the van came to its end
)

// Source is one place that frames or lines come from.
type Source struct {
	Address  string      `json:"address"`  // as it was asked for: slcan:/dev/ttyUSB0?bitrate=500k
	Playback bool        `json:"playback"` // a recording being played back, not a vehicle
	State    SourceState `json:"state"`
	Text     string      `json:"text"` // one sentence for people: what is wrong and what to do
}

// Requests tells whether the program asks the vehicle's units, that is, sends on
// its buses. The zero value is that it does not.
type Requests struct {
	State string `json:"state"` // empty: nothing is sent; sending, paused or stopped
	Text  string `json:"text"`  // one sentence for people
}

// New returns an empty board.
func New(o Options) *Board {
	b := &Board{
		file: o.File, table: o.Table, clock: o.Clock,
		latest: make([]latest, len(o.Table.Signals)),
		events: make(map[string]*ring[Event]),
	}
	for i := range b.latest {
		b.latest[i].peak = math.NaN()
	}
	b.history = newHistory(o.Table)
	b.traffic.plan, b.traffic.heard = o.Plan, make(map[uint64]*heard)
	return b
}

// File returns the vehicle file that the board is about.
func (b *Board) File() *signals.File { return b.file }

// Table returns the table of its signals.
func (b *Board) Table() *decode.Table { return b.table }

// Take notes what one step of decoding and analysis produced. It copies what it
// keeps; out may be reused at once.
func (b *Board) Take(out *decode.Output) {
	b.mu.Lock()
	defer b.mu.Unlock()
	for i := range out.Samples {
		s := &out.Samples[i]
		b.tick(s.Time)
		switch b.table.Signals[s.Signal].Origin {
		case decode.FromAnalysis:
			b.analysed = max(b.analysed, s.Time)
		case decode.FromFrame, decode.FromLine:
			b.decoded = max(b.decoded, s.Time)
		}
		l := &b.latest[s.Signal]
		valid := s.Status == decode.Valid // what cannot be true is shown in words, not drawn
		if !b.history.add(s.Signal, s.Time, s.Value, valid) {
			b.late++
			continue
		}
		l.seen, l.status, l.at, l.v = true, s.Status, s.Time, s.Value
		if m := math.Abs(s.Value); valid && !(m <= l.peak) {
			l.peak = m
		}
	}
	b.samples += uint64(len(out.Samples))
	for _, e := range out.Events {
		b.event(e)
	}
}

// Batch counts the frames, lines and losses of a batch as it was captured.
func (b *Board) Batch(in *capture.Batch) {
	b.traffic.batch(in)
	b.mu.Lock()
	defer b.mu.Unlock()
	for i := len(b.buses); i < len(in.Channels) && i < maxBuses; i++ {
		b.buses = append(b.buses, bus{lost: make(map[string]uint64)})
	}
	for i := range b.buses[:min(len(b.buses), len(in.Channels))] {
		b.buses[i].channel = in.Channels[i]
	}
	for i := range in.Frames {
		f := &in.Frames[i]
		if int(f.Bus) >= len(b.buses) {
			continue
		}
		b.tick(f.Time)
		b.buses[f.Bus].count(f)
	}
	for i := range in.Lines {
		l := &in.Lines[i]
		if int(l.Port) >= len(b.buses) {
			continue
		}
		b.tick(l.Time)
		b.buses[l.Port].add(l.Time, 0)
	}
	for _, l := range in.Losses {
		if int(l.Channel) < len(b.buses) {
			b.buses[l.Channel].lost[reason(l.Reason)] += l.Count
		}
	}
}

// Restart makes the board that of a drive that begins at a time of a recording:
// nothing of before remains but the sources. Second 0 of everything shown is
// start.
func (b *Board) Restart(start, at capture.Stamp) {
	b.traffic.restart()
	b.mu.Lock()
	defer b.mu.Unlock()
	b.round++
	b.started, b.start = true, start
	b.newest, b.analysed, b.decoded = at, at-1, at
	if b.clock != nil {
		b.heard = b.clock.Now()
	}
	b.samples, b.late = 0, 0
	for i := range b.latest {
		b.latest[i] = latest{peak: math.NaN()}
	}
	b.history = newHistory(b.table)
	b.buses, b.shifts, b.alarms, b.counts, b.unusable = nil, nil, nil, nil, nil
	clear(b.events) // numbers go on: a page never has the same twice
}

// Round counts the restarts.
func (b *Board) Round() uint64 {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.round
}

// Sources tells the board how the sources are doing; call it on every change.
func (b *Board) Sources(s []Source) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.sources = slices.Clone(s)
}

// Requests tells the board what becomes of the requests; call it on every change.
func (b *Board) Requests(r Requests) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.requests = r
}

// reason keeps the set of a metric's label values closed.
func reason(s string) string {
	switch s {
	case capture.ReasonMalformed, capture.ReasonOverrun, capture.ReasonQueue, capture.ReasonDisk:
		return s
	}
	return capture.ReasonUnknown
}

// tick moves event time forward.
func (b *Board) tick(t capture.Stamp) {
	if !b.started {
		b.started, b.start, b.newest, b.analysed, b.decoded = true, t, t-1, t-1, t-1
	}
	if t > b.newest {
		b.newest = t
		if b.clock != nil {
			b.heard = b.clock.Now()
		}
	}
}

// ended tells that no source will deliver any more.
func (b *Board) ended() bool {
	return len(b.sources) > 0 && !slices.ContainsFunc(b.sources, func(s Source) bool { return s.State != SourceEnded })
}

// shown is the event time that page and API show: now, but no further than
// where the sources ended.
func (b *Board) shown() capture.Stamp {
	if b.ended() {
		return b.newest
	}
	return b.now()
}

// now is the event time at this moment: the newest stamp, and beyond it only
// once the sources have fallen silent. Values go stale by it, after the end of
// a recording too: /metrics must not freeze.
func (b *Board) now() capture.Stamp {
	if b.clock == nil || !b.started {
		return b.newest
	}
	if silence := b.clock.Now().Sub(b.heard); silence > quiet {
		return b.newest.Add(silence)
	}
	return b.newest
}

// seconds since session start.
func (b *Board) seconds(t capture.Stamp) float64 {
	if !b.started {
		return 0
	}
	return t.Sub(b.start).Seconds()
}

// count adds a frame. Bits are those of ISO 11898-1 without stuff bits, which
// add up to a fifth: start 1, identifier 11 and 1+1+1 control bits (29 and
// 1+1+1+1+2), length 4, check sum 15+1, acknowledge 2, end 7, gap 3.
func (b *bus) count(f *capture.Frame) {
	if f.Flags&capture.Error != 0 {
		b.errors++
		return
	}
	b.fd = b.fd || f.Flags&capture.FD != 0
	bits := uint64(47)
	if f.Flags&capture.Extended != 0 {
		bits = 67
	}
	b.add(f.Time, bits+8*uint64(len(f.Payload())))
}

// add counts a frame or line.
func (b *bus) add(at capture.Stamp, bits uint64) {
	b.frames++
	b.last = max(b.last, at)
	if s := floorDiv(at, capture.Stamp(time.Second)); s != b.second {
		b.full, b.fullAt, b.second, b.now = b.now, b.second, s, amount{}
	}
	b.now.frames++
	b.now.bits += bits
}

// lastSecond is what came in the last full second.
func (b *bus) lastSecond(now capture.Stamp) amount {
	full, at := b.full, b.fullAt
	s := floorDiv(now, capture.Stamp(time.Second))
	if s > b.second { // the second that was being counted is over
		full, at = b.now, b.second
	}
	if at != s-1 {
		return amount{}
	}
	return full
}

// load is the share of the bus's time that frames took in the last full second.
func (b *bus) load(now capture.Stamp) (float64, bool) {
	if b.fd || b.channel.BitRate <= 0 || b.channel.Kind != capture.CAN {
		return 0, false
	}
	return float64(b.lastSecond(now).bits) / float64(b.channel.BitRate), true
}

// rate is how many frames or lines came in the last full second.
func (b *bus) rate(now capture.Stamp) float64 { return float64(b.lastSecond(now).frames) }

// alarmView is what this package needs to know of an alarm event.
type alarmView struct {
	Alarm   string `json:"alarm"`
	Subject string `json:"subject"`
	Level   string `json:"level"`
	State   string `json:"state"` // raised or cleared; of others nothing follows
	Say     string `json:"say"`
	Text    string `json:"text"`
}

// shiftView is what this package needs to know of a shift event.
type shiftView struct {
	From     string   `json:"from"`
	To       string   `json:"to"`
	Duration *float64 `json:"duration_s"` // nil: the end was not seen
}

// event keeps an event and draws from it what is counted.
func (b *Board) event(e decode.Event) {
	b.tick(e.Time)
	data, err := json.Marshal(e)
	if err != nil { // the program's own fault; the rest of the session goes on
		data, _ = json.Marshal(decode.Event{Time: e.Time, Kind: e.Kind, Fields: map[string]string{"fault": err.Error()}})
	}
	b.seq++
	kept := Event{Seq: b.seq, T: b.seconds(e.Time), Kind: e.Kind, Data: data}
	r := b.events[e.Kind]
	if r == nil {
		kind := e.Kind
		if len(b.events) >= maxKinds {
			kind = ""
		}
		if r = b.events[kind]; r == nil {
			r = &ring[Event]{cap: MaxEvents}
			b.events[kind] = r
		}
	}
	r.push(kept)
	switch e.Kind {
	case decode.KindAlarm:
		var v alarmView
		if json.Unmarshal(data, &v) == nil {
			b.alarm(v, kept.T)
		}
	case decode.KindShift:
		var v shiftView
		if json.Unmarshal(data, &v) == nil {
			b.shift(v)
		}
	}
}

// alarm raises or clears one.
func (b *Board) alarm(v alarmView, t float64) {
	i := slices.IndexFunc(b.alarms, func(a Alarm) bool { return a.Name == v.Alarm && a.Subject == v.Subject })
	switch {
	case v.State == "raised" && i < 0 && len(b.alarms) < maxAlarms:
		b.alarms = append(b.alarms, Alarm{Name: v.Alarm, Subject: v.Subject, Level: v.Level, Say: v.Say, Text: v.Text, Since: t})
	case v.State == "raised" && i >= 0:
		b.alarms[i].Level, b.alarms[i].Say, b.alarms[i].Text = v.Level, v.Say, v.Text
	case v.State == "cleared" && i >= 0:
		b.alarms = slices.Delete(b.alarms, i, i+1)
	}
}

var levelNames = [...]string{signals.LevelNote: "note", signals.LevelCaution: "caution", signals.LevelStop: "stop"}

// ByUrgency sorts alarms: stop first, then caution, then note, each by time.
func ByUrgency(alarms []Alarm) {
	slices.SortStableFunc(alarms, func(a, b Alarm) int {
		return cmp.Or(slices.Index(levelNames[:], b.Level)-slices.Index(levelNames[:], a.Level), cmp.Compare(a.Since, b.Since))
	})
}

// Events returns the kept events with a sequence number above after, oldest
// first, of one kind or of all (kind "").
func (b *Board) Events(after uint64, kind string, limit int) []Event {
	b.mu.Lock()
	defer b.mu.Unlock()
	if after >= b.seq {
		return nil
	}
	var out []Event
	for k, r := range b.events {
		if kind != "" && k != kind && k != "" {
			continue
		}
		for e := range r.newestFirst() {
			if e.Seq <= after {
				break
			}
			if kind == "" || e.Kind == kind {
				out = append(out, e)
			}
		}
	}
	slices.SortFunc(out, func(x, y Event) int { return cmp.Compare(x.Seq, y.Seq) })
	if limit > 0 && len(out) > limit {
		out = out[len(out)-limit:]
	}
	return out
}
