package decode

import (
	"slices"
	"strings"

	"gearwitness/capture"
	"gearwitness/decode/j1939"
	"gearwitness/decode/j1939tp"
)

// Description is what a vehicle file makes of an identifier.
type Description struct {
	// Name of the frame or the requests it answers, or in words what else it is;
	// empty when nobody describes it.
	Name string
	// Frame is the index among the frames of the file, -1 for anything else.
	Frame int
	// Mask has a byte for each data byte, bit set where something is described;
	// whole where the identifier does not carry a frame of its own.
	Mask [capture.MaxData]byte
}

// Describe tells what the file makes of an identifier on a channel. It may be
// called from any goroutine.
func (p *Plan) Describe(c capture.Channel, id uint32, extended bool) Description {
	d := Description{Frame: -1}
	bus := busOf(p.buses, c.Name)
	if c.Kind != capture.CAN || bus < 0 {
		return d
	}
	n, answers := p.routes[bus].meaning(id, extended)
	switch {
	case n >= 0 && n < answered:
		return Description{Name: p.frames[n].name, Frame: int(n), Mask: p.frames[n].mask()}
	case n == transport:
		d.Name = "messages of several packets"
	case n == faults:
		d.Name = "active faults"
	case len(answers) > 0:
		var names []string
		for _, a := range answers {
			names = append(names, p.frames[a.frame].name)
		}
		d.Name = strings.Join(slices.Compact(names), ", ")
	default:
		return d
	}
	for i := range d.Mask {
		d.Mask[i] = 0xFF
	}
	return d
}

// mask joins what the fields of a frame cover.
func (fr *frame) mask() (m [capture.MaxData]byte) {
	add := func(other [capture.MaxData]byte) {
		for i := range m {
			m[i] |= other[i]
		}
	}
	for i := range fr.groups {
		for j := range fr.groups[i].fields {
			add(fr.groups[i].fields[j].rare.bits.Mask())
		}
	}
	if fr.counts > 0 {
		add(fr.counter.Mask())
	}
	if fr.check != nil {
		m[fr.check.Byte-1] = 0xFF
	}
	return m
}

// meaning finds what an identifier stands for: a frame by its number, transport,
// faults, or requests it may answer; unresolved when nothing.
func (r *route) meaning(id uint32, extended bool) (int32, []answer) {
	if i, ok := r.find(id, extended); ok {
		return i, nil
	}
	if extended && r.sae {
		switch j1939.ParseID(id).PGN {
		case j1939tp.Management, j1939tp.Data:
			return transport, nil
		case j1939.DM1:
			return faults, nil
		}
	}
	return unresolved, r.answersFrom(id, extended)
}
