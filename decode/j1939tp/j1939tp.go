// Package j1939tp is the transport protocol of SAE J1939-21: parameter groups
// of 9 to 1785 bytes, sent in packets of seven either to everybody (BAM) or to
// one unit that steers the flow (RTS and CTS). It is pure: frames and times in,
// messages and frames out.
//
// Connection management, PGN 60416, first data byte:
//
//	20 BAM     size (2), packets, FF, PGN (3)
//	10 RTS     size (2), packets, most packets per CTS, PGN (3)
//	11 CTS     packets allowed (0: hold), next packet, FF, FF, PGN (3)
//	13 end     size (2), packets, FF, PGN (3)
//	FF abort   reason, FF, FF, FF, PGN (3)
//
// Data, PGN 60160: packet number from 1, then seven bytes, the last packet
// filled up with FF. Numbers go low byte first.
//
// A Listener puts together what others say to each other; with an address of
// its own it also answers those who speak to it. Extended transport (ISO 11783,
// above 1785 bytes) is not decoded.
//
// Sources: SAE J1939-21, codes as in the Linux kernel's
// net/can/j1939/transport.c; time-outs from memory.
package j1939tp

import (
	"time"

	"gearwitness/capture"
	"gearwitness/decode/j1939"
)

// Parameter groups of the protocol.
const (
	Management = 60416
	Data       = 60160
)

// Sizes of a message in bytes.
const (
	MinSize = 9
	MaxSize = 1785 // 255 packets of 7
)

// Time-outs: T1, between the packets of a broadcast; T2, from a CTS to its first
// packet, which here also bounds the pauses of a connection.
const (
	TimeoutPacket = 750 * time.Millisecond
	TimeoutData   = 1250 * time.Millisecond
)

// maxSessions bounds the messages under way at a time: one broadcast per
// source, and no bus carries more connections than this.
const maxSessions = 512

// Fault is what became of a message that was not completed.
type Fault uint8

// Faults.
const (
	NoFault  Fault = iota
	BadSize        // size outside 9..1785 or not that of the packets
	BadFrame       // fewer than 8 data bytes, or a control byte that is none
	Stray          // a data packet of no message
	Missing        // a packet was lost: the message is void
	Replaced       // the sender began anew
	Aborted        // one side gave up
	TimedOut       // the rest did not come
	TooMany        // more messages at a time than there is room for
)

var faultNames = [...]string{
	"no fault", "size impossible", "frame malformed", "data packet of no message", "packet lost", "message cut off by the next one", "aborted",
	"rest of the message did not come", "too many messages at a time",
}

// String returns the fault in words.
func (f Fault) String() string { return faultNames[f] }

// Message is a complete parameter group.
type Message struct {
	PGN                 uint32
	Source, Destination uint8
	Data                []byte // valid until the next call of the Listener
}

// Listener puts messages together. The zero Listener only listens.
type Listener struct {
	// Address, when not nil, is our own: sessions addressed to it are answered
	// with CTS and end of message. That is sending.
	Address *uint8

	sessions map[pair]*session
	free     []*session
	message  Message
	reason   uint8
}

// pair is a sender and whom it speaks to.
type pair struct{ source, destination uint8 }

type session struct {
	pgn     uint32
	size    int
	packets int
	got     [256 / 8]byte // packets received, by number
	count   int
	next    int // packet number expected next
	void    bool
	last    capture.Stamp
	data    [255 * 7]byte
}

// Reply is a frame to be sent, its priority 7 as the standard has it.
type Reply struct {
	ID   uint32
	Data [8]byte
}

// Result is what follows from one frame.
type Result struct {
	Message *Message // complete now; valid until the next call
	Fault   Fault    // of this frame or of the message it belongs to
	Reply   *Reply   // to be sent, if the Listener has an address
}

// AbortReason returns the reason code of the last Aborted fault: 1 busy, 2 no
// room, 3 time-out, 5 retransmit limit, 7 bad sequence, 250 other.
func (l *Listener) AbortReason() uint8 { return l.reason }

// Open returns the number of messages under way, those that have lost a packet
// included until their time is over.
func (l *Listener) Open() int { return len(l.sessions) }

// Frame takes in a frame of one of the two parameter groups; others mean
// nothing.
func (l *Listener) Frame(now capture.Stamp, id uint32, data []byte) Result {
	j := j1939.ParseID(id)
	if j.PGN != Management && j.PGN != Data {
		return Result{}
	}
	if len(data) < 8 {
		return Result{Fault: BadFrame}
	}
	if j.PGN == Data {
		return l.packet(now, j, data)
	}
	pgn := uint32(data[5]) | uint32(data[6])<<8 | uint32(data[7])<<16
	switch data[0] {
	case 0x20, 0x10:
		return l.begin(now, j, pgn&0x3FFFF, int(data[1])|int(data[2])<<8, int(data[3]), data)
	case 0x11: // from the receiver: a packet number that goes back asks for a repeat
		if s := l.sessions[pair{j.Destination, j.Source}]; s != nil {
			s.last = now
			if n := int(data[2]); data[1] > 0 && n >= 1 && n < s.next {
				s.next = n
			}
		}
	case 0x13:
		return Result{Fault: l.close(pair{j.Destination, j.Source}, Missing)}
	case 0xFF: // from either side
		l.reason = data[1]
		fault := l.close(pair{j.Source, j.Destination}, Aborted)
		return Result{Fault: max(fault, l.close(pair{j.Destination, j.Source}, Aborted))}
	default:
		return Result{Fault: BadFrame}
	}
	return Result{}
}

// begin opens a session.
func (l *Listener) begin(now capture.Stamp, j j1939.ID, pgn uint32, size, packets int, data []byte) Result {
	if size < MinSize || size > MaxSize || packets != (size+6)/7 || (data[0] == 0x20) != (j.Destination == j1939.Everybody) {
		return Result{Fault: BadSize}
	}
	key := pair{j.Source, j.Destination}
	fault := l.close(key, Replaced)
	if len(l.sessions) >= maxSessions {
		if l.Sweep(now) > 0 {
			fault = max(fault, TimedOut)
		}
		if len(l.sessions) >= maxSessions {
			return Result{Fault: TooMany}
		}
	}
	var s *session
	if n := len(l.free); n > 0 {
		s, l.free = l.free[n-1], l.free[:n-1]
		s.got = [256 / 8]byte{}
	} else {
		s = new(session)
	}
	s.pgn, s.size, s.packets, s.count, s.next, s.void, s.last = pgn, size, packets, 0, 1, false, now
	if l.sessions == nil {
		l.sessions = make(map[pair]*session)
	}
	l.sessions[key] = s
	r := Result{Fault: fault}
	if l.mine(j.Destination) {
		r.Reply = l.reply(j.Source, [8]byte{0x11, byte(packets), 1, 0xFF, 0xFF}, pgn)
	}
	return r
}

func (l *Listener) mine(address uint8) bool { return l.Address != nil && *l.Address == address }

func (l *Listener) reply(to uint8, data [8]byte, pgn uint32) *Reply {
	data[5], data[6], data[7] = byte(pgn), byte(pgn>>8), byte(pgn>>16)
	return &Reply{j1939.ID{Priority: 7, PGN: Management, Source: *l.Address, Destination: to}.Uint32(), data}
}

// packet takes in a data packet.
func (l *Listener) packet(now capture.Stamp, j j1939.ID, data []byte) Result {
	key := pair{j.Source, j.Destination}
	s := l.sessions[key]
	if s == nil {
		return Result{Fault: Stray}
	}
	if overdue(key, s, now) {
		l.end(key, s)
		return Result{Fault: TimedOut}
	}
	s.last = now
	n := int(data[0])
	broadcast := j.Destination == j1939.Everybody
	if s.void || n == 0 || n > s.packets {
		if s.void {
			return Result{}
		}
		s.void = true
		return Result{Fault: Missing}
	}
	if broadcast && n != s.next { // nobody can ask for it again
		s.void = true
		return Result{Fault: Missing}
	}
	copy(s.data[(n-1)*7:], data[1:8])
	if s.got[n>>3]&(1<<(n&7)) == 0 {
		s.got[n>>3] |= 1 << (n & 7)
		s.count++
	}
	s.next = n + 1
	if s.count == s.packets {
		l.message = Message{PGN: s.pgn, Source: j.Source, Destination: j.Destination, Data: s.data[:s.size]}
		r := Result{Message: &l.message}
		if l.mine(j.Destination) {
			r.Reply = l.reply(j.Source, [8]byte{0x13, byte(s.size), byte(s.size >> 8), byte(s.packets), 0xFF}, s.pgn)
		}
		l.end(key, s)
		return r
	}
	if l.mine(j.Destination) && n == s.packets { // the last one, and some are missing: ask again from the first of them
		first := 1
		for s.got[first>>3]&(1<<(first&7)) != 0 {
			first++
		}
		return Result{Reply: l.reply(j.Source, [8]byte{0x11, byte(s.packets - first + 1), byte(first), 0xFF, 0xFF}, s.pgn)}
	}
	return Result{}
}

func overdue(key pair, s *session, now capture.Stamp) bool {
	if key.destination == j1939.Everybody {
		return now.Sub(s.last) > TimeoutPacket
	}
	return now.Sub(s.last) > TimeoutData
}

// close ends a session, if there is one, for a reason.
func (l *Listener) close(key pair, why Fault) Fault {
	s := l.sessions[key]
	if s == nil {
		return NoFault
	}
	l.end(key, s)
	if s.void { // its fault has been told
		return NoFault
	}
	return why
}

func (l *Listener) end(key pair, s *session) {
	delete(l.sessions, key)
	l.free = append(l.free, s)
}

// Sweep gives up the messages whose rest is overdue and returns how many of
// them had not been given up before.
func (l *Listener) Sweep(now capture.Stamp) int {
	n := 0
	for key, s := range l.sessions {
		if overdue(key, s, now) {
			if !s.void {
				n++
			}
			l.end(key, s)
		}
	}
	return n
}
