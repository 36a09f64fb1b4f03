//go:build linux || windows

package port

import (
	"strings"

	"go.bug.st/serial/enumerator"
)

// detailed lists the ports with what the system knows of the USB devices.
func detailed() ([]Info, error) {
	found, err := enumerator.GetDetailedPortsList()
	if err != nil {
		return nil, err
	}
	var ports []Info
	for _, p := range found {
		ports = append(ports, Info{Device: p.Name, USB: p.IsUSB, Serial: p.SerialNumber,
			Description: strings.TrimSpace(p.Manufacturer + " " + p.Product)})
	}
	return ports, nil
}
