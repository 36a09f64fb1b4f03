package signals

import (
	"reflect"
	"unicode/utf8"

	"gearwitness/signals/diag"
	"gearwitness/signals/sensor"
)

// complete reports keys that must be there and are not, now that every file is
// merged. here is what to point at.
func (r *places) complete(v reflect.Value, at string, here span) {
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
				r.failAt(path, here, diag.Say("missing key %q: %s", f.key, f.help))
			}
		}
	}
}

// resolve fills in what follows from the rest of the file.
func (r *places) resolve(f *File) {
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

func (r *places) resolveSignals(list Named[Signal], path string) {
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
				r.wrongKey(sub(at, "thermistor"), "points", diag.Say("%v", err))
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
