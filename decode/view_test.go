package decode

import "testing"

func TestViewForgetsWhatHasGrownStale(t *testing.T) {
	table := &Table{}
	speed := table.Add(Info{Name: "speed", StaleAfter: 30})
	gear := table.Add(Info{Name: "gear"})
	v := NewView(table)
	if _, ok := v.Latest(speed, 0); ok {
		t.Error("a signal that never came has a latest sample")
	}
	v.Put(Sample{Time: 100, Signal: speed, Value: 7})
	v.Put(Sample{Time: 100, Signal: gear, Status: NotAvailable})
	if s, ok := v.Latest(speed, 129); !ok || s.Value != 7 {
		t.Errorf("latest speed: %+v, %v", s, ok)
	}
	if _, ok := v.Latest(speed, 130); ok {
		t.Error("a stale sample counts")
	}
	if _, ok := v.Latest(gear, 1e18); !ok {
		t.Error("a signal that never grows stale did")
	}
	if _, ok := v.Value(gear, 100); ok {
		t.Error("what is not available has a value")
	}
	if until, ok := v.Until(speed, 100); !ok || until != 130 {
		t.Errorf("speed counts until %d, %v", until, ok)
	}
}
