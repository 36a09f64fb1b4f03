//go:build unix

package signals

import (
	"path/filepath"
	"strings"
	"syscall"
	"testing"
)

// A pipe would be waited for until somebody writes into it, a device may have no
// end: both are refused before they are opened.
func TestLoadRefusesWhatIsNoFile(t *testing.T) {
	pipe := filepath.Join(t.TempDir(), "van.yaml")
	if err := syscall.Mkfifo(pipe, 0o600); err != nil {
		t.Fatal(err)
	}
	for path, want := range map[string]string{pipe: pipe + " is a pipe; expected a plain file", "/dev/zero": "/dev/zero is a device; expected a plain file"} {
		if _, err := Load(path); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: got %v, want %q", path, err, want)
		}
	}
}
