package main

import (
	"fmt"

	"gearwitness/signals"
)

// vanName stands for the demo van's vehicle file, which is built in, wherever a
// vehicle file is named.
const vanName = "van"

// loadVehicle reads the vehicle file at path.
func loadVehicle(path string) (*signals.File, error) {
	if path == vanName {
		return demoVehicle()
	}
	return signals.Load(path)
}

// demoVehicle is the vehicle file of the demonstration.
func demoVehicle() (*signals.File, error) {
	f, list := signals.Parse("signals/van.yaml", signals.Van(), nil)
	if err := list.Err(); err != nil {
		return nil, fmt.Errorf("the built-in vehicle file is wrong: %w", err)
	}
	return f, nil
}
