package main

import (
	"bytes"
	"fmt"
	"net"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/rogpeppe/go-internal/testscript"
)

func TestMain(m *testing.M) {
	testscript.Main(m, map[string]func(){"gearwitness": main})
}

// TestScripts runs the program as its user does; see testdata/script.
func TestScripts(t *testing.T) {
	testscript.Run(t, testscript.Params{
		Dir: "testdata/script",
		Setup: func(e *testscript.Env) error {
			// The folder for sessions of somebody who chose none.
			e.Setenv("HOME", e.WorkDir)
			e.Setenv("XDG_DATA_HOME", filepath.Join(e.WorkDir, "data"))
			return nil
		},
		Cmds: map[string]func(*testscript.TestScript, bool, []string){"await": await},
	})
}

// await waits until a file of the given pattern is there.
func await(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 1 {
		ts.Fatalf("usage: await PATTERN")
	}
	for limit := time.Now().Add(30 * time.Second); time.Now().Before(limit); time.Sleep(10 * time.Millisecond) {
		if found, _ := filepath.Glob(ts.MkAbs(args[0])); found != nil {
			return
		}
	}
	ts.Fatalf("no file %s appeared", args[0])
}

// TestExitStatusAndWords checks what a person reads when something is wrong:
// the exit status of DESIGN (2 used wrong, 3 failed, 1 found wrong), one clear
// sentence, and what to do.
func TestExitStatusAndWords(t *testing.T) {
	dir := t.TempDir()
	taken, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer taken.Close()
	write := func(name, text string) string {
		path := filepath.Join(dir, name)
		if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
		return path
	}
	notPcapng := write("notes.txt", "these are no frames, only words\n")
	settings := write("settings.yaml", "lisen: 127.0.0.1:9000\n")
	always := write("always.yaml", "allow-requests: true\n")
	broken := write("broken.yaml", "format: 1\nfrmes: {}\n")
	aFile := write("file", "")

	for _, c := range []struct {
		name string
		args []string
		want int
		says []string
	}{
		{"unknown command", []string{"driv"}, 2, []string{`unknown command "driv"`, "drive"}},
		{"unknown flag", []string{"drive", "--vehicel", "x"}, 2, []string{"--vehicel"}},
		{"asking a recording", []string{"drive", "--vehicle", "van", "--listen", "127.0.0.1:0", "--from", "capture:" + notPcapng, "--allow-requests"}, 2, []string{"a recording cannot be asked"}},
		{"asking always", []string{"demo", "--config", always}, 2, []string{"allow-requests cannot be set in the environment or the configuration file", "on the command line each time"}},
		{"no vehicle", []string{"drive", "--from", "van:"}, 2, []string{"--vehicle FILE"}},
		{"no source", []string{"drive", "--vehicle", "van"}, 2, []string{"--from", "ports"}},
		{"missing vehicle", []string{"drive", "--vehicle", dir + "/none.yaml", "--from", "van:"}, 3, []string{"no file", "none.yaml"}},
		{"wrong vehicle", []string{"drive", "--vehicle", broken, "--from", "van:"}, 1, []string{"broken.yaml:2:1", `did you mean "frames"?`}},
		{"unknown kind of source", []string{"drive", "--vehicle", "van", "--from", "slcn:/dev/ttyUSB0"}, 2, []string{`did you mean "slcan"?`}},
		{"missing port", []string{"drive", "--vehicle", "van", "--listen", "127.0.0.1:0", "--no-record", "--from", "slcan:" + dir + "/ttyNone"}, 3, []string{"ttyNone", "no serial port"}},
		{"wrong bit rate", []string{"drive", "--vehicle", "van", "--listen", "127.0.0.1:0", "--no-record", "--from", "slcan:/dev/null?bitrate=333k"}, 2, []string{"333", "250"}},
		{"port of the page in use", []string{"drive", "--vehicle", "van", "--from", "van:", "--listen", taken.Addr().String()}, 3, []string{"in use", "--listen"}},
		{"open to others", []string{"drive", "--vehicle", "van", "--from", "van:", "--listen", "0.0.0.0:0"}, 2, []string{"--token"}},
		{"unwritable archive", []string{"demo", "--listen", "127.0.0.1:0", "--archive", aFile + "/sessions"}, 3, []string{"session", "folder"}},
		{"unknown fault", []string{"demo", "--fault", "drum-brake-slip"}, 2, []string{"did you mean"}},
		{"unknown setting", []string{"demo", "--config", settings}, 2, []string{`unknown setting "lisen"`, `did you mean "listen"?`}},
		{"missing settings", []string{"demo", "--config", dir + "/none.yaml"}, 2, []string{"none.yaml", "no such file"}},
		{"missing input", []string{"decode", dir + "/none.pcapng"}, 3, []string{"none.pcapng", "no such file"}},
		{"input without vehicle", []string{"decode", notPcapng}, 2, []string{"--vehicle FILE"}},
		{"no capture file", []string{"decode", notPcapng, "--vehicle", "van"}, 3, []string{"notes.txt", "pcapng"}},
		{"truth of a file", []string{"decode", notPcapng, "--vehicle", "van", "--truth", "-"}, 2, []string{"only the van"}},
		{"two on standard output", []string{"decode", "van:?for=1s", "--samples", "-", "--events", "-"}, 2, []string{"standard output"}},
		{"endless input", []string{"decode", "van:?seed=2"}, 2, []string{"without end", "van:?seed=2&for=10m"}},
		{"one file for two outputs", []string{"decode", "van:?for=1s", "--samples", dir + "/x", "--events", dir + "/x"}, 2, []string{"two outputs"}},
		{"no time", []string{"demo", "--for", "1h30"}, 2, []string{"--for", "90s", `"1h30"`}},
		{"unwritable output", []string{"decode", "van:?for=1s", "--samples", aFile + "/s.csv"}, 3, []string{"s.csv", "cannot be written"}},
		{"no gear train", []string{"check", "--gears", "../../signals/truck.yaml"}, 1, []string{"no gear train"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			var out, errs bytes.Buffer
			got := run(t.Context(), c.args, strings.NewReader(""), &out, &errs)
			if got != c.want {
				t.Errorf("gearwitness %s: exit status %d, want %d", strings.Join(c.args, " "), got, c.want)
			}
			for _, s := range c.says {
				if !strings.Contains(errs.String(), s) {
					t.Errorf("gearwitness %s said:\n%s\nwant it to mention %q", strings.Join(c.args, " "), errs.String(), s)
				}
			}
		})
	}
	if left, _ := filepath.Glob(dir + "/*.part"); left != nil {
		t.Errorf("failed runs left files behind: %q", left)
	}
}

// TestSettingsMeanTheSame gives one setting by flag, environment and file and
// expects the same refusal, which names the value.
func TestSettingsMeanTheSame(t *testing.T) {
	file := filepath.Join(t.TempDir(), "settings.yaml")
	if err := os.WriteFile(file, []byte("listen: nowhere\n"), 0o644); err != nil {
		t.Fatal(err)
	}
	say := func(args ...string) string {
		var out, errs bytes.Buffer
		status := run(t.Context(), append([]string{"demo", "--no-record"}, args...), strings.NewReader(""), &out, &errs)
		return fmt.Sprint(status, " ", errs.String())
	}
	want := say("--listen", "nowhere")
	if !strings.Contains(want, `"nowhere"`) || !strings.HasPrefix(want, "2 ") {
		t.Fatalf("--listen nowhere: %s; want exit status 2 and the value named", want)
	}
	if got := say("--config", file); got != want {
		t.Errorf("from the file: %s; want as by flag: %s", got, want)
	}
	t.Setenv("GEARWITNESS_LISTEN", "nowhere")
	if got := say(); got != want {
		t.Errorf("from the environment: %s; want as by flag: %s", got, want)
	}
	// A flag wins over the environment.
	t.Setenv("GEARWITNESS_LISTEN", "elsewhere")
	if got := say("--listen", "nowhere"); got != want {
		t.Errorf("flag over environment: %s; want %s", got, want)
	}
}
