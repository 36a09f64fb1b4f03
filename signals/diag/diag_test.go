package diag

import (
	"encoding/json"
	"fmt"
	"strings"
	"testing"
)

func TestExcerptIsAPicture(t *testing.T) {
	source := []byte("frames:\n  speeds:\n    drum_speed: {start: 1.1, unit: rpn}\n    öl: {unit: °X}\r\n")
	for _, c := range []struct {
		name string
		f    Finding
		want string
	}{
		{
			name: "underlined",
			f:    Finding{Pos: Pos{"van.yaml", 3, 36}, Length: 3, Message: Say(`unknown unit "rpn"; did you mean "rpm"?`)},
			want: `
van.yaml:3:36: unknown unit "rpn"; did you mean "rpm"?
    3 |     drum_speed: {start: 1.1, unit: rpn}
      |                                    ~~~
`,
		},
		{
			name: "columns are code points",
			f:    Finding{Pos: Pos{"van.yaml", 4, 16}, Length: 2, Message: Say(`unknown unit "°X"`)},
			want: `
van.yaml:4:16: unknown unit "°X"
    4 |     öl: {unit: °X}
      |                ~~
`,
		},
		{
			name: "never beyond the line",
			f:    Finding{Severity: Warning, Pos: Pos{"van.yaml", 1, 7}, Length: 400, Message: Say("doubtful"), Also: &Pos{"van.yaml", 2, 3}},
			want: `
van.yaml:1:7: warning: doubtful; see van.yaml:2:3
    1 | frames:
      |       ~
`,
		},
		{
			name: "no such line",
			f:    Finding{Pos: Pos{"van.yaml", 9, 1}, Length: 1, Message: Say("late")},
			want: "\nvan.yaml:9:1: late\n",
		},
		{
			name: "the line behind the last end",
			f:    Finding{Pos: Pos{"van.yaml", 6, 1}, Length: 1, Message: Say("late")},
			want: "\nvan.yaml:6:1: late\n",
		},
		{
			name: "no line at all",
			f:    Finding{Pos: Pos{"van.yaml", 0, 1}, Length: 1, Message: Say("of the whole")},
			want: "\nvan.yaml: of the whole\n",
		},
	} {
		t.Run(c.name, func(t *testing.T) {
			if got := "\n" + c.f.Excerpt(source); got != c.want {
				t.Errorf("got:%s\nwant:%s", got, c.want)
			}
		})
	}
}

func TestExcerptHidesControlCharactersAndCutsLongLines(t *testing.T) {
	source := []byte(strings.Repeat("x", 500) + "\x1b[31m" + strings.Repeat("y", 500))
	got := Finding{Pos: Pos{"a", 1, 501}, Length: 1, Message: Say("t")}.Excerpt(source)
	if strings.ContainsRune(got, 0x1b) {
		t.Errorf("an escape character came through: %q", got)
	}
	lines := strings.Split(got, "\n")
	if len(lines[1]) > 140 || strings.Index(lines[2], "~") != strings.Index(lines[1], " [31m") {
		t.Errorf("cut wrongly:\n%s", got)
	}
}

func TestListSortsCountsAndStopsAtFifty(t *testing.T) {
	var l List
	if l.Err() != nil {
		t.Error("an empty list is an error")
	}
	l.Warn(Pos{"a", 1, 1}, 1, Say("only doubtful"))
	if l.Err() != nil {
		t.Error("a warning is an error")
	}
	for i := 60; i > 0; i-- {
		l.Add(Pos{"a", i, 2}, 1, Say("fault %d", i))
	}
	l.Add(Pos{"a", 7, 2}, 1, Say("fault 7")) // said twice
	l.Sort()
	if len(l) != 61 || l.Errors() != 60 {
		t.Fatalf("got %d findings, %d errors; want 61, 60", len(l), l.Errors())
	}
	lines := strings.Split(l.Err().Error(), "\n")
	if len(lines) != 51 || lines[0] != "a:1:1: warning: only doubtful" || lines[1] != "a:1:2: fault 1" || lines[50] != "and 11 more" {
		t.Errorf("got %d lines, first two %q, last %q", len(lines), lines[:2], lines[len(lines)-1])
	}
}

func TestNearest(t *testing.T) {
	names := []string{"rpm", "kPa", "resolution", "oil_outlet", "oil_pan", "start"}
	for _, c := range []struct{ name, want string }{
		{"rpn", "rpm"},
		{"RPM", "rpm"},
		{"kpa", "kPa"},
		{"resoluton", "resolution"},
		{"satrt", "start"},
		{"oil_oulet", "oil_outlet"},
		{"oil_outlet", ""}, // itself is no suggestion
		{"banana", ""},
		{"N", ""},
		{"RpM", "rpm"},
		{"", ""},
		{strings.Repeat("r", 1000), ""},
	} {
		if got := Nearest(c.name, names); got != c.want {
			t.Errorf("Nearest(%q) = %q, want %q", c.name, got, c.want)
		}
	}
}

func TestDistance(t *testing.T) {
	// Textbook pairs: kitten/sitting 3 (Levenshtein); one swap counts 1.
	for _, c := range []struct {
		a, b string
		want int
	}{{"kitten", "sitting", 3}, {"ab", "ba", 1}, {"", "abc", 3}, {"abc", "abc", 0}, {"flaw", "lawn", 2}} {
		for _, swap := range []bool{false, true} {
			a, b := c.a, c.b
			if swap {
				a, b = b, a
			}
			if got := distance([]rune(a), []rune(b)); got != c.want {
				t.Errorf("distance(%q, %q) = %d, want %d", a, b, got, c.want)
			}
		}
	}
}

func FuzzExcerpt(f *testing.F) {
	f.Add([]byte("a: 1\n"), 1, 1, 3)
	f.Add([]byte("\xff\xfe"), 1, 2, -4)
	f.Fuzz(func(t *testing.T, source []byte, line, column, length int) {
		got := Finding{Pos: Pos{"f", line, column}, Length: length, Message: Say("t")}.Excerpt(source)
		if len(got) > 2000 {
			t.Errorf("%d bytes", len(got))
		}
	})
}

func ExampleList_Excerpts() {
	var l List
	l.Add(Pos{"van.yaml", 1, 7}, 3, Say("unknown unit %q", "rpn").Suggest("rpn", []string{"rpm", "kPa"}))
	fmt.Print(l.Excerpts(func(string) []byte { return []byte("unit: rpn\n") }))
	// Output:
	// van.yaml:1:7: unknown unit "rpn"; did you mean "rpm"?
	//     1 | unit: rpn
	//       |       ~~~
}

// Each part of a message has its place in the line, and its own in JSON.
func TestMessage(t *testing.T) {
	for _, c := range []struct {
		m    Message
		want string
	}{
		{Expect("1 to 8 bytes").Got("%d", 9).Hint("longer frames need fd: true").About("length"), "length: expected 1 to 8 bytes, found 9; longer frames need fd: true"},
		{Say("unknown unit %q", "rpn").Expect("a unit such as rpm").Suggest("rpn", []string{"kPa", "rpm"}), `unknown unit "rpn"; expected a unit such as rpm; did you mean "rpm"?`},
		{Say("unknown unit %q", "banana").Suggest("banana", []string{"kPa", "rpm"}), `unknown unit "banana"`},
		{Expect("spaces").Got("a tab"), "expected spaces, found a tab"},
		{Message{Found: "nothing"}, "found nothing"},
		{About("id").Expect("0 to 0x7FF"), "id: expected 0 to 0x7FF"},
		{Message{}, ""},
	} {
		if got := c.m.Text(); got != c.want || c.m.Error() != got {
			t.Errorf("%+v: %q, want %q", c.m, got, c.want)
		}
	}
}

func TestFindingAsJSON(t *testing.T) {
	list := List{
		{Pos: Pos{"van.yaml", 7, 12}, Length: 3, Message: Say("unknown key %q", "cam").Expect("can").Got("cam").Hint("help").About("bus"), Also: &Pos{"van.yaml", 2, 3}},
		{Severity: Warning, Pos: Pos{"van.yaml", 1, 1}, Length: 1, Message: Say("doubtful")},
	}
	list[0].Suggestion = "can"
	got, err := json.Marshal(list)
	want := `[{"severity":"error","file":"van.yaml","line":7,"column":12,"length":3,` +
		`"text":"bus: unknown key \"cam\"; expected can, found cam; help; did you mean \"can\"?",` +
		`"subject":"bus","problem":"unknown key \"cam\"","expected":"can","found":"cam","suggestion":"can","help":"help",` +
		`"also":{"file":"van.yaml","line":2,"column":3}},` +
		`{"severity":"warning","file":"van.yaml","line":1,"column":1,"length":1,"text":"doubtful","problem":"doubtful"}]`
	if err != nil || string(got) != want {
		t.Errorf("%v, got\n%s\nwant\n%s", err, got, want)
	}
}
