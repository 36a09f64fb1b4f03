package decode

import (
	"fmt"

	"gearwitness/capture"
	"gearwitness/decode/diagnosis"
	"gearwitness/decode/j1939"
)

// Faults is what a KindFaults event tells: the trouble codes of one unit, when
// they are first heard and whenever they change. An empty list says that there
// are none, or none any more.
type Faults struct {
	Channel string   `json:"channel"`
	Unit    string   `json:"unit"`            // "address 3" (SAE J1939) or "unit 1" (ISO 15765-4)
	Memory  string   `json:"memory"`          // active, stored, pending, permanent, by status
	Codes   []string `json:"codes"`           // P0741, P0741-1C (confirmed), SPN 177 FMI 3
	Lamps   []string `json:"lamps,omitempty"` // warning lamps that are on
}

// Refused is what a KindRefused event tells: a unit does not answer a diagnostic
// read, and why. It is told once until the reason changes.
type Refused struct {
	Channel  string   `json:"channel"`
	Unit     string   `json:"unit"`
	Service  string   `json:"service"` // in hexadecimal
	Reason   string   `json:"reason"`
	Requests []string `json:"requests"` // of the vehicle file that may be meant
}

// VIN is what a KindVIN event tells: the vehicle identification number that a unit
// answered with. It is told once until a unit says otherwise.
type VIN struct {
	Channel string `json:"channel"`
	Unit    string `json:"unit"`
	VIN     string `json:"vin"`
}

// tell appends an event unless the same was the last thing told under the key.
// What it remembers is bounded by the units and services there can be.
func (c *channel) tell(at capture.Stamp, kind, key string, fields any, out *Output) {
	text := fmt.Sprint(fields)
	if c.told[kind+key] == text {
		return
	}
	c.told[kind+key] = text
	out.Events = append(out.Events, Event{at, kind, fields})
}

// active tells the active faults that a unit of SAE J1939 broadcasts.
func (d *Decoder) active(c *channel, at capture.Stamp, source uint8, data []byte, out *Output) {
	lamps, list, ok := j1939.Faults(data)
	if !ok {
		return
	}
	f := Faults{Channel: c.count.Name, Unit: fmt.Sprintf("address %d", source), Memory: "active", Codes: []string{}}
	for _, x := range list {
		f.Codes = append(f.Codes, fmt.Sprintf("SPN %d FMI %d", x.SPN, x.FMI))
	}
	for _, l := range []struct {
		name  string
		state j1939.Lamp
	}{{"malfunction", lamps.Malfunction}, {"red stop", lamps.RedStop}, {"amber", lamps.Amber}, {"protect", lamps.Protect}} {
		if l.state == j1939.LampOn {
			f.Lamps = append(f.Lamps, l.name)
		}
	}
	c.tell(at, KindFaults, f.Unit, f, out)
}

// remembered tells the trouble codes that a unit answers with.
func (d *Decoder) remembered(c *channel, at capture.Stamp, unit uint8, memory diagnosis.Memory, list []diagnosis.Fault, out *Output) {
	f := Faults{Channel: c.count.Name, Unit: fmt.Sprintf("unit %d", unit+1), Memory: string(memory), Codes: []string{}}
	for _, x := range list {
		text := x.Text
		if x.Status != 0 {
			text += " (" + x.Status.String() + ")"
		}
		f.Codes = append(f.Codes, text)
	}
	c.tell(at, KindFaults, f.Unit+f.Memory, f, out)
}

// refused tells that a unit does not answer. An answer that is yet to come is no
// refusal.
func (d *Decoder) refused(c *channel, at capture.Stamp, unit uint8, r diagnosis.Refusal, answers []answer, out *Output) {
	if r.Wait {
		return
	}
	e := Refused{Channel: c.count.Name, Unit: fmt.Sprintf("unit %d", unit+1), Service: fmt.Sprintf("%02X", r.Service), Reason: r.Text, Requests: []string{}}
	for _, a := range answers {
		if a.echo[0] == r.Service+0x40 {
			e.Requests = append(e.Requests, d.plan.frames[a.frame].name)
		}
	}
	c.tell(at, KindRefused, e.Unit+e.Service, e, out)
}
