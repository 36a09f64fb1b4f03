// Package signals is the vehicle file: what a practitioner writes about a
// vehicle's frames, its gearbox and its limits, read strictly, validated and
// resolved.
//
// The types below are the format: the reader, the JSON Schema and the printed
// form all follow their tags (key: the name in the file, help: one line for
// people).
package signals

import (
	"cmp"
	"math"
	"slices"
	"time"

	"gearwitness/signals/bits"
	"gearwitness/signals/checksum"
	"gearwitness/signals/diag"
	"gearwitness/signals/unit"
)

// Format is the version of the format that this program reads and writes.
const Format = 1

// File is one vehicle file, validated, with the files it uses merged in.
type File struct {
	Format       int              `key:"format" help:"version of this format; 1"`
	Vehicle      About            `key:"vehicle" help:"what is being described"`
	Use          []string         `key:"use" help:"built-in libraries by bare name, other files by relative path"`
	Buses        Named[Bus]       `key:"buses" help:"the CAN buses of the vehicle"`
	Frames       Named[Frame]     `key:"frames" help:"frames and the signals in them"`
	Requests     Named[Request]   `key:"requests" help:"diagnostic reads, sent only where that is allowed"`
	Lines        Named[Lines]     `key:"lines" help:"text from serial instruments"`
	Computed     Named[Computed]  `key:"computed" help:"signals computed from others" name:"identifier"`
	Transmission *Transmission    `key:"transmission" help:"roles of signals, gear train, elements, gears, limits"`
	Alarms       Named[Alarm]     `key:"alarms" help:"conditions that must be heard"`
	Procedures   Named[Procedure] `key:"procedures" help:"coached drives and tests whose conditions are watched" name:"identifier"`
	Readings     Named[Reading]   `key:"readings" help:"the bench sheet: what is measured by hand, and what it should be" name:"identifier"`

	source string // the name it was read under
}

// About names the vehicle for people.
type About struct {
	Title string `key:"title" help:"one line, shown on the page and in reports"`
	Note  string `key:"note" help:"free text"`
}

// Named is a mapping of the file in the order it was written.
type Named[T any] []Entry[T]

// Entry is one named thing.
type Entry[T any] struct {
	Name string
	Pos  diag.Pos
	V    T
}

// Index returns the position of name, or -1.
func (n Named[T]) Index(name string) int {
	for i := range n {
		if n[i].Name == name {
			return i
		}
	}
	return -1
}

// Bus is one CAN bus.
type Bus struct {
	BitRate BitRate  `key:"bitrate" help:"bits per second, such as 500 kbit/s"`
	Use     []string `key:"use" help:"files used whose frames and requests are on this bus"`
	Note    string   `key:"note" help:"free text"`
}

// BitRate is in bit/s; written "500 kbit/s", "500k" or 500000.
type BitRate int

// Frame is one identifier on a bus and what its data mean.
type Frame struct {
	Bus        string        `key:"bus" help:"bus it is sent on; may be left out when there is one"`
	ID         *uint32       `key:"id" help:"identifier, such as 0x1A4" write:"hex"`
	Extended   bool          `key:"extended" help:"29-bit identifier"`
	FD         bool          `key:"fd" help:"CAN FD frame"`
	PGN        *uint32       `key:"pgn" help:"SAE J1939 parameter group instead of id; its rules then apply"`
	Source     *uint8        `key:"source" help:"J1939 source address; any when left out"`
	Dest       *uint8        `key:"destination" help:"J1939 destination address, for groups below 61440; any when left out"`
	Priority   *uint8        `key:"priority" help:"J1939 priority, 0 to 7, for people; frames count whatever theirs is"`
	Length     int           `key:"length" help:"data bytes expected; 8 when left out"`
	Every      time.Duration `key:"every" help:"expected period, such as 10 ms"`
	StaleAfter time.Duration `key:"stale_after" help:"age at which its signals count as gone; three periods when left out, times the pages of a multiplexer"`
	Counter    *Counter      `key:"counter" help:"alive counter"`
	Checksum   *Checksum     `key:"checksum" help:"check byte"`
	Note       string        `key:"note" help:"free text"`
	Signals    Named[Signal] `key:"signals" help:"the fields in the data" name:"identifier"`
}

// DataLength returns how many data bytes the frame is expected to have; for a
// parameter group of SAE J1939 that may be up to 1785, sent by its transport
// protocol.
func (f *Frame) DataLength() int {
	if f.Length == 0 {
		return 8
	}
	return f.Length
}

// Stale returns the age at which the frame's signals no longer count: what the
// file says, else three periods; 0, for never, where it states no period.
func (f *Frame) Stale() time.Duration {
	if f.StaleAfter == 0 {
		return 3 * f.Every
	}
	return f.StaleAfter
}

// maxTurns bounds how many pages of a multiplexer are taken to come in turn.
const maxTurns = 256

// StaleOf returns the age at which one of the frame's signals no longer counts.
// It is that of the frame, but three periods are too short for what comes with
// some values of a multiplexer only: without a word in the file, three periods
// for each raw value of it that the file describes, as if they took turns.
func (f *Frame) StaleOf(s *Signal) time.Duration {
	if f.StaleAfter != 0 {
		return f.StaleAfter
	}
	return f.Stale() * time.Duration(f.turns(s, maxTurns))
}

// turns counts the pages that take turns with those on which s comes. depth
// bounds the way from multiplexer to multiplexer.
func (f *Frame) turns(s *Signal, depth int) int64 {
	n := int64(1)
	for _, c := range s.When {
		n *= f.described(c.Signal)
		if i := f.Signals.Index(c.Signal); i >= 0 && depth > 0 {
			n *= f.turns(&f.Signals[i].V, depth-1)
		}
		n = min(n, maxTurns)
	}
	return n
}

// described counts the raw values of a multiplexer that some signal names, up to
// maxTurns.
func (f *Frame) described(multiplexer string) int64 {
	var ranges []RawRange
	for i := range f.Signals {
		for _, c := range f.Signals[i].V.When {
			if c.Signal == multiplexer {
				ranges = append(ranges, c.Values...)
			}
		}
	}
	slices.SortFunc(ranges, func(a, b RawRange) int { return cmp.Compare(a.Low, b.Low) })
	n, next := int64(0), int64(math.MinInt64)
	for _, r := range ranges {
		low := max(r.Low, next)
		if r.High < low {
			continue
		}
		if span := uint64(r.High - low); span >= maxTurns || n+int64(span) >= maxTurns {
			return maxTurns
		}
		n, next = n+r.High-low+1, r.High+1
	}
	return max(n, 1)
}

// J1939 tells whether the rules of SAE J1939 apply: the identifier is built
// from the parameter group, and the top of each field's raw range means error
// or not available.
func (f *Frame) J1939() bool { return f.PGN != nil }

// BitPos is a bit of the data: byte and bit counted from 1, bit 1 the least
// significant of its byte (the notation of SAE J1939). Written "5.1".
type BitPos = bits.Pos

// Order is the byte order of a field.
type Order = bits.Order

// Byte orders. Start names the least significant bit of a Little field and the
// most significant bit of a Big one.
const (
	Little = bits.Little
	Big    = bits.Big
)

// Number is how the bits of a field are read.
type Number uint8

// Readings of a field.
const (
	Unsigned Number = iota
	Signed          // two's complement
	Float           // IEEE 754, 32 or 64 bits
)

// Signal is one field of a frame: value = raw * Resolution + Offset, in Unit.
// With one of Table, Thermistor, Sender or Pulses that figure is what a sensor
// gives, and the value follows from it: see Convert.
type Signal struct {
	Start      BitPos      `key:"start" help:"byte.bit, both counted from 1" need:"yes"`
	Bits       int         `key:"bits" help:"width, 1 to 64" need:"yes"`
	Order      Order       `key:"order" help:"little (default) or big"`
	Number     Number      `key:"number" help:"unsigned (default), signed or float"`
	Resolution float64     `key:"resolution" help:"unit per step; 1 when left out"`
	Offset     float64     `key:"offset" help:"value of raw 0"`
	Unit       unit.Unit   `key:"unit" help:"such as rpm, °C, kPa"`
	Range      *Range      `key:"range" help:"[lowest, highest] value that can be true"`
	States     States      `key:"states" help:"text of raw values, such as {0: P, 1: R}"`
	Missing    []RawRange  `key:"missing" help:"raw values that mean not available, such as 0xFFFF or [0xFE, 0xFF]"`
	When       []Condition `key:"when" help:"present only while another signal of the frame has a raw value, such as {page: 2}"`
	Table      Points      `key:"table" help:"straight lines between figure and value, such as {0.5: 0, 4.5: 2000}"`
	Thermistor *Thermistor `key:"thermistor" help:"the figure is a resistance, or a voltage over it"`
	Sender     *Sender     `key:"sender" help:"the figure is the voltage of a ratiometric sender"`
	Pulses     float64     `key:"pulses" help:"the figure is a frequency in Hz with this many pulses a revolution"`
	Title      string      `key:"title" help:"shown instead of the name"`
	Note       string      `key:"note" help:"free text"`
}

// Field compiles the position of the signal. The file has been validated.
func (s *Signal) Field() bits.Field {
	f, _ := bits.New(s.Start, s.Bits, s.Order)
	return f
}

// Raw reads the signal's raw value from the bits Field extracted: sign extended
// where the signal is signed, the bit pattern otherwise. States, Missing and
// When speak of this number.
func (s *Signal) Raw(pattern uint64) int64 {
	if s.Number == Signed {
		shift := 64 - s.Bits
		return int64(pattern<<shift) >> shift
	}
	return int64(pattern)
}

// Value returns the value in the signal's unit of the bits that Field
// extracted: raw * Resolution + Offset.
func (s *Signal) Value(pattern uint64) float64 {
	switch {
	case s.Number == Float && s.Bits == 32:
		return float64(float64(math.Float32frombits(uint32(pattern)))*s.Resolution) + s.Offset
	case s.Number == Float:
		return float64(math.Float64frombits(pattern)*s.Resolution) + s.Offset
	case s.Number == Signed:
		return float64(float64(s.Raw(pattern))*s.Resolution) + s.Offset
	}
	return float64(float64(pattern)*s.Resolution) + s.Offset
}

// States gives raw values a text: Entry.Name is the text, V the raw value.
type States = Named[int64]

// Range is an inclusive interval in the signal's unit.
type Range struct{ Low, High float64 }

// Condition lets a signal be present only when another field of the same frame
// (the multiplexer) has a raw value in one of the intervals.
type Condition struct {
	Signal string
	Values []RawRange
}

// RawRange is an inclusive interval of raw values, as Signal.Raw returns them;
// written 5 or 2..7.
type RawRange struct{ Low, High int64 }

// Counter is an alive counter: it grows by one a frame and wraps.
type Counter struct {
	Start  BitPos `key:"start" help:"byte.bit of its least significant bit" need:"yes"`
	Bits   int    `key:"bits" help:"width, 2 to 16" need:"yes"`
	Modulo int    `key:"modulo" help:"how many values it has; 2 to the power of bits when left out"`
}

// Values returns how many values the counter takes before it is 0 again.
func (c *Counter) Values() int {
	if c.Modulo == 0 {
		return 1 << c.Bits
	}
	return c.Modulo
}

// Checksum is a check byte over the other bytes of the frame.
type Checksum struct {
	Kind       string `key:"kind" help:"crc8-sae-j1850, xor, sum ..." need:"yes"`
	Byte       int    `key:"byte" help:"position of the check byte, counted from 1" need:"yes"`
	Prefix     Bytes  `key:"prefix" help:"constant bytes counted in before the data, such as 0x23 or [0x23, 0x01]"`
	Suffix     Bytes  `key:"suffix" help:"constant bytes counted in after the data"`
	PerCounter Bytes  `key:"per_counter" help:"one byte for each value of the counter, counted in after the data"`
}

// Sum returns the check byte that data should have; count is the value of the
// frame's counter, 0 where it has none. It allocates nothing.
func (c *Checksum) Sum(kind checksum.Kind, data []byte, count int) byte {
	suffix := []byte(c.Suffix)
	if n := len(c.PerCounter); n > 0 {
		suffix = c.PerCounter[count%n:][:1]
	}
	return kind.SumWith(c.Prefix, data, c.Byte-1, suffix)
}

// Bytes are constant bytes, written 0x23 or [0x23, 0x01].
type Bytes []byte

// Computed is a signal computed from others.
type Computed struct {
	Formula string    `key:"formula" help:"expression over signal names" need:"yes"`
	Unit    unit.Unit `key:"unit" help:"unit of the result"`
	Title   string    `key:"title" help:"shown instead of the name"`
	Note    string    `key:"note" help:"free text"`
}

// Alarm is a condition that must be heard.
type Alarm struct {
	When  string        `key:"when" help:"condition over signal names that raises it" need:"yes"`
	For   time.Duration `key:"for" help:"must hold this long first"`
	Clear string        `key:"clear" help:"condition that ends it; the opposite of when if left out"`
	Level Level         `key:"level" help:"note, caution or stop" need:"yes"`
	Say   string        `key:"say" help:"spoken and shown" need:"yes"`
}

// Level orders alarms.
type Level uint8

// Alarm levels.
const (
	LevelNote Level = iota
	LevelCaution
	LevelStop
)

// Transmission describes the gearbox and which signals tell about it.
type Transmission struct {
	Roles     Roles           `key:"roles" help:"which signal is what"`
	Train     *Train          `key:"train" help:"shafts, planetary sets, sensors"`
	Elements  Named[Element]  `key:"elements" help:"clutches, brakes, one-way clutches"`
	Gears     Named[Gear]     `key:"gears" help:"which elements carry in each gear"`
	Ratios    Named[float64]  `key:"ratios" help:"instead of a train: ratio of each gear"`
	Switches  Named[Switch]   `key:"switches" help:"pressure switches and the element each one watches"`
	Contacts  *LeverContacts  `key:"lever_contacts" help:"contacts of the selector lever and their code for each position"`
	Solenoids Named[Solenoid] `key:"solenoids" help:"solenoid of each element: what it does without current, and its coil"`
	Limits    Limits          `key:"limits" help:"figures of this gearbox that replace the usual ones"`
}

// Roles tells by signal name which signal is what; empty when there is none.
type Roles struct {
	EngineSpeed   string `key:"engine_speed" help:"crankshaft speed"`
	EngineTorque  string `key:"engine_torque" help:"torque at the converter"`
	InputSpeed    string `key:"input_speed" help:"gearbox input (turbine) speed"`
	OutputSpeed   string `key:"output_speed" help:"gearbox output speed"`
	VehicleSpeed  string `key:"vehicle_speed" help:"road speed"`
	Pedal         string `key:"pedal" help:"accelerator position"`
	Brake         string `key:"brake" help:"foot brake switch"`
	Lever         string `key:"lever" help:"selector lever, states P R N D ..."`
	CommandedGear string `key:"commanded_gear" help:"gear the control unit asks for"`
	CurrentGear   string `key:"current_gear" help:"gear the control unit believes"`
	Lockup        string `key:"lockup" help:"converter clutch command or state"`
	OilPan        string `key:"oil_pan" help:"oil temperature in the pan"`
	OilOutlet     string `key:"oil_outlet" help:"oil temperature at the converter outlet"`
	Coolant       string `key:"coolant" help:"engine coolant temperature"`
}

// Train is the kinematic description; method: Willis equations, one per set.
type Train struct {
	Shafts  []string      `key:"shafts" help:"every shaft by name; ground is the housing" need:"yes"`
	Sets    Named[Set]    `key:"sets" help:"planetary sets" need:"yes"`
	Input   string        `key:"input" help:"shaft driven by the converter" need:"yes"`
	Output  string        `key:"output" help:"shaft that drives the wheels" need:"yes"`
	Sensors Named[Sensor] `key:"sensors" help:"speed signal: the shaft it reads"`
}

// Set is one planetary set.
type Set struct {
	Sun          string `key:"sun" help:"shaft of the sun gear" need:"yes"`
	Ring         string `key:"ring" help:"shaft of the ring gear" need:"yes"`
	Carrier      string `key:"carrier" help:"shaft of the planet carrier" need:"yes"`
	SunTeeth     int    `key:"sun_teeth" help:"teeth of the sun gear" need:"yes"`
	RingTeeth    int    `key:"ring_teeth" help:"teeth of the ring gear" need:"yes"`
	DoublePinion bool   `key:"double_pinion" help:"two meshing planets between sun and ring"`
	Planets      int    `key:"planets" help:"number of planets, for the assembly check"`
}

// Sensor is a speed sensor; its entry's name is the signal.
type Sensor struct {
	Shaft     string `key:"shaft" help:"shaft it reads" need:"yes"`
	Magnitude bool   `key:"magnitude" help:"cannot tell the sense of rotation"`
}

// Element is a clutch between two shafts, a brake on one, or a one-way clutch.
// Exactly one of the three is given.
type Element struct {
	Clutch []string `key:"clutch" help:"two shafts it connects"`
	Brake  string   `key:"brake" help:"shaft it holds to the housing"`
	OneWay []string `key:"one_way" help:"inner and outer shaft; the inner may run ahead of the outer, never fall behind"`
	Title  string   `key:"title" help:"what the trade calls it"`
	// EnergyLimitKJ is what the friction lining bears, 0 where the maker states none.
	EnergyLimitKJ float64 `key:"energy_limit" help:"friction energy that one shift may put into it, such as 40 kJ" unit:"kJ"`
}

// Gear is one row of the element table.
type Gear struct {
	Holds []string `key:"holds" help:"elements that carry" need:"yes"`
}

// Switch is a pressure switch; its entry's name is the signal.
type Switch struct {
	Element string        `key:"element" help:"element whose pressure it sees" need:"yes"`
	Closed  string        `key:"closed" help:"state text or value that means pressure" need:"yes"`
	Settle  time.Duration `key:"settle" help:"time it may take to follow"`
}

// LeverContacts are the contacts behind the selector lever.
type LeverContacts struct {
	Closed  string           `key:"closed" help:"state text or value that means a closed contact" need:"yes"`
	Codes   Named[LeverCode] `key:"codes" help:"lever position, as the role lever names it: which contacts are closed" need:"yes"`
	Monitor string           `key:"monitor" help:"contact that keeps the number of closed ones even"`
	Settle  time.Duration    `key:"settle" help:"time the contacts may differ while the lever moves"`
}

// LeverCode is the code of one lever position.
type LeverCode struct {
	Contacts []string `key:"contacts" help:"signals of the contacts that are closed" need:"yes"`
}

// Solenoid controls the pressure of one element.
type Solenoid struct {
	Element string `key:"element" help:"element whose pressure it controls" need:"yes"`
	// Normally is "high" or "low": the pressure it gives without current.
	Normally  string  `key:"normally" help:"high or low: the pressure it gives without current" need:"yes"`
	Ohm       float64 `key:"resistance" help:"of its coil at 20 °C, such as 6.1 Ω" unit:"Ω"`
	Tolerance float64 `key:"tolerance" help:"how far that may be off, such as 0.5 Ω" unit:"Ω"`
}

// High tells that the solenoid gives pressure without current.
func (s *Solenoid) High() bool { return s.Normally == "high" }

// Limits are figures of this gearbox; 0 means the usual one.
type Limits struct {
	ConverterLockedRPM float64 `key:"converter_locked" help:"largest slip of a locked converter, such as 30 rpm" unit:"rpm"`
	FlareRPM           float64 `key:"flare" help:"rise of input speed in an upshift that counts as a fault, such as 150 rpm" unit:"rpm"`
	StallRPM           float64 `key:"stall" help:"engine speed of a stall test, such as 2500 rpm" unit:"rpm"`
	StallToleranceRPM  float64 `key:"stall_tolerance" help:"how far a stall may be off, such as 150 rpm" unit:"rpm"`
	CoolerDifferenceK  float64 `key:"cooler_difference" help:"largest outlet minus pan temperature in steady lock-up, such as 20 K" unit:"K"`
	Matters            Matters `key:"matters" help:"smallest differences that matter when two sessions are compared"`
}

// Matters are the smallest differences between two sessions that matter; 0 means the
// usual one. Parts of a value are in per cent of it.
type Matters struct {
	FlareRPM        float64       `key:"flare" help:"of an upshift, such as 25 rpm" unit:"rpm"`
	ShiftDelay      time.Duration `key:"shift_delay" help:"from the command to the ratio phase, such as 100 ms"`
	ShiftTime       time.Duration `key:"shift_time" help:"of a shift's duration, such as 100 ms"`
	BindUpMPS2      float64       `key:"bind_up" help:"dip of acceleration, such as 0.3 m/s²" unit:"m/s²"`
	SlipRPM         float64       `key:"slip" help:"99th percentile of an element's slip while it carries, such as 15 rpm" unit:"rpm"`
	LockupSlipRPM   float64       `key:"lockup_slip" help:"mean slip of the converter clutch while asked to hold, such as 2 rpm" unit:"rpm"`
	LockupSwingRPM  float64       `key:"lockup_swing" help:"swing of that slip, such as 6 rpm" unit:"rpm"`
	Engagement      time.Duration `key:"engagement" help:"of a gear at a standstill, such as 150 ms"`
	StallRPM        float64       `key:"stall" help:"of the stall speed, such as 75 rpm" unit:"rpm"`
	SwitchTime      time.Duration `key:"switch_time" help:"of a pressure switch, such as 100 ms"`
	EngineTorquePct float64       `key:"engine_torque" help:"at like pedal and speed, such as 15 %" unit:"%"`
	ConverterPct    float64       `key:"converter" help:"torque it takes at like speeds, such as 20 %" unit:"%"`
	PressurePct     float64       `key:"pressure" help:"in like gear, speed and torque, such as 15 %" unit:"%"`
	OilDifferenceK  float64       `key:"oil_difference" help:"outlet minus pan temperature at like load, such as 4 K" unit:"K"`
	CoolantK        float64       `key:"coolant" help:"of the warm coolant, such as 8 K" unit:"K"`
}
