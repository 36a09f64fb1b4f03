package board

import (
	"bytes"
	"cmp"
	"encoding/hex"
	"fmt"
	"math"
	"slices"
	"strings"
	"sync"
	"time"

	"gearwitness/capture"
	"gearwitness/decode"
	"gearwitness/decode/unknown"
)

// The bus view tells what is on the buses, described or not: for each
// identifier how often it comes, what its data are and which bits of them
// change, and for those that nobody describes what they look like. It has a lock
// of its own, held for a batch while frames are noted and for one identifier at
// a time while somebody asks, so that no question ever delays the board.

// Bounds of the bus view.
const (
	maxIdentifiers = unknown.MaxIDs
	maxMatches     = 20
	// Signals are compared over what the finest level of the history holds.
	comparedOver = 590 * time.Second
)

// traffic is what the bus view has noted.
type traffic struct {
	plan     *decode.Plan // nil: nothing is described
	mu       sync.Mutex
	heard    map[uint64]*heard
	list     []*heard
	channels []capture.Channel
	beyond   []uint64 // by channel: frames of identifiers that found no room
	counts   []decode.FrameCount
	asking   sync.Mutex // one comparison at a time
}

// heard is one identifier.
type heard struct {
	channel  uint8
	id       uint32
	extended bool
	is       decode.Description
	seen     unknown.Traffic
	rows     *unknown.Rows // nil where everything is described
	second   int64         // event second that changed counts
	changed  [capture.MaxData]byte
	before   [capture.MaxData]byte // bits that changed in the second before
	data     [capture.MaxData]byte
	length   uint8
	marks    [4]tally // a second or more apart
	next     int
}

// tally is how many frames had come at a time.
type tally struct {
	at    capture.Stamp
	count uint64
}

// batch notes the frames of a batch.
func (t *traffic) batch(in *capture.Batch) {
	t.mu.Lock()
	defer t.mu.Unlock()
	if len(in.Channels) > len(t.channels) {
		t.channels = slices.Clone(in.Channels)
		t.beyond = append(t.beyond, make([]uint64, len(t.channels)-len(t.beyond))...)
	}
	for i := range in.Frames {
		f := &in.Frames[i]
		if f.Flags&(capture.Remote|capture.Error|capture.Own) != 0 || int(f.Bus) >= len(t.channels) || f.Len > capture.MaxData {
			continue
		}
		key := uint64(f.Bus)<<32 | uint64(f.ID)
		if f.Flags&capture.Extended != 0 {
			key |= 1 << 40
		}
		h := t.heard[key]
		if h == nil {
			if h = t.hear(f); h == nil {
				t.beyond[f.Bus]++
				continue
			}
			t.heard[key] = h
			t.list = append(t.list, h)
		}
		h.note(f)
	}
}

// restart forgets what was heard.
func (t *traffic) restart() {
	t.mu.Lock()
	defer t.mu.Unlock()
	clear(t.heard)
	clear(t.beyond)
	t.list, t.counts = nil, nil
}

// hear begins with an identifier.
func (t *traffic) hear(f *capture.Frame) *heard {
	if len(t.list) >= maxIdentifiers {
		return nil
	}
	h := &heard{channel: f.Bus, id: f.ID, extended: f.Flags&capture.Extended != 0, is: decode.Description{Frame: -1}, second: math.MinInt64}
	if t.plan != nil {
		h.is = t.plan.Describe(t.channels[f.Bus], f.ID, h.extended)
	}
	for _, b := range h.is.Mask[:f.Len] {
		if b != 0xFF {
			h.rows = new(unknown.Rows)
			break
		}
	}
	return h
}

// note takes in a frame.
func (h *heard) note(f *capture.Frame) {
	if s := floorDiv(f.Time, capture.Stamp(time.Second)); s != h.second {
		if s == h.second+1 {
			h.before = h.changed
		} else {
			h.before = [capture.MaxData]byte{}
		}
		h.second, h.changed = s, [capture.MaxData]byte{}
	}
	if h.seen.Count() > 0 {
		for i := range min(f.Len, h.length) {
			h.changed[i] |= h.data[i] ^ f.Data[i]
		}
	}
	copy(h.data[:], f.Data[:f.Len])
	h.length = f.Len
	if h.rows != nil {
		h.rows.Add(f)
	}
	h.seen.Add(f)
	if last := &h.marks[(h.next+len(h.marks)-1)%len(h.marks)]; last.count == 0 || f.Time.Sub(last.at) >= time.Second {
		h.marks[h.next] = tally{f.Time, h.seen.Count()}
		h.next = (h.next + 1) % len(h.marks)
	}
}

// period is the mean time between frames over the last seconds; for rare ones,
// over the last few.
func (h *heard) period() (time.Duration, bool) {
	_, last := h.seen.Last()
	oldest := h.marks[h.next]
	if oldest.count == 0 {
		oldest = h.marks[0]
	}
	if n := h.seen.Count() - oldest.count; n > 0 && last > oldest.at {
		return last.Sub(oldest.at) / time.Duration(n), true
	}
	return 0, false
}

// Counters tells the board what became of the frames of the vehicle file; call
// it about once a second.
func (b *Board) Counters(c decode.Counters) {
	b.traffic.mu.Lock()
	b.traffic.counts = c.Frames
	b.traffic.mu.Unlock()
	b.mu.Lock()
	defer b.mu.Unlock()
	b.unusable = unusable(b.counts, c.Frames)
	b.counts = c.Frames
}

// unusable names the frames that came between two counts of which none could be
// used, and says why.
func unusable(before, now []decode.FrameCount) (names []string) {
	for i, n := range now {
		var o decode.FrameCount
		if i < len(before) {
			o = before[i]
		}
		if n.Good != o.Good {
			continue
		}
		switch {
		case n.Checksum > o.Checksum:
			names = append(names, n.Name+" (wrong check byte)")
		case n.Short > o.Short:
			names = append(names, n.Name+" (too few data bytes)")
		case n.Repeated > o.Repeated:
			names = append(names, n.Name+" (its alive counter stands still)")
		}
	}
	return names
}

// The JSON of the bus view. js/types.js of the page describes the same objects.
type (
	// BusView is /api/v1/bus.
	BusView struct {
		Now         float64      `json:"now"` // seconds since session start
		Buses       []BusLine    `json:"buses"`
		Identifiers []Identifier `json:"identifiers"` // in the order of buses and of identifiers
	}
	// BusLine is one bus or instrument.
	BusLine struct {
		BusStatus
		Rate   float64 `json:"rate"`   // frames or lines in the last full second
		Errors uint64  `json:"errors"` // error messages of the controller
		Beyond uint64  `json:"beyond"` // frames of identifiers that found no room in the list
	}
	// Identifier is one identifier of a bus.
	Identifier struct {
		Bus      int      `json:"bus"` // index into Buses
		ID       string   `json:"id"`  // hexadecimal, 3 or 8 digits
		Extended bool     `json:"extended"`
		Name     string   `json:"name"`       // what the vehicle file calls it; empty when not described
		State    string   `json:"state"`      // ok, off: comes too often or too rarely, or gone
		Expected *float64 `json:"expected_s"` // null where the file states none
		Period   *float64 `json:"period_s"`   // over the last seconds; null for a single frame
		Age      float64  `json:"age_s"`
		Count    uint64   `json:"count"`
		Data     string   `json:"data"`    // newest, hexadecimal
		Changed  string   `json:"changed"` // bits that changed in the last second or two, hexadecimal
		// Flips has a digit for each bit, byte 1 bit 1 first: how often it has changed
		// from one frame to the next, 0 never, 1 rarely, 2 now and then, 3 often, 4
		// nearly always.
		Flips string `json:"flips"`
		// Bad tells of a described frame how many could not be used; null where
		// nothing was wrong.
		Bad *Bad `json:"bad"`
		// The rest is of those that nobody describes.
		Looks      []Looks `json:"looks,omitempty"`
		Definition string  `json:"definition,omitempty"` // text for a vehicle file
	}
	// Bad is what made frames unfit for use.
	Bad struct {
		Short    uint64 `json:"short"`    // too few data bytes
		Checksum uint64 `json:"checksum"` // wrong check byte
		Repeated uint64 `json:"repeated"` // alive counter stood still
		Missed   uint64 `json:"missed"`   // sent by its alive counter, and not received
	}
	// Looks is what some bits look like.
	Looks struct {
		Kind  string `json:"kind"`
		Start string `json:"start"` // byte.bit
		Bits  int    `json:"bits"`
		Big   bool   `json:"big"`
		Check string `json:"check,omitempty"` // kind of checksum
	}
	// RelatedView is /api/v1/bus/related.
	RelatedView struct {
		Signal  string         `json:"signal"`
		Seconds float64        `json:"seconds"` // how much of the drive was compared
		Matches []RelatedMatch `json:"matches"` // the best first
	}
	// RelatedMatch is a field that moves with the signal.
	RelatedMatch struct {
		Bus        int     `json:"bus"`
		ID         string  `json:"id"`
		Name       string  `json:"name"` // of the frame where the rest is described
		Start      string  `json:"start"`
		Bits       int     `json:"bits"`
		Big        bool    `json:"big"`
		Signed     bool    `json:"signed"`
		Score      float64 `json:"score"` // share of the signal's movement it explains, 0 to 1
		Resolution float64 `json:"resolution"`
		Offset     float64 `json:"offset"`
		Unit       string  `json:"unit"`
		Definition string  `json:"definition"`
	}
)

// Traffic returns what is on the buses.
func (b *Board) Traffic() BusView {
	st := b.Overview()
	t := &b.traffic
	v := BusView{Now: st.Now, Buses: make([]BusLine, len(st.Buses)), Identifiers: []Identifier{}}
	b.mu.Lock()
	shown, now := b.shown(), b.now()
	for i := range v.Buses {
		v.Buses[i] = BusLine{BusStatus: st.Buses[i], Rate: b.buses[i].rate(now), Errors: b.buses[i].errors}
	}
	b.mu.Unlock()
	t.mu.Lock()
	list := slices.Clone(t.list)
	counts := t.counts
	for i := range min(len(v.Buses), len(t.beyond)) {
		v.Buses[i].Beyond = t.beyond[i]
	}
	t.mu.Unlock()
	slices.SortFunc(list, func(x, y *heard) int {
		return cmp.Or(cmp.Compare(x.channel, y.channel), cmp.Compare(x.rank(), y.rank()))
	})
	for _, h := range list {
		v.Identifiers = append(v.Identifiers, b.identifier(h, shown, counts))
	}
	return v
}

// rank orders identifiers of 11 bits before those of 29.
func (h *heard) rank() uint64 {
	if h.extended {
		return 1<<32 | uint64(h.id)
	}
	return uint64(h.id)
}

// identifier tells of one identifier; the lock of the traffic is held meanwhile.
func (b *Board) identifier(h *heard, now capture.Stamp, counts []decode.FrameCount) Identifier {
	t := &b.traffic
	t.mu.Lock()
	defer t.mu.Unlock()
	_, last := h.seen.Last()
	out := Identifier{
		Bus: int(h.channel), ID: identifierText(h.id, h.extended), Extended: h.extended, Name: h.is.Name, State: "ok",
		Age: max(0, now.Sub(last).Seconds()), Count: h.seen.Count(), Data: hexText(h.data[:h.length]),
	}
	changed := h.changed
	// What changed in the second before counts until this one is over.
	switch s := floorDiv(now, capture.Stamp(time.Second)); {
	case s == h.second:
		for i := range changed {
			changed[i] |= h.before[i]
		}
	case s > h.second+1:
		changed = [capture.MaxData]byte{}
	}
	out.Changed = hexText(changed[:h.length])
	period, ok := h.period()
	if ok {
		p := period.Seconds()
		out.Period = &p
	}
	mask := h.is.Mask[:]
	if h.is.Name != "" {
		mask = whole[:] // no guesses: the file says it
	}
	report := h.seen.Report(mask)
	out.Flips = digits(report.Flips)
	if n := h.is.Frame; n >= 0 {
		def := &b.file.Frames[n].V
		if every := def.Every; every > 0 {
			e := every.Seconds()
			out.Expected = &e
			if ratio := float64(period) / float64(every); ok && (ratio < 0.8 || ratio > 1.25) {
				out.State = "off"
			}
		}
		if gone := def.Stale(); gone > 0 && out.Age > gone.Seconds()+EyeGrace.Seconds() {
			out.State = "gone"
		}
		if n < len(counts) {
			if c := counts[n]; c.Short+c.Checksum+c.Repeated+c.Missed > 0 {
				out.Bad = &Bad{c.Short, c.Checksum, c.Repeated, c.Missed}
			}
		}
	} else if ok && out.Age > max(3*report.Period, 3*period, time.Second).Seconds() {
		out.State = "gone"
	}
	if h.is.Name != "" {
		return out
	}
	for _, f := range report.Fields {
		if f.Kind != unknown.Fixed {
			out.Looks = append(out.Looks, Looks{Kind: f.Kind.String(), Start: fmt.Sprintf("%d.%d", f.Byte, f.Bit), Bits: f.Bits, Big: f.Big, Check: f.Check})
		}
	}
	if len(report.Fields) > 0 {
		out.Definition = report.Definition(b.busName(h.channel))
	}
	return out
}

// whole is the mask of what is described throughout.
var whole = [capture.MaxData]byte(bytes.Repeat([]byte{0xFF}, capture.MaxData))

// busName is what a definition must name as its bus: nothing where the file has
// only one. The lock of the traffic is held.
func (b *Board) busName(channel uint8) string {
	if len(b.file.Buses) == 1 {
		return ""
	}
	return b.traffic.channels[channel].Name
}

func identifierText(id uint32, extended bool) string {
	if extended {
		return fmt.Sprintf("%08X", id)
	}
	return fmt.Sprintf("%03X", id)
}

func hexText(b []byte) string { return strings.ToUpper(hex.EncodeToString(b)) }

// digits says how often each bit flips.
func digits(flips []float64) string {
	b := make([]byte, len(flips))
	for i, f := range flips {
		switch {
		case f == 0:
			b[i] = '0'
		case f < 0.01:
			b[i] = '1'
		case f < 0.1:
			b[i] = '2'
		case f < 0.35:
			b[i] = '3'
		default:
			b[i] = '4'
		}
	}
	return string(b)
}

// Related compares what is not described with a signal.
func (b *Board) Related(signal int32) RelatedView {
	t := &b.traffic
	t.asking.Lock()
	defer t.asking.Unlock()
	in := b.table.Signals[signal]
	v := RelatedView{Signal: in.Name, Matches: []RelatedMatch{}}
	b.mu.Lock()
	newest, start := b.newest, b.start
	b.mu.Unlock()
	history := b.History([]int32{signal}, newest.Add(-comparedOver), newest, int(comparedOver/time.Duration(levels[0].width))+1)
	at := func(f *capture.Frame) float64 {
		return between(history.X, history.Columns[0].Mid, f.Time.Sub(start).Seconds())
	}
	t.mu.Lock()
	list := slices.Clone(t.list)
	t.mu.Unlock()
	c := unknown.NewCorrelation(in.Name, in.Unit)
	var rows []capture.Frame
	for _, h := range list {
		if h.rows == nil {
			continue
		}
		t.mu.Lock()
		rows = h.rows.AppendTo(rows[:0])
		t.mu.Unlock()
		for i := range rows {
			if x := at(&rows[i]); x == x {
				c.Reference(rows[i].Time, x)
				c.Frame(&rows[i])
			}
		}
	}
	if n := len(history.X); n > 0 {
		v.Seconds = history.X[n-1] - history.X[0]
	}
	t.mu.Lock()
	defer t.mu.Unlock()
	find := func(channel uint8, id uint32, extended bool) *heard {
		i := slices.IndexFunc(list, func(h *heard) bool { return h.channel == channel && h.id == id && h.extended == extended })
		return list[i] // its rows were compared
	}
	for _, m := range c.Report(maxMatches, func(channel uint8, id uint32, extended bool) []byte {
		return find(channel, id, extended).is.Mask[:]
	}) {
		h := find(m.Channel, m.ID, m.Extended)
		m.Period, _ = h.period() // rows are thinned out
		out := RelatedMatch{
			Bus: int(m.Channel), ID: identifierText(m.ID, m.Extended), Name: h.is.Name, Start: fmt.Sprintf("%d.%d", m.Field.Byte, m.Field.Bit),
			Bits: m.Field.Bits, Big: m.Field.Big, Signed: m.Signed, Score: m.Score, Resolution: m.Resolution, Offset: m.Offset, Unit: string(in.Unit),
		}
		if h.is.Frame >= 0 {
			out.Definition = m.Addition(b.busName(m.Channel))
		} else {
			out.Definition = m.Definition(b.busName(m.Channel))
		}
		v.Matches = append(v.Matches, out)
	}
	return v
}

// between returns the value of a column at x, on the line between its
// neighbours; NaN beside a gap.
func between(xs []float64, ys []float32, x float64) float64 {
	i, _ := slices.BinarySearch(xs, x)
	if i == 0 || i == len(xs) {
		return math.NaN()
	}
	a, b := float64(ys[i-1]), float64(ys[i])
	return a + (b-a)*(x-xs[i-1])/(xs[i]-xs[i-1])
}
