package drivetrain

import (
	"math"
	"math/bits"
	"slices"

	"gearwitness/capture"
)

// Where no commanded gear is broadcast, a gear that is left may have been left for a
// shift or by slip, and one that shows may only be passed through while an element
// slips. So a gear counts from where its elements have stood still for a while, and
// what they show from where it is left counts once it has come back.

// gripTime is how long elements must stand still; common practice, no source.
const gripTime = 600 * millisecond

type gripping struct {
	gear int // whose elements stood still last, or notKnown
	run  int // ticks in a row that the elements of the gear engaged have stood still
	away bool
	left capture.Stamp // when that began
	more int           // ticks since then in which several of its elements slipped: shifts
	kept []carrying    // what the elements of the gear had shown when it was left
}

// follow follows one tick.
func (g *gripping) follow(a *Analyzer, carried [][]carrying) {
	n := &a.now
	gear := n.gear
	if gear == between {
		gear = a.matcher.candidate
	}
	switch {
	case n.gear == standing:
		g.run = int(gripTime / Tick) // with everything else
	case gear >= 0 && a.stands(gear):
		g.run++
	default:
		g.run = 0
	}
	held := n.engaged && g.run >= int(gripTime/Tick)
	switch {
	case g.gear >= 0 && (held && n.gear != g.gear || a.shift.from < 0):
		if g.away {
			a.wasShift(carried[g.gear])
		}
		g.gear, g.away = notKnown, false
	case held:
		if g.away && g.more >= int(shortEpisode/Tick) {
			copy(carried[g.gear], g.kept) // there and back
		}
		g.away = false
	case g.gear >= 0 && !g.away && n.gear != g.gear:
		g.away, g.left, g.more = true, n.at, 0
		copy(g.kept, carried[g.gear])
	}
	if held {
		g.gear = n.gear
	}
	if g.away && bits.OnesCount64(a.slipping(g.gear)) > 1 {
		g.more++
	}
}

// wasShift takes back what elements have shown since the gear was left, as it was
// left for a shift. Only what both gears, those between and their neighbours need must
// have held, even if it was one shift after another.
func (a *Analyzer) wasShift(carried []carrying) {
	g := &a.evidence.grip
	var shared uint64
	if a.now.engaged {
		shared = ^uint64(0)
		first, last := min(g.gear, a.now.gear), max(g.gear, a.now.gear)
		for i := max(0, first-1); i <= min(last+1, len(a.model.gears)-1) && a.model.gears[i].reverse == a.model.gears[first].reverse; i++ {
			shared &= a.model.gears[i].mask
		}
	}
	for e := range carried {
		now, then := &carried[e], &g.kept[e]
		if shared>>e&1 == 0 {
			*now = *then
			continue
		}
		now.sure += now.slipped - then.slipped
	}
}

// stands tells that every carrying element of a gear stands still, as far as the
// sensors can tell.
func (a *Analyzer) stands(gear int) bool {
	g := &a.model.gears[gear]
	for _, e := range g.carries {
		if !(math.Abs(a.matcher.slips[e]) <= bridgeRPM+g.spread) {
			return false
		}
	}
	return true
}

// settled is the evidence without what is open still.
func (v *evidence) settled() *evidence {
	if !v.grip.away {
		return v
	}
	s := *v
	s.carried = slices.Clone(v.carried)
	s.carried[v.grip.gear] = v.grip.kept
	return &s
}

// rivals are the elements whose failing to take over may be what looks like slip of
// an element in a gear: of those that a shift out of it applies while the other
// elements hold, all that have not held as much there.
func (w *weighing) rivals(e, gear int) (set uint64) {
	if w.a.commanded >= 0 {
		return 0 // it would be known that a shift was asked for
	}
	rest := w.m.gears[gear].mask &^ (1 << e)
	for g := range w.m.gears {
		if g == gear || w.m.gears[g].reverse || w.m.gears[g].mask&rest != rest {
			continue
		}
		for _, o := range w.m.gears[g].carries {
			if c := &w.v.carried[g][o]; o != e && rest>>o&1 == 0 && !w.m.oneWay[o] && !(c.slipped == 0 && c.pedalMax >= w.v.carried[gear][e].pedalMin) {
				set |= 1 << o
			}
		}
	}
	return set
}
