package decode

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"gearwitness/capture"
	"gearwitness/decode/j1939"
	"gearwitness/signals"
	"gearwitness/signals/bits"
	"gearwitness/signals/checksum"
	"gearwitness/signals/portable"
)

// Plan is a vehicle file made ready for decoding: the table of its signals and,
// per bus, where each identifier's fields lie. It is immutable once decoding
// has begun and may serve several Decoders.
type Plan struct {
	table  *Table
	buses  signals.Named[signals.Bus]
	frames []frame // of the file in its order, then one for each request and each instrument
	routes []route // by bus of the file
	lines  []lineForm
	groups int // of all frames together
}

// frame is one frame of the vehicle file, compiled; or the answer to a request,
// whose data come by the transport protocol; or the lines of an instrument.
type frame struct {
	name       string
	need       int // data bytes
	counter    bits.Field
	counts     uint64 // values of the counter; 0: there is none
	check      *signals.Checksum
	kind       checksum.Kind
	eight      *[8][256]byte // of a CRC over 8 bytes: what each byte at each place contributes
	groups     []group
	firstGroup int // number of groups[0] among those of all frames
	stale      capture.Stamp
	// shared: the vehicle file leaves the source address open, so that several
	// units may send this group; see Decoder.shared.
	shared bool
}

// group is the signals of a frame that come and go together: those without a
// condition, or those under the same ones.
type group struct {
	conditions []condition
	fields     []field
	names      []string
	stale      capture.Stamp // age at which it counts as gone; 0: never
}

// condition is that a field of the frame has one of some raw values.
type condition struct {
	interval      // the first of the values
	more     bool // it does not tell all: ask thorough
	field    bits.Field
	signal   *signals.Signal
	values   []signals.RawRange
}

func newCondition(f bits.Field, s *signals.Signal, values []signals.RawRange) condition {
	c := condition{interval: empty, more: true, field: f, signal: s, values: values}
	if len(values) > 0 && values[0].Low <= values[0].High && !f.Wide() {
		c.interval, c.more = newInterval(&f, s.Number == signals.Signed, values[0].Low, values[0].High), len(values) > 1
	}
	return c
}

func (c *condition) holds(data *[capture.MaxData]byte) bool {
	_, in := c.read(data)
	return in || c.more && c.thorough(data)
}

func (c *condition) thorough(data *[capture.MaxData]byte) bool {
	return within(c.signal.Raw(c.field.Load(data)), c.values)
}

func within(raw int64, ranges []signals.RawRange) bool {
	for _, r := range ranges {
		if r.Low <= raw && raw <= r.High {
			return true
		}
	}
	return false
}

// interval is a stretch of the raw values of a field of whole numbers, made to
// be read and compared in a few steps. The zero interval holds the value 0.
type interval struct {
	window    bits.Window
	sign      uint64 // weight of the sign bit; 0 for unsigned fields
	low, span uint64 // from low to low+span, modulo 2^64
}

// empty holds nothing, whatever the data.
var empty = interval{low: 1}

// newInterval returns that of a field which one load can read; low <= high.
func newInterval(f *bits.Field, signed bool, low, high int64) interval {
	i := interval{window: f.Window(), low: uint64(low), span: uint64(high) - uint64(low)}
	if signed {
		i.sign = 1 << (f.Width() - 1)
	}
	return i
}

// read returns the raw value, sign extended where it has one, and whether it
// lies in the interval.
func (i *interval) read(data *[capture.MaxData]byte) (raw uint64, in bool) {
	raw = i.window.Load(data)
	raw = raw ^ i.sign - i.sign
	return raw, raw-i.low <= i.span
}

// field is one signal in the data. What nearly all samples need comes first and
// is kept small: decoding is bound by how fast it can be read.
type field struct {
	interval           // raw values that are good ones: their value is raw * resolution + offset
	resolution, offset float64
	signal             int32
	rare               *rare
}

// rare is what the other samples need.
type rare struct {
	bits bits.Field
	read reading
	sae  bool // SAE J1939 ranges apply
	def  *signals.Signal

	low, high float64 // infinite where the file states no range
}

// reading is how the bits become a number.
type reading uint8

const (
	whole    reading = iota // up to 63 bits unsigned, up to 64 signed
	unsigned                // 64 bits unsigned
	float32s
	float64s
)

// status tells what the raw value stands for.
func (f *rare) status(raw uint64) Status {
	if within(f.def.Raw(raw), f.def.Missing) {
		return NotAvailable
	}
	if !f.sae {
		return Valid
	}
	switch j1939.Classify(raw, f.bits.Width()) {
	case j1939.Value:
		return Valid
	case j1939.Error:
		return Faulty
	case j1939.Specific:
		// A parameter's own meaning, such as a gear's "park", is a value where
		// the file names it.
		for _, st := range f.def.States {
			if uint64(st.V) == raw {
				return Valid
			}
		}
	}
	return NotAvailable
}

// number reads the raw value as the number it is.
func (f *rare) number(raw uint64) float64 {
	switch f.read {
	case float32s:
		return float64(math.Float32frombits(uint32(raw)))
	case float64s:
		return math.Float64frombits(raw)
	case unsigned:
		return float64(raw)
	}
	return float64(f.def.Raw(raw))
}

// sample decodes a field the thorough way.
func (f *field) sample(from *capture.Frame) Sample {
	raw := f.rare.bits.Load(&from.Data)
	s := Sample{Time: from.Time, Signal: f.signal, Status: f.rare.status(raw)}
	if s.Status != Valid {
		return s
	}
	if s.Value, s.Status = f.scale(f.rare.number(raw)); s.Status == NotAvailable || !f.rare.def.Converts() {
		return s
	}
	v, ok := f.rare.def.Convert(s.Value) // the range is that of the value, not of the figure
	switch {
	case !ok || math.IsNaN(v) || math.IsInf(v, 0):
		s.Value, s.Status = 0, Faulty
	case v >= f.rare.low && v <= f.rare.high:
		s.Value, s.Status = v, Valid
	default:
		s.Value, s.Status = v, Implausible
	}
	return s
}

// value turns a raw number into the signal's unit.
func (f *field) value(raw float64) float64 {
	// The conversion keeps the compiler from fusing product and sum, so that
	// every processor gives the same bits.
	return float64(raw*f.resolution) + f.offset
}

// scale turns a raw number into the signal's unit and judges it.
func (f *field) scale(raw float64) (float64, Status) {
	v := f.value(raw)
	switch {
	case v >= f.rare.low && v <= f.rare.high:
		return v, Valid
	case v != v: // a float that is no number
		return 0, NotAvailable
	}
	return v, Implausible
}

// good returns the raw values that sample finds valid, as far as they are one
// stretch of whole numbers that one load can read.
func (f *field) good() interval {
	b, def := &f.rare.bits, f.rare.def
	if f.rare.read != whole || def.Converts() || b.Wide() || b.Width() > 62 { // up to there nothing below overflows
		return empty
	}
	low, high := int64(0), int64(b.Max())
	signed := def.Number == signals.Signed
	switch {
	case signed:
		low, high = -high/2-1, high/2
	case f.rare.sae:
		high = int64(highest(b.Width()))
	}
	for _, m := range def.Missing { // leaves the longer stretch beside it
		if from, to := max(m.Low, low), min(m.High, high); from > to {
			continue
		} else if from-low > high-to {
			high = from - 1
		} else {
			low = to + 1
		}
	}
	rises := f.resolution > 0
	low = first(low, high, func(raw int64) bool {
		v := f.value(float64(raw))
		return rises && v >= f.rare.low || !rises && v <= f.rare.high
	})
	high = first(low, high, func(raw int64) bool {
		v := f.value(float64(raw))
		return rises && v > f.rare.high || !rises && v < f.rare.low
	}) - 1
	if low > high {
		return empty
	}
	return newInterval(b, signed, low, high)
}

// first returns the lowest number from low to high for which is holds, high+1
// if it holds for none; once it holds it does so for all above.
func first(low, high int64, is func(int64) bool) int64 {
	for low <= high {
		if mid := low + (high-low)/2; is(mid) {
			high = mid - 1
		} else {
			low = mid + 1
		}
	}
	return low
}

// route finds the frame for an identifier on one bus. Its maps are asked once
// per identifier; the Decoder remembers.
type route struct {
	standard map[uint32]int32
	extended map[uint32]int32
	group    map[groupKey]int32
	answers  []answer
	sae      bool // SAE J1939 is spoken: some frames are parameter groups
}

// groupKey is a parameter group with the addresses that the file gives; anyone
// where it gives none.
type groupKey struct {
	pgn                 uint32
	source, destination int16
}

const anyone = -1

func (r *route) find(id uint32, extended bool) (int32, bool) {
	if !extended {
		i, ok := r.standard[id]
		return i, ok
	}
	if i, ok := r.extended[id]; ok {
		return i, true
	}
	j := j1939.ParseID(id)
	from, to := int16(j.Source), int16(j.Destination)
	for _, k := range [...]groupKey{{j.PGN, from, to}, {j.PGN, from, anyone}, {j.PGN, anyone, to}, {j.PGN, anyone, anyone}} {
		if i, ok := r.group[k]; ok {
			return i, true
		}
	}
	return 0, false
}

// Compile makes a Plan of a validated vehicle file. Its table holds the signals
// of frames in the file's order, then those of requests, then those of text
// lines, then computed ones; the analysis appends its own.
func Compile(f *signals.File) (*Plan, error) {
	p := &Plan{table: &Table{}, buses: f.Buses, routes: make([]route, len(f.Buses))}
	for i := range p.routes {
		p.routes[i] = route{standard: map[uint32]int32{}, extended: map[uint32]int32{}, group: map[groupKey]int32{}}
	}
	for i := range f.Frames {
		e := &f.Frames[i]
		if err := p.addFrame(f, e); err != nil {
			return nil, fmt.Errorf("frame %s: %w", e.Name, err)
		}
	}
	for i := range f.Requests {
		e := &f.Requests[i]
		if err := p.addRequest(f, e); err != nil {
			return nil, fmt.Errorf("request %s: %w", e.Name, err)
		}
	}
	for i := range f.Lines {
		p.addLines(&f.Lines[i])
	}
	for _, e := range f.Computed {
		p.table.Add(Info{Name: e.Name, Title: e.V.Title, Unit: e.V.Unit, Origin: FromFormula, Digits: 2})
	}
	return p, nil
}

// Table returns the table of the plan's signals. It is shared, not copied.
func (p *Plan) Table() *Table { return p.table }

// busOf returns the bus a channel of that name is taken for, -1 for none: the
// one of the same name, or the only one there is.
func busOf(f signals.Named[signals.Bus], channel string) int {
	if i := f.Index(channel); i >= 0 {
		return i
	}
	if len(f) == 1 {
		return 0
	}
	return -1
}

func errNoBus(name string) error { return fmt.Errorf("bus %q is not described", name) }

// addFrame compiles one frame.
func (p *Plan) addFrame(f *signals.File, e *signals.Entry[signals.Frame]) error {
	def := &e.V
	bus := busOf(f.Buses, def.Bus)
	if bus < 0 {
		return errNoBus(def.Bus)
	}
	fr := frame{name: e.Name, need: def.Length, stale: capture.Stamp(def.Stale()), shared: def.PGN != nil && def.Source == nil}
	r := &p.routes[bus]
	if err := p.route(r, def); err != nil {
		return err
	}
	if err := p.addFields(&fr, def.Signals, def.J1939(), def.StaleOf); err != nil {
		return err
	}
	if c := def.Counter; c != nil {
		cf, err := bits.New(c.Start, c.Bits, bits.Little)
		if err != nil {
			return fmt.Errorf("counter: %w", err)
		}
		fr.counter, fr.counts, fr.need = cf, uint64(c.Values()), max(fr.need, cf.Need())
	}
	if c := def.Checksum; c != nil {
		kind, ok := checksum.Lookup(c.Kind)
		if !ok {
			return fmt.Errorf("checksum %q is not known", c.Kind)
		}
		if c.Byte < 1 || c.Byte > capture.MaxData {
			return fmt.Errorf("checksum: byte %d is outside the data", c.Byte)
		}
		fr.check, fr.kind, fr.need = c, kind, max(fr.need, c.Byte)
		if kind.Linear() && c.Byte <= 8 && len(c.PerCounter) == 0 {
			fr.eight = contributions(c, kind)
		}
	}
	r.sae = r.sae || def.J1939()
	p.append(fr)
	return nil
}

func (p *Plan) append(fr frame) {
	fr.firstGroup = p.groups
	p.groups += len(fr.groups)
	p.frames = append(p.frames, fr)
}

// addFields compiles the signals of a frame, sorts them into groups and enters
// them into the table. staleOf says when each counts as gone.
func (p *Plan) addFields(fr *frame, list signals.Named[signals.Signal], sae bool, staleOf func(*signals.Signal) time.Duration) error {
	byKey := make(map[string]int)
	for i := range list {
		s := &list[i]
		fl, err := compileField(s, sae)
		if err != nil {
			return fmt.Errorf("signal %s: %w", s.Name, err)
		}
		places := digits(s.V.Resolution)
		if s.V.Converts() {
			places = 1
		}
		fl.signal = p.table.Add(Info{
			Name: s.Name, Title: s.V.Title, Unit: s.V.Unit, Origin: FromFrame, States: fl.states(),
			StaleAfter: capture.Stamp(staleOf(&s.V)), Digits: places, Range: s.V.Range,
		})
		fr.need = max(fr.need, fl.rare.bits.Need())
		conds, err := conditions(list, s.V.When, nil)
		if err != nil {
			return fmt.Errorf("signal %s: %w", s.Name, err)
		}
		key := fmt.Sprint(s.V.When) // the same for signals under the same conditions
		g, ok := byKey[key]
		if !ok {
			g = len(fr.groups)
			byKey[key] = g
			fr.groups = append(fr.groups, group{conditions: conds, stale: capture.Stamp(staleOf(&s.V))})
		}
		fr.groups[g].fields = append(fr.groups[g].fields, fl)
		fr.groups[g].names = append(fr.groups[g].names, s.Name)
	}
	if len(fr.groups) == 0 {
		fr.groups = []group{{names: []string{}, stale: fr.stale}}
	}
	return nil
}

// contributions lists what every byte at every place of 8 contributes to a
// linear check byte; the XOR of the eight is the check byte.
func contributions(c *signals.Checksum, kind checksum.Kind) *[8][256]byte {
	var t [8][256]byte
	for i := range t {
		for b := range t[i] {
			var data [8]byte
			base := c.Sum(kind, data[:], 0)
			data[i] = byte(b)
			t[i][b] = c.Sum(kind, data[:], 0) ^ base
			if i == 0 { // what does not depend on the data counts once
				t[i][b] ^= base
			}
		}
	}
	return &t
}

// intact tells whether the check byte is right; count is the alive counter's
// value.
func (fr *frame) intact(f *capture.Frame, count uint64) bool {
	want := f.Data[fr.check.Byte-1]
	if t := fr.eight; t != nil && f.Len == 8 {
		d := f.Data[:8]
		return t[0][d[0]]^t[1][d[1]]^t[2][d[2]]^t[3][d[3]]^t[4][d[4]]^t[5][d[5]]^t[6][d[6]]^t[7][d[7]] == want
	}
	return fr.check.Sum(fr.kind, f.Data[:f.Len], int(count)) == want
}

// route enters the frame that is about to be appended.
func (p *Plan) route(r *route, def *signals.Frame) error {
	next := int32(len(p.frames))
	if def.PGN != nil {
		key := groupKey{*def.PGN, anyone, anyone}
		if def.Source != nil {
			key.source = int16(*def.Source)
		}
		if def.Dest != nil {
			key.destination = int16(*def.Dest)
		}
		if i, ok := r.group[key]; ok {
			return fmt.Errorf("has the identifier of frame %s", p.frames[i].name)
		}
		r.group[key] = next
		return nil
	}
	if def.ID == nil {
		return fmt.Errorf("neither id nor pgn is given")
	}
	m := r.standard
	if def.Extended {
		m = r.extended
	}
	if i, ok := m[*def.ID]; ok {
		return fmt.Errorf("has the identifier of frame %s", p.frames[i].name)
	}
	m[*def.ID] = next
	return nil
}

// conditions returns the conditions under which a signal is present: its own
// and those of the fields they look at.
func conditions(list signals.Named[signals.Signal], when []signals.Condition, path []string) ([]condition, error) {
	var out []condition
	for _, w := range when {
		i := list.Index(w.Signal)
		if i < 0 {
			return nil, fmt.Errorf("depends on %q, which is not in the frame", w.Signal)
		}
		if slices.Contains(path, w.Signal) {
			return nil, fmt.Errorf("depends on itself: %s", strings.Join(append(path, w.Signal), " -> "))
		}
		s := &list[i].V
		outer, err := conditions(list, s.When, append(path, w.Signal))
		if err != nil {
			return nil, err
		}
		b, err := bits.New(s.Start, s.Bits, s.Order)
		if err != nil {
			return nil, err
		}
		out = append(append(out, outer...), newCondition(b, s, w.Values))
	}
	return out, nil
}

func compileField(s *signals.Entry[signals.Signal], sae bool) (field, error) {
	b, err := bits.New(s.V.Start, s.V.Bits, s.V.Order)
	if err != nil {
		return field{}, err
	}
	rare := &rare{bits: b, def: &s.V, sae: sae && s.V.Number == signals.Unsigned, low: math.Inf(-1), high: math.Inf(1)}
	fl := field{resolution: s.V.Resolution, offset: s.V.Offset, rare: rare}
	if fl.resolution == 0 {
		fl.resolution = 1
	}
	if r := s.V.Range; r != nil {
		rare.low, rare.high = r.Low, r.High
	}
	switch {
	case s.V.Number == signals.Float && s.V.Bits == 32:
		rare.read = float32s
	case s.V.Number == signals.Float && s.V.Bits == 64:
		rare.read = float64s
	case s.V.Number == signals.Float:
		return field{}, fmt.Errorf("a float of %d bits; expected 32 or 64", s.V.Bits)
	case s.V.Bits == 64 && s.V.Number == signals.Unsigned:
		rare.read = unsigned
	}
	fl.interval = fl.good()
	return fl, nil
}

// highest returns the highest raw value of an SAE J1939 parameter that is a
// value.
func highest(bits int) uint64 {
	raw := uint64(1)<<bits - 1
	if bits > 8 { // the first one below the specific, reserved, error and not-available ones
		return 0xFB<<(bits-8) - 1
	}
	for j1939.Classify(raw, bits) != j1939.Value {
		raw--
	}
	return raw
}

// states turns the texts of raw values into those of values; a raw value whose
// value is no whole number has none, for it could not be told apart safely.
func (f *field) states() signals.States {
	var out signals.States
	if f.rare.def.Converts() {
		return nil
	}
	for _, st := range f.rare.def.States {
		v, _ := f.scale(f.rare.number(uint64(st.V) & f.rare.bits.Max()))
		if v == math.Trunc(v) && math.Abs(v) < 1<<53 {
			st.V = int64(v)
			out = append(out, st)
		}
	}
	return out
}

// digits returns the decimals worth showing of a value with that resolution:
// the first one at least as fine as a step, at most 6.
func digits(resolution float64) int {
	if resolution == 0 {
		return 0
	}
	return min(max(-portable.Decade(resolution), 0), 6)
}
