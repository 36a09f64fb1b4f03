package dashboards

import (
	"errors"
	"fmt"
	"net/http"

	"gearwitness/decode"
	"gearwitness/signals/diag"
)

func (s *Server) busHandler(w http.ResponseWriter, r *http.Request) {
	if _, err := query(r.URL.RawQuery); err != nil {
		refuse(w, http.StatusBadRequest, err.Error())
		return
	}
	reply(w, s.board.Traffic())
}

// parseRelated reads ?signal=NAME.
func parseRelated(raw string, table *decode.Table) (int32, error) {
	v, err := query(raw, "signal")
	if err != nil {
		return -1, err
	}
	name := v.Get("signal")
	i := table.Index(name)
	if i < 0 {
		names := make([]string, len(table.Signals))
		for k := range names {
			names[k] = table.Signals[k].Name
		}
		return -1, fmt.Errorf("signal: expected the name of a signal that is known, such as engine_speed, found %q%s; /api/v1/signals lists them", clip(name), diag.Suggest(clip(name), names))
	}
	if len(table.Signals[i].States) > 0 {
		return -1, errors.New("signal: expected one with figures; that of " + name + " is a choice of words, and nothing can be in proportion to it")
	}
	return i, nil
}

func (s *Server) relatedHandler(w http.ResponseWriter, r *http.Request) {
	signal, err := parseRelated(r.URL.RawQuery, s.board.Table())
	if err != nil {
		refuse(w, http.StatusBadRequest, err.Error())
		return
	}
	reply(w, s.board.Related(signal))
}
