package compare

import (
	"bufio"
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"

	"gearwitness/decode"
	"gearwitness/decode/drivetrain"
	"gearwitness/decode/procedure"
	"gearwitness/decode/readings"
)

// Format is the version of the shifts file that Record.WriteJSON writes. Format 1 had
// the gears and the shifts only.
const Format = 2

// Bounds of a record. Of what comes more often, every second, fourth and so on is
// left in, spread evenly over the session, so that no session needs more memory than
// another; shifts have a bound of their own, see keptCurves.
const (
	maxHolds    = 512  // of each element
	maxMoments  = 1024 // half an hour at one each 2 s
	maxLocks    = 512
	maxSwitches = 512 // times of each switch
	maxEvents   = 4096
	maxParts    = 256
)

// Record is one session as it is compared: every shift and what else was found, in
// bounded memory. Times are stamps of the recording; a figure that is not known is
// left out.
type Record struct {
	Format int      `json:"format"`
	Gears  []Gear   `json:"gears"`
	OneWay []string `json:"one_way,omitempty"` // elements that are one-way clutches
	// Seconds is how long the analysis could follow the gearbox.
	Seconds float64 `json:"seconds,omitempty"`
	// Moved is how long of it the vehicle moved.
	Moved float64 `json:"moved_s,omitempty"`
	// Commanded tells that the gear asked for was broadcast.
	Commanded bool    `json:"commanded,omitempty"`
	Matters   Matters `json:"matters,omitempty"` // of the vehicle file
	Outlet    string  `json:"outlet,omitempty"`  // signal of the oil at the converter outlet
	// Titles are what people call the signals and elements named in the record.
	Titles map[string]string `json:"titles,omitempty"`

	Lost        []Lost                       `json:"lost,omitempty"`
	Holds       []Hold                       `json:"holds,omitempty"`
	Slips       []Slip                       `json:"slips,omitempty"`
	Engagements []drivetrain.EngagementEvent `json:"engagements,omitempty"`
	Locks       []Lock                       `json:"locks,omitempty"`
	LockTimes   []LockTime                   `json:"lock_times,omitempty"`
	Shudders    int                          `json:"shudders,omitempty"`
	Stalls      []drivetrain.StallEvent      `json:"stalls,omitempty"`
	Pressures   []string                     `json:"pressures,omitempty"` // signals, in the order of Moment.Pressures
	Moments     []Moment                     `json:"moments,omitempty"`
	SwitchTimes []SwitchTime                 `json:"switch_times,omitempty"`
	Parts       []Part                       `json:"parts,omitempty"`
	Faults      []decode.Faults              `json:"faults,omitempty"` // what each memory told last
	Alarms      []Part                       `json:"alarms,omitempty"`
	Procedures  []procedure.Change           `json:"procedures,omitempty"` // how each ended last
	Readings    []readings.Entry             `json:"readings,omitempty"`   // the last of each
	Suspects    []drivetrain.Suspect         `json:"suspects,omitempty"`
	Oil         *drivetrain.OilEvent         `json:"oil,omitempty"`

	Shifts []Shift `json:"shifts"`
}

// Gear is one gear of the vehicle file.
type Gear struct {
	Name  string   `json:"name"`
	Ratio float64  `json:"ratio"`           // input over output, negative in reverse
	Holds []string `json:"holds,omitempty"` // elements that carry, with a train
}

// Lost is a gear that was asked for and did not come as a shift, or one that came
// though none or another was asked for.
type Lost struct {
	Kind string         `json:"kind"` // see the constants
	At   decode.Seconds `json:"at_s"`
	From string         `json:"from"`
	To   string         `json:"to,omitempty"`
	Left bool           `json:"left,omitempty"` // the old gear was left all the same
	Came bool           `json:"came,omitempty"` // the new one came after all, late or by slip
}

// Kinds of Lost.
const (
	LostMissed  = "missed"  // asked for, did not come as a shift
	LostUnasked = "unasked" // came, was not asked for
)

// Hold is how one element carried during one stay in a gear, under engine torque of
// one class, from when it must have taken over.
type Hold struct {
	Element string         `json:"element"` // empty with plain ratios: the gear as a whole
	Gear    string         `json:"gear"`
	Torque  TorqueClass    `json:"torque_class"`
	At      decode.Seconds `json:"at_s"`
	Seconds float64        `json:"seconds"`
	Median  float64        `json:"median_rpm"` // of the slip, without sign
	High    float64        `json:"p99_rpm"`    // 99th percentile
	Worst   float64        `json:"worst_rpm"`
	Pedal   *float64       `json:"pedal_percent,omitempty"` // means
	Nm      *float64       `json:"engine_torque_nm,omitempty"`
	Oil     *float64       `json:"oil_celsius,omitempty"`
}

// TorqueClass is a class of engine torque, named by its lower limit.
type TorqueClass int

// Lower limits of the classes of torque [N·m], each about twice the one before, so
// that they serve a car and a truck; ours. The first is an engine that is dragged.
var torqueClasses = [...]float64{-math.MaxFloat64, 0, 50, 100, 200, 400, 800, 1600}

// TorqueUnknown is the class where the engine's torque is not known.
const TorqueUnknown TorqueClass = -1

func torqueClass(nm float64) TorqueClass {
	if math.IsNaN(nm) {
		return TorqueUnknown
	}
	c := 0
	for c+1 < len(torqueClasses) && nm >= torqueClasses[c+1] {
		c++
	}
	return TorqueClass(c)
}

// String names the class: "dragged", "50 to 100 N·m".
func (c TorqueClass) String() string {
	switch {
	case c < 0 || int(c) >= len(torqueClasses):
		return "torque not known"
	case c == 0:
		return "dragged"
	case int(c)+1 == len(torqueClasses):
		return fmt.Sprintf("above %g N·m", torqueClasses[c])
	}
	return fmt.Sprintf("%g to %g N·m", torqueClasses[c], torqueClasses[c+1])
}

// Slip is the distribution of one element's slip in one gear under one class of
// torque, over the session.
type Slip struct {
	Element string      `json:"element"`
	Gear    string      `json:"gear"`
	Torque  TorqueClass `json:"torque_class"`
	Seconds float64     `json:"seconds"`
	Worst   float64     `json:"worst_rpm"`
	// Bins counts ticks of 10 ms by slip, see slipBin.
	Bins map[int]int `json:"bins"`
}

// Lock is one stretch in which the converter clutch was asked for without change, in
// one gear, from when it must have settled.
type Lock struct {
	Gear    string         `json:"gear"`
	Slips   bool           `json:"slips,omitempty"` // asked to slip under control, not to hold
	At      decode.Seconds `json:"at_s"`
	Seconds float64        `json:"seconds"`
	Slip    float64        `json:"mean_rpm"`                // of the slip, without sign
	Swing   float64        `json:"swing_rpm"`               // largest amplitude at 5 to 20 Hz over 0.64 s
	Pedal   *float64       `json:"pedal_percent,omitempty"` // means
	Nm      *float64       `json:"engine_torque_nm,omitempty"`
	Oil     *float64       `json:"oil_celsius,omitempty"`
}

// LockTime is how long the converter clutch took from being asked.
type LockTime struct {
	Holds   bool           `json:"holds"` // to hold; else to let go
	At      decode.Seconds `json:"at_s"`
	Seconds float64        `json:"seconds"`
}

// Moment is the means of 2 s in which neither gear nor converter clutch changed.
type Moment struct {
	At        decode.Seconds `json:"at_s"`
	Gear      string         `json:"gear"`              // "standing" and "N" too
	Locked    string         `json:"lock,omitempty"`    // "open", "slipping" or "applied"
	Engine    *float64       `json:"engine_rpm"`        // means, except:
	Rise      *float64       `json:"engine_rise_rpm"`   // last minus first
	Input     *float64       `json:"input_rpm"`         //
	Nm        *float64       `json:"engine_torque_nm"`  //
	Pedal     *float64       `json:"pedal_percent"`     //
	Road      *float64       `json:"road_kmh"`          //
	Pan       *float64       `json:"pan_celsius"`       //
	Outlet    *float64       `json:"outlet_celsius"`    //
	Coolant   *float64       `json:"coolant_celsius"`   //
	Heat      *float64       `json:"converter_heat_kw"` // that the converter made in the minute before, exponential mean
	Pressures []*float64     `json:"pressures_kpa,omitempty"`
}

// SwitchTime is how long a pressure switch took to follow the gear asked for.
type SwitchTime struct {
	Switch  string         `json:"switch"`
	Element string         `json:"element"`
	Closes  bool           `json:"closes"`
	From    string         `json:"from"` // gears asked for, "N" too
	To      string         `json:"to"`
	At      decode.Seconds `json:"at_s"`
	Seconds float64        `json:"seconds"`
	Oil     *float64       `json:"oil_celsius,omitempty"`
}

// Part is how often something was told of a part, and for how long it held.
type Part struct {
	Part    string  `json:"part"`    // signal, or name of the alarm
	Finding string  `json:"finding"` // "no value", "never closes", the level of the alarm
	Count   int     `json:"count"`
	Seconds float64 `json:"seconds"` // as far as an end is told
}

// WriteJSON writes the record as one JSON object, an entry of a list a line.
func (r *Record) WriteJSON(w io.Writer) error {
	out := bufio.NewWriter(w)
	head := *r
	head.Shifts = nil // they are written one by one
	text, err := json.Marshal(&head)
	if err != nil {
		return err
	}
	text = bytes.TrimSuffix(text, []byte("null}"))
	// Members of the object and entries of its lists begin a line of their own.
	depth, quoted, escaped := 0, false, false
	for i, c := range text {
		out.WriteByte(c)
		next := byte(0)
		if i+1 < len(text) {
			next = text[i+1]
		}
		switch {
		case escaped:
			escaped = false
		case quoted:
			escaped, quoted = c == '\\', c != '"'
		case c == '"':
			quoted = true
		case c == '{' || c == '[':
			if depth++; depth == 2 && c == '[' && next == '{' {
				out.WriteByte('\n')
			}
		case c == '}' || c == ']':
			depth--
		case c == ',' && (depth == 1 || depth == 2 && next == '{'):
			out.WriteByte('\n')
		}
	}
	out.WriteByte('[')
	for i := range r.Shifts {
		line, err := json.Marshal(&r.Shifts[i])
		if err != nil {
			return err
		}
		if i > 0 {
			out.WriteByte(',')
		}
		out.WriteByte('\n')
		out.Write(line)
	}
	out.WriteString("\n]}\n")
	return out.Flush()
}

// mostRead bounds what Read takes in: ten hours of driving have 15 MB.
const mostRead = 256 << 20

// Read reads a shifts file of this format or the one before, such as that of a
// sealed session. What an older one did not hold is empty.
func Read(from io.Reader) (*Record, error) {
	text, err := io.ReadAll(io.LimitReader(from, mostRead+1))
	switch {
	case err != nil:
		return nil, err
	case len(text) > mostRead:
		return nil, fmt.Errorf("shifts file: more than %d MB; expected what sealing a session writes", mostRead>>20)
	}
	var head struct {
		Format int `json:"format"`
	}
	if err := json.Unmarshal(text, &head); err != nil {
		return nil, fmt.Errorf("shifts file: %w", readable(text, err))
	}
	if head.Format < 1 {
		return nil, fmt.Errorf("shifts file: no format; expected 1 to %d", Format)
	}
	if head.Format > Format {
		return nil, fmt.Errorf("shifts file: written in format %d, this program reads 1 to %d; use a newer program", head.Format, Format)
	}
	r := new(Record)
	if err := json.Unmarshal(text, r); err != nil {
		return nil, fmt.Errorf("shifts file: %w", readable(text, err))
	}
	return r, nil
}

// readable says where JSON is wrong in lines, not in bytes.
func readable(text []byte, err error) error {
	var syntax *json.SyntaxError
	var kind *json.UnmarshalTypeError
	at := int64(-1)
	switch {
	case errors.As(err, &syntax):
		at = syntax.Offset
	case errors.As(err, &kind):
		at = kind.Offset
	}
	if at < 0 || at > int64(len(text)) {
		return err
	}
	return fmt.Errorf("line %d: %w", 1+bytes.Count(text[:at], []byte("\n")), err)
}
