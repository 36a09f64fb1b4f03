// Package testneed finds what a test needs from outside the project: a tool on
// the path, a recorded file beside the checkout. Where it is absent the test
// is skipped with a plain message, or fails if the environment variable
// GEARWITNESS_NO_SKIP is 1, so that a machine that must have everything cannot
// pass by skipping.
package testneed

import (
	"errors"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"testing"
)

// Tool returns the path of an installed program.
func Tool(t testing.TB, name string) string {
	t.Helper()
	path, err := exec.LookPath(name)
	if err != nil {
		Skip(t, "needs the program "+name+", which is not installed here")
	}
	return path
}

// TruckFolder is where the recorded drive of a truck is looked for, from the
// project's root. It is not part of the project; DEVELOPERS.md says how to get it.
const TruckFolder = "../shared/data/truck"

// Truck returns the path of the recorded drive of a truck, SAE J1939, of the open
// data set SystemsCyber/Truck_Sentry (MIT licence). Where its folder is absent the
// test is skipped, GEARWITNESS_NO_SKIP or not: whoever clones the project cannot be
// expected to have it. Where the folder is there the file has to be in it.
func Truck(t testing.TB) string {
	t.Helper()
	dir := filepath.Join(Root(t), filepath.FromSlash(TruckFolder))
	if _, err := os.Stat(dir); errors.Is(err, fs.ErrNotExist) {
		t.Skip("needs the truck recording in the folder " + TruckFolder + " beside the project, which is not here (DEVELOPERS.md says how to get it)")
	}
	path := filepath.Join(dir, "address_claim.pcapng")
	if _, err := os.Stat(path); err != nil {
		t.Fatal(err)
	}
	return path
}

// Root returns the project's root, the nearest folder above with a go.mod.
func Root(t testing.TB) string {
	t.Helper()
	dir, err := os.Getwd()
	if err != nil {
		t.Fatal(err)
	}
	for {
		if _, err := os.Stat(filepath.Join(dir, "go.mod")); err == nil {
			return dir
		}
		parent := filepath.Dir(dir)
		if parent == dir {
			t.Fatal("no go.mod above the test's folder")
		}
		dir = parent
	}
}

// Skip is for anything else that a test needs and the machine has not: why
// says what.
func Skip(t testing.TB, why string) {
	t.Helper()
	if os.Getenv("GEARWITNESS_NO_SKIP") == "1" {
		t.Fatal(why + " (and GEARWITNESS_NO_SKIP=1 forbids skipping)")
	}
	t.Skip(why)
}
