//go:build !windows

package main

import (
	"bytes"
	"io"
	"os"
	"path/filepath"
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
	samples := filepath.Join(t.TempDir(), "samples.csv")
	var out, errs bytes.Buffer
	status := run(t.Context(), []string{"drive", "--vehicle", "van", "--from", "slcan:" + name, "--for", "3s", "--allow-requests",
		"--listen", "127.0.0.1:0", "--no-record", "--samples", samples}, strings.NewReader(""), &out, &errs)
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
