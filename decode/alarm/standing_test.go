package alarm

import (
	"testing"

	"gearwitness/capture"
	"gearwitness/decode"
	"gearwitness/decode/finding"
)

func TestStanding(t *testing.T) {
	const sec = capture.Stamp(1e9)
	s := NewStanding()
	var out decode.Output
	take := func(at capture.Stamp, f finding.Finding) []decode.Event {
		out.Reset()
		s.Take(&decode.Event{Time: at, Kind: finding.Event, Fields: f}, &out)
		return out.Events
	}
	slips := finding.Finding{ID: 1, Kind: "element_slips", Name: "drum brake", State: finding.So, Last: decode.Seconds(sec), Say: "Drum brake slips. Ease off."}
	got := take(sec, slips)
	if len(got) != 1 {
		t.Fatalf("%d events, want 1", len(got))
	}
	c := got[0].Fields.(Change)
	if got[0].Kind != decode.KindAlarm || c.Alarm != "element_slips" || c.Subject != "drum brake" || c.State != "raised" || c.Level != "caution" || c.Say != slips.Say {
		t.Errorf("%+v", c)
	}
	out.Reset()
	if s.Advance(1000*sec, &out); len(out.Events) != 0 {
		t.Errorf("ended by itself: %+v; only the finding ends it", out.Events)
	}
	slips.State = finding.Over
	if got = take(1001*sec, slips); len(got) != 1 || got[0].Fields.(Change).State != "cleared" || *got[0].Fields.(Change).RaisedAt != decode.Seconds(sec) {
		t.Errorf("the end of the finding gives %+v", got)
	}

	missed := finding.Finding{ID: 2, Kind: "shift_did_not_come", Name: "2-3", State: finding.So, Last: decode.Seconds(2000 * sec), Say: "Shift two to three did not come."}
	take(2000*sec, missed)
	end := 2000*sec + finding.ShiftMissing.Lasts
	out.Reset()
	if s.Advance(end-1, &out); len(out.Events) != 0 {
		t.Errorf("ended before its time: %+v", out.Events)
	}
	if s.Advance(end, &out); len(out.Events) != 1 || out.Events[0].Time != end || out.Events[0].Fields.(Change).State != "cleared" {
		t.Errorf("after its time: %+v, want cleared at %v", out.Events, end)
	}
	// Told again at the end of the drive, as it stands: no alarm any more.
	if got = take(3000*sec, missed); len(got) != 0 {
		t.Errorf("an old happening raises %+v", got)
	}
}
