package board

import (
	"errors"
	"reflect"
	"strings"
	"testing"

	"gearwitness/capture"
	"gearwitness/decode"
)

// Shifts stand at their start, marks and alarms at their time, in seconds since the
// recording began, to the millisecond; an alarm's end and all other events are none.
func TestMoments(t *testing.T) {
	m := NewMoments(1000e9)
	seconds := func(s float64) *decode.Seconds { d := decode.Seconds(s * 1e9); return &d }
	shift := func(from, to string, start *decode.Seconds) any {
		return struct {
			From  string          `json:"from"`
			To    string          `json:"to"`
			Start *decode.Seconds `json:"start_s"`
		}{from, to, start}
	}
	hot := func(state, say string) any {
		return map[string]string{"alarm": "oil_hot", "state": state, "level": "stop", "say": say}
	}
	m.Take(&decode.Output{Events: []decode.Event{
		{Time: 1020e9, Kind: decode.KindShift, Fields: shift("1", "2", seconds(1019.5004))},
		{Time: 1030.0016e9, Kind: decode.KindShift, Fields: shift("2", "3", nil)},
		{Time: 1031e9, Kind: decode.KindEngagement, Fields: shift("N", "D", seconds(1030))},
		{Time: 1032e9, Kind: decode.KindStale, Fields: map[string]string{"text": "no mark"}},
		{Time: 1040e9, Kind: decode.KindMark, Fields: map[string]string{"text": "shudder"}},
		{Time: 1050e9, Kind: decode.KindAlarm, Fields: hot("raised", "Oil hot.")},
		{Time: 1051e9, Kind: decode.KindAlarm, Fields: hot("no data", "Oil hot.")},
		{Time: 1052e9, Kind: decode.KindAlarm, Fields: hot("cleared", "Oil hot.")},
		{Time: 1053e9, Kind: decode.KindAlarm, Fields: hot("raised", "")},
		{Time: 1054e9, Kind: decode.KindMark, Fields: map[string]int{"text": 5}}, // no mark of ours
		{Time: 1055e9, Kind: decode.KindMark, Fields: func() {}},
	}}, 1060e9)
	m.Take(&decode.Output{}, 1055e9) // no later than it was
	want := []Moment{
		{T: 19.5, Kind: "shift", Text: "1 → 2"},
		{T: 30.002, Kind: "shift", Text: "2 → 3"},
		{T: 40, Kind: "mark", Text: "shudder"},
		{T: 50, Kind: "alarm", Text: "Oil hot.", Level: "stop"},
		{T: 53, Kind: "alarm", Text: "oil_hot", Level: "stop"},
	}
	got := m.After(0)
	if !reflect.DeepEqual(got.Moments, want) || got.To != 60 || got.Done || got.Beyond != 0 || got.Problem != "" {
		t.Errorf("got %+v, want %+v up to 60 s", got, want)
	}
	if got := m.After(4).Moments; !reflect.DeepEqual(got, want[4:]) {
		t.Errorf("behind four: %+v", got)
	}
	if got := m.After(9).Moments; got == nil || len(got) != 0 {
		t.Errorf("behind more than there are: %+v, want an empty list", got)
	}
	m.End(errors.New("cut off"))
	if got := m.After(0); !got.Done || !strings.Contains(got.Problem, "cut off") {
		t.Errorf("at the end: %+v", got)
	}

	m = NewMoments(0)
	for i := range maxMoments + 2 {
		m.Take(&decode.Output{Events: []decode.Event{{Time: capture.Stamp(i), Kind: decode.KindMark, Fields: map[string]string{"text": "x"}}}}, 0)
	}
	if got := m.After(0); len(got.Moments) != maxMoments || got.Beyond != 2 {
		t.Errorf("%d kept, %d beyond; want %d and 2", len(got.Moments), got.Beyond, maxMoments)
	}
}
