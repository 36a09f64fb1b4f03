package diag

import (
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
			f:    Finding{Pos: Pos{"van.yaml", 3, 36}, Length: 3, Text: `unknown unit "rpn"; did you mean "rpm"?`},
			want: `
van.yaml:3:36: unknown unit "rpn"; did you mean "rpm"?
    3 |     drum_speed: {start: 1.1, unit: rpn}
      |                                    ~~~
`,
		},
		{
			name: "columns are code points",
			f:    Finding{Pos: Pos{"van.yaml", 4, 16}, Length: 2, Text: `unknown unit "°X"`},
			want: `
van.yaml:4:16: unknown unit "°X"
    4 |     öl: {unit: °X}
      |                ~~
`,
		},
		{
			name: "never beyond the line",
			f:    Finding{Severity: Warning, Pos: Pos{"van.yaml", 1, 7}, Length: 400, Text: "doubtful", Also: &Pos{"van.yaml", 2, 3}},
			want: `
van.yaml:1:7: warning: doubtful; see van.yaml:2:3
    1 | frames:
      |       ~
`,
		},
		{
			name: "no such line",
			f:    Finding{Pos: Pos{"van.yaml", 9, 1}, Length: 1, Text: "late"},
			want: "\nvan.yaml:9:1: late\n",
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
	got := Finding{Pos: Pos{"a", 1, 501}, Length: 1, Text: "t"}.Excerpt(source)
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
	l.Warn(Pos{"a", 1, 1}, 1, "only doubtful")
	if l.Err() != nil {
		t.Error("a warning is an error")
	}
	for i := 60; i > 0; i-- {
		l.Add(Pos{"a", i, 2}, 1, "fault %d", i)
	}
	l.Add(Pos{"a", 7, 2}, 1, "fault 7") // said twice
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
		got := Finding{Pos: Pos{"f", line, column}, Length: length, Text: "t"}.Excerpt(source)
		if len(got) > 2000 {
			t.Errorf("%d bytes", len(got))
		}
	})
}

func ExampleList_Excerpts() {
	var l List
	l.Add(Pos{"van.yaml", 1, 7}, 3, "unknown unit %q%s", "rpn", Suggest("rpn", []string{"rpm", "kPa"}))
	fmt.Print(l.Excerpts(func(string) []byte { return []byte("unit: rpn\n") }))
	// Output:
	// van.yaml:1:7: unknown unit "rpn"; did you mean "rpm"?
	//     1 | unit: rpn
	//       |       ~~~
}
