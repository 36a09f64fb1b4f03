package compare

import (
	"math"
	"slices"

	"gearwitness/capture"
	"gearwitness/decode"
)

// When an element must carry; common practice, no source. The analysis has the same
// in mind for its suspects (package drivetrain).
const (
	takenOver    = capture.Stamp(2e9)   // after the gear was asked for
	standsFirm   = capture.Stamp(600e6) // where no commanded gear is broadcast: after it was engaged
	fastRPM      = 300                  // input speed from which slip is judged
	pullingPedal = 5                    // %: the engine drives
	shortestStay = 50                   // ticks
)

// carrying follows the slip of every element while it carries.
type carrying struct {
	elements []string
	oneWay   []bool
	carries  [][]int // by gear: elements

	gear  int // the stay's
	since capture.Stamp
	at    capture.Stamp // when it began to count
	stay  map[stayKey]*stay
	loose map[stayKey]*stay // since the gear was left, where that may have been for a shift
	holds []sparse[Hold]    // by element
	slips map[slipKey]*Slip
}

type stayKey struct {
	element int
	torque  TorqueClass
}

type slipKey struct {
	element, gear int
	torque        TorqueClass
}

// stay is what one element did in one stay under one class of torque.
type stay struct {
	bins               map[int]int
	ticks              int
	worst              float64
	torque, pedal, oil average
}

func (k *carrying) add(element string, oneWay bool) {
	k.elements, k.oneWay = append(k.elements, element), append(k.oneWay, oneWay)
}

func (k *carrying) init(c *Collector) {
	k.gear, k.stay, k.loose, k.slips = notKnown, map[stayKey]*stay{}, map[stayKey]*stay{}, map[slipKey]*Slip{}
	k.holds = make([]sparse[Hold], len(k.elements))
	for _, g := range c.record.Gears {
		var list []int
		for e, name := range k.elements {
			if name == "" || slices.Contains(g.Holds, name) {
				list = append(list, e)
			}
		}
		k.carries = append(k.carries, list)
	}
}

// slipBin is the bin of a slip [rpm]: whole rpm up to 16, then 8 to an octave.
func slipBin(rpm float64) int {
	if rpm < 16 {
		return int(rpm)
	}
	f, e := math.Frexp(min(rpm, 1<<20)) // rpm = f 2^e, f from 0.5
	return 16 + 8*(e-5) + int(16*(f-0.5))
}

// binRange is where a bin begins and ends [rpm].
func binRange(bin int) (low, high float64) {
	if bin < 16 {
		return float64(bin), float64(bin + 1)
	}
	e, k := (bin-16)/8, (bin-16)%8
	step := math.Ldexp(2, e)
	return float64(step * float64(8+k)), float64(step * float64(9+k))
}

// binQuantile is a quantile of slips counted in bins, as if spread evenly over each;
// at most worst, the largest of them.
func binQuantile(bins map[int]int, q, worst float64) float64 {
	total := 0
	var order []int
	for b, n := range bins {
		if b < 0 || b > 16+8*20 || n <= 0 {
			continue
		}
		order = append(order, b)
		total += n
	}
	slices.Sort(order)
	left := float64(q * float64(total))
	for _, b := range order {
		n := float64(bins[b])
		if left <= n {
			low, high := binRange(b)
			if worst > low { // else the worst is not of these bins
				high = min(high, worst)
			}
			return low + float64((high-low)*(left/n))
		}
		left -= n
	}
	return worst
}

// step follows one tick.
func (k *carrying) step(c *Collector, n *instant) {
	if len(k.elements) == 0 {
		return
	}
	if c.record.Commanded {
		if n.asked != k.gear {
			k.end(c, n)
			k.gear, k.since = n.asked, n.at
		}
		if k.gear < 0 || n.at-k.since < takenOver || n.gear == standing || n.gear == neutral || n.gear == notKnown {
			return
		}
		k.observe(c, n, k.stay)
		return
	}
	switch {
	case n.gear >= 0 && n.gear != k.gear:
		clear(k.loose) // it was left for a shift
		k.end(c, n)
		k.gear, k.since = n.gear, n.at
	case n.gear == standing, n.gear == neutral, n.gear == notKnown:
		k.join()
		k.end(c, n)
		k.gear = notKnown
	}
	if k.gear < 0 || n.at-k.since < standsFirm {
		return
	}
	if n.gear == k.gear {
		k.join() // it came back: what was between was slip
		k.observe(c, n, k.stay)
		return
	}
	k.observe(c, n, k.loose)
}

// join adds what followed the stay's gear to the stay.
func (k *carrying) join() {
	for key, l := range k.loose {
		s := k.stay[key]
		if s == nil {
			k.stay[key] = l
			continue
		}
		for b, n := range l.bins {
			s.bins[b] += n
		}
		s.ticks += l.ticks
		s.worst = max(s.worst, l.worst)
		for _, m := range [][2]*average{{&s.torque, &l.torque}, {&s.pedal, &l.pedal}, {&s.oil, &l.oil}} {
			m[0].sum += m[1].sum
			m[0].n += m[1].n
		}
	}
	clear(k.loose)
}

func (k *carrying) observe(c *Collector, n *instant, to map[stayKey]*stay) {
	if !(n.in >= fastRPM) {
		return
	}
	for _, e := range k.carries[k.gear] {
		slip := math.NaN()
		switch {
		case k.elements[e] != "":
			slip = c.hold(c.slips[e], n.at)
		case n.ratio != 0:
			slip = n.in - float64(c.record.Gears[k.gear].Ratio*(n.in/n.ratio))
		}
		if math.IsNaN(slip) || k.oneWay[e] && (!(n.pedal >= pullingPedal) || slip > 0) {
			continue // one that runs free is no slip
		}
		slip = math.Abs(slip)
		key := stayKey{e, torqueClass(n.torque)}
		s := to[key]
		if s == nil {
			if len(k.stay) == 0 && len(k.loose) == 0 {
				k.at = n.at
			}
			s = &stay{bins: map[int]int{}}
			to[key] = s
		}
		s.ticks++
		s.bins[slipBin(slip)]++
		s.worst = max(s.worst, slip)
		s.torque.add(n.torque)
		s.pedal.add(n.pedal)
		s.oil.add(n.oil())
	}
}

// end closes the stay.
func (k *carrying) end(c *Collector, n *instant) {
	var order []stayKey
	for key := range k.stay {
		order = append(order, key)
	}
	slices.SortFunc(order, func(a, b stayKey) int {
		if a.element != b.element {
			return a.element - b.element
		}
		return int(a.torque - b.torque)
	})
	for _, key := range order {
		s := k.stay[key]
		all := k.slips[slipKey{key.element, k.gear, key.torque}]
		if all == nil {
			all = &Slip{Element: k.elements[key.element], Gear: c.record.Gears[k.gear].Name, Torque: key.torque, Bins: map[int]int{}}
			k.slips[slipKey{key.element, k.gear, key.torque}] = all
		}
		for b, n := range s.bins {
			all.Bins[b] += n
		}
		all.Worst = max(all.Worst, round(s.worst, 1))
		if s.ticks < shortestStay {
			continue
		}
		k.holds[key.element].add(Hold{Element: k.elements[key.element], Gear: c.record.Gears[k.gear].Name, Torque: key.torque, At: decode.Seconds(k.at), Seconds: c.seconds(s.ticks),
			Median: round(binQuantile(s.bins, 0.5, s.worst), 1), High: round(binQuantile(s.bins, 0.99, s.worst), 1), Worst: round(s.worst, 1),
			Pedal: known(s.pedal.mean(), 1), Nm: known(s.torque.mean(), 1), Oil: known(s.oil.mean(), 1)}, maxHolds)
	}
	clear(k.stay)
}

func (k *carrying) finish(c *Collector) {
	if len(k.elements) == 0 {
		return
	}
	if !c.record.Commanded {
		k.join()
	}
	k.end(c, nil)
	for _, h := range k.holds {
		c.record.Holds = append(c.record.Holds, h.list...)
	}
	var order []slipKey
	for key := range k.slips {
		order = append(order, key)
	}
	slices.SortFunc(order, func(a, b slipKey) int {
		switch {
		case a.element != b.element:
			return a.element - b.element
		case a.gear != b.gear:
			return a.gear - b.gear
		}
		return int(a.torque - b.torque)
	})
	for _, key := range order {
		s := k.slips[key]
		n := 0
		for _, b := range s.Bins {
			n += b
		}
		s.Seconds = c.seconds(n)
		c.record.Slips = append(c.record.Slips, *s)
	}
}
