// Package unit is the closed table of units, their dimensions and conversions.
package unit

// Unit is a unit of measure by its symbol; the empty one is a bare number.
type Unit string
