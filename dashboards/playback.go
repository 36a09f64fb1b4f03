package dashboards

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"mime"
	"net/http"
	"strconv"
	"sync"
	"time"

	"gearwitness/capture"
	"gearwitness/capture/pcapng"
	"gearwitness/decode"
)

// Playback is what the server asks of a recording that is being played back;
// pcapng.Player is one. Any goroutine may call it.
type Playback interface {
	Paused() bool
	Speed() float64
	Pause()
	Resume()
	Step(time.Duration) error
	SetSpeed(float64) error
	Seek(capture.Stamp) error
}

// Restart makes the board that of a drive that begins at a time of a recording:
// nothing of before remains but the sources. Second 0 of everything shown is
// start.
func (b *Board) Restart(start, at capture.Stamp) {
	b.traffic.restart()
	b.mu.Lock()
	defer b.mu.Unlock()
	b.round++
	b.started, b.start = true, start
	b.newest, b.analysed, b.decoded = at, at-1, at
	if b.clock != nil {
		b.heard = b.clock.Now()
	}
	b.samples, b.late = 0, 0
	for i := range b.latest {
		b.latest[i] = latest{peak: math.NaN()}
	}
	b.history = newHistory(b.table)
	b.buses, b.shifts, b.alarms, b.counts, b.unusable = nil, nil, nil, nil, nil
	clear(b.events) // numbers go on: a page never has the same twice
}

// restart forgets what was heard.
func (t *traffic) restart() {
	t.mu.Lock()
	defer t.mu.Unlock()
	clear(t.heard)
	clear(t.beyond)
	t.list, t.counts = nil, nil
}

// rounds counts the restarts.
func (b *Board) rounds() uint64 {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.round
}

// PlaybackState is how a playback stands; see Status.
type PlaybackState struct {
	Paused  bool    `json:"paused"`
	Ended   bool    `json:"ended"`
	Speed   float64 `json:"speed"`   // seconds of the recording in one of ours
	Fastest float64 `json:"fastest"` // the speed that means: as fast as possible
	At      float64 `json:"at"`      // seconds since session start
}

// playback is nil where nothing is played back; the board is not locked.
func (s *Server) playback() *PlaybackState {
	p := s.o.Playback
	if p == nil {
		return nil
	}
	st := &PlaybackState{Paused: p.Paused(), Speed: p.Speed(), Fastest: pcapng.MaxSpeed}
	b := s.board
	b.mu.Lock()
	defer b.mu.Unlock()
	st.Ended, st.At = b.ended(), b.seconds(b.shown())
	return st
}

const notPlaying = "no recording is being played back, so there is nothing to steer; start with --from capture:FILE"

func (s *Server) playbackHandler(w http.ResponseWriter, _ *http.Request) {
	if s.o.Playback == nil {
		refuse(w, http.StatusConflict, notPlaying)
		return
	}
	reply(w, s.playback())
}

// steer is what can be asked of a playback at a time, done in this order.
type steer struct {
	Pause  bool     `json:"pause"`
	Resume bool     `json:"resume"`
	Speed  *float64 `json:"speed"`
	Seek   *float64 `json:"seek_s"` // seconds since session start
	Step   *float64 `json:"step_s"` // seconds forward; after a seek, so much is shown at once
}

// Limits of what can be asked of a playback.
const (
	slowest  = 0.01
	maxStepS = 600.0
	maxSeekS = 1e8 // three years
)

// parseSteer reads {"pause": true, "seek_s": 12.5, ...}.
func parseSteer(r io.Reader) (steer, error) {
	var q steer
	if err := readObject(r, &q); err != nil {
		return q, errors.New(`expected an object with some of "pause", "resume" (true), "speed", "seek_s" and "step_s" (numbers) and nothing else`)
	}
	within := func(name string, v *float64, low, high float64) error {
		if v != nil && !(*v >= low && *v <= high) {
			return fmt.Errorf("%s: expected a number from %g to %g, found %g", name, low, high, *v)
		}
		return nil
	}
	switch {
	case q == steer{}:
		return q, errors.New(`expected at least one of "pause", "resume", "speed", "seek_s" and "step_s"`)
	case q.Pause && q.Resume:
		return q, errors.New(`expected one of "pause" and "resume", found both`)
	}
	return q, errors.Join(within("speed", q.Speed, slowest, pcapng.MaxSpeed), within("seek_s", q.Seek, 0, maxSeekS), within("step_s", q.Step, 0, maxStepS))
}

func (s *Server) steerHandler(w http.ResponseWriter, r *http.Request) {
	p := s.o.Playback
	if p == nil {
		refuse(w, http.StatusConflict, notPlaying)
		return
	}
	body, ok := jsonBody(w, r)
	if !ok {
		return
	}
	q, err := parseSteer(body)
	if err != nil {
		refuse(w, http.StatusBadRequest, err.Error())
		return
	}
	if q.Pause {
		p.Pause()
	}
	if q.Resume {
		p.Resume()
	}
	if q.Speed != nil {
		err = p.SetSpeed(*q.Speed)
	}
	if err == nil && q.Seek != nil {
		s.board.mu.Lock()
		start := s.board.start
		s.board.mu.Unlock()
		err = p.Seek(start.Add(seconds(*q.Seek)))
	}
	if err == nil && q.Step != nil {
		err = p.Step(seconds(*q.Step))
	}
	if err != nil {
		refuse(w, http.StatusInternalServerError, "the playback cannot do that: "+err.Error())
		return
	}
	reply(w, s.playback())
}

// seconds to the nearest nanosecond.
func seconds(s float64) time.Duration { return time.Duration(math.Round(s * 1e9)) }

// jsonBody returns the body of a request that says it is JSON: a form of
// another page cannot send this type without asking first.
func jsonBody(w http.ResponseWriter, r *http.Request) (io.Reader, bool) {
	if t, _, err := mime.ParseMediaType(r.Header.Get("Content-Type")); err != nil || t != "application/json" {
		refuse(w, http.StatusUnsupportedMediaType, "expected Content-Type: application/json")
		return nil, false
	}
	return http.MaxBytesReader(w, r.Body, 16<<10), true
}

// readObject reads one JSON object with known members and nothing behind it.
func readObject(r io.Reader, into any) error {
	d := json.NewDecoder(r)
	d.DisallowUnknownFields()
	if err := d.Decode(into); err != nil {
		return err
	}
	if _, err := d.Token(); err != io.EOF {
		return errors.New("something follows the object")
	}
	return nil
}

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
		m.fault = sentence("the recording could be read no further than this: "+err.Error(), "")
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

func (m *Moments) after(n int) MomentList {
	m.mu.Lock()
	defer m.mu.Unlock()
	n = min(n, len(m.list))
	return MomentList{To: m.to.Sub(m.start).Seconds(), Done: m.done, Problem: m.fault, Beyond: m.beyond, Moments: append([]Moment{}, m.list[n:]...)}
}

func (s *Server) momentsHandler(w http.ResponseWriter, r *http.Request) {
	if s.o.Moments == nil {
		refuse(w, http.StatusConflict, notPlaying)
		return
	}
	v, err := query(r.URL.RawQuery, "after")
	if err != nil {
		refuse(w, http.StatusBadRequest, err.Error())
		return
	}
	n := 0
	if t := v.Get("after"); t != "" {
		if n, err = strconv.Atoi(t); err != nil || n < 0 {
			refuse(w, http.StatusBadRequest, fmt.Sprintf("after: expected how many moments are known already, found %q", clip(t)))
			return
		}
	}
	reply(w, s.o.Moments.after(n))
}
