package signals

import (
	"gearwitness/signals/diag"
	"gearwitness/signals/unit"
)

// Analysis are the signals that the analysis adds to those of the file. A file
// may define the ones marked free itself; the others are reserved.
var Analysis = []struct {
	Name string
	Unit unit.Unit
	Free bool
}{
	{"gear", unit.None, false},
	{"ratio", unit.None, false},
	{"converter_slip", unit.RPM, false},
	{"input_speed", unit.RPM, true},
	{"converter_speed_ratio", unit.None, true},
	{"oil_temperature_difference", unit.Kelvin, true},
}

// known is a signal as formulas and roles see it.
type known struct {
	entry  span
	unit   unit.Unit
	states States
}

// rules judge a file that has been read whole: everything that concerns more
// than one key. Each part of the file has its rules beside its types.
type rules struct {
	*places
	file *File
	// signals are those that the file defines, as far as they have been entered.
	signals scope
	// signalNames are the names of them all, for suggestions; once they are in.
	signalNames []string
}

// validate applies all rules. What is defined comes before what refers to it.
func (r *rules) validate() {
	r.validateFrames()
	r.validateRequests()
	r.validateLines()
	r.validateComputed()
	r.signalNames = r.signals.SymbolNames()
	r.validateTransmission()
	all := withAnalysis(r.file, r.signals)
	r.validateAlarms(all)
	r.validateProcedures(all)
	r.validateReadings()
}

// define enters a signal.
func (r *rules) define(where span, name string, u unit.Unit, states States) {
	if old, ok := r.signals[name]; ok {
		r.twice(where, old.entry.pos, diag.Say("signal %q is defined a second time", name).Hint("a name means one signal in the whole file"))
		return
	}
	for _, a := range Analysis {
		if a.Name == name && !a.Free {
			r.fail(where, diag.Say("%q is a signal of the analysis", name).Expect("another name"))
		}
	}
	r.signals[name] = known{where, u, states}
}
