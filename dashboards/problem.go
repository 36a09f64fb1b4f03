package dashboards

import (
	"encoding/json"
	"net/http"
	"strconv"
)

// problem is an error reply in the form of RFC 9457. Detail says what was
// expected, what was found and what to do.
type problem struct {
	Type   string `json:"type"`
	Title  string `json:"title"`
	Status int    `json:"status"`
	Detail string `json:"detail,omitempty"`
}

// refuse answers with a problem.
func refuse(w http.ResponseWriter, status int, detail string) {
	body, err := json.Marshal(problem{Type: "about:blank", Title: http.StatusText(status), Status: status, Detail: detail})
	if err != nil {
		panic(err) // strings and a number always marshal
	}
	h := w.Header()
	h.Set("Content-Type", "application/problem+json")
	h.Set("Content-Length", strconv.Itoa(len(body)))
	h.Set("Cache-Control", "no-store")
	w.WriteHeader(status)
	w.Write(body)
}

// reply answers with a JSON document.
func reply(w http.ResponseWriter, v any) {
	body, err := json.Marshal(v)
	if err != nil {
		refuse(w, http.StatusInternalServerError, "the reply could not be written: "+err.Error())
		return
	}
	replyJSON(w, body)
}

func replyJSON(w http.ResponseWriter, body []byte) {
	h := w.Header()
	h.Set("Content-Type", "application/json")
	h.Set("Content-Length", strconv.Itoa(len(body)))
	h.Set("Cache-Control", "no-store")
	w.Write(body)
}
