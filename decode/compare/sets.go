package compare

import (
	"cmp"
	"maps"
	"slices"
)

// Set is the shifts of one change of gear under one load.
type Set struct {
	From, To, Kind string // see Shift.Kind
	Shifts         []*Shift
}

// Name is the set in words: "2-3 power-on up".
func (s *Set) Name() string { return s.From + "-" + s.To + " " + s.Kind }

// Sets sorts shifts into sets, in an order for people: by the first gear, then
// the second, then the kind.
func Sets(shifts []Shift) []Set {
	m := groups(shifts)
	var sets []Set
	for _, k := range keysOf(m) {
		sets = append(sets, Set{k.from, k.to, k.kind, m[k]})
	}
	return sets
}

type groupKey struct{ from, to, kind string }

// groups sorts shifts by gears and kind.
func groups(shifts []Shift) map[groupKey][]*Shift {
	m := map[groupKey][]*Shift{}
	for i := range shifts {
		s := &shifts[i]
		m[s.key()] = append(m[s.key()], s)
	}
	return m
}

func (s *Shift) key() groupKey { return groupKey{s.From, s.To, s.Kind()} }

// keysOf returns the keys of several maps in the order of Sets.
func keysOf(all ...map[groupKey][]*Shift) []groupKey {
	seen := map[groupKey]bool{}
	for _, m := range all {
		for k := range m {
			seen[k] = true
		}
	}
	return slices.SortedFunc(maps.Keys(seen), func(a, b groupKey) int {
		return cmp.Or(cmp.Compare(a.from, b.from), cmp.Compare(a.to, b.to), cmp.Compare(a.kind, b.kind))
	})
}
