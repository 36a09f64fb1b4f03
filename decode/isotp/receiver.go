package isotp

import (
	"encoding/binary"
	"time"

	"gearwitness/capture"
)

// Receiver puts together the messages of one sender. The zero Receiver is
// ready.
type Receiver struct {
	buf    []byte
	length int // 0: no message under way
	next   uint8
	last   capture.Stamp

	steered bool // flow control of the other side has been heard
	left    int  // consecutive frames it allows; negative: no limit
	gap     time.Duration
	first   bool // of a block: its separation does not count
}

// Frame takes in the data of one of the sender's frames. It returns a message
// when the frame completes one, valid until the next call, and a fault when the
// frame, or the message that was under way, has to be given up; Unsteered alone
// is a fault of the sender that leaves the message whole. Flow control is the
// other direction's business and ignored here: see Flow.
func (r *Receiver) Frame(now capture.Stamp, data []byte) (message []byte, fault Fault) {
	late := r.Expire(now)
	f, bad := Parse(data)
	if bad != NoFault {
		return nil, bad
	}
	switch f.Kind {
	case Single:
		if r.length > 0 {
			fault, r.length = Replaced, 0
		}
		r.buf = append(r.buf[:0], f.Data...)
		return r.buf, max(fault, late)
	case First:
		if r.length > 0 {
			fault, r.length = Replaced, 0
		}
		r.buf = append(r.buf[:0], f.Data...)
		r.length, r.next, r.last, r.steered = f.Length, 1, now, false
		return nil, max(fault, late)
	case Consecutive:
		if r.length == 0 {
			return nil, max(Unexpected, late)
		}
		if f.Number != r.next {
			r.length = 0
			return nil, OutOfOrder
		}
		if r.steered && (r.left == 0 || !r.first && now.Sub(r.last) < r.gap-slack) {
			fault = Unsteered
		}
		if r.left > 0 {
			r.left--
		}
		r.first = false
		r.next, r.last = (r.next+1)&0x0F, now
		r.buf = append(r.buf, f.Data...)
		if len(r.buf) >= r.length {
			message, r.length = r.buf[:r.length], 0
		}
		return message, fault
	}
	return nil, late
}

// slack is how much too early a frame may seem: stamps of adapters are that
// coarse.
const slack = time.Millisecond

// Flow takes in the flow control that the other side sent for the message under
// way, heard by a listener or sent by ourselves. From then on a sender that goes
// on beyond its block, or faster than it was asked to, is Unsteered. The message
// is given up when the other side has no room for it.
func (r *Receiver) Flow(now capture.Stamp, f Frame) Fault {
	if r.length == 0 || f.Kind != Flow {
		return NoFault
	}
	r.last, r.steered, r.first = now, true, true
	switch f.Status {
	case Continue:
		r.left = int(f.BlockSize)
		if r.left == 0 {
			r.left = -1
		}
		r.gap, _ = SeparationTime(f.Separation)
	case Wait:
		r.left = 0
	case Overflow:
		r.length = 0
		return Refused
	}
	return NoFault
}

// Expire gives up a message whose rest is overdue and says so.
func (r *Receiver) Expire(now capture.Stamp) Fault {
	if r.length > 0 && now.Sub(r.last) > TimeoutConsecutive {
		r.length = 0
		return TimedOut
	}
	return NoFault
}

// Open tells whether a message is under way.
func (r *Receiver) Open() bool { return r.length > 0 }

// Sender sends one message. The zero value is of no use; see NewSender.
type Sender struct {
	message []byte
	sent    int
	number  uint8
	state   sending
	due     capture.Stamp // of the next frame, or of giving up
	block   int           // frames left until flow control; negative: no limit
	gap     time.Duration
	waits   int
	fault   Fault
}

type sending uint8

const (
	begin     sending = iota
	awaitFlow         // for flow control
	streaming         // consecutive frames, due by due
	done
)

// maxWaits is how often in a row the other side may ask to wait (N_WFTmax; the
// number is each sender's own).
const maxWaits = 10

// NewSender prepares a message of 1 to MaxMessage bytes. The slice is kept.
func NewSender(message []byte) *Sender { return &Sender{message: message} }

// Next appends to dst the data of the frame that is to be sent at now, at most
// 8 bytes unpadded; nothing when none is due. Call it again at once after a
// frame, and later at the time Due tells.
func (s *Sender) Next(now capture.Stamp, dst []byte) []byte {
	switch s.state {
	case begin:
		n := len(s.message)
		if n <= 7 {
			s.state = done
			return append(append(dst, byte(n)), s.message...)
		}
		s.number, s.state, s.due = 1, awaitFlow, now.Add(TimeoutFlow)
		if n <= 4095 {
			s.sent = 6
			dst = append(dst, 0x10|byte(n>>8), byte(n))
		} else {
			s.sent = 2
			dst = binary.BigEndian.AppendUint32(append(dst, 0x10, 0), uint32(n))
		}
		return append(dst, s.message[:s.sent]...)
	case awaitFlow:
		if now >= s.due {
			s.fail(TimedOut)
		}
	case streaming:
		if now < s.due {
			return dst
		}
		n := min(7, len(s.message)-s.sent)
		dst = append(append(dst, 0x20|s.number), s.message[s.sent:s.sent+n]...)
		s.sent, s.number = s.sent+n, (s.number+1)&0x0F
		s.due = now.Add(s.gap)
		if s.block--; s.sent == len(s.message) {
			s.state = done
		} else if s.block == 0 {
			s.state, s.due = awaitFlow, now.Add(TimeoutFlow)
		}
	}
	return dst
}

// Flow takes in flow control of the other side. When none is awaited it means
// nothing and is ignored.
func (s *Sender) Flow(now capture.Stamp, f Frame) {
	if s.state != awaitFlow || f.Kind != Flow {
		return
	}
	switch f.Status {
	case Continue:
		s.state, s.waits, s.block = streaming, 0, int(f.BlockSize)
		s.gap, _ = SeparationTime(f.Separation)
		s.due = now
	case Wait:
		if s.waits++; s.waits > maxWaits {
			s.fail(WaitTooLong)
			return
		}
		s.due = now.Add(TimeoutFlow)
	default:
		s.fail(Refused)
	}
}

func (s *Sender) fail(f Fault) { s.fault, s.state = f, done }

// Due returns when Next has something to do; false once all is sent or given
// up.
func (s *Sender) Due() (capture.Stamp, bool) { return s.due, s.state != done }

// Done tells whether all is over, and the fault when it was given up.
func (s *Sender) Done() (bool, Fault) { return s.state == done, s.fault }

// AppendFlow appends flow control data: what a receiver that takes part sends
// after a first frame, and after each block.
func AppendFlow(dst []byte, s Status, blockSize, separation uint8) []byte {
	return append(dst, 0x30|byte(s), blockSize, separation)
}
