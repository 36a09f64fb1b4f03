package dashboards

import (
	"bytes"
	"encoding/json"
	"errors"
	"net/http/httptest"
	"strings"
	"testing"

	"gearwitness/dashboards/board"
	"gearwitness/decode/pipeline"
	"gearwitness/decode/procedure"
	"gearwitness/decode/readings"
	"gearwitness/signals"
)

// kept takes readings into memory, or fails to.
type kept struct {
	benchStub
	fail error
}

func (k *kept) Enter(in readings.Input) (readings.Entry, error) {
	if k.fail != nil {
		return readings.Entry{}, &UnkeptError{k.fail}
	}
	return k.benchStub.Enter(in)
}

// vanServer shows the van's procedures; those with names given wait to begin.
func vanServer(t *testing.T, o Options, waiting ...string) *Server {
	t.Helper()
	file, list := signals.Parse("van.yaml", signals.Van(), nil)
	if err := list.Err(); err != nil {
		t.Fatal(err)
	}
	chain, err := pipeline.New(file, pipeline.Options{})
	if err != nil {
		t.Fatal(err)
	}
	o.Board = board.New(board.Options{File: file, Table: chain.Table()})
	status := chain.Procedures()
	for i := range status {
		for _, name := range waiting {
			if status[i].Name == name {
				status[i].State = procedure.Waiting
			}
		}
		if status[i].Name == "warm_up" {
			status[i].Needs[0].Met, status[i].Needs[0].Missing = true, nil
		}
	}
	o.Board.Procedures(status)
	if k, ok := o.Readings.(*kept); ok {
		k.file = file
	}
	return NewServer(o)
}

func post(s *Server, target, body string) *httptest.ResponseRecorder {
	r := httptest.NewRequest("POST", "http://localhost:8477"+target, strings.NewReader(body))
	r.Header.Set("Content-Type", "application/json")
	w := httptest.NewRecorder()
	s.Handler().ServeHTTP(w, r)
	return w
}

func refused(t *testing.T, w *httptest.ResponseRecorder, status int, want string) {
	t.Helper()
	var p problem
	if err := json.Unmarshal(w.Body.Bytes(), &p); err != nil || w.Code != status || w.Header().Get("Content-Type") != "application/problem+json" || !strings.Contains(p.Detail, want) {
		t.Errorf("status %d: %s; want %d with %q", w.Code, w.Body, status, want)
	}
}

func TestProceduresAreBegun(t *testing.T) {
	var asked []procedure.Request
	coach := func(r procedure.Request) error { asked = append(asked, r); return nil }
	s := vanServer(t, Options{Coach: coach})
	var list ProcedureList
	into(t, get(s, "/api/v1/procedures"), &list)
	if !list.Can || len(list.Procedures) != 3 {
		t.Fatalf("%+v", list)
	}
	p := list.Procedures[1]
	if p.Name != "relearn_drive" || len(p.Cautions) != 3 || p.Steps[0].Of != 4 || p.Steps[0].Within != 1200 || p.Steps[0].Hold[0] != (board.Band{Signal: "pedal", Title: "accelerator pedal", Unit: "%", Low: 10, High: 15}) ||
		p.Status.State != "idle" || p.Status.Ready || p.Status.Needs[0].Missing[0] != "oil_pan" || p.Status.Steps[0].State != "to come" {
		t.Errorf("%+v", p)
	}
	refused(t, post(s, "/api/v1/procedures/warm_up", `{"action":"begin"}`), 409, "Someone else drives and looks at the road only.")
	if w := post(s, "/api/v1/procedures/warm_up", `{"action":"begin","cautions_known":true}`); w.Code != 202 || len(asked) != 1 || asked[0] != (procedure.Request{Procedure: "warm_up", Action: "begin"}) {
		t.Errorf("status %d: %s, asked %+v", w.Code, w.Body, asked)
	}
	refused(t, post(s, "/api/v1/procedures/relearn_drive", `{"action":"begin"}`), 409, "it cannot begin yet. Needed: Oil in the pan above 20 °C (no value: oil_pan)")
	refused(t, post(s, "/api/v1/procedures/relearn_drive", `{"action":"stop"}`), 409, "Relearn drive is not under way")
	refused(t, post(s, "/api/v1/procedures/relearn", `{"action":"begin"}`), 404, "there are warm_up, relearn_drive, stall_test")
	refused(t, post(s, "/api/v1/procedures/warm_up", `{"action":"pause"}`), 400, `{"action": "begin", "cautions_known": true}`)

	s = vanServer(t, Options{Coach: coach}, "stall_test")
	refused(t, post(s, "/api/v1/procedures/warm_up", `{"action":"begin"}`), 409, "Stall test in D waits to begin; stop it first")
	b := s.board
	b.Procedures([]procedure.Status{{Name: "warm_up", State: procedure.Idle, Blocked: []string{"Oil too hot."}}})
	refused(t, post(s, "/api/v1/procedures/warm_up", `{"action":"begin"}`), 409, "it cannot begin. Oil too hot.")
	b.Procedures([]procedure.Status{{Name: "stall_test", State: procedure.Waiting}})
	if w := post(s, "/api/v1/procedures/stall_test", `{"action":"stop"}`); w.Code != 202 {
		t.Errorf("status %d: %s", w.Code, w.Body)
	}
	s = vanServer(t, Options{Coach: func(procedure.Request) error { return errors.New("the disk is full") }})
	refused(t, post(s, "/api/v1/procedures/warm_up", `{"action":"begin","cautions_known":true}`), 500, "the disk is full")
	refused(t, post(vanServer(t, Options{}), "/api/v1/procedures/warm_up", `{"action":"begin"}`), 409, "Nothing is being driven")
}

// Nothing is begun or entered into a recording that is played back, and what was
// entered while it was recorded is shown.
func TestPlaybackTakesNothing(t *testing.T) {
	old := &kept{benchStub: benchStub{list: []readings.Entry{{Reading: "fluid", Choice: "dark", Verdict: readings.Bad}}}}
	s := vanServer(t, Options{Playback: struct{ Playback }{}, Readings: old})
	refused(t, post(s, "/api/v1/procedures/warm_up", `{"action":"begin"}`), 409, "A recording is being played back")
	refused(t, post(s, "/api/v1/readings", `{"reading":"fluid","value":"dark"}`), 409, "A recording is being played back")
	var sheet BenchSheet
	into(t, get(s, "/api/v1/readings"), &sheet)
	if sheet.Can || sheet.Lines[6].Entered == nil || sheet.Lines[6].Entered.Choice != "dark" {
		t.Errorf("%+v", sheet)
	}
}

func TestReadingsAreEntered(t *testing.T) {
	k := &kept{}
	s := vanServer(t, Options{Readings: k})
	for _, value := range []string{"9.1", "6.2 Ω"} {
		w := post(s, "/api/v1/readings", `{"reading":"low_gears_coil","value":"`+value+`","at":"23 °C","by":"M. Okafor"}`)
		var e readings.Entry
		if err := json.Unmarshal(w.Body.Bytes(), &e); err != nil || w.Code != 201 || e.Corrected == nil || e.By != "M. Okafor" {
			t.Errorf("status %d: %s", w.Code, w.Body)
		}
	}
	var sheet BenchSheet
	into(t, get(s, "/api/v1/readings"), &sheet)
	if l := sheet.Lines[0]; !sheet.Can || len(sheet.Lines) != 7 || l.Coil != "A" || l.Entered.Verdict != readings.Good || len(l.Earlier) != 1 || l.Earlier[0].Verdict != readings.Bad {
		t.Errorf("%+v", sheet)
	}
	refused(t, post(s, "/api/v1/readings", `{"reading":"low_gear_coil","value":"6"}`), 400, `did you mean "low_gears_coil"`)
	refused(t, post(s, "/api/v1/readings", `{"reading":"main_pressure_idle","value":"5 V"}`), 400, "V is a unit of voltage")
	refused(t, post(s, "/api/v1/readings", `{"name":"fluid"}`), 400, "of which reading and value are needed")
	k.fail = errors.New("the disk is full")
	refused(t, post(s, "/api/v1/readings", `{"reading":"fluid","value":"dark"}`), 500, "the reading was not kept: the disk is full")
	refused(t, post(vanServer(t, Options{}), "/api/v1/readings", `{"reading":"fluid","value":"dark"}`), 409, "without --no-record")
}

// The live stream sends how procedures stand at first, and again only when that
// has changed.
func TestLiveTellsProcedures(t *testing.T) {
	s := vanServer(t, Options{})
	b := s.board
	body, version := b.ProceduresSince(0)
	if !bytes.Contains(body, []byte(`{"procedures":[{"name":"warm_up","state":"idle","ready":true`)) {
		t.Fatalf("%s", body)
	}
	if again, _ := b.ProceduresSince(version); again != nil {
		t.Errorf("told again: %s", again)
	}
	value := 12.4
	running := []procedure.Status{{Name: "warm_up", State: procedure.Running, BeganAt: 5e9, Steps: []procedure.StepStatus{{Name: "warm", State: procedure.Running, Of: 1}},
		Now: &procedure.Current{Left: 90e9, Counting: true, Held: 1500e6, Bands: []procedure.BandStatus{{Signal: "pedal", High: 40, Value: &value, Holds: true}}}}}
	for range 2 {
		b.Procedures(running)
	}
	body, next := b.ProceduresSince(version)
	if next != version+1 || !bytes.Contains(body, []byte(`"now":{"left_s":90,"counting":true,"held_s":1.5,"rest_left_s":0,"gears_done":0,"until":null,"bands":[{"signal":"pedal","title":"accelerator pedal","unit":"%","low":0,"high":40,"value":12.4,"holds":true}]}`)) {
		t.Errorf("version %d: %s", next, body)
	}
}
