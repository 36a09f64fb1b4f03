package unknown

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"gearwitness/capture"
	"gearwitness/signals/unit"
)

// Correlation asks what else moves with a signal that is known: it compares
// every byte and every two adjacent bytes of each identifier, in both orders,
// with and without sign, and the four ways of twelve bits in two bytes, with the
// signal's latest value. It belongs to one goroutine.
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
	fd          bool
	count       uint64
	begin, last capture.Stamp
	first       [capture.MaxData]byte
	sums        []sums // see field
}

// sums of a linear fit.
type sums struct{ n, x, y, xx, yy, xy float64 }

// The candidates of a frame of n bytes, by index: each byte unsigned and signed,
// then each pair little unsigned, little signed, big unsigned, big signed, and
// its twelve bits little from the low end, little from the middle of the first
// byte, big from the high end, big from the middle.
const (
	perByte = 2
	perPair = 8
)

func candidatesOf(n int) int { return perByte*n + perPair*max(n-1, 0) }

func field(i, n int) (f Field, signed bool) {
	if i < perByte*n {
		return Field{Kind: Value, Byte: i/perByte + 1, Bit: 1, Bits: 8}, i%perByte == 1
	}
	i -= perByte * n
	f = Field{Kind: Value, Byte: i/perPair + 1, Bit: 1, Bits: 16}
	switch i % perPair {
	case 0, 1:
	case 2, 3:
		f.Bit, f.Big = 8, true
	case 4:
		f.Bits = 12
	case 5:
		f.Bit, f.Bits = 5, 12
	case 6:
		f.Bit, f.Bits, f.Big = 8, 12, true
	case 7:
		f.Bit, f.Bits, f.Big = 4, 12, true
	}
	return f, f.Bits == 16 && i%2 == 1
}

// pair reads two bytes in all those ways.
func pair(a, b byte) [perPair]float64 {
	little, big := uint16(a)|uint16(b)<<8, uint16(b)|uint16(a)<<8
	return [perPair]float64{
		float64(little), float64(int16(little)), float64(big), float64(int16(big)),
		float64(little & 0xFFF), float64(little >> 4), float64(big >> 4), float64(big & 0xFFF),
	}
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
	if !counts(f) {
		return
	}
	k := keyOf(f)
	t := c.ids[k]
	if t == nil {
		if len(c.ids) >= MaxIDs {
			return
		}
		n := int(f.Len)
		t = &candidates{length: n, begin: f.Time, first: f.Data, sums: make([]sums, candidatesOf(n))}
		c.ids[k] = t
	}
	if int(f.Len) < t.length {
		return
	}
	t.count, t.last, t.fd = t.count+1, f.Time, t.fd || f.Flags&capture.FD != 0
	if !c.known || f.Time > c.until {
		return
	}
	d := &f.Data
	for i := range t.length {
		t.sums[perByte*i].add(c.x, float64(d[i])-float64(t.first[i]))
		t.sums[perByte*i+1].add(c.x, float64(int8(d[i]))-float64(int8(t.first[i])))
	}
	for i := range t.length - 1 {
		now, first := pair(d[i], d[i+1]), pair(t.first[i], t.first[i+1])
		s := t.sums[perByte*t.length+perPair*i:][:perPair]
		for j := range s {
			s[j].add(c.x, now[j]-first[j])
		}
	}
}

func (s *sums) add(x, y float64) {
	s.n++
	s.x += x
	s.y += y
	s.xx += float64(x * x)
	s.yy += float64(y * y)
	s.xy += float64(x * y)
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
	length             int
	fd                 bool
	name               string
	unit               unit.Unit
}

// Report lists the matches with a score of at least a half in bits that are not
// described, the best first, one for each bit of an identifier, at most limit.
func (c *Correlation) Report(limit int, described Mask) []Match {
	var all []Match
	taken := make(map[key][]byte)
	for k, t := range c.ids {
		mask := make([]byte, t.length)
		copy(mask, described.of(k))
		taken[k] = mask
		for i := range t.sums {
			m, ok := t.match(c, k, i)
			if ok && m.Score >= 0.5 {
				all = append(all, m)
			}
		}
	}
	slices.SortFunc(all, func(a, b Match) int {
		return cmp.Or(cmp.Compare(b.Score, a.Score), cmp.Compare(b.Field.Bits, a.Field.Bits), cmp.Compare(order(a), order(b)),
			cmp.Compare(a.Channel, b.Channel), cmp.Compare(a.ID, b.ID), cmp.Compare(number(a.Extended), number(b.Extended)),
			cmp.Compare(a.Field.Byte, b.Field.Byte), cmp.Compare(a.Field.Bit, b.Field.Bit))
	})
	var out []Match
	for i, m := range all {
		if len(out) == limit {
			break
		}
		mask := taken[m.key()]
		if !m.Field.free(mask) {
			continue
		}
		// Bits of something else below a field take next to nothing off its score,
		// and so do its own lowest bits, left out. What is left unexplained tells:
		// where it is the same but for a tenth, the wider field is the better guess,
		// then the one without sign.
		unexplained := float64(1.1*(1-m.Score)) + 1e-9
		for _, o := range all[i+1:] {
			if 1-o.Score > unexplained {
				break
			}
			if o.key() == m.key() && o.Field.free(mask) && o.Field.meets(m.Field) && cmp.Or(cmp.Compare(m.Field.Bits, o.Field.Bits), cmp.Compare(order(o), order(m))) < 0 {
				m = o
			}
		}
		m.Field.mark(mask)
		out = append(out, m)
	}
	return out
}

func (m *Match) key() key { return key{m.Channel, m.Extended, m.ID} }

func order(m Match) int { return 2*number(m.Field.Big) + number(m.Signed) }

func number(b bool) int {
	if b {
		return 1
	}
	return 0
}

// match fits a line through the sums of a candidate.
func (t *candidates) match(c *Correlation, k key, i int) (Match, bool) {
	s := t.sums[i]
	xx, yy, xy := s.xx-s.x*s.x/s.n, s.yy-s.y*s.y/s.n, s.xy-s.x*s.y/s.n
	if s.n < fewest || xx <= 0 || yy <= 0 {
		return Match{}, false
	}
	m := Match{Channel: k.channel, ID: k.id, Extended: k.extended, Score: min(xy*xy/(xx*yy), 1), Frames: t.count, length: t.length, fd: t.fd, name: c.name, unit: c.unit}
	m.Field, m.Signed = field(i, t.length)
	if t.count > 1 {
		m.Period = t.last.Sub(t.begin) / time.Duration(t.count-1)
	}
	slope := xy / yy
	m.Resolution = likely(slope)
	// The line goes through the middle of what was seen.
	raw := s.y/s.n + t.start(i)
	m.Offset = s.x/s.n + c.first - float64(m.Resolution*raw)
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
func (t *candidates) start(i int) float64 {
	if i < perByte*t.length {
		v := t.first[i/perByte]
		if i%perByte == 1 {
			return float64(int8(v))
		}
		return float64(v)
	}
	i -= perByte * t.length
	return pair(t.first[i/perPair], t.first[i/perPair+1])[i%perPair]
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

// Definition proposes the text of the signal in a frame of its own for a vehicle
// file, to be pasted under `frames:`. bus may be empty where the file has one
// only.
func (m *Match) Definition(bus string) string {
	return head(bus, m.ID, m.Extended, m.fd, m.length, m.Period) + "    signals:\n" + m.Addition(bus)
}

// Addition proposes the text of the signal alone, to be pasted under `signals:`
// of a frame that is described already.
func (m *Match) Addition(bus string) string {
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
	name := "like_" + plain(m.name) + strings.TrimPrefix(nameOf(bus, m.ID, m.Extended), "unknown")
	return fmt.Sprintf("      %s_%d_%d: %s\n", name, m.Field.Byte, m.Field.Bit, m.Field.text(more))
}
