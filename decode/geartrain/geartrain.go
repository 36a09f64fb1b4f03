// Package geartrain is the kinematics and statics of planetary gearboxes: pure
// mathematics over a described train, exact (big rationals) where it judges a
// table of elements, floating point where it runs live.
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
package geartrain

import "math/big"

// Ground is the housing where a shaft index is asked for.
const Ground = -1

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
}

// Kind of an element.
type Kind uint8

// Element kinds.
const (
	Clutch Kind = iota // connects shafts A and B
	Brake              // holds shaft A; B is Ground
	OneWay             // inner A, outer B: A may run ahead of B, never fall behind
)

// Element is a clutch, a brake or a one-way clutch.
type Element struct {
	Name string
	Kind Kind
	A, B int
}

// State of the train with a set of elements applied.
type State uint8

// States.
const (
	InGear State = iota
	Neutral
	TiedUp
	InputLocked
	OutputLocked
)

// Row is the exact answer for one set of applied elements.
type Row struct {
	State State
	// Ratio is input over output speed, nil unless InGear; negative in reverse.
	Ratio *big.Rat
	// Speed holds each shaft's speed per unit of input speed; nil entries are
	// loose shafts. Nil unless InGear.
	Speed []*big.Rat
	// Slip holds each element's slip per unit of input speed; nil = undetermined.
	Slip []*big.Rat
	// Torque holds the torque each element puts on its first shaft per unit of
	// input torque, zero for one that does not carry; nil = not determined by
	// statics (redundant elements).
	Torque []*big.Rat
	// Holding tells which one-way clutches hold (true) under drive.
	Holding []bool
	// Freedom and Redundant as in the counting rule: shafts - rank, rows - rank.
	Freedom, Redundant int
}
