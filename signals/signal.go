package signals

import (
	"fmt"
	"math"

	"gearwitness/signals/unit"
)

func (r *rules) validateSignal(s *Signal, p string) {
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

func (r *rules) validateConversion(s *Signal, p string) {
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
