// Package geartrain is the kinematics and statics of planetary gearboxes: pure
// mathematics over a described train, exact (big integers and rationals) where
// it judges a table of elements, floating point where it runs live.
//
// One signed speed n per shaft [rpm], positive the way the input turns when
// driven; the housing has n = 0. Every part is one row of a matrix that gives 0
// when multiplied with the speeds:
//
//	simple set          Zs n_sun + Zr n_ring - (Zs + Zr) n_carrier   (Willis)
//	double-pinion set   Zs n_sun - Zr n_ring - (Zs - Zr) n_carrier
//	clutch              n_a - n_b
//	brake               n_a
//	one-way clutch      n_inner - n_outer, never negative
//
// Compound arrangements are sets that share shafts: a Ravigneaux set is a simple
// set (the sun on the long planets) and a double-pinion set (the sun on the short
// planets) with the same ring and carrier; a bevel differential is a simple set
// with Zs = Zr; a pair of gears is a set whose carrier is the housing, double
// pinion if one of the two is an internal gear.
//
// The slip of an element is the left side of its row; torque is what a part puts
// on a shaft, positive in the positive sense of rotation. Torques obey the same
// rows transposed (virtual work). Inertia is left out of the statics, which is
// wrong during a shift.
//
// A Train is not changed by its methods and may be shared between goroutines
// once built; an Estimator or Explainer belongs to one goroutine.
package geartrain

import (
	"fmt"
	"math/big"
	"slices"
)

// Ground is the housing where a shaft index is asked for.
const Ground = -1

// Bounds of a train. They are far above any road vehicle's gearbox and keep the
// exact work on a hostile description small.
const (
	MaxShafts   = 32
	MaxSets     = 16
	MaxElements = 32
	MaxOneWay   = 8
	MaxTeeth    = 10_000
)

// Train is a gearbox. Shaft numbers index Shafts; Ground is the housing.
type Train struct {
	Shafts        []string
	Sets          []Set
	Elements      []Element
	Input, Output int
}

// Set is one planetary set.
type Set struct {
	Name               string
	Sun, Ring, Carrier int
	SunTeeth           int
	RingTeeth          int
	DoublePinion       bool
	// PlanetTeeth are the teeth of the planet that meshes with the sun, Planets
	// the number of planets (of pairs in a double-pinion set); 0 where not known.
	PlanetTeeth int
	Planets     int
}

// Kind of an element.
type Kind uint8

// Element kinds.
const (
	Clutch Kind = iota // connects shafts A and B
	Brake              // holds shaft A; B is Ground
	OneWay             // inner A, outer B: A may run ahead of B, never fall behind
)

// Element is a clutch, a brake or a one-way clutch. Either side of a one-way
// clutch may be Ground.
type Element struct {
	Name string
	Kind Kind
	A, B int
}

// State of the train with a set of elements applied.
type State uint8

// States.
const (
	InGear       State = iota // the output follows the input in a fixed ratio
	Neutral                   // input and output turn independently
	TiedUp                    // neither can turn
	InputLocked               // only the output can turn
	OutputLocked              // only the input can turn
)

var stateNames = [...]string{"in gear", "neutral", "tie-up", "input locked", "output locked"}

// String is the trade's word for the state.
func (s State) String() string {
	if int(s) < len(stateNames) {
		return stateNames[s]
	}
	return fmt.Sprintf("state %d", uint8(s))
}

// MarshalText is String, for JSON.
func (s State) MarshalText() ([]byte, error) { return []byte(s.String()), nil }

// UnmarshalText reads the words of String.
func (s *State) UnmarshalText(text []byte) error {
	i := slices.Index(stateNames[:], string(text))
	if i < 0 {
		return fmt.Errorf("no state is called %q: expected one of %q", text, stateNames)
	}
	*s = State(i)
	return nil
}

// Load is the direction of torque at the input while it turns forwards.
type Load uint8

// Loads.
const (
	Drive Load = iota // the engine drives: +1 of torque at the input
	Coast             // the wheels drive the engine: -1 of torque at the input
)

// Row is the exact answer for one set of applied elements.
type Row struct {
	State State
	Load  Load
	// Ratio is input over output speed, nil unless InGear; negative in reverse.
	Ratio *big.Rat
	// Speed holds each shaft's speed per unit of input speed; nil entries are
	// loose shafts. Nil unless InGear.
	Speed []*big.Rat
	// Slip holds each element's slip per unit of input speed; nil entries are
	// undetermined (a loose shaft). Nil unless InGear.
	Slip []*big.Rat
	// Planet holds the speed of each set's planets about their own pins' parallel
	// axis, seen from the housing, per unit of input speed:
	//
	//	n_planet = n_carrier - (n_sun - n_carrier) Zs/Zp
	//
	// nil where the teeth or speeds are not known. Nil unless InGear.
	Planet []*big.Rat
	// Torque holds the torque each element puts on its side A per unit of torque
	// at the input, which is +1 under Drive and -1 under Coast; the opposite acts
	// on side B. Zero for an element that does not carry, nil = not determined by
	// statics (redundant elements). Nil unless InGear.
	Torque []*big.Rat
	// SetTorque holds the torques each set puts on its sun, ring and carrier
	// shafts, in the unit of Torque; nil entries are not determined.
	SetTorque [][3]*big.Rat
	// OutputTorque is handed to the load: the ratio under Drive, its opposite
	// under Coast; solved from the statics, not copied from Ratio.
	OutputTorque *big.Rat
	// Holding tells which one-way clutches hold. A one-way clutch that does not
	// hold overruns (slip > 0) or idles (slip = 0).
	Holding []bool
	// Freewheels lists one-way clutches that would make a gear if they held, but
	// the torque at them is in their free sense. JammedBy lists one-way clutches
	// that keep the input from turning forwards though the friction elements alone
	// would let it.
	Freewheels, JammedBy []int
	// Freedom and Redundant as in the counting rule: shafts - rank, rows - rank,
	// counting holding one-way clutches.
	Freedom, Redundant int
}

// Gear is one row of an element table.
type Gear struct {
	Name string
	// Holds are the elements that carry, one-way clutches included where the
	// table names them.
	Holds []int
}

// Index returns the number of a shaft; "ground" is Ground.
func (t *Train) Index(shaft string) (int, bool) {
	for i, name := range t.Shafts {
		if name == shaft {
			return i, true
		}
	}
	return Ground, shaft == "ground"
}

// ElementIndex returns the number of an element.
func (t *Train) ElementIndex(name string) (int, bool) {
	for i := range t.Elements {
		if t.Elements[i].Name == name {
			return i, true
		}
	}
	return -1, false
}
