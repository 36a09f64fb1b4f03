package geartrain

import (
	"errors"
	"fmt"

	"gearwitness/signals"
)

// FromFile builds the train of a vehicle file: names become indexes. The file's
// reader has validated the references already; what is wrong nevertheless, or
// exceeds the bounds of this package, is an error in plain words.
func FromFile(tr *signals.Transmission) (*Train, error) {
	if tr == nil || tr.Train == nil {
		return nil, errors.New("the vehicle file describes no gear train (transmission, train): shafts, sets and sensors are needed to compute speeds and torques")
	}
	t := &Train{Shafts: tr.Train.Shafts}
	var err error
	shaft := func(name, where string) int {
		i, ok := t.Index(name)
		if !ok && err == nil {
			err = fmt.Errorf("%s: no shaft is called %q; expected one of the train's shafts or ground", where, name)
		}
		return i
	}
	t.Input = shaft(tr.Train.Input, "input")
	t.Output = shaft(tr.Train.Output, "output")
	for _, s := range tr.Train.Sets {
		where := fmt.Sprintf("set %q", s.Name)
		t.Sets = append(t.Sets, Set{
			Name: s.Name, Planets: s.V.Planets, DoublePinion: s.V.DoublePinion,
			Sun: shaft(s.V.Sun, where), Ring: shaft(s.V.Ring, where), Carrier: shaft(s.V.Carrier, where),
			SunTeeth: s.V.SunTeeth, RingTeeth: s.V.RingTeeth,
		})
	}
	for _, e := range tr.Elements {
		where := fmt.Sprintf("element %q", e.Name)
		el := Element{Name: e.Name, B: Ground}
		switch v := e.V; {
		case len(v.Clutch) == 2:
			el.Kind, el.A, el.B = Clutch, shaft(v.Clutch[0], where), shaft(v.Clutch[1], where)
		case len(v.OneWay) == 2:
			el.Kind, el.A, el.B = OneWay, shaft(v.OneWay[0], where), shaft(v.OneWay[1], where)
		case v.Brake != "":
			el.Kind, el.A = Brake, shaft(v.Brake, where)
		default:
			return nil, fmt.Errorf("%s: expected clutch: [shaft, shaft], brake: shaft or one_way: [inner shaft, outer shaft]", where)
		}
		t.Elements = append(t.Elements, el)
	}
	if err != nil {
		return nil, err
	}
	if err := t.Check(); err != nil {
		return nil, err
	}
	return t, nil
}

// GearsFromFile resolves the file's table of gears, in its order.
func GearsFromFile(t *Train, tr *signals.Transmission) ([]Gear, error) {
	gears := make([]Gear, len(tr.Gears))
	for i, g := range tr.Gears {
		gears[i].Name = g.Name
		for _, name := range g.V.Holds {
			e, ok := t.ElementIndex(name)
			if !ok {
				return nil, fmt.Errorf("gear %s: no element is called %q; expected one of the elements above", g.Name, name)
			}
			gears[i].Holds = append(gears[i].Holds, e)
		}
	}
	return gears, nil
}

// Check tells whether every index, tooth count and bound of the train holds.
// FromFile has called it; call it for a train built by hand.
func (t *Train) Check() error {
	oneWays := 0
	for i := range t.Elements {
		if t.Elements[i].Kind == OneWay {
			oneWays++
		}
	}
	for _, c := range []struct {
		what       string
		found, max int
	}{
		{"shafts", len(t.Shafts), MaxShafts},
		{"planetary sets", len(t.Sets), MaxSets},
		{"elements", len(t.Elements), MaxElements},
		{"one-way clutches", oneWays, MaxOneWay},
	} {
		if c.found > c.max {
			return fmt.Errorf("%d %s: expected at most %d", c.found, c.what, c.max)
		}
	}
	rotates := func(i int) bool { return i >= 0 && i < len(t.Shafts) }
	valid := func(i int) bool { return i == Ground || rotates(i) }
	switch {
	case !rotates(t.Input):
		return errors.New("input: expected one of the shafts; the housing cannot be driven")
	case !rotates(t.Output):
		return errors.New("output: expected one of the shafts; the housing cannot drive the wheels")
	case t.Input == t.Output:
		return fmt.Errorf("input and output are both %q: expected two shafts; a clutch can connect them", t.Shafts[t.Input])
	}
	for i := range t.Sets {
		s := &t.Sets[i]
		switch {
		case !valid(s.Sun) || !valid(s.Ring) || !valid(s.Carrier):
			return fmt.Errorf("set %q: its sun, ring and carrier must be shafts of the train or ground", s.Name)
		case s.SunTeeth < 1 || s.SunTeeth > MaxTeeth || s.RingTeeth < 1 || s.RingTeeth > MaxTeeth:
			return fmt.Errorf("set %q: sun %d teeth, ring %d teeth: expected 1 to %d each", s.Name, s.SunTeeth, s.RingTeeth, MaxTeeth)
		case s.PlanetTeeth < 0 || s.PlanetTeeth > MaxTeeth:
			return fmt.Errorf("set %q: planets with %d teeth: expected 1 to %d, or 0 where not known", s.Name, s.PlanetTeeth, MaxTeeth)
		case s.DoublePinion && s.SunTeeth == s.RingTeeth:
			return fmt.Errorf("set %q: sun and ring both have %d teeth: expected a larger ring in a double-pinion set", s.Name, s.SunTeeth)
		}
	}
	for i := range t.Elements {
		e := &t.Elements[i]
		switch {
		case e.Kind > OneWay:
			return fmt.Errorf("element %q: expected a clutch, a brake or a one-way clutch", e.Name)
		case !valid(e.A) || !valid(e.B):
			return fmt.Errorf("element %q: its sides must be shafts of the train or ground", e.Name)
		case e.A == e.B:
			return fmt.Errorf("element %q: both sides are the same: expected two parts that can turn against each other", e.Name)
		case e.Kind == Brake && (e.A == Ground || e.B != Ground):
			return fmt.Errorf("element %q: a brake holds a shaft to the housing", e.Name)
		}
	}
	return nil
}

// Warnings names what in the tooth counts of the sets does not fit together. The
// ratios are computed all the same, since shifted profiles break these rules:
//
//	simple set          Zr = Zs + 2 Zp, (Zs + Zr) divisible by the number of planets
//	double-pinion set   (Zr - Zs) divisible by the number of pairs
//
// The conditions of a simple set are common practice, no source; that of the
// double-pinion set is from memory. Pairs (the housing as carrier) and bevel
// differentials (Zs = Zr) are left out.
func (t *Train) Warnings() []string {
	var out []string
	warn := func(s *Set, format string, a ...any) {
		out = append(out, fmt.Sprintf("set %q: ", s.Name)+fmt.Sprintf(format, a...)+"; check the tooth counts")
	}
	for i := range t.Sets {
		s := &t.Sets[i]
		zs, zr, zp, n := s.SunTeeth, s.RingTeeth, s.PlanetTeeth, s.Planets
		if s.Carrier == Ground || zs == zr {
			continue
		}
		switch {
		case zr < zs:
			warn(s, "the ring (%d teeth) is smaller than the sun (%d)", zr, zs)
		case s.DoublePinion:
			if n > 0 && (zr-zs)%n != 0 {
				warn(s, "ring minus sun, %d - %d = %d, does not divide by its %d pairs of planets", zr, zs, zr-zs, n)
			}
		default:
			switch {
			case zp > 0 && zr != zs+2*zp:
				warn(s, "the ring has %d teeth where sun + 2 planets make %d + 2 x %d = %d", zr, zs, zp, zs+2*zp)
			case zp == 0 && (zr-zs)%2 != 0:
				warn(s, "ring minus sun, %d - %d = %d, is odd, so no planet fits between them without shifted profiles", zr, zs, zr-zs)
			}
			if n > 0 && (zs+zr)%n != 0 {
				warn(s, "sun plus ring, %d + %d = %d, does not divide by its %d planets", zs, zr, zs+zr, n)
			}
		}
	}
	return out
}
