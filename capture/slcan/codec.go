// Package slcan speaks the serial-line CAN ASCII protocol of the Linux
// kernel's slcan driver (drivers/net/can/slcan/slcan-core.c): one line of text
// per frame, ended by CR, over a serial port or anything else that carries
// bytes.
//
//	d.Push([]byte("t12321122\rT18FEF1001AA\r"))
//	for d.Next(&e, &f) {
//		if e.Kind == slcan.Frame { ... }
//	}
//
// Decoder, AppendFrame, RateCode and Unwrapper are pure: bytes in, values out,
// no port and no clock. Open and Dial join them to a port as a capture.Source
// that listens only, or sends too where that was asked for. Nothing in this package is safe for use by several
// goroutines at once unless it says so.
package slcan

import (
	"strconv"

	"gearwitness/capture"
)

// Longest legal lines without their CR: a full 29-bit frame with a stamp, on
// classic CAN and on CAN FD. What grows beyond is thrown away up to its end.
const (
	MaxLine   = 1 + 8 + 1 + 2*8 + 4
	MaxLineFD = 1 + 8 + 1 + 2*capture.MaxData + 4
)

// NoStamp is the StampMS of a frame that came without one.
const NoStamp = -1

// maxStamp is the last millisecond before adapter stamps begin again at 0.
const maxStamp = 59_999

// Kind tells what a line was.
type Kind uint8

// Kinds of events.
const (
	OK       Kind = iota // empty line, z or Z: command done
	NAK                  // BEL: command refused
	Frame                // t T r R, and d D b B on CAN FD
	State                // s line: state of the controller and its error counters
	BusError             // e line: errors seen on the bus
	Status               // F line: status byte
	Info                 // V or N line: version or serial number
	Bad                  // a line that is none of these; see Reason
)

// Reason tells why a line was refused.
type Reason uint8

// Reasons in the order in which a line is checked.
const (
	Overlong   Reason = iota + 1 // more characters than any legal line
	Type                         // does not begin like a line of this protocol
	Length                       // number of characters does not fit what the line says of itself
	NotHex                       // another character where a hexadecimal digit must stand
	IDRange                      // identifier above 7FF or 1FFFFFFF
	DLC                          // data length above 8 on classic CAN
	StampRange                   // stamp above EA5F; the frame itself is good, see Decoder.Next
	Unknown                      // state or error letter that is not defined
	reasons
)

func (r Reason) String() string {
	switch r {
	case Overlong:
		return "overlong"
	case Type:
		return "type"
	case Length:
		return "length"
	case NotHex:
		return "hex"
	case IDRange:
		return "id"
	case DLC:
		return "dlc"
	case StampRange:
		return "stamp"
	case Unknown:
		return "unknown"
	}
	return "none"
}

// Controller is the error state of a CAN controller (ISO 11898-1).
type Controller uint8

// Controller states, from healthy to silent.
const (
	Active Controller = iota
	Warning
	Passive
	BusOff
)

func (c Controller) String() string {
	return [...]string{"error-active", "error-warning", "error-passive", "bus-off"}[c&3]
}

// Errors is a set of errors of an e line.
type Errors uint8

// Errors of an e line, with the letter that stands for each.
const (
	ErrAck       Errors = 1 << iota // a
	ErrBit0                         // b
	ErrBit1                         // B
	ErrCRC                          // c
	ErrForm                         // f
	ErrRxOverrun                    // o
	ErrTxOverrun                    // O
	ErrStuff                        // s
)

const errorLetters = "abBcfoOs" // in the order of the bits above

// Flags is the status byte of an F line. Adapters differ in what they mean by
// it: keep the number beside the words.
type Flags uint8

// Bits of the status byte.
const (
	RxFull       Flags = 1 << 0
	TxFull       Flags = 1 << 1
	ErrorWarning Flags = 1 << 2
	DataOverrun  Flags = 1 << 3
	ErrorPassive Flags = 1 << 5
	Arbitration  Flags = 1 << 6
	BusErrorSeen Flags = 1 << 7
)

// Event is what one line said.
type Event struct {
	Kind    Kind
	Reason  Reason     // Bad
	StampMS int        // Frame: the adapter's stamp, 0 to 59,999 ms, or NoStamp
	State   Controller // State
	Rx, Tx  int        // State: receive and transmit error counters, 0 to 999
	Errors  Errors     // BusError
	Flags   Flags      // Status
	Line    []byte     // the line without its end, cut at MaxLineFD; valid until the next Next or Push
}

// Decoder takes the bytes of an adapter apart. The zero value is ready, at the
// beginning of a line. It holds at most one line of MaxLineFD bytes.
type Decoder struct {
	in   []byte // pushed and not yet looked at; the caller's memory
	line [MaxLineFD]byte
	n    int  // bytes in line; above the limit: overlong, the rest was dropped
	skip bool // discard up to the next line end, without a count
	bell bool // a BEL ended the line just reported: its NAK is due
}

// Push hands over received bytes. The decoder reads them in place: leave them
// alone until Next has returned false. Bytes of an earlier Push that were not
// yet read are dropped.
func (d *Decoder) Push(p []byte) { d.in = p }

// Pending returns the beginning of an unfinished line; it is valid until the
// next Push. An unfinished line at the end of the input means nothing.
func (d *Decoder) Pending() []byte { return d.line[:min(d.n, len(d.line))] }

// Skip discards the unfinished line up to and including its end, without an
// event: for use where bytes are known to be missing.
func (d *Decoder) Skip() { d.n, d.skip = 0, true }

// Reset forgets everything pushed and stands at the beginning of a line.
func (d *Decoder) Reset() { d.in, d.n, d.skip, d.bell = nil, 0, false, false }

// Next reads up to the end of the next line and reports what it was; false
// means that all pushed bytes are used up.
//
// It sets *f for the kinds Frame, State and BusError, the last two as the
// error message frame that the kernel driver makes of them (SocketCAN class
// bits in ID, counters above 255 given as 255), and for a Bad line of reason
// StampRange, whose frame is good. Time and Bus of *f are 0.
//
// Line feeds and NUL are skipped wherever they stand.
func (d *Decoder) Next(e *Event, f *capture.Frame) bool {
	if d.bell {
		d.bell = false
		*e = Event{Kind: NAK, StampMS: NoStamp}
		return true
	}
	if d.n == 0 && !d.skip {
		if n := fast(d.in, e, f); n > 0 {
			d.in = d.in[n:]
			return true
		}
	}
	for i, c := range d.in {
		switch c {
		case '\n', 0:
		case '\r', '\a':
			n, skip := d.n, d.skip
			d.n, d.skip, d.in = 0, false, d.in[i+1:]
			switch {
			case skip:
				// Its BEL would answer a command of before the gap.
				return d.Next(e, f)
			case n == 0 && c == '\a':
				*e = Event{Kind: NAK, StampMS: NoStamp}
			default:
				d.bell = c == '\a'
				parse(d.line[:min(n, len(d.line))], n, e, f)
			}
			return true
		default:
			if d.n < len(d.line) {
				d.line[d.n] = c
			}
			if d.n <= len(d.line) {
				d.n++
			}
		}
	}
	d.in = nil
	return false
}

// nibble holds the value of each hexadecimal digit and 0xFF for the rest.
var nibble = func() (t [256]uint8) {
	for i := range t {
		t[i] = 0xFF
	}
	for i, c := range "0123456789ABCDEF" {
		t[c] = uint8(i)
	}
	for i, c := range "abcdef" {
		t[c] = uint8(10 + i)
	}
	return t
}()

// fdLength is the payload length of each CAN FD length code (ISO 11898-1).
var fdLength = [16]uint8{0, 1, 2, 3, 4, 5, 6, 7, 8, 12, 16, 20, 24, 32, 48, 64}

// fast decodes the line at the beginning of p if it is a classic data frame,
// complete and legal, and returns its length with the CR; otherwise it returns
// 0 and the careful path decides. Digits that all turn out hexadecimal also
// prove that no line end, line feed or NUL stands among them.
func fast(p []byte, e *Event, f *capture.Frame) int {
	if len(p) < 6 {
		return 0
	}
	var head int
	var flags capture.Flags
	switch p[0] {
	case 't':
		head = 5
	case 'T':
		head, flags = 10, capture.Extended
	default:
		return 0
	}
	if len(p) <= head {
		return 0
	}
	dlc := nibble[p[head-1]]
	if dlc > 8 {
		return 0
	}
	end := head + 2*int(dlc)
	if len(p) <= end {
		return 0
	}
	var id uint32
	var bad uint8
	for _, c := range p[1 : head-1] {
		v := nibble[c]
		bad |= v
		id = id<<4 | uint32(v&15)
	}
	if flags == 0 && id > 0x7FF || id > 0x1FFFFFFF {
		return 0
	}
	*f = capture.Frame{ID: id, Flags: flags, Len: dlc}
	data := p[head:end]
	for i := range f.Data[:dlc] {
		hi, lo := nibble[data[2*i]], nibble[data[2*i+1]]
		bad |= hi | lo
		f.Data[i] = hi<<4 | lo&15
	}
	stamp := NoStamp
	line := end
	if p[end] != '\r' {
		line = end + 4
		if len(p) <= line || p[line] != '\r' {
			return 0
		}
		stamp = 0
		for _, c := range p[end:line] {
			v := nibble[c]
			bad |= v
			stamp = stamp<<4 | int(v&15)
		}
		if stamp > maxStamp {
			return 0
		}
	}
	if bad > 15 {
		return 0
	}
	*e = Event{Kind: Frame, StampMS: stamp, Line: p[:line]}
	return line + 1
}

// parse decides what a whole line is; n is its true length, line may be cut.
func parse(line []byte, n int, e *Event, f *capture.Frame) {
	*e = Event{Kind: Bad, StampMS: NoStamp, Line: line}
	if n == 0 {
		e.Kind = OK
		return
	}
	head, limit := 0, MaxLine
	var flags capture.Flags
	switch line[0] {
	case 't':
		head = 5
	case 'T':
		head, flags = 10, capture.Extended
	case 'r':
		head, flags = 5, capture.Remote
	case 'R':
		head, flags = 10, capture.Extended|capture.Remote
	case 'd':
		head, limit, flags = 5, MaxLineFD, capture.FD
	case 'D':
		head, limit, flags = 10, MaxLineFD, capture.FD|capture.Extended
	case 'b':
		head, limit, flags = 5, MaxLineFD, capture.FD|capture.BitRateSwitch
	case 'B':
		head, limit, flags = 10, MaxLineFD, capture.FD|capture.BitRateSwitch|capture.Extended
	}
	switch {
	case n > limit:
		e.Reason = Overlong
	case head > 0:
		e.Reason = parseFrame(line, head, flags, e, f)
		if e.Reason == 0 {
			e.Kind = Frame
		}
	default:
		switch line[0] {
		case 'z', 'Z':
			if e.Reason = Length; n == 1 {
				e.Kind, e.Reason = OK, 0
			}
		case 's':
			parseState(line, e, f)
		case 'e':
			parseErrors(line, e, f)
		case 'F':
			parseStatus(line, e)
		case 'V', 'N':
			if e.Reason = Length; n > 1 {
				e.Kind, e.Reason = Info, 0
			}
		default:
			e.Reason = Type
		}
	}
}

func parseFrame(line []byte, head int, flags capture.Flags, e *Event, f *capture.Frame) Reason {
	if len(line) < head {
		return Length
	}
	for _, c := range line[1:] {
		if nibble[c] > 15 {
			return NotHex
		}
	}
	id := number(line[1 : head-1])
	if flags&capture.Extended == 0 && id > 0x7FF || id > 0x1FFFFFFF {
		return IDRange
	}
	n := nibble[line[head-1]]
	if flags&capture.FD != 0 {
		n = fdLength[n]
	} else if n > 8 {
		return DLC
	}
	end := head
	if flags&capture.Remote == 0 {
		end += 2 * int(n)
	}
	if len(line) != end && len(line) != end+4 {
		return Length
	}
	*f = capture.Frame{ID: id, Flags: flags, Len: n}
	for i := head; i < end; i += 2 {
		f.Data[(i-head)/2] = nibble[line[i]]<<4 | nibble[line[i+1]]
	}
	if len(line) == end+4 {
		stamp := int(number(line[end:]))
		if stamp > maxStamp {
			return StampRange
		}
		e.StampMS = stamp
	}
	return 0
}

// number reads at most eight digits that are known to be hexadecimal.
func number(p []byte) (v uint32) {
	for _, c := range p {
		v = v<<4 | uint32(nibble[c])
	}
	return v
}

// Class bits and data bytes of an error message frame
// (Linux include/uapi/linux/can/error.h).
const (
	classController = 0x004
	classProtocol   = 0x008
	classNoAck      = 0x020
	classBusOff     = 0x040
	classBusError   = 0x080
	classCounters   = 0x200

	controllerRxOverflow = 0x01 // data[1]
	controllerTxOverflow = 0x02
	controllerRxWarning  = 0x04
	controllerTxWarning  = 0x08
	controllerRxPassive  = 0x10
	controllerTxPassive  = 0x20
	controllerActive     = 0x40

	protocolForm  = 0x02 // data[2]
	protocolStuff = 0x04
	protocolBit0  = 0x08
	protocolBit1  = 0x10

	placeCRC = 0x08 // data[3]
	placeAck = 0x19
)

func parseState(line []byte, e *Event, f *capture.Frame) {
	if len(line) != 8 {
		e.Reason = Length
		return
	}
	var state Controller
	switch line[1] {
	case 'a':
		state = Active
	case 'w':
		state = Warning
	case 'p':
		state = Passive
	case 'b':
		state = BusOff
	default:
		e.Reason = Unknown
		return
	}
	var count [2]int
	for i, c := range line[2:] {
		if c < '0' || c > '9' {
			e.Reason = Unknown
			return
		}
		count[i/3] = count[i/3]*10 + int(c-'0')
	}
	e.Kind, e.State, e.Rx, e.Tx = State, state, count[0], count[1]

	*f = capture.Frame{ID: classCounters, Flags: capture.Error, Len: 8}
	f.Data[6], f.Data[7] = uint8(min(e.Tx, 255)), uint8(min(e.Rx, 255))
	// Which side a warning concerns is the one with the higher counter, as in
	// the kernel's can_change_state.
	rx, tx := e.Rx >= e.Tx, e.Tx >= e.Rx
	side := func(r, t uint8) {
		f.ID |= classController
		if rx {
			f.Data[1] |= r
		}
		if tx {
			f.Data[1] |= t
		}
	}
	switch state {
	case Active:
		side(controllerActive, controllerActive)
	case Warning:
		side(controllerRxWarning, controllerTxWarning)
	case Passive:
		side(controllerRxPassive, controllerTxPassive)
	case BusOff:
		f.ID |= classBusOff
	}
}

func parseErrors(line []byte, e *Event, f *capture.Frame) {
	if len(line) < 2 {
		e.Reason = Length
		return
	}
	// The driver takes 1 to 8 letters; 9 would be more than there are kinds.
	n := int(line[1]) - '0'
	if n < 1 || n > len(errorLetters) {
		e.Reason = Unknown
		return
	}
	if len(line) != 2+n {
		e.Reason = Length
		return
	}
	var set Errors
	for _, c := range line[2:] {
		bit := Errors(0)
		for i := range errorLetters {
			if errorLetters[i] == c {
				bit = 1 << i
			}
		}
		if bit == 0 {
			e.Reason = Unknown
			return
		}
		set |= bit
	}
	e.Kind, e.Errors = BusError, set

	*f = capture.Frame{Flags: capture.Error, Len: 8}
	if set&^(ErrRxOverrun|ErrTxOverrun) != 0 {
		f.ID |= classProtocol | classBusError
	}
	for i := range errorLetters {
		switch set & (1 << i) {
		case ErrAck:
			f.ID |= classNoAck
			f.Data[3] = placeAck
		case ErrBit0:
			f.Data[2] |= protocolBit0
		case ErrBit1:
			f.Data[2] |= protocolBit1
		case ErrCRC:
			f.Data[3] = placeCRC
		case ErrForm:
			f.Data[2] |= protocolForm
		case ErrStuff:
			f.Data[2] |= protocolStuff
		case ErrRxOverrun:
			f.ID |= classController
			f.Data[1] |= controllerRxOverflow
		case ErrTxOverrun:
			f.ID |= classController
			f.Data[1] |= controllerTxOverflow
		}
	}
}

func parseStatus(line []byte, e *Event) {
	if len(line) != 3 {
		e.Reason = Length
		return
	}
	hi, lo := nibble[line[1]], nibble[line[2]]
	if hi > 15 || lo > 15 {
		e.Reason = NotHex
		return
	}
	e.Kind, e.Flags = Status, Flags(hi<<4|lo)
}

// AppendFrame appends the line of f with its CR, and with a stamp when stampMS
// is not NoStamp (taken modulo a minute). Hexadecimal digits are upper case. A
// CAN FD payload between two legal lengths is filled with zeros up to the next.
// Error message frames have no such line: dst comes back as it was.
func AppendFrame(dst []byte, f *capture.Frame, stampMS int) []byte {
	const digits = "0123456789ABCDEF"
	if f.Flags&capture.Error != 0 {
		return dst
	}
	var kind byte
	switch f.Flags & (capture.FD | capture.BitRateSwitch | capture.Remote) {
	case 0:
		kind = 't'
	case capture.Remote:
		kind = 'r'
	case capture.FD:
		kind = 'd'
	default:
		kind = 'b'
	}
	shift := 8
	if f.Flags&capture.Extended != 0 {
		kind -= 'a' - 'A'
		shift = 28
	}
	dst = append(dst, kind)
	for ; shift >= 0; shift -= 4 {
		dst = append(dst, digits[f.ID>>shift&15])
	}
	n, dlc := min(f.Len, 8), min(f.Len, 8)
	if f.Flags&capture.FD != 0 {
		n = min(f.Len, capture.MaxData)
		for dlc = 0; fdLength[dlc] < n; dlc++ {
		}
	}
	dst = append(dst, digits[dlc])
	if f.Flags&capture.Remote == 0 {
		for _, b := range f.Data[:n] {
			dst = append(dst, digits[b>>4], digits[b&15])
		}
		for ; n < fdLength[dlc]; n++ {
			dst = append(dst, '0', '0')
		}
	}
	if stampMS != NoStamp {
		s := (stampMS%(maxStamp+1) + maxStamp + 1) % (maxStamp + 1)
		dst = append(dst, digits[s>>12&15], digits[s>>8&15], digits[s>>4&15], digits[s&15])
	}
	return append(dst, '\r')
}

// rates are the bit rates of S0 to S8 in bit/s (table of the kernel driver).
var rates = [...]int{10_000, 20_000, 50_000, 100_000, 125_000, 250_000, 500_000, 800_000, 1_000_000}

// RateError says that an adapter of this protocol has no code for a bit rate.
type RateError struct {
	BitRate int // bit/s, as asked for
	Nearest int // bit/s, a rate with a code
}

func (e *RateError) Error() string {
	return "serial-line CAN adapters have no code for " + rateText(e.BitRate) +
		"; they know 10, 20, 50, 100, 125, 250, 500, 800 and 1000 kbit/s, the nearest is " + rateText(e.Nearest)
}

func rateText(bitRate int) string {
	return strconv.FormatFloat(float64(bitRate)/1000, 'f', -1, 64) + " kbit/s"
}

// RateCode returns the command that sets a bit rate, S0 to S8 without CR, or a
// *RateError: a rate is never rounded, a wrong one disturbs the bus.
func RateCode(bitRate int) (string, error) {
	nearest := rates[0]
	for i, r := range rates {
		if r == bitRate {
			return "S" + strconv.Itoa(i), nil
		}
		if abs(r-bitRate) < abs(nearest-bitRate) {
			nearest = r
		}
	}
	return "", &RateError{BitRate: bitRate, Nearest: nearest}
}

// RateOf returns the bit rate in bit/s of a command S0 to S8 without CR; false
// for anything else.
func RateOf(command string) (int, bool) {
	if len(command) != 2 || command[0] != 'S' || command[1] < '0' || int(command[1]-'0') >= len(rates) {
		return 0, false
	}
	return rates[command[1]-'0'], true
}

func abs(v int) int {
	if v < 0 {
		return -v
	}
	return v
}
