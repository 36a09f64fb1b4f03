package board

import (
	"strings"
	"testing"

	"gearwitness/decode"
)

// However many events of one kind there are, memory stays bounded and other
// kinds are not pushed out.
func TestEventsBounded(t *testing.T) {
	b, _ := one(decode.Info{})
	b.Take(&decode.Output{Events: []decode.Event{{Kind: decode.KindMark}}})
	for range MaxEvents + 500 {
		b.Take(&decode.Output{Events: []decode.Event{{Kind: decode.KindStale}}})
	}
	if got := len(b.Events(0, decode.KindStale, 0)); got != MaxEvents {
		t.Errorf("stale events kept: got %d, want %d", got, MaxEvents)
	}
	if got := len(b.Events(0, decode.KindMark, 0)); got != 1 {
		t.Errorf("marks kept: got %d, want 1", got)
	}
	for i := range 2 * maxKinds {
		b.Take(&decode.Output{Events: []decode.Event{{Kind: strings.Repeat("k", i+1)}}})
	}
	if got := len(b.events); got > maxKinds+1 {
		t.Errorf("kinds kept apart: got %d, want at most %d", got, maxKinds+1)
	}
	if got := b.Events(0, strings.Repeat("k", 2*maxKinds), 0); len(got) != 1 {
		t.Errorf("event of a late kind: got %d, want 1", len(got))
	}
}
