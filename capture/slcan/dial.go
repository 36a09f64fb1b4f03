package slcan

import (
	"context"

	"gearwitness/capture"
	"gearwitness/capture/port"
)

// Dial opens the serial port named device at cfg.Baud (port.DefaultBaud when
// 0), 8 data bits, no parity, 1 stop bit, and the adapter behind it; see Open.
// That no such port exists, that it is in use or not permitted comes as a
// *port.OpenError.
func Dial(ctx context.Context, device string, cfg Config, clock capture.Clock) (*Source, error) {
	if cfg.Baud <= 0 {
		cfg.Baud = port.DefaultBaud
	}
	cfg.Channel.Device = device
	// A rate without a code is better refused before the port is touched.
	if _, err := RateCode(cfg.BitRate); err != nil {
		return nil, err
	}
	rw, err := port.Open(device, cfg.Baud)
	if err != nil {
		return nil, err
	}
	return Open(ctx, rw, cfg, clock)
}
