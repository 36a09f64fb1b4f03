package pipeline

import (
	"gearwitness/decode"
	"gearwitness/decode/drivetrain"
	"gearwitness/signals"
)

// analyse makes the analysis of the gearbox, which adds its signals to the
// table.
func analyse(f *signals.File, t *decode.Table) (Analysis, error) { return drivetrain.New(f, t) }
