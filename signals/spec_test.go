package signals

import (
	"os"
	"path"
	"path/filepath"
	"strings"
	"testing"
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
