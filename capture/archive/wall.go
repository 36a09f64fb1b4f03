package archive

import (
	"fmt"
	"time"
)

// A session counts time by the monotonic clock, which neither a set of the wall
// clock nor, on most systems, the sleep of the machine moves. Both are written
// down, so that the stamps of a session can be laid beside other records of the
// day.

// stepLimit is how far the wall clock may stray between two looks before that
// is worth an entry; time servers slew by less.
const stepLimit = 500 * time.Millisecond

// clocks is one look at the clocks.
type clocks struct {
	wall   time.Time     // without its monotonic reading
	ran    time.Duration // monotonic, since some moment
	asleep time.Duration // the machine has slept since it was started
	knows  bool          // asleep is known here
}

func lookAtClocks(start time.Time) clocks {
	now := time.Now()
	asleep, knows := asleepSinceBoot()
	return clocks{wall: now.Round(0), ran: now.Sub(start), asleep: asleep, knows: knows}
}

// clockEvent is a journal entry about the clocks.
type clockEvent struct {
	Text   string  `json:"text"`
	Step   float64 `json:"step_s,omitempty"`
	Asleep float64 `json:"asleep_s,omitempty"`
	Wall   string  `json:"wall"`
}

// compareClocks says what has happened between two looks, nil if nothing has.
func compareClocks(before, now clocks) *clockEvent {
	ran := now.ran - before.ran
	step := now.wall.Sub(before.wall) - ran
	ev := &clockEvent{Wall: stampText(now.wall)}
	if before.knows && now.knows {
		if slept := now.asleep - before.asleep; slept > stepLimit {
			step -= slept
			ev.Asleep = slept.Seconds()
			ev.Text = fmt.Sprintf("the machine slept for %.1f s; nothing was recorded", slept.Seconds())
		}
	}
	if step.Abs() > stepLimit {
		ev.Step = step.Seconds()
		text := fmt.Sprintf("the wall clock was set by %+.1f s", step.Seconds())
		if !now.knows && step > 0 {
			text = fmt.Sprintf("the machine slept or its wall clock was set forward, %.1f s", step.Seconds())
		}
		if ev.Text != "" {
			text = ev.Text + "; " + text
		}
		ev.Text = text
	}
	if ev.Text == "" {
		return nil
	}
	return ev
}
