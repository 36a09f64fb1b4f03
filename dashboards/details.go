package dashboards

import (
	"errors"
	"fmt"
	"io"
	"net/http"
	"path/filepath"
	"strings"
	"unicode"
	"unicode/utf8"

	"gearwitness/capture/archive"
)

// Describer keeps who, what and why of the session that is being recorded;
// archive.Session is one. Any goroutine may call it.
type Describer interface {
	Meta() archive.Meta
	Describe(change func(*archive.Meta))
}

// Details is /api/v1/session: what people say about the session being recorded;
// and /api/v1/sessions/NAME/details: the same of one that has ended.
type Details struct {
	Title      string `json:"title"`
	Technician string `json:"technician"`
	Workshop   string `json:"workshop"`
	Job        string `json:"job"`
	VIN        string `json:"vin"`
	Odometer   string `json:"odometer"`
	Concern    string `json:"concern"`          // the customer's words
	Consent    string `json:"position_consent"` // who agreed to position data being kept
	// VINRemark is what is odd about the identification number, in words; it is
	// taken as given all the same.
	VINRemark string `json:"vin_remark"`
}

func details(m archive.Meta) Details {
	d := Details{Title: m.Title, Technician: m.Technician, Workshop: m.Workshop, Job: m.Job, VIN: m.VIN, Odometer: m.Odometer, Concern: m.Concern, Consent: m.PositionConsent}
	if d.VIN != "" {
		d.VINRemark = archive.CheckVIN(d.VIN).Warning()
	}
	return d
}

// change is what PATCH /api/v1/session brings; what is left out stays.
type change struct {
	Title      *string `json:"title"`
	Technician *string `json:"technician"`
	Workshop   *string `json:"workshop"`
	Job        *string `json:"job"`
	VIN        *string `json:"vin"`
	Odometer   *string `json:"odometer"`
	Concern    *string `json:"concern"`
	Consent    *string `json:"position_consent"`
}

const maxDetail = 1000 // bytes of one detail

// parseChange reads {"vin": "...", ...}.
func parseChange(r io.Reader) (change, error) {
	var c change
	if err := readObject(r, &c); err != nil {
		return c, errors.New(`expected an object with some of "title", "technician", "workshop", "job", "vin", "odometer", "concern" and "position_consent" (texts) and nothing else`)
	}
	for name, text := range map[string]*string{"title": c.Title, "technician": c.Technician, "workshop": c.Workshop, "job": c.Job, "vin": c.VIN, "odometer": c.Odometer, "concern": c.Concern, "position_consent": c.Consent} {
		if text == nil {
			continue
		}
		*text = strings.TrimSpace(*text)
		if len(*text) > maxDetail || !utf8.ValidString(*text) || strings.ContainsFunc(*text, unicode.IsControl) {
			return c, fmt.Errorf("%s: expected at most %d bytes on one line", name, maxDetail)
		}
	}
	return c, nil
}

func (c change) apply(m *archive.Meta) {
	for _, f := range []struct{ from, to *string }{
		{c.Title, &m.Title}, {c.Technician, &m.Technician}, {c.Workshop, &m.Workshop}, {c.Job, &m.Job},
		{c.VIN, &m.VIN}, {c.Odometer, &m.Odometer}, {c.Concern, &m.Concern}, {c.Consent, &m.PositionConsent},
	} {
		if f.from != nil {
			*f.to = *f.from
		}
	}
}

const notRecording = "no session is being recorded, so there is nothing to describe"

func (s *Server) detailsHandler(w http.ResponseWriter, _ *http.Request) {
	if s.o.Session == nil {
		refuse(w, http.StatusConflict, notRecording)
		return
	}
	reply(w, details(s.o.Session.Meta()))
}

func (s *Server) describeHandler(w http.ResponseWriter, r *http.Request) {
	if s.o.Session == nil {
		refuse(w, http.StatusConflict, notRecording)
		return
	}
	c, ok := changeAsked(w, r)
	if !ok {
		return
	}
	s.o.Session.Describe(c.apply)
	reply(w, details(s.o.Session.Meta()))
}

// changeAsked reads the change that a request asks for, or refuses it.
func changeAsked(w http.ResponseWriter, r *http.Request) (c change, ok bool) {
	body, ok := jsonBody(w, r)
	if !ok {
		return c, false
	}
	c, err := parseChange(body)
	if err != nil {
		refuse(w, http.StatusBadRequest, err.Error())
		return c, false
	}
	return c, true
}

// endedDetailsHandler hands out and changes the details of a session that has
// ended and is not sealed.
func (s *Server) endedDetailsHandler(w http.ResponseWriter, r *http.Request, folder string) {
	if filepath.Base(folder) == s.recordingNow() {
		refuse(w, http.StatusConflict, "this session is still being recorded; its details are at /api/v1/session")
		return
	}
	if r.Method == http.MethodPatch {
		c, ok := changeAsked(w, r)
		if !ok {
			return
		}
		if err := archive.Describe(folder, c.apply); err != nil {
			refuse(w, http.StatusConflict, err.Error())
			return
		}
	}
	session, err := archive.Open(folder)
	if err != nil {
		refuse(w, http.StatusUnprocessableEntity, err.Error())
		return
	}
	reply(w, details(session.Meta()))
}
