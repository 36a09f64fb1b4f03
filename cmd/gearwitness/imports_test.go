package main

import (
	"encoding/json"
	"errors"
	"io"
	"os/exec"
	"path"
	"strings"
	"testing"
)

// floors of the house, top first: a package may import its own floor and those
// below. signals and capture stand side by side and are strangers.
var floors = map[string]int{"cmd": 3, "dashboards": 2, "decode": 1, "signals": 0, "capture": 0}

// TestImportsPointDown reads the import graph, tests included, and names every
// edge that points up or sideways.
func TestImportsPointDown(t *testing.T) {
	for _, f := range upwardImports(t, goList(t)) {
		t.Error(f)
	}
}

// TestImportsPointDownSees plants faults and expects each to be named.
func TestImportsPointDownSees(t *testing.T) {
	planted := []listed{
		{ImportPath: "gearwitness/decode", Imports: []string{"gearwitness/dashboards"}},
		{ImportPath: "gearwitness/signals", TestImports: []string{"gearwitness/capture"}},
		{ImportPath: "gearwitness/capture/slcan", XTestImports: []string{"gearwitness/decode/van"}},
		{ImportPath: "gearwitness/dashboards", Imports: []string{"gearwitness/decode", "net/http"}},
	}
	got := upwardImports(t, planted)
	if len(got) != 3 {
		t.Errorf("named %d faults, want the 3 planted: %q", len(got), got)
	}
}

type listed struct {
	ImportPath                         string
	Imports, TestImports, XTestImports []string
}

func goList(t *testing.T) []listed {
	out, err := exec.Command("go", "list", "-json=ImportPath,Imports,TestImports,XTestImports", "gearwitness/...").Output()
	if err != nil {
		t.Fatalf("go list: %v", err)
	}
	var all []listed
	for d := json.NewDecoder(strings.NewReader(string(out))); ; {
		var l listed
		if err := d.Decode(&l); errors.Is(err, io.EOF) {
			return all
		} else if err != nil {
			t.Fatalf("go list: %v", err)
		}
		all = append(all, l)
	}
}

func upwardImports(t *testing.T, all []listed) (faults []string) {
	t.Helper()
	for _, l := range all {
		from, ok := room(l.ImportPath)
		if !ok {
			faults = append(faults, l.ImportPath+" stands outside the house plan (cmd, dashboards, decode, signals, capture)")
			continue
		}
		for _, imp := range append(append(append([]string{}, l.Imports...), l.TestImports...), l.XTestImports...) {
			to, ok := room(imp)
			if !ok || from == to {
				continue
			}
			if floors[to] >= floors[from] {
				faults = append(faults, l.ImportPath+" imports "+imp+": imports point down (cmd > dashboards > decode > signals, capture); "+
					"move the shared part down or pass it in from above")
			}
		}
	}
	return faults
}

// room returns the top folder of a package of this module.
func room(importPath string) (string, bool) {
	rest, ok := strings.CutPrefix(path.Clean(importPath)+"/", "gearwitness/")
	if !ok {
		return "", false
	}
	top, _, _ := strings.Cut(rest, "/")
	_, ok = floors[top]
	return top, ok
}
