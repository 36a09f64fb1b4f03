// Package unknown helps the author of a vehicle file with traffic that nobody
// has described: for each identifier how often it comes, which bits move, and
// what they look like by the way they move.
//
//   - a counter grows by one a frame
//   - a check byte agrees with one of the named checksums in every frame kept
//   - in a physical value the low bits flip more often than the high ones; where
//     that order begins anew, a new field begins; two bytes belong together in
//     the byte order in which the value moves in small steps
//
// These are guesses from statistics (our own method; that flip rates fall from
// the low to the high bits of a measured value is common knowledge, no source):
// a field that did not move in the recording cannot be seen. Bits that the
// vehicle file describes are left out where it is told which (see Mask). A
// Correlation asks the other question: what else moves with a signal that is
// known; Rows keep what it needs of a drive that goes on.
//
// Memory is bounded by MaxIDs and by Kept.
package unknown

import (
	"bytes"
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"gearwitness/capture"
	"gearwitness/signals/checksum"
)

// Bounds.
const (
	MaxIDs = 1024 // identifiers looked at; later ones are only counted
	Kept   = 64   // payloads kept of each identifier, to try checksums on

	fewest = 20 // frames below which nothing is said about bits
)

// Statistics collects what can be seen of identifiers. It belongs to one
// goroutine.
type Statistics struct {
	ids    map[key]*Traffic
	missed uint64
}

// Mask tells which bits of an identifier's data are described: a byte for each
// data byte, bit set where described; nil or a short one where nothing is.
type Mask func(channel uint8, id uint32, extended bool) []byte

func (m Mask) of(k key) []byte {
	if m == nil {
		return nil
	}
	return m(k.channel, k.id, k.extended)
}

type key struct {
	channel  uint8
	extended bool
	id       uint32
}

// Traffic is what has been seen of one identifier. The zero value is that
// nothing has. It belongs to one goroutine.
type Traffic struct {
	key         key
	fd          bool
	count       uint64
	first, last capture.Stamp
	gapMin      time.Duration
	gapMax      time.Duration
	length      int // shortest
	newest      int // of the newest
	lengths     bool
	data        [capture.MaxData]byte
	flips       []uint32 // by bit, byte 1 bit 1 first
	steps       []uint32 // by nibble, low one of byte 1 first: grew by one
	byteSteps   []uint32 // by byte
	travel      []travel // by byte: this and the next as one number
	kept        [][]byte
}

// travel is how far two adjacent bytes moved, read in either order.
type travel struct{ little, big float64 }

// New returns empty statistics.
func New() *Statistics { return &Statistics{ids: make(map[key]*Traffic)} }

// Frame takes in a data frame; others mean nothing.
func (s *Statistics) Frame(f *capture.Frame) {
	if !counts(f) {
		return
	}
	k := keyOf(f)
	t := s.ids[k]
	if t == nil {
		if len(s.ids) >= MaxIDs {
			s.missed++
			return
		}
		t = new(Traffic)
		s.ids[k] = t
	}
	t.Add(f)
}

// counts tells whether a frame is data of the vehicle.
func counts(f *capture.Frame) bool {
	return f.Flags&(capture.Remote|capture.Error|capture.Own) == 0 && f.Len <= capture.MaxData
}

func keyOf(f *capture.Frame) key { return key{f.Bus, f.Flags&capture.Extended != 0, f.ID} }

// Add takes in a data frame of the identifier; others mean nothing. It allocates
// nothing once Kept frames have come.
func (t *Traffic) Add(f *capture.Frame) {
	if !counts(f) {
		return
	}
	n := int(f.Len)
	if t.count == 0 {
		*t = Traffic{key: keyOf(f), first: f.Time, gapMin: math.MaxInt64, length: n}
	} else {
		gap := f.Time.Sub(t.last)
		t.gapMin, t.gapMax = min(t.gapMin, gap), max(t.gapMax, gap)
		t.lengths = t.lengths || n != t.length
		t.length = min(t.length, n)
	}
	t.fd = t.fd || f.Flags&capture.FD != 0
	if t.count == 0 {
		t.flips, t.steps, t.byteSteps = make([]uint32, 8*n), make([]uint32, 2*n), make([]uint32, n)
		t.travel = make([]travel, n)
	} else {
		for i := range t.length {
			t.compare(i, t.data[i], f.Data[i])
		}
		for i := range t.length - 1 {
			before, now := t.data[i:i+2], f.Data[i:i+2]
			t.travel[i].little += math.Abs(float64(int(now[0])|int(now[1])<<8) - float64(int(before[0])|int(before[1])<<8))
			t.travel[i].big += math.Abs(float64(int(now[1])|int(now[0])<<8) - float64(int(before[1])|int(before[0])<<8))
		}
	}
	// Payloads from all over the recording: every one at first, then ever rarer.
	if stride := t.count/Kept + 1; t.count%stride == 0 {
		if len(t.kept) < Kept {
			t.kept = append(t.kept, slices.Clone(f.Data[:n]))
		} else {
			at := &t.kept[(t.count/stride)%Kept]
			*at = append((*at)[:0], f.Data[:n]...)
		}
	}
	t.count, t.last, t.data, t.newest = t.count+1, f.Time, f.Data, n
}

func (t *Traffic) compare(i int, before, now byte) {
	for d, bit := before^now, 0; d != 0; d, bit = d>>1, bit+1 {
		if d&1 != 0 {
			t.flips[8*i+bit]++
		}
	}
	if now == before+1 {
		t.byteSteps[i]++
	}
	if now&15 == (before+1)&15 {
		t.steps[2*i]++
	}
	if now>>4 == (before>>4+1)&15 {
		t.steps[2*i+1]++
	}
}

// Kind is what a field looks like.
type Kind uint8

// Kinds.
const (
	Fixed Kind = iota // never moved
	Flag              // one bit
	Value             // a number
	Counter
	Check
)

var kindNames = [...]string{"fixed", "flag", "value", "counter", "check byte"}

// String returns the kind in words.
func (k Kind) String() string { return kindNames[k] }

// Field is a guess at one field.
type Field struct {
	Kind  Kind
	Byte  int // of the start as vehicle files write it, from 1
	Bit   int
	Bits  int
	Big   bool
	Check string // name of the checksum
	// Flips is how often the field's fastest bit changes, in flips per frame.
	Flips float64
}

// ID is what is known about one identifier.
type ID struct {
	Channel  uint8
	ID       uint32
	Extended bool
	Count    uint64
	// Period is the mean time between two frames; Shortest and Longest bound it.
	Period, Shortest, Longest time.Duration
	Length                    int  // data bytes, of the shortest frame
	Varies                    bool // not all have that length
	FD                        bool // some came as CAN FD frames
	// Flips is by bit, byte 1 bit 1 first, how often it changes from one frame to
	// the next, 0 to 1.
	Flips  []float64
	Fields []Field // of the bits that nobody describes; none for less than a few frames
}

// Moves tells whether a field that nobody describes ever changed.
func (id *ID) Moves() bool {
	return slices.ContainsFunc(id.Fields, func(f Field) bool { return f.Kind != Fixed })
}

// Missed returns how many frames were not looked at because there were too many
// identifiers.
func (s *Statistics) Missed() uint64 { return s.missed }

// Report lists the identifiers, the most frequent first, with guesses at the
// bits that are not described.
func (s *Statistics) Report(described Mask) []ID {
	var out []ID
	for k, t := range s.ids {
		out = append(out, t.Report(described.of(k)))
	}
	slices.SortFunc(out, func(a, b ID) int {
		extended := func(i ID) int {
			if i.Extended {
				return 1
			}
			return 0
		}
		return cmp.Or(cmp.Compare(b.Count, a.Count), cmp.Compare(a.Channel, b.Channel), cmp.Compare(extended(a), extended(b)), cmp.Compare(a.ID, b.ID))
	})
	return out
}

// Count returns how many frames have come.
func (t *Traffic) Count() uint64 { return t.count }

// Last returns the data of the newest frame and its time; the data are valid
// until the next.
func (t *Traffic) Last() ([]byte, capture.Stamp) {
	return t.data[:t.newest], t.last
}

// Report tells what is known of the identifier, with guesses at the bits that
// are not described: mask has a byte for each data byte, bit set where it is.
func (t *Traffic) Report(mask []byte) ID {
	id := ID{Channel: t.key.channel, ID: t.key.id, Extended: t.key.extended, Count: t.count, Length: t.length, Varies: t.lengths, FD: t.fd}
	if t.count > 1 {
		id.Period, id.Shortest, id.Longest = t.last.Sub(t.first)/time.Duration(t.count-1), t.gapMin, t.gapMax
		id.Flips = make([]float64, 8*t.length)
		for i := range id.Flips {
			id.Flips[i] = t.rate(i/8, i%8)
		}
	}
	if t.count >= fewest {
		taken := make([]byte, t.length)
		copy(taken, mask)
		id.Fields = t.fields(taken)
	}
	return id
}

// rate returns how often a bit flips, per frame.
func (t *Traffic) rate(byteNo, bit int) float64 {
	return float64(t.flips[8*byteNo+bit]) / float64(t.count-1)
}

// fields guesses at the fields of an identifier in the bits that are not taken.
func (t *Traffic) fields(taken []byte) []Field {
	var out []Field
	for i := range t.length {
		out = append(out, t.counters(i, taken)...)
	}
	distinct := t.distinct()
	for i := range t.length {
		if taken[i] == 0 && distinct >= fewestDistinct {
			if name := t.check(i); name != "" {
				taken[i] = 0xFF
				out = append(out, Field{Kind: Check, Byte: i + 1, Bit: 1, Bits: 8, Check: name, Flips: t.fastest(i)})
			}
		}
	}
	out = append(out, t.values(taken)...)
	slices.SortFunc(out, func(a, b Field) int { return cmp.Or(cmp.Compare(a.Byte, b.Byte), cmp.Compare(a.Bit, b.Bit)) })
	return out
}

func (t *Traffic) fastest(i int) float64 {
	most := 0.0
	for bit := range 8 {
		most = max(most, t.rate(i, bit))
	}
	return most
}

// counters finds the alive counters in byte i. Nine steps of ten must be one
// up: frames may have been lost.
func (t *Traffic) counters(i int, taken []byte) []Field {
	grows := func(n uint32) bool { return float64(n) >= 0.9*float64(t.count-1) }
	// Four bits that wrap grow as one byte fifteen times of sixteen.
	if taken[i] == 0 && grows(t.byteSteps[i]) && t.rate(i, 4) > 0 {
		taken[i] = 0xFF
		return []Field{{Kind: Counter, Byte: i + 1, Bit: 1, Bits: 8, Flips: t.fastest(i)}}
	}
	var out []Field
	for half, mask := range [2]byte{0x0F, 0xF0} {
		if taken[i]&mask == 0 && grows(t.steps[2*i+half]) {
			taken[i] |= mask
			out = append(out, Field{Kind: Counter, Byte: i + 1, Bit: 4*half + 1, Bits: 4, Flips: t.rate(i, 4*half)})
		}
	}
	return out
}

// A chance agreement of one byte has odds of 1 in 256 each time.
const fewestDistinct = 8

// distinct counts the different payloads kept, up to as many as are needed.
func (t *Traffic) distinct() int {
	n := 0
	for i, p := range t.kept {
		if n == fewestDistinct {
			break
		}
		if !slices.ContainsFunc(t.kept[:i], func(q []byte) bool { return bytes.Equal(p, q) }) {
			n++
		}
	}
	return n
}

// check returns the name of the checksum that byte i is in every payload kept;
// empty for none.
func (t *Traffic) check(i int) string {
	var values [256]bool
	different := 0
	for _, p := range t.kept {
		if i < len(p) && !values[p[i]] {
			values[p[i]] = true
			different++
		}
	}
	if different < 4 {
		return ""
	}
	for _, k := range kinds {
		if !slices.ContainsFunc(t.kept, func(p []byte) bool { return i >= len(p) || k.kind.Sum(p, i) != p[i] }) {
			return k.name
		}
	}
	return ""
}

type namedKind struct {
	name string
	kind checksum.Kind
}

// kinds are all checksums there are; looking one up builds its table.
var kinds = func() (list []namedKind) {
	for _, name := range checksum.Names() {
		kind, _ := checksum.Lookup(name)
		list = append(list, namedKind{name, kind})
	}
	return list
}()

// run is a stretch of bits of one byte that flip in the order of a number: high
// to low, ever more often.
type run struct{ byteNo, high, low int } // bits from 0

// runs cuts a byte up where the order of flip rates begins anew.
func (t *Traffic) runs(i int, taken byte) []run {
	var out []run
	open := false
	before := 0.0
	for bit := 7; bit >= 0; bit-- {
		r := t.rate(i, bit)
		switch {
		case taken&(1<<bit) != 0:
			open = false
			continue
		case r == 0 && (!open || before > 0): // fixed: the top of a field to come, or its end
			if open && before > 0 {
				open = false
			}
			if !open {
				out = append(out, run{i, bit, bit})
				open = true
			}
		case !open || r < 0.5*before:
			out = append(out, run{i, bit, bit})
			open = true
		default:
			out[len(out)-1].low = bit
		}
		if r == 0 {
			out[len(out)-1].low = bit
		}
		before = r
	}
	return out
}

// values guesses at the numbers and flags in the bits that are left.
func (t *Traffic) values(taken []byte) []Field {
	var all []run
	for i := range t.length {
		all = append(all, t.runs(i, taken[i])...)
	}
	var out []Field
	for n := 0; n < len(all); n++ {
		r := all[n]
		last := n
		big := false
		// Whole bytes may be parts of a longer number.
		for last+1 < len(all) && whole(all[last]) && whole(all[last+1]) && all[last+1].byteNo == all[last].byteNo+1 {
			i := all[last].byteNo
			order, joined := t.joined(i)
			if !joined || last > n && order != big {
				break
			}
			big = order
			last++
		}
		if last > n {
			first := all[n].byteNo
			f := Field{Kind: Value, Byte: first + 1, Bit: 1, Bits: 8 * (last - n + 1), Big: big, Flips: t.fastest(first)}
			if big {
				f.Bit, f.Flips = 8, t.fastest(all[last].byteNo)
			}
			out = append(out, f)
			n = last
			continue
		}
		f := Field{Kind: Value, Byte: r.byteNo + 1, Bit: r.low + 1, Bits: r.high - r.low + 1, Flips: t.rate(r.byteNo, r.low)}
		moving := 0
		for bit := r.low; bit <= r.high; bit++ {
			if t.rate(r.byteNo, bit) > 0 {
				moving++
			}
		}
		switch {
		case moving == 0:
			f.Kind = Fixed
		case moving == 1:
			f.Kind, f.Bits = Flag, 1
			if r.high > r.low { // the fixed bits above it may be anything
				out = append(out, Field{Kind: Fixed, Byte: f.Byte, Bit: f.Bit + 1, Bits: r.high - r.low})
			}
		}
		out = append(out, f)
	}
	return out
}

func whole(r run) bool { return r.high == 7 && r.low == 0 }

// joined tells whether bytes i and i+1 are parts of one number, and in which
// order: the higher byte's fastest bit flips no more often than the lower one's
// slowest, and the number travels less than it would in the other order.
func (t *Traffic) joined(i int) (big, ok bool) {
	low, high := t.rate(i, 0), t.rate(i, 7)
	lowNext, highNext := t.rate(i+1, 0), t.rate(i+1, 7)
	if t.fastest(i) == 0 || t.fastest(i+1) == 0 {
		return false, false
	}
	asBig, asLittle := low <= float64(1.2*highNext)+1e-9, lowNext <= float64(1.2*high)+1e-9
	d := t.travel[i]
	switch {
	case asBig && asLittle:
		return d.big < d.little, d.big != d.little
	case asBig:
		return true, d.big < d.little
	case asLittle:
		return false, d.little < d.big
	}
	return false, false
}

// Definition proposes the text of the identifier for a vehicle file, to be
// pasted under `frames:` and then named and scaled by someone who knows. bus may
// be empty where the file has one only.
func (id *ID) Definition(bus string) string {
	return head(bus, id.ID, id.Extended, id.FD, id.Length, id.Period) + id.Additions(bus)
}

// Additions proposes what of the identifier is not described, to be pasted
// into its frame; empty when nothing there moves.
func (id *ID) Additions(bus string) string {
	var text, fields strings.Builder
	counter, check := false, false // a frame has one of each
	for _, f := range id.Fields {
		switch {
		case f.Kind == Counter && !counter:
			counter = true
			fmt.Fprintf(&text, "    counter: {start: %d.%d, bits: %d}\n", f.Byte, f.Bit, f.Bits)
		case f.Kind == Check && !check:
			check = true
			fmt.Fprintf(&text, "    checksum: {kind: %s, byte: %d}\n", f.Check, f.Byte)
		case f.Kind != Fixed:
			fmt.Fprintf(&fields, "      %s_%d_%d: %s\n", nameOf(bus, id.ID, id.Extended), f.Byte, f.Bit, f.text(""))
		}
	}
	if fields.Len() > 0 {
		text.WriteString("    signals:\n" + fields.String())
	}
	return text.String()
}

// head proposes the text of a frame up to its fields.
func head(bus string, id uint32, extended, fd bool, length int, period time.Duration) string {
	var b strings.Builder
	fmt.Fprintf(&b, "  %s:\n", nameOf(bus, id, extended))
	if bus != "" {
		fmt.Fprintf(&b, "    bus: %q\n", bus)
	}
	fmt.Fprintf(&b, "    id: 0x%X\n", id)
	if extended {
		b.WriteString("    extended: true\n")
	}
	if fd {
		b.WriteString("    fd: true\n")
	}
	if length > 0 && length != 8 {
		fmt.Fprintf(&b, "    length: %d\n", length)
	}
	switch every := period.Round(time.Millisecond); {
	case every > 0:
		fmt.Fprintf(&b, "    every: %d ms\n", every.Milliseconds())
	case period >= 100*time.Microsecond: // the shortest there is
		fmt.Fprintf(&b, "    every: %d µs\n", period.Microseconds())
	}
	return b.String()
}

// nameOf makes a name that no other identifier gets.
func nameOf(bus string, id uint32, extended bool) string {
	digits := 3
	if extended {
		digits = 8
	}
	name := fmt.Sprintf("unknown_%0*x", digits, id)
	if bus != "" {
		name += "_" + plain(bus)
	}
	return name
}

// plain makes a text fit to be part of the name of a signal.
func plain(s string) string {
	return strings.Map(func(r rune) rune {
		switch {
		case r >= 'a' && r <= 'z', r >= 'A' && r <= 'Z', r >= '0' && r <= '9':
			return r
		}
		return '_'
	}, s)
}

// text returns the field as a vehicle file writes it; more is put at its end.
func (f Field) text(more string) string {
	s := fmt.Sprintf("{start: %d.%d, bits: %d", f.Byte, f.Bit, f.Bits)
	if f.Big {
		s += ", order: big"
	}
	return s + more + "}"
}

// mark sets the bits of the field in a mask as Mask returns it.
func (f Field) mark(mask []byte) {
	at, bit := f.Byte-1, f.Bit-1
	for range f.Bits {
		if at >= len(mask) {
			return
		}
		mask[at] |= 1 << bit
		switch {
		case !f.Big && bit == 7:
			at, bit = at+1, 0
		case !f.Big:
			bit++
		case bit == 0:
			at, bit = at+1, 7
		default:
			bit--
		}
	}
}

// free tells whether none of the field's bits is set in a mask.
func (f Field) free(mask []byte) bool {
	own := make([]byte, len(mask))
	f.mark(own)
	for i := range own {
		if own[i]&mask[i] != 0 {
			return false
		}
	}
	return true
}

// meets tells whether two fields share a bit.
func (f Field) meets(o Field) bool {
	mask := make([]byte, capture.MaxData)
	o.mark(mask)
	return !f.free(mask)
}
