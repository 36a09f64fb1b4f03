// Package lines reads text lines from serial instruments: satellite receivers,
// thermometers, pressure gauges and the like. It cuts and stamps lines and
// interprets nothing; what they say is read in decode.
package lines

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"os"
	"sync"
	"time"
	"unicode/utf8"

	"gearwitness/capture"
	"gearwitness/capture/port"
)

// MaxLine is the most bytes of a line; longer ones are dropped and counted. NMEA
// 0183 allows 82.
const MaxLine = 1024

// Splitter cuts bytes into lines. A line ends with CR, LF or both; empty ones
// are passed over, NUL is dropped. The zero value is ready, at the beginning of
// a line. It holds at most MaxLine bytes.
type Splitter struct {
	in   []byte
	line []byte
	long bool
	skip bool
}

// Push hands over received bytes, to be left alone until Next has said false.
func (s *Splitter) Push(p []byte) { s.in = p }

// Skip discards the line that has begun, up to its end.
func (s *Splitter) Skip() { s.line, s.long, s.skip = s.line[:0], false, true }

// Next returns the next whole line, valid until the following call; overlong
// tells that a line was longer than MaxLine and returns its beginning. It says
// false when all pushed bytes are used up.
func (s *Splitter) Next() (line []byte, overlong, ok bool) {
	for {
		i := bytes.IndexAny(s.in, "\r\n")
		if i < 0 {
			s.add(s.in)
			s.in = nil
			return nil, false, false
		}
		s.add(s.in[:i])
		s.in = s.in[i+1:]
		line, overlong, skip := s.line, s.long, s.skip
		s.line, s.long, s.skip = s.line[:0], false, false
		if !skip && len(line) > 0 {
			return line, overlong, true
		}
		// Between CR and LF, and after a gap, there is no line.
	}
}

func (s *Splitter) add(p []byte) {
	for len(p) > 0 {
		i := bytes.IndexByte(p, 0)
		if i < 0 {
			i = len(p)
		}
		room := MaxLine - len(s.line)
		s.line = append(s.line, p[:min(i, room)]...)
		s.long = s.long || i > room
		p = p[min(i+1, len(p)):]
	}
}

// Config says how an instrument is to be read.
type Config struct {
	Baud    int             // of the serial line, port.DefaultBaud when 0; for Dial and for people
	Midway  bool            // reading begins somewhere within a line: drop it
	Hold    bool            // make the sender wait when we fall behind, instead of dropping
	Channel capture.Channel // name and device; the kind is filled in
}

// Reading garbage for so long, and at such a share of the lines, most probably
// means the wrong baud rate.
const (
	garbageTime  = 2 * time.Second
	garbageLines = 5
)

// Source delivers the lines of one instrument. A line's stamp is the moment its
// end was read. Next is for one goroutine at a time; Close may be called from
// another.
type Source struct {
	rw       io.ReadWriteCloser
	in       *port.Reader
	channels []capture.Channel
	cfg      Config
	clock    capture.Clock
	split    Splitter
	opened   bool
	closing  sync.Once
	stop     chan struct{}

	garbled int           // unreadable lines since the last readable one
	since   capture.Stamp // of the first of these
	told    bool
}

// Dial opens the serial port named device at cfg.Baud, 8 data bits, no parity, 1
// stop bit. That no such port exists, that it is in use or not permitted comes
// as a *port.OpenError.
func Dial(device string, cfg Config, clock capture.Clock) (*Source, error) {
	if cfg.Baud <= 0 {
		cfg.Baud = port.DefaultBaud
	}
	cfg.Channel.Device = device
	cfg.Midway = true
	rw, err := port.Open(device, cfg.Baud)
	if err != nil {
		return nil, err
	}
	return Open(rw, cfg, clock), nil
}

// Open reads lines from rw, which it owns from then on. It sends nothing.
func Open(rw io.ReadWriteCloser, cfg Config, clock capture.Clock) *Source {
	if cfg.Channel.Name == "" {
		cfg.Channel.Name = "lines"
	}
	if cfg.Channel.Device == "" {
		cfg.Channel.Device = cfg.Channel.Name
	}
	cfg.Channel.Kind, cfg.Channel.Passive = capture.Text, true
	s := &Source{rw: rw, cfg: cfg, clock: clock, stop: make(chan struct{}),
		channels: []capture.Channel{cfg.Channel}, in: port.NewReader(rw, clock, cfg.Hold)}
	if cfg.Midway {
		s.split.Skip()
	}
	return s
}

// Channels returns the one channel of this source.
func (s *Source) Channels() []capture.Channel { return s.channels }

// Next appends the lines that have arrived; see capture.Source. Overlong lines
// come as losses.
func (s *Source) Next(ctx context.Context, b *capture.Batch) error {
	b.Channels = s.channels
	if !s.opened {
		s.opened = true
		text := "reading lines from " + s.cfg.Channel.Device
		if s.cfg.Baud > 0 {
			text += fmt.Sprintf(" at %d baud", s.cfg.Baud)
		}
		b.Notes = append(b.Notes, capture.Note{Time: s.clock.Now(), Kind: "open", Text: text})
		return nil
	}
	lines, losses, notes := len(b.Lines), len(b.Losses), len(b.Notes)
	for {
		block, err := s.in.Next(ctx)
		if err != nil {
			select {
			case <-s.stop:
				return os.ErrClosed
			default:
				return err
			}
		}
		s.read(block, b)
		if len(b.Lines) > lines || len(b.Losses) > losses || len(b.Notes) > notes {
			return nil
		}
	}
}

func (s *Source) read(block port.Block, b *capture.Batch) {
	long := capture.Loss{Reason: capture.ReasonMalformed}
	start := 0
	for _, m := range block.Marks {
		s.split.Push(block.Data[start:m.End])
		start = m.End
		for {
			line, overlong, ok := s.split.Next()
			if !ok {
				break
			}
			if overlong {
				long.Time, long.Detail = m.Time, fmt.Sprintf("longer than %d bytes: %.40q...", MaxLine, line)
				long.Count++
				continue
			}
			b.Lines = append(b.Lines, capture.Line{Time: m.Time, Text: string(line)})
			s.judge(line, m.Time, b)
		}
		if m.Lost > 0 {
			s.split.Skip()
			b.Losses = append(b.Losses, capture.Loss{Time: m.Time, Reason: capture.ReasonQueue, Count: uint64(m.Lost),
				Detail: "the program did not keep up with the serial line"})
		}
	}
	if long.Count > 0 {
		b.Losses = append(b.Losses, long)
	}
}

// judge asks about the baud rate when nothing readable comes.
func (s *Source) judge(line []byte, now capture.Stamp, b *capture.Batch) {
	if readable(line) {
		s.garbled, s.told = 0, false
		return
	}
	if s.garbled == 0 {
		s.since = now
	}
	s.garbled++
	if !s.told && s.garbled >= garbageLines && now.Sub(s.since) >= garbageTime {
		s.told = true
		text := "nothing readable comes from " + s.cfg.Channel.Device
		if s.cfg.Baud > 0 {
			text += fmt.Sprintf(": is %d the right baud rate?", s.cfg.Baud)
		}
		b.Notes = append(b.Notes, capture.Note{Time: now, Kind: "state", Text: text})
	}
}

// readable tells whether at least four of five characters are printable; some
// instruments send a degree sign in an old character set.
func readable(line []byte) bool {
	good, all := 0, 0
	for len(line) > 0 {
		r, n := utf8.DecodeRune(line)
		if r != utf8.RuneError && (r >= ' ' && r != 0x7F || r == '\t') {
			good++
		}
		all++
		line = line[n:]
	}
	return 5*good >= 4*all
}

// Close closes the port. A Next that waits returns os.ErrClosed.
func (s *Source) Close() error {
	err := os.ErrClosed
	s.closing.Do(func() {
		close(s.stop)
		err = s.rw.Close()
		s.in.Close()
	})
	return err
}
