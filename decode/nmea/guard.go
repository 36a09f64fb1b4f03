package nmea

import (
	"context"

	"gearwitness/capture"
)

// Guard takes positions out of text lines; see WithoutPosition. Where somebody
// drove is kept only if somebody agreed to it: what comes from instruments goes
// through a guard before it is recorded, decoded or shown, and what is read from a
// session goes through one again, for consent may be taken back. The zero value is
// ready; it belongs to one goroutine.
type Guard struct {
	told [256]bool   // by channel: since consent last changed
	held [256]uint64 // lines, by channel
}

// Take removes the positions of lines and returns the channels that had their
// first one removed since Allow was last called.
func (g *Guard) Take(lines []capture.Line) (first []uint8) {
	for i := range lines {
		l := &lines[i]
		kept, held := WithoutPosition(l.Text)
		if !held {
			continue
		}
		l.Text = kept
		if g.held[l.Port]++; !g.told[l.Port] {
			g.told[l.Port] = true
			first = append(first, l.Port)
		}
	}
	return first
}

// Allow notes that positions are agreed to for now: should they be taken out again,
// Take says so anew.
func (g *Guard) Allow() { clear(g.told[:]) }

// Held returns how many lines of a channel lost their position.
func (g *Guard) Held(channel uint8) uint64 { return g.held[channel] }

// Guarded is a source without its positions.
func Guarded(s capture.Source) capture.Source { return &guarded{Source: s} }

type guarded struct {
	capture.Source
	guard Guard
}

// Next is that of capture.Source.
func (s *guarded) Next(ctx context.Context, b *capture.Batch) error {
	n := len(b.Lines)
	err := s.Source.Next(ctx, b)
	s.guard.Take(b.Lines[n:])
	return err
}
