package drivetrain

import (
	"testing"
	"time"

	"gearwitness/capture"
	"gearwitness/decode"
)

// steady feeds one tick's messages of the van in second gear and evaluates what
// is due.
func (r *rig) steady(at capture.Stamp) {
	in, out := 1200., 1200/ratio2
	rc, drum := vanSpeeds(in, out)
	for i, v := range [...]float64{rc, drum, out, 1250} {
		r.a.Sample(decode.Sample{Time: at, Signal: int32(i), Value: v})
	}
	r.a.Advance(at, &r.out)
}

func steadyRig(t *testing.T) *rig {
	tr := vanTrain()
	tr.Roles.EngineSpeed = "engine"
	return newRig(t, 10*time.Millisecond, 0.25, tr, "rc", "drum", "out", "engine")
}

func TestNoAllocationPerTick(t *testing.T) {
	r := steadyRig(t)
	var at capture.Stamp
	for range 500 {
		at += Tick
		r.steady(at)
		r.out.Reset()
	}
	if n := testing.AllocsPerRun(1000, func() {
		at += Tick
		r.steady(at)
		if len(r.out.Samples) == 0 {
			t.Fatal("nothing evaluated")
		}
		r.out.Reset()
	}); n != 0 {
		t.Errorf("%g allocations per tick", n)
	}
}

func BenchmarkTick(b *testing.B) {
	r := steadyRig(&testing.T{})
	b.ReportAllocs()
	var at capture.Stamp
	for b.Loop() {
		at += Tick
		r.steady(at)
		r.out.Reset()
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)*360000/1e9, "s/h-of-drive")
}
