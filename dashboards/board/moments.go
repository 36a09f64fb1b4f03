package board

import (
	"encoding/json"
	"math"
	"sync"

	"gearwitness/capture"
	"gearwitness/decode"
)

// Moments are the shifts, marks and alarms of a recording that is played back.
// They are found by decoding it once ahead, so that one can jump to them before
// they have been played. Any goroutine may use them.
type Moments struct {
	start capture.Stamp // of the recording

	mu     sync.Mutex
	list   []Moment
	beyond uint64
	to     capture.Stamp
	done   bool
	fault  string
}

// Moment is one of Moments.
type Moment struct {
	T     float64 `json:"t"`    // seconds since session start; a shift's is its start
	Kind  string  `json:"kind"` // shift, mark or alarm
	Text  string  `json:"text"`
	Level string  `json:"level,omitempty"` // of an alarm
}

// maxMoments bounds what is kept: a shift every five seconds for a day.
const maxMoments = 20_000

// NewMoments begins with a recording whose first stamp is start.
func NewMoments(start capture.Stamp) *Moments { return &Moments{start: start, to: start} }

// Take takes what one step of decoding gave out, and the time it has come to.
func (m *Moments) Take(out *decode.Output, to capture.Stamp) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.to = max(m.to, to)
	for _, e := range out.Events {
		at, ok := m.moment(e)
		switch {
		case !ok:
		case len(m.list) == maxMoments:
			m.beyond++
		default:
			m.list = append(m.list, at)
		}
	}
}

func (m *Moments) moment(e decode.Event) (at Moment, ok bool) {
	if e.Kind != decode.KindShift && e.Kind != decode.KindMark && e.Kind != decode.KindAlarm {
		return at, false
	}
	data, err := json.Marshal(e.Fields)
	if err != nil {
		return at, false
	}
	var v struct {
		alarmView
		shiftView
		Text  string   `json:"text"`
		Start *float64 `json:"start_s"`
	}
	if json.Unmarshal(data, &v) != nil {
		return at, false
	}
	at = Moment{T: e.Time.Sub(m.start).Seconds(), Kind: e.Kind, Text: v.Text}
	switch e.Kind {
	case decode.KindShift:
		at.Text = v.From + " → " + v.To
		if v.Start != nil {
			at.T = capture.Stamp(math.Round(*v.Start * 1e9)).Sub(m.start).Seconds()
		}
	case decode.KindAlarm:
		if v.State != "raised" {
			return at, false
		}
		at.Text, at.Level = v.Say, v.Level
		if at.Text == "" {
			at.Text = v.Alarm
		}
	}
	at.T = math.Round(at.T*1e3) / 1e3
	return at, true
}

// End says that the recording has been read to its end, or that it cannot be
// read any further.
func (m *Moments) End(err error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.done = true
	if err != nil {
		m.fault = Sentence("the recording could be read no further than this: "+err.Error(), "")
	}
}

// MomentList is /api/v1/playback/moments?after=N: those behind the first N.
type MomentList struct {
	To      float64  `json:"to"`      // seconds since session start read so far; the whole recording when done
	Done    bool     `json:"done"`    //
	Problem string   `json:"problem"` // why it could not be read to its end; empty if it could
	Beyond  uint64   `json:"beyond"`  // how many more there were than are kept
	Moments []Moment `json:"moments"` // as they came to be known
}

// After returns what is known behind the first n of them.
func (m *Moments) After(n int) MomentList {
	m.mu.Lock()
	defer m.mu.Unlock()
	n = min(n, len(m.list))
	return MomentList{To: m.to.Sub(m.start).Seconds(), Done: m.done, Problem: m.fault, Beyond: m.beyond, Moments: append([]Moment{}, m.list[n:]...)}
}
