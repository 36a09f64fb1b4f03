package dashboards

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"slices"
	"strings"

	"gearwitness/decode/procedure"
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

// The JSON of procedures and readings.
type (
	// ProcedureList is /api/v1/procedures.
	ProcedureList struct {
		Can        bool        `json:"can"` // they can be begun and stopped
		Why        string      `json:"why"` // why they cannot, in a sentence
		Procedures []Procedure `json:"procedures"`
	}
	// Procedure is one procedure and how it stands.
	Procedure struct {
		Name     string          `json:"name"`
		Title    string          `json:"title"`
		Note     string          `json:"note"`
		Cautions []string        `json:"cautions"`
		StopWhen []Need          `json:"stop_when"` // what ends it at once
		Steps    []Step          `json:"steps"`
		Status   ProcedureStatus `json:"status"`
	}
	// Need is a condition in words and as it was written.
	Need struct {
		Name string `json:"name"`
		Say  string `json:"say"`
		When string `json:"when"`
	}
	// Step is one step of a procedure; times are 0 where it has none.
	Step struct {
		Name    string   `json:"name"`
		Say     string   `json:"say"`
		Of      int      `json:"of"`    // how often
		Gears   []string `json:"gears"` // engaged in this order, once each time; empty: the conditions hold for a time
		Until   string   `json:"until"`
		Hold    []Band   `json:"hold"`
		Grace   float64  `json:"grace_s"`
		For     float64  `json:"for_s"`
		AtMost  float64  `json:"at_most_s"`
		Rest    float64  `json:"rest_s"`
		Within  float64  `json:"within_s"`
		Measure []string `json:"measure"`
	}
	// Band is what a signal must be while a step counts.
	Band struct {
		Signal string  `json:"signal"`
		Title  string  `json:"title"`
		Unit   string  `json:"unit"`
		Low    float64 `json:"low"`
		High   float64 `json:"high"`
	}
	// ProcedureStatus is how a procedure stands; the live stream sends these.
	ProcedureStatus struct {
		Name  string       `json:"name"`
		State string       `json:"state"` // idle, waiting or running
		Ready bool         `json:"ready"` // every need is met, and nothing is blocked
		Needs []NeedStatus `json:"needs"`
		// Blocked says in sentences what that would end it holds or cannot be watched.
		Blocked []string       `json:"blocked"`
		Began   *float64       `json:"began"` // seconds since session start; null: not running
		Step    int            `json:"step"`  // index of the step under way; -1: none
		Steps   []StepProgress `json:"steps"`
		Now     *StepNow       `json:"now"` // null: not running
		// Last is how it ended or was refused last, as its event; null: never.
		Last   *procedure.Change `json:"last"`
		LastAt *float64          `json:"last_at"` // seconds since session start
	}
	// NeedStatus is what must hold before it begins, as it stands.
	NeedStatus struct {
		Need
		Met     bool     `json:"met"`
		Missing []string `json:"missing"` // signals without a value
	}
	// StepProgress is how far a step is.
	StepProgress struct {
		Name    string `json:"name"`
		State   string `json:"state"` // to come, running, done, not done or stopped
		Count   int    `json:"count"`
		Of      int    `json:"of"`
		Spoiled int    `json:"spoiled"` // tries that came to nothing
		Why     string `json:"why"`     // the last of them, because
	}
	// StepNow is the step under way.
	StepNow struct {
		Left     float64   `json:"left_s"`      // of its time limit
		Counting bool      `json:"counting"`    // a try is under way
		Held     float64   `json:"held_s"`      // for how long
		RestLeft float64   `json:"rest_left_s"` // until the next try may begin
		Gears    int       `json:"gears_done"`  // of the step's gears, engaged in this try
		Until    *bool     `json:"until"`       // whether the condition holds; null: none, or cannot be judged
		Bands    []BandNow `json:"bands"`
	}
	// BandNow is a band as it stands.
	BandNow struct {
		Band
		Value *float64 `json:"value"` // null: none
		Holds bool     `json:"holds"`
	}
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

// proceduresShown is what the board knows of procedures.
type proceduresShown struct {
	list    []ProcedureStatus
	body    []byte // as the live stream sends it
	version uint64 // grows when it changes
}

// Procedures tells the board how the procedures stand.
func (b *Board) Procedures(list []procedure.Status) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.procedures.list = make([]ProcedureStatus, len(list))
	for i := range list {
		b.procedures.list[i] = b.procedureStatus(&list[i])
	}
	body, err := json.Marshal(map[string]any{"procedures": b.procedures.list})
	if err != nil || bytes.Equal(body, b.procedures.body) {
		return
	}
	b.procedures.body = body
	b.procedures.version++
}

// proceduresSince returns what the live stream sends, nil when nothing has
// changed since that version.
func (b *Board) proceduresSince(version uint64) ([]byte, uint64) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.procedures.version == version {
		return nil, version
	}
	return b.procedures.body, b.procedures.version
}

func (b *Board) procedureStatus(p *procedure.Status) ProcedureStatus {
	st := ProcedureStatus{Name: p.Name, State: p.State, Ready: true, Needs: []NeedStatus{}, Step: p.Step, Steps: []StepProgress{}, Last: p.Last}
	if p.Last != nil {
		at := b.seconds(p.LastAt)
		st.LastAt = &at
	}
	for _, n := range p.Needs {
		st.Ready = st.Ready && n.Met
		st.Needs = append(st.Needs, NeedStatus{Need{n.Name, n.Say, n.When}, n.Met, append([]string{}, n.Missing...)})
	}
	st.Blocked = append([]string{}, p.Blocked...)
	st.Ready = st.Ready && len(p.Blocked) == 0
	for _, s := range p.Steps {
		st.Steps = append(st.Steps, StepProgress(s))
	}
	if p.Now == nil {
		return st
	}
	began := b.seconds(p.BeganAt)
	st.Began = &began
	n := &StepNow{Left: p.Now.Left.Sub(0).Seconds(), Counting: p.Now.Counting, Held: p.Now.Held.Sub(0).Seconds(), RestLeft: p.Now.RestLeft.Sub(0).Seconds(),
		Gears: p.Now.Gears, Until: p.Now.Until, Bands: []BandNow{}}
	for _, x := range p.Now.Bands {
		n.Bands = append(n.Bands, BandNow{b.band(x.Signal, x.Low, x.High), x.Value, x.Holds})
	}
	st.Now = n
	return st
}

func (b *Board) band(signal string, low, high float64) Band {
	out := Band{Signal: signal, Title: signal, Low: low, High: high}
	if i := b.table.Index(signal); i >= 0 {
		out.Title, out.Unit = b.table.Signals[i].Title, string(b.table.Signals[i].Unit)
	}
	return out
}

// procedureList returns the definitions with how they stand.
func (s *Server) procedureList() ProcedureList {
	b := s.board
	why := s.cannotCoach()
	out := ProcedureList{Can: why == "", Why: why, Procedures: []Procedure{}}
	b.mu.Lock()
	defer b.mu.Unlock()
	for _, e := range b.file.Procedures {
		p := Procedure{Name: e.Name, Title: e.V.Title, Note: e.V.Note, Cautions: append([]string{}, e.V.Cautions...), StopWhen: []Need{}, Steps: []Step{},
			Status: ProcedureStatus{Name: e.Name, State: procedure.Idle, Needs: []NeedStatus{}, Blocked: []string{}, Step: -1, Steps: []StepProgress{}}}
		for _, n := range e.V.StopWhen {
			p.StopWhen = append(p.StopWhen, Need{n.Name, n.V.Say, n.V.When})
		}
		for _, st := range e.V.Steps {
			x := Step{Name: st.Name, Say: st.V.Say, Of: st.V.Count(), Gears: append([]string{}, st.V.Gears...), Until: st.V.Until, Hold: []Band{},
				Grace: st.V.Grace.Seconds(), For: st.V.For.Seconds(), AtMost: st.V.AtMost.Seconds(), Rest: st.V.Rest.Seconds(), Within: st.V.Within.Seconds(),
				Measure: append([]string{}, st.V.Measure...)}
			for _, h := range st.V.Hold {
				x.Hold = append(x.Hold, b.band(h.Name, h.V.Low, h.V.High))
			}
			p.Steps = append(p.Steps, x)
		}
		if i := slices.IndexFunc(b.procedures.list, func(st ProcedureStatus) bool { return st.Name == e.Name }); i >= 0 {
			p.Status = b.procedures.list[i]
		}
		out.Procedures = append(out.Procedures, p)
	}
	return out
}

// cannotCoach says why no procedure can be begun; empty when it can.
func (s *Server) cannotCoach() string {
	switch {
	case s.o.Playback != nil:
		return "A recording is being played back; a procedure is done while driving."
	case s.o.Coach == nil:
		return "Nothing is being driven, so there is no procedure to watch."
	}
	return ""
}

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

func (s *Server) procedureRoutes(mux *http.ServeMux) {
	mux.HandleFunc("GET /api/v1/procedures", func(w http.ResponseWriter, _ *http.Request) { reply(w, s.procedureList()) })
	mux.HandleFunc("POST /api/v1/procedures/{name}", s.coachHandler)
	mux.HandleFunc("GET /api/v1/readings", func(w http.ResponseWriter, _ *http.Request) { reply(w, s.benchSheet()) })
	mux.HandleFunc("POST /api/v1/readings", s.readingHandler)
}

// coachHandler takes {"action": "begin", "cautions_known": true} or {"action":
// "stop"}. It answers 202: the procedure begins when the analysis, a moment
// behind, has come there. Who leaves cautions_known out is told the cautions.
func (s *Server) coachHandler(w http.ResponseWriter, r *http.Request) {
	if why := s.cannotCoach(); why != "" {
		refuse(w, http.StatusConflict, why)
		return
	}
	body, ok := jsonBody(w, r)
	if !ok {
		return
	}
	var ask struct {
		Action string `json:"action"`
		Known  bool   `json:"cautions_known"`
	}
	if readObject(body, &ask) != nil || ask.Action != procedure.Begin && ask.Action != procedure.Stop {
		refuse(w, http.StatusBadRequest, `expected {"action": "begin", "cautions_known": true} or {"action": "stop"} and nothing else`)
		return
	}
	name := r.PathValue("name")
	list := s.procedureList().Procedures
	i := slices.IndexFunc(list, func(p Procedure) bool { return p.Name == name })
	if i < 0 {
		var names []string
		for _, p := range list {
			names = append(names, p.Name)
		}
		detail := "the vehicle file has no procedures"
		if names != nil {
			detail = fmt.Sprintf("there is no procedure %q; there are %s", clip(name), strings.Join(names, ", "))
		}
		refuse(w, http.StatusNotFound, detail)
		return
	}
	if err := mayCoach(list, i, ask.Action); err != nil {
		refuse(w, http.StatusConflict, err.Error())
		return
	}
	if ask.Action == procedure.Begin && !ask.Known {
		refuse(w, http.StatusConflict, `everybody in the vehicle must know its cautions first; then say so with "cautions_known": true. `+strings.Join(list[i].Cautions, " "))
		return
	}
	if err := s.o.Coach(procedure.Request{Procedure: name, Action: ask.Action}); err != nil {
		refuse(w, http.StatusInternalServerError, "it was not written down: "+err.Error())
		return
	}
	w.WriteHeader(http.StatusAccepted)
}

// mayCoach says why a procedure cannot be begun or stopped as things stand.
func mayCoach(list []Procedure, i int, action string) error {
	p := &list[i]
	if action == procedure.Stop {
		if p.Status.State == procedure.Idle {
			return fmt.Errorf("%s is not under way", p.Title)
		}
		return nil
	}
	for j := range list {
		switch o := &list[j]; {
		case o.Status.State == procedure.Idle:
		case j == i:
			return fmt.Errorf("%s is under way already", p.Title)
		case o.Status.State == procedure.Waiting:
			return fmt.Errorf("%s waits to begin; stop it first", o.Title)
		default:
			return fmt.Errorf("%s is under way; stop it first", o.Title)
		}
	}
	var unmet []string
	for _, n := range p.Status.Needs {
		if n.Met {
			continue
		}
		text := n.Say
		if len(n.Missing) > 0 {
			text += " (no value: " + strings.Join(n.Missing, ", ") + ")"
		}
		unmet = append(unmet, text)
	}
	if unmet != nil {
		return errors.New("it cannot begin yet. Needed: " + strings.Join(unmet, "; "))
	}
	if len(p.Status.Blocked) > 0 {
		return errors.New("it cannot begin. " + strings.Join(p.Status.Blocked, " "))
	}
	return nil
}

// benchSheet returns the sheet with what has been entered.
func (s *Server) benchSheet() BenchSheet {
	why := s.cannotRead()
	out := BenchSheet{Can: why == "", Why: why, Lines: []BenchLine{}}
	var entered []readings.Entry
	if s.o.Readings != nil {
		entered = s.o.Readings.Entered()
	}
	out.Lines = append(out.Lines, BenchLines(s.board.file, entered)...)
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
