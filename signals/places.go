package signals

import (
	"slices"
	"strings"
	"unicode/utf8"

	"gearwitness/signals/diag"
)

// places is what the reading of a file leaves for those who judge it: where each
// key stands, and what was found so far. A path names a key: see sub.
type places struct {
	found diag.List
	// spans holds where the value of each key stands, by path; bad those whose
	// value could not be read, so that nothing more is said about them.
	spans map[string]span
	bad   map[string]bool
}

// has tells whether all keys below at were written and could be read.
func (r *places) has(at string, keys ...string) bool {
	for _, k := range keys {
		if _, ok := r.spans[sub(at, k)]; !ok || r.bad[sub(at, k)] {
			return false
		}
	}
	return true
}

// where returns what to underline for a path, else for the nearest one above.
func (r *places) where(at string) span {
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
func (r *places) wrong(at string, m diag.Message) {
	if !r.bad[at] {
		r.fail(r.where(at), m)
	}
}

// wrongKey reports a fault of the value of a key below a path, and names the key.
func (r *places) wrongKey(at, key string, m diag.Message) { r.wrong(sub(at, key), m.About(key)) }

// twice reports a fault that two places share.
func (r *places) twice(where span, also diag.Pos, m diag.Message) {
	r.found = append(r.found, diag.Finding{Pos: where.pos, Length: where.length, Message: m, Also: &also})
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
func (r *places) unknown(at, what, name string, candidates []string) {
	m := diag.Say("unknown %s %q", what, name).Suggest(name, candidates)
	if all := slices.Compact(slices.Sorted(slices.Values(candidates))); m.Suggestion == "" && len(all) > 0 && len(all) <= 12 {
		m = m.Expect("%s", oneOf(all))
	}
	r.wrong(at, m)
}

// sub extends a path. Names may hold anything but control characters.
func sub(at string, keys ...string) string {
	for _, k := range keys {
		at += "\x00" + k
	}
	return at
}

func (r *places) fail(where span, m diag.Message) {
	r.found.Add(where.pos, where.length, m)
}

// failAt is fail for the value of a key, which then counts as unreadable.
func (r *places) failAt(at string, where span, m diag.Message) {
	r.bad[at] = true
	r.fail(where, m)
}
