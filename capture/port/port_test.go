package port

import (
	"errors"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"testing"

	"go.bug.st/serial"
)

func TestOpenErrorSentences(t *testing.T) {
	for _, test := range []struct {
		err  OpenError
		want string
	}{
		{OpenError{Device: "COM5", Problem: Missing}, "there is no serial port COM5, and no other on this machine: plug the adapter in"},
		{OpenError{Device: "COM5", Problem: Missing, Ports: []string{"COM3", "COM7"}}, "there is no serial port COM5; there are: COM3, COM7"},
		{OpenError{Device: "COM5", Problem: Busy}, "serial port COM5 is in use by another program; close that program"},
		{OpenError{Device: "COM5", Problem: NoPermission}, map[bool]string{true: "usermod -aG dialout", false: "ask an administrator"}[runtime.GOOS == "linux"]},
		{OpenError{Device: "notes.txt", Problem: NotSerial}, "notes.txt is not a serial port"},
		{OpenError{Device: "COM5", Baud: 3, Problem: BadSpeed}, "serial port COM5 cannot do 3 baud"},
		{OpenError{Device: "COM5", Err: errors.New("resource exhausted")}, "serial port COM5 cannot be opened: resource exhausted"},
	} {
		if got := test.err.Error(); !strings.Contains(got, test.want) {
			t.Errorf("got %q, want %q in it", got, test.want)
		}
	}
}

func TestProblemOf(t *testing.T) {
	for _, test := range []struct {
		err  error
		want Problem
	}{
		{&serial.PortError{}, Busy}, // the library's zero code
		{os.ErrNotExist, Missing},
		{&os.PathError{Err: os.ErrPermission}, NoPermission},
		{errors.New("anything"), Other},
	} {
		if got := problemOf(test.err); got != test.want {
			t.Errorf("%v: got problem %d, want %d", test.err, got, test.want)
		}
	}
}

func TestOpenFails(t *testing.T) {
	missing := filepath.Join(t.TempDir(), "tty")
	file := filepath.Join(t.TempDir(), "notes.txt")
	if err := os.WriteFile(file, []byte("x"), 0o600); err != nil {
		t.Fatal(err)
	}
	for device, want := range map[string]Problem{missing: Missing, file: NotSerial} {
		var e *OpenError
		_, err := Open(device, 0)
		if runtime.GOOS == "windows" && want == NotSerial {
			want = Missing // there a port is a name, not a file
		}
		if !errors.As(err, &e) || e.Problem != want || e.Device != device || e.Baud != DefaultBaud {
			t.Errorf("%s: got %v, want problem %d", device, err, want)
		}
	}
}

func TestList(t *testing.T) {
	ports, err := List()
	if err != nil {
		t.Fatal(err)
	}
	if !slices.IsSortedFunc(ports, func(a, b Info) int { return strings.Compare(a.Device, b.Device) }) {
		t.Errorf("not in order: %v", ports)
	}
	for _, p := range ports {
		if p.Device == "" {
			t.Errorf("a port without a name: %+v", p)
		}
	}
}
