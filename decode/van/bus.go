package van

import (
	"cmp"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"time"

	"gearwitness/capture"
	"gearwitness/signals"
	"gearwitness/signals/bits"
	"gearwitness/signals/checksum"
)

// field is one signal of a frame with what to put into it.
type field struct {
	bits       bits.Field
	q          quantity
	raw        []uint64 // of each state; nil for a figure
	number     signals.Number
	unsigned   bool // a figure that cannot be negative: the sensor tells no direction
	magnitude  bool
	resolution float64
	offset     float64
	low, high  float64 // raw values that fit
	missing    uint64  // pattern of a value that is not there
	hasMissing bool
	gaps       []signals.RawRange // raw values no reading may take
	page       int                // of the multiplexer, -1: in every frame
}

// sender is one frame of the vehicle file on its way to the bus.
type sender struct {
	name    string
	frame   capture.Frame
	key     uint64 // arbitration: the lower goes first
	period  int64  // [ns]
	next    int64  // due, before jitter [ns]
	due     int64  // with jitter [ns]
	length  int64  // on the bus [ns]
	fields  []field
	counter bits.Field
	count   uint64
	counts  bool
	check   checksum.Kind
	checkAt int // -1: none

	pageField bits.Field
	pages     []int64
	page      int

	sent func(end int64) // of a frame that is sent once; nil: again and again
}

// bus collects due frames and lets them arbitrate.
type bus struct {
	name    string
	bitRate int
	x       *sensors
	rng     *rand.Rand
	senders []sender
	waiting []*sender
	free    int64 // when the bus falls idle [ns]
}

// newBus compiles the frames of the vehicle file. Signals without a quantity of
// the van, more than one bus, and frames that do not fit the serial line are
// errors that name them all.
func newBus(file *signals.File, x *sensors, seed uint64) (*bus, error) {
	if len(file.Buses) != 1 {
		return nil, fmt.Errorf("van: the vehicle file has %d buses; the van's adapter hears one", len(file.Buses))
	}
	b := &bus{name: file.Buses[0].Name, bitRate: int(file.Buses[0].V.BitRate), x: x, rng: rand.New(rand.NewPCG(seed, streamBus))}
	if b.bitRate <= 0 {
		return nil, fmt.Errorf("van: bus %s of the vehicle file has no bit rate", b.name)
	}
	var unknown []string
	for i := range file.Frames {
		s, miss, err := newSender(file, i, b.bitRate)
		if err != nil {
			return nil, err
		}
		unknown = append(unknown, miss...)
		s.next = int64(b.rng.Uint64N(uint64(s.period)))
		b.senders = append(b.senders, s)
	}
	if unknown != nil {
		names := make([]string, numQuantities)
		for q := range channels {
			names[q] = channels[q].name
		}
		return nil, fmt.Errorf("van: the van has no such signal: %s; it has %s", list(unknown), list(names))
	}
	slices.SortStableFunc(b.senders, func(x, y sender) int { return cmp.Compare(x.key, y.key) })
	for i := range b.senders {
		b.jitter(&b.senders[i])
	}
	b.waiting = make([]*sender, 0, 2*len(b.senders)+8)
	return b, nil
}

func newSender(file *signals.File, i int, bitRate int) (sender, []string, error) {
	e := &file.Frames[i]
	def := &e.V
	s := sender{name: e.Name, period: int64(def.Every), checkAt: -1}
	if s.period == 0 {
		s.period = int64(100 * time.Millisecond)
	}
	n := def.DataLength()
	if def.FD || n > 8 {
		return s, nil, fmt.Errorf("van: frame %s has %d bytes; the van speaks classic CAN with up to 8", e.Name, n)
	}
	s.frame.Len = uint8(n)
	switch {
	case def.PGN != nil:
		// SAE J1939-21: priority 6, the group, the source; a group for one
		// destination goes to all (255).
		id := uint32(6)<<26 | *def.PGN<<8
		if *def.PGN>>8&0xFF < 240 {
			id |= 0xFF00
		}
		if def.Source != nil {
			id |= uint32(*def.Source)
		}
		s.frame.ID, s.frame.Flags = id, capture.Extended
	case def.ID == nil:
		return s, nil, fmt.Errorf("van: frame %s has neither id nor pgn", e.Name)
	default:
		s.frame.ID = *def.ID
		if def.Extended {
			s.frame.Flags = capture.Extended
		}
	}
	s.measure(bitRate)

	if def.Counter != nil {
		f, err := bits.New(def.Counter.Start, def.Counter.Bits, bits.Little)
		if err != nil {
			return s, nil, fmt.Errorf("van: frame %s: counter: %w", e.Name, err)
		}
		s.counter, s.counts = f, true
	}
	if def.Checksum != nil {
		k, ok := checksum.Lookup(def.Checksum.Kind)
		if !ok || def.Checksum.Byte < 1 || def.Checksum.Byte > n {
			return s, nil, fmt.Errorf("van: frame %s: checksum %s in byte %d cannot be made", e.Name, quote(def.Checksum.Kind), def.Checksum.Byte)
		}
		s.check, s.checkAt = k, def.Checksum.Byte-1
	}

	mux, err := s.findPages(e.Name, def)
	if err != nil {
		return s, nil, err
	}
	var unknown []string
	for j := range def.Signals {
		name, sig := def.Signals[j].Name, &def.Signals[j].V
		if name == mux {
			continue
		}
		q, ok := quantityByName(name)
		if !ok {
			unknown = append(unknown, name+" in frame "+e.Name)
			continue
		}
		pages := []int{-1}
		if len(sig.When) > 0 {
			pages = pages[:0]
			for p, v := range s.pages {
				if within(v, sig.When[0].Values) {
					pages = append(pages, p)
				}
			}
		}
		for _, page := range pages {
			f, err := newField(file, e.Name, name, sig, q, n)
			if err != nil {
				return s, nil, err
			}
			f.page = page
			s.fields = append(s.fields, f)
		}
	}
	return s, unknown, nil
}

// measure finds the frame's place in arbitration and its length on the bus.
//
// ISO 11898-1: the 11 base bits decide first, then a standard frame wins over an
// extended one. Bits on the wire: 47 or 67 around the data with the gap to the
// next frame; one stuff bit in ten is usual.
func (s *sender) measure(bitRate int) {
	wire := 47 + 8*int(s.frame.Len)
	if s.frame.Flags&capture.Extended != 0 {
		s.key = uint64(s.frame.ID>>18)<<32 | 1<<31 | uint64(s.frame.ID&0x3FFFF)
		wire += 20
	} else {
		s.key = uint64(s.frame.ID) << 32
	}
	wire += wire / 10
	s.length = int64(wire) * int64(time.Second) / int64(bitRate)
}

// once lets a frame arbitrate from a time on; sent is told when its last bit is
// on the bus.
func (b *bus) once(f capture.Frame, due int64, sent func(end int64)) {
	s := &sender{frame: f, due: due, checkAt: -1, sent: sent}
	s.measure(b.bitRate)
	b.waiting = append(b.waiting, s)
}

// findPages lists the values of the frame's multiplexer, of which there may be one.
func (s *sender) findPages(frame string, def *signals.Frame) (mux string, err error) {
	for j := range def.Signals {
		for _, w := range def.Signals[j].V.When {
			if mux != "" && mux != w.Signal || len(def.Signals[j].V.When) > 1 {
				return "", fmt.Errorf("van: frame %s has more than one multiplexer; the van sends one", frame)
			}
			mux = w.Signal
			for _, r := range w.Values {
				if r.High-r.Low > 255 {
					r.High = r.Low // one page of a wide interval is enough
				}
				for v := r.Low; v <= r.High; v++ {
					if !slices.Contains(s.pages, v) {
						s.pages = append(s.pages, v)
					}
				}
			}
		}
	}
	if mux == "" {
		return "", nil
	}
	slices.Sort(s.pages)
	k := def.Signals.Index(mux)
	if k < 0 {
		return "", fmt.Errorf("van: frame %s: its multiplexer %s is not in it", frame, quote(mux))
	}
	s.pageField = def.Signals[k].V.Field()
	return mux, nil
}

func within(v int64, ranges []signals.RawRange) bool {
	for _, r := range ranges {
		if r.Low <= v && v <= r.High {
			return true
		}
	}
	return false
}

func newField(file *signals.File, frame, name string, sig *signals.Signal, q quantity, length int) (field, error) {
	b, err := bits.New(sig.Start, sig.Bits, sig.Order)
	if err != nil {
		return field{}, fmt.Errorf("van: signal %s: %w", name, err)
	}
	f := field{bits: b, q: q, number: sig.Number, resolution: sig.Resolution, offset: sig.Offset, gaps: sig.Missing}
	if f.resolution == 0 {
		f.resolution = 1
	}
	if b.Need() > length {
		return f, fmt.Errorf("van: signal %s ends in byte %d, beyond the %d of frame %s", name, b.Need(), length, frame)
	}
	switch sig.Number {
	case signals.Signed:
		f.low, f.high = -float64(b.Max()/2)-1, float64(b.Max()/2)
	case signals.Unsigned:
		f.high = float64(b.Max())
		f.unsigned = f.offset >= 0
	}
	if len(sig.Missing) > 0 {
		f.missing, f.hasMissing = uint64(sig.Missing[0].Low)&b.Max(), true
	}
	if file.Transmission != nil && file.Transmission.Train != nil {
		if k := file.Transmission.Train.Sensors.Index(name); k >= 0 {
			f.magnitude = file.Transmission.Train.Sensors[k].V.Magnitude
		}
	}
	texts := channels[q].texts
	if texts == nil {
		return f, nil
	}
	f.raw = make([]uint64, len(texts))
	for i, text := range texts {
		k := sig.States.Index(text)
		switch {
		case k >= 0:
			f.raw[i] = uint64(sig.States[k].V) & b.Max()
		case len(sig.States) == 0 && uint64(i) <= b.Max():
			f.raw[i] = uint64(i)
		default:
			return f, fmt.Errorf("van: signal %s needs the states %s; the vehicle file lacks %s", name, list(texts), quote(text))
		}
	}
	return f, nil
}

// put encodes a measured value; NaN becomes the pattern for a missing one, or
// the nearest thing where the file has none.
func (f *field) put(data []byte, v float64) {
	if f.raw != nil {
		f.bits.Put(data, f.raw[int(v)])
		return
	}
	if math.IsNaN(v) {
		if f.hasMissing {
			f.bits.Put(data, f.missing)
			return
		}
		v = 0
	}
	if f.magnitude || f.unsigned {
		v = math.Abs(v)
	}
	v = (v - f.offset) / f.resolution
	if f.number == signals.Float {
		if f.bits.Width() == 32 {
			f.bits.Put(data, uint64(math.Float32bits(float32(v))))
		} else {
			f.bits.Put(data, math.Float64bits(v))
		}
		return
	}
	raw := int64(math.Round(math.Max(f.low, math.Min(f.high, v))))
	for _, g := range f.gaps {
		// The nearest value that is one, towards zero.
		if g.Low <= raw && raw <= g.High {
			if raw = g.Low - 1; g.Low < 0 {
				raw = g.High + 1
			}
			if float64(raw) < f.low {
				raw = g.High + 1
			}
		}
	}
	f.bits.Put(data, uint64(raw))
}

// jitter sets when the frame is really due: the sender's own scheduling puts it
// off by up to 0.3 ms.
func (b *bus) jitter(s *sender) {
	s.due = s.next + int64(b.rng.Uint64N(300_000))
}

// build writes the values of this moment into the frame.
func (s *sender) build(x *sensors) {
	f := &s.frame
	data := f.Data[:f.Len]
	clear(data)
	if s.pages != nil {
		s.pageField.Put(data, uint64(s.pages[s.page]))
	}
	for i := range s.fields {
		if fd := &s.fields[i]; fd.page < 0 || fd.page == s.page {
			fd.put(data, x.read(fd.q))
		}
	}
	if s.pages != nil {
		if s.page++; s.page == len(s.pages) {
			s.page = 0
		}
	}
	if s.counts {
		s.counter.Put(data, s.count&s.counter.Max())
		s.count++
	}
	if s.checkAt >= 0 {
		data[s.checkAt] = s.check.Sum(data, s.checkAt)
	}
}

// step sends what falls due before the end of the van's present step and hands
// each frame to a in the order of the bus. Values are those measured at
// the step in which the frame fell due.
func (b *bus) step(a *Adapter) {
	until := int64(b.x.s.steps) * int64(stepTime)
	for i := range b.senders {
		s := &b.senders[i]
		if s.due < until && !slices.Contains(b.waiting, s) {
			s.build(b.x)
			b.waiting = append(b.waiting, s)
		}
	}
	for len(b.waiting) > 0 {
		// The bus is free at b.free or when the first frame falls due.
		first := b.waiting[0].due
		for _, s := range b.waiting[1:] {
			first = min(first, s.due)
		}
		start := max(b.free, first)
		if start >= until {
			return
		}
		win := -1
		for i, s := range b.waiting {
			if s.due <= start && (win < 0 || s.key < b.waiting[win].key) {
				win = i
			}
		}
		s := b.waiting[win]
		b.waiting = append(b.waiting[:win], b.waiting[win+1:]...)
		b.free = start + s.length
		if s.sent != nil {
			s.sent(b.free)
			continue
		}
		a.deliver(b.free, &s.frame)
		// On a bus that is too full a unit sends its newest values and leaves out
		// the frames it could not send in time.
		for s.next += s.period; s.next < b.free-s.period; {
			s.next += s.period
		}
		b.jitter(s)
	}
}
