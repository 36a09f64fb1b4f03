package dashboards

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"gearwitness/capture"
	"gearwitness/capture/archive"
	"gearwitness/dashboards/board"
	"gearwitness/dashboards/board/boardtest"
	"gearwitness/decode/compare"
)

// sessionServer has an archive of two sessions, and whatever of the work is
// given.
func sessionServer(t *testing.T, work Sessions) (*Server, string) {
	t.Helper()
	work.Folder = t.TempDir()
	for _, title := range []string{"first", "second"} {
		s, err := archive.Create(work.Folder, archive.Meta{Title: title, VIN: "1M8GDM9AXKP042788", Started: time.Date(2026, 11, 25, 10, 0, 0, 0, time.UTC)}, nil, archive.Options{})
		if err != nil {
			t.Fatal(err)
		}
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
	}
	return NewServer(Options{Board: boardtest.New(0).Board(nil), Sessions: &work}), work.Folder
}

const first, second = "2026-11-25_10-00-00_first", "2026-11-25_10-00-00_second"

func TestSessionsAreListed(t *testing.T) {
	s, folder := sessionServer(t, Sessions{Facts: func(folder string) (*SessionFacts, error) {
		return &SessionFacts{SessionRow: SessionRow{Name: filepath.Base(folder), Folder: folder}, VIN: "x"}, nil
	}})
	s.o.Recorder = recorderStub{Recording{Folder: filepath.Join(folder, second)}}
	var list struct{ Sessions []SessionRow }
	into(t, get(s, "/api/v1/sessions"), &list)
	if len(list.Sessions) != 2 || list.Sessions[0].Name != first || list.Sessions[0].Title != "first" || list.Sessions[0].Recording || !list.Sessions[1].Recording || list.Sessions[0].Ended == nil {
		t.Errorf("sessions: %+v", list.Sessions)
	}
	var facts SessionFacts
	into(t, get(s, "/api/v1/sessions/"+first), &facts)
	if facts.Folder != filepath.Join(folder, first) {
		t.Errorf("asked for %s, got %s", first, facts.Folder)
	}
}

// What people say of a session that has ended can be corrected until it is sealed.
func TestDetailsOfAnEndedSession(t *testing.T) {
	s, folder := sessionServer(t, Sessions{})
	patch := func(name, body string) *httptest.ResponseRecorder {
		r := httptest.NewRequest("PATCH", "http://localhost:8477/api/v1/sessions/"+name+"/details", strings.NewReader(body))
		r.Header.Set("Content-Type", "application/json")
		w := httptest.NewRecorder()
		s.Handler().ServeHTTP(w, r)
		return w
	}
	var d Details
	into(t, patch(first, `{"vin": "1M8GDM9A1KP042788", "concern": "flares"}`), &d)
	if d.Title != "first" || d.Concern != "flares" || !strings.Contains(d.VINRemark, "position 9 would be X") {
		t.Errorf("changed: %+v", d)
	}
	into(t, get(s, "/api/v1/sessions/"+first+"/details"), &d)
	kept, err := archive.Open(filepath.Join(folder, first))
	if err != nil || d.Concern != "flares" || kept.Meta().Concern != "flares" || kept.Meta().Ended.IsZero() {
		t.Errorf("kept: %+v, %v", kept.Meta(), err)
	}
	if w := patch(first, `{"vin": 1}`); w.Code != http.StatusBadRequest {
		t.Errorf("a number for a text: %d", w.Code)
	}
	s.o.Recorder = recorderStub{Recording{Folder: filepath.Join(folder, first)}}
	if w := patch(first, `{}`); w.Code != http.StatusConflict || !strings.Contains(w.Body.String(), "still being recorded") {
		t.Errorf("the one being recorded: %d %s", w.Code, w.Body)
	}
	if _, err := archive.Seal(t.Context(), filepath.Join(folder, second), archive.SealOptions{}); err != nil {
		t.Fatal(err)
	}
	if w := patch(second, `{"title": "better"}`); w.Code != http.StatusConflict || !strings.Contains(w.Body.String(), "sealed") {
		t.Errorf("a sealed one: %d %s", w.Code, w.Body)
	}
}

// The history of a vehicle is made of the sessions with its number, whoever wrote
// it in small letters; one that cannot be read or belongs to nobody is told; the one
// being recorded is left out, and so is every other vehicle.
func TestHistoryOfAVehicle(t *testing.T) {
	s, folder := sessionServer(t, Sessions{Shifts: func(_ context.Context, folder string, tell func(string)) (compare.Past, error) {
		name := filepath.Base(folder)
		tell("decoding " + name)
		if strings.HasSuffix(name, "broken") {
			return compare.Past{}, errors.New("no frames")
		}
		return madeUp(name, map[bool]float64{true: 0.4, false: 0.7}[name == first]), nil
	}})
	for title, vin := range map[string]string{"third": "1m8gdm9axkp042788", "broken": "1M8GDM9AXKP042788", "now": "1M8GDM9AXKP042788", "other": "11111111111111111", "none": ""} {
		a, err := archive.Create(folder, archive.Meta{Title: title, VIN: vin, Started: time.Date(2026, 11, 26, 10, 0, 0, 0, time.UTC)}, nil, archive.Options{})
		if err != nil {
			t.Fatal(err)
		}
		if err := a.Close(); err != nil {
			t.Fatal(err)
		}
	}
	s.o.Recorder = recorderStub{Recording{Folder: filepath.Join(folder, "2026-11-26_10-00-00_now")}}
	var h VehicleHistory
	into(t, get(s, "/api/v1/sessions/"+second+"/history"), &h)
	if want := []string{first, second, "2026-11-26_10-00-00_third"}; !slices.Equal(h.Sessions, want) || len(h.Rows) != 3 || h.Rows[0].Title != "first" {
		t.Errorf("sessions: %q, rows %+v", h.Sessions, h.Rows)
	}
	if len(h.Left) != 2 || !strings.Contains(h.Left[0], "none: no vehicle identification number") || !strings.Contains(h.Left[1], "broken: no frames") {
		t.Errorf("left out: %q", h.Left)
	}
	if i := slices.IndexFunc(h.Groups, func(g compare.HistoryGroup) bool { return g.Figure == "duration" }); i < 0 || len(h.Groups[i].Points) != 3 || h.Groups[i].Points[0].Median > h.Groups[i].Points[1].Median-0.2 {
		t.Errorf("groups: %+v", h.Groups)
	}
	if w := get(s, "/api/v1/sessions/2026-11-26_10-00-00_none/history"); w.Code != http.StatusConflict || !strings.Contains(w.Body.String(), "no vehicle identification number") {
		t.Errorf("without a number: %d %s", w.Code, w.Body)
	}
}

// What is outside the archive, a link out of it, or no folder is no session.
func TestSessionNamesDoNotEscape(t *testing.T) {
	s, folder := sessionServer(t, Sessions{
		Facts: func(folder string) (*SessionFacts, error) {
			t.Errorf("looked into %s", folder)
			return nil, errors.New("no")
		},
		Shifts: func(_ context.Context, folder string, _ func(string)) (compare.Past, error) {
			t.Errorf("compared %s", folder)
			return compare.Past{}, errors.New("no")
		},
	})
	outside := t.TempDir()
	if err := os.WriteFile(filepath.Join(folder, "file"), nil, 0o600); err != nil {
		t.Fatal(err)
	}
	if err := os.Symlink(outside, filepath.Join(folder, "link")); err != nil {
		t.Logf("no link here: %v", err)
	}
	for _, name := range []string{"..", "%2e%2e", "..%2f" + filepath.Base(outside), "%2fetc", "link", "file", ".hidden", "none", first + "%2f..", first + "%5c..", first + "%2fdata", "c:", "a%00b", strings.Repeat("x", 300)} {
		w := get(s, "/api/v1/sessions/"+name)
		if w.Code != 404 && w.Code != 307 && w.Code != 301 { // the router cleans .. away
			t.Errorf("%s: got %d, want 404", name, w.Code)
		}
		if w := get(s, "/api/v1/sessions/compare?a="+first+"&b="+name); w.Code != 404 {
			t.Errorf("compare with %s: got %d, want 404", name, w.Code)
		}
	}
}

func FuzzSessionName(f *testing.F) {
	dir := f.TempDir()
	if err := os.Mkdir(filepath.Join(dir, "session"), 0o700); err != nil {
		f.Fatal(err)
	}
	s := NewServer(Options{Board: boardtest.New(0).Board(nil), Sessions: &Sessions{Folder: dir}})
	for _, seed := range []string{"session", "..", "../session", "session/..", "/", "", ".", "C:", "se\x00", "session/"} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, name string) {
		if folder, err := s.sessionFolder(name); err == nil && (name != "session" || folder != filepath.Join(dir, "session")) {
			t.Errorf("%q leads to %s", name, folder)
		}
	})
}

// work asks for long work as the page does and returns the lines of the answer.
func workLines(s *Server, target string) []string {
	r := httptest.NewRequest("GET", "http://localhost:8477"+target, nil)
	r.Header.Set("Accept", streamed)
	w := httptest.NewRecorder()
	s.Handler().ServeHTTP(w, r)
	return strings.Split(strings.TrimSuffix(w.Body.String(), "\n"), "\n")
}

func TestLongWorkTellsHowFarItIs(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		fault := errors.New("the disk cannot be read")
		s, _ := sessionServer(t, Sessions{
			Verify: func(_ context.Context, folder string, tell func(string)) (*SessionVerdict, error) {
				if strings.HasSuffix(folder, "second") {
					return nil, fault
				}
				tell("verifying: 10 %")
				tell("too soon")
				time.Sleep(time.Second)
				tell("verifying: 90 %")
				return &SessionVerdict{Holds: true, Files: 3, Findings: []SessionFinding{}}, nil
			},
			Report: func(_ context.Context, folder string, redact bool, to io.Writer, _ func(string)) error {
				_, err := io.WriteString(to, map[bool]string{false: "<p>all", true: "<p>redacted"}[redact])
				return err
			},
		})
		got := workLines(s, "/api/v1/sessions/"+first+"/verify")
		want := []string{`{"progress":"verifying: 10 %"}`, `{"progress":"verifying: 90 %"}`, `{"result":{"holds":true,"files":3,"bytes":0,"frames":0,"trusted":false,"findings":[]}}`}
		if strings.Join(got, "\n") != strings.Join(want, "\n") {
			t.Errorf("told:\n%s\nwant:\n%s", strings.Join(got, "\n"), strings.Join(want, "\n"))
		}
		var v SessionVerdict
		into(t, get(s, "/api/v1/sessions/"+first+"/verify"), &v)
		if !v.Holds {
			t.Errorf("at once: %+v", v)
		}
		if got := workLines(s, "/api/v1/sessions/"+second+"/verify"); len(got) != 1 || !strings.Contains(got[0], `"problem"`) || !strings.Contains(got[0], fault.Error()) {
			t.Errorf("failed: %q", got)
		}
		if w := get(s, "/api/v1/sessions/"+second+"/verify"); w.Code != 422 || !strings.Contains(w.Body.String(), fault.Error()) {
			t.Errorf("failed at once: %d %s", w.Code, w.Body)
		}

		// A report made with its progress told is fetched once, and is its own page.
		if got := workLines(s, "/api/v1/sessions/"+first+"/report?redact=1"); got[len(got)-1] != `{"result":{"report":"/api/v1/sessions/`+first+`/report?redact=1"}}` {
			t.Errorf("report: %q", got)
		}
		for _, tt := range []struct{ query, want string }{{"", "<p>all"}, {"?redact=1", "<p>redacted"}, {"?redact=1", "<p>redacted"}} {
			w := get(s, "/api/v1/sessions/"+first+"/report"+tt.query)
			if w.Body.String() != tt.want || w.Header().Get("Content-Type") != "text/html; charset=utf-8" || !strings.HasPrefix(w.Header().Get("Content-Security-Policy"), "default-src 'none'") || strings.Contains(w.Header().Get("Content-Security-Policy"), "script") {
				t.Errorf("report%s: %q, %v", tt.query, w.Body, w.Header())
			}
		}
		if w := get(s, "/api/v1/sessions/"+first+"/report?redact=yes"); w.Code != 400 {
			t.Errorf("odd redact: got %d", w.Code)
		}
	})
}

// Long work is done one at a time, ends when its client goes, and does not pile
// up.
func TestLongWorkIsOneAtATimeAndCanBeCancelled(t *testing.T) {
	began := make(chan context.Context, 10)
	s, _ := sessionServer(t, Sessions{Verify: func(ctx context.Context, _ string, _ func(string)) (*SessionVerdict, error) {
		began <- ctx
		<-ctx.Done()
		return nil, ctx.Err()
	}})
	server := httptest.NewServer(s.Handler())
	defer server.Close()
	ask := func() (cancel func()) {
		ctx, cancel := context.WithCancel(t.Context())
		r, err := http.NewRequestWithContext(ctx, "GET", server.URL+"/api/v1/sessions/"+first+"/verify", nil)
		if err != nil {
			t.Fatal(err)
		}
		go func() {
			if resp, err := http.DefaultClient.Do(r); err == nil {
				resp.Body.Close()
			}
		}()
		return cancel
	}
	cancel := ask()
	work := <-began
	var waiting []func()
	for range maxWaiting {
		waiting = append(waiting, ask())
	}
	for s.work.waiting.Load() != maxWaiting+1 {
		runtime.Gosched()
	}
	if w := get(s, "/api/v1/sessions/"+first+"/verify"); w.Code != 503 || w.Header().Get("Retry-After") == "" {
		t.Errorf("one more: got %d %s", w.Code, w.Body)
	}
	if len(began) > 0 {
		t.Error("two are at work")
	}
	cancel()
	<-work.Done()
	work = <-began // the next has its turn
	for _, c := range waiting {
		c()
	}
	<-work.Done()
	for s.work.waiting.Load() != 0 {
		runtime.Gosched()
	}
}

// The server's time limits are for short questions.
func TestLongWorkOutlivesTheLimitsOfTheServer(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s, _ := sessionServer(t, Sessions{Verify: func(ctx context.Context, _ string, tell func(string)) (*SessionVerdict, error) {
			select {
			case <-ctx.Done():
				return nil, ctx.Err()
			case <-time.After(10 * time.Minute):
				return &SessionVerdict{Holds: true}, nil
			}
		}})
		p, stop := start(t, s)
		c := p.dial(t)
		go io.WriteString(c, "GET /api/v1/sessions/"+first+"/verify HTTP/1.1\r\nHost: localhost\r\nAccept: "+streamed+"\r\n\r\n")
		resp, err := http.ReadResponse(bufio.NewReader(c), nil)
		if err != nil {
			t.Fatal(err)
		}
		var last string
		for lines := bufio.NewScanner(resp.Body); lines.Scan(); {
			last = lines.Text()
		}
		if !strings.Contains(last, `"holds":true`) {
			t.Errorf("the last line is %q", last)
		}
		c.Close()
		stop()
	})
}

func TestSealingWantsTheNameAgain(t *testing.T) {
	sealed := ""
	s, folder := sessionServer(t, Sessions{Seal: func(_ context.Context, folder string, _ bool, _ func(string)) (*SessionSeal, error) {
		sealed = folder
		return &SessionSeal{Digest: "d"}, nil
	}})
	s.o.Recorder = recorderStub{Recording{Folder: filepath.Join(folder, second)}}
	post := func(name, kind, body string) int {
		r := httptest.NewRequest("POST", "http://localhost:8477/api/v1/sessions/"+name+"/seal", strings.NewReader(body))
		r.Header.Set("Content-Type", kind)
		w := httptest.NewRecorder()
		s.Handler().ServeHTTP(w, r)
		return w.Code
	}
	for _, tt := range []struct {
		name, kind, body string
		want             int
	}{
		{first, "application/json", `{}`, 400},
		{first, "application/json", `{"confirm": "` + second + `"}`, 400},
		{first, "application/json", `{"confirm": "` + first + `"} {}`, 400},
		{first, "text/plain", `{"confirm": "` + first + `"}`, 415},
		{second, "application/json", `{"confirm": "` + second + `"}`, 409}, // still being recorded
		{"none", "application/json", `{"confirm": "none"}`, 404},
	} {
		if got := post(tt.name, tt.kind, tt.body); got != tt.want || sealed != "" {
			t.Errorf("%s %s: got %d, want %d; sealed %q", tt.name, tt.body, got, tt.want, sealed)
		}
	}
	if got := post(first, "application/json", `{"confirm": "`+first+`"}`); got != 200 || sealed != filepath.Join(folder, first) {
		t.Errorf("got %d, sealed %q", got, sealed)
	}
}

func TestSessionsAreCompared(t *testing.T) {
	s, _ := sessionServer(t, Sessions{Shifts: func(_ context.Context, folder string, tell func(string)) (compare.Past, error) {
		tell("decoding")
		return compare.Past{Name: filepath.Base(folder)}, nil
	}})
	var c struct {
		A, B, Said string
		Rows       []struct{ What string }
	}
	into(t, get(s, "/api/v1/sessions/compare?a="+first+"&b="+second), &c)
	if c.A != first || c.B != second || !strings.Contains(c.Said, "Not comparable") || c.Rows == nil {
		t.Errorf("comparison: %+v", c)
	}
	for _, q := range []string{"?a=" + first, "?a=" + first + "&b=" + first, "?a=" + first + "&c=" + second} {
		if w := get(s, "/api/v1/sessions/compare"+q); w.Code/100 != 4 {
			t.Errorf("%s: got %d", q, w.Code)
		}
	}
}

// Another site in the user's browser can start nothing here, even with requests
// that name no origin.
func TestOtherSitesStartNothing(t *testing.T) {
	s, _ := sessionServer(t, Sessions{})
	for site, want := range map[string]int{"cross-site": 403, "same-site": 403, "same-origin": 200, "none": 200, "": 200} {
		r := httptest.NewRequest("GET", "http://localhost:8477/api/v1/sessions", nil)
		if site != "" {
			r.Header.Set("Sec-Fetch-Site", site)
		}
		w := httptest.NewRecorder()
		s.Handler().ServeHTTP(w, r)
		if w.Code != want {
			t.Errorf("Sec-Fetch-Site %q: got %d, want %d", site, w.Code, want)
		}
	}
}

// describer is a session whose details are kept in memory.
type describer struct{ m archive.Meta }

func (d *describer) Meta() archive.Meta                { return d.m }
func (d *describer) Describe(edit func(*archive.Meta)) { edit(&d.m) }

func TestDetails(t *testing.T) {
	d := &describer{archive.Meta{Title: "van", VIN: "1M8GDM9A1KP042788", Vehicle: "stays"}}
	s := NewServer(Options{Board: boardtest.New(0).Board(nil), Session: d})
	patch := func(body string) *httptest.ResponseRecorder {
		r := httptest.NewRequest("PATCH", "http://localhost:8477/api/v1/session", strings.NewReader(body))
		r.Header.Set("Content-Type", "application/json")
		w := httptest.NewRecorder()
		s.Handler().ServeHTTP(w, r)
		return w
	}
	var got Details
	into(t, get(s, "/api/v1/session"), &got)
	if !strings.Contains(got.VINRemark, "position 9") {
		t.Errorf("an odd number is told: %+v", got)
	}
	into(t, patch(`{"job": " 4711 ", "vin": "AB"}`), &got)
	if d.m.Job != "4711" || d.m.VIN != "AB" || d.m.Title != "van" || d.m.Vehicle != "stays" || !strings.Contains(got.VINRemark, "17 characters") {
		t.Errorf("after: %+v, %+v", d.m, got)
	}
	for _, bad := range []string{``, `[]`, `{"started": "now"}`, `{"job": 1}`, `{"job": "a\nb"}`, `{"job": "` + strings.Repeat("x", maxDetail+1) + `"}`, `{} {}`, strings.Repeat(" ", 20<<10) + "{}"} {
		if w := patch(bad); w.Code != 400 || d.m.Job != "4711" {
			t.Errorf("%.40q: got %d, job %q", bad, w.Code, d.m.Job)
		}
	}
	s.o.Session = nil
	if w := patch(`{}`); w.Code != 409 {
		t.Errorf("nothing is recorded: got %d", w.Code)
	}
}

func FuzzDetails(f *testing.F) {
	for _, seed := range []string{`{}`, `{"vin": "1M8GDM9AXKP042788", "concern": "x"}`, `{"title": null}`, `{"title": "\u0000"}`, `[`} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, body string) {
		c, err := parseChange(strings.NewReader(body))
		if err != nil {
			return
		}
		var m archive.Meta
		c.apply(&m)
		if len(m.Title) > maxDetail || strings.ContainsAny(m.VIN+m.Concern+m.Job, "\n\r\x00") {
			t.Errorf("%q became %+v", body, m)
		}
	})
}

func FuzzConfirm(f *testing.F) {
	f.Add(`{"confirm": "name"}`)
	f.Add(`{"confirm": "name"}]`)
	f.Add(`{"confirm": "name", "unsigned": true}`)
	f.Fuzz(func(t *testing.T, body string) {
		unsigned, err := parseConfirm(strings.NewReader(body), "name")
		if err != nil {
			return
		}
		var v map[string]any
		if json.Unmarshal([]byte(body), &v) != nil || len(v) > 2 || len(v) == 2 && !strings.Contains(strings.ToLower(body), "nsigned") {
			t.Errorf("%q was taken for a confirmation", body)
		}
		if unsigned && !strings.Contains(body, "true") {
			t.Errorf("%q seals without a signature", body)
		}
	})
}

// steered is a playback that notes what it is told.
type steered struct {
	paused bool
	speed  float64
	did    []string
}

func (p *steered) Paused() bool   { return p.paused }
func (p *steered) Speed() float64 { return p.speed }
func (p *steered) Pause()         { p.paused = true; p.did = append(p.did, "pause") }
func (p *steered) Resume()        { p.paused = false; p.did = append(p.did, "resume") }
func (p *steered) Step(d time.Duration) error {
	p.did = append(p.did, "step "+d.String())
	return nil
}
func (p *steered) SetSpeed(v float64) error { p.speed = v; p.did = append(p.did, "speed"); return nil }
func (p *steered) Seek(t capture.Stamp) error {
	p.did = append(p.did, "seek "+time.Duration(t).String())
	return nil
}

func TestPlaybackIsSteered(t *testing.T) {
	p := &steered{speed: 1}
	f := boardtest.New(capture.Stamp(100 * time.Second))
	b := f.Board(nil)
	b.Restart(capture.Stamp(100*time.Second), capture.Stamp(100*time.Second))
	s := NewServer(Options{Board: b, Playback: p, Moments: board.NewMoments(capture.Stamp(100 * time.Second)), Mark: func(string) error { t.Error("marked"); return nil }})
	f.Run(b, 5*time.Second)
	post := func(target, body string) *httptest.ResponseRecorder {
		r := httptest.NewRequest("POST", "http://localhost:8477"+target, strings.NewReader(body))
		r.Header.Set("Content-Type", "application/json")
		w := httptest.NewRecorder()
		s.Handler().ServeHTTP(w, r)
		return w
	}
	var st PlaybackState
	into(t, post("/api/v1/playback", `{"pause": true, "speed": 4, "seek_s": 12.5, "step_s": 0.1}`), &st)
	if got := strings.Join(p.did, ", "); got != "pause, speed, seek 1m52.5s, step 100ms" {
		t.Errorf("did %s", got)
	}
	if !st.Paused || st.Speed != 4 || st.Ended || st.At < 4.9 || st.At > 5 {
		t.Errorf("stands at %+v", st)
	}
	p.did = nil
	for _, bad := range []string{``, `{}`, `{"pause": true, "resume": true}`, `{"speed": 0}`, `{"speed": 1e7}`, `{"seek_s": -1}`, `{"step_s": -0.1}`, `{"step_s": 1e9}`, `{"speed": "4"}`, `{"stop": true}`, `{"pause": true}{}`} {
		if w := post("/api/v1/playback", bad); w.Code != 400 || p.did != nil {
			t.Errorf("%s: got %d, did %v", bad, w.Code, p.did)
		}
	}
	if w := post("/api/v1/marks", `{"text": ""}`); w.Code != 409 || !strings.Contains(w.Body.String(), "played back") {
		t.Errorf("a mark: %d %s", w.Code, w.Body)
	}
	var status Status
	into(t, get(s, "/api/v1/status"), &status)
	if status.Playback == nil || status.Playback.Speed != 4 || !strings.Contains(status.Recording.Text, "not recorded again") {
		t.Errorf("status: %+v, %+v", status.Playback, status.Recording)
	}
	for _, target := range []string{"/api/v1/playback", "/api/v1/playback/moments"} {
		if w := get(NewServer(Options{Board: b}), target); w.Code != 409 {
			t.Errorf("%s without a playback: got %d", target, w.Code)
		}
		if w := get(NewServer(Options{Board: b}), target+"?x=1"); w.Code/100 != 4 {
			t.Errorf("%s: got %d", target, w.Code)
		}
	}
}

func FuzzSteer(f *testing.F) {
	for _, seed := range []string{`{"pause": true}`, `{"speed": 1e6, "seek_s": 1e-9}`, `{"step_s": 1e400}`, `{"resume": true, "step_s": null}`, `{}`, `"`} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, body string) {
		q, err := parseSteer(strings.NewReader(body))
		if err != nil {
			return
		}
		for _, v := range []*float64{q.Speed, q.Seek, q.Step} {
			if v != nil && !(*v >= 0 && *v <= maxSeekS) {
				t.Errorf("%s gives %v", body, *v)
			}
		}
	})
}

// A board begun anew has nothing of before, and every page is told.
func TestNothingOfBeforeLingers(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := boardtest.New(capture.Stamp(100 * time.Second))
		b := f.Board(nil)
		s := NewServer(Options{Board: b})
		f.Run(b, 30*time.Second)
		f.Alarm(b, "raised")
		ctx, cancel := context.WithCancel(t.Context())
		r := httptest.NewRequest("GET", "http://localhost:8477/api/v1/live", nil).WithContext(ctx)
		w := httptest.NewRecorder()
		done := make(chan struct{})
		go func() { s.Handler().ServeHTTP(w, r); close(done) }()
		time.Sleep(200 * time.Millisecond)
		b.Restart(capture.Stamp(100*time.Second), capture.Stamp(112*time.Second))
		time.Sleep(200 * time.Millisecond)
		cancel()
		<-done
		if n := strings.Count(w.Body.String(), "event: start\n"); n != 2 || !strings.Contains(w.Body.String(), `"round":1`) {
			t.Errorf("%d beginnings on the stream, want 2:\n%s", n, w.Body)
		}
		var st Status
		into(t, get(s, "/api/v1/status"), &st)
		if st.Now != 12 || len(st.Alarms) != 0 || st.Samples != 0 || len(st.Buses) != 0 {
			t.Errorf("status: %+v", st)
		}
		var events struct{ Events []board.Event }
		into(t, get(s, "/api/v1/events"), &events)
		if len(events.Events) != 0 {
			t.Errorf("events: %v", events.Events)
		}
		for _, in := range signalList(b) {
			if in.State != board.StateNever.String() {
				t.Errorf("%s: %s", in.Name, in.State)
			}
		}
		start, newest, _ := b.Span()
		if h := b.History([]int32{0}, start, newest, 100); len(h.Columns) > 0 {
			for _, v := range h.Columns[0].Mid {
				if v == v {
					t.Errorf("history: %v", h.Columns[0].Mid)
					break
				}
			}
		}
		if n := s.board.Traffic(); len(n.Identifiers) != 0 {
			t.Errorf("bus: %v", n.Identifiers)
		}
		// And it goes on.
		f.Now = capture.Stamp(112 * time.Second)
		f.Run(b, 10*time.Second)
		into(t, get(s, "/api/v1/events"), &events)
		if len(events.Events) != 1 || events.Events[0].Seq < 2 {
			t.Errorf("events after: %v", events.Events)
		}
	})
}
