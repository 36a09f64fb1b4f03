package signals

import (
	"fmt"
	"math"

	"gearwitness/signals/diag"
	"gearwitness/signals/unit"
)

func (r *rules) validateSignal(s *Signal, p string) {
	if s.Resolution == 0 && r.has(p, "resolution") {
		r.wrongKey(p, "resolution", diag.Expect("a number other than 0"))
	}
	if s.Number == Float && r.has(p, "bits") && s.Bits != 32 && s.Bits != 64 {
		r.wrongKey(p, "bits", diag.Expect("32 or 64 for a floating-point number").Got("%d", s.Bits))
	}
	if s.Number == Float && len(s.States) > 0 {
		r.wrongKey(p, "states", diag.Say("a floating-point number has none"))
	}
	if low, high, ok := rawLimits(s); ok && r.has(p, "bits") {
		if a, b := float64(float64(low)*s.Resolution)+s.Offset, float64(float64(high)*s.Resolution)+s.Offset; math.IsInf(b-a, 0) || math.IsNaN(b-a) {
			key := "resolution"
			if !r.has(p, key) {
				key = "offset"
			}
			r.wrongKey(p, key, diag.Say("raw values of this width become too large to be numbers").Expect("less"))
		}
		for _, st := range s.States {
			if st.V < low || st.V > high {
				r.fail(span{st.Pos, 1}, diag.About("states").Say("raw value %d does not fit", st.V).Hint("%s %d to %d", hold(s.Bits), low, high))
			}
		}
		for k, m := range s.Missing {
			if m.Low < low || m.High > high {
				r.wrong(sub(p, "missing", fmt.Sprint(k)), diag.About("missing").Say("raw value %s does not fit", writeRawRange(m)).Hint("%s %d to %d", hold(s.Bits), low, high))
			}
		}
		if s.Range != nil && s.Resolution != 0 && s.Bits < 64 && !s.Converts() {
			a, b := float64(float64(low)*s.Resolution)+s.Offset, float64(float64(high)*s.Resolution)+s.Offset
			if a, b = min(a, b), max(a, b); s.Range.High < a || s.Range.Low > b {
				r.wrongKey(p, "range", diag.Say("no raw value lies in it").Hint("this width, resolution and offset give %s to %s", writeFloat(a), writeFloat(b)))
			} else if s.Range.High > float64(b*(1+1e-9))+math.Abs(s.Resolution) || s.Range.Low < float64(a*(1+1e-9))-math.Abs(s.Resolution) {
				w := r.where(sub(p, "range"))
				r.found.Warn(w.pos, w.length, diag.About("range").Say("wider than the field, which gives %s to %s", writeFloat(a), writeFloat(b)))
			}
		}
	}
	if len(s.States) > 0 {
		// States name raw values; a figure beside them would be a second meaning.
		if s.Unit != unit.None {
			r.wrongKey(p, "unit", diag.Say("a signal with states has none"))
		}
		if s.Resolution != 1 && r.has(p, "resolution") {
			r.wrongKey(p, "resolution", diag.Say("a signal with states has none"))
		}
		if s.Offset != 0 {
			r.wrongKey(p, "offset", diag.Say("a signal with states has none"))
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
		r.wrongKey(p, given[1], diag.Expect("one conversion at most").Got("%s too", given[0]))
		return
	case len(given) == 1 && len(s.States) > 0:
		r.wrongKey(p, "states", diag.Say("a signal with a conversion has none"))
	}
	quantity := func(key string, u unit.Unit) {
		if !unit.Comparable(s.Unit, u) && !r.bad[sub(p, "unit")] {
			r.wrongKey(p, key, diag.Say("gives a %s, and unit is that of the value", u.Dim().Name()).Expect("one such as %s", u).Got("%s", symbol(s.Unit)))
		}
	}
	if s.Pulses != 0 || r.has(p, "pulses") {
		if s.Pulses <= 0 || s.Pulses > 10000 {
			r.wrongKey(p, "pulses", diag.Expect("a number of pulses a revolution from 1 to 10000").Got("%s", writeFloat(s.Pulses)))
		}
		quantity("pulses", unit.RPM)
	}
	if s.Sender != nil {
		q := sub(p, "sender")
		if r.has(q, "full_scale") && s.Sender.FullScale == s.Sender.Zero {
			r.wrongKey(q, "full_scale", diag.Expect("another value than at zero"))
		}
		if r.has(q, "supply") && s.Sender.Supply <= 0 {
			r.wrongKey(q, "supply", diag.Expect("a voltage above 0"))
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
				r.wrong(sub(q, "beta"), diag.About("thermistor").Expect("r25 and beta above 0"))
			}
		case abc == 3 && beta+points+pt == 0:
			if t.B <= 0 {
				r.wrongKey(q, "b", diag.Expect("a coefficient above 0"))
			}
		case points == 1 && beta+abc+pt == 0:
			if len(t.Points) != 3 {
				r.wrongKey(q, "points", diag.Expect("three points Ω: °C").Got("%d", len(t.Points)))
			}
		case pt == 1 && beta+abc+points == 0:
			if t.Pt100 <= 0 {
				r.wrongKey(q, "pt100", diag.Expect("a resistance above 0"))
			}
		default:
			r.wrong(q, diag.About("thermistor").Expect("either r25 and beta, or a, b and c, or points, or pt100"))
		}
		switch divider := written("pull_up", "supply"); {
		case divider == 1:
			r.wrong(q, diag.About("thermistor").Say("pull_up and supply go together").Expect("both or none"))
		case divider == 2 && (t.PullUp <= 0 || t.Supply <= 0) && r.has(q, "pull_up", "supply"):
			r.wrongKey(q, "pull_up", diag.Expect("a resistance and a supply above 0"))
		}
	}
}
