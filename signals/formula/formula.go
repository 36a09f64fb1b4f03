// Package formula reads the formulas of a vehicle file, checks their names,
// types and units, and evaluates them over the latest values of signals.
//
// The syntax is that of github.com/expr-lang/expr, of which a small fixed part
// is allowed: numbers, true and false, + - * / % ^, comparisons, and or not,
// condition ? a : b, texts to compare states with, and the functions listed by
// Functions.
//
// A value may be missing, and missing is neither zero nor false: a number is
// missing when anything it needs is, a condition when the rest does not decide
// it (a missing value "or" true is true). Division by zero gives a missing
// number.
//
// A Program is immutable and safe for use by several goroutines; a Run is not.
package formula

import "gearwitness/signals/unit"

// Kind is the type of an expression.
type Kind uint8

// Kinds.
const (
	Number Kind = iota
	Bool
)

// Symbol is what a name in a formula stands for.
type Symbol struct {
	Index  int // into the values given to a Run
	Unit   unit.Unit
	States map[string]float64 // value of each state's text; nil for a plain number
}

// Problem is one mistake in a formula. From and Length count code points.
type Problem struct {
	From, Length int
	Text         string
}
