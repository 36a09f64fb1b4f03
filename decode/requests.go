package decode

import (
	"bytes"
	"fmt"
	"time"

	"gearwitness/capture"
	"gearwitness/decode/diagnosis"
	"gearwitness/decode/isotp"
	"gearwitness/signals"
)

// answer is a request of the vehicle file as seen from its answers. Whoever
// asked, an answer that fits is decoded.
type answer struct {
	frame    int32
	echo     []byte // what a positive answer begins with
	id       uint32
	extended bool
	any      bool // every unit may answer
}

// addRequest compiles one request.
func (p *Plan) addRequest(f *signals.File, e *signals.Entry[signals.Request]) error {
	def := &e.V
	bus := busOf(f.Buses, def.Bus)
	if bus < 0 {
		return errNoBus(def.Bus)
	}
	a := answer{frame: int32(len(p.frames)), echo: def.Echo(), extended: def.Extended}
	a.id, a.any = def.Answers()
	fr := frame{name: e.Name, need: def.Length, stale: capture.Stamp(def.Stale()), shared: a.any}
	if err := p.addFields(&fr, def.Signals, false, func(*signals.Signal) time.Duration { return def.Stale() }); err != nil {
		return err
	}
	p.append(fr)
	r := &p.routes[bus]
	r.answers = append(r.answers, a)
	return nil
}

// answersFrom lists the requests that a unit with this identifier may answer.
// By ISO 15765-4 units answer with 7E8 to 7EF, or with 18DAF1 and their address.
func (r *route) answersFrom(id uint32, extended bool) []answer {
	unit := !extended && id >= 0x7E8 && id <= 0x7EF || extended && id&^0xFF == 0x18DAF100
	var list []answer
	for _, a := range r.answers {
		if a.extended == extended && (a.id == id && !a.any || a.any && unit) {
			list = append(list, a)
		}
	}
	return list
}

// answering is a unit that answers, and what it may answer to.
type answering struct {
	receiver isotp.Receiver
	answers  []answer
}

// answer takes in a frame of a unit that answers and decodes the message it
// completes.
func (d *Decoder) answer(ch *channel, from *answering, f *capture.Frame, out *Output) (marks uint8) {
	message, fault := from.receiver.Frame(f.Time, f.Data[:f.Len])
	if fault != isotp.NoFault {
		ch.count.BrokenMessages++
	}
	if len(message) == 0 {
		return 0
	}
	unit := diagnosis.AddressOf(f.ID, f.Flags&capture.Extended != 0).Unit
	if r, refused := diagnosis.Refused(message); refused {
		d.refused(ch, f.Time, unit, r, from.answers, out)
		return 0
	}
	if memory, _, list, ok := diagnosis.Faults(message); ok {
		d.remembered(ch, f.Time, unit, memory, list, out)
		return 0
	}
	if vin, ok := diagnosis.VIN(message); ok {
		v := VIN{Channel: ch.count.Name, Unit: fmt.Sprintf("unit %d", unit+1), VIN: vin}
		ch.tell(f.Time, KindVIN, v.Unit, v, out)
	}
	// Somebody may have asked for several parameters at once.
	records, several := diagnosis.Records(message)
	for i := range from.answers {
		a := &from.answers[i]
		data, ok := bytes.CutPrefix(message, a.echo)
		for _, r := range records {
			if several && a.echo[0] == message[0] && a.echo[1] == r.Item {
				data, ok = r.Data, true
			}
		}
		if !ok {
			continue
		}
		// Fields lie in the first 64 bytes, as in the longest frame.
		ch.message = capture.Frame{Time: f.Time, ID: f.ID, Bus: f.Bus, Flags: f.Flags, Len: uint8(min(len(data), capture.MaxData))}
		copy(ch.message.Data[:], data)
		marks |= d.decode(a.frame, &ch.message, out)
	}
	return marks
}
