package van

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"

	"gearwitness/signals/diag"
)

// Fault is one thing that can be wrong with the van.
type Fault struct {
	Name    string // as written in fault=NAME
	Text    string // what it does, one line for people
	Unit    string // unit of its size; empty when it has none
	Default float64
	Low     float64 // least and
	High    float64 // greatest size
	kind    faultKind
	target  int // element, switch, contact or sensor
}

type faultKind uint8

const (
	elementSlips faultKind = iota
	elementFillsLate
	elementReleasesLate
	switchStuckOpen
	switchStuckClosed
	contactOpen
	sensorDropsOut
	sensorMissing
	sensorReadsLow
	coolerRestricted
	lockupSlips
	lockupShudders
	mainPressureLow
	statorSlips
	engineWeak
	coolantHot
	outletReadsHigh
)

// Friction elements, the one-way clutch and the other two friction pairs, in
// the order of the model's rows.
const (
	lowClutch = iota
	oddClutch
	highClutch
	drumBrake
	crawlerBrake
	oneWay
	lockupClutch
	wheelBrake
	numRows

	numFriction = oneWay     // elements with a pressure
	numElements = oneWay + 1 // elements of the gearbox
)

// elementNames are the names the vehicle file must use, in row order.
var elementNames = [numElements]string{
	"low-gears clutch", "odd-gears clutch", "high-gears clutch", "drum brake", "crawler brake", "crawler one-way clutch",
}

// Default capacity of a slipping element [N·m]: enough to creep and to pull
// gently, too little for half load.
var slipDefault = [numElements]float64{200, 70, 130, 80, 250, 220}

var contactNames = [4]string{"a", "b", "c", "m"}

// Sensors that can fail: the quantity and its name.
var sensorNames = [...]string{"reduced-carrier-speed", "drum-speed", "output-speed", "engine-speed"}
var sensorQuantity = [len(sensorNames)]quantity{qReducedCarrierSpeed, qDrumSpeed, qOutputSpeed, qEngineSpeed}

var catalogue = makeCatalogue()

func makeCatalogue() []Fault {
	var list []Fault
	add := func(f Fault) { list = append(list, f) }
	slug := func(s string) string { return strings.ReplaceAll(s, " ", "-") }
	for i, name := range elementNames {
		add(Fault{Name: slug(name) + "-slips", Text: "the " + name + " carries no more than this torque and slips above it", Unit: "N·m", Default: slipDefault[i], Low: 0, High: 5000, kind: elementSlips, target: i})
	}
	for i, name := range elementNames[:numFriction] {
		add(Fault{Name: slug(name) + "-fills-late", Text: "the " + name + " fills this much later than the control unit expects: the input speed flares", Unit: "ms", Default: 150, Low: 0, High: 2000, kind: elementFillsLate, target: i})
	}
	for i, name := range elementNames[:numFriction] {
		add(Fault{Name: slug(name) + "-releases-late", Text: "the " + name + " holds on this long after its release: overlap, the gearbox binds up", Unit: "ms", Default: 300, Low: 0, High: 1000, kind: elementReleasesLate, target: i})
	}
	for i, name := range elementNames[:numFriction] {
		// "low-gears-pressure-switch": the clutch's or brake's own word is left out as in the signal's name.
		base := slug(strings.TrimSuffix(name, " clutch"))
		add(Fault{Name: base + "-pressure-switch-stuck-open", Text: "the pressure switch of the " + name + " never closes", kind: switchStuckOpen, target: i})
		add(Fault{Name: base + "-pressure-switch-stuck-closed", Text: "the pressure switch of the " + name + " never opens", kind: switchStuckClosed, target: i})
	}
	for i, name := range contactNames {
		text := "wire " + name + " of the selector lever's contacts is open"
		if name == "m" {
			text = "the monitor wire of the selector lever's contacts is open"
		}
		add(Fault{Name: "lever-contact-" + name + "-open", Text: text, kind: contactOpen, target: i})
	}
	for i, name := range sensorNames {
		words := strings.ReplaceAll(name, "-", " ")
		add(Fault{Name: name + "-drops-out", Text: "the " + words + " sensor reads 0 for this long, again and again, 1 to 6 s apart", Unit: "ms", Default: 300, Low: 1, High: 60000, kind: sensorDropsOut, target: i})
		add(Fault{Name: name + "-missing", Text: "the " + words + " is reported as not available", kind: sensorMissing, target: i})
		add(Fault{Name: name + "-reads-low", Text: "the " + words + " sensor reads this much too low", Unit: "%", Default: 4, Low: 0, High: 100, kind: sensorReadsLow, target: i})
	}
	add(Fault{Name: "cooler-restricted", Text: "this part of the oil cooler's flow is blocked", Unit: "%", Default: 80, Low: 0, High: 100, kind: coolerRestricted})
	add(Fault{Name: "lock-up-clutch-slips", Text: "the converter clutch carries no more than this torque", Unit: "N·m", Default: 60, Low: 0, High: 1000, kind: lockupSlips})
	add(Fault{Name: "lock-up-clutch-shudders", Text: "the torque of the converter clutch swings by this much at 11 Hz", Unit: "%", Default: 60, Low: 0, High: 100, kind: lockupShudders})
	add(Fault{Name: "main-pressure-low", Text: "the main pressure, and with it every element's capacity, is this much too low", Unit: "%", Default: 80, Low: 0, High: 100, kind: mainPressureLow})
	add(Fault{Name: "stator-clutch-slips", Text: "the converter's stator turns backwards: no torque multiplication, low stall speed", kind: statorSlips})
	add(Fault{Name: "engine-weak", Text: "the engine lacks this much of its torque", Unit: "%", Default: 30, Low: 0, High: 90, kind: engineWeak})
	add(Fault{Name: "coolant-hot", Text: "the coolant settles this much above its normal temperature", Unit: "K", Default: 25, Low: 0, High: 60, kind: coolantHot})
	add(Fault{Name: "oil-outlet-sensor-reads-high", Text: "the outlet oil temperature reads this much too high", Unit: "K", Default: 15, Low: -60, High: 60, kind: outletReadsHigh})
	return list
}

// Faults lists what can be wrong with the van, in the order people should read it.
func Faults() []Fault { return append([]Fault(nil), catalogue...) }

func faultByName(name string) *Fault {
	for i := range catalogue {
		if catalogue[i].Name == name {
			return &catalogue[i]
		}
	}
	return nil
}

// ParseFault reads NAME[@START][=SIZE], such as "drum-brake-slips@2m=350". Without START
// the fault is there from the beginning, without SIZE it has its default size.
func ParseFault(s string) (Injection, error) {
	rest, size, sized := strings.Cut(s, "=")
	name, start, started := strings.Cut(rest, "@")
	f := faultByName(name)
	if f == nil {
		names := make([]string, len(catalogue))
		for i := range catalogue {
			names[i] = catalogue[i].Name
		}
		return Injection{}, fmt.Errorf("van: unknown fault %s%s; expected one of: %s", quote(name), diag.Suggest(name, names), list(names))
	}
	in := Injection{Name: name, Size: f.Default}
	if started {
		d, err := time.ParseDuration(start)
		if err != nil || d < 0 {
			return Injection{}, fmt.Errorf("van: fault %s: start %s; expected a time since the start of the drive, such as 120s", name, quote(start))
		}
		in.Start = d
	}
	if sized {
		if f.Unit == "" {
			return Injection{}, fmt.Errorf("van: fault %s has no size; leave =%s out", name, size)
		}
		v, err := strconv.ParseFloat(size, 64)
		if err != nil || math.IsNaN(v) || v < f.Low || v > f.High {
			return Injection{}, fmt.Errorf("van: fault %s: size %s; expected a number of %s from %g to %g (usual: %g)", name, quote(size), f.Unit, f.Low, f.High, f.Default)
		}
		in.Size = v
	}
	return in, nil
}

// String writes the fault as ParseFault reads it.
func (in Injection) String() string {
	s := in.Name
	if in.Start > 0 {
		s += "@" + in.Start.String()
	}
	if f := faultByName(in.Name); f != nil && f.Unit != "" {
		s += "=" + strconv.FormatFloat(in.Size, 'g', -1, 64)
	}
	return s
}

// troubles is what is wrong at this moment; the zero value of a field is sound.
type troubles struct {
	slips         [numElements]float64 // largest torque [N·m]; +Inf when sound
	fillsLate     [numFriction]int     // ms
	releasesLate  [numFriction]int     // ms
	stuck         [numFriction]int8    // pressure switch: -1 open, +1 closed
	contactOpen   [len(contactNames)]bool
	dropsOut      [len(sensorNames)]float64 // length of a gap [ms]
	missing       [len(sensorNames)]bool
	readsLow      [len(sensorNames)]float64 // part of the reading
	coolerBlocked float64                   // part of the flow
	lockupSlips   float64                   // largest torque [N·m]; +Inf when sound
	shudder       float64                   // part of the torque
	pressureLow   float64                   // part of the main pressure
	statorSlips   bool
	engineWeak    float64 // part of the torque
	coolantHot    float64 // K
	outletHigh    float64 // K
}

func sound() troubles {
	var t troubles
	for i := range t.slips {
		t.slips[i] = math.Inf(1)
	}
	t.lockupSlips = math.Inf(1)
	return t
}

func (t *troubles) add(f *Fault, size float64) {
	switch f.kind {
	case elementSlips:
		t.slips[f.target] = math.Min(t.slips[f.target], size)
	case elementFillsLate:
		t.fillsLate[f.target] = int(size)
	case elementReleasesLate:
		t.releasesLate[f.target] = int(size)
	case switchStuckOpen:
		t.stuck[f.target] = -1
	case switchStuckClosed:
		t.stuck[f.target] = +1
	case contactOpen:
		t.contactOpen[f.target] = true
	case sensorDropsOut:
		t.dropsOut[f.target] = size
	case sensorMissing:
		t.missing[f.target] = true
	case sensorReadsLow:
		t.readsLow[f.target] = size / 100
	case coolerRestricted:
		t.coolerBlocked = size / 100
	case lockupSlips:
		t.lockupSlips = size
	case lockupShudders:
		t.shudder = size / 100
	case mainPressureLow:
		t.pressureLow = size / 100
	case statorSlips:
		t.statorSlips = true
	case engineWeak:
		t.engineWeak = size / 100
	case coolantHot:
		t.coolantHot = size
	case outletReadsHigh:
		t.outletHigh = size
	}
}
