package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"os"

	"gearwitness/capture"
	"gearwitness/capture/archive"
	"gearwitness/decode"
	"gearwitness/decode/pipeline"
	"gearwitness/decode/procedure"
	"gearwitness/decode/requests"
	"gearwitness/signals"
)

// isSession tells whether path is a folder and so, if anything, a session.
func isSession(path string) bool {
	info, err := os.Stat(path)
	return err == nil && info.IsDir()
}

// sessionVehicle reads the vehicle file a session was recorded with.
func sessionVehicle(folder string) (*signals.File, error) {
	s, err := archive.Open(folder)
	if err != nil {
		return nil, err
	}
	text, err := s.Vehicle()
	if err != nil {
		return nil, err
	}
	f, list := signals.Parse(folder+"/data/vehicle.yaml", text, nil)
	if err := list.Err(); err != nil {
		return nil, err
	}
	return f, nil
}

// mark is a remark of the user at a moment of the drive.
type mark struct {
	Text string `json:"text"`
}

func (m mark) event(t capture.Stamp) decode.Event {
	return decode.Event{Time: t, Kind: decode.KindMark, Fields: m}
}

// injectMarks gives the chain what a session's journal adds to the events, so
// that it stands there where it stood live.
func injectMarks(chain *pipeline.Pipeline, folder string) (unread []string, err error) {
	events, unread, err := journalEvents(folder)
	for _, e := range events {
		chain.Inject(e)
	}
	return unread, err
}

// journalEvents returns the marks of a session's journal, what it says of requests
// and when procedures were begun and stopped. unread says which lines of the journal could not be read; no frame is
// lost by them.
func journalEvents(folder string) (events []decode.Event, unread []string, err error) {
	s, err := archive.Open(folder)
	if err != nil {
		return nil, nil, err
	}
	bad := func(err error) { unread = append(unread, fmt.Sprintf("Journal: %v; that line was left out.", err)) }
	for e, err := range s.Journal() {
		if errors.Is(err, archive.ErrCutJournal) {
			break // what a power failure leaves; the frames are cut there too
		}
		if err != nil {
			bad(err)
			continue
		}
		switch e.Kind {
		case archive.KindMark:
			var m mark
			if err := json.Unmarshal(e.Fields, &m); err != nil {
				bad(fmt.Errorf("a mark without text: %w", err))
				continue
			}
			events = append(events, m.event(e.Time))
		case decode.KindRequests:
			var a requests.News
			if err := json.Unmarshal(e.Fields, &a); err != nil {
				bad(fmt.Errorf("an entry about requests without text: %w", err))
				continue
			}
			events = append(events, a.Event(e.Time))
		case decode.KindCoach:
			var r procedure.Request
			if err := json.Unmarshal(e.Fields, &r); err != nil {
				bad(fmt.Errorf("an entry about a procedure that cannot be understood: %w", err))
				continue
			}
			events = append(events, r.Event(e.Time))
		}
	}
	return events, unread, nil
}

// doubts says in sentences what of a recording was not used and why.
func doubts(c decode.Counters) (lines []string) {
	for _, ch := range c.Channels {
		if ch.Bus == "" && ch.Frames > 0 {
			lines = append(lines, fmt.Sprintf("Channel %s is no bus of the vehicle file: its %s frames were not decoded (name it with as=BUS).", ch.Name, grouped(ch.Frames)))
		}
		for _, l := range ch.Lost {
			lines = append(lines, fmt.Sprintf("Channel %s lost %s.", ch.Name, l.Text(grouped)))
		}
		if ch.BadLines > 0 {
			lines = append(lines, fmt.Sprintf("Channel %s: %s of %s lines were not understood, the first is %q.", ch.Name, grouped(ch.BadLines), grouped(ch.Lines), ch.BadLine))
		}
	}
	for _, f := range c.Frames {
		if f.Short > 0 {
			lines = append(lines, fmt.Sprintf("Frame %s: %s came with too few data bytes and were not decoded.", f.Name, grouped(f.Short)))
		}
		if f.Checksum > 0 {
			lines = append(lines, fmt.Sprintf("Frame %s: %s had a wrong check byte and were not decoded.", f.Name, grouped(f.Checksum)))
		}
		if f.Repeated > 0 {
			lines = append(lines, fmt.Sprintf("Frame %s: in %s the alive counter stood still; they were not decoded.", f.Name, grouped(f.Repeated)))
		}
		if f.Missed > 0 {
			lines = append(lines, fmt.Sprintf("Frame %s: by its alive counter %s were sent that did not reach us.", f.Name, grouped(f.Missed)))
		}
	}
	if c.TooLate > 0 {
		lines = append(lines, fmt.Sprintf("%s frames came too late to be put in order and were not decoded.", grouped(c.TooLate)))
	}
	if c.Timeless > 0 {
		lines = append(lines, fmt.Sprintf("%s frames or lines had a time stamp that cannot be right and were not decoded.", grouped(c.Timeless)))
	}
	return lines
}
