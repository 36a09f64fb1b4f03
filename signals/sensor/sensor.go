// Package sensor turns what a sensor gives, a resistance, a voltage or a
// frequency, into what it measures. Pure functions; temperatures in °C,
// resistances in Ω, voltages in V.
package sensor

import (
	"errors"
	"math"

	"gearwitness/signals/portable"
)

// zeroCelsius is 0 °C in K.
const zeroCelsius = 273.15

// Beta returns the temperature of a thermistor from its resistance by the beta
// equation, exact at 25 °C and where beta was taken, 1 to 2 K off at the ends of
// 0 to 100 °C:
//
//	1/T = 1/298.15 + ln(R/R25)/beta, T in K
//
// NaN for a resistance that is not positive.
func Beta(ohm, r25, beta float64) float64 {
	if ohm <= 0 {
		return math.NaN()
	}
	return 1/(1/(25+zeroCelsius)+portable.Log(ohm/r25)/beta) - zeroCelsius
}

// Coefficients of the Steinhart-Hart equation.
type Coefficients struct{ A, B, C float64 }

// Celsius returns the temperature of a thermistor from its resistance:
//
//	1/T = A + B ln R + C (ln R)^3, T in K
//
// (Steinhart and Hart, 1968). NaN for a resistance that is not positive.
func (c Coefficients) Celsius(ohm float64) float64 {
	if ohm <= 0 {
		return math.NaN()
	}
	l := portable.Log(ohm)
	return 1/(c.A+float64(c.B*l)+float64(c.C*l*l*l)) - zeroCelsius
}

// ErrPoints says that calibration points do not determine a curve.
var ErrPoints = errors.New("expected three different resistances that fall as the temperature rises")

// Fit returns the curve through three calibration points: 1/T is linear in A, B
// and C, so divided differences in ln R solve it.
func Fit(ohm, celsius [3]float64) (Coefficients, error) {
	var l, y [3]float64
	for i := range l {
		if ohm[i] <= 0 || celsius[i] <= -zeroCelsius {
			return Coefficients{}, ErrPoints
		}
		l[i], y[i] = portable.Log(ohm[i]), 1/(celsius[i]+zeroCelsius)
	}
	if l[0] == l[1] || l[0] == l[2] || l[1] == l[2] {
		return Coefficients{}, ErrPoints
	}
	g1 := (y[1] - y[0]) / (l[1] - l[0])
	g2 := (y[2] - y[0]) / (l[2] - l[0])
	c := (g2 - g1) / (l[2] - l[1]) / (l[0] + l[1] + l[2])
	b := g1 - float64(c*(float64(l[0]*l[0])+float64(l[0]*l[1])+float64(l[1]*l[1])))
	a := y[0] - float64((b+float64(c*l[0]*l[0]))*l[0])
	if g1 <= 0 || g2 <= 0 || math.IsNaN(a+b+c) || math.IsInf(a+b+c, 0) {
		return Coefficients{}, ErrPoints
	}
	return Coefficients{a, b, c}, nil
}

// Divider returns the resistance from a sensor to ground when a pull-up
// resistor leads from the supply to it:
//
//	R = pullUp * U / (supply - U)
//
// false when the voltage says that the wire is open or shorted: within 1 % of
// the supply or of ground (common practice, no source).
func Divider(volt, supply, pullUp float64) (ohm float64, ok bool) {
	if !(volt > 0.01*supply && volt < 0.99*supply) {
		return 0, false
	}
	return pullUp * volt / (supply - volt), true
}

// Coefficients of platinum resistance thermometers, IEC 60751.
const (
	platinumA = 3.9083e-3
	platinumB = -5.775e-7
	platinumC = -4.183e-12
)

// Platinum returns the resistance of a platinum thermometer with r0 Ω at 0 °C
// (100 for Pt100), from -200 to 850 °C, by IEC 60751:
//
//	R = r0 (1 + A t + B t^2), below 0 °C also + C (t - 100) t^3
func Platinum(celsius, r0 float64) float64 {
	t := celsius
	r := 1 + float64(platinumA*t) + float64(platinumB*t*t)
	if t < 0 {
		r += float64(platinumC * (t - 100) * t * t * t)
	}
	return r0 * r
}

// PlatinumCelsius is the inverse of Platinum, by Newton's method from the
// quadratic part's root; false outside -200 to 850 °C.
func PlatinumCelsius(ohm, r0 float64) (celsius float64, ok bool) {
	r := ohm / r0
	if !(r >= Platinum(-200, 1) && r <= Platinum(850, 1)) {
		return 0, false
	}
	t := (-platinumA + math.Sqrt(float64(platinumA*platinumA)-float64(4*platinumB*(1-r)))) / (2 * platinumB)
	for range 4 { // below 0 °C; above, the root is exact and the steps are nothing
		slope := platinumA + float64(2*platinumB*t)
		if t < 0 {
			slope += float64(platinumC * (float64(4*t) - 300) * t * t)
		}
		t -= (Platinum(t, 1) - r) / slope
	}
	return t, true
}

// CopperAt returns the resistance of a copper winding at another temperature:
//
//	R(to) = R(at) (1 + 0.00393 (to - 20)) / (1 + 0.00393 (at - 20))
//
// with the coefficient of annealed copper at 20 °C (IEC 60028). Limits of a coil
// mean something at one temperature only: 5.00 Ω at 90 °C are 3.92 Ω at 20 °C.
func CopperAt(ohm, at, to float64) float64 {
	const alpha = 0.00393
	return ohm * (1 + float64(alpha*(to-20))) / (1 + float64(alpha*(at-20)))
}

// Ratiometric returns the share of full scale that a sender's voltage stands
// for: 0 at 10 % of its supply, 1 at 90 %. False at 5 % and below or 95 % and above: open
// or shorted (the limits are common practice, no source).
func Ratiometric(volt, supply float64) (share float64, ok bool) {
	u := volt / supply
	if !(u > 0.05 && u < 0.95) {
		return 0, false
	}
	return (u - 0.1) / 0.8, true
}

// ToothRPM returns the speed of a wheel from the frequency of its pulses:
// n = 60 f / z. A wheel with a gap gives its real teeth in the mean, and its
// teeth with the gap filled from one tooth to the next.
func ToothRPM(hertz, pulses float64) float64 { return 60 * hertz / pulses }
