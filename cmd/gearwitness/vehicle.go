package main

import (
	"errors"
	"fmt"
	"io/fs"
	"os"

	"gearwitness/signals"
	"gearwitness/signals/diag"
)

// vanName stands for the demo van's vehicle file, which is built in, wherever a
// vehicle file is named.
const vanName = "van"

// loadVehicle reads the vehicle file at path.
func loadVehicle(path string) (*signals.File, error) {
	if path == vanName {
		return demoVehicle()
	}
	f, err := signals.Load(path)
	return f, orBuiltin(err, path, vanName)
}

// orBuiltin adds what is built in under a name like that of a file that there is
// not.
func orBuiltin(err error, path string, names ...string) error {
	if _, statErr := os.Stat(path); err == nil || !errors.Is(statErr, fs.ErrNotExist) {
		return err
	}
	return fmt.Errorf("%w%s", err, diag.Suggest(path, names))
}

// demoVehicle is the vehicle file of the demonstration.
func demoVehicle() (*signals.File, error) {
	f, list := signals.Parse("signals/van.yaml", signals.Van(), nil)
	if err := list.Err(); err != nil {
		return nil, fmt.Errorf("the built-in vehicle file is wrong: %w", err)
	}
	return f, nil
}
