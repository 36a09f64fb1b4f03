package decode

import (
	"math"
	"slices"

	"gearwitness/capture"
	"gearwitness/decode/j1939"
	"gearwitness/decode/j1939tp"
	"gearwitness/decode/nmea"
)

// Decoder applies a Plan to the frames of one recording: it keeps what must be
// remembered from frame to frame (alive counters, ages, counts). It is not safe
// for use by several goroutines at once.
type Decoder struct {
	plan     *Plan
	channels []channel
	frames   []frameState
	groups   []groupState
	holders  []holder // by signal
	sentence *nmea.Sentence
	// Stranger, when not nil, is handed every data frame of the vehicle that the
	// vehicle file does not describe. It must not keep the frame.
	Stranger func(f *capture.Frame)
	// due is no later than the first moment a group can grow stale.
	due capture.Stamp
}

// never is later than any stamp.
const never capture.Stamp = math.MaxInt64

// channel is one channel of the recording.
type channel struct {
	route    *route // nil: taken for no bus of the vehicle file
	standard [1 << 11]int32
	extended [extendedSlots]extendedSlot
	unknown  []UnknownID
	numbers  map[uint32]int32 // of unknown, by identifier; bit 31 marks a 29-bit one
	packets  j1939tp.Listener
	answers  []answering
	message  capture.Frame     // one put together from packets
	lines    *lineForm         // of an instrument; nil: not described
	told     map[string]string // what was last told about a unit's faults and refusals
	count    ChannelCount
}

// The identifiers of a bus map to numbers: a frame of the plan from 0 up; from
// answered up a unit that answers requests; active faults and the transport
// protocol of SAE J1939; or below unresolved an entry of the channel's list of unknown ones.
const (
	unresolved = -1
	answered   = 1 << 30
	faults     = math.MaxInt32 - 1
	transport  = math.MaxInt32
)

const (
	extendedSlots = 1 << 10
	maxUnknown    = 1 << 10 // identifiers listed per channel; the rest share the last entry
)

// extendedSlot remembers what a 29-bit identifier was found to be. Identifiers
// that share a slot push each other out, which costs time and nothing else.
type extendedSlot struct {
	id     uint32
	number int32
}

type frameState struct {
	count   FrameCount
	seen    bool
	counter uint64
}

type groupState struct {
	last  capture.Stamp
	seen  bool
	stale bool
	marks uint8 // of its watched signals
}

// holder is the unit whose word counts for a signal that several may send.
type holder struct {
	held   bool
	source uint8
	last   capture.Stamp
}

// NewDecoder returns a Decoder at the beginning of a recording. The table must
// not grow any more.
func (p *Plan) NewDecoder() *Decoder {
	d := &Decoder{
		plan: p, frames: make([]frameState, len(p.frames)), groups: make([]groupState, p.groups),
		holders: make([]holder, len(p.table.Signals)), due: never,
	}
	for i := range p.frames {
		d.frames[i].count.Name = p.frames[i].name
	}
	d.sentence = new(nmea.Sentence)
	return d
}

// Channels tells the decoder about the channels of the batches to come. It may
// be called again when the list has grown at its end.
func (d *Decoder) Channels(list []capture.Channel) {
	for _, c := range list[min(len(d.channels), len(list)):] {
		ch := channel{numbers: make(map[uint32]int32), told: make(map[string]string), count: ChannelCount{Name: c.Name}}
		if bus := busOf(d.plan.buses, c.Name); c.Kind == capture.CAN && bus >= 0 {
			ch.route, ch.count.Bus = &d.plan.routes[bus], d.plan.buses[bus].Name
		}
		if c.Kind == capture.Text {
			ch.lines = d.plan.linesOf(c.Name)
		}
		for i := range ch.standard {
			ch.standard[i] = unresolved
		}
		for i := range ch.extended {
			ch.extended[i] = extendedSlot{id: math.MaxUint32}
		}
		d.channels = append(d.channels, ch)
	}
}

// number returns what an identifier stands for.
func (c *channel) number(id uint32, extended bool) int32 {
	if !extended {
		n := &c.standard[id&(1<<11-1)]
		if *n == unresolved {
			*n = c.resolve(id&(1<<11-1), false)
		}
		return *n
	}
	id &= 1<<29 - 1
	s := &c.extended[id*0x9E3779B1>>22] // Fibonacci hashing to ten bits
	if s.id != id {
		*s = extendedSlot{id, c.resolve(id, true)}
	}
	return s.number
}

// resolve finds a frame of the plan for an identifier, or its entry among the
// unknown ones, which it makes.
func (c *channel) resolve(id uint32, extended bool) int32 {
	if c.route != nil {
		n, list := c.route.meaning(id, extended)
		if n != unresolved {
			return n
		}
		if len(list) > 0 {
			c.answers = append(c.answers, answering{answers: list})
			return int32(answered + len(c.answers) - 1)
		}
	}
	key := id
	if extended {
		key |= 1 << 31
	}
	n, ok := c.numbers[key]
	if !ok {
		n = int32(len(c.unknown))
		switch {
		case n < maxUnknown:
			c.unknown = append(c.unknown, UnknownID{Channel: c.count.Name, ID: id, Extended: extended})
			c.numbers[key] = n
		case n == maxUnknown:
			c.unknown = append(c.unknown, UnknownID{Channel: c.count.Name, Others: true})
		default:
			n = maxUnknown
		}
	}
	return unresolved - 1 - n
}

// Frame decodes one frame and appends its samples to out, in the order the
// signals stand in the file, those under a condition after those without. A
// frame that cannot be trusted yields none and is counted. It allocates nothing
// once out has grown. It returns the marks of the watched signals
// that may be among the samples.
func (d *Decoder) Frame(f *capture.Frame, out *Output) (marks uint8) {
	ch := &d.channels[f.Bus]
	const other = capture.Remote | capture.Error | capture.Own
	if f.Flags&other != 0 || f.Len > capture.MaxData {
		ch.countOther(f)
		return 0
	}
	extended := f.Flags&capture.Extended != 0
	ch.count.Frames++
	ch.count.Bits += wireBits(f.Len, extended)
	n := ch.number(f.ID, extended)
	if n < 0 {
		u := &ch.unknown[unresolved-1-n]
		if u.Count == 0 {
			u.First = f.Time
		}
		u.Count, u.Last = u.Count+1, f.Time
		if d.Stranger != nil {
			d.Stranger(f)
		}
		return 0
	}
	ch.count.Known++
	switch {
	case n < answered:
		return d.decode(n, f, out)
	case n == transport:
		return d.packet(ch, f, out)
	case n == faults:
		d.active(ch, f.Time, uint8(f.ID), f.Data[:f.Len], out)
		return 0
	}
	return d.answer(ch, &ch.answers[n-answered], f, out)
}

// packet takes in a frame of the transport protocol and decodes the parameter
// group it completes.
func (d *Decoder) packet(ch *channel, f *capture.Frame, out *Output) (marks uint8) {
	r := ch.packets.Frame(f.Time, f.ID, f.Data[:f.Len])
	if r.Fault != j1939tp.NoFault {
		ch.count.BrokenMessages++
	}
	m := r.Message
	if m == nil {
		return 0
	}
	id := j1939.ID{Priority: 6, PGN: m.PGN, Source: m.Source, Destination: m.Destination}.Uint32()
	if n, ok := ch.route.find(id, true); ok {
		// Fields lie in the first 64 bytes, as in the longest frame.
		ch.message = capture.Frame{Time: f.Time, ID: id, Bus: f.Bus, Flags: capture.Extended, Len: uint8(min(len(m.Data), capture.MaxData))}
		copy(ch.message.Data[:], m.Data)
		return d.decode(n, &ch.message, out)
	}
	if m.PGN == j1939.DM1 {
		d.active(ch, f.Time, m.Source, m.Data, out)
	}
	return 0
}

func (c *channel) countOther(f *capture.Frame) {
	switch {
	case f.Flags&capture.Error != 0: // not a frame of the bus: the controller's report
		c.count.Errors++
		return
	case f.Flags&capture.Own != 0:
		c.count.Own++
	case f.Flags&capture.Remote != 0:
		c.count.Remote++
	default: // longer than a frame can be: no source of ours gives such a thing
		return
	}
	n := f.Len
	if f.Flags&capture.Remote != 0 {
		n = 0
	}
	c.count.Bits += wireBits(n, f.Flags&capture.Extended != 0)
}

// wireBits is the length of a classic frame with its interframe space, without
// stuff bits (ISO 11898-1: 47 bits besides the data, 67 with a 29-bit
// identifier).
func wireBits(length uint8, extended bool) uint64 {
	if extended {
		return 67 + 8*uint64(length)
	}
	return 47 + 8*uint64(length)
}

// decode applies frame n of the plan.
func (d *Decoder) decode(n int32, f *capture.Frame, out *Output) (marks uint8) {
	fr, st := &d.plan.frames[n], &d.frames[n]
	if int(f.Len) < fr.need {
		st.count.Short++
		return 0
	}
	var count uint64
	if fr.counts > 0 {
		window := fr.counter.Window() // a counter has at most 16 bits
		count = window.Load(&f.Data)
	}
	if fr.check != nil && !fr.intact(f, count) {
		st.count.Checksum++
		return 0
	}
	if fr.counts > 0 && !st.alive(count, fr.counts) {
		st.count.Repeated++
		return 0
	}
	st.count.Good++
	st.count.Last = f.Time
	for i := range fr.groups {
		g := &fr.groups[i]
		if !g.present(&f.Data) {
			continue
		}
		marks |= d.groups[fr.firstGroup+i].marks
		d.touch(fr, i, f.Time, out)
		if fr.shared {
			d.shared(fr, g, f, out)
			continue
		}
		k := len(out.Samples)
		out.Samples = slices.Grow(out.Samples, len(g.fields))[:k+len(g.fields)]
		sampleAll(g.fields, f, out.Samples[k:])
	}
	return marks
}

// sampleAll decodes fields into as many samples. It stands by itself so that its
// loop has the registers of the processor for itself.
func sampleAll(fields []field, f *capture.Frame, samples []Sample) {
	samples = samples[:len(fields)]
	for i := range fields {
		fl, s := &fields[i], &samples[i]
		raw, good := fl.read(&f.Data)
		if !good {
			*s = fl.sample(f)
			continue
		}
		s.Time, s.Signal, s.Status, s.Value = f.Time, fl.signal, Valid, fl.value(float64(int64(raw)))
	}
}

func (g *group) present(data *[capture.MaxData]byte) bool {
	for i := range g.conditions {
		if !g.conditions[i].holds(data) {
			return false
		}
	}
	return true
}

// alive judges an alive counter of so many values. A jump means that frames were
// lost on the way; this one is as good as any. A counter that stands still means
// that its sender repeats old data; one beyond its values, that it has none.
func (s *frameState) alive(now, values uint64) bool {
	before, seen := s.counter, s.seen
	if now >= values || seen && now == before {
		return false
	}
	s.counter, s.seen = now, true
	if seen {
		s.count.Missed += (now + values - before - 1) % values
	}
	return true
}

// touch notes that a group has come and says so if it had gone stale.
func (d *Decoder) touch(fr *frame, i int, at capture.Stamp, out *Output) {
	g := &d.groups[fr.firstGroup+i]
	after := fr.groups[i].stale
	if after == 0 {
		return
	}
	if g.stale {
		out.Events = append(out.Events, fr.fresh(i, g.last, at))
	}
	g.last, g.seen, g.stale = at, true, false
	d.due = min(d.due, at+after)
}

// fresh is the event of a group that comes again.
func (fr *frame) fresh(i int, last, at capture.Stamp) Event {
	return Event{at, KindStale, Stale{Frame: fr.name, Signals: fr.groups[i].names, State: "fresh", Since: Seconds(last)}}
}

// Watch makes Frame tell, by a mark of the caller's, when a frame may bring a
// sample of that signal. Marks of several calls are joined bit by bit.
func (d *Decoder) Watch(signal int32, mark uint8) {
	for i := range d.plan.frames {
		fr := &d.plan.frames[i]
		for j := range fr.groups {
			if slices.ContainsFunc(fr.groups[j].fields, func(f field) bool { return f.signal == signal }) {
				d.groups[fr.firstGroup+j].marks |= mark
			}
		}
	}
}

// shared decodes a group that any source address may send. Two units that
// broadcast the same parameter group would otherwise alternate in one signal,
// or the one that does not know would wipe out the other's word: a signal is
// held by the unit that gave it a value until that one falls silent or says
// that it has none.
func (d *Decoder) shared(fr *frame, g *group, f *capture.Frame, out *Output) {
	source := uint8(f.ID)
	for j := range g.fields {
		fl := &g.fields[j]
		h := &d.holders[fl.signal]
		if h.held && h.source != source && (g.stale == 0 || f.Time-h.last < g.stale) {
			continue
		}
		s := fl.sample(f)
		*h = holder{s.Status == Valid || s.Status == Implausible, source, f.Time}
		out.Samples = append(out.Samples, s)
	}
}

// Advance moves event time to now, before anything of that time is decoded, and
// appends an event for every group of signals that has grown stale since.
func (d *Decoder) Advance(now capture.Stamp, out *Output) {
	if now >= d.due {
		d.age(now, out)
	}
}

func (d *Decoder) age(now capture.Stamp, out *Output) {
	first := len(out.Events)
	d.due = never
	for i := range d.plan.frames {
		fr := &d.plan.frames[i]
		for j := range fr.groups {
			g := &d.groups[fr.firstGroup+j]
			after := fr.groups[j].stale
			if !g.seen || g.stale || after == 0 {
				continue
			}
			at := g.last + after
			if at > now {
				d.due = min(d.due, at)
				continue
			}
			g.stale = true
			out.Events = append(out.Events, Event{at, KindStale, Stale{
				Frame: fr.name, Signals: fr.groups[j].names, State: "stale", Since: Seconds(g.last),
			}})
		}
	}
	slices.SortStableFunc(out.Events[first:], func(a, b Event) int { return int(min(max(a.Time-b.Time, -1), 1)) })
}

// Stale is what a KindStale event tells: signals that have stopped coming, or
// come again.
type Stale struct {
	Frame   string   `json:"frame"`
	Signals []string `json:"signals"`
	State   string   `json:"state"`   // "stale" or "fresh"
	Since   Seconds  `json:"since_s"` // time of the last good one before
}
