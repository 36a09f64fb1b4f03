package finding

import (
	"math"
	"strings"
	"testing"

	"gearwitness/capture"
	"gearwitness/decode"
	"gearwitness/signals"
)

const tick = 10 * ms

var brake = Key{Kind: ElementSlips, Part: "element", Name: "drum brake"}

// see shows the key at each tick of a stretch.
func see(s *Set, k Key, from, to capture.Stamp, value float64, out *decode.Output) {
	for at := from; at <= to; at += tick {
		s.See(at, k, Sight{Value: value, Gear: "2", Load: "drive", Sure: 0.9}, out)
	}
}

func absent(s *Set, k Key, from, to capture.Stamp, out *decode.Output) {
	for at := from; at <= to; at += tick {
		s.Absent(at, k, out)
	}
}

func TestBegins(t *testing.T) {
	for _, c := range []struct {
		name string
		long capture.Stamp
		want int
	}{{"just too short", ElementSlips.After - tick, 0}, {"long enough", ElementSlips.After, 1}} {
		t.Run(c.name, func(t *testing.T) {
			var out decode.Output
			s := NewSet(nil, nil)
			see(s, brake, sec, sec+c.long, 100, &out)
			if len(out.Events) != c.want || len(s.List()) != c.want {
				t.Fatalf("%d events, %d in the list, want %d", len(out.Events), len(s.List()), c.want)
			}
			if c.want > 0 {
				if f := s.List()[0]; f.Since != decode.Seconds(sec) || f.State != So || f.Times != 1 {
					t.Errorf("since %d, %s, %d times; want since 1 s, so, once", f.Since, f.State, f.Times)
				}
			}
		})
	}
}

// A pause longer than stretchGap begins the stretch anew before anything is told.
func TestPausesAreNoStretch(t *testing.T) {
	var out decode.Output
	s := NewSet(nil, nil)
	see(s, brake, sec, sec+200*ms, 100, &out)
	see(s, brake, 2*sec, 2*sec+200*ms, 100, &out)
	if len(out.Events) != 0 {
		t.Errorf("told after two stretches of 0.2 s; %d ms in one are needed", ElementSlips.After/ms)
	}
}

func TestGrowsAndIsOver(t *testing.T) {
	var out decode.Output
	s := NewSet(nil, nil)
	see(s, brake, sec, 2*sec, 100, &out)
	see(s, brake, 2*sec+tick, 3*sec, -480, &out)
	f := s.List()[0]
	if f.Worst == nil || *f.Worst != -480 || *f.WorstAt != decode.Seconds(2*sec+tick) {
		t.Fatalf("worst %v at %v, want -480 rpm at 2.01 s", f.Worst, f.WorstAt)
	}
	// Nothing is over because nobody could see it.
	s.Absent(60*sec, brake, &out)
	if s.List()[0].State != So {
		t.Error("over after one moment in which it did not show")
	}
	absent(s, brake, 61*sec, 61*sec+ElementSlips.Gone+100*ms, &out)
	f = s.List()[0]
	if f.State != Over || f.Until == nil || *f.Until != decode.Seconds(3*sec) {
		t.Fatalf("%s until %v; want over until 3 s, when it was seen last", f.State, f.Until)
	}
	see(s, brake, 80*sec, 81*sec, 50, &out)
	if list := s.List(); len(list) != 1 || list[0].State != So || list[0].Times != 2 {
		t.Errorf("come back: %d findings, %s, %d times; want the same one, so, twice", len(list), list[0].State, list[0].Times)
	}
	var l List
	for _, e := range out.Events {
		if !l.Take(e) {
			t.Fatalf("an event of kind %s", e.Kind)
		}
	}
	if got, want := l.All(), s.List(); len(got) != 1 || got[0].State != want[0].State || got[0].Times != want[0].Times {
		t.Errorf("the events fold to %+v, the set holds %+v", got, want)
	}
}

func TestTakenBack(t *testing.T) {
	var out decode.Output
	s := NewSet(nil, nil)
	see(s, brake, 10*sec, 11*sec, 100, &out)
	s.TakeBack(12*sec, 11*sec, "element", "the drum_speed reads wrong", &out)
	if s.List()[0].State != So {
		t.Error("what began before the sensor read wrong is taken back")
	}
	s.TakeBack(12*sec, 9*sec, "element", "the drum_speed reads wrong", &out)
	f := s.List()[0]
	if f.State != TakenBack || !strings.Contains(f.Text, "taken back: the drum_speed reads wrong") {
		t.Errorf("%s: %q", f.State, f.Text)
	}
	see(s, brake, 20*sec, 21*sec, 100, &out)
	if len(s.List()) != 2 {
		t.Errorf("%d findings; one that comes after another was taken back is a new one", len(s.List()))
	}
}

func TestWords(t *testing.T) {
	var out decode.Output
	s := NewSet(nil, nil)
	low := Key{Kind: ElementSlips, Part: "element", Name: "low-gears clutch"}
	see(s, low, sec, 2*sec, 481, &out)
	f := s.List()[0]
	if want := "Low-gears clutch slips while it has to carry, 481 rpm in gear 2"; f.Text != want {
		t.Errorf("text %q, want %q", f.Text, want)
	}
	if want := "Low gears clutch slips while it has to carry in two, four hundred eighty r p m. Ease off."; f.Say != want {
		t.Errorf("speech %q, want %q", f.Say, want)
	}
	s.Once(3*sec, Key{Kind: ShiftMissing, Part: "shift", Name: "2-3"}, Sight{Value: math.NaN()}, &out)
	if f := s.List()[1]; f.Text != "Shift 2-3 did not come" || f.Say != "Shift two to three did not come. Ease off." || f.Worst != nil {
		t.Errorf("%q, %q, worst %v", f.Text, f.Say, f.Worst)
	}
}

// English number words; from memory.
func TestNumbersInWords(t *testing.T) {
	for n, want := range map[int]string{0: "zero", 13: "thirteen", 40: "forty", 99: "ninety nine", 100: "one hundred", 480: "four hundred eighty",
		1015: "one thousand fifteen", 20000: "twenty thousand", 123456: "one hundred twenty three thousand four hundred fifty six"} {
		if got := Words(n); got != want {
			t.Errorf("%d is %q, want %q", n, got, want)
		}
	}
}

func TestKinds(t *testing.T) {
	seen := map[string]bool{}
	for _, k := range Kinds {
		if seen[k.Name] || k.Name == "" || k.Title == "" || k.text == "" {
			t.Errorf("kind %q: named twice, or without a title or a sentence", k.Name)
		}
		seen[k.Name] = true
		if KindOf(k.Name) != k {
			t.Errorf("KindOf(%q) is another", k.Name)
		}
		if k.Level == signals.LevelStop && k.say == "" {
			t.Errorf("%s: a stop that does not say what to do", k.Name)
		}
		if k.Unit != "" && k.Unit != "rpm" && units[k.Unit] == "" {
			t.Errorf("%s: nothing says %q", k.Name, k.Unit)
		}
	}
}
