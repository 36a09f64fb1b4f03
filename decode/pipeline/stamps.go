package pipeline

import (
	"fmt"

	"gearwitness/capture"
	"gearwitness/decode"
)

// clock is the event time of a recording, and what it makes of time stamps.
type clock struct {
	now   capture.Stamp // the latest time stamp believed
	begun bool
	// sure is how far ahead of now, exclusive, a frame is believed without a further
	// look; 0: none is.
	sure  capture.Stamp
	doubt capture.Frame // far ahead, until the next bears it out
	waits bool          // doubt holds a frame

	late, tooLate uint64
	wrong         wrongStamps // of frames
	wrongLines    wrongStamps

	toldBack, toldWrong bool
}

// plain tells that a stamp is neither behind the latest nor far ahead.
func (c *clock) plain(t capture.Stamp) bool { return uint64(t-c.now) < uint64(c.sure) }

// begin starts the clock with the first time stamp.
func (c *clock) begin(t capture.Stamp) {
	c.begun, c.now = true, t
	if !c.waits {
		c.sure = capture.Leap
	}
}

// wrongStamps counts what bears a wrong time stamp.
type wrongStamps struct {
	count uint64
	first capture.Stamp
}

func (w *wrongStamps) add(t capture.Stamp) {
	if w.count++; w.count == 1 {
		w.first = t
	}
}

// tell says so, once. What bears a wrong stamp has no time of its own: that of the
// frame after it counts, or the end of the recording.
func (c *clock) tell(w *wrongStamps, out *decode.Output) {
	if w.count == 0 || c.toldWrong {
		return
	}
	c.toldWrong = true
	out.Events = append(out.Events, decode.Event{Time: c.now, Kind: decode.KindNote, Fields: note{
		Text: fmt.Sprintf("a time stamp of %s s cannot be right; what bears such a stamp is not decoded", decode.AppendSeconds(nil, int64(w.first))),
	}})
}

// hold keeps a frame until the next one bears its stamp out.
func (c *clock) hold(f *capture.Frame) { c.doubt, c.waits, c.sure = *f, true, 0 }

// release gives back the frame that waits.
func (c *clock) release() capture.Frame {
	c.waits, c.sure = false, capture.Leap
	return c.doubt
}

// arrive handles a time stamp: it returns the time it counts as, and false where it
// is too late.
func (c *clock) arrive(t capture.Stamp, out *decode.Output) (capture.Stamp, bool) {
	if t >= c.now {
		return t, true
	}
	c.late++
	if c.now-t <= capture.MaxLate {
		return c.now, true
	}
	c.tooLate++
	if !c.toldBack {
		c.toldBack = true
		out.Events = append(out.Events, decode.Event{Time: c.now, Kind: decode.KindNote, Fields: note{
			Text: fmt.Sprintf("the clock of the recording steps back by %s s; what is more than %s s behind is not decoded; split the recording here to see the rest",
				decode.AppendSeconds(nil, int64(c.now-t)), decode.AppendSeconds(nil, int64(capture.MaxLate))),
		}})
	}
	return t, false
}

type note struct {
	Text string `json:"text"`
}
