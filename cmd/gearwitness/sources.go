package main

import (
	"context"
	"errors"
	"io"
	"path/filepath"
	"slices"

	"gearwitness/capture"
	"gearwitness/capture/lines"
	"gearwitness/capture/slcan"
	"gearwitness/capture/socketcan"
	"gearwitness/dashboards/drive"
	"gearwitness/decode/van"
	"gearwitness/signals"
)

// opening is what a source needs to know of its surroundings.
type opening struct {
	file  *signals.File // for the bit rate of a bus and for what the van encodes
	clock capture.Clock // nil: as fast as possible, on the source's own time
	truth io.Writer     // for the van; may be nil
	asks  *[]int        // buses of the file to send requests on that no adapter leads to yet; nil: none
}

// sends tells whether the adapter of a bus is to be opened for requests, once for
// each bus that has some.
func (o opening) sends(bus string) bool {
	if o.asks == nil {
		return false
	}
	i := slices.Index(*o.asks, drive.LeadsTo(o.file, bus))
	if i < 0 {
		return false
	}
	*o.asks = slices.Delete(*o.asks, i, i+1)
	return true
}

// open opens one source: the only list of what there is to open.
func (o opening) open(ctx context.Context, u capture.URL) (capture.Source, error) {
	switch u.Scheme {
	case "slcan":
		return o.openAdapter(ctx, u)
	case "socketcan":
		return o.openInterface(ctx, u)
	case "lines":
		baud, err := u.Int("baud", 0, 1)
		if err != nil {
			return nil, usageError{err}
		}
		name := u.Name
		if name == "" {
			name = filepath.Base(u.Path)
		}
		return o.lasting(ctx, func(context.Context) (capture.Source, error) {
			return lines.Dial(u.Path, lines.Config{Baud: baud, Midway: true, Channel: capture.Channel{Name: name, Device: u.Path}}, o.clock)
		})
	case "capture":
		return openRecording(u.Path)
	case "van":
		options, err := van.ParseOptions(u.Query)
		if err != nil {
			return nil, usageError{err}
		}
		options.Truth = o.truth
		options.Send = o.sends(o.busName(u))
		return van.Open(ctx, options, o.file, o.clock)
	}
	return nil, usagef("source %q: there is no such kind of source", u)
}

func (o opening) openAdapter(ctx context.Context, u capture.URL) (capture.Source, error) {
	name := o.busName(u)
	rate, err := u.BitRate("bitrate", o.bitRate(name))
	if err != nil {
		return nil, usageError{err}
	}
	if rate == 0 {
		return nil, usagef("source %q: the bit rate of the bus is not known; add ?bitrate=500k (or the bus's own), or a bitrate in the vehicle file", u)
	}
	if _, err := slcan.RateCode(rate); err != nil {
		return nil, usageError{err}
	}
	baud, err := u.Int("baud", 0, 1)
	if err != nil {
		return nil, usageError{err}
	}
	stamps, err := u.Choice("stamps", "host", "adapter")
	if err != nil {
		return nil, usageError{err}
	}
	status, err := u.Duration("status", 0)
	if err != nil {
		return nil, usageError{err}
	}
	config := slcan.Config{
		BitRate:       rate,
		Baud:          baud,
		AdapterStamps: stamps == "adapter",
		Status:        status,
		Send:          o.sends(name),
		Channel:       capture.Channel{Name: name, Device: u.Path},
	}
	return o.lasting(ctx, func(ctx context.Context) (capture.Source, error) {
		return slcan.Dial(ctx, u.Path, config, o.clock)
	})
}

func (o opening) openInterface(ctx context.Context, u capture.URL) (capture.Source, error) {
	name := o.busName(u)
	rate, err := u.BitRate("bitrate", o.bitRate(name))
	if err != nil {
		return nil, usageError{err}
	}
	stamps, err := u.Choice("stamps", "host", "adapter")
	if err != nil {
		return nil, usageError{err}
	}
	config := socketcan.Config{
		BitRate:       rate,
		AdapterStamps: stamps == "adapter",
		Send:          o.sends(name),
		Channel:       capture.Channel{Name: name, Device: u.Path},
	}
	return o.lasting(ctx, func(context.Context) (capture.Source, error) {
		return socketcan.Open(u.Path, config, o.clock)
	})
}

// lasting opens a device that is opened again should it be unplugged.
func (o opening) lasting(ctx context.Context, open func(context.Context) (capture.Source, error)) (capture.Source, error) {
	s, err := open(ctx)
	if err != nil {
		return nil, err
	}
	return capture.Reconnect(s, open, o.clock), nil
}

// busName is what the user calls the bus behind a source: the name given, the
// only bus of the vehicle file, or the device.
func (o opening) busName(u capture.URL) string {
	switch {
	case u.Name != "":
		return u.Name
	case o.file != nil && len(o.file.Buses) == 1:
		return o.file.Buses[0].Name
	}
	return filepath.Base(u.Path)
}

func (o opening) bitRate(bus string) int {
	if o.file == nil {
		return 0
	}
	if i := o.file.Buses.Index(bus); i >= 0 {
		return int(o.file.Buses[i].V.BitRate)
	}
	return 0
}

// parseSources reads the texts of --from.
func parseSources(texts []string) ([]capture.URL, error) {
	if len(texts) == 0 {
		return nil, usagef("nothing to read from: give --from, such as --from slcan:/dev/ttyUSB0?bitrate=500k (`gearwitness ports` lists serial ports)")
	}
	urls := make([]capture.URL, 0, len(texts))
	var faults []error
	for _, t := range texts {
		u, err := capture.ParseURL(t)
		if err != nil {
			faults = append(faults, err)
			continue
		}
		urls = append(urls, u)
	}
	if faults != nil {
		return nil, usageError{errors.Join(faults...)}
	}
	return urls, nil
}
