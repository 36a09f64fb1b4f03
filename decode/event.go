package decode

import (
	"encoding/json"
	"fmt"
	"strconv"
	"strings"

	"gearwitness/capture"
)

// Event is something that happened: a shift, an engagement, an alarm, a mark, a
// signal that went stale. Fields holds the rest of its JSON object and must
// marshal to one; durations and times in it are seconds.
type Event struct {
	Time   capture.Stamp
	Kind   string
	Fields any
}

// Kinds of event that more than one package knows.
const (
	KindShift      = "shift"
	KindEngagement = "engagement"
	KindConverter  = "converter"
	KindAlarm      = "alarm"
	KindMark       = "mark"
	KindStale      = "stale"
	KindFaults     = "faults"
	KindRefused    = "refused"
	KindVIN        = "vin"      // what a unit says the vehicle's number is
	KindRequests   = "requests" // the program begins, pauses or ends asking the vehicle
	KindLoss       = "loss"
	KindNote       = "note"
	KindCoach      = "coach"     // a procedure is to begin or stop; goes in, never comes out
	KindProcedure  = "procedure" // a procedure began, was refused or ended
	KindStep       = "step"      // how far a step of it is
)

// Seconds is a Stamp or a duration that marshals as exact decimal seconds.
type Seconds int64

// MarshalJSON writes nanoseconds as seconds without rounding.
func (s Seconds) MarshalJSON() ([]byte, error) { return AppendSeconds(nil, int64(s)), nil }

// UnmarshalJSON reads decimal seconds, exact to the nanosecond, up to those of a
// Stamp.
func (s *Seconds) UnmarshalJSON(text []byte) error {
	if string(text) == "null" {
		return nil
	}
	d := string(text)
	sign, digits := "", d
	if rest, negative := strings.CutPrefix(d, "-"); negative {
		sign, digits = "-", rest
	}
	whole, part, _ := strings.Cut(digits, ".")
	if len(part) > 9 || strings.ContainsAny(digits, "eE+-") {
		return fmt.Errorf("expected seconds with at most 9 decimals, found %.40s", d)
	}
	ns, err := strconv.ParseInt(sign+whole+part+strings.Repeat("0", 9-len(part)), 10, 64)
	if err != nil {
		return fmt.Errorf("expected seconds of a time stamp, found %.40s", d)
	}
	*s = Seconds(ns)
	return nil
}

// AppendSeconds appends ns as decimal seconds without trailing zeros.
func AppendSeconds(b []byte, ns int64) []byte { return appendScaled(b, ns, 9) }

// MarshalJSON writes one object: time_s, kind, then the fields.
func (e Event) MarshalJSON() ([]byte, error) {
	kind, err := json.Marshal(e.Kind)
	if err != nil {
		return nil, err
	}
	b := append([]byte(`{"time_s":`), AppendSeconds(nil, int64(e.Time))...)
	b = append(append(b, `,"kind":`...), kind...)
	if e.Fields != nil {
		f, err := json.Marshal(e.Fields)
		if err != nil {
			return nil, err
		}
		if len(f) < 2 || f[0] != '{' {
			return nil, fmt.Errorf("event %s: fields are no JSON object: %s", e.Kind, f)
		}
		if len(f) > 2 {
			b = append(append(b, ','), f[1:len(f)-1]...)
		}
	}
	return append(b, '}'), nil
}
