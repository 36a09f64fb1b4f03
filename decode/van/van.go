// Package van is the forward model: a virtual parcel van that is driven over a
// virtual road and speaks through a virtual serial-line CAN adapter.
//
// It owns the physics (engine, converter, planetary gearbox, vehicle, oil), the
// control unit, the driver, the sensors with their faults, and the truth
// channel that says what really happened. It decodes nothing and nothing that
// analyses frames imports it: what the analysis finds is compared with the
// truth, never fed by it.
//
// The van is integrated in steps of 1 ms, every random figure comes from the
// seed, and the same options give the same bytes on every run.
//
//	file, list := signals.Load("van.yaml")
//	opts, err := van.ParseOptions(url.Values{"for": {"20m"}, "fault": {"drum-brake-slips@2m=350"}})
//	source, err := van.Open(ctx, opts, file, nil) // nil: as fast as possible, time from 0
//
// An Adapter is safe for one reader and one writer at a time.
package van

import (
	"fmt"
	"io"
	"maps"
	"math"
	"math/rand/v2"
	"net/url"
	"slices"
	"strconv"
	"time"

	"gearwitness/signals/diag"
)

// Options choose a drive, its faults and where the truth goes. The zero value
// is the default drive without an end, seed 0.
type Options struct {
	// Seed fixes every random figure: the driver's choices, noise, jitter.
	Seed uint64
	// For ends the drive; 0 means it never ends.
	For time.Duration
	// Drive is the name of one of Drives; empty means the first.
	Drive string
	// Oil is the temperature of oil at the start [°C]; the coolant starts 15 K
	// above it, at most at 85 °C.
	Oil float64
	// Ambient is the temperature outside [°C].
	Ambient float64
	// Faults are what is wrong with the van, from when and how badly.
	Faults []Injection
	// Truth receives the truth channel, one JSON object a line (see Truth);
	// nil when nobody asks.
	Truth io.Writer
	// Send opens the adapter so that diagnostic reads can be sent (see Open).
	Send bool
}

// Injection is one fault switched on.
type Injection struct {
	Name  string        // one of Faults
	Start time.Duration // since the start of the drive
	Size  float64       // in the unit of the fault
}

// DefaultOptions are those of a query that says nothing.
func DefaultOptions() Options {
	return Options{Seed: 1, Drive: drives[0].Name, Oil: 60, Ambient: 15}
}

// Options a query may name.
var optionNames = []string{"seed", "for", "drive", "oil", "ambient", "fault"}

// ParseOptions reads the query of a van: source:
//
//	seed=7          random figures (default 1)
//	for=20m         length of the drive (default: no end)
//	drive=town      one of Drives (default varied)
//	oil=60          temperature of oil at the start, -30 to 110 °C
//	ambient=15      temperature outside, -30 to 50 °C
//	fault=NAME[@START][=SIZE]   repeatable; START such as 120s, SIZE in the fault's own unit
//
// An error says what was expected and names the nearest valid word.
func ParseOptions(q url.Values) (Options, error) {
	o := DefaultOptions()
	for _, key := range slices.Sorted(maps.Keys(q)) {
		if !slices.Contains(optionNames, key) {
			return o, fmt.Errorf("van: unknown option %s; expected %s%s", quote(key), list(optionNames), diag.Suggest(key, optionNames))
		}
		values := q[key]
		if key != "fault" && len(values) != 1 {
			return o, fmt.Errorf("van: option %s given %d times; give it once", key, len(values))
		}
		for _, v := range values {
			if err := o.set(key, v); err != nil {
				return o, err
			}
		}
	}
	return o, nil
}

// longest is the longest drive: a month, as the longest of the vehicle file's
// times.
const longest = 744 * time.Hour

func (o *Options) set(key, v string) error {
	switch key {
	case "seed":
		n, err := strconv.ParseUint(v, 10, 64)
		if err != nil {
			return fmt.Errorf("van: seed %s; expected a whole number from 0 up, such as 7", quote(v))
		}
		o.Seed = n
	case "for":
		d, err := time.ParseDuration(v)
		if err != nil || d <= 0 || d > longest {
			return fmt.Errorf("van: for %s; expected a time above 0 and up to %.0fh, such as 90s or 20m", quote(v), longest.Hours())
		}
		o.For = d
	case "drive":
		if driveByName(v) == nil {
			return unknownDrive(v)
		}
		o.Drive = v
	case "oil":
		return o.temperature(&o.Oil, key, v, -30, 110)
	case "ambient":
		return o.temperature(&o.Ambient, key, v, -30, 50)
	case "fault":
		in, err := ParseFault(v)
		if err != nil {
			return err
		}
		o.Faults = append(o.Faults, in)
	}
	return nil
}

func unknownDrive(name string) error {
	return fmt.Errorf("van: unknown drive %s; expected %s%s", quote(name), list(driveNames()), diag.Suggest(name, driveNames()))
}

func (o *Options) temperature(to *float64, key, v string, low, high float64) error {
	f, err := strconv.ParseFloat(v, 64)
	if err != nil || !(f >= low && f <= high) {
		return fmt.Errorf("van: %s %s; expected degrees Celsius from %g to %g", key, quote(v), low, high)
	}
	*to = f
	return nil
}

// RandomOptions returns a test drive for measuring accuracy: the seed decides the
// driver's choices, the oil's temperature and the given number of different
// faults, each with a start within the first minute and a size around its usual
// one. Ten minutes of it hold about a hundred shifts.
func RandomOptions(seed uint64, faults int) Options {
	rng := rand.New(rand.NewPCG(seed, streamOptions))
	o := DefaultOptions()
	o.Seed, o.Drive, o.For = seed, "shifts", 10*time.Minute
	o.Oil = math.Round(30 + float64(55*rng.Float64()))
	for _, i := range rng.Perm(len(catalogue))[:min(faults, len(catalogue))] {
		f := &catalogue[i]
		in := Injection{Name: f.Name, Start: time.Duration(rng.IntN(60)) * time.Second}
		if f.Unit != "" {
			in.Size = math.Max(f.Low, math.Min(f.High, math.Round(f.Default*(0.75+float64(0.5*rng.Float64())))))
		}
		o.Faults = append(o.Faults, in)
	}
	return o
}

// Query writes the options as ParseOptions reads them, without Truth and Send.
func (o Options) Query() url.Values {
	q := url.Values{"seed": {strconv.FormatUint(o.Seed, 10)}}
	if o.For > 0 {
		q.Set("for", o.For.String())
	}
	if o.Drive != "" {
		q.Set("drive", o.Drive)
	}
	q.Set("oil", strconv.FormatFloat(o.Oil, 'g', -1, 64))
	q.Set("ambient", strconv.FormatFloat(o.Ambient, 'g', -1, 64))
	for _, in := range o.Faults {
		q.Add("fault", in.String())
	}
	return q
}

// quote shows foreign text in an error: bounded, and printable whatever it is.
func quote(s string) string {
	const most = 60
	if len(s) > most {
		s = s[:most] + "..."
	}
	return strconv.Quote(s)
}
