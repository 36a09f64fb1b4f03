package drivetrain

import (
	"math"

	"gearwitness/decode"
)

// LockStates tells of each value of the role lockup whether it asks the converter
// clutch to slip under control or to hold, as the analysis reads it. Other values,
// and those of which nothing is known, are in neither.
func LockStates(i *decode.Info) (slips, holds func(v float64) bool) {
	table := stateTable(i.States, lockOf)
	is := func(want lockState) func(float64) bool {
		return func(v float64) bool {
			if len(table) == 0 {
				return want == lockApplied && v != 0 && !math.IsNaN(v)
			}
			return byState(table, v) == want
		}
	}
	return is(lockSlipping), is(lockApplied)
}
