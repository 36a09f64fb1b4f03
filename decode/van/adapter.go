package van

import (
	"context"
	"errors"
	"io"
	"os"
	"sync"
	"sync/atomic"
	"time"

	"gearwitness/capture"
	"gearwitness/capture/slcan"
	"gearwitness/signals"
)

// Adapter is a virtual serial-line CAN adapter plugged into the van. It is an
// io.ReadWriteCloser and can stand behind a pseudo-terminal or be handed to
// capture/slcan directly. It understands Sn, O, L, C, F, V, N, Z0 and Z1 and
// refuses everything else with BEL. Opened with O it also takes data frames (t, T)
// and puts them on the van's bus, where the control units of engine and gearbox
// answer diagnostic reads; opened with L it refuses them.
//
// The van starts when the adapter is first opened (O or L) at the bit rate of its
// bus; at another rate nothing but bus errors would be heard, and the adapter
// says so in its status (F).
type Adapter struct {
	clock capture.Clock // nil: as fast as possible
	ends  int64         // the drive's length [ns], 0 endless
	stamp atomic.Int64  // of the last frame read; 0 before it

	mu      sync.Mutex
	s       *sim
	x       *sensors
	bus     *bus
	truth   *truth
	truthW  io.Writer
	line    []byte // command that is being received
	out     []byte // bytes for the host; whole lines, the first may be half read
	rate    int    // bit/s the host has chosen, 0 none
	stamps  bool
	open    bool
	sends   bool // opened with O
	units   *units
	taken   int // frames of the host that wait for the bus
	started bool
	anchor  int64 // start of the drive on the session's clock [ns]
	queue   []queued
	head    int
	ended   bool
	closed  bool
	held    bool // no frame leaves before the host has finished opening

	wake chan struct{} // something changed for a waiting Read
}

// queued is a frame that was on the bus and waits for its moment.
type queued struct {
	end   int64 // [ns since the start]
	frame capture.Frame
}

// Bounds on what a host may send without a CR and leave unread.
const (
	maxCommand = 64
	maxAnswers = 4096
	maxTaken   = 16 // frames that wait for the bus
)

// NewAdapter builds the van that the vehicle file describes. With a clock the
// drive runs in real time: a Read waits until the clock has reached the frame's
// moment, counted from the next full 10 ms after the first opening. Without one,
// each Read moves the van on to its next frame and Now tells the time of that
// frame.
func NewAdapter(o Options, file *signals.File, clock capture.Clock) (*Adapter, error) {
	for _, in := range o.Faults {
		if faultByName(in.Name) == nil {
			_, err := ParseFault(in.Name)
			return nil, err
		}
	}
	if o.Drive != "" && driveByName(o.Drive) == nil {
		return nil, unknownDrive(o.Drive)
	}
	s, err := newSim(o, file)
	if err != nil {
		return nil, err
	}
	a := &Adapter{clock: clock, ends: int64(o.For), s: s, truthW: o.Truth, wake: make(chan struct{}, 1)}
	a.x = newSensors(s, o.Seed)
	if a.bus, err = newBus(file, a.x, o.Seed); err != nil {
		return nil, err
	}
	a.units = newUnits(a.x, a.bus)
	a.queue = make([]queued, 0, 64)
	return a, nil
}

// Now returns the time at which the frame that was read last stood on the bus:
// on the van's own clock, which begins at 0, or, where it runs in real time, on
// the session's. So a link within this program, which has no delay of its own,
// need not stamp frames with the moment at which a busy machine got round to
// them.
func (a *Adapter) Now() capture.Stamp {
	if at := a.stamp.Load(); at != 0 || a.clock == nil {
		return capture.Stamp(at)
	}
	return a.clock.Now() // no frame yet
}

// BitRate returns that of the van's bus [bit/s].
func (a *Adapter) BitRate() int { return a.bus.bitRate }

// Bus returns the name of the van's bus.
func (a *Adapter) Bus() string { return a.bus.name }

// Write takes commands of the host; it never blocks.
func (a *Adapter) Write(p []byte) (int, error) {
	a.mu.Lock()
	defer a.mu.Unlock()
	if a.closed {
		return 0, os.ErrClosed
	}
	for _, c := range p {
		switch {
		case c == '\r':
			a.command(string(a.line))
			a.line = a.line[:0]
		case c == '\n':
		case len(a.line) < maxCommand:
			a.line = append(a.line, c)
		}
	}
	a.signal()
	return len(p), nil
}

// answer queues an answer; those a host never reads are lost, as in a real adapter.
func (a *Adapter) answer(s string) {
	if len(a.out) < maxAnswers {
		a.out = append(a.out, s...)
	}
}

func (a *Adapter) command(c string) {
	const done, refused = "\r", "\a"
	rate, isRate := slcan.RateOf(c)
	switch {
	case c == "":
		a.answer(done)
	case isRate && !a.open:
		a.rate = rate
		a.answer(done)
	case (c == "O" || c == "L") && !a.open && a.rate != 0:
		a.open, a.sends = true, c == "O"
		a.start()
		a.answer(done)
	case c == "C":
		a.open, a.sends = false, false
		a.answer(done)
	case c == "Z0" || c == "Z1":
		a.stamps = c == "Z1"
		a.answer(done)
	case c == "V":
		a.answer("V0101\r")
	case c == "N":
		a.answer("NVAN1\r")
	case c == "F" && a.open:
		if a.rate == a.bus.bitRate {
			a.answer("F00\r")
		} else {
			a.answer("F80\r")
		}
	case (c[0] == 't' || c[0] == 'T') && a.transmit(c):
		a.answer(map[byte]string{'t': "z", 'T': "Z"}[c[0]] + done)
	default:
		a.answer(refused)
	}
}

// transmit puts a frame of the host on the van's bus and reports whether it is
// taken.
func (a *Adapter) transmit(line string) bool {
	if !a.sends || a.rate != a.bus.bitRate || a.taken >= maxTaken || a.ended {
		return false
	}
	var (
		dec slcan.Decoder
		e   slcan.Event
		f   capture.Frame
	)
	dec.Push([]byte(line + "\r"))
	if !dec.Next(&e, &f) || e.Kind != slcan.Frame || e.StampMS != slcan.NoStamp {
		return false
	}
	a.taken++
	a.bus.once(f, a.s.steps*int64(stepTime), func(end int64) {
		a.taken--
		a.units.hear(&f, end)
	})
	return true
}

// start sets the van's moment 0 at the first opening: the next full 10 ms of
// the session's clock, so that the truth falls on the analysis's ticks.
func (a *Adapter) start() {
	if a.started {
		return
	}
	a.started = true
	if a.clock != nil {
		const tick = int64(10 * time.Millisecond)
		a.anchor = (int64(a.clock.Now()) + tick - 1) / tick * tick
	}
	if a.truthW != nil {
		a.truth = newTruth(a.truthW, a.s, a.anchor)
	}
}

func (a *Adapter) signal() {
	select {
	case a.wake <- struct{}{}:
	default:
	}
}

// release lets frames leave.
func (a *Adapter) release() {
	a.mu.Lock()
	a.held = false
	a.mu.Unlock()
	a.signal()
}

// Read returns answers and frames, at most one frame at a time, waiting for
// them. It returns io.EOF when the drive is over and os.ErrClosed after Close; a
// truth channel that cannot be written ends the drive with its own error.
func (a *Adapter) Read(p []byte) (int, error) {
	if len(p) == 0 {
		return 0, nil
	}
	a.mu.Lock()
	defer a.mu.Unlock()
	for {
		if a.closed {
			return 0, os.ErrClosed
		}
		if len(a.out) > 0 {
			n := copy(p, a.out)
			a.out = a.out[:copy(a.out, a.out[n:])]
			return n, nil
		}
		if a.truth != nil && a.truth.err != nil {
			return 0, a.truth.err
		}
		if !a.started || a.held {
			a.wait(-1)
			continue
		}
		if !a.next() {
			if a.ended {
				return 0, io.EOF
			}
			continue
		}
		q := &a.queue[a.head]
		if a.clock != nil {
			if d := a.anchor + q.end - int64(a.clock.Now()); d > 0 {
				if a.truth != nil {
					a.truth.flush()
				}
				a.wait(time.Duration(d))
				continue
			}
		}
		a.head++
		a.stamp.Store(a.anchor + q.end)
		if !a.open || a.rate != a.bus.bitRate {
			// The van drives on; nobody hears it. Without a clock nobody ever
			// would: time stands still until the adapter is opened again.
			if a.clock == nil && !a.open {
				a.head--
				a.wait(-1)
			}
			continue
		}
		stamp := slcan.NoStamp
		if a.stamps {
			stamp = int(q.end / int64(time.Millisecond) % 60_000)
		}
		a.out = slcan.AppendFrame(a.out, &q.frame, stamp)
	}
}

// next makes sure that a frame is in the queue; false when there is none yet or
// none to come.
func (a *Adapter) next() bool {
	if a.head < len(a.queue) {
		return true
	}
	a.queue, a.head = a.queue[:0], 0
	if a.ended {
		return false
	}
	for len(a.queue) == 0 {
		ns := a.s.steps * int64(stepTime)
		if a.ends > 0 && ns >= a.ends {
			a.end()
			return false
		}
		if a.clock != nil && a.anchor+ns > int64(a.clock.Now())+int64(100*time.Millisecond) {
			// Never far ahead of the clock, whatever the frames' periods.
			a.wait(time.Duration(a.anchor + ns - int64(a.clock.Now())))
			return false
		}
		a.step()
	}
	return true
}

// step moves the van by 1 ms and queues what was on the bus.
func (a *Adapter) step() {
	if a.truth != nil && a.s.steps == 0 {
		a.truth.state(0)
	}
	a.s.step()
	a.x.step()
	if a.truth != nil {
		a.truth.step()
	}
	a.units.step(a.s.steps*int64(stepTime), a)
	a.bus.step(a)
}

// deliver queues a frame whose last bit was sent at end.
func (a *Adapter) deliver(end int64, f *capture.Frame) {
	if a.ends == 0 || end <= a.ends {
		a.queue = append(a.queue, queued{end, *f})
	}
}

// end ends the drive.
func (a *Adapter) end() {
	if !a.ended {
		a.ended = true
		if a.truth != nil {
			a.truth.end(a.s.steps * int64(stepTime))
		}
	}
}

// wait lets go of the lock until something changes or d has passed (for ever
// when negative).
func (a *Adapter) wait(d time.Duration) {
	a.mu.Unlock()
	defer a.mu.Lock()
	if d < 0 {
		<-a.wake
		return
	}
	timer := time.NewTimer(d)
	defer timer.Stop()
	select {
	case <-a.wake:
	case <-timer.C:
	}
}

// Close ends the drive; a Read that waits returns.
func (a *Adapter) Close() error {
	a.mu.Lock()
	defer a.mu.Unlock()
	if a.closed {
		return os.ErrClosed
	}
	a.closed = true
	a.end()
	a.signal()
	if a.truth != nil {
		return a.truth.err
	}
	return nil
}

// source is the van behind its adapter, read by the product's own decoder of
// protocol bytes.
type source struct {
	*slcan.Source
	a    *Adapter
	once sync.Once
}

// Open builds the van and opens its adapter through capture/slcan over a link
// within this program. With a nil clock the van runs as fast as it is read and
// frames carry its own time, which begins at 0; with a clock it runs in real time
// and they carry their own moments on that clock. The source ends with io.EOF when the drive is over.
// With o.Send it is a capture.Sender and the van can be asked.
func Open(ctx context.Context, o Options, file *signals.File, clock capture.Clock) (capture.Source, error) {
	a, err := NewAdapter(o, file, clock)
	if err != nil {
		return nil, err
	}
	a.held = true
	s, err := slcan.Open(ctx, a, slcan.Config{
		BitRate: a.bus.bitRate,
		Send:    o.Send,
		Hold:    clock == nil,
		Channel: capture.Channel{Name: a.bus.name, Device: "virtual van"},
	}, a)
	if err != nil {
		return nil, err
	}
	return &source{Source: s, a: a}, nil
}

// Next is that of capture.Source. The first call sets the van going: until then
// its time stands still.
func (s *source) Next(ctx context.Context, b *capture.Batch) error {
	s.once.Do(s.a.release)
	return s.Source.Next(ctx, b)
}

// Close ends the drive and writes out the truth.
func (s *source) Close() error {
	s.once.Do(s.a.release)
	err := s.Source.Close()
	if errors.Is(err, os.ErrClosed) {
		return nil
	}
	return err
}
