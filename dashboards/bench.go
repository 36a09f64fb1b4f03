package dashboards

import (
	"encoding/json"
	"errors"
	"net/http"
	"slices"

	"gearwitness/decode/readings"
	"gearwitness/signals"
)

// Readings takes what is read on the bench into the session being recorded. Any
// goroutine may call it.
type Readings interface {
	// Enter judges a reading and keeps it; errors are for people.
	Enter(readings.Input) (readings.Entry, error)
	// Entered returns every reading kept, the oldest first.
	Entered() []readings.Entry
}

// The JSON of the bench sheet.
type (
	// BenchSheet is /api/v1/readings.
	BenchSheet struct {
		Can   bool        `json:"can"`
		Why   string      `json:"why"`
		Lines []BenchLine `json:"lines"`
	}
	// BenchLine is one line of the sheet with what has been entered.
	BenchLine struct {
		readings.Line
		Entered *readings.Entry  `json:"entered"` // what counts; null: nothing yet
		Earlier []readings.Entry `json:"earlier"` // what it supersedes, the newest first
	}
)

// cannotRead says why no reading can be entered; empty when it can.
func (s *Server) cannotRead() string {
	switch {
	case s.o.Playback != nil:
		return "A recording is being played back; readings are entered into the session being recorded, or with gearwitness sessions reading."
	case s.o.Readings == nil:
		return "Nothing is being recorded, so there is nowhere to put a reading; start without --no-record."
	}
	return ""
}

// benchSheet returns the sheet with what has been entered.
func (s *Server) benchSheet() BenchSheet {
	why := s.cannotRead()
	out := BenchSheet{Can: why == "", Why: why, Lines: []BenchLine{}}
	var entered []readings.Entry
	if s.o.Readings != nil {
		entered = s.o.Readings.Entered()
	}
	out.Lines = append(out.Lines, BenchLines(s.board.File(), entered)...)
	return out
}

// BenchLines returns the lines of a vehicle file's sheet with what has been
// entered, the oldest first.
func BenchLines(f *signals.File, entered []readings.Entry) []BenchLine {
	var out []BenchLine
	for _, l := range readings.Sheet(f) {
		line := BenchLine{Line: l, Earlier: []readings.Entry{}}
		for _, e := range slices.Backward(entered) {
			switch {
			case e.Reading != l.Name:
			case line.Entered == nil:
				line.Entered = &e
			default:
				line.Earlier = append(line.Earlier, e)
			}
		}
		out = append(out, line)
	}
	return out
}

// readingHandler takes a readings.Input and answers 201 with what was kept.
func (s *Server) readingHandler(w http.ResponseWriter, r *http.Request) {
	if why := s.cannotRead(); why != "" {
		refuse(w, http.StatusConflict, why)
		return
	}
	body, ok := jsonBody(w, r)
	if !ok {
		return
	}
	var in readings.Input
	if readObject(body, &in) != nil {
		refuse(w, http.StatusBadRequest, `expected {"reading": "name", "value": "6.2 Ω", "at": "23 °C", "note": "", "by": ""}, of which reading and value are needed, and nothing else`)
		return
	}
	e, err := s.o.Readings.Enter(in)
	var unkept *UnkeptError
	switch {
	case errors.As(err, &unkept):
		refuse(w, http.StatusInternalServerError, err.Error())
		return
	case err != nil:
		refuse(w, http.StatusBadRequest, err.Error())
		return
	}
	answer, err := json.Marshal(e)
	if err != nil {
		refuse(w, http.StatusInternalServerError, "the reply could not be written: "+err.Error())
		return
	}
	h := w.Header()
	h.Set("Content-Type", "application/json")
	h.Set("Cache-Control", "no-store")
	w.WriteHeader(http.StatusCreated)
	w.Write(answer)
}

// UnkeptError says that a reading was good to enter but could not be written
// down.
type UnkeptError struct{ Err error }

// Error says it.
func (e *UnkeptError) Error() string { return "the reading was not kept: " + e.Err.Error() }

// Unwrap returns why.
func (e *UnkeptError) Unwrap() error { return e.Err }
