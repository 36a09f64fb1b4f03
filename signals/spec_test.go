package signals

import (
	"encoding/hex"
	"os"
	"path"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"gearwitness/signals/bits"
)

// openSpec opens the files that cases use: those beside them.
func openSpec(name string) ([]byte, error) { return readFile(filepath.FromSlash(name)) }

// TestSpec runs testdata/spec/<area>/<case>.yaml against <case>.want: every
// finding on one line, then, where the file is accepted, its text as resolved.
// FORMAT.md says which sentence each case belongs to.
func TestSpec(t *testing.T) {
	cases, err := filepath.Glob("testdata/spec/*/*.yaml")
	if err != nil || len(cases) < 40 {
		t.Fatalf("%d cases, %v", len(cases), err)
	}
	for _, c := range cases {
		if strings.HasPrefix(filepath.Base(c), "part-") {
			continue // used by another
		}
		c = filepath.ToSlash(c)
		t.Run(strings.TrimSuffix(strings.TrimPrefix(c, "testdata/spec/"), ".yaml"), func(t *testing.T) {
			text, err := os.ReadFile(c)
			if err != nil {
				t.Fatal(err)
			}
			f, list := Parse(c, text, openSpec)
			got := strings.ReplaceAll(list.Error(), path.Dir(c)+"/", "")
			if got != "" {
				got += "\n"
			}
			if f != nil {
				got += string(f.Text())
			}
			wantFile := strings.TrimSuffix(c, ".yaml") + ".want"
			if *update {
				if err := os.WriteFile(wantFile, []byte(got), 0o644); err != nil {
					t.Fatal(err)
				}
			}
			want, err := os.ReadFile(wantFile)
			if err != nil {
				t.Fatal(err)
			}
			if got != string(want) {
				t.Errorf("got:\n%s\nwant:\n%s", got, want)
			}
		})
	}
}

// Every case is named in FORMAT.md, and every case it names exists.
func TestFormatNamesItsCases(t *testing.T) {
	page, err := os.ReadFile("FORMAT.md")
	if err != nil {
		t.Fatal(err)
	}
	named := make(map[string]bool)
	for _, group := range regexp.MustCompile(`\*\(([^)]*)\)\*`).FindAllStringSubmatch(string(page), -1) {
		for _, name := range regexp.MustCompile(`[,\s]+`).Split(group[1], -1) {
			if name != "area/case" {
				named[name] = true
			}
		}
	}
	cases, _ := filepath.Glob("testdata/spec/*/*.yaml")
	exists := make(map[string]bool)
	for _, c := range cases {
		name := strings.TrimSuffix(strings.TrimPrefix(filepath.ToSlash(c), "testdata/spec/"), ".yaml")
		exists[name] = true
		if !named[name] && !strings.Contains(name, "/part-") && !strings.HasPrefix(name, "file/") {
			t.Errorf("FORMAT.md does not mention case %s", name)
		}
	}
	for name := range named {
		if !exists[name] {
			t.Errorf("FORMAT.md mentions %s, which does not exist", name)
		}
	}
}

// The page's worked example is read from the page.
func TestFormatExample(t *testing.T) {
	page, err := os.ReadFile("FORMAT.md")
	if err != nil {
		t.Fatal(err)
	}
	text := strings.Join(strings.Fields(string(page)), " ")
	m := regexp.MustCompile("bytes `([0-9A-F ]+)`").FindStringSubmatch(text)
	if m == nil {
		t.Fatal("no example")
	}
	data, err := hex.DecodeString(strings.ReplaceAll(m[1], " ", ""))
	if err != nil {
		t.Fatal(err)
	}
	rows := regexp.MustCompile(`(little|big) from (\d)\.(\d), (\d+) bits is (0x[0-9A-F]+|\d+)`).FindAllStringSubmatch(text, -1)
	if len(rows) != 5 {
		t.Fatalf("%d rows", len(rows))
	}
	for _, r := range rows {
		pos, err := readBitPos(r[2] + "." + r[3])
		if err != nil {
			t.Fatal(err)
		}
		width, _ := strconv.Atoi(r[4])
		want, err := strconv.ParseUint(r[5], 0, 64)
		if err != nil {
			t.Fatal(err)
		}
		field, err := bits.New(pos, width, map[string]Order{"little": Little, "big": Big}[r[1]])
		if err != nil {
			t.Fatal(err)
		}
		if got, ok := field.Uint(data); !ok || got != want {
			t.Errorf("%s: got %#x", r[0], got)
		}
	}
}
