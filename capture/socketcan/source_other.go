//go:build !linux

package socketcan

import (
	"context"
	"fmt"
	"os"

	"gearwitness/capture"
)

// Source cannot be had on this system.
type Source struct{}

// Open says that kernel CAN interfaces exist on Linux only.
func Open(name string, _ Config, _ capture.Clock) (*Source, error) {
	return nil, fmt.Errorf("there is no interface %s: kernel CAN interfaces exist on Linux only; use an adapter at a serial port, as in slcan:COM5?bitrate=500k", name)
}

// Interfaces returns nothing: only Linux has CAN interfaces.
func Interfaces() ([]Link, error) { return nil, nil }

// Channels is there to complete the type.
func (*Source) Channels() []capture.Channel { return nil }

// Next is there to complete the type.
func (*Source) Next(context.Context, *capture.Batch) error { return os.ErrClosed }

// Close is there to complete the type.
func (*Source) Close() error { return os.ErrClosed }
