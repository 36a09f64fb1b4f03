//go:build linux || darwin

package lines

import (
	"errors"
	"io"
	"strings"
	"testing"

	"github.com/creack/pty"

	"gearwitness/capture"
)

// TestPseudoTerminal reads an instrument behind a real terminal device, opened
// like any serial port, until it is unplugged.
func TestPseudoTerminal(t *testing.T) {
	far, near, err := pty.Open()
	if err != nil {
		t.Fatalf("no pseudo-terminal to be had: %v", err)
	}
	defer near.Close()
	s, err := Dial(near.Name(), Config{Channel: capture.Channel{Name: "gps"}}, capture.NewSessionClock())
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	const vtg = "$GPVTG,,T,,M,005.5,N,010.2,K*4D"
	if _, err := io.WriteString(far, "5.5,N*00\r\n"+strings.Repeat(vtg+"\r\n", 50)); err != nil {
		t.Fatal(err)
	}
	var b capture.Batch
	for len(b.Lines) < 50 {
		if err := s.Next(t.Context(), &b); err != nil {
			t.Fatal(err)
		}
	}
	for _, l := range b.Lines {
		if l.Text != vtg {
			t.Errorf("got %q, want %q", l.Text, vtg)
		}
	}
	far.Close()
	for err == nil {
		err = s.Next(t.Context(), &b)
	}
	if !errors.Is(err, capture.ErrUnplugged) {
		t.Errorf("got %v, want ErrUnplugged", err)
	}
}
