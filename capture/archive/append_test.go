package archive

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// What is added later stands behind what was there, which does not change; a last
// line that was cut off gives way. A session that is being recorded or is sealed
// takes nothing.
func TestAppend(t *testing.T) {
	dir := recorded(t, OS{}, t.TempDir(), 10, Meta{Title: "van"})
	path := filepath.Join(dir, journalPath)
	before, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(path, append(before, `{"time_s":9,"kind":"mark","te`...), 0o644); err != nil {
		t.Fatal(err)
	}
	for _, value := range []float64{6.2, 6.3} {
		if err := Append(dir, "reading", 12_500_000_000, map[string]any{"reading": "coil", "value": value}); err != nil {
			t.Fatal(err)
		}
	}
	want := string(before) + `{"time_s":12.5,"kind":"reading","reading":"coil","value":6.2}` + "\n" + `{"time_s":12.5,"kind":"reading","reading":"coil","value":6.3}` + "\n"
	if got, err := os.ReadFile(path); err != nil || string(got) != want {
		t.Errorf("%v; the journal is\n%s\nwant\n%s", err, got, want)
	}

	if err := Append(dir, "reading", 0, []int{1}); err == nil || !strings.Contains(err.Error(), "expected a JSON object") {
		t.Errorf("a list: %v", err)
	}
	unlock, err := OS{}.Lock(filepath.Join(dir, lockName))
	if err != nil {
		t.Fatal(err)
	}
	if err := Append(dir, "reading", 0, nil); err == nil || !strings.Contains(err.Error(), "at this moment") {
		t.Errorf("while it is recorded: %v", err)
	}
	unlock()
	if _, err := Seal(t.Context(), dir, SealOptions{}); err != nil {
		t.Fatal(err)
	}
	if err := Append(dir, "reading", 0, nil); err == nil || !strings.Contains(err.Error(), "is sealed") {
		t.Errorf("sealed: %v", err)
	}
	if _, findings := mustVerify(t, dir, VerifyOptions{}); len(findings) > 1 {
		t.Errorf("verify finds %v", findings)
	}
}
