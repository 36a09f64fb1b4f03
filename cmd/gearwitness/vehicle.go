package main

import (
	"fmt"

	"gearwitness/signals"
)

// loadVehicle reads the vehicle file at path. The demo van's is built in under
// the name "van".
func loadVehicle(path string) (*signals.File, error) {
	if path == "van" {
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
