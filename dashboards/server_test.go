package dashboards

import (
	"encoding/json"
	"errors"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"gearwitness/capture"
	"gearwitness/dashboards/board"
	"gearwitness/dashboards/board/boardtest"
	"gearwitness/decode"
)

// get asks the handler for an address, as a browser on this machine would.
func get(s *Server, target string) *httptest.ResponseRecorder {
	w := httptest.NewRecorder()
	s.Handler().ServeHTTP(w, httptest.NewRequest("GET", "http://localhost:8477"+target, nil))
	return w
}

// into decodes a JSON reply.
func into(t *testing.T, w *httptest.ResponseRecorder, v any) {
	t.Helper()
	if w.Code != 200 || w.Header().Get("Content-Type") != "application/json" {
		t.Fatalf("got status %d, %s: %s", w.Code, w.Header().Get("Content-Type"), w.Body)
	}
	if err := json.Unmarshal(w.Body.Bytes(), v); err != nil {
		t.Fatal(err)
	}
}

func TestGuard(t *testing.T) {
	f := boardtest.New(0)
	for _, tt := range []struct {
		name   string
		o      Options
		target string
		header map[string]string
		want   int
	}{
		{name: "loopback name", target: "http://localhost:8477/api/v1/status", want: 200},
		{name: "loopback v4", target: "http://127.0.0.1:8477/api/v1/status", want: 200},
		{name: "loopback v6", target: "http://[::1]:8477/api/v1/status", want: 200},
		{name: "loopback without port", target: "http://127.0.0.1/api/v1/status", want: 200},
		{name: "foreign name that resolves to us", target: "http://rebound.example:8477/api/v1/status", want: 421},
		{name: "name that ends like ours", target: "http://evil-localhost:8477/", want: 421},
		{name: "address of the network without token", target: "http://192.0.2.7:8477/", want: 421},
		{name: "own page", target: "http://localhost:8477/api/v1/live", header: map[string]string{"Origin": "http://localhost:8477"}, want: 200},
		{name: "page from elsewhere", target: "http://localhost:8477/api/v1/status", header: map[string]string{"Origin": "http://elsewhere.example"}, want: 403},
		{name: "page of another port", target: "http://localhost:8477/api/v1/status", header: map[string]string{"Origin": "http://localhost:3000"}, want: 403},
		{name: "opaque origin", target: "http://localhost:8477/api/v1/status", header: map[string]string{"Origin": "null"}, want: 403},
		{name: "token missing", o: Options{Token: "open sesame"}, target: "http://192.0.2.7:8477/", want: 401},
		{name: "token missing on loopback", o: Options{Token: "open sesame"}, target: "http://127.0.0.1:8477/metrics", want: 401},
		{name: "token wrong", o: Options{Token: "open sesame"}, target: "http://192.0.2.7:8477/api/v1/status", header: map[string]string{"Authorization": "Bearer open"}, want: 401},
		{name: "token right", o: Options{Token: "open sesame"}, target: "http://192.0.2.7:8477/api/v1/status", header: map[string]string{"Authorization": "Bearer open sesame"}, want: 200},
		{name: "token in the address", o: Options{Token: "open sesame"}, target: "http://192.0.2.7:8477/?token=open+sesame", want: 303},
		{name: "token in the address of the API", o: Options{Token: "open sesame"}, target: "http://192.0.2.7:8477/api/v1/status?token=open+sesame", want: 401},
		{name: "token in the cookie", o: Options{Token: "open sesame"}, target: "http://192.0.2.7:8477/", header: map[string]string{"Cookie": cookie + "=open+sesame"}, want: 200},
		{name: "health without token", o: Options{Token: "open sesame"}, target: "http://192.0.2.7:8477/healthz", want: 200},
		{name: "foreign name with token", o: Options{Token: "open sesame"}, target: "http://rebound.example/", header: map[string]string{"Authorization": "Bearer open sesame"}, want: 421},
		{name: "name given by the user", o: Options{Token: "x", Hosts: []string{"workshop.local"}}, target: "http://Workshop.local:8477/", header: map[string]string{"Authorization": "Bearer x"}, want: 200},
	} {
		t.Run(tt.name, func(t *testing.T) {
			tt.o.Board = f.Board(nil)
			r := httptest.NewRequest("GET", tt.target, nil)
			for k, v := range tt.header {
				r.Header.Set(k, v)
			}
			if strings.HasSuffix(tt.target, "/live") {
				r = r.WithContext(canceled())
			}
			w := httptest.NewRecorder()
			NewServer(tt.o).Handler().ServeHTTP(w, r)
			if w.Code != tt.want {
				t.Errorf("got status %d, want %d: %s", w.Code, tt.want, w.Body)
			}
			if got := w.Header().Get("Content-Security-Policy"); !strings.HasPrefix(got, "default-src 'none'") || strings.Contains(got, "unsafe") {
				t.Errorf("content security policy: got %q", got)
			}
			if w.Code >= 400 {
				var p problem // RFC 9457: this type, and these members
				if ct := w.Header().Get("Content-Type"); ct != "application/problem+json" {
					t.Errorf("content type: got %q, want application/problem+json", ct)
				}
				if err := json.Unmarshal(w.Body.Bytes(), &p); err != nil || p.Status != w.Code || p.Title == "" || p.Detail == "" {
					t.Errorf("problem: got %s (%v)", w.Body, err)
				}
			}
		})
	}
}

func TestServeRefusesOpenAddress(t *testing.T) {
	f := boardtest.New(0)
	l := addrListener{&net.TCPAddr{IP: net.IPv4(192, 0, 2, 7), Port: 8477}}
	if err := NewServer(Options{Board: f.Board(nil)}).Serve(t.Context(), l); !errors.Is(err, ErrOpen) {
		t.Errorf("without a token: got %v, want %v", err, ErrOpen)
	}
	if err := NewServer(Options{Board: f.Board(nil), Token: "x"}).Serve(t.Context(), l); !errors.Is(err, net.ErrClosed) {
		t.Errorf("with a token: got %v, want the listener to be used", err)
	}
}

// addrListener has an address and takes no connection.
type addrListener struct{ a net.Addr }

func (l addrListener) Accept() (net.Conn, error) { return nil, net.ErrClosed }
func (l addrListener) Close() error              { return nil }
func (l addrListener) Addr() net.Addr            { return l.a }

func TestStatus(t *testing.T) {
	begin := capture.Stamp(1_700_000_000_123_456_789)
	f := boardtest.New(begin)
	b := f.Board(nil)
	rec := &recorderStub{Recording{Folder: "sessions/a", Bytes: 1000, Frames: 30}}
	s := NewServer(Options{Board: b, Version: "v9", Recorder: rec, Mark: func(string) error { return nil }})
	f.Run(b, 10*time.Second)
	w := get(s, "/api/v1/status")
	var st Status
	var raw map[string]any
	// Seconds marshals as a number but reads back as nanoseconds; look at the text.
	into(t, w, &raw)
	if !strings.Contains(w.Body.String(), `"start_s":1700000000.123456789`) {
		t.Errorf("start: want the exact stamp in %s", w.Body)
	}
	delete(raw, "start_s")
	again, err := json.Marshal(raw)
	if err != nil {
		t.Fatal(err)
	}
	if err := json.Unmarshal(again, &st); err != nil {
		t.Fatal(err)
	}
	if st.Version != "v9" || st.Now != 9.99 || st.Connection.State != board.ConnLive || st.Recording.State != "recording" || st.Recording.Bytes != 1000 || !st.CanMark {
		t.Errorf("got %+v", st)
	}
	if st.Requests != (board.Requests{}) {
		t.Errorf("requests: got %+v, want none", st.Requests)
	}
	sending := board.Requests{State: "sending", Text: "Requests are being sent."}
	b.Requests(sending)
	if st := s.status(); st.Requests != sending {
		t.Errorf("requests: got %+v, want %+v", st.Requests, sending)
	}
	if len(st.Buses) != 1 || st.Buses[0].Frames != 3000 || st.Buses[0].Load == nil {
		t.Fatalf("buses: got %+v, want one with 3000 frames and a load", st.Buses)
	}
	// 300 frames a second of 47 + 64 bits (ISO 11898-1, without stuff bits) at 500 kbit/s.
	if want := 300.0 * (47 + 64) / 500000; *st.Buses[0].Load != want {
		t.Errorf("bus load: got %g, want %g", *st.Buses[0].Load, want)
	}
}

func TestRecordingFails(t *testing.T) {
	f := boardtest.New(0)
	s := NewServer(Options{Board: f.Board(nil), Recorder: recorderStub{Recording{Err: errors.New("data/capture-0001.pcapng: no space left on device; free some and start again")}}})
	st := s.status()
	if st.Recording.State != "failed" || !strings.Contains(st.Recording.Text, "no space left") {
		t.Errorf("recording: got %+v", st.Recording)
	}
	if len(st.Alarms) != 1 || st.Alarms[0].Level != "stop" {
		t.Errorf("alarms: got %+v, want one of level stop: evidence is being lost", st.Alarms)
	}
	if w := get(s, "/healthz"); w.Code != 503 || !strings.Contains(w.Body.String(), "no space left") {
		t.Errorf("/healthz: got %d %s, want 503 and the reason", w.Code, w.Body)
	}
	if w := get(NewServer(Options{Board: f.Board(nil)}), "/healthz"); w.Code != 200 {
		t.Errorf("/healthz without a recording: got %d, want 200", w.Code)
	}
}

func TestVehicle(t *testing.T) {
	f := boardtest.New(0)
	var v Vehicle
	into(t, get(NewServer(Options{Board: f.Board(nil)}), "/api/v1/vehicle"), &v)
	if v.Title != f.File.Vehicle.Title || len(v.Gears) != 6 || len(v.Elements) != 6 {
		t.Fatalf("got %+v", v)
	}
	for what, want := range map[string]string{"gear": "gear", "input_speed": "input_speed", "engine_speed": "engine_speed", "oil_temperature_difference": "oil_temperature_difference", "current_gear": ""} {
		if got := v.Roles[what]; got != want {
			t.Errorf("role %s: got %q, want %q", what, got, want)
		}
	}
	if g := v.Gears[4]; g.Name != "5" || g.Ratio == nil || *g.Ratio != 0.879293 || !slices.Equal(g.Holds, []string{"odd-gears clutch", "high-gears clutch"}) {
		t.Errorf("fifth gear: got %+v", g)
	}
	want := []ElementInfo{
		{Name: "drum brake", Title: "drum brake", Kind: "brake", Signal: "slip.drum brake"},
		{Name: "crawler brake", Title: "crawler brake", Kind: "brake", Signal: "slip.crawler brake"},
		{Name: "crawler one-way clutch", Title: "crawler one-way clutch", Kind: "one_way"}, // no slip in this table
	}
	if !slices.Equal(v.Elements[3:], want) {
		t.Errorf("elements: got %+v, want %+v", v.Elements[3:], want)
	}
}

func TestSignals(t *testing.T) {
	f := boardtest.New(0)
	b := f.Board(nil)
	s := NewServer(Options{Board: b})
	f.Quiet["oil_pan"] = true
	f.Run(b, time.Second)
	f.Quiet["pedal"] = true
	f.Run(b, time.Second)
	b.Take(&decode.Output{Samples: []decode.Sample{
		{Time: f.Now, Signal: f.Table.Index("engine_speed"), Status: decode.NotAvailable, Value: 8191.875},
		{Time: f.Now, Signal: f.Table.Index("output_speed"), Status: decode.Faulty, Value: 8191.75},
		{Time: f.Now, Signal: f.Table.Index("coolant"), Status: decode.Implausible, Value: 215},
	}})
	var list struct{ Signals []SignalInfo }
	into(t, get(s, "/api/v1/signals"), &list)
	by := map[string]SignalInfo{}
	for _, x := range list.Signals {
		by[x.Name] = x
	}
	for _, tt := range []struct {
		name, state, text string
		value             any
	}{
		{"lever", "valid", "D", 3.0},
		{"pedal", "stale", "", nil}, // value checked below
		{"oil_pan", "never seen", "", nil},
		{"engine_speed", "not available", "", nil},
		{"output_speed", "error", "", nil},
		{"coolant", "implausible", "215", 215.0},
	} {
		x := by[tt.name]
		if x.State != tt.state {
			t.Errorf("%s: got state %q, want %q", tt.name, x.State, tt.state)
		}
		if tt.name == "pedal" {
			if x.Value == nil || x.At == nil || *x.At != 0.99 {
				t.Errorf("stale pedal: got %+v, want its last value and its time 0.99", x)
			}
			continue
		}
		if tt.value == nil && (x.Value != nil || x.Text != "") {
			t.Errorf("%s: got a value %v %q, want none", tt.name, x.Value, x.Text)
		}
		if tt.value != nil && (x.Value == nil || *x.Value != tt.value || x.Text != tt.text) {
			t.Errorf("%s: got %v %q, want %v %q", tt.name, x.Value, x.Text, tt.value, tt.text)
		}
	}
}

func TestHistoryHandler(t *testing.T) {
	f := boardtest.New(capture.Stamp(5 * time.Second)) // second 0 of the API is the first stamp
	b := f.Board(nil)
	s := NewServer(Options{Board: b})
	f.Run(b, 2*time.Second)
	f.Quiet["ratio"] = true
	f.Run(b, 3*time.Second)
	var h struct {
		Step    float64 `json:"step_s"`
		X       []float64
		Signals map[string]struct{ Min, Max, Mid []*float64 }
	}
	into(t, get(s, "/api/v1/history?signals=ratio,slip.drum%20brake&from=0&to=5&points=100"), &h)
	if h.Step != 0.1 || len(h.X) != 50 || h.X[0] != 0.05 {
		t.Fatalf("got step %g and %d points from %v, want 0.1, 50 and 0.05", h.Step, len(h.X), h.X[:1])
	}
	r := h.Signals["ratio"]
	if r.Mid[0] == nil || *r.Mid[0] < 4.1 || *r.Mid[0] > 4.13 {
		t.Errorf("ratio in first gear: got %v, want 4.12", r.Mid[0])
	}
	if r.Mid[49] != nil || r.Min[49] != nil || r.Max[49] != nil {
		t.Error("ratio 3 s after its last sample: got a value, want null")
	}
	if len(h.Signals["slip.drum brake"].Mid) != 50 {
		t.Error("slip of the drum brake: want a column of 50")
	}
	for _, q := range []string{
		"", "signals=", "signals=nonsense", "signals=ratio&from=x", "signals=ratio&from=NaN", "signals=ratio&to=1e300", "signals=ratio&points=0",
		"signals=ratio&points=5001", "signals=ratio&from=5&to=4", "signals=ratio&signals=gear", "signals=ratio&colour=red", "signals=%zz",
		"signals=" + strings.Repeat("ratio,", 64) + "ratio", "signals=ratio&from=" + strings.Repeat("1", 9000),
	} {
		if w := get(s, "/api/v1/history?"+q); w.Code != 400 || !strings.Contains(w.Body.String(), "expected") {
			t.Errorf("%.60s: got %d %s, want 400 and what was expected", q, w.Code, w.Body)
		}
	}
}

func TestEvents(t *testing.T) {
	f := boardtest.New(0)
	b := f.Board(nil)
	s := NewServer(Options{Board: b})
	f.Run(b, 30*time.Second)
	f.Mark(b, "here")
	f.Alarm(b, "raised")
	var got struct {
		Events []board.Event
		Raised []board.Alarm
	}
	into(t, get(s, "/api/v1/shifts"), &got)
	if len(got.Events) != 3 {
		t.Fatalf("got %d shifts, want 3", len(got.Events))
	}
	if e := got.Events[1]; e.T != 16.45 || string(e.Data) != `{"time_s":16.45,"kind":"shift","from":"2","to":"3","start_s":16,"end_s":16.45,"duration_s":0.45,"flare_rpm":18}` {
		t.Errorf("second shift: got %g %s", e.T, e.Data)
	}
	into(t, get(s, "/api/v1/events?after=3"), &got)
	if len(got.Events) != 2 || got.Events[0].Kind != "mark" || got.Events[1].Kind != "alarm" {
		t.Errorf("events after 3: got %+v, want the mark and the alarm", got.Events)
	}
	into(t, get(s, "/api/v1/events?kind=shift&limit=1"), &got)
	if len(got.Events) != 1 || got.Events[0].Seq != 3 {
		t.Errorf("newest shift: got %+v, want number 3", got.Events)
	}
	into(t, get(s, "/api/v1/alarms"), &got)
	if len(got.Raised) != 1 || got.Raised[0].Name != "outlet_hot" || got.Raised[0].Since != 30 {
		t.Errorf("raised: got %+v", got.Raised)
	}
	f.Alarm(b, "cleared")
	into(t, get(s, "/api/v1/alarms"), &got)
	if len(got.Raised) != 0 || len(got.Events) != 2 {
		t.Errorf("after it cleared: got %+v, want none raised and two events", got)
	}
	for _, q := range []string{"events?after=-1", "events?limit=0", "events?limit=x", "shifts?kind=mark", "events?x=1"} {
		if w := get(s, "/api/v1/"+q); w.Code != 400 {
			t.Errorf("%s: got %d, want 400", q, w.Code)
		}
	}
}

func TestMark(t *testing.T) {
	f := boardtest.New(0)
	var marked []string
	s := NewServer(Options{Board: f.Board(nil), Mark: func(text string) error {
		if text == "fail" {
			return errors.New("the journal is full")
		}
		marked = append(marked, text)
		return nil
	}})
	post := func(s *Server, contentType, body string) *httptest.ResponseRecorder {
		r := httptest.NewRequest("POST", "http://127.0.0.1:8477/api/v1/marks", strings.NewReader(body))
		r.Header.Set("Content-Type", contentType)
		w := httptest.NewRecorder()
		s.Handler().ServeHTTP(w, r)
		return w
	}
	for _, tt := range []struct {
		name, contentType, body string
		want                    int
	}{
		{"note", "application/json", `{"text": " shudder at 62 km/h – light pedal "}`, 204},
		{"no words", "application/json; charset=utf-8", `{"text": ""}`, 204},
		{"form of another page", "text/plain", `{"text": "x"}`, 415},
		{"no JSON", "application/json", `text`, 400},
		{"unknown member", "application/json", `{"text": "x", "time": 3}`, 400},
		{"two objects", "application/json", `{"text": "x"} {}`, 400},
		{"too long", "application/json", `{"text": "` + strings.Repeat("x", 501) + `"}`, 400},
		{"far too long", "application/json", `{"text": "` + strings.Repeat("x", 1<<20) + `"}`, 400},
		{"two lines", "application/json", `{"text": "a\nb"}`, 400},
		{"journal refuses", "application/json", `{"text": "fail"}`, 500},
	} {
		t.Run(tt.name, func(t *testing.T) {
			if w := post(s, tt.contentType, tt.body); w.Code != tt.want {
				t.Errorf("got %d %s, want %d", w.Code, w.Body, tt.want)
			}
		})
	}
	if want := []string{"shudder at 62 km/h – light pedal", ""}; !slices.Equal(marked, want) {
		t.Errorf("marked: got %q, want %q", marked, want)
	}
	if w := post(NewServer(Options{Board: f.Board(nil)}), "application/json", `{"text": "x"}`); w.Code != 409 {
		t.Errorf("without a recording: got %d, want 409", w.Code)
	}
}

func TestUnknownAddress(t *testing.T) {
	f := boardtest.New(0)
	s := NewServer(Options{Board: f.Board(nil)})
	for _, target := range []string{"/api/v1/nothing", "/api/", "/page/../server.go", "/index.html", "/js/main.js"} {
		if w := get(s, target); w.Code == 200 {
			t.Errorf("%s: got 200, want a refusal", target)
		}
	}
}

func FuzzHistoryQuery(f *testing.F) {
	for _, s := range []string{"signals=ratio&from=0&to=10&points=100", "signals=a,b", "signals=gear&from=-1e9", "from=%", "signals=ratio&points=999999999999999999999"} {
		f.Add(s)
	}
	feed := boardtest.New(0)
	b := feed.Board(nil)
	feed.Run(b, 3*time.Second)
	s := NewServer(Options{Board: b})
	f.Fuzz(func(t *testing.T, raw string) {
		r := httptest.NewRequest("GET", "http://localhost/api/v1/history", nil)
		r.URL.RawQuery = raw
		w := httptest.NewRecorder()
		s.Handler().ServeHTTP(w, r)
		switch w.Code {
		case http.StatusOK:
			var h struct{ X []float64 }
			if err := json.Unmarshal(w.Body.Bytes(), &h); err != nil || len(h.X) > maxPoints {
				t.Errorf("%q: %d points, %v", raw, len(h.X), err)
			}
		case http.StatusBadRequest:
			if w.Body.Len() > 1000 {
				t.Errorf("%q: a message of %d bytes", raw, w.Body.Len())
			}
		default:
			t.Errorf("%q: got status %d", raw, w.Code)
		}
	})
}

func FuzzMark(f *testing.F) {
	for _, s := range []string{`{"text":"a"}`, `{"text":1}`, `{`, `{"text":"\u0000"}`, "{\"text\":\"\xff\"}"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, body string) {
		text, err := parseMark(strings.NewReader(body))
		if err == nil && (len(text) > maxMark || strings.ContainsAny(text, "\n\r\x00")) {
			t.Errorf("%q: took %q", body, text)
		}
	})
}

// The answer to an unknown address points to DEVELOPERS.md; every address must
// be there.
func TestAddressesAreListed(t *testing.T) {
	code, err := os.ReadFile("server.go")
	if err != nil {
		t.Fatal(err)
	}
	guide, err := os.ReadFile("../DEVELOPERS.md")
	if err != nil {
		t.Fatal(err)
	}
	found := regexp.MustCompile(`mux\.Handle(?:Func)?\("((?:GET|POST) /[^"]+)"`).FindAllSubmatch(code, -1)
	if len(found) < 10 {
		t.Fatalf("%d addresses in server.go, want all of them", len(found))
	}
	for _, m := range found {
		if !regexp.MustCompile("`" + regexp.QuoteMeta(string(m[1])) + "[?`]").Match(guide) {
			t.Errorf("%s is not among the addresses in DEVELOPERS.md", m[1])
		}
	}
}
