//go:build !windows

package main

import (
	"bytes"
	"io"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"github.com/creack/pty"

	"gearwitness/capture"
	"gearwitness/decode/van"
)

// serialPort opens a pseudo-terminal: a serial port's name and what is behind it.
func serialPort(t *testing.T) (string, io.ReadWriteCloser) {
	t.Helper()
	master, slave, err := pty.Open()
	if err != nil {
		t.Fatalf("no pseudo-terminal: %v", err)
	}
	t.Cleanup(func() { master.Close(); slave.Close() })
	return slave.Name(), master
}

// vanBehind lets the van's adapter answer behind a serial port.
func vanBehind(t *testing.T, master io.ReadWriter) {
	t.Helper()
	file, err := demoVehicle()
	if err != nil {
		t.Fatal(err)
	}
	adapter, err := van.NewAdapter(van.DefaultOptions(), file, capture.NewSessionClock())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { adapter.Close() })
	go io.Copy(master, adapter)
	go io.Copy(adapter, master)
}

// TestDriveFromSerialPort runs a drive on a real serial byte stream: the van's
// adapter answers behind a pseudo-terminal that the program opens as any other
// serial port, at the bit rate that the vehicle file states.
func TestDriveFromSerialPort(t *testing.T) {
	name, master := serialPort(t)
	vanBehind(t, master)
	dir := t.TempDir()
	samples := filepath.Join(dir, "samples.csv")
	var out, errs bytes.Buffer
	status := run(t.Context(), []string{"drive", "--vehicle", "van", "--from", "slcan:" + name, "--for", "5s",
		"--listen", "127.0.0.1:0", "--archive", dir, "--samples", samples}, strings.NewReader(""), &out, &errs)
	if status != exitDone {
		t.Fatalf("exit status %d\n%s%s", status, out.String(), errs.String())
	}
	got, err := os.ReadFile(samples)
	if err != nil {
		t.Fatal(err)
	}
	// The van starts in P at idle and selects R after some 3.6 s.
	for _, want := range []string{",lever,P,\n", ",lever,R,\n", ",gear,standing,\n", ",slip.low-gears clutch,"} {
		if !bytes.Contains(got, []byte(want)) {
			t.Errorf("no sample %q in %d lines from the serial port", want, bytes.Count(got, []byte("\n")))
		}
	}
	if strings.Contains(out.String(), "lost") {
		t.Errorf("frames were lost:\n%s", out.String())
	}
}

// TestDriveAsksOverSerialPort asks the van's control units through a serial port.
func TestDriveAsksOverSerialPort(t *testing.T) {
	name, master := serialPort(t)
	vanBehind(t, master)
	dir := t.TempDir()
	samples := filepath.Join(dir, "samples.csv")
	var out, errs bytes.Buffer
	status := run(t.Context(), []string{"drive", "--vehicle", "van", "--from", "slcan:" + name, "--for", "3s", "--allow-requests",
		"--listen", "127.0.0.1:0", "--archive", dir, "--vin", exampleVIN, "--samples", samples}, strings.NewReader(""), &out, &errs)
	if status != exitDone {
		t.Fatalf("exit status %d\n%s%s", status, out.String(), errs.String())
	}
	got, err := os.ReadFile(samples)
	if err != nil {
		t.Fatal(err)
	}
	// One frame, several with our flow control in between, and after some patience.
	for _, want := range []string{",engine_load,", ",unit_oil_pan,", ",drum_brake_learned,0,ms\n"} {
		if !bytes.Contains(got, []byte(want)) {
			t.Errorf("no sample %q\n%s%s", want, out.String(), errs.String())
		}
	}

	// The number entered is another than the unit's, and that is told everywhere
	// but where it is to be left out.
	const read = "0GWPV22D5TA000417"
	session := regexp.MustCompile(`Session: +(\S+)`).FindStringSubmatch(out.String())
	if session == nil {
		t.Fatalf("no session: %s", out.String())
	}
	if shown := must(t, "sessions", "show", session[1]); !strings.Contains(shown, read+", by unit 1; it is NOT the one entered") {
		t.Errorf("show does not tell of the number read:\n%s", shown)
	}
	if report := must(t, "report", session[1], "-o", "-"); !strings.Contains(report, read+", by unit 1") || !strings.Contains(report, "what unit 1 answers is not the number entered") {
		t.Error("the report does not tell of the number read")
	}
	if report := must(t, "report", session[1], "-o", "-", "--redact"); strings.Contains(report, read) || strings.Contains(report, exampleVIN) || !strings.Contains(report, "is not the number entered") {
		t.Error("the shortened report tells a number, or not that they differ")
	}
}

// TestDriveHearsNothing ends a drive on a serial port from which nothing came.
func TestDriveHearsNothing(t *testing.T) {
	name, _ := serialPort(t)
	var out, errs bytes.Buffer
	status := run(t.Context(), []string{"drive", "--vehicle", "van", "--from", "slcan:" + name, "--for", "100ms",
		"--listen", "127.0.0.1:0", "--no-record"}, strings.NewReader(""), &out, &errs)
	if want := "Nothing came from the vehicle. Switch the ignition on"; status != exitDone || !strings.Contains(out.String(), want) {
		t.Errorf("exit status %d, want %q\n%s%s", status, want, out.String(), errs.String())
	}
}
