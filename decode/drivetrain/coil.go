package drivetrain

// copperPerKelvin is the temperature coefficient of the resistance of annealed
// copper at 20 °C [1/K] (IEC 60028, from memory).
const copperPerKelvin = 0.00393

// CoilAt20 gives the resistance [ohm] that a copper coil measured at a
// temperature [°C] has at 20 °C: R20 = R / (1 + 0.00393 (t - 20)).
func CoilAt20(ohm, celsius float64) float64 {
	return ohm / (1 + copperPerKelvin*(celsius-20))
}
