package van

import (
	"encoding/binary"
	"math"
	"time"

	"gearwitness/capture"
	"gearwitness/decode/isotp"
)

// Identifiers of ISO 15765-4: 7DF asks all units, 7E0 + n unit n, which answers
// under 7E8 + n.
const (
	toAll     = 0x7DF
	toUnit    = 0x7E0
	fromUnit  = 0x7E8
	noService = 0x11 // refusals of ISO 14229-1
	noSub     = 0x12
	badLength = 0x13
	busy      = 0x21
	notNow    = 0x22
	outside   = 0x31
	wait      = 0x78
)

// Units of the van that answer diagnostic reads.
const (
	engineUnit = iota
	gearboxUnit
	numUnits
)

// Figures of the van's units: our own, the van is invented.
const (
	vin         = "0GWPV22D5TA000417" // no maker has a number that begins with 0
	odometer    = 48_211_300.0        // at the start [m]
	reference   = 400                 // torque that percentages refer to [N·m]
	maxReplies  = 4                   // answers a unit has in hand; asked for more, it is busy
	unitPadding = 0xAA
)

// unitNames are the answers to SAE J1979 09 0A: four letters, a zero, a hyphen,
// fifteen characters filled up with zeros.
var unitNames = [numUnits]string{"ECM\x00-EngineControl\x00\x00", "TCM\x00-TransmisCtrl\x00\x00\x00"}

// thinking is how long a unit takes for an answer; the standard allows 50 ms.
var thinking = [numUnits]time.Duration{6 * time.Millisecond, 11 * time.Millisecond}

// units are the van's control units for the engine and the gearbox as a tester
// sees them: reads by SAE J1979 and ISO 14229, over ISO 15765-2 and -4. They say
// nothing unless asked, and can be asked nothing but reads. The same question at
// the same time gets the same answer, and asking changes nothing of the van.
type units struct {
	x        *sensors
	b        *bus
	memory   memory
	list     [numUnits]unit
	distance float64 // driven [m]
}

// unit is one of them.
type unit struct {
	number  int
	replies []reply
	sender  *isotp.Sender // an answer under way, nil none
}

// reply is an answer that a unit has in mind.
type reply struct {
	due     int64 // [ns]
	payload []byte
}

func newUnits(x *sensors, b *bus) *units {
	u := &units{x: x, b: b}
	for i := range u.list {
		u.list[i].number = i
	}
	return u
}

// step lets the units do what falls due before a time.
func (u *units) step(until int64, a *Adapter) {
	u.distance += float64(math.Abs(u.x.s.speed) * dt)
	u.memory.step(u)
	for i := range u.list {
		u.list[i].step(until, u.b, a)
	}
}

// step sends the frames of a unit's answers.
func (e *unit) step(until int64, b *bus, a *Adapter) {
	for {
		if e.sender == nil {
			if len(e.replies) == 0 || e.replies[0].due >= until {
				return
			}
			r := e.replies[0]
			e.replies = e.replies[:copy(e.replies, e.replies[1:])]
			e.sender = isotp.NewSender(r.payload)
			e.send(r.due, b, a)
			continue
		}
		due, more := e.sender.Due()
		if !more {
			e.sender = nil
			continue
		}
		if int64(due) >= until {
			return
		}
		e.send(int64(due), b, a)
	}
}

// send puts the frame that is due on the bus, if one is.
func (e *unit) send(at int64, b *bus, a *Adapter) {
	f := capture.Frame{ID: uint32(fromUnit + e.number), Len: 8}
	data := e.sender.Next(capture.Stamp(at), f.Data[:0])
	if len(data) == 0 {
		return
	}
	for i := len(data); i < 8; i++ {
		f.Data[i] = unitPadding
	}
	b.once(f, at, func(end int64) { a.deliver(end, &f) })
}

// hear is called for each frame of the tester when its last bit is sent.
func (u *units) hear(f *capture.Frame, at int64) {
	if f.Flags != 0 {
		return
	}
	p, fault := isotp.Parse(f.Data[:f.Len])
	for i := range u.list {
		e := &u.list[i]
		physical := f.ID == uint32(toUnit+i)
		switch {
		case fault != isotp.NoFault || !physical && f.ID != toAll:
		case p.Kind == isotp.Flow && physical && e.sender != nil:
			e.sender.Flow(capture.Stamp(at), p)
		case p.Kind == isotp.Single:
			u.asked(e, p.Data, physical, at)
		}
	}
}

// asked plans the answer to a request. A unit asked together with all others is
// silent where it has nothing to say (ISO 14229-1, ISO 15765-4).
func (u *units) asked(e *unit, request []byte, physical bool, at int64) {
	later := at + int64(thinking[e.number])
	say := func(after time.Duration, payload ...byte) {
		e.replies = append(e.replies, reply{later + int64(after), payload})
	}
	if e.sender != nil {
		return // while it sends a long answer it hears flow control alone
	}
	if len(e.replies) >= maxReplies {
		if physical && len(e.replies) < 2*maxReplies {
			say(0, 0x7F, request[0], busy)
		}
		return
	}
	payload, refusal, takes := u.answer(e.number, request)
	switch {
	case refusal != 0 && physical:
		say(0, 0x7F, request[0], refusal)
	case refusal == 0 && takes > 0:
		say(0, 0x7F, request[0], wait)
		say(takes, payload...)
	case refusal == 0 && payload != nil:
		say(0, payload...)
	}
}

// answer returns what a unit answers, or why it refuses; nothing at all for what
// it is silent about. takes is how much longer than usual it needs.
func (u *units) answer(number int, request []byte) (payload []byte, refusal byte, takes time.Duration) {
	service, rest := request[0], request[1:]
	echo := service + 0x40
	switch service {
	case 0x01:
		payload = u.current(number, rest)
	case 0x02:
		payload = u.frozen(number, rest)
	case 0x03, 0x07, 0x0A:
		if len(rest) != 0 {
			return nil, badLength, 0
		}
		codes := u.memory.list(number, u.now(), map[byte]uint8{0x03: confirmed, 0x07: pending, 0x0A: confirmed}[service])
		payload = []byte{echo, byte(len(codes))}
		for _, c := range codes {
			payload = binary.BigEndian.AppendUint16(payload, c.code)
		}
	case 0x09:
		payload = u.information(number, rest)
	case 0x19:
		return u.faults(number, rest)
	case 0x22:
		return u.identified(number, rest)
	default:
		return nil, noService, 0
	}
	return payload, 0, 0
}

// parameter is one of SAE J1979 service 01: item, unit that has it and its data.
type parameter struct {
	item byte
	unit int
	data func(u *units) []byte
}

// parameters are those the van has. Formulas as in SAE J1979 (from memory).
var parameters = []parameter{
	{0x01, engineUnit, func(u *units) []byte { return u.monitor(engineUnit) }},
	{0x01, gearboxUnit, func(u *units) []byte { return u.monitor(gearboxUnit) }},
	{0x04, engineUnit, func(u *units) []byte { return figure(1, u.load()*255/100) }},
	{0x05, engineUnit, func(u *units) []byte { return figure(1, u.x.coolant+40) }},
	{0x0C, engineUnit, func(u *units) []byte { return figure(2, 4*u.engineSpeed()) }},
	{0x0D, engineUnit, func(u *units) []byte { return figure(1, math.Abs(u.x.wheel)) }},
	{0x1F, engineUnit, func(u *units) []byte { return figure(2, u.now().Seconds()) }},
	{0x42, engineUnit, func(u *units) []byte { return figure(2, 1000*14.1) }},
	{0x46, engineUnit, func(u *units) []byte { return figure(1, u.x.s.ambient+40) }},
	{0x49, engineUnit, func(u *units) []byte { return figure(1, 255*u.x.s.drv.pedal) }},
	{0x61, engineUnit, func(u *units) []byte { return figure(1, 125+100*u.x.s.eng.fuelled/reference) }},
	{0x62, engineUnit, func(u *units) []byte { return figure(1, 125+100*u.x.s.eng.torque*u.x.torqueScale/reference) }},
	{0x63, engineUnit, func(u *units) []byte { return figure(2, reference) }},
	{0xA4, gearboxUnit, (*units).gear},
	{0xA6, engineUnit, func(u *units) []byte { return figure(4, (odometer+u.distance)/100) }},
}

// figure is a number of so many bytes, cut to what fits; 0 for what the unit
// does not know itself.
func figure(bytes int, v float64) []byte {
	top := math.Exp2(float64(8*bytes)) - 1
	if math.IsNaN(v) {
		v = 0
	}
	n := binary.BigEndian.AppendUint32(nil, uint32(math.Round(math.Max(0, math.Min(top, v)))))
	return n[4-bytes:]
}

func (u *units) now() time.Duration { return u.x.s.now() }

// engineSpeed is what the engine's unit measures [rpm].
func (u *units) engineSpeed() float64 { return u.x.failing(3, u.x.eng) }

// load is the torque as a part of what the engine could give at its speed [%].
func (u *units) load() float64 {
	return 100 * math.Max(0, u.x.s.eng.torque) / math.Max(1, fullTorque.at(u.x.eng))
}

// monitor is parameter 01: warning lamp and number of stored codes.
func (u *units) monitor(number int) []byte {
	n := len(u.memory.list(number, u.now(), confirmed))
	first := byte(n)
	if n > 0 {
		first |= 0x80
	}
	return []byte{first, 0, 0, 0}
}

// gear is parameter A4: gear and ratio, each given or not. Its layout is known
// from secondary sources only.
func (u *units) gear() []byte {
	g := u.x.s.ctl.gear
	if g < 1 || g > 6 {
		return []byte{0, 0, 0, 0}
	}
	return append([]byte{0x03, byte(g) << 4}, figure(2, 1000*math.Abs(u.x.s.m.gear[g].ratio))...)
}

// current answers service 01: up to six parameters; nil when the unit has none
// of them.
func (u *units) current(number int, items []byte) []byte {
	if len(items) > 6 {
		return nil
	}
	out := []byte{0x41}
	for _, item := range items {
		if item%0x20 == 0 {
			if have := supported(number, item); have != 0 || item == 0 {
				out = binary.BigEndian.AppendUint32(append(out, item), have)
			}
			continue
		}
		for _, p := range parameters {
			if p.item == item && p.unit == number {
				out = append(append(out, item), p.data(u)...)
			}
		}
	}
	if len(out) == 1 {
		return nil
	}
	return out
}

// supported is the set of the 32 parameters above item that a unit has: bit 31
// is the first of them, bit 0 says that the next set holds some.
func supported(number int, item byte) (have uint32) {
	for _, p := range parameters {
		switch above := int(p.item) - int(item); {
		case p.unit != number || above <= 0:
		case above < 0x20:
			have |= 1 << (32 - above)
		default:
			have |= 1
		}
	}
	return have
}

// frozen answers service 02 for frame 0: what stood when the first code was
// stored.
func (u *units) frozen(number int, request []byte) []byte {
	const items = 1<<(32-0x02) | 1<<(32-0x05) | 1<<(32-0x0C) | 1<<(32-0x0D)
	if number != engineUnit || len(request) != 2 || request[1] != 0 {
		return nil
	}
	z := &u.memory.frozen
	out := []byte{0x42, request[0], 0}
	switch item := request[0]; {
	case item == 0x00:
		return binary.BigEndian.AppendUint32(out, items)
	case item == 0x02:
		return binary.BigEndian.AppendUint16(out, z.code) // 0: nothing is stored
	case z.code == 0:
		return nil
	case item == 0x05:
		return append(out, z.coolant...)
	case item == 0x0C:
		return append(out, z.engineSpeed...)
	case item == 0x0D:
		return append(out, z.speed...)
	}
	return nil
}

// information answers service 09.
func (u *units) information(number int, request []byte) []byte {
	if len(request) != 1 {
		return nil
	}
	out := []byte{0x49, request[0], 1}
	switch item := request[0]; {
	case item == 0x00 && number == engineUnit:
		return binary.BigEndian.AppendUint32(out[:2], 1<<(32-0x02)|1<<(32-0x0A))
	case item == 0x00:
		return binary.BigEndian.AppendUint32(out[:2], 1<<(32-0x0A))
	case item == 0x02 && number == engineUnit:
		return append(out, vin...)
	case item == 0x0A:
		return append(out, unitNames[number]...)
	}
	return nil
}

// Data identifiers of service 22. F190 is the vehicle's number (ISO 14229-1); the
// others are the gearbox unit's own.
const (
	idVIN         = 0xF190
	idTemperature = 0x2001 // oil in the pan and at the outlet, two bytes each, 0.1 °C from -50
	idAdapted     = 0x2010 // fill time learned for each friction element, two bytes each, ms from -32768
	idPressure    = 0x2030 // main pressure, two bytes, 0.5 kPa; refused while the van moves
	adapting      = 60.0   // time in which fill times are learned [s]
	mostAdapted   = 200.0  // [ms]
)

// identified answers service 22, one identifier at a time.
func (u *units) identified(number int, request []byte) (payload []byte, refusal byte, takes time.Duration) {
	if len(request) != 2 {
		return nil, badLength, 0
	}
	out := append([]byte{0x62}, request...)
	id := binary.BigEndian.Uint16(request)
	switch {
	case id == idVIN:
		return append(out, vin...), 0, 0
	case number != gearboxUnit:
	case id == idTemperature:
		out = append(out, figure(2, 10*(u.x.pan+50))...)
		return append(out, figure(2, 10*(u.x.outlet+u.x.s.ill.outletHigh+50))...), 0, 0
	case id == idAdapted:
		for i := range numFriction {
			out = append(out, figure(2, 32768+u.memory.adapted(i, u.now()))...)
		}
		return out, 0, 300 * time.Millisecond // it works it out when asked
	case id == idPressure && math.Abs(u.x.s.speed) > 0.1:
		return nil, notNow, 0
	case id == idPressure:
		return append(out, figure(2, 2*u.x.main)...), 0, 0
	}
	return nil, outside, 0
}

// faults answers service 19: sub-function 01 counts the codes whose status has a
// bit of the mask, 02 lists them.
func (u *units) faults(number int, request []byte) (payload []byte, refusal byte, takes time.Duration) {
	if len(request) == 0 {
		return nil, badLength, 0
	}
	if request[0] != 0x01 && request[0] != 0x02 {
		return nil, noSub, 0
	}
	if len(request) != 2 {
		return nil, badLength, 0
	}
	codes := u.memory.list(number, u.now(), request[1])
	out := []byte{0x59, request[0], failedNow | pending | confirmed | lamp}
	if request[0] == 0x01 {
		const formatISO14229 = 1
		return binary.BigEndian.AppendUint16(append(out, formatISO14229), uint16(len(codes))), 0, 0
	}
	for _, c := range codes {
		const noSubtype = 0
		out = append(binary.BigEndian.AppendUint16(out, c.code), noSubtype, c.status)
	}
	return out, 0, 0
}
