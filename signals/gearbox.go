package signals

import (
	"fmt"
	"reflect"
	"slices"
	"strconv"

	"gearwitness/signals/diag"
	"gearwitness/signals/unit"
)

// Ground is the name of the housing among shafts.
const Ground = "ground"

// quantity each role must have; roles not listed may have any.
var roleUnits = map[string]unit.Unit{
	"engine_speed": unit.RPM, "input_speed": unit.RPM, "output_speed": unit.RPM, "vehicle_speed": unit.KmPerHour,
	"pedal": unit.Percent, "oil_pan": unit.Celsius, "oil_outlet": unit.Celsius, "coolant": unit.Celsius,
}

// validateTransmission checks that everything the gearbox refers to exists, and
// that each part is described whole.
func (r *rules) validateTransmission() {
	t := r.file.Transmission
	root := sub("", "transmission")
	if t == nil || r.bad[root] {
		return
	}
	roles := reflect.ValueOf(t.Roles)
	for _, fd := range fieldsOf(roles.Type()) {
		name, p := roles.Field(fd.index).String(), sub(root, "roles", fd.key)
		if !r.has(sub(root, "roles"), fd.key) {
			continue
		}
		k, ok := r.signals[name]
		if !ok {
			r.unknown(p, "signal", name, r.signalNames)
			continue
		}
		if want, ok := roleUnits[fd.key]; ok && !unit.Comparable(k.unit, want) {
			r.wrong(p, diag.About(fd.key).Expect("a signal in a unit of %s such as %s", want.Dim().Name(), want).Got("%s in %s", name, symbol(k.unit)))
		}
	}
	if t.Train != nil && len(t.Ratios) > 0 {
		r.wrongKey(root, "ratios", diag.Say("follow from the train").Expect("one of the two"))
	}
	r.validateTrain(t, root)

	r.validateRatios(t, sub(root, "ratios"))
	r.gearNames(sub(root, "ratios"), names(t.Ratios))
	r.gearNames(sub(root, "gears"), names(t.Gears))

	elements := names(t.Elements)
	for _, g := range t.Gears {
		p := sub(root, "gears", g.Name, "holds")
		seen := make(map[string]bool)
		for i, h := range g.V.Holds {
			switch {
			case !slices.Contains(elements, h):
				r.unknown(sub(p, itoa(i)), "element", h, elements)
			case seen[h]:
				r.wrong(sub(p, itoa(i)), diag.About("holds").Say("%q stands here twice", h))
			}
			seen[h] = true
		}
	}
	r.validateContacts(t, root)
	r.validateSolenoids(t, root, elements)
	for _, s := range t.Switches {
		p := sub(root, "switches", s.Name)
		k, ok := r.signals[s.Name]
		if !ok {
			r.fail(at(s), diag.Say("unknown signal %q", s.Name).Suggest(s.Name, r.signalNames))
			continue
		}
		if r.has(p, "element") && !slices.Contains(elements, s.V.Element) {
			r.unknown(sub(p, "element"), "element", s.V.Element, elements)
		}
		if r.has(p, "closed") {
			if len(k.states) > 0 && k.states.Index(s.V.Closed) < 0 {
				r.unknown(sub(p, "closed"), "state of "+s.Name, s.V.Closed, names(k.states))
			} else if _, err := readFloat(s.V.Closed); len(k.states) == 0 && err != nil {
				r.wrongKey(p, "closed", diag.Say("%s has no states", s.Name).Expect("a number").Got("%q", s.V.Closed))
			}
		}
	}
}

// validateRatios checks the sign of each ratio: reverse turns the output against
// the input, and that is what tells it from a forward gear.
func (r *rules) validateRatios(t *Transmission, root string) {
	for _, e := range t.Ratios {
		m := diag.About("ratio of gear " + e.Name)
		switch {
		case !r.has(root, e.Name):
			continue
		case e.Name == "R" && e.V >= 0:
			m = m.Expect("a ratio below 0").Hint("reverse turns the output against the input")
		case e.Name != "R" && e.V <= 0:
			m = m.Expect("a ratio above 0").Hint("below 0 is for R, which turns the output against the input")
		default:
			continue
		}
		if e.V != 0 {
			m.Suggestion = writeFloat(-e.V)
		}
		r.wrong(sub(root, e.Name), m.Got("%s", writeFloat(e.V)))
	}
}

// validateSolenoids checks what controls the elements; no element has two.
func (r *rules) validateSolenoids(t *Transmission, root string, elements []string) {
	taken := make(map[string]string)
	for _, s := range t.Solenoids {
		p := sub(root, "solenoids", s.Name)
		if r.has(p, "element") {
			if !slices.Contains(elements, s.V.Element) {
				r.unknown(sub(p, "element"), "element", s.V.Element, elements)
			} else if other, ok := taken[s.V.Element]; ok {
				r.wrong(sub(p, "element"), diag.Say("%q has the solenoid %q already", s.V.Element, other).Expect("one for each element"))
			}
			taken[s.V.Element] = s.Name
		}
		if r.has(p, "normally") && s.V.Normally != "high" && s.V.Normally != "low" {
			r.wrongKey(p, "normally", diag.Expect("high or low, the pressure without current").Got("%q", s.V.Normally))
		}
		if s.V.Ohm < 0 || s.V.Tolerance < 0 || s.V.Tolerance > s.V.Ohm {
			r.fail(at(s), diag.About(fmt.Sprintf("solenoid %q", s.Name)).Expect("a resistance above 0 and a tolerance below it").Got("%g Ω ± %g Ω", s.V.Ohm, s.V.Tolerance))
		}
	}
	for _, e := range t.Elements {
		if e.V.EnergyLimitKJ < 0 {
			r.wrongKey(sub(root, "elements", e.Name), "energy_limit", diag.Expect("an energy above 0").Got("%g kJ", e.V.EnergyLimitKJ))
		}
	}
}

// validateContacts checks the contacts behind the lever.
func (r *rules) validateContacts(t *Transmission, root string) {
	c := t.Contacts
	if c == nil {
		return
	}
	p := sub(root, "lever_contacts")
	contact := func(at, name string) {
		k, ok := r.signals[name]
		switch {
		case !ok:
			r.unknown(at, "signal", name, r.signalNames)
		case r.has(p, "closed") && len(k.states) > 0 && k.states.Index(c.Closed) < 0:
			r.unknown(sub(p, "closed"), "state of "+name, c.Closed, names(k.states))
		}
	}
	positions := []string(nil)
	if lever, ok := r.signals[t.Roles.Lever]; ok {
		positions = names(lever.states)
	}
	for _, e := range c.Codes {
		if !slices.Contains(positions, e.Name) {
			r.fail(at(e), diag.Say("unknown position of the role lever %q", e.Name).Suggest(e.Name, positions))
		}
		for i, name := range e.V.Contacts {
			contact(sub(p, "codes", e.Name, "contacts", itoa(i)), name)
		}
	}
	if c.Monitor != "" {
		contact(sub(p, "monitor"), c.Monitor)
	}
}

// gearNames: 1 to 99, R and N are what the analysis can name.
func (r *rules) gearNames(p string, list []string) {
	for _, g := range list {
		n, err := readInt(g)
		if g != "R" && (err != nil || n < 1 || n > 99 || itoa(int(n)) != g) {
			r.wrong(sub(p, g), diag.Expect("gears called 1, 2, 3 ... or R").Got("%q", g))
		}
	}
}

func (r *rules) validateTrain(t *Transmission, root string) {
	if t.Train == nil {
		for _, e := range t.Elements {
			r.fail(at(e), diag.Say("element %q needs the gear train", e.Name).Expect("the key train"))
			break
		}
		return
	}
	tr, p := t.Train, sub(root, "train")
	shafts := append(slices.Clone(tr.Shafts), Ground)
	for i, s := range tr.Shafts {
		switch err := checkName(s); {
		case err != nil:
			r.wrong(sub(p, "shafts", itoa(i)), messageOf(err))
		case s == Ground:
			r.wrong(sub(p, "shafts", itoa(i)), diag.Say("%q is the housing, always there", Ground).Expect("other shafts only"))
		case slices.Index(tr.Shafts, s) < i:
			r.wrong(sub(p, "shafts", itoa(i)), diag.Say("shaft %q stands here twice", s))
		}
	}
	shaft := func(at, name string, ground bool) {
		switch {
		case name == Ground && !ground:
			r.wrong(at, diag.Expect("a shaft").Got("the housing"))
		case !slices.Contains(shafts, name):
			r.unknown(at, "shaft", name, shafts)
		}
	}
	for key, name := range map[string]string{"input": tr.Input, "output": tr.Output} {
		if r.has(p, key) {
			shaft(sub(p, key), name, false)
		}
	}
	if tr.Input == tr.Output && r.has(p, "input", "output") {
		r.wrongKey(p, "output", diag.Expect("another shaft than the input"))
	}
	for _, e := range tr.Sets {
		s, at := e.V, sub(p, "sets", e.Name)
		for key, name := range map[string]string{"sun": s.Sun, "ring": s.Ring, "carrier": s.Carrier} {
			if r.has(at, key) {
				shaft(sub(at, key), name, true)
			}
		}
		if r.has(at, "sun", "ring", "carrier") && (s.Sun == s.Ring || s.Sun == s.Carrier || s.Ring == s.Carrier) {
			r.fail(span{e.Pos, len(e.Name)}, diag.Say("set %q: sun, ring and carrier must be three shafts", e.Name))
		}
		if r.has(at, "sun_teeth", "ring_teeth") && (s.SunTeeth < 1 || s.RingTeeth <= s.SunTeeth || s.RingTeeth > 10000) {
			r.wrongKey(at, "ring_teeth", diag.Expect("more teeth than the sun has, and at least one there").Got("%d and %d", s.RingTeeth, s.SunTeeth))
		} else if r.has(at, "planets") {
			r.assembly(s, at)
		}
	}
	for _, e := range tr.Sensors {
		if k, ok := r.signals[e.Name]; !ok {
			r.fail(at(e), diag.Say("unknown signal %q", e.Name).Suggest(e.Name, r.signalNames))
		} else if !unit.Comparable(k.unit, unit.RPM) {
			r.fail(at(e), diag.Expect("a signal in a unit of rotational speed such as rpm").Got("%s in %s", e.Name, symbol(k.unit)))
		}
		if q := sub(p, "sensors", e.Name); r.has(q, "shaft") {
			shaft(sub(q, "shaft"), e.V.Shaft, false)
		}
	}
	for _, e := range t.Elements {
		q := sub(root, "elements", e.Name)
		given := 0
		pair := func(key string, list []string) {
			if len(list) == 0 {
				return
			}
			given++
			if len(list) != 2 {
				r.wrongKey(q, key, diag.Expect("two shafts").Got("%d", len(list)))
				return
			}
			for i, s := range list {
				shaft(sub(q, key, itoa(i)), s, key == "one_way")
			}
			if list[0] == list[1] {
				r.wrongKey(q, key, diag.Expect("two different shafts"))
			}
		}
		pair("clutch", e.V.Clutch)
		pair("one_way", e.V.OneWay)
		if e.V.Brake != "" {
			given++
			shaft(sub(q, "brake"), e.V.Brake, false)
		}
		if given != 1 && !r.bad[q] && !r.bad[sub(q, "clutch")] && !r.bad[sub(q, "brake")] && !r.bad[sub(q, "one_way")] {
			r.fail(at(e), diag.About(fmt.Sprintf("element %q", e.Name)).Expect("one of clutch, brake or one_way").Got("%d of them", given))
		}
	}
}

// assembly warns where the planets of a set cannot be put in, by the rules for
// unshifted teeth: (sun + ring) divisible by the number of planets, with double
// pinions (ring - sun).
func (r *rules) assembly(s Set, at string) {
	sum := s.SunTeeth + s.RingTeeth
	if s.DoublePinion {
		sum = s.RingTeeth - s.SunTeeth
	}
	w := r.where(sub(at, "planets"))
	switch {
	case s.Planets < 1 || s.Planets > 32:
		r.wrongKey(at, "planets", diag.Expect("1 to 32").Got("%d", s.Planets))
	case sum%s.Planets != 0:
		r.found.Warn(w.pos, w.length, diag.Say("%d planets do not fit evenly between %d and %d teeth", s.Planets, s.SunTeeth, s.RingTeeth).Hint("look at the figures, unless the teeth are shifted"))
	}
}

func symbol(u unit.Unit) string {
	if u == unit.None {
		return "no unit"
	}
	return string(u)
}

func itoa(i int) string { return strconv.Itoa(i) }
