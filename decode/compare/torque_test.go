package compare

import (
	"testing"

	"gearwitness/capture"
	"gearwitness/decode"
	"gearwitness/decode/drivetrain"
	"gearwitness/signals"
	"gearwitness/signals/unit"
)

// Torque before a shift is the mean of the 0.2 s up to its command, both ends included;
// without a command, of the 0.2 s that end 0.3 s ahead of its start; never of what
// comes later, when the control unit has begun to take torque away. Each sample of
// torque is its own time in hundredths of a second, from 0 to 2 s.
func TestTorqueBefore(t *testing.T) {
	at := func(s float64) *decode.Seconds { d := decode.Seconds(s * 1e9); return &d }
	of := func(v float64) *float64 { return &v }
	for name, c := range map[string]struct {
		shift drivetrain.ShiftEvent
		unit  unit.Unit
		every int // hundredths of a second
		want  *float64
	}{
		"before the command":        {drivetrain.ShiftEvent{Command: at(1), Start: at(1.3)}, "N·m", 1, of(90)},     // 80 .. 100
		"the same, sent rarely":     {drivetrain.ShiftEvent{Command: at(1.05), Start: at(1.3)}, "N·m", 10, of(95)}, // 90, 100; 85 to 105
		"to hundredths":             {drivetrain.ShiftEvent{Command: at(0.5), Start: at(0.6)}, "N·m", 7, of(42)},   // 35, 42, 49; 30 to 50
		"without a command":         {drivetrain.ShiftEvent{Start: at(1.3)}, "N·m", 1, of(90)},                     // 80 .. 100
		"without a start":           {drivetrain.ShiftEvent{Command: at(1), End: at(1.5)}, "N·m", 1, of(90)},
		"neither":                   {drivetrain.ShiftEvent{End: at(1.5)}, "N·m", 1, nil},
		"before the first sample":   {drivetrain.ShiftEvent{Command: at(-0.5), Start: at(-0.3)}, "N·m", 1, nil},
		"as the first sample comes": {drivetrain.ShiftEvent{Command: at(0), Start: at(0.3)}, "N·m", 1, of(0)},
		"long after the last":       {drivetrain.ShiftEvent{Command: at(2.3), Start: at(2.5)}, "N·m", 1, nil},
		"in kilopond metres":        {drivetrain.ShiftEvent{Command: at(1), Start: at(1.3)}, "kgf·m", 1, of(882.6)}, // 9.80665 N·m each (CGPM 1901)
		"in no unit of torque":      {drivetrain.ShiftEvent{Command: at(1), Start: at(1.3)}, "rpm", 1, nil},
		"in no unit at all":         {drivetrain.ShiftEvent{Command: at(1), Start: at(1.3)}, "", 1, of(90)},
	} {
		t.Run(name, func(t *testing.T) {
			var table decode.Table
			torque := table.Add(decode.Info{Name: "torque", Unit: c.unit})
			col, err := NewCollector(&signals.File{Transmission: &signals.Transmission{Roles: signals.Roles{EngineTorque: "torque"}}}, &table)
			if err != nil {
				t.Fatal(err)
			}
			var out decode.Output
			for i := 0; i <= 200; i += c.every {
				out.Samples = append(out.Samples, decode.Sample{Time: capture.Stamp(i) * 10e6, Signal: torque, Value: float64(i)})
			}
			out.Samples = append(out.Samples, decode.Sample{Time: 1e9, Signal: torque, Status: decode.NotAvailable, Value: 1e6}, decode.Sample{Time: 1e9, Signal: torque, Status: decode.Implausible, Value: 1e6})
			out.Events = []decode.Event{{Time: 2e9, Kind: decode.KindShift, Fields: c.shift}}
			col.Take(&out)
			got := col.Finish().Shifts[0].TorqueBefore
			if (got == nil) != (c.want == nil) || got != nil && *got != *c.want {
				t.Errorf("torque %v, want %v", show(got), show(c.want))
			}
		})
	}
}

func show(v *float64) any {
	if v == nil {
		return nil
	}
	return *v
}
