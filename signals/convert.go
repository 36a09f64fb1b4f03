package signals

import (
	"math"
	"sort"

	"gearwitness/signals/sensor"
	"gearwitness/signals/unit"
)

// Point is one point of a table: where the figure is X, the value is Y.
type Point struct{ X, Y float64 }

// Points are in order of rising X; written {0.5: 0, 4.5: 2000}.
type Points []Point

// At returns the value on the straight lines between the points; false outside
// them.
func (p Points) At(x float64) (float64, bool) {
	i := sort.Search(len(p), func(i int) bool { return p[i].X >= x })
	switch {
	case i == len(p) || math.IsNaN(x):
		return 0, false
	case p[i].X == x:
		return p[i].Y, true
	case i == 0:
		return 0, false
	}
	a, b := p[i-1], p[i]
	return a.Y + (b.Y-a.Y)*(x-a.X)/(b.X-a.X), true
}

// Thermistor says how a resistance tells a temperature: by the beta equation
// (R25, Beta), the Steinhart-Hart equation (A, B, C, or three Points to fit it
// through), or as a platinum thermometer (Pt100). With PullUp and Supply the
// figure is the voltage over the sensor instead of its resistance.
type Thermistor struct {
	R25    float64             `key:"r25" help:"resistance at 25 °C, such as 10 kΩ; with beta" unit:"Ω"`
	Beta   float64             `key:"beta" help:"such as 3435 K; 1 to 2 K off at 0 and 100 °C" unit:"K"`
	A      float64             `key:"a" help:"Steinhart-Hart coefficient"`
	B      float64             `key:"b" help:"Steinhart-Hart coefficient"`
	C      float64             `key:"c" help:"Steinhart-Hart coefficient"`
	Points Points              `key:"points" help:"three points Ω: °C that the Steinhart-Hart curve goes through"`
	Pt100  float64             `key:"pt100" help:"platinum thermometer: resistance at 0 °C, such as 100 Ω" unit:"Ω"`
	PullUp float64             `key:"pull_up" help:"resistor from the supply to the sensor, such as 2.2 kΩ" unit:"Ω"`
	Supply float64             `key:"supply" help:"voltage at that resistor, such as 5 V" unit:"V"`
	fit    sensor.Coefficients // through Points
}

// Celsius returns the temperature; false where the figure says that the wire is
// open or shorted.
func (t *Thermistor) Celsius(figure float64) (float64, bool) {
	ohm := figure
	if t.PullUp != 0 {
		var ok bool
		if ohm, ok = sensor.Divider(figure, t.Supply, t.PullUp); !ok {
			return 0, false
		}
	}
	var celsius float64
	switch {
	case t.Pt100 != 0:
		return sensor.PlatinumCelsius(ohm, t.Pt100)
	case t.Beta != 0:
		celsius = sensor.Beta(ohm, t.R25, t.Beta)
	case t.Points != nil:
		celsius = t.fit.Celsius(ohm)
	default:
		celsius = sensor.Coefficients{A: t.A, B: t.B, C: t.C}.Celsius(ohm)
	}
	return celsius, !math.IsNaN(celsius) && !math.IsInf(celsius, 0)
}

// Sender is a ratiometric sender: 10 % of its supply means zero, 90 % full
// scale.
type Sender struct {
	FullScale float64 `key:"full_scale" help:"value at 90 % of the supply, in the signal's unit" need:"yes"`
	Zero      float64 `key:"zero" help:"value at 10 % of the supply; 0 when left out"`
	Supply    float64 `key:"supply" help:"supply of the sender; 5 V when left out" unit:"V"`
}

// Value returns what the sender measures; false where its voltage says that the
// wire is open or shorted.
func (s *Sender) Value(volt float64) (float64, bool) {
	supply := s.Supply
	if supply == 0 {
		supply = 5
	}
	share, ok := sensor.Ratiometric(volt, supply)
	return s.Zero + float64(share*(s.FullScale-s.Zero)), ok
}

// Converts tells whether Convert does anything.
func (s *Signal) Converts() bool {
	return s.Table != nil || s.Thermistor != nil || s.Sender != nil || s.Pulses != 0
}

// Convert turns the figure raw * Resolution + Offset into the value in the
// signal's unit; false where the figure is none that the sensor can give: the
// signal is then faulty.
func (s *Signal) Convert(figure float64) (float64, bool) {
	switch {
	case s.Table != nil:
		return s.Table.At(figure)
	case s.Thermistor != nil:
		c, ok := s.Thermistor.Celsius(figure)
		if ok && s.Unit != unit.Celsius {
			c, _ = unit.Convert(c, unit.Celsius, s.Unit)
		}
		return c, ok
	case s.Sender != nil:
		return s.Sender.Value(figure)
	case s.Pulses != 0:
		n := sensor.ToothRPM(figure, s.Pulses)
		if s.Unit != unit.RPM {
			n, _ = unit.Convert(n, unit.RPM, s.Unit)
		}
		return n, true
	}
	return figure, true
}
