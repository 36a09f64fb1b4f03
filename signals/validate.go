package signals

import (
	"fmt"
	"maps"
	"math"
	"reflect"
	"slices"
	"strings"
	"time"
	"unicode/utf8"

	"gearwitness/signals/bits"
	"gearwitness/signals/checksum"
	"gearwitness/signals/diag"
	"gearwitness/signals/formula"
	"gearwitness/signals/unit"
)

// complete reports keys that must be there and are not, now that every file is
// merged. here is what to point at.
func (r *reader) complete(v reflect.Value, at string, here span) {
	if r.bad[at] {
		return
	}
	if _, ok := v.Addr().Interface().(named); ok {
		if v.Type() == statesType {
			return
		}
		for i := range v.Len() {
			e := v.Index(i)
			name := e.FieldByName("Name").String()
			pos := e.FieldByName("Pos").Interface().(diag.Pos)
			r.complete(e.FieldByName("V"), sub(at, name), span{pos, utf8.RuneCountInString(name)})
		}
		return
	}
	switch v.Kind() {
	case reflect.Pointer:
		if !v.IsNil() {
			r.complete(v.Elem(), at, here)
		}
	case reflect.Struct:
		for _, f := range fieldsOf(v.Type()) {
			path := sub(at, f.key)
			where, ok := r.spans[path]
			switch {
			case ok:
				r.complete(v.Field(f.index), path, where)
			case f.need:
				r.failAt(path, here, "missing key %q; expected %s", f.key, f.help)
			}
		}
	}
}

// resolve fills in what follows from the rest of the file.
func (r *reader) resolve(f *File) {
	for i := range f.Frames {
		fr := &f.Frames[i]
		if fr.V.Bus == "" && len(f.Buses) == 1 {
			fr.V.Bus = f.Buses[0].Name
		}
		for j := range fr.V.Signals {
			s := &fr.V.Signals[j]
			at := sub("", "frames", fr.Name, "signals", s.Name)
			if !r.has(at, "resolution") {
				s.V.Resolution = 1
			}
			s.V.settleRaw()
		}
	}
}

// settleRaw brings raw values written as bit patterns to the sign extended form
// that Signal.Raw returns: 0x8000 of a signed field of 16 bits is -32768.
func (s *Signal) settleRaw() {
	if s.Number != Signed || s.Bits < 1 || s.Bits > 63 {
		return
	}
	settle := func(v *int64) {
		if *v >= 1<<(s.Bits-1) && *v < 1<<s.Bits {
			*v -= 1 << s.Bits
		}
	}
	for i := range s.States {
		settle(&s.States[i].V)
	}
	for i := range s.Missing {
		settle(&s.Missing[i].Low)
		settle(&s.Missing[i].High)
		if s.Missing[i].Low > s.Missing[i].High { // a range of patterns across the sign
			s.Missing[i].Low, s.Missing[i].High = s.Missing[i].High, s.Missing[i].Low
		}
	}
}

// has tells whether all keys below at were written and could be read.
func (r *reader) has(at string, keys ...string) bool {
	for _, k := range keys {
		if _, ok := r.spans[sub(at, k)]; !ok || r.bad[sub(at, k)] {
			return false
		}
	}
	return true
}

// where returns what to underline for a path, else for the nearest one above.
func (r *reader) where(at string) span {
	for {
		if s, ok := r.spans[at]; ok {
			return s
		}
		i := strings.LastIndexByte(at, 0)
		if i < 0 {
			return span{diag.Pos{Line: 1, Column: 1}, 1}
		}
		at = at[:i]
	}
}

// wrong reports a fault of the value at a path.
func (r *reader) wrong(at string, format string, args ...any) {
	if !r.bad[at] {
		r.fail(r.where(at), format, args...)
	}
}

// twice reports a fault that two places share.
func (r *reader) twice(where span, also diag.Pos, format string, args ...any) {
	r.found = append(r.found, diag.Finding{Pos: where.pos, Length: where.length, Text: fmt.Sprintf(format, args...), Also: &also})
}

func at[T any](e Entry[T]) span { return span{e.Pos, utf8.RuneCountInString(e.Name)} }

// names of a mapping, for suggestions.
func names[T any](n Named[T]) []string {
	var list []string
	for _, e := range n {
		list = append(list, e.Name)
	}
	return list
}

// unknown reports a reference to nothing.
func (r *reader) unknown(at, what, name string, candidates []string) {
	hint := diag.Suggest(name, candidates)
	if hint == "" && len(candidates) > 0 && len(candidates) <= 12 {
		hint = "; " + oneOf(slices.Sorted(slices.Values(candidates)))
	}
	r.wrong(at, "unknown %s %q%s", what, name, hint)
}

// Analysis are the signals that the analysis adds to those of the file. A file
// may define the ones marked free itself; the others are reserved.
var Analysis = []struct {
	Name string
	Unit unit.Unit
	Free bool
}{
	{"gear", unit.None, false},
	{"ratio", unit.None, false},
	{"converter_slip", unit.RPM, false},
	{"input_speed", unit.RPM, true},
	{"oil_temperature_difference", unit.Kelvin, true},
}

// known is a signal as formulas and roles see it.
type known struct {
	entry  span
	unit   unit.Unit
	states States
}

// validate checks everything that concerns more than one key.
func (r *reader) validate(f *File) {
	signals := r.validateFrames(f)
	r.validateComputed(f, signals)
	r.validateTransmission(f, signals)
	r.validateAlarms(f, signals)
}

func (r *reader) validateFrames(f *File) map[string]known {
	signals := make(map[string]known)
	buses := names(f.Buses)
	for i, e := range f.Frames {
		fr := &f.Frames[i].V
		path := sub("", "frames", e.Name)
		if r.bad[path] {
			continue
		}
		r.validateIdentifier(f, i, path)
		switch {
		case fr.Bus == "" && len(buses) > 1 && !r.bad[sub(path, "bus")]:
			r.fail(at(e), "missing key \"bus\"; there is more than one: %s", oneOf(buses))
		case fr.Bus != "" && !slices.Contains(buses, fr.Bus):
			r.unknown(sub(path, "bus"), "bus", fr.Bus, buses)
		}
		switch n := fr.Length; {
		case r.bad[sub(path, "length")] || !r.has(path, "length"):
		case fr.J1939() && (n < 1 || n > 1785):
			r.wrong(sub(path, "length"), "length: expected 1 to 1785 bytes for a parameter group, found %d", n)
		case !fr.J1939() && fr.FD && (n < 1 || n > 64 || n > 8 && !slices.Contains([]int{12, 16, 20, 24, 32, 48, 64}, n)):
			r.wrong(sub(path, "length"), "length: expected 1 to 8, 12, 16, 20, 24, 32, 48 or 64 bytes for a CAN FD frame, found %d", n)
		case !fr.J1939() && !fr.FD && (n < 1 || n > 8):
			r.wrong(sub(path, "length"), "length: expected 1 to 8 bytes, found %d; longer frames need fd: true", n)
		}
		if fr.StaleAfter != 0 && fr.StaleAfter < fr.Every {
			r.wrong(sub(path, "stale_after"), "stale_after: expected no less than the period %s, found %s", writeDuration(fr.Every), writeDuration(fr.StaleAfter))
		}
		if r.has(path, "every") && fr.Every < 100*time.Microsecond {
			r.wrong(sub(path, "every"), "every: expected a period of 100 µs or more, found %s", writeDuration(fr.Every))
		}
		r.validateFields(f, i, path)
		for j, s := range fr.Signals {
			if old, ok := signals[s.Name]; ok {
				r.twice(at(s), old.entry.pos, "signal %q is defined a second time; a name means one signal in the whole file", s.Name)
				continue
			}
			r.notReserved(at(s), s.Name)
			signals[s.Name] = known{at(s), fr.Signals[j].V.Unit, fr.Signals[j].V.States}
		}
	}
	return signals
}

func (r *reader) notReserved(where span, name string) {
	for _, a := range Analysis {
		if a.Name == name && !a.Free {
			r.fail(where, "%q is a signal of the analysis; expected another name", name)
		}
	}
}

// validateIdentifier checks id or pgn, and that no frame before claims the same.
func (r *reader) validateIdentifier(f *File, i int, path string) {
	e, fr := f.Frames[i], &f.Frames[i].V
	switch {
	case r.bad[sub(path, "id")] || r.bad[sub(path, "pgn")] || r.bad[sub(path, "extended")]:
		return
	case fr.ID == nil && fr.PGN == nil:
		hint := diag.Suggest(e.Name, names(f.Frames[:i]))
		r.fail(at(e), "missing key \"id\"; expected id: 0x1A4 or, for SAE J1939, pgn: 61442%s", hint)
		return
	case fr.ID != nil && fr.PGN != nil:
		r.wrong(sub(path, "pgn"), "expected either id or pgn, found both")
		return
	case fr.PGN != nil && *fr.PGN > 0x3FFFF:
		r.wrong(sub(path, "pgn"), "pgn: expected 0 to 262143, found %d", *fr.PGN)
		return
	case fr.PGN != nil && *fr.PGN>>8&0xFF < 240 && *fr.PGN&0xFF != 0:
		r.wrong(sub(path, "pgn"), "pgn: %d has the destination in its low byte; expected %d", *fr.PGN, *fr.PGN&^0xFF)
		return
	case fr.PGN == nil && fr.Source != nil:
		r.wrong(sub(path, "source"), "source: goes with pgn only; an id holds the source already")
	case fr.PGN != nil && fr.Extended:
		r.wrong(sub(path, "extended"), "extended: goes with id only; a parameter group always has 29 bits")
	case fr.PGN != nil && fr.FD:
		r.wrong(sub(path, "fd"), "fd: goes with id only")
	case fr.ID != nil && fr.Extended && *fr.ID > 0x1FFFFFFF:
		r.wrong(sub(path, "id"), "id: expected 0 to 0x1FFFFFFF, found %#X", *fr.ID)
		return
	case fr.ID != nil && !fr.Extended && *fr.ID > 0x7FF:
		r.wrong(sub(path, "id"), "id: expected 0 to 0x7FF, found %#X; for 29 bits add extended: true", *fr.ID)
		return
	}
	for _, o := range f.Frames[:i] {
		if o.V.Bus == fr.Bus && clash(&o.V, fr) {
			key := "id"
			if fr.PGN != nil {
				key = "pgn"
			}
			r.twice(r.where(sub(path, key)), o.Pos, "frame %q has the identifier of frame %q on the same bus; keep one of the two, or tell them apart", e.Name, o.Name)
			return
		}
	}
}

// clash tells whether one frame on a bus could belong to both definitions.
func clash(a, b *Frame) bool {
	switch {
	case a.ID != nil && b.ID != nil:
		return *a.ID == *b.ID && a.Extended == b.Extended
	case a.PGN != nil && b.PGN != nil:
		return *a.PGN == *b.PGN && (a.Source == nil || b.Source == nil || *a.Source == *b.Source)
	case a.PGN == nil:
		a, b = b, a
	}
	if a.PGN == nil || b.ID == nil || !b.Extended {
		return false
	}
	// SAE J1939-21: PF below 240 has a destination in the low byte.
	pgn := *b.ID >> 8 & 0x3FFFF
	if pgn>>8&0xFF < 240 {
		pgn &^= 0xFF
	}
	return pgn == *a.PGN && (a.Source == nil || uint32(*a.Source) == *b.ID&0xFF)
}

// placed is a field of a frame with the bits it takes.
type placed struct {
	name  string
	where span
	mask  [bits.MaxData]byte
	when  map[string][]RawRange // all conditions, those of its conditions too
}

func (r *reader) validateFields(f *File, i int, path string) {
	fr := &f.Frames[i].V
	var fields []placed
	place := func(name string, at string, start BitPos, width int, order Order, when map[string][]RawRange) bool {
		where := r.where(sub(at, "start"))
		field, err := bits.New(start, width, order)
		switch {
		case width < 1 || width > 64:
			r.wrong(sub(at, "bits"), "bits: expected 1 to 64, found %d", width)
			return false
		case err != nil || field.Need() > fr.DataLength() && !r.bad[sub(path, "length")]:
			r.fail(where, "%s ends beyond the data: %s; expected it within the %d bytes of the frame", name, extent(start, width, order), fr.DataLength())
			return false
		}
		fields = append(fields, placed{name, where, field.Mask(), when})
		return true
	}
	if c := fr.Counter; c != nil {
		p := sub(path, "counter")
		if r.has(p, "start", "bits") {
			if c.Bits < 2 || c.Bits > 16 {
				r.wrong(sub(p, "bits"), "bits: expected 2 to 16 for a counter, found %d", c.Bits)
			} else {
				place("the counter", p, c.Start, c.Bits, Little, nil)
			}
		}
	}
	if c := fr.Checksum; c != nil {
		p := sub(path, "checksum")
		if r.has(p, "kind") {
			if _, ok := checksum.Lookup(c.Kind); !ok {
				r.unknown(sub(p, "kind"), "kind of checksum", c.Kind, checksum.Names())
			}
		}
		if r.has(p, "byte") {
			if c.Byte < 1 || c.Byte > min(fr.DataLength(), bits.MaxData) {
				r.wrong(sub(p, "byte"), "byte: expected 1 to %d, found %d", min(fr.DataLength(), bits.MaxData), c.Byte)
			} else {
				field, _ := bits.New(BitPos{Byte: c.Byte, Bit: 1}, 8, Little)
				fields = append(fields, placed{"the checksum", r.where(sub(p, "byte")), field.Mask(), nil})
			}
		}
	}
	for j := range fr.Signals {
		e := &fr.Signals[j]
		p := sub(path, "signals", e.Name)
		if r.bad[p] {
			continue
		}
		when, ok := r.conditions(fr, e.Name, path)
		r.validateSignal(&e.V, p)
		if !ok || !r.has(p, "start", "bits") || r.bad[sub(p, "order")] {
			continue
		}
		place(e.Name, p, e.V.Start, e.V.Bits, e.V.Order, when)
	}
	for j, b := range fields {
		for _, a := range fields[:j] {
			if byteNo, bit, ok := overlap(a.mask, b.mask); ok && !exclude(a.when, b.when) {
				r.twice(b.where, a.where.pos, "%s overlaps %s at bit %d.%d", b.name, a.name, byteNo, bit)
				break
			}
		}
	}
}

// extent says where a field lies, in words.
func extent(start BitPos, width int, order Order) string {
	lead := start.Bit - 1
	if order == Big {
		lead = 8 - start.Bit
	}
	return fmt.Sprintf("%d bits from %v reach byte %d", width, start, start.Byte-1+(lead+width+7)/8)
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

// conditions gathers what must hold for a signal of a frame to be there: its
// own conditions and those of the signals they ask. False if that cannot be.
func (r *reader) conditions(fr *Frame, name, path string) (map[string][]RawRange, bool) {
	all := make(map[string][]RawRange)
	ok := true
	var visit func(name string, trail []string)
	visit = func(signal string, trail []string) {
		i := fr.Signals.Index(signal)
		for _, c := range fr.Signals[i].V.When {
			p := sub(path, "signals", signal, "when", c.Signal)
			j := fr.Signals.Index(c.Signal)
			own := signal == name // others report their own faults
			switch {
			case r.bad[p]:
				ok = false
				continue
			case j < 0:
				if own {
					r.unknown(sub(p, "name"), "signal in this frame", c.Signal, names(fr.Signals))
				}
				ok = false
				continue
			case slices.Contains(trail, c.Signal):
				if own {
					r.wrong(sub(p, "name"), "when: %q would depend on itself", name)
				}
				ok = false
				continue
			}
			mux := &fr.Signals[j].V
			for k, v := range c.Values {
				if lo, hi, sane := rawLimits(mux); sane && (v.Low < lo || v.High > hi) {
					if own {
						r.wrong(sub(p, fmt.Sprint(k)), "when: %s never has the raw value %s; its %d bits hold %d to %d", c.Signal, writeRawRange(v), mux.Bits, lo, hi)
					}
					ok = false
				}
			}
			if before, twice := all[c.Signal]; twice {
				if both := intersect(before, c.Values); len(both) == 0 {
					if own {
						r.wrong(p, "when: can never hold, because %s has another value whenever the rest does", c.Signal)
					}
					ok = false
				} else {
					all[c.Signal] = both
				}
			} else {
				all[c.Signal] = c.Values
			}
			visit(c.Signal, append(trail, c.Signal))
		}
	}
	visit(name, []string{name})
	return all, ok
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

func (r *reader) validateSignal(s *Signal, p string) {
	if s.Resolution == 0 && r.has(p, "resolution") {
		r.wrong(sub(p, "resolution"), "resolution: expected a number other than 0")
	}
	if s.Number == Float && r.has(p, "bits") && s.Bits != 32 && s.Bits != 64 {
		r.wrong(sub(p, "bits"), "bits: expected 32 or 64 for a floating-point number, found %d", s.Bits)
	}
	if s.Number == Float && len(s.States) > 0 {
		r.wrong(sub(p, "states"), "states: a floating-point number has none")
	}
	if low, high, ok := rawLimits(s); ok && r.has(p, "bits") {
		for _, st := range s.States {
			if st.V < low || st.V > high {
				r.fail(span{st.Pos, 1}, "states: raw value %d does not fit %d bits, which hold %d to %d", st.V, s.Bits, low, high)
			}
		}
		for k, m := range s.Missing {
			if m.Low < low || m.High > high {
				r.wrong(sub(p, "missing", fmt.Sprint(k)), "missing: raw value %s does not fit %d bits, which hold %d to %d", writeRawRange(m), s.Bits, low, high)
			}
		}
		if s.Range != nil && s.Resolution != 0 && s.Bits < 64 {
			a, b := float64(low)*s.Resolution+s.Offset, float64(high)*s.Resolution+s.Offset
			if a, b = min(a, b), max(a, b); s.Range.High < a || s.Range.Low > b {
				r.wrong(sub(p, "range"), "range: no raw value lies in it; %d bits with this resolution and offset give %s to %s", s.Bits, writeFloat(a), writeFloat(b))
			} else if s.Range.High > b*(1+1e-9)+math.Abs(s.Resolution) || s.Range.Low < a*(1+1e-9)-math.Abs(s.Resolution) {
				w := r.where(sub(p, "range"))
				r.found.Warn(w.pos, w.length, "range: wider than the field, which gives %s to %s", writeFloat(a), writeFloat(b))
			}
		}
	}
	if len(s.States) > 0 && s.Unit != unit.None {
		r.wrong(sub(p, "unit"), "unit: a signal with states has none")
	}
}

// scope gives formulas the signals of the file.
type scope map[string]known

func (s scope) Symbol(name string) (formula.Symbol, bool) {
	k, ok := s[name]
	sym := formula.Symbol{Unit: k.unit}
	if ok && len(k.states) > 0 {
		sym.States = make(map[string]float64)
		for _, st := range k.states {
			sym.States[st.Name] = float64(st.V)
		}
	}
	return sym, ok
}

func (s scope) SymbolNames() []string { return slices.Sorted(maps.Keys(s)) }

// problems reports what is wrong with the formula at a path.
func (r *reader) problems(at, src string, list []formula.Problem) {
	where := r.where(at)
	length := utf8.RuneCountInString(src)
	for _, p := range list {
		w := where
		// Inside a text on one line the place is known exactly.
		if quotes := where.length - length; quotes == 0 || quotes == 2 {
			w.pos.Column += quotes/2 + min(p.From, length)
			w.length = min(p.Length, length-min(p.From, length))
		}
		r.fail(w, "%s", p.Text)
	}
}

func (r *reader) validateComputed(f *File, signals map[string]known) {
	for _, e := range f.Computed {
		if old, ok := signals[e.Name]; ok {
			r.twice(at(e), old.entry.pos, "signal %q is defined a second time; a name means one signal in the whole file", e.Name)
			continue
		}
		r.notReserved(at(e), e.Name)
		signals[e.Name] = known{at(e), e.V.Unit, nil}
	}
	uses := make(map[string][]string)
	for _, e := range f.Computed {
		p := sub("", "computed", e.Name)
		if !r.has(p, "formula") || r.bad[sub(p, "unit")] {
			continue
		}
		program, list := formula.Number(e.V.Formula, e.V.Unit, scope(signals))
		r.problems(sub(p, "formula"), e.V.Formula, list)
		if program != nil {
			uses[e.Name] = program.Names()
		}
	}
	for _, e := range f.Computed {
		if circle := findCircle(uses, e.Name); circle != nil {
			r.wrong(sub("", "computed", e.Name, "formula"), "computed in a circle: %s", strings.Join(circle, " needs "))
		}
	}
}

// findCircle returns a way from name back to name, nil if there is none.
func findCircle(uses map[string][]string, name string) []string {
	seen := make(map[string]bool)
	var walk func(n string, trail []string) []string
	walk = func(n string, trail []string) []string {
		for _, u := range uses[n] {
			if u == name {
				return append(trail, u)
			}
			if !seen[u] {
				seen[u] = true
				if c := walk(u, append(trail, u)); c != nil {
					return c
				}
			}
		}
		return nil
	}
	return walk(name, []string{name})
}

func (r *reader) validateAlarms(f *File, signals map[string]known) {
	all := maps.Clone(signals)
	gears := States{{Name: "N", V: 0}, {Name: "R", V: -1}, {Name: "standing", V: 100}, {Name: "between", V: 101}}
	if t := f.Transmission; t != nil {
		for _, e := range t.Elements {
			all["slip."+e.Name] = known{unit: unit.RPM}
		}
		for _, g := range append(names(t.Gears), names(t.Ratios)...) {
			if n, err := readInt(g); err == nil {
				gears = append(gears, Entry[int64]{Name: g, V: n})
			}
		}
	}
	for _, a := range Analysis {
		if _, own := all[a.Name]; !own {
			k := known{unit: a.Unit}
			if a.Name == "gear" {
				k.states = gears
			}
			all[a.Name] = k
		}
	}
	for _, e := range f.Alarms {
		p := sub("", "alarms", e.Name)
		for key, src := range map[string]string{"when": e.V.When, "clear": e.V.Clear} {
			if r.has(p, key) {
				_, list := formula.Condition(src, scope(all))
				r.problems(sub(p, key), src, list)
			}
		}
	}
}
