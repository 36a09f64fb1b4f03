package board

import (
	"bytes"
	"encoding/json"
	"slices"

	"gearwitness/decode/procedure"
	"gearwitness/signals"
)

// The JSON of procedures. js/types.js of the page describes the same objects.
type (
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

// ProceduresSince returns what the live stream sends, nil when nothing has
// changed since that version.
func (b *Board) ProceduresSince(version uint64) ([]byte, uint64) {
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

// ProcedureList returns the definitions with how they stand.
func (b *Board) ProcedureList() []Procedure {
	out := []Procedure{}
	b.mu.Lock()
	defer b.mu.Unlock()
	for _, e := range b.file.Procedures {
		p := b.definition(e.Name, &e.V)
		if i := slices.IndexFunc(b.procedures.list, func(st ProcedureStatus) bool { return st.Name == e.Name }); i >= 0 {
			p.Status = b.procedures.list[i]
		}
		out = append(out, p)
	}
	return out
}

func (b *Board) definition(name string, e *signals.Procedure) Procedure {
	p := Procedure{Name: name, Title: e.Title, Note: e.Note, Cautions: append([]string{}, e.Cautions...), StopWhen: []Need{}, Steps: []Step{},
		Status: ProcedureStatus{Name: name, State: procedure.Idle, Needs: []NeedStatus{}, Blocked: []string{}, Step: -1, Steps: []StepProgress{}}}
	for _, n := range e.StopWhen {
		p.StopWhen = append(p.StopWhen, Need{n.Name, n.V.Say, n.V.When})
	}
	for _, st := range e.Steps {
		x := Step{Name: st.Name, Say: st.V.Say, Of: st.V.Count(), Gears: append([]string{}, st.V.Gears...), Until: st.V.Until, Hold: []Band{},
			Grace: st.V.Grace.Seconds(), For: st.V.For.Seconds(), AtMost: st.V.AtMost.Seconds(), Rest: st.V.Rest.Seconds(), Within: st.V.Within.Seconds(),
			Measure: append([]string{}, st.V.Measure...)}
		for _, h := range st.V.Hold {
			x.Hold = append(x.Hold, b.band(h.Name, h.V.Low, h.V.High))
		}
		p.Steps = append(p.Steps, x)
	}
	return p
}
