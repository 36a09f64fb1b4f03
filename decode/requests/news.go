package requests

import (
	"gearwitness/capture"
	"gearwitness/decode"
)

// News is what becomes of the requests: it stands in the journal and among the
// events.
type News struct {
	State string `json:"state"` // Sending, Paused or Stopped
	Text  string `json:"text"`  // one sentence for people
}

// States of the requests as a whole.
const (
	Sending = "sending"
	Paused  = "paused"
	Stopped = "stopped"
)

// Event returns the news as an event of time t.
func (n News) Event(t capture.Stamp) decode.Event {
	return decode.Event{Time: t, Kind: decode.KindRequests, Fields: n}
}
