package signals

import (
	"maps"
	"slices"
	"strings"
	"unicode/utf8"

	"gearwitness/signals/diag"
	"gearwitness/signals/formula"
)

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
func (r *rules) problems(at, src string, list []formula.Problem) {
	where := r.where(at)
	length := utf8.RuneCountInString(src)
	for _, p := range list {
		w := where
		// Inside a text on one line the place is known exactly.
		if quotes := where.length - length; quotes == 0 || quotes == 2 {
			w.pos.Column += quotes/2 + min(p.From, length)
			w.length = max(1, min(p.Length, length-min(p.From, length)))
		}
		r.fail(w, p.Message)
	}
}

func (r *rules) validateComputed() {
	f := r.file
	for _, e := range f.Computed {
		r.define(at(e), e.Name, e.V.Unit, nil)
	}
	uses := make(map[string][]string)
	for _, e := range f.Computed {
		p := sub("", "computed", e.Name)
		if !r.has(p, "formula") || r.bad[sub(p, "unit")] {
			continue
		}
		program, list := formula.Number(e.V.Formula, e.V.Unit, r.signals)
		r.problems(sub(p, "formula"), e.V.Formula, list)
		if program != nil {
			uses[e.Name] = program.Names()
		}
	}
	for _, e := range f.Computed {
		if circle := findCircle(uses, e.Name); circle != nil {
			r.wrong(sub("", "computed", e.Name, "formula"), diag.Say("computed in a circle: %s", strings.Join(circle, " needs ")))
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

func (r *rules) validateAlarms(all scope) {
	for _, e := range r.file.Alarms {
		p := sub("", "alarms", e.Name)
		for key, src := range map[string]string{"when": e.V.When, "clear": e.V.Clear} {
			if r.has(p, key) {
				_, list := formula.Condition(src, all)
				r.problems(sub(p, key), src, list)
			}
		}
	}
}
