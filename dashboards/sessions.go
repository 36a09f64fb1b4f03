package dashboards

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"sync/atomic"
	"time"

	"gearwitness/capture/archive"
	"gearwitness/decode"
	"gearwitness/decode/compare"
)

// Sessions is what the server can do with the sessions of an archive. The
// functions are given a session's folder that exists below Folder, and tell in
// words how far they are as often as they like; a nil one is refused.
type Sessions struct {
	Folder string // that holds the sessions
	Facts  func(folder string) (*SessionFacts, error)
	Report func(ctx context.Context, folder string, redact bool, to io.Writer, tell func(string)) error
	Verify func(ctx context.Context, folder string, tell func(string)) (*SessionVerdict, error)
	Seal   func(ctx context.Context, folder string, unsigned bool, tell func(string)) (*SessionSeal, error)
	Shifts func(ctx context.Context, folder string, tell func(string)) (compare.Past, error)
	Play   func(folder string) (*Playing, error)
}

// The JSON of sessions, as the commands print it and the API hands it out.
type (
	// SessionRow is a session of a list.
	SessionRow struct {
		Name      string     `json:"name"`
		Folder    string     `json:"folder"`
		Title     string     `json:"title,omitempty"`
		Vehicle   string     `json:"vehicle,omitempty"`
		Started   *time.Time `json:"started"`
		Ended     *time.Time `json:"ended"` // null: not recorded, as after a power failure
		Bytes     int64      `json:"bytes"`
		Sealed    bool       `json:"sealed"`
		Protected bool       `json:"protected"`
		Problem   string     `json:"problem,omitempty"`
		// Recording is set for the one that is being recorded by this program now.
		Recording bool `json:"recording,omitempty"`
	}
	// SessionFacts is what a session says about itself.
	SessionFacts struct {
		SessionRow
		Workshop   string        `json:"workshop,omitempty"`
		Technician string        `json:"technician,omitempty"`
		Job        string        `json:"job,omitempty"`
		VIN        string        `json:"vin,omitempty"`
		VINRemark  string        `json:"vin_remark,omitempty"`
		VINRead    []SessionVIN  `json:"vin_read,omitempty"`
		Odometer   string        `json:"odometer,omitempty"`
		Concern    string        `json:"concern,omitempty"`
		Consent    string        `json:"position_consent,omitempty"`
		Software   string        `json:"software,omitempty"`
		Captures   []string      `json:"captures"`
		Digest     string        `json:"seal_sha256,omitempty"`
		Signer     string        `json:"signer,omitempty"`
		Marks      []SessionMark `json:"marks"`
		Losses     uint64        `json:"lost"` // frames and lines, as the journal tells
		// LossesUnknown is set where more was lost, and it is not known how much.
		LossesUnknown bool `json:"lost_unknown,omitempty"`
		// PositionsLeftOut counts the lines that lost their position, for want of consent.
		PositionsLeftOut uint64 `json:"positions_left_out,omitempty"`
	}
	// SessionVIN is an identification number that a control unit answered with.
	SessionVIN struct {
		Unit    string `json:"unit"`
		VIN     string `json:"vin"`
		Remark  string `json:"remark,omitempty"`
		Differs bool   `json:"differs,omitempty"` // from the one entered
	}
	// SessionMark is a mark of its journal.
	SessionMark struct {
		Time decode.Seconds `json:"time_s"`
		Text string         `json:"text"`
	}
	// SessionVerdict is what verifying a session found.
	SessionVerdict struct {
		Holds    bool             `json:"holds"`
		Files    int              `json:"files"`
		Bytes    int64            `json:"bytes"`
		Frames   uint64           `json:"frames"`
		Digest   string           `json:"seal_sha256,omitempty"`
		Signer   string           `json:"signer,omitempty"`
		Trusted  bool             `json:"trusted"`
		Stamped  *time.Time       `json:"stamped,omitempty"`
		Findings []SessionFinding `json:"findings"`
	}
	// SessionFinding is one of them.
	SessionFinding struct {
		Kind   archive.Kind `json:"kind"`
		Fault  bool         `json:"fault"` // false: a remark
		Path   string       `json:"path,omitempty"`
		Text   string       `json:"text"`
		Frames *[2]uint64   `json:"frames,omitempty"` // first and last, from 1
	}
	// SessionSeal is what sealing did.
	SessionSeal struct {
		Already bool     `json:"already"` // it was sealed before; nothing was changed
		Digest  string   `json:"seal_sha256"`
		Signer  string   `json:"signer,omitempty"` // empty: unsigned
		Files   int      `json:"files"`
		Bytes   int64    `json:"bytes"`
		Damage  []string `json:"damage"` // capture files that were found damaged; sealed as they are
	}
	// SessionComparison is two sessions side by side.
	SessionComparison struct {
		A        string     `json:"a"` // then
		B        string     `json:"b"` // now
		AStarted *time.Time `json:"a_started,omitempty"`
		BStarted *time.Time `json:"b_started,omitempty"`
		*compare.Comparison
	}
)

// RowOf is a session of an archive's list as a row.
func RowOf(l archive.Listed) SessionRow {
	r := SessionRow{Name: l.Name, Folder: l.Dir, Title: l.Meta.Title, Vehicle: l.Meta.Vehicle, Started: When(l.Meta.Started), Ended: When(l.Meta.Ended),
		Bytes: l.Bytes, Sealed: l.Sealed, Protected: l.Protected}
	if l.Err != nil {
		r.Problem = l.Err.Error()
	}
	return r
}

// When is a time for JSON, nil where there is none.
func When(t time.Time) *time.Time {
	if t.IsZero() {
		return nil
	}
	return &t
}

func (s *Server) sessionRoutes(mux *http.ServeMux) {
	if s.o.Sessions == nil {
		s.o.Sessions = &Sessions{}
	}
	s.work.turn = make(chan struct{}, 1)
	mux.HandleFunc("GET /api/v1/sessions", s.sessionsHandler)
	mux.HandleFunc("GET /api/v1/sessions/compare", s.compareHandler)
	mux.HandleFunc("GET /api/v1/sessions/{name}", s.named(s.factsHandler))
	mux.HandleFunc("GET /api/v1/sessions/{name}/details", s.named(s.endedDetailsHandler))
	mux.HandleFunc("PATCH /api/v1/sessions/{name}/details", s.named(s.endedDetailsHandler))
	mux.HandleFunc("GET /api/v1/sessions/{name}/report", s.named(s.reportHandler))
	mux.HandleFunc("GET /api/v1/sessions/{name}/history", s.named(s.vehicleHistoryHandler))
	mux.HandleFunc("GET /api/v1/sessions/{name}/verify", s.named(s.verifyHandler))
	mux.HandleFunc("POST /api/v1/sessions/{name}/seal", s.named(s.sealHandler))
	mux.HandleFunc("/play/{name}/", s.playHandler)
}

// sessionFolder returns the folder of a session of the archive. A name is one
// folder there: no path, no link.
func (s *Server) sessionFolder(name string) (string, error) {
	missing := fmt.Errorf("there is no session %q; /api/v1/sessions lists those there are", clip(name))
	folder := s.o.Sessions.Folder
	if folder == "" || name == "" || len(name) > 255 || strings.HasPrefix(name, ".") || strings.ContainsAny(name, "/\\:\x00") || !filepath.IsLocal(name) {
		return "", missing
	}
	root, err := os.OpenRoot(folder)
	if err != nil {
		return "", missing
	}
	defer root.Close()
	if info, err := root.Lstat(name); err != nil || !info.IsDir() {
		return "", missing
	}
	return filepath.Join(folder, name), nil
}

// named answers for a session that exists.
func (s *Server) named(next func(w http.ResponseWriter, r *http.Request, folder string)) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		folder, err := s.sessionFolder(r.PathValue("name"))
		if err != nil {
			refuse(w, http.StatusNotFound, err.Error())
			return
		}
		next(w, r, folder)
	}
}

// recordingNow is the folder of the session that is being recorded.
func (s *Server) recordingNow() string {
	if s.o.Recorder == nil {
		return ""
	}
	return filepath.Base(s.o.Recorder.Recording().Folder)
}

func (s *Server) sessionsHandler(w http.ResponseWriter, _ *http.Request) {
	rows := []SessionRow{}
	if folder := s.o.Sessions.Folder; folder != "" {
		list, err := archive.List(folder)
		if err != nil {
			refuse(w, http.StatusInternalServerError, err.Error())
			return
		}
		now := s.recordingNow()
		for _, l := range list {
			row := RowOf(l)
			row.Recording = l.Name == now
			rows = append(rows, row)
		}
	}
	reply(w, map[string]any{"folder": s.o.Sessions.Folder, "sessions": rows})
}

func (s *Server) factsHandler(w http.ResponseWriter, _ *http.Request, folder string) {
	if s.o.Sessions.Facts == nil {
		refuse(w, http.StatusNotImplemented, "this program cannot look into sessions")
		return
	}
	f, err := s.o.Sessions.Facts(folder)
	if err != nil {
		refuse(w, http.StatusUnprocessableEntity, err.Error())
		return
	}
	f.Recording = f.Name == s.recordingNow()
	reply(w, f)
}

// work lets long work on sessions be done one at a time, so that it takes at
// most one processor from a drive.
type work struct {
	turn    chan struct{}
	waiting atomic.Int32
	papers  atomic.Pointer[paper]
}

// paper is a report that was made while its progress was told, kept until it is
// fetched or another is made.
type paper struct {
	address string
	body    []byte
}

// maxWaiting bounds those that wait for their turn.
const maxWaiting = 4

const streamed = "application/x-ndjson"

// long does long work for as long as its client wants it: who closes the
// connection cancels. A client that accepts application/x-ndjson is told line by
// line how far it is, {"progress": "..."}, and at the end {"result": ...} or
// {"problem": ...}; any other gets its reply by give.
func (s *Server) long(w http.ResponseWriter, r *http.Request, do func(ctx context.Context, tell func(string)) (any, error), give func(result any)) {
	rc := http.NewResponseController(w)
	// The server's limits are for questions answered at once. A recorder of a test
	// knows none.
	_ = rc.SetReadDeadline(time.Time{})
	_ = rc.SetWriteDeadline(time.Time{})
	if s.work.waiting.Add(1) > maxWaiting+1 {
		s.work.waiting.Add(-1)
		w.Header().Set("Retry-After", "10")
		refuse(w, http.StatusServiceUnavailable, "other work on sessions is under way; try again when some of it is done, or cancel it")
		return
	}
	defer s.work.waiting.Add(-1)
	ctx, cancel := context.WithCancel(r.Context())
	defer cancel()
	stream := strings.Contains(r.Header.Get("Accept"), streamed)
	line := func(name string, v any) {
		body, err := json.Marshal(map[string]any{name: v})
		if err != nil {
			body, _ = json.Marshal(map[string]any{"problem": problem{Type: "about:blank", Title: http.StatusText(http.StatusInternalServerError), Status: http.StatusInternalServerError, Detail: err.Error()}})
		}
		_ = rc.SetWriteDeadline(time.Now().Add(writeWithin))
		if _, err := w.Write(append(body, '\n')); err != nil || rc.Flush() != nil {
			cancel() // nobody reads any more
		}
	}
	var last time.Time
	tell := func(text string) {
		if now := time.Now(); stream && now.Sub(last) >= 100*time.Millisecond {
			last = now
			line("progress", text)
		}
	}
	if stream {
		w.Header().Set("Content-Type", streamed)
		w.Header().Set("Cache-Control", "no-store")
	}
	select {
	case s.work.turn <- struct{}{}:
	default:
		tell("waiting for other work on sessions")
		select {
		case s.work.turn <- struct{}{}:
		case <-ctx.Done():
			return
		}
	}
	result, err := func() (any, error) {
		defer func() { <-s.work.turn }()
		return do(ctx, tell)
	}()
	switch {
	case ctx.Err() != nil:
	case err != nil && stream:
		line("problem", problem{Type: "about:blank", Title: http.StatusText(http.StatusUnprocessableEntity), Status: http.StatusUnprocessableEntity, Detail: err.Error()})
	case err != nil:
		refuse(w, http.StatusUnprocessableEntity, err.Error())
	case stream:
		line("result", result)
	default:
		give(result)
	}
}

// reportPolicy lets a report have the style that it brings, and nothing else.
const reportPolicy = "default-src 'none'; style-src 'unsafe-inline'; img-src data:; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"

func (s *Server) reportHandler(w http.ResponseWriter, r *http.Request, folder string) {
	if s.o.Sessions.Report == nil {
		refuse(w, http.StatusNotImplemented, "this program cannot make reports")
		return
	}
	v, err := query(r.URL.RawQuery, "redact")
	redact := v.Get("redact")
	if err == nil && redact != "" && redact != "1" {
		err = fmt.Errorf("redact: expected 1 or nothing, found %q", clip(redact))
	}
	if err != nil {
		refuse(w, http.StatusBadRequest, err.Error())
		return
	}
	address := r.URL.Path
	if redact != "" {
		address += "?redact=1"
	}
	page := func(body []byte) {
		h := w.Header()
		h.Set("Content-Type", "text/html; charset=utf-8")
		h.Set("Content-Security-Policy", reportPolicy)
		h.Set("Cache-Control", "no-store")
		w.Write(body)
	}
	if !strings.Contains(r.Header.Get("Accept"), streamed) {
		// What was made a moment ago, with its progress told, need not be made again.
		if p := s.work.papers.Load(); p != nil && p.address == address && s.work.papers.CompareAndSwap(p, nil) {
			page(p.body)
			return
		}
	}
	s.long(w, r, func(ctx context.Context, tell func(string)) (any, error) {
		var out bytes.Buffer
		if err := s.o.Sessions.Report(ctx, folder, redact != "", &out, tell); err != nil {
			return nil, err
		}
		p := &paper{address, out.Bytes()}
		if strings.Contains(r.Header.Get("Accept"), streamed) {
			s.work.papers.Store(p)
			return map[string]string{"report": address}, nil
		}
		return p, nil
	}, func(result any) { page(result.(*paper).body) })
}

func (s *Server) verifyHandler(w http.ResponseWriter, r *http.Request, folder string) {
	if s.o.Sessions.Verify == nil {
		refuse(w, http.StatusNotImplemented, "this program cannot verify sessions")
		return
	}
	s.long(w, r, func(ctx context.Context, tell func(string)) (any, error) {
		return s.o.Sessions.Verify(ctx, folder, tell)
	}, func(v any) { reply(w, v) })
}

// sealHandler takes {"confirm": NAME, "unsigned": true}, the latter only where nobody is
// to sign: sealing cannot be undone, so it wants the
// name of the session once more.
func (s *Server) sealHandler(w http.ResponseWriter, r *http.Request, folder string) {
	if s.o.Sessions.Seal == nil {
		refuse(w, http.StatusNotImplemented, "this program cannot seal sessions")
		return
	}
	body, ok := jsonBody(w, r)
	if !ok {
		return
	}
	name := filepath.Base(folder)
	unsigned, err := parseConfirm(body, name)
	if err != nil {
		refuse(w, http.StatusBadRequest, err.Error())
		return
	}
	if name == s.recordingNow() {
		refuse(w, http.StatusConflict, "this session is still being recorded; end the drive, then seal it")
		return
	}
	s.long(w, r, func(ctx context.Context, tell func(string)) (any, error) {
		return s.o.Sessions.Seal(ctx, folder, unsigned, tell)
	}, func(v any) { reply(w, v) })
}

func parseConfirm(r io.Reader, name string) (unsigned bool, err error) {
	var q struct {
		Confirm  string `json:"confirm"`
		Unsigned bool   `json:"unsigned"`
	}
	if readObject(r, &q) != nil || q.Confirm != name {
		return false, errors.New(`a session is sealed for good; expected {"confirm": "..."} with its name, "unsigned": true where nobody is to sign it, and nothing else`)
	}
	return q.Unsigned, nil
}

// compareHandler answers /api/v1/sessions/compare?a=NAME&b=NAME.
func (s *Server) compareHandler(w http.ResponseWriter, r *http.Request) {
	if s.o.Sessions.Shifts == nil {
		refuse(w, http.StatusNotImplemented, "this program cannot compare sessions")
		return
	}
	v, err := query(r.URL.RawQuery, "a", "b")
	if err != nil {
		refuse(w, http.StatusBadRequest, err.Error())
		return
	}
	var folders [2]string
	for i, key := range []string{"a", "b"} {
		if folders[i], err = s.sessionFolder(v.Get(key)); err != nil {
			refuse(w, http.StatusNotFound, key+": "+err.Error())
			return
		}
	}
	if folders[0] == folders[1] {
		refuse(w, http.StatusBadRequest, "b: expected another session than a")
		return
	}
	s.long(w, r, func(ctx context.Context, tell func(string)) (any, error) {
		var past [2]compare.Past
		for i, folder := range folders {
			if past[i], err = s.o.Sessions.Shifts(ctx, folder, tell); err != nil {
				return nil, err
			}
		}
		tell("comparing")
		return SessionComparison{A: past[0].Name, B: past[1].Name, AStarted: When(past[0].Started), BStarted: When(past[1].Started),
			Comparison: compare.Compare(&past[0].Record, &past[1].Record)}, nil
	}, func(v any) { reply(w, v) })
}
