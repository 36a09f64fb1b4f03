package dashboards

import (
	"testing"

	"gearwitness/dashboards/board/boardtest"
)

// Conversions are decided here, for numbers, graphs and tables alike.
func TestUnitsOfSignals(t *testing.T) {
	f := boardtest.New(0)
	var list SignalList
	into(t, get(NewServer(Options{Board: f.Board(nil)}), "/api/v1/signals"), &list)
	for _, s := range list.Signals {
		if _, ok := list.Units[s.Unit]; !ok {
			t.Errorf("%s: nothing is said of its unit %q", s.Name, s.Unit)
		}
	}
	// NIST SP 811, B.9: 1.8 t/°C + 32; of a difference without the offset.
	if d := list.Units["°C"]; d.US.Symbol != "°F" || d.US.Factor != 1.8 || d.US.Offset != 32 || d.Metric.Symbol != "°C" || d.Metric.Factor != 1 || d.Metric.Offset != 0 {
		t.Errorf("°C: %+v", d)
	}
	if d := list.Units["K"].US; d.Symbol != "°F" || d.Factor != 1.8 || d.Offset != 0 {
		t.Errorf("K: %+v", d)
	}
}
