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
		r.wrongKey(path, "length", diag.Expect("1 to 1785 bytes for a parameter group").Got("%d", n))
	case !fr.J1939() && fr.FD && (n < 1 || n > 64 || n > 8 && !slices.Contains([]int{12, 16, 20, 24, 32, 48, 64}, n)):
		r.wrongKey(path, "length", diag.Expect("1 to 8, 12, 16, 20, 24, 32, 48 or 64 bytes for a CAN FD frame").Got("%d", n))
	case !fr.J1939() && !fr.FD && (n < 1 || n > 8):
		r.wrongKey(path, "length", diag.Expect("1 to 8 bytes").Got("%d", n).Hint("longer frames need fd: true"))
	}
}

func (r *rules) validateBus(bus string, entry span, path string) {
	buses := names(r.file.Buses)
	switch {
	case r.bad[sub(path, "bus")]:
	case bus == "" && len(buses) > 1:
		m := diag.Say("missing key \"bus\", and there is more than one").Expect("%s", oneOf(buses))
		if strings.HasPrefix(entry.pos.File, libraryRoot) {
			m = m.Hint("put its library under use: of the bus it is on")
		}
		r.fail(entry, m)
	case bus != "" && !slices.Contains(buses, bus):
		r.unknown(sub(path, "bus"), "bus", bus, buses)
	}
}

func (r *rules) validatePeriod(path string, every, stale time.Duration) {
	if stale != 0 && stale < every {
		r.wrongKey(path, "stale_after", diag.Expect("no less than the period %s", writeDuration(every)).Got("%s", writeDuration(stale)))
	}
	if r.has(path, "every") && every < 100*time.Microsecond {
		r.wrongKey(path, "every", diag.Expect("a period of 100 µs or more").Got("%s", writeDuration(every)))
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
		r.fail(at(e), diag.Say("missing key \"id\"").Expect("id: 0x1A4 or, for SAE J1939, pgn: 61442").Suggest(e.Name, names(f.Frames[:i])))
		return
	case fr.ID != nil && fr.PGN != nil:
		r.wrong(sub(path, "pgn"), diag.Expect("either id or pgn").Got("both"))
		return
	case fr.PGN != nil && *fr.PGN > 0x3FFFF:
		r.wrongKey(path, "pgn", diag.Expect("0 to 262143").Got("%d", *fr.PGN))
		return
	case fr.PGN != nil && *fr.PGN>>8&0xFF < 240 && *fr.PGN&0xFF != 0:
		r.wrongKey(path, "pgn", diag.Say("%d has the destination in its low byte", *fr.PGN).Expect("%d", *fr.PGN&^0xFF))
		return
	case fr.PGN == nil && fr.Source != nil:
		r.wrongKey(path, "source", diag.Say("goes with pgn only").Hint("an id holds the source already"))
	case fr.PGN == nil && fr.Dest != nil:
		r.wrongKey(path, "destination", diag.Say("goes with pgn only"))
	case fr.PGN == nil && fr.Priority != nil:
		r.wrongKey(path, "priority", diag.Say("goes with pgn only"))
	case fr.Dest != nil && *fr.PGN>>8&0xFF >= 240:
		r.wrongKey(path, "destination", diag.Say("group %d goes to everybody", *fr.PGN).Hint("only groups whose second byte is below 240 have one"))
	case fr.Priority != nil && *fr.Priority > 7:
		r.wrongKey(path, "priority", diag.Expect("0 to 7").Got("%d", *fr.Priority))
	case fr.PGN != nil && fr.Extended:
		r.wrongKey(path, "extended", diag.Say("goes with id only").Hint("a parameter group always has 29 bits"))
	case fr.PGN != nil && fr.FD:
		r.wrongKey(path, "fd", diag.Say("goes with id only"))
	case fr.ID != nil && fr.Extended && *fr.ID > 0x1FFFFFFF:
		r.wrongKey(path, "id", diag.Expect("0 to 0x1FFFFFFF").Got("0x%X", *fr.ID))
		return
	case fr.ID != nil && !fr.Extended && *fr.ID > 0x7FF:
		r.wrongKey(path, "id", diag.Expect("0 to 0x7FF").Got("0x%X", *fr.ID).Hint("for 29 bits add extended: true"))
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
			r.twice(r.where(sub(path, key)), o.Pos, diag.Say("frame %q has the identifier of frame %q on the same bus", e.Name, o.Name).Hint("keep one of the two, or tell them apart"))
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
