package signals

import (
	"fmt"
	"math"

	"gearwitness/signals/bits"
	"gearwitness/signals/checksum"
	"gearwitness/signals/diag"
)

// placed is a field of a frame with the bits it takes.
type placed struct {
	name  string
	where span
	mask  [bits.MaxData]byte
	when  map[string][]RawRange // all conditions, those of its conditions too
}

// carrier is what holds fields: a frame or the answer to a request.
type carrier struct {
	path     string
	length   int
	counter  *Counter
	checksum *Checksum
	signals  Named[Signal]
}

func (r *rules) validateFields(c carrier) {
	var fields []placed
	place := func(name, at string, start BitPos, width int, order Order, when map[string][]RawRange) {
		field, err := bits.New(start, width, order)
		switch {
		case width < 1 || width > 64:
			r.wrongKey(at, "bits", diag.Expect("1 to 64").Got("%d", width))
		case r.bad[sub(c.path, "length")]:
		case err != nil || field.Need() > c.length:
			r.wrong(sub(at, "start"), diag.Say("%s ends beyond the data: %s", name, extent(start, width, order)).Hint("the data end with byte %d", min(c.length, bits.MaxData)))
		default:
			fields = append(fields, placed{name, r.where(sub(at, "start")), field.Mask(), when})
		}
	}
	if n, p := c.counter, sub(c.path, "counter"); n != nil && r.has(p, "start", "bits") {
		switch {
		case n.Bits < 2 || n.Bits > 16:
			r.wrongKey(p, "bits", diag.Expect("2 to 16 for a counter").Got("%d", n.Bits))
		case n.Modulo != 0 && (n.Modulo < 2 || n.Modulo > 1<<n.Bits):
			r.wrongKey(p, "modulo", diag.Expect("2 to %d", 1<<n.Bits).Got("%d", n.Modulo))
		default:
			place("the counter", p, n.Start, n.Bits, Little, nil)
		}
	}
	if k, p := c.checksum, sub(c.path, "checksum"); k != nil {
		if r.has(p, "kind") {
			if _, ok := checksum.Lookup(k.Kind); !ok {
				r.unknown(sub(p, "kind"), "kind of checksum", k.Kind, checksum.Names())
			}
		}
		if r.has(p, "byte") {
			if top := min(c.length, bits.MaxData); k.Byte < 1 || k.Byte > top {
				r.wrongKey(p, "byte", diag.Expect("1 to %d", top).Got("%d", k.Byte))
			} else {
				field, _ := bits.New(BitPos{Byte: k.Byte, Bit: 1}, 8, Little)
				fields = append(fields, placed{"the checksum", r.where(sub(p, "byte")), field.Mask(), nil})
			}
		}
		if n := len(k.PerCounter); n > 0 {
			switch {
			case c.counter == nil:
				r.wrongKey(p, "per_counter", diag.Say("needs a counter in the frame"))
			case n != c.counter.Values() && r.has(sub(c.path, "counter"), "bits"):
				r.wrongKey(p, "per_counter", diag.Expect("%d bytes, one for each value of the counter", c.counter.Values()).Got("%d", n))
			case len(k.Suffix) > 0:
				r.wrongKey(p, "suffix", diag.Expect("either suffix or per_counter").Got("both"))
			}
		}
	}
	for j := range c.signals {
		e := &c.signals[j]
		p := sub(c.path, "signals", e.Name)
		if r.bad[p] {
			continue
		}
		when, ok := r.conditions(c.signals, e.Name, sub(c.path, "signals"))
		r.validateSignal(&e.V, p)
		if ok && r.has(p, "start", "bits") && !r.bad[sub(p, "order")] {
			place(e.Name, p, e.V.Start, e.V.Bits, e.V.Order, when)
		}
	}
	for j, b := range fields {
		for _, a := range fields[:j] {
			if byteNo, bit, ok := overlap(a.mask, b.mask); ok && !exclude(a.when, b.when) {
				r.twice(b.where, a.where.pos, diag.Say("%s overlaps %s at bit %d.%d", b.name, a.name, byteNo, bit))
				break
			}
		}
	}
}

// hold returns "8 bits hold" or "1 bit holds".
func hold(bits int) string {
	if bits == 1 {
		return "1 bit holds"
	}
	return fmt.Sprintf("%d bits hold", bits)
}

// extent says where a field lies, in words.
func extent(start BitPos, width int, order Order) string {
	lead := start.Bit - 1
	if order == Big {
		lead = 8 - start.Bit
	}
	return fmt.Sprintf("a width of %d from %v reaches byte %d", width, start, start.Byte-1+(lead+width+7)/8)
}

func overlap(a, b [bits.MaxData]byte) (byteNo, bit int, ok bool) {
	for i := range a {
		if m := a[i] & b[i]; m != 0 {
			for bit = 1; m&1 == 0; bit++ {
				m >>= 1
			}
			return i + 1, bit, true
		}
	}
	return 0, 0, false
}

// exclude tells whether two sets of conditions never hold together.
func exclude(a, b map[string][]RawRange) bool {
	for name, x := range a {
		if y, ok := b[name]; ok && len(intersect(x, y)) == 0 {
			return true
		}
	}
	return false
}

func intersect(x, y []RawRange) []RawRange {
	var out []RawRange
	for _, p := range x {
		for _, q := range y {
			if lo, hi := max(p.Low, q.Low), min(p.High, q.High); lo <= hi {
				out = append(out, RawRange{lo, hi})
			}
		}
	}
	return out
}

// rawLimits returns the raw values that fit a signal; false if there is no
// telling.
func rawLimits(s *Signal) (low, high int64, ok bool) {
	switch {
	case s.Bits < 1 || s.Bits > 64 || s.Number == Float:
		return 0, 0, false
	case s.Number == Signed:
		return -1 << (s.Bits - 1), 1<<(s.Bits-1) - 1, true
	case s.Bits == 64:
		return math.MinInt64, math.MaxInt64, true // patterns
	}
	return 0, 1<<s.Bits - 1, true
}
