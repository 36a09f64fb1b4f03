package drivetrain

import (
	"cmp"
	"math"
	"slices"

	"gearwitness/capture"
	"gearwitness/decode"
)

// Shifts are compared with their like: the same gears, driven alike, at about the
// same pedal and oil temperature. The bands are common practice, no source.
var (
	pedalBands = [...]float64{0, 3, 15, 30, 50, 75} // % from which each reaches, up to the next
	oilBands   = [...]float64{-50, 20, 50, 70, 95}  // °C
)

// KindShiftGroup is the event, at the end of a drive, that sums up shifts alike.
const KindShiftGroup = "shift_group"

// ShiftGroupEvent sums up the shifts between two gears in one band of pedal and oil
// temperature. What was not known of a shift is left out.
type ShiftGroupEvent struct {
	From  string    `json:"from"`
	To    string    `json:"to"`
	Load  string    `json:"load,omitempty"`
	Pedal []float64 `json:"pedal_percent,omitempty"` // from, and below
	Oil   []float64 `json:"oil_celsius,omitempty"`
	Count int       `json:"count"`
	// Duration is the median of those whose start and end were seen.
	Duration *decode.Seconds `json:"median_duration_s"`
	Delay    *decode.Seconds `json:"median_delay_s,omitempty"`
	Flare    *float64        `json:"worst_flare_rpm,omitempty"`
	BindUp   *float64        `json:"worst_bind_up_mps2,omitempty"`
}

type groupKey struct {
	from, to   int
	load       string
	pedal, oil int // bands; -1 not known
}

type group struct {
	count             int
	durations, delays []capture.Stamp
	flare, bindUp     float64
}

// groups are the shifts of a drive by kind.
type groups map[groupKey]*group

// band is the position of the band that holds v; -1 where v is not known.
func band(bands []float64, v *float64) int {
	if v == nil {
		return -1
	}
	i := 0
	for i+1 < len(bands) && *v >= bands[i+1] {
		i++
	}
	return i
}

// bounds are where a band begins and the next one does; nil where it is not known.
func bounds(bands []float64, i int) []float64 {
	switch {
	case i < 0:
		return nil
	case i+1 < len(bands):
		return []float64{bands[i], bands[i+1]}
	}
	return []float64{bands[i]}
}

func (g groups) add(e *ShiftEvent, from, to int) {
	k := groupKey{from, to, e.Load, band(pedalBands[:], e.Pedal), band(oilBands[:], e.OilTemperature)}
	x := g[k]
	if x == nil {
		x = &group{flare: unknown, bindUp: unknown}
		g[k] = x
	}
	x.count++
	if e.Duration != nil && len(x.durations) < maxRecords {
		x.durations = append(x.durations, capture.Stamp(*e.Duration))
	}
	if e.Delay != nil && len(x.delays) < maxRecords {
		x.delays = append(x.delays, capture.Stamp(*e.Delay))
	}
	worst := func(to *float64, v *float64) {
		if v != nil && !(*to >= *v) {
			*to = *v
		}
	}
	worst(&x.flare, e.Flare)
	worst(&x.bindUp, e.BindUp)
}

// median of an even number is the mean of the two in the middle; nil of none.
func median(list []capture.Stamp) *decode.Seconds {
	n := len(list)
	if n == 0 {
		return nil
	}
	slices.Sort(list)
	return seconds((list[(n-1)/2] + list[n/2]) / 2)
}

// finish writes the groups, in order of gears, load, pedal and oil.
func (g groups) finish(m *model, at capture.Stamp, out *decode.Output) {
	var keys []groupKey
	for k := range g {
		keys = append(keys, k)
	}
	slices.SortFunc(keys, func(a, b groupKey) int {
		return cmp.Or(cmp.Compare(a.from, b.from), cmp.Compare(a.to, b.to), cmp.Compare(a.load, b.load), cmp.Compare(a.pedal, b.pedal), cmp.Compare(a.oil, b.oil))
	})
	for _, k := range keys {
		x := g[k]
		out.Events = append(out.Events, decode.Event{Time: at, Kind: KindShiftGroup, Fields: ShiftGroupEvent{
			From: m.gears[k.from].name, To: m.gears[k.to].name, Load: k.load, Count: x.count,
			Pedal: bounds(pedalBands[:], k.pedal), Oil: bounds(oilBands[:], k.oil),
			Duration: median(x.durations), Delay: median(x.delays), Flare: figure(x.flare), BindUp: figure(x.bindUp),
		}})
	}
}

// A relearn drive: common practice, no source; the vehicle's own instructions
// decide.
const (
	relearnPedal     = 12.5 // %
	relearnPedalBand = 2.5  // % either way
	relearnOil       = 20.0 // °C and above
	relearnSequences = 4
)

// KindRelearn is the event, at the end of a drive, of full upshift sequences at the
// pedal of a relearn drive.
const KindRelearn = "relearn"

// RelearnEvent counts full upshift sequences: from the first gear to the highest
// without a shift in between, engine driving, all settled.
type RelearnEvent struct {
	Sequences int `json:"sequences"` // with pedal and oil in band throughout
	Needed    int `json:"needed"`
	Outside   int `json:"outside"` // sequences with pedal or oil out of band
	// Complete tells that there were as many as needed.
	Complete bool      `json:"complete"`
	Pedal    []float64 `json:"pedal_percent"` // from, to
	Oil      float64   `json:"oil_above_celsius"`
}

// relearning follows the upshifts.
type relearning struct {
	at              int // gear the sequence under way has reached, or notKnown
	inBand          bool
	inside, outside int
}

// shift follows one shift; anything but the next upshift ends a sequence.
func (r *relearning) shift(m *model, e *ShiftEvent, from, to int) {
	first, last := m.forward()
	if from == first {
		r.at, r.inBand = first, true
	}
	if r.at != from || to != from+1 || !e.Settled || !e.Held || e.Load != "power-on" {
		r.at = notKnown
		return
	}
	r.at = to
	r.inBand = r.inBand && e.Pedal != nil && math.Abs(*e.Pedal-relearnPedal) <= relearnPedalBand && e.OilTemperature != nil && *e.OilTemperature > relearnOil
	switch {
	case to != last:
		return
	case r.inBand:
		r.inside++
	default:
		r.outside++
	}
	r.at = notKnown
}

// forward are the positions of the lowest and the highest forward gear; the table
// lists them in order.
func (m *model) forward() (first, last int) {
	first, last = notKnown, notKnown
	for g := range m.gears {
		if m.gears[g].reverse {
			continue
		}
		if first < 0 {
			first = g
		}
		last = g
	}
	return first, last
}

func (r *relearning) finish(at capture.Stamp, out *decode.Output) {
	if r.inside == 0 {
		return
	}
	out.Events = append(out.Events, decode.Event{Time: at, Kind: KindRelearn, Fields: RelearnEvent{
		Sequences: r.inside, Needed: relearnSequences, Outside: r.outside, Complete: r.inside >= relearnSequences,
		Pedal: []float64{relearnPedal - relearnPedalBand, relearnPedal + relearnPedalBand}, Oil: relearnOil,
	}})
}
