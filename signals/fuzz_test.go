package signals

import (
	"bytes"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
	"unicode/utf8"
)

func FuzzParse(f *testing.F) {
	f.Add(Van())
	f.Add(Truck())
	cases, _ := filepath.Glob("testdata/spec/*/*.yaml")
	for _, c := range cases {
		if text, err := os.ReadFile(c); err == nil {
			f.Add(text)
		}
	}
	for _, s := range []string{"", "format: 1", "format: 2\n", "a: &x [*x]", "? a\n: b", "- - - a", "format: 1\nuse: [j1939/powertrain]\n",
		"format: 1\nframes: {a: {id: 0x7FF, signals: {b: {start: 8.8, bits: 64, order: big, states: {0: \"\\u0000\"}}}}}"} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, text []byte) {
		file, list := Parse("fuzz.yaml", text, nil)
		if (file == nil) != (list.Err() != nil) {
			t.Fatalf("file %v with findings %v", file, list)
		}
		lines := strings.Split(string(text), "\n")
		for _, d := range list {
			if d.Pos.File != "fuzz.yaml" {
				continue // a library's own line
			}
			if d.Pos.Line < 1 || d.Pos.Line > len(lines) || d.Pos.Column < 1 || d.Pos.Column > utf8.RuneCountInString(lines[d.Pos.Line-1])+2 || d.Length < 1 {
				t.Errorf("%v: outside the text", d)
			}
		}
		if file == nil {
			return
		}
		printed := file.Text()
		again, list := Parse("printed.yaml", printed, nil)
		if list.Err() != nil {
			t.Fatalf("printed text is refused: %v\n%s", list, printed)
		}
		if !reflect.DeepEqual(bareOf(file), bareOf(again)) {
			t.Errorf("reads back as another file:\n%s", printed)
		}
	})
}

// Texts that make a YAML reader recurse, multiply or crawl must be refused before
// they do: unguarded, several of these take minutes, or all memory.
func TestHostileTextIsRefused(t *testing.T) {
	repeat := func(s string, n int) []byte { return bytes.Repeat([]byte(s), n) }
	bomb := "a: &a [x, x]\n"
	for c := 'b'; c < 'z'; c++ {
		bomb += string(c) + ": &" + string(c) + " [*" + string(c-1) + ", *" + string(c-1) + "]\n"
	}
	// As much of each as the bounds on size let through, and a little of what
	// they do not.
	const lines, most = maxLines - 1, maxFileBytes
	for name, text := range map[string][]byte{
		"brackets":         repeat("[", maxLine),
		"braces":           repeat("{a: ", maxLine/4),
		"brackets by line": repeat("[\n", lines),
		"lists in lists":   repeat("- ", maxLine/2),
		"lists by line":    repeat("-\n", lines),
		"keys":             repeat("? ", maxLine/2),
		"keys by line":     repeat("?\n", lines),
		"tags":             repeat("!a ", maxLine/3),
		"tags by line":     repeat("!a\n", lines),
		"anchors":          repeat("&a ", maxLine/3),
		"anchors by line":  repeat("&a\n", lines),
		"aliases":          repeat("*a ", maxLine/3),
		"doubling aliases": []byte(bomb),
		"colons":           repeat("a: ", maxLine/3),
		"one key again":    repeat("a: 1\n", lines),
		"pairs in braces":  append([]byte("a: {"), repeat("b: 1,"+strings.Repeat(" ", 20)+"\n", lines)...),
		"many on a line":   append([]byte("a: {"), repeat(strings.Repeat("b: 1,", 10)+"\n", maxEntries/20-1)...),
		"documents":        repeat("---\n", lines),
		"quotes":           repeat("\"", maxLine),
		"quotes by line":   repeat("\"\n", lines),
		"comments":         repeat("#\n", lines),
		"literals":         repeat("a: |\n  x\n", lines/2),
		"steps":            steps(900),
		"commas":           append([]byte("a: ["), repeat(",", maxLine-4)...),
		"zeros":            make([]byte, most),
		"too long":         make([]byte, 8<<20),
		"too many lines":   repeat("\n", most),
		"no UTF-8":         repeat("\xff", most),
	} {
		t.Run(name, func(t *testing.T) {
			f, list := Parse("hostile.yaml", text, nil)
			if f != nil || list.Err() == nil {
				t.Errorf("accepted")
			}
			if len(list.Error()) > 100_000 {
				t.Errorf("%d bytes of findings", len(list.Error()))
			}
		})
	}
}

// steps nests n mappings by indentation.
func steps(n int) []byte {
	var b bytes.Buffer
	for i := range n {
		b.Write(bytes.Repeat([]byte(" "), i))
		b.WriteString("a:\n")
	}
	return b.Bytes()
}
