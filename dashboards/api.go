package dashboards

import (
	"cmp"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"gearwitness/capture"
	"gearwitness/dashboards/board"
	"gearwitness/decode"
	"gearwitness/decode/geartrain"
	"gearwitness/signals"
	"gearwitness/signals/unit"
)

// The JSON of the API. js/types.js of the page describes the same objects.
type (
	// Status is /api/v1/status.
	Status struct {
		Version    string            `json:"version"`
		Instance   string            `json:"instance"` // changes with every run of the program
		Start      decode.Seconds    `json:"start_s"`  // stamp of second 0 of everything else
		Now        float64           `json:"now"`      // event time in seconds since session start
		Connection board.Connection  `json:"connection"`
		Sources    []board.Source    `json:"sources"`
		Buses      []board.BusStatus `json:"buses"`
		Recording  RecordingStatus   `json:"recording"`
		Requests   board.Requests    `json:"requests"`
		Playback   *PlaybackState    `json:"playback"` // null: nothing is played back
		Alarms     []board.Alarm     `json:"alarms"`   // raised now
		Samples    uint64            `json:"samples"`
		Late       uint64            `json:"late"` // samples too old for the graphs
		Pages      int64             `json:"pages"`
		Skipped    uint64            `json:"skipped"` // updates that slow pages did not take
		CanMark    bool              `json:"can_mark"`
	}
	// RecordingStatus tells about the recording.
	RecordingStatus struct {
		State  string `json:"state"` // recording, warning, off, sealed or failed
		Folder string `json:"folder,omitempty"`
		Bytes  uint64 `json:"bytes"`
		Frames uint64 `json:"frames"`
		Lost   uint64 `json:"lost"`
		Text   string `json:"text"` // one sentence for people
	}
	// Vehicle is /api/v1/vehicle.
	Vehicle struct {
		Title    string            `json:"title"`
		Note     string            `json:"note,omitempty"`
		Roles    map[string]string `json:"roles"` // what: name of the signal
		Gears    []GearInfo        `json:"gears"`
		Elements []ElementInfo     `json:"elements"`
	}
	// GearInfo is one gear of the vehicle.
	GearInfo struct {
		Name  string   `json:"name"`
		Ratio *float64 `json:"ratio"` // null: not known
		Holds []string `json:"holds"` // elements that carry
	}
	// ElementInfo is a clutch, brake or one-way clutch.
	ElementInfo struct {
		Name   string `json:"name"`
		Title  string `json:"title"`
		Kind   string `json:"kind"`   // clutch, brake or one_way
		Signal string `json:"signal"` // of its slip; empty when there is none
	}
	// SignalList is /api/v1/signals.
	SignalList struct {
		Signals []SignalInfo `json:"signals"`
		// Units tells how each unit is shown in each system; values are sent in the
		// unit of the signal.
		Units map[string]UnitDisplays `json:"units"`
	}
	// UnitDisplays is how one unit is shown: figure = value * factor + offset.
	UnitDisplays struct {
		Metric unit.Display `json:"metric"`
		US     unit.Display `json:"us"`
	}
	// SignalInfo is one entry of SignalList.
	SignalInfo struct {
		Name       string     `json:"name"`
		Title      string     `json:"title"`
		Unit       string     `json:"unit"`
		Origin     string     `json:"origin"` // frame, line, formula or analysis
		States     []StateFor `json:"states,omitempty"`
		StaleAfter float64    `json:"stale_after_s"` // 0: never
		Digits     int        `json:"digits"`
		Range      []float64  `json:"range,omitempty"`
		State      string     `json:"state"` // valid, not available, error, implausible, stale, never seen
		Value      *float64   `json:"value"` // null unless valid, implausible or stale
		Text       string     `json:"text"`  // value as people read it; empty when null
		At         *float64   `json:"at"`    // time of the sample; null when never seen
	}
	// StateFor is the text of one value.
	StateFor struct {
		Value int64  `json:"value"`
		Text  string `json:"text"`
	}
)

// displays holds every unit that a signal or an event can have.
var displays = func() map[string]UnitDisplays {
	m := make(map[string]UnitDisplays)
	for _, in := range unit.Table() {
		m[string(in.Symbol)] = UnitDisplays{in.Symbol.Display(unit.Metric), in.Symbol.Display(unit.Customary)}
	}
	return m
}()

func (s *Server) status() Status {
	o := s.board.Overview()
	st := Status{
		Version: s.o.Version, Instance: s.instance, Start: decode.Seconds(o.Start), Now: o.Now, Connection: o.Connection, Sources: o.Sources,
		Buses: o.Buses, Recording: s.recording(), Requests: o.Requests, Playback: s.playback(&o), Alarms: o.Alarms,
		Samples: o.Samples, Late: o.Late, Pages: s.streams.Load(), Skipped: s.skipped.Load(), CanMark: s.o.Mark != nil,
	}
	if p := st.Playback; p != nil && p.Paused && st.Connection.State == board.ConnLive {
		st.Connection.Title = "Playback held"
	}
	if st.Recording.State == "failed" {
		// Evidence is being lost: as loud as an alarm of the vehicle.
		st.Alarms = append(st.Alarms, board.Alarm{Name: "recording", Level: "stop", Say: "The recording cannot be written. Make room on the disk, or check it.", Since: st.Now})
	}
	board.ByUrgency(st.Alarms)
	return st
}

func (s *Server) recording() RecordingStatus {
	switch {
	case s.o.Recorder == nil && s.o.Playback != nil:
		return RecordingStatus{State: "off", Text: "This is a recording already; playing it back is not recorded again."}
	case s.o.Recorder == nil:
		return RecordingStatus{State: "off", Text: "Nothing is being recorded."}
	}
	r := s.o.Recorder.Recording()
	st := RecordingStatus{State: "recording", Folder: r.Folder, Bytes: r.Bytes, Frames: r.Frames, Lost: r.Lost, Text: "Every frame is being written to disk."}
	switch {
	case r.Err != nil:
		st.State, st.Text = "failed", board.Sentence("the recording cannot be written: "+r.Err.Error(), "")
	case r.Lost > 0:
		st.Text = fmt.Sprintf("%d frames could not be written; the recording has gaps, and says where.", r.Lost)
	case r.Warning != "":
		st.State, st.Text = "warning", board.Sentence(r.Warning, "")
	case r.Sealed:
		st.State, st.Text = "sealed", "The session is complete and sealed."
	}
	return st
}

// vehicle is the same for a whole run.
func vehicle(f *signals.File, table *decode.Table) Vehicle {
	v := Vehicle{Title: f.Vehicle.Title, Note: f.Vehicle.Note, Roles: map[string]string{}, Gears: []GearInfo{}, Elements: []ElementInfo{}}
	role := func(what, signal string) {
		if signal != "" && table.Index(signal) >= 0 {
			v.Roles[what] = signal
		}
	}
	for _, name := range []string{"gear", "ratio", "input_speed", "converter_slip", "converter_speed_ratio", "oil_temperature_difference"} {
		role(name, name)
	}
	t := f.Transmission
	if t == nil {
		return v
	}
	r := t.Roles
	role("engine_speed", r.EngineSpeed)
	role("engine_torque", r.EngineTorque)
	role("input_speed", r.InputSpeed)
	role("output_speed", r.OutputSpeed)
	role("vehicle_speed", r.VehicleSpeed)
	role("pedal", r.Pedal)
	role("brake", r.Brake)
	role("lever", r.Lever)
	role("commanded_gear", r.CommandedGear)
	role("current_gear", r.CurrentGear)
	role("lockup", r.Lockup)
	role("oil_pan", r.OilPan)
	role("oil_outlet", r.OilOutlet)
	role("coolant", r.Coolant)
	gears := signals.Named[signals.Gear](t.Gears)
	if len(gears) == 0 {
		for _, e := range t.Ratios {
			gears = append(gears, signals.Entry[signals.Gear]{Name: e.Name})
		}
	}
	known := ratios(t)
	for _, g := range gears {
		info := GearInfo{Name: g.Name, Holds: append([]string{}, g.V.Holds...)}
		if r, ok := known[g.Name]; ok {
			info.Ratio = &r
		}
		v.Gears = append(v.Gears, info)
	}
	for _, e := range t.Elements {
		info := ElementInfo{Name: e.Name, Title: cmp.Or(e.V.Title, e.Name), Kind: "clutch"}
		switch {
		case e.V.Brake != "":
			info.Kind = "brake"
		case len(e.V.OneWay) > 0:
			info.Kind = "one_way"
		}
		if name := "slip." + e.Name; table.Index(name) >= 0 {
			info.Signal = name
		}
		v.Elements = append(v.Elements, info)
	}
	return v
}

// ratios returns the ratio of each gear: those the vehicle file writes down, or
// those of its gear train.
func ratios(t *signals.Transmission) map[string]float64 {
	out := make(map[string]float64)
	for _, r := range t.Ratios {
		out[r.Name] = r.V
	}
	if t.Train == nil {
		return out
	}
	// A train that cannot be solved is told by whoever read the file; here it
	// only means that no lines are drawn.
	train, err := geartrain.FromFile(t)
	if err != nil {
		return out
	}
	gears, err := geartrain.GearsFromFile(train, t)
	if err != nil {
		return out
	}
	for _, g := range gears {
		if row := train.Solve(g.Holds, geartrain.Drive); row.State == geartrain.InGear {
			out[g.Name], _ = row.Ratio.Float64()
		}
	}
	return out
}

var origins = [...]string{decode.FromFrame: "frame", decode.FromLine: "line", decode.FromFormula: "formula", decode.FromAnalysis: "analysis"}

func signalList(b *board.Board) []SignalInfo {
	table := b.Table()
	rs := make([]board.Reading, len(table.Signals))
	_, start := b.Readings(rs, 0)
	list := make([]SignalInfo, len(rs))
	for i, in := range table.Signals {
		r := rs[i]
		list[i] = SignalInfo{
			Name: in.Name, Title: in.Title, Unit: string(in.Unit), Origin: origins[in.Origin],
			StaleAfter: time.Duration(in.StaleAfter).Seconds(), Digits: in.Digits, State: r.State.String(),
		}
		for _, s := range in.States {
			list[i].States = append(list[i].States, StateFor{Value: s.V, Text: s.Name})
		}
		if in.Range != nil {
			list[i].Range = []float64{in.Range.Low, in.Range.High}
		}
		if r.State != board.StateNever {
			at := r.At.Sub(start).Seconds()
			list[i].At = &at
		}
		switch r.State {
		case board.StateValid, board.StateImplausible, board.StateStale:
			list[i].Value = &r.Value
			list[i].Text = table.Text(decode.Sample{Signal: int32(i), Value: r.Value})
		}
	}
	return list
}

// Limits of a question about the past.
const (
	maxColumns    = 64
	maxPoints     = 5000
	defaultPoints = 600
	defaultSpan   = 120.0 // seconds
	maxQuery      = 8 << 10
)

// historyQuestion is a parsed query of /api/v1/history, in seconds since
// session start. From and To are NaN where they were left out.
type historyQuestion struct {
	signals  []int32
	from, to float64
	points   int
}

// parseHistory reads ?signals=a,b&from=&to=&points=. Every error says what was
// expected.
func parseHistory(raw string, table *decode.Table) (historyQuestion, error) {
	q := historyQuestion{from: math.NaN(), to: math.NaN(), points: defaultPoints}
	v, err := query(raw, "signals", "from", "to", "points")
	if err != nil {
		return q, err
	}
	for name := range strings.SplitSeq(v.Get("signals"), ",") {
		i := table.Index(name)
		if i < 0 {
			return q, fmt.Errorf("signals: expected names of signals separated by commas, found %q; /api/v1/signals lists them", clip(name))
		}
		if len(q.signals) == maxColumns {
			return q, fmt.Errorf("signals: expected at most %d names; ask twice", maxColumns)
		}
		q.signals = append(q.signals, i)
	}
	for key, dst := range map[string]*float64{"from": &q.from, "to": &q.to} {
		if s := v.Get(key); s != "" {
			f, err := strconv.ParseFloat(s, 64)
			if err != nil || math.IsNaN(f) || math.Abs(f) > 1e9 {
				return q, fmt.Errorf("%s: expected seconds since session start, such as 12.5, found %q", key, clip(s))
			}
			*dst = f
		}
	}
	if q.from > q.to {
		return q, errors.New("from: expected a time no later than to")
	}
	if s := v.Get("points"); s != "" {
		n, err := strconv.Atoi(s)
		if err != nil || n < 1 || n > maxPoints {
			return q, fmt.Errorf("points: expected a whole number from 1 to %d, found %q", maxPoints, clip(s))
		}
		q.points = n
	}
	return q, nil
}

// query parses a query string strictly: each known key at most once.
func query(raw string, known ...string) (url.Values, error) {
	if len(raw) > maxQuery {
		return nil, fmt.Errorf("expected a query of at most %d bytes, found %d", maxQuery, len(raw))
	}
	v, err := url.ParseQuery(raw)
	if err != nil {
		return nil, errors.New("expected a query such as ?a=1&b=2, found something else: " + clip(err.Error()))
	}
	for k, list := range v {
		if !slices.Contains(known, k) {
			return nil, fmt.Errorf("unknown parameter %q; expected %s", clip(k), cmp.Or(strings.Join(known, ", "), "none"))
		}
		if len(list) > 1 {
			return nil, fmt.Errorf("%s: expected once, found %d times", k, len(list))
		}
	}
	return v, nil
}

// clip shortens foreign text that goes into a message.
func clip(s string) string {
	const most = 60
	if len(s) > most {
		s = strings.ToValidUTF8(s[:most], "") + "..."
	}
	return s
}

func (s *Server) historyHandler(w http.ResponseWriter, r *http.Request) {
	b := s.board
	q, err := parseHistory(r.URL.RawQuery, b.Table())
	if err != nil {
		refuse(w, http.StatusBadRequest, err.Error())
		return
	}
	start, newest, _ := b.Span()
	stamp := func(sec float64) capture.Stamp { return start.Add(time.Duration(math.Round(sec * 1e9))) }
	to := newest
	if !math.IsNaN(q.to) {
		to = stamp(q.to)
	}
	from := to.Add(-time.Duration(defaultSpan * 1e9))
	if !math.IsNaN(q.from) {
		from = stamp(q.from)
	}
	h, ok := s.finer(r.Context(), q.signals, from, to, q.points)
	if !ok {
		h = b.History(q.signals, from, to, q.points)
	}
	replyJSON(w, appendHistory(nil, h, b.Table()))
}

// appendHistory writes {step_s, x, signals: {name: {min, max, mid}}}.
func appendHistory(b []byte, h board.History, table *decode.Table) []byte {
	b = append(b, `{"step_s":`...)
	b = appendSeconds(b, h.Step)
	b = append(b, `,"x":[`...)
	for i, x := range h.X {
		if i > 0 {
			b = append(b, ',')
		}
		b = appendSeconds(b, x)
	}
	b = append(b, `],"signals":{`...)
	for i, c := range h.Columns {
		if i > 0 {
			b = append(b, ',')
		}
		name, err := json.Marshal(table.Signals[c.Signal].Name)
		if err != nil {
			panic(err) // a string always marshals
		}
		b = append(append(b, name...), `:{"min":`...)
		b = appendColumn(b, c.Min)
		b = append(b, `,"max":`...)
		b = appendColumn(b, c.Max)
		b = append(b, `,"mid":`...)
		b = appendColumn(b, c.Mid)
		b = append(b, '}')
	}
	return append(b, "}}"...)
}

func appendColumn(b []byte, c []float32) []byte {
	b = append(b, '[')
	for i, v := range c {
		if i > 0 {
			b = append(b, ',')
		}
		if v != v {
			b = append(b, "null"...)
		} else {
			b = strconv.AppendFloat(b, float64(v), 'g', -1, 32)
		}
	}
	return append(b, ']')
}

// eventsHandler answers for one kind of event, or for all (kind "").
func (s *Server) eventsHandler(kind string) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		known := []string{"after", "limit"}
		if kind == "" {
			known = append(known, "kind")
		}
		v, err := query(r.URL.RawQuery, known...)
		if err != nil {
			refuse(w, http.StatusBadRequest, err.Error())
			return
		}
		which := kind
		if which == "" {
			which = v.Get("kind")
		}
		var after uint64
		if t := v.Get("after"); t != "" {
			if after, err = strconv.ParseUint(t, 10, 64); err != nil {
				refuse(w, http.StatusBadRequest, fmt.Sprintf("after: expected the number of an event, found %q", clip(t)))
				return
			}
		}
		limit := board.MaxEvents
		if t := v.Get("limit"); t != "" {
			if limit, err = strconv.Atoi(t); err != nil || limit < 1 || limit > board.MaxEvents {
				refuse(w, http.StatusBadRequest, fmt.Sprintf("limit: expected a whole number from 1 to %d, found %q", board.MaxEvents, clip(t)))
				return
			}
		}
		events := append([]board.Event{}, s.board.Events(after, which, limit)...)
		if kind == decode.KindAlarm {
			reply(w, map[string]any{"raised": s.board.Alarms(), "events": events})
			return
		}
		reply(w, map[string]any{"events": events})
	}
}

const maxMark = 500 // bytes of a mark's text

// markHandler takes {"text": "..."} and writes it into the session.
func (s *Server) markHandler(w http.ResponseWriter, r *http.Request) {
	if s.o.Playback != nil {
		refuse(w, http.StatusConflict, "a recording is being played back; marks are set while driving")
		return
	}
	if s.o.Mark == nil {
		refuse(w, http.StatusConflict, "nothing is being recorded, so there is nowhere to put a mark; start without --no-record")
		return
	}
	body, ok := jsonBody(w, r)
	if !ok {
		return
	}
	text, err := parseMark(body)
	if err != nil {
		refuse(w, http.StatusBadRequest, err.Error())
		return
	}
	if err := s.o.Mark(text); err != nil {
		refuse(w, http.StatusInternalServerError, "the mark was not kept: "+err.Error())
		return
	}
	w.WriteHeader(http.StatusNoContent)
}

func parseMark(r io.Reader) (string, error) {
	var m struct {
		Text string `json:"text"`
	}
	if readObject(r, &m) != nil {
		return "", errors.New(`expected {"text": "a short note"} and nothing else`)
	}
	m.Text = strings.TrimSpace(m.Text)
	if len(m.Text) > maxMark || !utf8.ValidString(m.Text) || strings.ContainsFunc(m.Text, unicode.IsControl) {
		return "", fmt.Errorf("text: expected at most %d bytes on one line", maxMark)
	}
	return m.Text, nil
}
