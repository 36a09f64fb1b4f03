// Package capture brings frames and text lines from adapters, interfaces and
// files into the program, stamps them, merges them in time order and counts
// what was lost on the way. It interprets nothing: identifiers and data pass
// through as they came.
//
// The only clock of the program is read here (see Clock); everything above
// works in event time.
package capture

import (
	"context"
	"errors"
	"math"
	"time"
)

// Stamp is a point in time: nanoseconds since the Unix epoch on the clock of
// the recording. A live session anchors it once to the wall clock and counts
// monotonically from there; a capture file keeps the stamps it was written
// with; the virtual van begins at 0.
type Stamp int64

// Sub returns the time from t back to u.
func (t Stamp) Sub(u Stamp) time.Duration { return time.Duration(t - u) }

// Add returns t moved by d.
func (t Stamp) Add(d time.Duration) Stamp { return t + Stamp(d) }

// Seconds returns the stamp in seconds, rounded to what a float64 holds
// (about 0.25 µs for today's dates). Differences are better taken with Sub.
func (t Stamp) Seconds() float64 { return float64(t) / 1e9 }

// What time stamps a recording can have. A single wrong one, such as a broken file
// may hold, must not make time run on to it.
const (
	// Farthest bounds them, about 146 years from 1970 either way: it keeps sums of
	// stamps within 64 bits.
	Farthest Stamp = math.MaxInt64 / 2
	// Leap is how far ahead of the latest stamp the next may be to be believed by
	// itself. One farther ahead, and the first, is right if the next bears it out.
	Leap Stamp = 3600e9
	// MaxLate is how far behind the latest stamp a frame or line may be to be placed
	// in time still.
	MaxLate Stamp = 1e9
)

// Possible tells whether a recording can have that stamp at all.
func (t Stamp) Possible() bool { return -Farthest < t && t < Farthest }

// BorneOut tells whether a doubtful stamp is right, by the one that comes next.
func (t Stamp) BorneOut(next Stamp) bool { return t.Possible() && next >= t-MaxLate }

// Flags tell what kind of frame a Frame is.
type Flags uint8

// Frame kinds. A data frame with an 11-bit identifier on classic CAN has none.
const (
	Extended      Flags = 1 << iota // 29-bit identifier
	Remote                          // remote frame: Len may be above 0, no data
	Error                           // error message of the controller: ID holds the SocketCAN class bits
	FD                              // CAN FD frame
	BitRateSwitch                   // CAN FD: data phase sent at the higher rate
	ErrorState                      // CAN FD: the sender was error passive
	Own                             // sent by this program, not by the car
)

// MaxData is the largest payload of a frame in bytes (CAN FD).
const MaxData = 64

// Frame is one frame of a CAN bus.
type Frame struct {
	Time  Stamp
	ID    uint32 // 11 or 29 bits; SocketCAN error class for error frames
	Bus   uint8  // index into the channel table of the batch that carries it
	Flags Flags
	Len   uint8 // bytes in use of Data
	Data  [MaxData]byte
}

// Payload returns the data bytes; it aliases the frame.
func (f *Frame) Payload() []byte {
	if f.Flags&Remote != 0 {
		return nil
	}
	return f.Data[:f.Len]
}

// Line is one line of text from a serial instrument, without its line end.
type Line struct {
	Time Stamp
	Port uint8 // index into the channel table of the batch that carries it
	Text string
}

// Kind tells what a channel carries.
type Kind uint8

// Channel kinds.
const (
	CAN Kind = iota
	Text
)

// Channel describes one bus or one serial instrument of a source.
type Channel struct {
	Name    string // bus or instrument as the user or the file calls it
	Kind    Kind
	Device  string // where it was opened, for people: "/dev/ttyUSB0", "can0", a file name
	BitRate int    // bit/s, 0 when unknown
	Passive bool   // known to be listen-only
}

// Loss says that frames or lines did not reach us.
type Loss struct {
	Time    Stamp
	Channel uint8
	Reason  string // one of the Reason constants: a metric label, so the set is closed
	Count   uint64
	Detail  string // for people; may be empty
}

// Reasons of loss.
const (
	ReasonMalformed = "malformed" // bytes that are no frame
	ReasonOverrun   = "overrun"   // the adapter or the kernel ran full
	ReasonQueue     = "queue"     // this program could not keep up
	ReasonDisk      = "disk"      // could not be written to the recording
	ReasonUnknown   = "unknown"   // counted by a file we play back, cause not recorded
)

// Note is something a source wants remembered: opened, refused, reconnected,
// error counters, a clock step. Notes go to the journal and the log.
type Note struct {
	Time    Stamp
	Channel uint8
	Kind    string // "open", "close", "lost", "reconnect", "state", "clock", NoteSilent, ...
	Text    string // one sentence for people
}

// NoteSilent is the kind of a note about a device that was opened and does not
// answer; some never do and work all the same.
const NoteSilent = "silent"

// Batch is what a source delivers at a time. All indexes refer to Channels,
// which only ever grows at its end while a source runs.
type Batch struct {
	Channels []Channel
	Frames   []Frame // in time order
	Lines    []Line  // in time order
	Losses   []Loss
	Notes    []Note
}

// Reset empties the batch and keeps its memory and its channel table.
func (b *Batch) Reset() {
	b.Frames, b.Lines = b.Frames[:0], b.Lines[:0]
	b.Losses, b.Notes = b.Losses[:0], b.Notes[:0]
}

// Source delivers frames and lines in batches.
type Source interface {
	// Next appends to b what has arrived, waiting until there is something, ctx
	// ends or the input ends. It sets b.Channels. At the regular end it returns
	// io.EOF with an otherwise empty batch. What was appended before an error
	// is good.
	Next(ctx context.Context, b *Batch) error
	// Close releases the source; a Next that waits returns.
	Close() error
}

// Sender is a Source that can put frames on its buses. Every source listens only
// unless it was asked, when it was opened, to send too.
type Sender interface {
	Source
	// Send hands over a classic data frame for the channel that its Bus indexes
	// and returns at once; it may be called from any goroutine. Once the frame
	// is taken for the bus it comes back in a batch, marked Own; if it is not, a
	// note says why. An error tells that it will not be sent at all:
	// ErrListenOnly where that is so by choice.
	Send(f Frame) error
}

// ErrListenOnly is the error of Send where a source was opened to listen only.
var ErrListenOnly = errors.New("opened listen-only: nothing is sent")

// Send sends f through a source, if that can and may.
func Send(s Source, f Frame) error {
	if to, ok := s.(Sender); ok {
		return to.Send(f)
	}
	return ErrListenOnly
}

// ErrUnplugged is in the chain of an error that tells that a device went away
// while it was being read; opening it again may help (see Reconnect).
var ErrUnplugged = errors.New("unplugged or switched off")

// Channeler is a Source that knows its channels before its first batch. Merge
// uses it to number the buses the same way in every run.
type Channeler interface {
	Source
	Channels() []Channel
}

// Clock tells the time of a session.
type Clock interface {
	Now() Stamp
}

// SessionClock counts monotonically from one reading of the wall clock.
type SessionClock struct{ start time.Time }

// NewSessionClock anchors a clock to this moment.
func NewSessionClock() *SessionClock { return &SessionClock{start: time.Now()} }

// Now returns the anchor plus the monotonic time since.
func (c *SessionClock) Now() Stamp {
	return Stamp(c.start.UnixNano()) + Stamp(time.Since(c.start))
}
