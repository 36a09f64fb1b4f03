package signals

import (
	"fmt"
	"slices"
	"strings"
	"unicode/utf8"

	"gearwitness/signals/diag"
	"gearwitness/signals/formula"
	"gearwitness/signals/unit"
)

// BusLoad is the share of a bus that the frames of a file take, by their
// periods.
type BusLoad struct {
	Bus string
	// Low is without stuff bits, High with as many as can occur; 0 to 1 and above,
	// both 0 where the file gives no bit rate.
	Low, High float64
	// Uncounted are frames without a period, CAN FD frames and groups longer than
	// one frame.
	Uncounted int
}

// Share returns the load in percent for people, such as "8 to 10 %".
func (l BusLoad) Share() string {
	low, high := fmt.Sprintf("%.0f", 100*l.Low), fmt.Sprintf("%.0f", 100*l.High)
	if low == high {
		return high + " %"
	}
	return low + " to " + high + " %"
}

// Loads returns the expected load of every bus.
//
// A classic frame of n data bytes has 47 + 8n bits with an 11-bit identifier and
// 67 + 8n with 29 bits, counting three of interframe space; of these 34 + 8n and
// 54 + 8n can be stuffed with one bit after the first five and every four more
// (ISO 11898-1).
func (f *File) Loads() []BusLoad {
	var loads []BusLoad
	for _, b := range f.Buses {
		l := BusLoad{Bus: b.Name}
		for i := range f.Frames {
			fr := &f.Frames[i].V
			switch n := fr.DataLength(); {
			case fr.Bus != b.Name:
			case fr.Every == 0 || fr.FD || n > 8:
				l.Uncounted++
			case b.V.BitRate > 0:
				bits, stuffable := 47+8*n, 34+8*n
				if fr.Extended || fr.J1939() {
					bits, stuffable = 67+8*n, 54+8*n
				}
				perSecond := 1 / fr.Every.Seconds()
				l.Low += float64(bits) * perSecond / float64(b.V.BitRate)
				l.High += float64(bits+(stuffable-1)/4) * perSecond / float64(b.V.BitRate)
			}
		}
		loads = append(loads, l)
	}
	return loads
}

// Advice returns warnings about a valid file: what is probably not meant, or
// leaves the program unable to say something. They concern the file itself, not
// the libraries it uses.
func (f *File) Advice() diag.List {
	var list diag.List
	if f.Vehicle.Title == "" {
		list.Warn(diag.Pos{File: f.source, Line: 1, Column: 1}, 1, diag.Say("the vehicle has no title").Hint("reports show the file's name instead"))
	}
	for _, e := range f.Frames {
		if e.V.Every == 0 && e.V.StaleAfter == 0 && e.Pos.File == f.source && len(e.V.Signals) > 0 {
			list.Warn(e.Pos, utf8.RuneCountInString(e.Name), diag.Say("frame %q has no period: its signals never count as gone", e.Name).Hint("add every: or stale_after:"))
		}
	}
	for _, l := range f.Loads() {
		i := f.Buses.Index(l.Bus)
		if e := f.Buses[i]; l.High > 1 {
			list.Warn(e.Pos, utf8.RuneCountInString(e.Name), diag.Say("the frames of bus %q take %s of it by their periods", l.Bus, l.Share()).Hint("look at the periods and the bit rate"))
		}
	}
	if f.Silent() {
		list.Warn(diag.Pos{File: f.source, Line: 1, Column: 1}, 1, diag.Say("it describes no frame, request or line").Hint("nothing can be received by it; add frames:, or a library under use:"))
	}
	f.adviseUnits(&list)
	used := f.used()
	for i := range f.Frames {
		fr := &f.Frames[i]
		var unused, open []string // names of this frame, said together
		for _, e := range fr.V.Signals {
			if e.Pos.File != f.source {
				continue
			}
			if !used[e.Name] {
				unused = append(unused, e.Name)
			}
			if e.V.Range == nil && len(e.V.States) == 0 && e.V.Unit != "" {
				open = append(open, e.Name)
			}
		}
		n := utf8.RuneCountInString(fr.Name)
		if unused != nil {
			list.Warn(fr.Pos, n, diag.Say("shown and recorded only, for no role, sensor, switch, condition, formula, alarm or procedure uses it: %s", strings.Join(unused, ", ")))
		}
		if open != nil {
			list.Warn(fr.Pos, n, diag.Say("without range, so that an impossible value passes as true: %s", strings.Join(open, ", ")))
		}
	}
	if len(f.Frames) > 0 && len(f.Buses) == 0 {
		list.Warn(diag.Pos{File: f.source, Line: 1, Column: 1}, 1, diag.Say("no bus is described: nothing can be decoded with this file alone").Hint("write one, such as buses: {powertrain: {bitrate: 500 kbit/s}}, here or in the file that uses it"))
	}
	if t := f.Transmission; t == nil {
		list.Warn(diag.Pos{File: f.source, Line: 1, Column: 1}, 1, diag.Say("there is no transmission part: signals are shown, gears and shifts are not"))
	} else if t.Roles.OutputSpeed == "" {
		list.Warn(diag.Pos{File: f.source, Line: 1, Column: 1}, 1, diag.Say("no role output_speed: without it there are no gears and no shifts"))
	}
	f.adviseProcedures(&list)
	list.Sort()
	return list
}

// Silent tells that the file describes nothing that could be received.
func (f *File) Silent() bool { return len(f.Frames) == 0 && len(f.Requests) == 0 && len(f.Lines) == 0 }

// probable are units that a signal probably has by a word in its name.
var probable = map[string]unit.Unit{
	"temp": unit.Celsius, "temperature": unit.Celsius,
	"distance": "km", "odometer": "km", "length": "mm", "height": "m", "altitude": "m", "stroke": "mm",
	"pressure": "kPa", "voltage": "V", "current": "A", "torque": "N·m",
}

// adviseUnits warns of signals that measure something and have no unit. They
// cannot be converted, nor held against another one.
func (f *File) adviseUnits(list *diag.List) {
	look := func(name string, pos diag.Pos, states States, u unit.Unit) {
		if pos.File != f.source || u != unit.None || len(states) > 0 {
			return
		}
		for _, word := range strings.Split(strings.ToLower(name), "_") {
			if likely, ok := probable[word]; ok {
				list.Warn(pos, utf8.RuneCountInString(name), diag.Say("%s has no unit, and its name sounds like a %s", name, likely.Dim().Name()).
					Hint("add unit: %s, or the one it is in", likely))
				return
			}
		}
	}
	each := func(signals Named[Signal]) {
		for _, e := range signals {
			if e.V.Bits > 1 { // one bit is a switch
				look(e.Name, e.Pos, e.V.States, e.V.Unit)
			}
		}
	}
	for _, e := range f.Frames {
		each(e.V.Signals)
	}
	for _, e := range f.Requests {
		each(e.V.Signals)
	}
	for _, l := range f.Lines {
		for _, e := range l.V.Signals {
			look(e.Name, e.Pos, e.V.States, e.V.Unit)
		}
	}
}

// used returns the signals that something in the file refers to.
func (f *File) used() map[string]bool {
	used := make(map[string]bool)
	for i := range f.Frames {
		for _, e := range f.Frames[i].V.Signals {
			for _, c := range e.V.When {
				used[c.Signal] = true
			}
		}
	}
	for _, e := range f.Computed {
		for _, n := range formula.Names(e.V.Formula) {
			used[n] = true
		}
	}
	for _, e := range f.Alarms {
		for _, n := range append(formula.Names(e.V.When), formula.Names(e.V.Clear)...) {
			used[n] = true
		}
	}
	f.proceduresUse(used)
	if t := f.Transmission; t != nil {
		for _, n := range t.Roles.Signals() {
			used[n] = true
		}
		for _, e := range t.Switches {
			used[e.Name] = true
		}
		if t.Contacts != nil {
			used[t.Contacts.Monitor] = true
			for _, e := range t.Contacts.Codes {
				for _, n := range e.V.Contacts {
					used[n] = true
				}
			}
		}
		if t.Train != nil {
			for _, e := range t.Train.Sensors {
				used[e.Name] = true
			}
		}
	}
	return used
}

// Signals returns the signals that have a role.
func (r Roles) Signals() []string {
	all := []string{r.EngineSpeed, r.EngineTorque, r.InputSpeed, r.OutputSpeed, r.VehicleSpeed, r.Pedal, r.Brake, r.Lever,
		r.CommandedGear, r.CurrentGear, r.Lockup, r.OilPan, r.OilOutlet, r.Coolant}
	return slices.DeleteFunc(all, func(s string) bool { return s == "" })
}
