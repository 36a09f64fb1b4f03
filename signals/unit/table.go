package unit

import (
	"math"
	"strings"
)

// Sources of the factors.
const (
	si    = "SI brochure (BIPM, 9th edition)"
	sp811 = "NIST SP 811, appendix B.8"
	exact = "exact by definition; NIST SP 811, appendix B.8"
	own   = "definition in this format"
)

// Base dimensions.
var (
	number      = Dim{}
	length      = Dim{Length: 1}
	mass        = Dim{Mass: 1}
	duration    = Dim{Time: 1}
	current     = Dim{Current: 1}
	temperature = Dim{Temperature: 1}
	angle       = Dim{Angle: 1}
	frequency   = Dim{Time: -1}
	rotation    = Dim{Angle: 1, Time: -1}
	speed       = Dim{Length: 1, Time: -1}
	accel       = Dim{Length: 1, Time: -2}
	force       = Dim{Length: 1, Mass: 1, Time: -2}
	pressure    = Dim{Length: -1, Mass: 1, Time: -2}
	energy      = Dim{Length: 2, Mass: 1, Time: -2}
	power       = Dim{Length: 2, Mass: 1, Time: -3}
	voltage     = Dim{Length: 2, Mass: 1, Time: -3, Current: -1}
	resistance  = Dim{Length: 2, Mass: 1, Time: -3, Current: -2}
	volume      = Dim{Length: 3}
)

var quantities = map[Dim]string{
	number: "a bare number", length: "length", mass: "mass", duration: "time", current: "electric current",
	temperature: "temperature", angle: "angle", frequency: "frequency", rotation: "rotational speed", speed: "speed",
	accel: "acceleration", force: "force", pressure: "pressure", energy: "torque or energy", power: "power",
	voltage: "voltage", resistance: "resistance", volume: "volume",
	{Time: -1, Temperature: 1}: "temperature rate", {Time: -2, Angle: 1}: "rotational acceleration",
	{Length: 3, Time: -1}: "flow", {Mass: 1, Time: -1}: "mass flow", {Current: 1, Time: 1}: "charge",
	{Length: -1, Mass: 1, Time: -3}: "pressure rate",
}

// Newtons of one pound-force, metres of one inch: exact.
const (
	lbf  = 4.4482216152605
	inch = 0.0254
	kgf  = 9.80665
)

// table is the closed list. Aliases beside the obvious are the ASCII spellings
// people type.
var table = []Info{
	{None, "number", number, 1, 0, own, []string{"1", "number", "none"}},
	{"%", "percent", number, 0.01, 0, si, []string{"percent", "pct"}},
	{"‰", "per mille", number, 0.001, 0, si, []string{"permille"}},
	{"ppm", "parts per million", number, 1e-6, 0, si, nil},
	{"count", "count", number, 1, 0, own, []string{"counts"}},

	{"rpm", "revolutions per minute", rotation, 2 * math.Pi / 60, 0, si, []string{"r/min", "1/min", "min-1", "min⁻¹", "rev/min"}},
	{"rev/s", "revolutions per second", rotation, 2 * math.Pi, 0, si, []string{"r/s", "rps"}},
	{"rad/s", "radians per second", rotation, 1, 0, si, nil},
	{"rpm/s", "revolutions per minute per second", Dim{Angle: 1, Time: -2}, 2 * math.Pi / 60, 0, si, []string{"r/min/s"}},
	{"deg", "degree of angle", angle, math.Pi / 180, 0, si, []string{"°", "degree", "degrees"}},
	{"rad", "radian", angle, 1, 0, si, nil},
	{"rev", "revolution", angle, 2 * math.Pi, 0, si, []string{"revolutions", "turn"}},
	{"Hz", "hertz", frequency, 1, 0, si, []string{"1/s", "hertz"}},
	{"kHz", "kilohertz", frequency, 1e3, 0, si, nil},

	{"°C", "degree Celsius", temperature, 1, 273.15, si, []string{"degC", "deg C", "℃", "celsius"}},
	{"°F", "degree Fahrenheit", temperature, 1 / 1.8, 459.67 / 1.8, exact, []string{"degF", "deg F", "℉", "fahrenheit"}},
	{"K", "kelvin", temperature, 1, 0, si, []string{"kelvin"}},
	{"K/s", "kelvin per second", Dim{Temperature: 1, Time: -1}, 1, 0, si, []string{"°C/s"}},
	{"K/min", "kelvin per minute", Dim{Temperature: 1, Time: -1}, 1.0 / 60, 0, si, []string{"°C/min"}},
	{"°F/s", "degree Fahrenheit per second", Dim{Temperature: 1, Time: -1}, 1 / 1.8, 0, exact, []string{"degF/s"}},
	{"°F/min", "degree Fahrenheit per minute", Dim{Temperature: 1, Time: -1}, 1 / 1.8 / 60, 0, exact, []string{"degF/min"}},

	{"Pa", "pascal", pressure, 1, 0, si, nil},
	{"hPa", "hectopascal", pressure, 100, 0, si, nil},
	{"kPa", "kilopascal", pressure, 1e3, 0, si, nil},
	{"MPa", "megapascal", pressure, 1e6, 0, si, nil},
	{"mbar", "millibar", pressure, 100, 0, exact, nil},
	{"bar", "bar", pressure, 1e5, 0, exact, nil},
	{"psi", "pound-force per square inch", pressure, lbf / (inch * inch), 0, exact, []string{"lbf/in²", "lbf/in2"}},
	{"kgf/cm²", "kilogram-force per square centimetre", pressure, kgf * 1e4, 0, exact, []string{"kgf/cm2", "kgf/cm^2"}},
	{"inHg", "inch of mercury", pressure, 3386.389, 0, sp811, nil},
	{"mmHg", "millimetre of mercury", pressure, 133.3224, 0, sp811, nil},
	{"atm", "standard atmosphere", pressure, 101325, 0, exact, nil},
	{"kPa/s", "kilopascal per second", pressure.Div(duration), 1e3, 0, si, nil},
	{"psi/s", "pound-force per square inch per second", pressure.Div(duration), lbf / (inch * inch), 0, exact, nil},

	{"m/s", "metre per second", speed, 1, 0, si, nil},
	{"km/h", "kilometre per hour", speed, 1 / 3.6, 0, si, []string{"kph", "kmh", "km/hr"}},
	{"mph", "mile per hour", speed, 0.44704, 0, exact, []string{"mi/h"}},
	{"kn", "knot", speed, 1852.0 / 3600, 0, exact, []string{"knot", "knots", "kt"}},
	{"m/s²", "metre per second squared", accel, 1, 0, si, []string{"m/s2", "m/s^2"}},
	{"ft/s²", "foot per second squared", accel, 12 * inch, 0, exact, []string{"ft/s2", "ft/s^2"}},
	{"gₙ", "standard acceleration of free fall", accel, kgf, 0, exact, []string{"gn", "g_n"}},

	{"N", "newton", force, 1, 0, si, nil},
	{"kN", "kilonewton", force, 1e3, 0, si, nil},
	{"lbf", "pound-force", force, lbf, 0, exact, nil},
	{"N·m", "newton metre", energy, 1, 0, si, []string{"N.m", "Nm", "N*m", "N m", "newton meter"}},
	{"lbf·ft", "pound-force foot", energy, lbf * 12 * inch, 0, exact, []string{"lbf.ft", "lbf*ft", "lbf ft", "ft·lbf", "ft.lbf", "ft-lbf", "lb-ft", "lb.ft", "ft-lb"}},
	{"kgf·m", "kilogram-force metre", energy, kgf, 0, exact, []string{"kgf.m", "kgf*m", "kgf m", "kgm"}},
	{"J", "joule", energy, 1, 0, si, []string{"joule"}},
	{"kJ", "kilojoule", energy, 1e3, 0, si, nil},
	{"Wh", "watt hour", energy, 3600, 0, exact, []string{"W·h", "W.h"}},
	{"kWh", "kilowatt hour", energy, 3.6e6, 0, exact, []string{"kW·h", "kW.h"}},
	{"W", "watt", power, 1, 0, si, []string{"watt"}},
	{"kW", "kilowatt", power, 1e3, 0, si, nil},
	{"PS", "metric horsepower", power, 735.49875, 0, exact, []string{"cv"}},
	{"hp", "mechanical horsepower", power, 550 * lbf * 12 * inch, 0, exact, []string{"bhp"}},

	{"A", "ampere", current, 1, 0, si, []string{"amp", "ampere"}},
	{"mA", "milliampere", current, 1e-3, 0, si, nil},
	{"V", "volt", voltage, 1, 0, si, []string{"volt"}},
	{"mV", "millivolt", voltage, 1e-3, 0, si, nil},
	{"kV", "kilovolt", voltage, 1e3, 0, si, nil},
	{"Ω", "ohm", resistance, 1, 0, si, []string{"ohm", "ohms", "\u2126"}},
	{"mΩ", "milliohm", resistance, 1e-3, 0, si, []string{"mohm", "m\u2126"}},
	{"kΩ", "kiloohm", resistance, 1e3, 0, si, []string{"kohm", "k\u2126"}},
	{"A·h", "ampere hour", Dim{Current: 1, Time: 1}, 3600, 0, si, []string{"Ah", "A.h"}},

	{"s", "second", duration, 1, 0, si, []string{"sec", "second", "seconds"}},
	{"ms", "millisecond", duration, 1e-3, 0, si, nil},
	{"µs", "microsecond", duration, 1e-6, 0, si, []string{"us", "μs"}},
	{"min", "minute", duration, 60, 0, si, []string{"minute", "minutes"}},
	{"h", "hour", duration, 3600, 0, si, []string{"hour", "hours", "hr"}},
	{"d", "day", duration, 86400, 0, si, []string{"day", "days"}},

	{"m", "metre", length, 1, 0, si, []string{"meter"}},
	{"mm", "millimetre", length, 1e-3, 0, si, nil},
	{"µm", "micrometre", length, 1e-6, 0, si, []string{"um", "μm"}},
	{"cm", "centimetre", length, 1e-2, 0, si, nil},
	{"km", "kilometre", length, 1e3, 0, si, nil},
	{"in", "inch", length, inch, 0, exact, []string{"inch"}},
	{"ft", "foot", length, 12 * inch, 0, exact, []string{"foot"}},
	{"mi", "mile", length, 1609.344, 0, exact, []string{"mile"}},
	{"kg", "kilogram", mass, 1, 0, si, nil},
	{"g", "gram", mass, 1e-3, 0, si, []string{"gram"}},
	{"t", "tonne", mass, 1e3, 0, si, nil},
	{"lb", "pound", mass, 0.45359237, 0, exact, []string{"pound"}},
	{"L", "litre", volume, 1e-3, 0, si, []string{"l", "liter", "litre"}},
	{"mL", "millilitre", volume, 1e-6, 0, si, []string{"ml"}},
	{"gal", "US gallon", volume, 231 * inch * inch * inch, 0, exact, []string{"gallon"}},
	{"L/min", "litre per minute", volume.Div(duration), 1e-3 / 60, 0, si, []string{"l/min"}},
	{"gal/min", "US gallon per minute", volume.Div(duration), 231 * inch * inch * inch / 60, 0, exact, []string{"gpm"}},
	{"L/h", "litre per hour", volume.Div(duration), 1e-3 / 3600, 0, si, []string{"l/h"}},
	{"kg/h", "kilogram per hour", mass.Div(duration), 1.0 / 3600, 0, si, nil},
	{"g/s", "gram per second", mass.Div(duration), 1e-3, 0, si, nil},
}

// index finds rows of the table. folded ignores case and holds -1 where that
// would mix up two units.
var index = newIndex()

type indexes struct {
	symbol   map[Unit]int
	spelling map[string]int
	folded   map[string]int
	symbols  []string
}

func newIndex() indexes {
	x := indexes{symbol: map[Unit]int{}, spelling: map[string]int{}, folded: map[string]int{}}
	for i, in := range table {
		x.symbol[in.Symbol] = i
		for _, s := range append([]string{string(in.Symbol), in.Name}, in.Aliases...) {
			x.spelling[s] = i
			folded := strings.ToLower(s)
			if j, ok := x.folded[folded]; ok && j != i {
				x.folded[folded] = -1
			} else {
				x.folded[folded] = i
			}
		}
		if in.Symbol != None {
			x.symbols = append(x.symbols, string(in.Symbol))
		}
	}
	return x
}
