package signals

import (
	"fmt"
	"slices"

	"gearwitness/signals/diag"
)

// maxMultiplexers is how many signals the presence of one may depend on, one
// behind the other: what is compiled of them doubles with each.
const maxMultiplexers = 8

// conditions gathers what must hold for one signal of a list to be there: its
// own conditions and those of the signals they ask. False if that cannot be.
func (r *rules) conditions(list Named[Signal], name, path string) (map[string][]RawRange, bool) {
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
					r.wrong(sub(p, "name"), diag.About("when").Say("%q would depend on itself", name))
				}
				ok = false
				continue
			}
			mux := &list[j].V
			for k, v := range c.Values {
				if lo, hi, sane := rawLimits(mux); sane && (v.Low < lo || v.High > hi) {
					if own {
						r.wrong(sub(p, fmt.Sprint(k)), diag.About("when").Say("%s never has the raw value %s", c.Signal, writeRawRange(v)).Hint("its %s %d to %d", hold(mux.Bits), lo, hi))
					}
					ok = false
				}
			}
			before, twice := all[c.Signal]
			if twice {
				if both := intersect(before, c.Values); len(both) == 0 {
					r.wrongKey(sub(path, name), "when", diag.Say("can never hold, because %s would need two values at once", c.Signal))
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
		r.wrongKey(sub(path, name), "when", diag.Expect("to depend on at most %d signals, one behind the other", maxMultiplexers).Got("%d", len(all)))
		ok = false
	}
	return all, ok
}
