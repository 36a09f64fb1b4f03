package slcan

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"slices"
	"strings"
	"sync"
	"time"

	"gearwitness/capture"
	"gearwitness/capture/port"
)

// Config says how an adapter is to be opened.
type Config struct {
	BitRate       int             // of the CAN bus, bit/s; must have a code, see RateCode
	AdapterStamps bool            // ask the adapter for its own time stamps and use them
	Status        time.Duration   // ask for the status byte this often; 0 never. Reading clears the adapter's flags.
	Baud          int             // of the serial line, for the warning that it is nearly full; 0 for none
	Send          bool            // open with O instead of L, so that Send works: the adapter then also acknowledges frames on the bus
	Hold          bool            // make the sender wait when we fall behind, instead of dropping: links within this program
	Channel       capture.Channel // name and device of the bus; the rest is filled in
}

// Times of the opening sequence and of the warnings.
const (
	drainTime     = 100 * time.Millisecond // what the adapter still had to say before it was closed
	answerTime    = 500 * time.Millisecond // some adapters never answer
	deafTime      = 2 * time.Second        // bus errors alone for so long: probably the wrong bit rate
	garbledTime   = 2 * time.Second        // nothing that makes sense for so long, in at least so many bytes:
	garbledBytes  = 200                    // probably no adapter, or the wrong baud rate
	loadTime      = time.Second            // over which the serial line's load is taken
	loadQuiet     = time.Minute            // between two warnings about it
	batchFrames   = 8192                   // most frames that one Next delivers
	loadWarning   = 0.8                    // of what the serial line can carry
	bitsPerByte   = 10                     // start, eight data, stop
	maxDetailLine = 40
)

// RefusedError says that the adapter answered a command of the opening sequence
// with a BEL.
type RefusedError struct {
	Device  string
	Command string // S0 to S8, L or O, without CR
	BitRate int    // bit/s
}

func (e *RefusedError) Error() string {
	switch e.Command {
	case "L":
		return fmt.Sprintf("the adapter at %s refuses to open listen-only (command L); it stays closed, since any other way it would take part in the bus; use an adapter that can listen only", e.Device)
	case "O":
		return fmt.Sprintf("the adapter at %s refuses to open for sending (command O); start without requests", e.Device)
	}
	return fmt.Sprintf("the adapter at %s refuses %s (command %s); choose a bit rate it supports", e.Device, rateText(e.BitRate), e.Command)
}

// Source listens to one bus through one adapter, and sends where it was opened
// for that. Next is for one goroutine at a time; Send and Close may be called
// from others.
type Source struct {
	rw       io.ReadWriteCloser
	clock    capture.Clock
	cfg      Config
	in       *port.Reader
	channels []capture.Channel

	dec     Decoder
	block   port.Block
	mark    int // next stretch of block to push
	start   int // first byte of block not yet pushed
	now     capture.Stamp
	lost    int           // lines lost behind the stretch that is being read
	early   capture.Batch // what came while the adapter was being opened
	scratch capture.Frame

	last    capture.Stamp // of the frames delivered, which never goes back
	unwrap  Unwrapper
	mapping capture.ClockMap
	stamps  bool // adapter stamps are in use

	bad     [reasons]badLines
	state   Controller
	stated  bool
	flags   Flags
	deaf    capture.Stamp // first bus error since the last frame, 0 none
	told    bool          // the warning about bus errors was given
	load    lineLoad
	garbled garbled
	writing chan struct{} // holds a token while bytes are being sent
	sending sending
	closing sync.Once
	stop    chan struct{}
	behind  sync.WaitGroup // polling and sending
	failed  error
}

// garbled measures what comes that no adapter would say.
type garbled struct {
	bytes int // since the last line that made sense
	since capture.Stamp
	told  bool
}

type badLines struct {
	count   uint64
	example string
}

// Open starts an adapter over rw, which it owns from then on and closes when it
// fails, listen-only unless cfg.Send is set. It ends any half line, closes the
// channel, waits until the adapter is quiet, sets the bit rate, asks for time
// stamps if wanted, and opens with L or O, waiting at most half a second for each
// answer; an adapter that never answers is taken as it is. If L is refused the
// error is a *RefusedError: there is no other way to open that keeps out of the
// bus.
func Open(ctx context.Context, rw io.ReadWriteCloser, cfg Config, clock capture.Clock) (*Source, error) {
	code, err := RateCode(cfg.BitRate)
	if err != nil {
		rw.Close()
		return nil, err
	}
	if cfg.Channel.Name == "" {
		cfg.Channel.Name = "can"
	}
	if cfg.Channel.Device == "" {
		cfg.Channel.Device = cfg.Channel.Name
	}
	cfg.Channel.Kind, cfg.Channel.BitRate = capture.CAN, cfg.BitRate
	s := &Source{
		rw: rw, clock: clock, cfg: cfg, stop: make(chan struct{}), writing: make(chan struct{}, 1),
		in:      port.NewReader(rw, clock, cfg.Hold),
		sending: sending{queue: make(chan capture.Frame, sendQueue)},
	}
	if err := s.open(ctx, code); err != nil {
		s.Close()
		return nil, err
	}
	if cfg.Status > 0 {
		s.behind.Go(s.poll)
	}
	if cfg.Send {
		s.behind.Go(s.deliver)
	}
	return s, nil
}

func (s *Source) open(ctx context.Context, code string) error {
	if err := s.write(ctx, "\r\r\rC\r"); err != nil {
		return err
	}
	if err := s.drain(ctx); err != nil {
		return err
	}
	rate, err := s.command(ctx, code)
	if err != nil {
		return err
	}
	if rate == refused {
		return &RefusedError{Device: s.cfg.Channel.Device, Command: code, BitRate: s.cfg.BitRate}
	}
	if s.cfg.AdapterStamps {
		a, err := s.command(ctx, "Z1")
		if err != nil {
			return err
		}
		if s.stamps = a != refused; !s.stamps {
			s.note(&s.early, "clock", "the adapter has no time stamps: frames get the time of their arrival")
		}
	}
	command, way := "L", "listen-only"
	if s.cfg.Send {
		command, way = "O", "to send requests; it acknowledges frames on the bus"
	}
	opened, err := s.command(ctx, command)
	if err != nil {
		return err
	}
	kind, text := "open", fmt.Sprintf("%s opened at %s, %s", s.cfg.Channel.Device, rateText(s.cfg.BitRate), way)
	switch opened {
	case refused:
		return &RefusedError{Device: s.cfg.Channel.Device, Command: command, BitRate: s.cfg.BitRate}
	case done:
		s.cfg.Channel.Passive = !s.cfg.Send
	default:
		kind, text = capture.NoteSilent, fmt.Sprintf("%s told to open at %s, %s; it did not answer", s.cfg.Channel.Device, rateText(s.cfg.BitRate), way)
	}
	s.channels = []capture.Channel{s.cfg.Channel}
	s.note(&s.early, kind, text)
	return nil
}

type answer int

const (
	silent answer = iota
	done
	refused
)

// drain reads and forgets what comes within drainTime.
func (s *Source) drain(ctx context.Context) error {
	ctx, cancel := context.WithTimeoutCause(ctx, drainTime, errSilent)
	defer cancel()
	for {
		// What is at hand goes with the next block.
		if err := s.refill(ctx); err != nil {
			s.dec.Reset()
			s.block, s.mark, s.start, s.lost = port.Block{}, 0, 0, 0
			return s.quiet(ctx, err)
		}
	}
}

var errSilent = errors.New("no answer in time")

// quiet turns the end of our own waiting time into no error at all.
func (s *Source) quiet(ctx context.Context, err error) error {
	if context.Cause(ctx) == errSilent {
		return nil
	}
	if errors.Is(err, io.EOF) {
		return fmt.Errorf("%s closed the line while it was being opened: %w", s.cfg.Channel.Device, io.ErrUnexpectedEOF)
	}
	return err
}

// command sends one command and waits for its answer. A frame is an answer too:
// of an adapter that opened without a word.
func (s *Source) command(ctx context.Context, text string) (answer, error) {
	if err := s.write(ctx, text+"\r"); err != nil {
		return silent, err
	}
	ctx, cancel := context.WithTimeoutCause(ctx, answerTime, errSilent)
	defer cancel()
	for {
		var e Event
		for s.event(&e, &s.scratch) {
			switch e.Kind {
			case OK:
				return done, nil
			case NAK:
				return refused, nil
			case Frame, State, BusError:
				if s.take(&e, &s.scratch, &s.early) {
					s.early.Frames = append(s.early.Frames, s.scratch)
				}
				if e.Kind == Frame {
					return silent, nil
				}
			}
		}
		if err := s.refill(ctx); err != nil {
			return silent, s.quiet(ctx, err)
		}
	}
}

// write sends p within answerTime: an adapter that takes no bytes at all must
// not hang the program.
func (s *Source) write(ctx context.Context, text string) error {
	ctx, cancel := context.WithTimeoutCause(ctx, answerTime, fmt.Errorf(
		"the adapter at %s takes no commands; unplug it, plug it in again, then try again", s.cfg.Channel.Device))
	defer cancel()
	select {
	case s.writing <- struct{}{}:
	case <-ctx.Done():
		return context.Cause(ctx)
	}
	sent := make(chan error, 1)
	go func() {
		_, err := io.WriteString(s.rw, text)
		<-s.writing
		sent <- err
	}()
	select {
	case err := <-sent:
		return err
	case <-ctx.Done():
		return context.Cause(ctx)
	}
}

// poll asks for the status byte until the source is closed.
func (s *Source) poll() {
	tick := time.NewTicker(s.cfg.Status)
	defer tick.Stop()
	for {
		select {
		case <-tick.C:
			s.await(pending{at: s.clock.Now(), poll: true})
			// A line that no longer takes bytes shows itself in reading.
			_ = s.write(context.Background(), "F\r")
		case <-s.stop:
			return
		}
	}
}

// refill waits for the next bytes.
func (s *Source) refill(ctx context.Context) (err error) {
	s.block, err = s.in.Next(ctx)
	s.mark, s.start = 0, 0
	return err
}

// event gives the next event of the bytes at hand.
func (s *Source) event(e *Event, f *capture.Frame) bool {
	for {
		if s.dec.Next(e, f) {
			return true
		}
		if s.lost > 0 || s.mark >= len(s.block.Marks) {
			return false
		}
		m := s.block.Marks[s.mark]
		s.dec.Push(s.block.Data[s.start:m.End])
		s.now, s.lost = m.Time, m.Lost
		s.load.bytes += m.End - s.start
		if s.garbled.bytes == 0 {
			s.garbled.since = s.now
		}
		s.garbled.bytes += m.End - s.start
		s.start = m.End
		s.mark++
	}
}

// Channels returns the one bus of this source.
func (s *Source) Channels() []capture.Channel { return s.channels }

// Next appends what has arrived; see capture.Source. Malformed lines come as
// losses, one per batch and reason; controller states and bus errors come as
// error message frames, like the kernel driver's.
func (s *Source) Next(ctx context.Context, b *capture.Batch) error {
	b.Channels = s.channels
	frames, losses, notes := len(b.Frames), len(b.Losses), len(b.Notes)
	b.Frames = append(b.Frames, s.early.Frames...)
	b.Losses = append(b.Losses, s.early.Losses...)
	b.Notes = append(b.Notes, s.early.Notes...)
	s.early.Reset()
	for {
		s.read(b, frames+batchFrames)
		if len(b.Frames) > frames || len(b.Losses) > losses || len(b.Notes) > notes {
			return nil
		}
		if s.failed == nil {
			s.failed = s.refill(ctx)
		}
		if err := s.failed; err != nil {
			select {
			case <-s.stop:
				return os.ErrClosed
			default:
			}
			if ctx.Err() != nil {
				s.failed = nil // the waiting ended, not the source
			}
			return err
		}
	}
}

// read appends the events of the bytes at hand, up to limit frames in b.
func (s *Source) read(b *capture.Batch, limit int) {
	var e Event
	for len(b.Frames) < limit {
		n := len(b.Frames)
		b.Frames = slices.Grow(b.Frames, 1)
		if s.event(&e, &b.Frames[:n+1][n]) {
			b.Frames = b.Frames[:n+1]
			if !s.take(&e, &b.Frames[n], b) {
				b.Frames = b.Frames[:n]
			}
			continue
		}
		if s.lost == 0 {
			break
		}
		b.Losses = append(b.Losses, capture.Loss{Time: s.now, Reason: capture.ReasonQueue, Count: uint64(s.lost),
			Detail: "the program did not keep up with the serial line"})
		s.lost = 0
		s.dec.Skip()
	}
	for r := range s.bad {
		if bad := &s.bad[r]; bad.count > 0 {
			b.Losses = append(b.Losses, capture.Loss{Time: s.now, Reason: capture.ReasonMalformed, Count: bad.count,
				Detail: fmt.Sprintf("%s: %q", Reason(r), bad.example)})
			*bad = badLines{}
		}
	}
	s.settle(b)
	s.checkLoad(b)
	s.checkSense(b)
}

// take deals with one event, stamps f and reports whether it is to be delivered.
func (s *Source) take(e *Event, f *capture.Frame, b *capture.Batch) bool {
	t := s.now
	keep := false
	switch {
	case e.Kind == OK || e.Kind == NAK: // garbage holds these, too
	case e.Kind != Bad || e.Reason == StampRange:
		s.garbled = garbled{}
	}
	switch e.Kind {
	case Frame:
		if s.stamps && e.StampMS != NoStamp {
			elapsed := s.unwrap.Elapsed(e.StampMS, time.Duration(s.now))
			t = s.mapping.At(elapsed, s.now)
		}
		s.deaf, s.told = 0, false
		keep = true
	case State:
		if !s.stated || e.State != s.state {
			s.stated, s.state = true, e.State
			s.note(b, "state", fmt.Sprintf("controller %s, receive errors %d, transmit errors %d", e.State, e.Rx, e.Tx))
		}
		keep = true
	case BusError:
		if e.Errors&ErrRxOverrun != 0 {
			b.Losses = append(b.Losses, capture.Loss{Time: t, Reason: capture.ReasonOverrun, Count: 1,
				Detail: "the adapter ran full: at least one frame"})
		}
		if e.Errors&^(ErrRxOverrun|ErrTxOverrun) != 0 {
			s.disturbed(b)
		}
		keep = true
	case Status:
		s.answered(true)
		s.status(e.Flags, b)
	case OK:
		if p, ok := s.answered(false); ok {
			*f = p.frame
			keep = true
		}
	case NAK:
		s.refused(b)
	case Bad:
		if e.Reason == StampRange {
			if s.stamps {
				s.stamps = false
				s.note(b, "clock", fmt.Sprintf("the adapter's time stamp %s is above EA5F: it counts in another way; frames get the time of their arrival from here on", e.Line[len(e.Line)-4:]))
			}
			s.deaf, s.told = 0, false
			keep = true
			break
		}
		bad := &s.bad[e.Reason]
		if bad.count++; bad.example == "" {
			bad.example = string(e.Line[:min(len(e.Line), maxDetailLine)])
		}
	}
	if keep {
		// Adapter stamps may step back a little; a batch is in time order.
		s.last = max(s.last, t)
		f.Time = s.last
	}
	return keep
}

// status reports what changed in the adapter's status byte.
func (s *Source) status(flags Flags, b *capture.Batch) {
	if flags&(RxFull|DataOverrun) != 0 {
		b.Losses = append(b.Losses, capture.Loss{Time: s.now, Reason: capture.ReasonOverrun, Count: 1,
			Detail: fmt.Sprintf("the adapter's status %02X says that it ran full: at least one frame", uint8(flags))})
	}
	if flags&BusErrorSeen != 0 {
		s.disturbed(b)
	}
	if flags != s.flags {
		s.flags = flags
		s.note(b, "state", fmt.Sprintf("adapter status %02X: %s", uint8(flags), flags))
	}
}

// disturbed is called for each sign of errors on the bus.
func (s *Source) disturbed(b *capture.Batch) {
	switch {
	case s.deaf == 0:
		s.deaf = s.now
	case !s.told && s.now.Sub(s.deaf) >= deafTime:
		s.told = true
		s.note(b, "state", fmt.Sprintf("no valid frame, bus errors only, for %v: is %s the right bit rate?", deafTime, rateText(s.cfg.BitRate)))
	}
}

// flagNames are the words for the bits of the status byte, low bit first.
var flagNames = [8]string{"rx_full", "tx_full", "error_warning", "data_overrun", "bit_4", "error_passive", "arbitration_lost", "bus_error"}

// Names returns the words for the bits that are set, low bit first.
func (f Flags) Names() []string {
	var names []string
	for i, n := range flagNames {
		if f&(1<<i) != 0 {
			names = append(names, n)
		}
	}
	return names
}

func (f Flags) String() string {
	if f == 0 {
		return "nothing to report"
	}
	return strings.Join(f.Names(), ", ")
}

// lineLoad measures how full the serial line is.
type lineLoad struct {
	bytes  int
	since  capture.Stamp
	warned capture.Stamp
}

func (s *Source) checkLoad(b *capture.Batch) {
	l := &s.load
	if s.cfg.Baud <= 0 {
		return
	}
	if l.since == 0 {
		l.since = s.now
		return
	}
	span := s.now.Sub(l.since)
	if span < loadTime {
		return
	}
	full := float64(l.bytes*bitsPerByte) / (float64(s.cfg.Baud) * span.Seconds())
	l.bytes, l.since = 0, s.now
	// More than all means that the baud rate is not real: a USB serial device.
	if full > loadWarning && full <= 1.05 && (l.warned == 0 || s.now.Sub(l.warned) >= loadQuiet) {
		l.warned = s.now
		s.note(b, "state", fmt.Sprintf("the serial line is %.0f %% full at %d baud: when it is full the adapter loses frames without a word; a higher baud rate helps", full*100, s.cfg.Baud))
	}
}

// checkSense asks what is at the other end when nothing makes sense: another
// kind of device, another baud rate, or bytes without any line end.
func (s *Source) checkSense(b *capture.Batch) {
	g := &s.garbled
	if g.told || g.bytes < garbledBytes || s.now.Sub(g.since) < garbledTime {
		return
	}
	g.told = true
	text := "nothing that comes from " + s.cfg.Channel.Device + " is a line of a serial-line CAN adapter: is it one"
	if s.cfg.Baud > 0 {
		text += fmt.Sprintf(", and is %d its baud rate", s.cfg.Baud)
	}
	s.note(b, "state", text+"?")
}

func (s *Source) note(b *capture.Batch, kind, text string) {
	t := s.now
	if t == 0 {
		t = s.clock.Now()
	}
	b.Notes = append(b.Notes, capture.Note{Time: t, Kind: kind, Text: text})
}

// Close closes the CAN channel (command C) and the port. A Next that waits
// returns os.ErrClosed.
func (s *Source) Close() error {
	err := os.ErrClosed
	s.closing.Do(func() {
		close(s.stop)
		s.behind.Wait()
		// A port that is gone needs no farewell.
		_ = s.write(context.Background(), "C\r")
		err = s.rw.Close()
		s.in.Close()
	})
	return err
}
