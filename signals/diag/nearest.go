package diag

import (
	"fmt"
	"strings"
)

// Nearest returns the candidate spelled most like name, or "" when none is
// near: at most one edit (a letter changed, added, left out, or two neighbours
// swapped) for every three letters, none for less. Case does not count.
func Nearest(name string, candidates []string) string {
	a := []rune(strings.ToLower(name))
	if len(a) > 64 { // nobody misspells that; and the cost is quadratic
		return ""
	}
	best, limit := "", len(a)/3
	for _, c := range candidates {
		if c == "" || c == name || len(c) > 256 {
			continue
		}
		if d := distance(a, []rune(strings.ToLower(c))); d <= limit {
			best, limit = c, d-1
		}
	}
	return best
}

// Suggest returns `; did you mean "x"?` for the nearest candidate, or "".
func Suggest(name string, candidates []string) string {
	if n := Nearest(name, candidates); n != "" {
		return fmt.Sprintf("; did you mean %q?", n)
	}
	return ""
}

// distance is the optimal string alignment distance: Levenshtein's with the
// swap of two neighbours as one edit.
func distance(a, b []rune) int {
	before, last, next := make([]int, len(b)+1), make([]int, len(b)+1), make([]int, len(b)+1)
	for j := range last {
		last[j] = j
	}
	for i := 1; i <= len(a); i++ {
		next[0] = i
		for j := 1; j <= len(b); j++ {
			cost := 1
			if a[i-1] == b[j-1] {
				cost = 0
			}
			next[j] = min(last[j]+1, next[j-1]+1, last[j-1]+cost)
			if i > 1 && j > 1 && a[i-1] == b[j-2] && a[i-2] == b[j-1] {
				next[j] = min(next[j], before[j-2]+1)
			}
		}
		before, last, next = last, next, before
	}
	return last[len(b)]
}
