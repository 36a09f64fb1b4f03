package slcan

import (
	"context"
	"fmt"
	"os"
	"sync"
	"time"

	"gearwitness/capture"
)

// sendQueue is the most frames that wait for the serial line.
const sendQueue = 16

// sending is what was handed to the adapter and is not settled yet.
type sending struct {
	queue chan capture.Frame // to be written

	mu   sync.Mutex
	open []pending // written and not answered, oldest first
	lost []string  // what could not be written, to be told
	mute bool      // the adapter does not say what became of a frame
}

// pending is a frame, or a question for the status byte, that the adapter has
// not answered.
type pending struct {
	frame capture.Frame
	at    capture.Stamp
	poll  bool
}

// Send hands a classic data frame to the adapter; see capture.Sender. It never
// waits for the serial line.
func (s *Source) Send(f capture.Frame) error {
	const unfit = capture.Remote | capture.Error | capture.FD
	switch {
	case !s.cfg.Send:
		return capture.ErrListenOnly
	case f.Bus != 0:
		return fmt.Errorf("%s: a frame for channel %d; there is one", s.cfg.Channel.Device, f.Bus)
	case f.Flags&unfit != 0 || f.Len > 8 || f.ID > 0x1FFFFFFF || f.Flags&capture.Extended == 0 && f.ID > 0x7FF:
		return fmt.Errorf("%s: only classic data frames are sent", s.cfg.Channel.Device)
	}
	select {
	case <-s.stop:
		return os.ErrClosed
	default:
	}
	f.Flags |= capture.Own
	select {
	case s.sending.queue <- f:
		return nil
	default:
		return fmt.Errorf("%s: %d frames wait to be sent already; the serial line takes no more", s.cfg.Channel.Device, sendQueue)
	}
}

// deliver writes what is to be sent until the source is closed.
func (s *Source) deliver() {
	var line []byte
	for {
		select {
		case <-s.stop:
			return
		case f := <-s.sending.queue:
			line = AppendFrame(line[:0], &f, NoStamp)
			p := pending{frame: f, at: s.clock.Now()}
			s.await(p)
			if err := s.write(context.Background(), string(line)); err != nil {
				s.unsent(p, err)
			}
			// On a silent bus nothing else would make Next look.
			s.in.Wake()
			time.AfterFunc(answerTime, s.in.Wake)
		}
	}
}

// await enters something that the adapter is to answer. Without sending, nobody
// asks.
func (s *Source) await(p pending) {
	if !s.cfg.Send {
		return
	}
	s.sending.mu.Lock()
	defer s.sending.mu.Unlock()
	s.sending.open = append(s.sending.open, p)
}

// unsent takes back what could not be written.
func (s *Source) unsent(p pending, err error) {
	s.sending.mu.Lock()
	defer s.sending.mu.Unlock()
	for i := range s.sending.open {
		if s.sending.open[i] == p {
			s.sending.take(i)
			s.sending.lost = append(s.sending.lost, fmt.Sprintf("%s was not taken in time: %v", text(&p.frame), err))
			return
		}
	}
}

// take removes entry i.
func (s *sending) take(i int) pending {
	p := s.open[i]
	s.open = append(s.open[:i], s.open[i+1:]...)
	return p
}

// answered returns the oldest frame, or question for the status byte, that waits
// for its answer.
func (s *Source) answered(poll bool) (pending, bool) {
	s.sending.mu.Lock()
	defer s.sending.mu.Unlock()
	for i, p := range s.sending.open {
		if p.poll == poll {
			return s.sending.take(i), true
		}
	}
	return pending{}, false
}

// refused notes that the adapter said no to what it was asked first.
func (s *Source) refused(b *capture.Batch) {
	s.sending.mu.Lock()
	defer s.sending.mu.Unlock()
	if len(s.sending.open) == 0 {
		return
	}
	if p := s.sending.take(0); !p.poll {
		s.note(b, "send", fmt.Sprintf("%s refuses to send %s", s.cfg.Channel.Device, text(&p.frame)))
	}
}

// settle records as sent the frames that got no answer in time, for that is what
// an adapter without answers does, and tells what could not be written.
func (s *Source) settle(b *capture.Batch) {
	if !s.cfg.Send {
		return
	}
	s.sending.mu.Lock()
	defer s.sending.mu.Unlock()
	for _, l := range s.sending.lost {
		s.note(b, "send", l)
	}
	s.sending.lost = nil
	now := s.clock.Now()
	for len(s.sending.open) > 0 {
		p := s.sending.open[0]
		if !s.sending.mute && now.Sub(p.at) < answerTime {
			return
		}
		s.sending.take(0)
		if p.poll {
			continue
		}
		if !s.sending.mute {
			s.sending.mute = true
			s.note(b, "send", s.cfg.Channel.Device+" does not say whether it sends; frames handed to it are recorded as sent")
		}
		s.last = max(s.last, p.at)
		p.frame.Time = s.last
		b.Frames = append(b.Frames, p.frame)
	}
}

// text shows a frame to people: identifier and data.
func text(f *capture.Frame) string {
	id := fmt.Sprintf("%03X", f.ID)
	if f.Flags&capture.Extended != 0 {
		id = fmt.Sprintf("%08X", f.ID)
	}
	return fmt.Sprintf("%s % X", id, f.Payload())
}

var _ capture.Sender = (*Source)(nil)
