package board

import "iter"

// ring keeps the newest cap items.
type ring[T any] struct {
	cap   int
	items []T
	next  int // place of the next item once items is full
}

func (r *ring[T]) push(v T) {
	if len(r.items) < r.cap {
		r.items = append(r.items, v)
		return
	}
	r.items[r.next] = v
	r.next = (r.next + 1) % r.cap
}

// newestFirst ranges over the items.
func (r *ring[T]) newestFirst() iter.Seq[T] {
	return func(yield func(T) bool) {
		n := len(r.items)
		for i := range n {
			if !yield(r.items[(r.next+2*n-1-i)%n]) {
				return
			}
		}
	}
}
