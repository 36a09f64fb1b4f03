package dashboards

import (
	"context"
	"encoding/json"
	"math"
	"net/http"
	"strconv"
	"time"

	"gearwitness/dashboards/board"
)

const (
	liveEvery   = 50 * time.Millisecond  // values: 20 Hz
	statusEvery = 500 * time.Millisecond // the rest of the header
	liveClients = 16                     // streams at a time
	writeWithin = 10 * time.Second       // a browser that takes nothing for so long is let go
)

// live streams what changes as server-sent events:
//
//	start   at first: {instance, seq, round}; another instance means another run
//	        of the program; sent again, with another round, where a playback
//	        jumped: nothing of before counts any more
//	values  20 times a second: {t, i, v, s, at}: event time in seconds since
//	        session start, and for each signal that changed its index in
//	        /api/v1/signals, value or null, state code, and time of its sample
//	status  twice a second: as /api/v1/status
//	procedures  where one of them stands otherwise than before: {procedures},
//	        of each its status as in /api/v1/procedures
//	event   for every new event: as in /api/v1/events
//
// Nothing is queued for a client. It gets the state of the moment whenever it
// has taken the last one; what it missed between is counted.
func (s *Server) live(w http.ResponseWriter, r *http.Request) {
	if s.streams.Add(1) > liveClients {
		s.streams.Add(-1)
		w.Header().Set("Retry-After", "5")
		refuse(w, http.StatusServiceUnavailable, strconv.Itoa(liveClients)+" pages are open already; close one of them")
		return
	}
	defer s.streams.Add(-1)
	h := w.Header()
	h.Set("Content-Type", "text/event-stream")
	h.Set("Cache-Control", "no-store")
	h.Set("X-Accel-Buffering", "no")
	st := stream{s: s, w: w, rc: http.NewResponseController(w), sent: make([]board.Reading, len(s.board.Table().Signals)), now: make([]board.Reading, len(s.board.Table().Signals))}
	for i := range st.sent {
		st.sent[i].State = board.StateNever
	}
	st.run(r.Context(), r.Header.Get("Last-Event-ID"))
}

// stream is one client of the live stream.
type stream struct {
	s         *Server
	w         http.ResponseWriter
	rc        *http.ResponseController
	buf       []byte
	sent, now []board.Reading
	round     uint64
	seq       uint64
	coached   uint64 // version of the procedures as this client knows them
}

func (st *stream) run(ctx context.Context, lastID string) {
	st.round, st.seq = st.s.board.Round(), st.s.board.LastEvent()
	if id, err := strconv.ParseUint(lastID, 10, 64); err == nil && id <= st.seq {
		st.seq = id // a browser that was cut off asks for what it missed
	}
	st.buf = append(st.buf, "retry: 1000\n"...)
	st.start()

	tick := time.NewTicker(liveEvery)
	defer tick.Stop()
	var status, last time.Time
	for now := time.Now(); ; {
		if round := st.s.board.Round(); round != st.round {
			st.round, st.seq = round, st.s.board.LastEvent()
			for i := range st.sent {
				st.sent[i] = board.Reading{State: board.StateNever}
			}
			status, st.coached = time.Time{}, 0
			st.start()
		}
		st.values()
		if now.Sub(status) >= statusEvery {
			status = now
			st.status()
		}
		st.procedures()
		st.events()
		if !st.flush() {
			return
		}
		last = now
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
			now = time.Now()
		}
		if missed := int64(now.Sub(last)/liveEvery) - 1; missed > 0 {
			st.s.skipped.Add(uint64(missed))
		}
	}
}

// start appends whose words follow.
func (st *stream) start() {
	st.buf = append(st.buf, "event: start\ndata: {\"instance\":"...)
	st.buf = strconv.AppendQuote(st.buf, st.s.instance)
	st.buf = append(st.buf, ",\"seq\":"...)
	st.buf = strconv.AppendUint(st.buf, st.seq, 10)
	st.buf = append(st.buf, ",\"round\":"...)
	st.buf = strconv.AppendUint(st.buf, st.round, 10)
	st.buf = append(st.buf, "}\n\n"...)
}

// values appends what changed since this client was last told.
func (st *stream) values() {
	b := st.s.board
	t, start := b.Readings(st.now, board.EyeGrace)
	st.buf = append(st.buf, "event: values\ndata: {\"t\":"...)
	st.buf = appendSeconds(st.buf, t.Sub(start).Seconds())
	changed := func(i int) bool {
		n, o := &st.now[i], &st.sent[i]
		return n.State != o.State || n.Value != o.Value
	}
	list := func(name string, put func(b []byte, i int) []byte) {
		st.buf = append(st.buf, `,"`...)
		st.buf = append(st.buf, name...)
		st.buf = append(st.buf, `":[`...)
		first := true
		for i := range st.now {
			if !changed(i) {
				continue
			}
			if !first {
				st.buf = append(st.buf, ',')
			}
			first = false
			st.buf = put(st.buf, i)
		}
		st.buf = append(st.buf, ']')
	}
	for i := range st.now {
		st.now[i].Value = round(st.now[i].Value, b.Table().Signals[i].Digits)
	}
	list("i", func(o []byte, i int) []byte { return strconv.AppendInt(o, int64(i), 10) })
	list("v", func(o []byte, i int) []byte {
		if s := st.now[i].State; s == board.StateNotAvailable || s == board.StateError {
			return append(o, "null"...)
		}
		return strconv.AppendFloat(o, st.now[i].Value, 'f', -1, 64)
	})
	list("s", func(o []byte, i int) []byte { return strconv.AppendInt(o, int64(st.now[i].State), 10) })
	list("at", func(o []byte, i int) []byte { return appendSeconds(o, st.now[i].At.Sub(start).Seconds()) })
	st.buf = append(st.buf, "}\n\n"...)
	st.sent, st.now = st.now, st.sent
}

// status appends the state of everything but the values.
func (st *stream) status() {
	body, err := json.Marshal(st.s.status())
	if err != nil {
		return // plain strings and numbers: cannot happen
	}
	st.buf = append(append(append(st.buf, "event: status\ndata: "...), body...), "\n\n"...)
}

// procedures appends how the procedures stand, where that has changed.
func (st *stream) procedures() {
	body, version := st.s.board.ProceduresSince(st.coached)
	if st.coached = version; body != nil {
		st.buf = append(append(append(st.buf, "event: procedures\ndata: "...), body...), "\n\n"...)
	}
}

// events appends the events this client has not had, the oldest first. Its
// cursor is its own: a slow client still gets each that the board keeps.
func (st *stream) events() {
	for _, e := range st.s.board.Events(st.seq, "", 0) {
		body, err := json.Marshal(e)
		if err != nil {
			continue
		}
		st.buf = append(strconv.AppendUint(append(st.buf, "id: "...), e.Seq, 10), "\nevent: event\ndata: "...)
		st.buf = append(append(st.buf, body...), "\n\n"...)
		st.seq = e.Seq
	}
}

// flush hands over what has gathered, waiting for this client only.
func (st *stream) flush() bool {
	// A writer that knows no deadline (a test's recorder) cannot block either.
	st.rc.SetWriteDeadline(time.Now().Add(writeWithin))
	if _, err := st.w.Write(st.buf); err != nil {
		return false
	}
	st.buf = st.buf[:0]
	return st.rc.Flush() == nil
}

// round keeps the decimals worth showing, so that noise below them is not sent.
func round(v float64, digits int) float64 {
	p := math.Pow10(min(max(digits, 0), 9))
	if r := math.Round(v*p) / p; !math.IsInf(r, 0) && !math.IsNaN(r) {
		return r
	}
	return v
}

// appendSeconds appends seconds with milliseconds.
func appendSeconds(b []byte, s float64) []byte {
	return strconv.AppendFloat(b, math.Round(s*1e3)/1e3, 'f', -1, 64)
}
