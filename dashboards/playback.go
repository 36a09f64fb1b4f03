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
	"time"

	"gearwitness/capture"
	"gearwitness/capture/pcapng"
	"gearwitness/dashboards/board"
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

// PlaybackState is how a playback stands; see Status.
type PlaybackState struct {
	Paused  bool    `json:"paused"`
	Ended   bool    `json:"ended"`
	Speed   float64 `json:"speed"`   // seconds of the recording in one of ours
	Fastest float64 `json:"fastest"` // the speed that means: as fast as possible
	At      float64 `json:"at"`      // seconds since session start
}

// playback is nil where nothing is played back.
func (s *Server) playback(o *board.Overview) *PlaybackState {
	p := s.o.Playback
	if p == nil {
		return nil
	}
	return &PlaybackState{Paused: p.Paused(), Speed: p.Speed(), Fastest: pcapng.MaxSpeed, Ended: o.Ended, At: o.Now}
}

func (s *Server) replyPlayback(w http.ResponseWriter) {
	o := s.board.Overview()
	reply(w, s.playback(&o))
}

const notPlaying = "no recording is being played back, so there is nothing to steer; start with --from capture:FILE"

func (s *Server) playbackHandler(w http.ResponseWriter, _ *http.Request) {
	if s.o.Playback == nil {
		refuse(w, http.StatusConflict, notPlaying)
		return
	}
	s.replyPlayback(w)
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
		start, _, _ := s.board.Span()
		err = p.Seek(start.Add(seconds(*q.Seek)))
	}
	if err == nil && q.Step != nil {
		err = p.Step(seconds(*q.Step))
	}
	if err != nil {
		refuse(w, http.StatusInternalServerError, "the playback cannot do that: "+err.Error())
		return
	}
	s.replyPlayback(w)
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
	reply(w, s.o.Moments.After(n))
}
