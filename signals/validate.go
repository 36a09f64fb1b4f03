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
	"gearwitness/signals/sensor"
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
				r.failAt(path, here, "missing key %q: %s", f.key, f.help)
			}
		}
	}
}

// resolve fills in what follows from the rest of the file.
func (r *reader) resolve(f *File) {
	bus := func(b *string) {
		if *b == "" && len(f.Buses) == 1 {
			*b = f.Buses[0].Name
		}
	}
	for i := range f.Frames {
		bus(&f.Frames[i].V.Bus)
		r.resolveSignals(f.Frames[i].V.Signals, sub("", "frames", f.Frames[i].Name, "signals"))
	}
	for i := range f.Requests {
		bus(&f.Requests[i].V.Bus)
		r.resolveSignals(f.Requests[i].V.Signals, sub("", "requests", f.Requests[i].Name, "signals"))
	}
	for i := range f.Lines {
		list := f.Lines[i].V.Signals
		for j := range list {
			if !r.has(sub("", "lines", f.Lines[i].Name, "signals", list[j].Name), "resolution") {
				list[j].V.Resolution = 1
			}
		}
	}
}

func (r *reader) resolveSignals(list Named[Signal], path string) {
	for i := range list {
		s := &list[i].V
		at := sub(path, list[i].Name)
		if !r.has(at, "resolution") {
			s.Resolution = 1
		}
		s.settleRaw()
		if t := s.Thermistor; t != nil && len(t.Points) == 3 {
			var ohm, celsius [3]float64
			for k, p := range t.Points {
				ohm[k], celsius[k] = p.X, p.Y
			}
			c, err := sensor.Fit(ohm, celsius)
			if err != nil {
				r.wrong(sub(at, "thermistor", "points"), "points: %v", err)
			}
			t.fit = c
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
	if all := slices.Compact(slices.Sorted(slices.Values(candidates))); hint == "" && len(all) > 0 && len(all) <= 12 {
		hint = "; " + oneOf(all)
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
	{"converter_speed_ratio", unit.None, true},
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
	all := withAnalysis(f, signals)
	r.validateAlarms(f, all)
	r.validateProcedures(f, all)
	r.validateReadings(f)
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
		r.validateBus(fr.Bus, at(e), path, buses)
		switch n := fr.Length; {
		case !r.has(path, "length"):
		case fr.J1939() && (n < 1 || n > 1785):
			r.wrong(sub(path, "length"), "length: expected 1 to 1785 bytes for a parameter group, found %d", n)
		case !fr.J1939() && fr.FD && (n < 1 || n > 64 || n > 8 && !slices.Contains([]int{12, 16, 20, 24, 32, 48, 64}, n)):
			r.wrong(sub(path, "length"), "length: expected 1 to 8, 12, 16, 20, 24, 32, 48 or 64 bytes for a CAN FD frame, found %d", n)
		case !fr.J1939() && !fr.FD && (n < 1 || n > 8):
			r.wrong(sub(path, "length"), "length: expected 1 to 8 bytes, found %d; longer frames need fd: true", n)
		}
		r.validatePeriod(path, fr.Every, fr.StaleAfter)
		r.validateFields(carrier{path: path, length: fr.DataLength(), counter: fr.Counter, checksum: fr.Checksum, signals: fr.Signals})
		for _, s := range fr.Signals {
			r.define(signals, at(s), s.Name, s.V.Unit, s.V.States)
		}
	}
	for i, e := range f.Requests {
		path := sub("", "requests", e.Name)
		if r.bad[path] {
			continue
		}
		r.validateBus(e.V.Bus, at(e), path, buses)
		r.validateRequest(&f.Requests[i].V, path, at(e))
		for _, s := range e.V.Signals {
			r.define(signals, at(s), s.Name, s.V.Unit, s.V.States)
		}
	}
	for i, e := range f.Lines {
		path := sub("", "lines", e.Name)
		if r.bad[path] {
			continue
		}
		r.validateLines(&f.Lines[i].V, path)
		for _, s := range e.V.Signals {
			r.define(signals, at(s), s.Name, s.V.Unit, s.V.States)
		}
	}
	return signals
}

// define enters a signal into the table of the file's signals.
func (r *reader) define(signals map[string]known, where span, name string, u unit.Unit, states States) {
	if old, ok := signals[name]; ok {
		r.twice(where, old.entry.pos, "signal %q is defined a second time; a name means one signal in the whole file", name)
		return
	}
	r.notReserved(where, name)
	signals[name] = known{where, u, states}
}

func (r *reader) validateBus(bus string, entry span, path string, buses []string) {
	switch {
	case r.bad[sub(path, "bus")]:
	case bus == "" && len(buses) > 1:
		remedy := ""
		if strings.HasPrefix(entry.pos.File, libraryRoot) {
			remedy = "; put its library under use: of the bus it is on"
		}
		r.fail(entry, "missing key \"bus\"; there is more than one: %s%s", oneOf(buses), remedy)
	case bus != "" && !slices.Contains(buses, bus):
		r.unknown(sub(path, "bus"), "bus", bus, buses)
	}
}

func (r *reader) validatePeriod(path string, every, stale time.Duration) {
	if stale != 0 && stale < every {
		r.wrong(sub(path, "stale_after"), "stale_after: expected no less than the period %s, found %s", writeDuration(every), writeDuration(stale))
	}
	if r.has(path, "every") && every < 100*time.Microsecond {
		r.wrong(sub(path, "every"), "every: expected a period of 100 µs or more, found %s", writeDuration(every))
	}
}

func (r *reader) validateRequest(q *Request, path string, entry span) {
	if !r.has(path, "service") {
		return
	}
	top, asks := uint32(0xFF), true
	switch q.Service {
	case StoredFaults, PendingFaults, PermanentFaults:
		asks = false
	case ReadByID:
		top = 0xFFFF
	}
	switch {
	case !asks && q.Item != nil:
		r.wrong(sub(path, "item"), "item: service %02X asks for all fault codes and has none", uint8(q.Service))
	case !asks && len(q.Signals) > 0:
		r.wrong(sub(path, "signals"), "signals: service %02X answers with fault codes", uint8(q.Service))
	case asks && q.Item == nil && !r.bad[sub(path, "item")]:
		r.fail(entry, "missing key \"item\"; expected what service %02X is to read, 0 to 0x%X", uint8(q.Service), top)
	case asks && q.Item != nil && *q.Item > top:
		r.wrong(sub(path, "item"), "item: expected 0 to 0x%X, found 0x%X", top, *q.Item)
	}
	if q.Frame != nil && q.Service != FreezeFrame {
		r.wrong(sub(path, "frame"), "frame: goes with service 02 only")
	}
	if q.Mask != nil && q.Service != ReadFaults {
		r.wrong(sub(path, "mask"), "mask: goes with service 19 only")
	}
	limit := uint32(0x7FF)
	if q.Extended {
		limit = 0x1FFFFFFF
	}
	for key, id := range map[string]*uint32{"to": q.To, "from": q.From} {
		if id != nil && *id > limit {
			r.wrong(sub(path, key), "%s: expected 0 to 0x%X, found 0x%X; for 29 bits add extended: true", key, limit, *id)
		}
	}
	if q.To != nil && q.From == nil && *q.To != 0x7DF && *q.To != 0x18DB33F1 && !r.bad[sub(path, "from")] && answerTo(*q.To, q.Extended) == 0 {
		r.wrong(sub(path, "to"), "to: 0x%X is no identifier of ISO 15765-4; expected the key from with the one that answers", *q.To)
	}
	if r.has(path, "every") && q.Every < 100*time.Millisecond {
		r.wrong(sub(path, "every"), "every: expected 100 ms or more, found %s; a bus is shared", writeDuration(q.Every))
	}
	length := bits.MaxData
	if r.has(path, "length") {
		if q.Length < 1 || q.Length > 4093 {
			r.wrong(sub(path, "length"), "length: expected 1 to 4093 bytes, found %d", q.Length)
		} else {
			length = q.Length
		}
	}
	r.validateFields(carrier{path: path, length: length, signals: q.Signals})
}

// answerTo returns the identifier that answers a request to one unit by ISO
// 15765-4: 7E0..7E7 and 18DAxxF1; 0 if id is no such request.
func answerTo(id uint32, extended bool) uint32 {
	switch {
	case !extended && 0x7E0 <= id && id <= 0x7E7:
		return id + 8
	case extended && id&0x1FFF00FF == 0x18DA00F1:
		return 0x18DAF100 | id>>8&0xFF
	}
	return 0
}

// Answers returns the identifier whose answer counts; any is true where every
// unit may answer.
func (r *Request) Answers() (id uint32, any bool) {
	if r.From != nil {
		return *r.From, false
	}
	id = answerTo(r.Target(), r.Extended)
	return id, id == 0
}

func (r *reader) validateLines(l *Lines, path string) {
	r.validatePeriod(path, l.Every, l.StaleAfter)
	if !r.has(path, "form") {
		return
	}
	if l.Form == NMEA {
		for key, given := range map[string]bool{"separator": l.Separator != "", "begins": l.Begins != ""} {
			if given {
				r.wrong(sub(path, key), "%s: an NMEA 0183 sentence has its own form", key)
			}
		}
	}
	if utf8.RuneCountInString(l.Separator) > 8 {
		r.wrong(sub(path, "separator"), "separator: expected at most 8 characters")
	}
	for i := range l.Signals {
		e := &l.Signals[i]
		p, s := sub(path, "signals", e.Name), &e.V
		if r.bad[p] {
			continue
		}
		given := map[string]bool{"sentence": s.Sentence != "", "field": r.has(p, "field"), "column": r.has(p, "column"), "key": s.Key != ""}
		want := map[Form][]string{NMEA: {"sentence", "field"}, Columns: {"column"}, Pairs: {"key"}}[l.Form]
		for _, key := range []string{"sentence", "field", "column", "key"} {
			_, written := r.spans[sub(p, key)]
			switch needed := slices.Contains(want, key); {
			case needed && !written:
				r.fail(at(*e), "missing key %q; expected it with form %s", key, scalars[reflect.TypeFor[Form]()].write(l.Form))
			case given[key] && !needed:
				r.wrong(sub(p, key), "%s: does not go with form %s; expected %s", key, scalars[reflect.TypeFor[Form]()].write(l.Form), strings.Join(want, " and "))
			}
		}
		if given["sentence"] && (len(s.Sentence) != 3 || strings.ToUpper(s.Sentence) != s.Sentence) {
			r.wrong(sub(p, "sentence"), "sentence: expected the last three letters of its name, such as RMC, found %q", s.Sentence)
		}
		for key, n := range map[string]int{"field": s.Field, "column": s.Column} {
			if given[key] && (n < 1 || n > 100) {
				r.wrong(sub(p, key), "%s: expected 1 to 100, found %d", key, n)
			}
		}
		if s.Resolution == 0 && r.has(p, "resolution") {
			r.wrong(sub(p, "resolution"), "resolution: expected a number other than 0")
		}
		if len(s.States) > 0 && s.Unit != unit.None {
			r.wrong(sub(p, "unit"), "unit: a signal with states has none")
		}
	}
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
	case fr.PGN == nil && fr.Dest != nil:
		r.wrong(sub(path, "destination"), "destination: goes with pgn only")
	case fr.PGN == nil && fr.Priority != nil:
		r.wrong(sub(path, "priority"), "priority: goes with pgn only")
	case fr.Dest != nil && *fr.PGN>>8&0xFF >= 240:
		r.wrong(sub(path, "destination"), "destination: group %d goes to everybody; only groups whose second byte is below 240 have one", *fr.PGN)
	case fr.Priority != nil && *fr.Priority > 7:
		r.wrong(sub(path, "priority"), "priority: expected 0 to 7, found %d", *fr.Priority)
	case fr.PGN != nil && fr.Extended:
		r.wrong(sub(path, "extended"), "extended: goes with id only; a parameter group always has 29 bits")
	case fr.PGN != nil && fr.FD:
		r.wrong(sub(path, "fd"), "fd: goes with id only")
	case fr.ID != nil && fr.Extended && *fr.ID > 0x1FFFFFFF:
		r.wrong(sub(path, "id"), "id: expected 0 to 0x1FFFFFFF, found 0x%X", *fr.ID)
		return
	case fr.ID != nil && !fr.Extended && *fr.ID > 0x7FF:
		r.wrong(sub(path, "id"), "id: expected 0 to 0x7FF, found 0x%X; for 29 bits add extended: true", *fr.ID)
		return
	}
	if r.bad[sub(path, "source")] || r.bad[sub(path, "destination")] {
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
		return *a.PGN == *b.PGN && meet(a.Source, b.Source) && meet(a.Dest, b.Dest)
	case a.PGN == nil:
		a, b = b, a
	}
	if a.PGN == nil || b.ID == nil || !b.Extended {
		return false
	}
	// SAE J1939-21: PF below 240 has a destination in the low byte.
	pgn, source, dest := *b.ID>>8&0x3FFFF, byte(*b.ID), byte(0xFF)
	if pgn>>8&0xFF < 240 {
		dest = byte(pgn)
		pgn &^= 0xFF
	}
	return pgn == *a.PGN && meet(a.Source, &source) && meet(a.Dest, &dest)
}

// meet tells whether two addresses, nil for any, can be the same.
func meet(a, b *uint8) bool { return a == nil || b == nil || *a == *b }

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

func (r *reader) validateFields(c carrier) {
	var fields []placed
	place := func(name, at string, start BitPos, width int, order Order, when map[string][]RawRange) {
		field, err := bits.New(start, width, order)
		switch {
		case width < 1 || width > 64:
			r.wrong(sub(at, "bits"), "bits: expected 1 to 64, found %d", width)
		case r.bad[sub(c.path, "length")]:
		case err != nil || field.Need() > c.length:
			r.wrong(sub(at, "start"), "%s ends beyond the data: %s; the data end with byte %d", name, extent(start, width, order), min(c.length, bits.MaxData))
		default:
			fields = append(fields, placed{name, r.where(sub(at, "start")), field.Mask(), when})
		}
	}
	if n, p := c.counter, sub(c.path, "counter"); n != nil && r.has(p, "start", "bits") {
		switch {
		case n.Bits < 2 || n.Bits > 16:
			r.wrong(sub(p, "bits"), "bits: expected 2 to 16 for a counter, found %d", n.Bits)
		case n.Modulo != 0 && (n.Modulo < 2 || n.Modulo > 1<<n.Bits):
			r.wrong(sub(p, "modulo"), "modulo: expected 2 to %d, found %d", 1<<n.Bits, n.Modulo)
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
				r.wrong(sub(p, "byte"), "byte: expected 1 to %d, found %d", top, k.Byte)
			} else {
				field, _ := bits.New(BitPos{Byte: k.Byte, Bit: 1}, 8, Little)
				fields = append(fields, placed{"the checksum", r.where(sub(p, "byte")), field.Mask(), nil})
			}
		}
		if n := len(k.PerCounter); n > 0 {
			switch {
			case c.counter == nil:
				r.wrong(sub(p, "per_counter"), "per_counter: needs a counter in the frame")
			case n != c.counter.Values() && r.has(sub(c.path, "counter"), "bits"):
				r.wrong(sub(p, "per_counter"), "per_counter: expected %d bytes, one for each value of the counter, found %d", c.counter.Values(), n)
			case len(k.Suffix) > 0:
				r.wrong(sub(p, "suffix"), "suffix: expected either suffix or per_counter, found both")
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
				r.twice(b.where, a.where.pos, "%s overlaps %s at bit %d.%d", b.name, a.name, byteNo, bit)
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

// maxMultiplexers is how many signals the presence of one may depend on, one
// behind the other: what is compiled of them doubles with each.
const maxMultiplexers = 8

// conditions gathers what must hold for one signal of a list to be there: its
// own conditions and those of the signals they ask. False if that cannot be.
func (r *reader) conditions(list Named[Signal], name, path string) (map[string][]RawRange, bool) {
	all := make(map[string][]RawRange)
	ok := true
	var visit func(name string, trail []string)
	visit = func(signal string, trail []string) {
		i := list.Index(signal)
		for _, c := range list[i].V.When {
			p := sub(path, signal, "when", c.Signal)
			j := list.Index(c.Signal)
			own := signal == name // others report their own faults
			switch {
			case r.bad[p]:
				ok = false
				continue
			case j < 0:
				if own {
					r.unknown(sub(p, "name"), "signal in this frame", c.Signal, names(list))
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
			mux := &list[j].V
			for k, v := range c.Values {
				if lo, hi, sane := rawLimits(mux); sane && (v.Low < lo || v.High > hi) {
					if own {
						r.wrong(sub(p, fmt.Sprint(k)), "when: %s never has the raw value %s; its %s %d to %d", c.Signal, writeRawRange(v), hold(mux.Bits), lo, hi)
					}
					ok = false
				}
			}
			before, twice := all[c.Signal]
			if twice {
				if both := intersect(before, c.Values); len(both) == 0 {
					r.wrong(sub(path, name, "when"), "when: can never hold, because %s would need two values at once", c.Signal)
					ok = false
				} else {
					all[c.Signal] = both
				}
			} else {
				all[c.Signal] = c.Values
			}
			if !twice { // else it has been, and all that it asks
				visit(c.Signal, append(trail, c.Signal))
			}
		}
	}
	visit(name, []string{name})
	if ok && len(all) > maxMultiplexers {
		r.wrong(sub(path, name, "when"), "when: expected to depend on at most %d signals, one behind the other, found %d", maxMultiplexers, len(all))
		ok = false
	}
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
		if a, b := float64(float64(low)*s.Resolution)+s.Offset, float64(float64(high)*s.Resolution)+s.Offset; math.IsInf(b-a, 0) || math.IsNaN(b-a) {
			key := "resolution"
			if !r.has(p, key) {
				key = "offset"
			}
			r.wrong(sub(p, key), "%s: raw values of this width become too large to be numbers; expected less", key)
		}
		for _, st := range s.States {
			if st.V < low || st.V > high {
				r.fail(span{st.Pos, 1}, "states: raw value %d does not fit; %s %d to %d", st.V, hold(s.Bits), low, high)
			}
		}
		for k, m := range s.Missing {
			if m.Low < low || m.High > high {
				r.wrong(sub(p, "missing", fmt.Sprint(k)), "missing: raw value %s does not fit; %s %d to %d", writeRawRange(m), hold(s.Bits), low, high)
			}
		}
		if s.Range != nil && s.Resolution != 0 && s.Bits < 64 && !s.Converts() {
			a, b := float64(float64(low)*s.Resolution)+s.Offset, float64(float64(high)*s.Resolution)+s.Offset
			if a, b = min(a, b), max(a, b); s.Range.High < a || s.Range.Low > b {
				r.wrong(sub(p, "range"), "range: no raw value lies in it; this width, resolution and offset give %s to %s", writeFloat(a), writeFloat(b))
			} else if s.Range.High > float64(b*(1+1e-9))+math.Abs(s.Resolution) || s.Range.Low < float64(a*(1+1e-9))-math.Abs(s.Resolution) {
				w := r.where(sub(p, "range"))
				r.found.Warn(w.pos, w.length, "range: wider than the field, which gives %s to %s", writeFloat(a), writeFloat(b))
			}
		}
	}
	if len(s.States) > 0 {
		// States name raw values; a figure beside them would be a second meaning.
		if s.Unit != unit.None {
			r.wrong(sub(p, "unit"), "unit: a signal with states has none")
		}
		if s.Resolution != 1 && r.has(p, "resolution") {
			r.wrong(sub(p, "resolution"), "resolution: a signal with states has none")
		}
		if s.Offset != 0 {
			r.wrong(sub(p, "offset"), "offset: a signal with states has none")
		}
	}
	r.validateConversion(s, p)
}

func (r *reader) validateConversion(s *Signal, p string) {
	var given []string
	for _, key := range []string{"table", "thermistor", "sender", "pulses"} {
		if _, ok := r.spans[sub(p, key)]; ok {
			given = append(given, key)
		}
	}
	switch {
	case len(given) > 1:
		r.wrong(sub(p, given[1]), "%s: expected one conversion at most, found %s too", given[1], given[0])
		return
	case len(given) == 1 && len(s.States) > 0:
		r.wrong(sub(p, "states"), "states: a signal with a conversion has none")
	}
	quantity := func(key string, u unit.Unit) {
		if !unit.Comparable(s.Unit, u) && !r.bad[sub(p, "unit")] {
			r.wrong(sub(p, key), "%s: gives a %s, and unit is that of the value; expected one such as %s, found %s", key, u.Dim().Name(), u, symbol(s.Unit))
		}
	}
	if s.Pulses != 0 || r.has(p, "pulses") {
		if s.Pulses <= 0 || s.Pulses > 10000 {
			r.wrong(sub(p, "pulses"), "pulses: expected a number of pulses a revolution from 1 to 10000, found %s", writeFloat(s.Pulses))
		}
		quantity("pulses", unit.RPM)
	}
	if s.Sender != nil {
		q := sub(p, "sender")
		if r.has(q, "full_scale") && s.Sender.FullScale == s.Sender.Zero {
			r.wrong(sub(q, "full_scale"), "full_scale: expected another value than at zero")
		}
		if r.has(q, "supply") && s.Sender.Supply <= 0 {
			r.wrong(sub(q, "supply"), "supply: expected a voltage above 0")
		}
	}
	if t := s.Thermistor; t != nil {
		q := sub(p, "thermistor")
		quantity("thermistor", unit.Celsius)
		written := func(keys ...string) int {
			n := 0
			for _, k := range keys {
				if _, ok := r.spans[sub(q, k)]; ok {
					n++
				}
			}
			return n
		}
		beta, abc, points, pt := written("r25", "beta"), written("a", "b", "c"), written("points"), written("pt100")
		switch {
		case r.bad[q] || r.bad[sub(q, "points")]:
		case beta == 2 && abc+points+pt == 0:
			if r.has(q, "r25", "beta") && (t.R25 <= 0 || t.Beta <= 0) {
				r.wrong(sub(q, "beta"), "thermistor: expected r25 and beta above 0")
			}
		case abc == 3 && beta+points+pt == 0:
			if t.B <= 0 {
				r.wrong(sub(q, "b"), "b: expected a coefficient above 0")
			}
		case points == 1 && beta+abc+pt == 0:
			if len(t.Points) != 3 {
				r.wrong(sub(q, "points"), "points: expected three points Ω: °C, found %d", len(t.Points))
			}
		case pt == 1 && beta+abc+points == 0:
			if t.Pt100 <= 0 {
				r.wrong(sub(q, "pt100"), "pt100: expected a resistance above 0")
			}
		default:
			r.wrong(q, "thermistor: expected either r25 and beta, or a, b and c, or points, or pt100")
		}
		switch divider := written("pull_up", "supply"); {
		case divider == 1:
			r.wrong(q, "thermistor: pull_up and supply go together; expected both or none")
		case divider == 2 && (t.PullUp <= 0 || t.Supply <= 0) && r.has(q, "pull_up", "supply"):
			r.wrong(sub(q, "pull_up"), "pull_up: expected a resistance and a supply above 0")
		}
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
			w.length = max(1, min(p.Length, length-min(p.From, length)))
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

func (r *reader) validateAlarms(f *File, all map[string]known) {
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
