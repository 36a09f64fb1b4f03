package main

import (
	"bytes"
	"context"
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
	noSettings := write("none.json", "{")
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
		{"unknown flag", []string{"drive", "--vehicel", "x"}, 2, []string{`gearwitness: drive has no flag --vehicel; did you mean "vehicle"?`}},
		{"misspelt command", []string{"decod"}, 2, []string{`unknown command "decod"; did you mean "decode"?`}},
		{"asking a recording", []string{"drive", "--vehicle", "van", "--listen", "127.0.0.1:0", "--from", "capture:" + notPcapng, "--allow-requests"}, 2, []string{"a recording cannot be asked"}},
		{"asking always", []string{"demo", "--config", always}, 2, []string{"allow-requests cannot be set in the environment or the configuration file", "on the command line each time"}},
		{"no vehicle", []string{"drive", "--from", "slcan:/dev/ttyUSB0"}, 2, []string{"slcan:/dev/ttyUSB0 does not say what its frames mean", "--vehicle FILE"}},
		{"no vehicle, several sources", []string{"drive", "--from", "van:", "--from", "van:?as=b"}, 2, []string{"--vehicle FILE"}},
		{"no vehicle, wrong source", []string{"drive", "--from", "slcn:/dev/ttyUSB0"}, 2, []string{`did you mean "slcan"?`}},
		{"no vehicle, no recording", []string{"drive", "--from", "capture:" + dir + "/none.pcapng"}, 3, []string{"none.pcapng", "no such file"}},
		{"vehicle like a built-in one", []string{"decode", "van:?for=1s", "--vehicle", "vam"}, 3, []string{"no file vam", `did you mean "van"?`}},
		{"library like a built-in one", []string{"check", "j1939/powertran"}, 3, []string{`did you mean "j1939/powertrain"?`}},
		{"two checks", []string{"check", "van", "--gears", "--layout"}, 2, []string{"at a time"}},
		{"much too fast", []string{"drive", "--vehicle", "van", "--listen", "127.0.0.1:0", "--from", "capture:" + notPcapng + "?speed=1e308"}, 2, []string{"speed", "at most 1000000"}},
		{"no port of the page", []string{"demo", "--listen", "127.0.0.1:99999"}, 2, []string{"--listen", "0 to 65535", `"99999"`}},
		{"address of another machine", []string{"demo", "--listen", "192.0.2.1:8477"}, 2, []string{"--listen", "192.0.2.1 is no address of this machine"}}, // RFC 5737: nobody's
		{"settings of another kind", []string{"demo", "--config", notPcapng}, 2, []string{".yaml, .toml or .json"}},
		{"settings that are none", []string{"demo", "--config", noSettings}, 2, []string{"none.json cannot be used: "}},
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
		{"no gear train", []string{"check", "--gears", "../../signals/truck.yaml"}, 0, []string{"3.1020", "1.714", "Without train"}}, // 3.102 / 1.810
	} {
		t.Run(c.name, func(t *testing.T) {
			var out, errs bytes.Buffer
			got := run(t.Context(), c.args, strings.NewReader(""), &out, &errs)
			if got != c.want {
				t.Errorf("gearwitness %s: exit status %d, want %d", strings.Join(c.args, " "), got, c.want)
			}
			said := out.String() + errs.String()
			for _, s := range c.says {
				if !strings.Contains(said, s) {
					t.Errorf("gearwitness %s said:\n%s\nwant it to mention %q", strings.Join(c.args, " "), said, s)
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

// TestEndedBeforeItBegan ends a drive by Ctrl-C before its sources are open: that
// is an end like any other.
func TestEndedBeforeItBegan(t *testing.T) {
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	archive := filepath.Join(t.TempDir(), "sessions")
	var out, errs bytes.Buffer
	status := run(ctx, []string{"demo", "--listen", "127.0.0.1:0", "--archive", archive}, strings.NewReader(""), &out, &errs)
	if status != exitDone || !strings.Contains(out.String(), "Ended before the drive began; nothing was recorded.") {
		t.Errorf("exit status %d, %q, %q", status, out.String(), errs.String())
	}
	if _, err := os.Stat(archive); err == nil {
		t.Error("a session was begun")
	}
}
