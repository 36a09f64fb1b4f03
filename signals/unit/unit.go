// Package unit is the closed table of units, their dimensions and conversions.
//
// Every unit is a linear scale of its dimension: SI value = value * factor +
// offset. Offsets exist for °C and °F alone, and a temperature difference never
// gets one (ConvertDifference). Every factor names its source in the table.
package unit

import (
	"fmt"
	"math"
	"strings"

	"gearwitness/signals/diag"
	"gearwitness/signals/portable"
)

// Unit is a unit of measure by its symbol; the empty one is a bare number.
// Values other than those of the table come only from outside this package and
// behave like a unit that converts to nothing.
type Unit string

// None is the unit of a bare number, of a ratio or of a state.
const None Unit = ""

// Symbols used by name in Go code.
const (
	RPM         Unit = "rpm"
	Celsius     Unit = "°C"
	Kelvin      Unit = "K"
	KiloPascal  Unit = "kPa"
	NewtonMetre Unit = "N·m"
	Percent     Unit = "%"
	KmPerHour   Unit = "km/h"
	Second      Unit = "s"
	Volt        Unit = "V"
	Ohm         Unit = "Ω"
)

// Dim is a dimension: the powers of the base quantities.
type Dim struct{ Length, Mass, Time, Current, Temperature, Angle int8 }

// Mul returns the dimension of a product.
func (d Dim) Mul(e Dim) Dim {
	return Dim{d.Length + e.Length, d.Mass + e.Mass, d.Time + e.Time, d.Current + e.Current, d.Temperature + e.Temperature, d.Angle + e.Angle}
}

// Div returns the dimension of a quotient.
func (d Dim) Div(e Dim) Dim { return d.Mul(e.Pow(-1)) }

// Pow returns the dimension of an integer power.
func (d Dim) Pow(n int8) Dim {
	return Dim{d.Length * n, d.Mass * n, d.Time * n, d.Current * n, d.Temperature * n, d.Angle * n}
}

// Zero tells whether d is the dimension of a bare number.
func (d Dim) Zero() bool { return d == Dim{} }

// SameButAngle compares two dimensions leaving angles out: SI counts the radian
// as the number 1, so that torque times speed is power.
func (d Dim) SameButAngle(e Dim) bool {
	d.Angle, e.Angle = 0, 0
	return d == e
}

// Name returns the quantity in words: "pressure", or powers of base quantities
// where it has no name of its own.
func (d Dim) Name() string {
	if n, ok := quantities[d]; ok {
		return n
	}
	var parts []string
	for _, p := range []struct {
		name string
		n    int8
	}{{"length", d.Length}, {"mass", d.Mass}, {"time", d.Time}, {"current", d.Current}, {"temperature", d.Temperature}, {"angle", d.Angle}} {
		switch {
		case p.n == 1:
			parts = append(parts, p.name)
		case p.n != 0:
			parts = append(parts, fmt.Sprintf("%s^%d", p.name, p.n))
		}
	}
	return strings.Join(parts, " · ")
}

// Info is one row of the table.
type Info struct {
	Symbol  Unit
	Name    string
	Dim     Dim
	Factor  float64 // SI value of one unit
	Offset  float64 // SI value of 0 in this unit
	Source  string
	Aliases []string
}

// Lookup returns the row of a unit; false for one that is not in the table.
func Lookup(u Unit) (Info, bool) {
	i, ok := index.symbol[u]
	if !ok {
		return Info{}, false
	}
	return table[i], true
}

// Table returns every unit, in the order people read them.
func Table() []Info { return append([]Info(nil), table...) }

// Dim returns the dimension of a unit of the table, else that of a number.
func (u Unit) Dim() Dim {
	in, _ := Lookup(u)
	return in.Dim
}

// Parse reads a unit as people write it: the symbol, one of its ASCII
// spellings, or its name ("N·m", "N.m", "Nm", "newton metre"). Case counts only
// where it tells units or prefixes apart: in spellings of one or two letters
// and in a leading m (milli, mega). The error says what was expected and what
// is spelled alike.
func Parse(s string) (Unit, error) {
	key := strings.TrimSpace(s)
	if len(key) > 64 {
		return None, diag.Say("a unit of %d letters", len(key)).Expect("a unit such as rpm, °C, kPa")
	}
	if i, ok := index.spelling[key]; ok {
		return table[i].Symbol, nil
	}
	if i, ok := index.folded[strings.ToLower(key)]; ok && i >= 0 && len(key) > 2 {
		if u := table[i].Symbol; !strings.EqualFold(key[:1], "m") || key[:1] == string(u[:1]) {
			return u, nil
		}
	}
	m := diag.Say("unknown unit %q", s).Expect("a unit such as rpm, °C, kPa").Suggest(key, index.symbols)
	if u, ok := meant[strings.ToLower(key)]; ok {
		m.Suggestion = string(u)
	}
	return None, m
}

// meant are spellings that are no unit here, or are one of something else, and
// what they probably stand for.
var meant = map[string]Unit{
	"c": Celsius, "f": "°F", "k": Kelvin, "amps": "A", "volts": "V", "percentage": "%",
	"meters": "m", "metres": "m", "kilometers": "km", "kilometres": "km", "miles": "mi", "inches": "in", "feet": "ft",
}

// Comparable tells whether values in a and b can be converted into each other.
func Comparable(a, b Unit) bool {
	x, ok := Lookup(a)
	y, ok2 := Lookup(b)
	return ok && ok2 && x.Dim == y.Dim
}

// Conversion returns the function that Convert applies. The error names both
// quantities when they differ.
func Conversion(from, to Unit) (func(v float64) float64, error) {
	a, b, err := pair(from, to)
	if err != nil {
		return nil, err
	}
	if from == to {
		return func(v float64) float64 { return v }, nil
	}
	// The offsets are subtracted first and rounded: 459.67/1.8 is no binary
	// number, and 10 °C shall be 50 °F.
	factor, offset := a.Factor/b.Factor, round((a.Offset-b.Offset)/b.Factor, 12)
	return func(v float64) float64 { return tidy(float64(v*factor) + offset) }, nil
}

// Convert converts a value: Convert(0, "°C", "°F") is 32. The error names both
// quantities when they differ.
func Convert(v float64, from, to Unit) (float64, error) {
	f, err := Conversion(from, to)
	if err != nil {
		return v, err
	}
	return f(v), nil
}

// ConvertDifference converts a difference of two values: ConvertDifference(10,
// "°C", "°F") is 18, and °C and K are the same.
func ConvertDifference(v float64, from, to Unit) (float64, error) {
	a, b, err := pair(from, to)
	if err != nil || from == to {
		return v, err
	}
	return tidy(v * a.Factor / b.Factor), nil
}

// tidy rounds to 14 significant digits, more than any sensor has, so that 1 bar
// is 100 kPa and not 99.99999999999999.
func tidy(v float64) float64 { return round(v, 14) }

func round(v float64, digits int) float64 {
	if v == 0 || math.IsNaN(v) || math.IsInf(v, 0) {
		return v
	}
	scale := math.Pow10(digits - 1 - portable.Decade(v))
	if r := math.Round(v*scale) / scale; !math.IsNaN(r) && !math.IsInf(r, 0) {
		return r
	}
	return v // so small or so large that the scale overflows
}

func pair(from, to Unit) (a, b Info, err error) {
	a, ok := Lookup(from)
	if !ok {
		return a, b, diag.Say("unknown unit %q", string(from))
	}
	if b, ok = Lookup(to); !ok {
		return a, b, diag.Say("unknown unit %q", string(to))
	}
	if a.Dim != b.Dim {
		return a, b, diag.Say("%s is a unit of %s, %s of %s", label(a), a.Dim.Name(), label(b), b.Dim.Name())
	}
	return a, b, nil
}

func label(in Info) string {
	if in.Symbol == None {
		return "a bare number"
	}
	return string(in.Symbol)
}

// Difference returns the unit of the difference of two values in u: K for °C,
// u itself otherwise; °F has no difference unit of its own and keeps its name.
func (u Unit) Difference() Unit {
	if u == Celsius {
		return Kelvin
	}
	return u
}
