package dashboards

import (
	"errors"
	"fmt"
	"net/http"
	"slices"
	"strings"

	"gearwitness/dashboards/board"
	"gearwitness/decode/procedure"
)

// ProcedureList is /api/v1/procedures.
type ProcedureList struct {
	Can        bool              `json:"can"` // they can be begun and stopped
	Why        string            `json:"why"` // why they cannot, in a sentence
	Procedures []board.Procedure `json:"procedures"`
}

// procedureList returns the definitions with how they stand.
func (s *Server) procedureList() ProcedureList {
	why := s.cannotCoach()
	return ProcedureList{Can: why == "", Why: why, Procedures: s.board.ProcedureList()}
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
	i := slices.IndexFunc(list, func(p board.Procedure) bool { return p.Name == name })
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
func mayCoach(list []board.Procedure, i int, action string) error {
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
