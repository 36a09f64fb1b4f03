package signals

import (
	"time"

	"gearwitness/signals/bits"
	"gearwitness/signals/diag"
)

// Request is a diagnostic read over ISO 15765-2. Only services that read can be
// expressed; it is sent only where the user allows requests at all.
type Request struct {
	Bus      string        `key:"bus" help:"bus it is sent on; may be left out when there is one"`
	Service  Service       `key:"service" help:"01 02 03 07 09 0A of SAE J1979, 19 or 22 of ISO 14229; in hexadecimal" need:"yes"`
	Item     *uint32       `key:"item" help:"what to read: parameter (01 02 09), sub-function (19) or data identifier (22), such as 0x0C" write:"hex"`
	Frame    *uint8        `key:"frame" help:"number of the freeze frame, with service 02; 0 when left out"`
	Mask     *uint8        `key:"mask" help:"status mask, with service 19" write:"hex"`
	To       *uint32       `key:"to" help:"identifier it is sent to; 0x7DF, all units, when left out" write:"hex"`
	From     *uint32       `key:"from" help:"identifier that answers; the first one to answer when left out and to is 0x7DF" write:"hex"`
	Extended bool          `key:"extended" help:"29-bit identifiers"`
	Every    time.Duration `key:"every" help:"how often; once at the start when left out"`
	Length   int           `key:"length" help:"data bytes expected after service and item; whatever comes when left out"`
	Note     string        `key:"note" help:"free text"`
	Signals  Named[Signal] `key:"signals" help:"fields in the data after service and item; byte 1 is the A of SAE J1979" name:"identifier"`
}

// Service is a diagnostic service that reads.
type Service uint8

// Services that can be expressed: SAE J1979 (01 to 0A) and ISO 14229 (19, 22).
const (
	CurrentData     Service = 0x01
	FreezeFrame     Service = 0x02
	StoredFaults    Service = 0x03
	PendingFaults   Service = 0x07
	VehicleInfo     Service = 0x09
	PermanentFaults Service = 0x0A
	ReadFaults      Service = 0x19
	ReadByID        Service = 0x22
)

// Stale returns the age at which the request's signals no longer count: three
// periods, at least two seconds because answers may be slow; 0, for never, for
// one asked once.
func (r *Request) Stale() time.Duration {
	if r.Every == 0 {
		return 0
	}
	return max(3*r.Every, 2*time.Second)
}

// Target returns the identifier the request is sent to: To, else that of all
// units by ISO 15765-4.
func (r *Request) Target() uint32 {
	switch {
	case r.To != nil:
		return *r.To
	case r.Extended:
		return 0x18DB33F1
	}
	return 0x7DF
}

// Payload returns the bytes of the request without transport bytes.
func (r *Request) Payload() []byte {
	p := []byte{byte(r.Service)}
	item := uint32(0)
	if r.Item != nil {
		item = *r.Item
	}
	switch r.Service {
	case CurrentData, VehicleInfo:
		p = append(p, byte(item))
	case FreezeFrame:
		frame := byte(0)
		if r.Frame != nil {
			frame = *r.Frame
		}
		p = append(p, byte(item), frame)
	case ReadFaults:
		p = append(p, byte(item))
		if r.Mask != nil {
			p = append(p, *r.Mask)
		}
	case ReadByID:
		p = append(p, byte(item>>8), byte(item))
	}
	return p
}

// Echo returns the bytes that a positive answer begins with: the service plus
// 0x40, then what it repeats of the request. The signals' bytes count from
// there.
func (r *Request) Echo() []byte {
	p := r.Payload()
	p[0] += 0x40
	if r.Service == ReadFaults {
		p = p[:2] // the answer has its own mask of supported bits
	}
	return p
}

func (r *rules) validateRequests() {
	for i, e := range r.file.Requests {
		path := sub("", "requests", e.Name)
		if r.bad[path] {
			continue
		}
		r.validateBus(e.V.Bus, at(e), path)
		r.validateRequest(&r.file.Requests[i].V, path, at(e))
		for _, s := range e.V.Signals {
			r.define(at(s), s.Name, s.V.Unit, s.V.States)
		}
	}
}

func (r *rules) validateRequest(q *Request, path string, entry span) {
	if !r.has(path, "service") {
		return
	}
	top, asks := uint32(0xFF), true
	switch q.Service {
	case StoredFaults, PendingFaults, PermanentFaults:
		asks = false
	case ReadByID:
		top = 0xFFFF
	}
	switch {
	case !asks && q.Item != nil:
		r.wrongKey(path, "item", diag.Say("service %02X asks for all fault codes and has none", uint8(q.Service)))
	case !asks && len(q.Signals) > 0:
		r.wrongKey(path, "signals", diag.Say("service %02X answers with fault codes", uint8(q.Service)))
	case asks && q.Item == nil && !r.bad[sub(path, "item")]:
		r.fail(entry, diag.Say("missing key \"item\"").Expect("what service %02X is to read, 0 to 0x%X", uint8(q.Service), top))
	case asks && q.Item != nil && *q.Item > top:
		r.wrongKey(path, "item", diag.Expect("0 to 0x%X", top).Got("0x%X", *q.Item))
	}
	if q.Frame != nil && q.Service != FreezeFrame {
		r.wrongKey(path, "frame", diag.Say("goes with service 02 only"))
	}
	if q.Mask != nil && q.Service != ReadFaults {
		r.wrongKey(path, "mask", diag.Say("goes with service 19 only"))
	}
	limit := uint32(0x7FF)
	if q.Extended {
		limit = 0x1FFFFFFF
	}
	for key, id := range map[string]*uint32{"to": q.To, "from": q.From} {
		if id != nil && *id > limit {
			r.wrongKey(path, key, diag.Expect("0 to 0x%X", limit).Got("0x%X", *id).Hint("for 29 bits add extended: true"))
		}
	}
	if q.To != nil && q.From == nil && *q.To != 0x7DF && *q.To != 0x18DB33F1 && !r.bad[sub(path, "from")] && answerTo(*q.To, q.Extended) == 0 {
		r.wrongKey(path, "to", diag.Say("0x%X is no identifier of ISO 15765-4", *q.To).Expect("the key from with the one that answers"))
	}
	if r.has(path, "every") && q.Every < 100*time.Millisecond {
		r.wrongKey(path, "every", diag.Expect("100 ms or more").Got("%s", writeDuration(q.Every)).Hint("a bus is shared"))
	}
	length := bits.MaxData
	if r.has(path, "length") {
		if q.Length < 1 || q.Length > 4093 {
			r.wrongKey(path, "length", diag.Expect("1 to 4093 bytes").Got("%d", q.Length))
		} else {
			length = q.Length
		}
	}
	r.validateFields(carrier{path: path, length: length, signals: q.Signals})
}

// answerTo returns the identifier that answers a request to one unit by ISO
// 15765-4: 7E0..7E7 and 18DAxxF1; 0 if id is no such request.
func answerTo(id uint32, extended bool) uint32 {
	switch {
	case !extended && 0x7E0 <= id && id <= 0x7E7:
		return id + 8
	case extended && id&0x1FFF00FF == 0x18DA00F1:
		return 0x18DAF100 | id>>8&0xFF
	}
	return 0
}

// Answers returns the identifier whose answer counts; any is true where every
// unit may answer.
func (r *Request) Answers() (id uint32, any bool) {
	if r.From != nil {
		return *r.From, false
	}
	id = answerTo(r.Target(), r.Extended)
	return id, id == 0
}
