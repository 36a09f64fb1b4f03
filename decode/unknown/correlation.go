package unknown

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strconv"
	"time"

	"gearwitness/capture"
	"gearwitness/signals/unit"
)

// Correlation asks what else moves with a signal that is known: it compares
// every byte and every two adjacent bytes of each identifier, in both orders,
// with and without sign, with the signal's latest value. It belongs to one
// goroutine.
type Correlation struct {
	name  string
	unit  unit.Unit
	x     float64 // latest value of the signal
	known bool
	until capture.Stamp
	first float64 // sums are taken from here: they lose less
	begun bool
	ids   map[key]*candidates
}

// Horizon is how old the signal's latest value may be.
const Horizon = time.Second

// candidates is the fields of one identifier that might move with the signal.
type candidates struct {
	length      int
	count       uint64
	begin, last capture.Stamp
	first       [capture.MaxData]byte
	sums        []sums // see field
}

// sums of a linear fit.
type sums struct{ n, x, y, xx, yy, xy float64 }

// The candidates of a frame of n bytes, by index: each byte unsigned and signed,
// then each pair little unsigned, little signed, big unsigned, big signed.
func field(i, n int) (f Field, signed bool) {
	if i < 2*n {
		return Field{Kind: Value, Byte: i/2 + 1, Bit: 1, Bits: 8}, i%2 == 1
	}
	i -= 2 * n
	f = Field{Kind: Value, Byte: i/4 + 1, Bit: 1, Bits: 16, Big: i%4 >= 2}
	if f.Big {
		f.Bit = 8
	}
	return f, i%2 == 1
}

// NewCorrelation compares with the signal of that name and unit, which stand in
// the definitions it proposes.
func NewCorrelation(name string, u unit.Unit) *Correlation {
	return &Correlation{name: name, unit: u, ids: make(map[key]*candidates)}
}

// Reference takes in a value of the known signal.
func (c *Correlation) Reference(at capture.Stamp, value float64) {
	if math.IsNaN(value) || math.IsInf(value, 0) {
		return
	}
	if !c.begun {
		c.begun, c.first = true, value
	}
	c.x, c.known, c.until = value-c.first, true, at.Add(Horizon)
}

// Frame takes in a data frame; others mean nothing.
func (c *Correlation) Frame(f *capture.Frame) {
	if f.Flags&(capture.Remote|capture.Error|capture.Own) != 0 || !c.known || f.Time > c.until {
		return
	}
	k := key{f.Bus, f.Flags&capture.Extended != 0, f.ID}
	t := c.ids[k]
	if t == nil {
		if len(c.ids) >= MaxIDs {
			return
		}
		n := int(f.Len)
		t = &candidates{length: n, begin: f.Time, first: f.Data, sums: make([]sums, 2*n+4*max(n-1, 0))}
		c.ids[k] = t
	}
	if int(f.Len) < t.length {
		return
	}
	t.count, t.last = t.count+1, f.Time
	d := &f.Data
	for i := range t.length {
		t.sums[2*i].add(c.x, float64(d[i])-float64(t.first[i]))
		t.sums[2*i+1].add(c.x, float64(int8(d[i]))-float64(int8(t.first[i])))
	}
	for i := range t.length - 1 {
		s := t.sums[2*t.length+4*i:]
		little, big := uint16(d[i])|uint16(d[i+1])<<8, uint16(d[i+1])|uint16(d[i])<<8
		little0, big0 := uint16(t.first[i])|uint16(t.first[i+1])<<8, uint16(t.first[i+1])|uint16(t.first[i])<<8
		s[0].add(c.x, float64(little)-float64(little0))
		s[1].add(c.x, float64(int16(little))-float64(int16(little0)))
		s[2].add(c.x, float64(big)-float64(big0))
		s[3].add(c.x, float64(int16(big))-float64(int16(big0)))
	}
}

func (s *sums) add(x, y float64) {
	s.n++
	s.x += x
	s.y += y
	s.xx += x * x
	s.yy += y * y
	s.xy += x * y
}

// Match is a field that moves with the signal.
type Match struct {
	Channel  uint8
	ID       uint32
	Extended bool
	Field    Field
	Signed   bool
	// Score is the coefficient of correlation squared: the share of the signal's
	// movement that the field explains, 0 to 1.
	Score float64
	// The signal is Resolution * raw + Offset, rounded to a likely figure.
	Resolution, Offset float64
	Frames             uint64
	Period             time.Duration
	name               string
	unit               unit.Unit
}

// Report lists the matches with a score of at least a half, the best first, one
// for each byte of an identifier, at most limit.
func (c *Correlation) Report(limit int) []Match {
	var all []Match
	for k, t := range c.ids {
		for i := range t.sums {
			m, ok := t.match(c, k, i)
			if ok && m.Score >= 0.5 {
				all = append(all, m)
			}
		}
	}
	slices.SortFunc(all, func(a, b Match) int {
		// Between equals: wider, then unsigned, then in a fixed order.
		score := func(m Match) float64 { return math.Round(m.Score * 1e4) }
		return cmp.Or(cmp.Compare(score(b), score(a)), cmp.Compare(b.Field.Bits, a.Field.Bits), cmp.Compare(order(a), order(b)),
			cmp.Compare(a.Channel, b.Channel), cmp.Compare(a.ID, b.ID), cmp.Compare(a.Field.Byte, b.Field.Byte))
	})
	type place struct {
		key
		byteNo int
	}
	taken := make(map[place]bool)
	var out []Match
	for _, m := range all {
		k := key{m.Channel, m.Extended, m.ID}
		first, last := place{k, m.Field.Byte}, place{k, m.Field.Byte + m.Field.Bits/8 - 1}
		if len(out) == limit || taken[first] || taken[last] {
			continue
		}
		taken[first], taken[last] = true, true
		out = append(out, m)
	}
	return out
}

func order(m Match) int {
	n := 0
	if m.Field.Big {
		n += 2
	}
	if m.Signed {
		n++
	}
	return n
}

// match fits a line through the sums of a candidate.
func (t *candidates) match(c *Correlation, k key, i int) (Match, bool) {
	s := t.sums[i]
	xx, yy, xy := s.xx-s.x*s.x/s.n, s.yy-s.y*s.y/s.n, s.xy-s.x*s.y/s.n
	if s.n < fewest || xx <= 0 || yy <= 0 {
		return Match{}, false
	}
	m := Match{Channel: k.channel, ID: k.id, Extended: k.extended, Score: min(xy*xy/(xx*yy), 1), Frames: t.count, name: c.name, unit: c.unit}
	m.Field, m.Signed = field(i, t.length)
	if t.count > 1 {
		m.Period = t.last.Sub(t.begin) / time.Duration(t.count-1)
	}
	slope := xy / yy
	m.Resolution = likely(slope)
	// The line goes through the middle of what was seen.
	raw := s.y/s.n + t.start(m.Field, m.Signed)
	m.Offset = s.x/s.n + c.first - m.Resolution*raw
	spread := math.Sqrt(xx / s.n)
	if whole := math.Round(m.Offset); math.Abs(whole-m.Offset) <= 0.05*spread {
		m.Offset = whole
	}
	if math.Abs(m.Offset) <= 0.05*spread {
		m.Offset = 0
	}
	return m, true
}

// start returns the first raw value of a candidate, from which its sums count.
func (t *candidates) start(f Field, signed bool) float64 {
	v := uint16(t.first[f.Byte-1])
	if f.Bits == 8 {
		if signed {
			return float64(int8(v))
		}
		return float64(v)
	}
	next := uint16(t.first[f.Byte])
	if f.Big {
		v = v<<8 | next
	} else {
		v |= next << 8
	}
	if signed {
		return float64(int16(v))
	}
	return float64(v)
}

// likely rounds a slope to a resolution that people choose: a power of two or a
// short decimal, where one is within three percent.
func likely(slope float64) float64 {
	if slope == 0 || math.IsInf(slope, 0) || math.IsNaN(slope) {
		return 1
	}
	size := math.Abs(slope)
	for _, c := range []float64{math.Exp2(math.Round(math.Log2(size))), decimal(size, 1), decimal(size, 2), decimal(size, 3)} {
		if math.Abs(c-size) <= 0.03*size {
			return math.Copysign(c, slope)
		}
	}
	return slope
}

// decimal rounds to a number of significant digits.
func decimal(v float64, digits int) float64 {
	out, _ := strconv.ParseFloat(strconv.FormatFloat(v, 'e', digits-1, 64), 64)
	return out
}

// Definition proposes the text of the signal for a vehicle file, to be pasted
// under `frames:`. bus may be empty.
func (m Match) Definition(bus string) string {
	s := fmt.Sprintf("  unknown_%x:\n", m.ID)
	if bus != "" {
		s += fmt.Sprintf("    bus: %s\n", bus)
	}
	s += fmt.Sprintf("    id: 0x%X\n", m.ID)
	if m.Extended {
		s += "    extended: true\n"
	}
	if every := m.Period.Round(time.Millisecond); every > 0 {
		s += fmt.Sprintf("    every: %d ms\n", every.Milliseconds())
	}
	more := ""
	if m.Signed {
		more += ", number: signed"
	}
	if m.Resolution != 1 {
		more += ", resolution: " + strconv.FormatFloat(m.Resolution, 'g', 6, 64)
	}
	if m.Offset != 0 {
		more += ", offset: " + strconv.FormatFloat(m.Offset, 'g', 6, 64)
	}
	if m.unit != unit.None {
		more += fmt.Sprintf(", unit: %q", string(m.unit))
	}
	return s + fmt.Sprintf("    signals:\n      like_%s: %s\n", m.name, m.Field.text(more))
}
