package unit

import "math"

// System is a choice of units that quantities are shown in, whatever unit they
// come in.
type System uint8

// Systems.
const (
	Metric    System = iota
	Customary        // of the United States
)

// Display is how a unit is shown: the figure is value * Factor + Offset, with
// Digits more decimals (fewer where negative) than the value's own.
type Display struct {
	Symbol string  `json:"unit"`
	Factor float64 `json:"factor"`
	Offset float64 `json:"offset"`
	Digits int     `json:"digits"`
}

// Display returns how a unit is shown in a system; as it is where the system has
// no other. Kelvin, by itself and in a rate, stands for differences in this
// program: they are shown as differences of °F, without offset.
func (u Unit) Display(s System) Display {
	to := u.Metric()
	if s == Customary {
		to = u.US()
	}
	a, b, err := pair(u, to)
	if err != nil || u == to {
		return Display{Symbol: string(u), Factor: 1}
	}
	d := Display{Symbol: string(to), Factor: tidy(a.Factor / b.Factor)}
	if u.Dim() == temperature && u != Kelvin {
		d.Offset, _ = Convert(0, u, to)
	}
	// As many decimals as keep the last one about as fine.
	d.Digits = -int(math.Round(math.Log10(d.Factor)))
	return d
}

// Metric returns the unit in which readers used to metric units expect a
// quantity, u itself where it is one.
func (u Unit) Metric() Unit {
	switch u {
	case "°F":
		return "°C"
	case "°F/s":
		return "K/s"
	case "°F/min":
		return "K/min"
	case "psi", "kgf/cm²", "inHg":
		return "kPa"
	case "psi/s":
		return "kPa/s"
	case "mph":
		return "km/h"
	case "ft/s²":
		return "m/s²"
	case "lbf·ft", "kgf·m":
		return "N·m"
	case "lbf":
		return "N"
	case "hp":
		return "kW"
	case "mi":
		return "km"
	case "in":
		return "mm"
	case "ft":
		return "m"
	case "lb":
		return "kg"
	case "gal":
		return "L"
	case "gal/min":
		return "L/min"
	}
	return u
}

// US returns the unit in which readers used to customary units expect a
// quantity, u itself where there is no other.
func (u Unit) US() Unit {
	switch u {
	case "°C", "K":
		return "°F"
	case "K/s":
		return "°F/s"
	case "K/min":
		return "°F/min"
	case "kPa", "bar", "MPa", "hPa", "mbar", "Pa", "kgf/cm²":
		return "psi"
	case "kPa/s":
		return "psi/s"
	case "km/h":
		return "mph"
	case "m/s²":
		return "ft/s²"
	case "N·m", "kgf·m":
		return "lbf·ft"
	case "N":
		return "lbf"
	case "kW", "PS":
		return "hp"
	case "km":
		return "mi"
	case "mm":
		return "in"
	case "m":
		return "ft"
	case "kg":
		return "lb"
	case "L":
		return "gal"
	case "L/min":
		return "gal/min"
	}
	return u
}
