// Package testneed finds what a test needs from outside the project: a tool on
// the path, a recorded file beside the checkout. Where it is absent the test
// is skipped with a plain message, or fails if the environment variable
// GEARWITNESS_NO_SKIP is 1, so that a machine that must have everything cannot
// pass by skipping.
package testneed

import (
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

// File returns the absolute path of a file given relative to the project's
// root, the folder of go.mod.
func File(t testing.TB, rel string) string {
	t.Helper()
	path := filepath.Join(Root(t), filepath.FromSlash(rel))
	if _, err := os.Stat(path); err != nil {
		Skip(t, "needs the file "+rel+" (from the project's root), which is not here")
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
