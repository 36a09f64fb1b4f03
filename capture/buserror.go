package capture

// Class bits in the ID of an error message frame and what its data bytes mean
// (Linux include/uapi/linux/can/error.h). The names are ours.
const errCounters = 0x200

type bitName struct {
	bit  uint32
	name string
}

var (
	errorClasses = []bitName{
		{0x001, "tx_timeout"}, {0x002, "lost_arbitration"}, {0x004, "controller"}, {0x008, "protocol"}, {0x010, "transceiver"},
		{0x020, "no_ack"}, {0x040, "bus_off"}, {0x080, "bus_error"}, {0x100, "restarted"},
	}
	controllerBits = []bitName{ // data[1]
		{0x01, "rx_overflow"}, {0x02, "tx_overflow"}, {0x04, "rx_warning"}, {0x08, "tx_warning"},
		{0x10, "rx_passive"}, {0x20, "tx_passive"}, {0x40, "active"},
	}
	protocolBits = []bitName{ // data[2]
		{0x01, "bit"}, {0x02, "form"}, {0x04, "stuff"}, {0x08, "bit0"}, {0x10, "bit1"},
		{0x20, "overload"}, {0x40, "active"}, {0x80, "on_transmission"},
	}
	protocolPlaces = map[byte]string{ // data[3]
		0x02: "id bits 28-21", 0x03: "start of frame", 0x04: "substitute remote bit", 0x05: "id extension bit", 0x06: "id bits 20-18",
		0x07: "id bits 17-13", 0x08: "crc sequence", 0x09: "reserved bit 0", 0x0A: "data", 0x0B: "length", 0x0C: "remote bit",
		0x0D: "reserved bit 1", 0x0E: "id bits 4-0", 0x0F: "id bits 12-5", 0x12: "intermission", 0x18: "crc delimiter",
		0x19: "ack slot", 0x1A: "end of frame", 0x1B: "ack delimiter",
	}
)

// BusError is what an error message frame says.
type BusError struct {
	Classes     []string // tx_timeout, lost_arbitration, controller, protocol, transceiver, no_ack, bus_off, bus_error, restarted
	Controller  []string // rx_overflow, tx_overflow, rx_warning, tx_warning, rx_passive, tx_passive, active
	Protocol    []string // bit, form, stuff, bit0, bit1, overload, active, on_transmission
	Place       byte     // where in the frame a protocol error was, 0 unknown
	Arbitration int      // bit number at which arbitration was lost, 0 unknown
	Tx, Rx      int      // error counters
	Counters    bool     // Tx and Rx are valid
}

// BusError takes an error message frame apart; false for any other frame.
func (f *Frame) BusError() (BusError, bool) {
	if f.Flags&Error == 0 {
		return BusError{}, false
	}
	e := BusError{Classes: names(f.ID, errorClasses)}
	has := func(class uint32) bool { return f.ID&class != 0 }
	if has(0x002) {
		e.Arbitration = int(f.Data[0])
	}
	if has(0x004) {
		e.Controller = names(uint32(f.Data[1]), controllerBits)
	}
	if has(0x008) {
		e.Protocol, e.Place = names(uint32(f.Data[2]), protocolBits), f.Data[3]
	}
	if has(errCounters) {
		e.Tx, e.Rx, e.Counters = int(f.Data[6]), int(f.Data[7]), true
	}
	return e, true
}

func names(bits uint32, table []bitName) (out []string) {
	for _, b := range table {
		if bits&b.bit != 0 {
			out = append(out, b.name)
		}
	}
	return out
}

// Words puts the error in words, most general first: "controller: rx_overflow",
// "protocol: stuff", "protocol: at ack slot", "no_ack", "bus_error".
func (e BusError) Words() (words []string) {
	for _, class := range e.Classes {
		var details []string
		switch class {
		case "controller":
			details = e.Controller
		case "protocol":
			details = e.Protocol
			if place, ok := protocolPlaces[e.Place]; ok {
				details = append(details[:len(details):len(details)], "at "+place)
			}
		}
		if len(details) == 0 {
			words = append(words, class)
		}
		for _, d := range details {
			words = append(words, class+": "+d)
		}
	}
	return words
}
