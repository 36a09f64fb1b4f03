package signals

import (
	"slices"
	"strings"
	"time"

	"gearwitness/signals/diag"
)

func (r *rules) validateFrames() {
	f := r.file
	for i, e := range f.Frames {
		fr := &f.Frames[i].V
		path := sub("", "frames", e.Name)
		if r.bad[path] {
			continue
		}
		r.validateIdentifier(i, path)
		r.validateBus(fr.Bus, at(e), path)
		r.validateLength(fr, path)
		r.validatePeriod(path, fr.Every, fr.StaleAfter)
		r.validateFields(carrier{path: path, length: fr.DataLength(), counter: fr.Counter, checksum: fr.Checksum, signals: fr.Signals})
		for _, s := range fr.Signals {
			r.define(at(s), s.Name, s.V.Unit, s.V.States)
		}
	}
}

// validateLength checks the length of a frame against what its kind can carry.
func (r *rules) validateLength(fr *Frame, path string) {
	switch n := fr.Length; {
	case !r.has(path, "length"):
	case fr.J1939() && (n < 1 || n > 1785):
		r.wrong(sub(path, "length"), "length: expected 1 to 1785 bytes for a parameter group, found %d", n)
	case !fr.J1939() && fr.FD && (n < 1 || n > 64 || n > 8 && !slices.Contains([]int{12, 16, 20, 24, 32, 48, 64}, n)):
		r.wrong(sub(path, "length"), "length: expected 1 to 8, 12, 16, 20, 24, 32, 48 or 64 bytes for a CAN FD frame, found %d", n)
	case !fr.J1939() && !fr.FD && (n < 1 || n > 8):
		r.wrong(sub(path, "length"), "length: expected 1 to 8 bytes, found %d; longer frames need fd: true", n)
	}
}

func (r *rules) validateBus(bus string, entry span, path string) {
	buses := names(r.file.Buses)
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

func (r *rules) validatePeriod(path string, every, stale time.Duration) {
	if stale != 0 && stale < every {
		r.wrong(sub(path, "stale_after"), "stale_after: expected no less than the period %s, found %s", writeDuration(every), writeDuration(stale))
	}
	if r.has(path, "every") && every < 100*time.Microsecond {
		r.wrong(sub(path, "every"), "every: expected a period of 100 µs or more, found %s", writeDuration(every))
	}
}

// validateIdentifier checks id or pgn, and that no frame before claims the same.
func (r *rules) validateIdentifier(i int, path string) {
	f := r.file
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
