package lines

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"gearwitness/capture"
	"gearwitness/capture/port"
)

func split(input []byte, step int) (lines []string, long int) {
	var s Splitter
	for chunk := range slices.Chunk(input, step) {
		s.Push(chunk)
		for {
			line, overlong, ok := s.Next()
			if !ok {
				break
			}
			if overlong {
				long++
				continue
			}
			lines = append(lines, string(line))
		}
	}
	return lines, long
}

func TestSplitter(t *testing.T) {
	// The sentences are quoted all over the literature on NMEA 0183.
	const vtg = "$GPVTG,054.7,T,034.4,M,005.5,N,010.2,K*48"
	for _, test := range []struct {
		name, input string
		want        []string
		long        int
	}{
		{"CR LF", vtg + "\r\n" + vtg + "\r\n", []string{vtg, vtg}, 0},
		{"LF", "a\nb\n", []string{"a", "b"}, 0},
		{"CR", "a\rb\r", []string{"a", "b"}, 0},
		{"empty", "\r\n\n\r\r\n", nil, 0},
		{"unfinished", "a\nb", []string{"a"}, 0},
		{"NUL", "\x00a\x00b\x00\n", []string{"ab"}, 0},
		{"longest", strings.Repeat("x", MaxLine) + "\n", []string{strings.Repeat("x", MaxLine)}, 0},
		{"overlong", strings.Repeat("x", MaxLine+1) + "\r\na\n", []string{"a"}, 1},
		{"endless", strings.Repeat("x", 10*MaxLine), nil, 0},
		{"degree sign of ISO 8859-1", "21.5 \xb0C\n", []string{"21.5 \xb0C"}, 0},
	} {
		for _, step := range []int{1 << 20, 7, 1} {
			if got, long := split([]byte(test.input), step); !slices.Equal(got, test.want) || long != test.long {
				t.Errorf("%s in pieces of %d: got %q, %d overlong; want %q, %d", test.name, step, got, long, test.want, test.long)
			}
		}
	}
}

func TestSplitterSkip(t *testing.T) {
	var s Splitter
	s.Skip()
	s.Push([]byte("45,3\r\n123.45,3\r\n"))
	line, _, ok := s.Next()
	if !ok || string(line) != "123.45,3" {
		t.Errorf("got %q, %v; half a line would be a wrong figure", line, ok)
	}
}

func FuzzSplitter(f *testing.F) {
	f.Add([]byte("$GPVTG,,T,,M,0.000,N,0.000,K,N*2C\r\n"))
	f.Add([]byte("a\x00\r\rb\n"))
	f.Fuzz(func(t *testing.T, input []byte) {
		whole, long := split(input, len(input)+1)
		bytewise, long1 := split(input, 1)
		if !slices.Equal(whole, bytewise) || long != long1 {
			t.Fatalf("%q: at once %q, %d; bytewise %q, %d", input, whole, long, bytewise, long1)
		}
		for _, l := range whole {
			if l == "" || len(l) > MaxLine || strings.ContainsAny(l, "\r\n\x00") {
				t.Fatalf("%q gives the line %q", input, l)
			}
		}
		if want := len(input) - bytes.Count(input, []byte{0}); len(strings.Join(whole, "")) > want {
			t.Fatalf("%q: more text than came: %q", input, whole)
		}
	})
}

// open reads what send writes, each after its pause.
func open(t *testing.T, cfg Config, pause time.Duration, send ...string) *Source {
	near, far := net.Pipe()
	s := Open(near, cfg, capture.NewSessionClock())
	go func() {
		for _, text := range send {
			select {
			case <-time.After(pause):
			case <-t.Context().Done():
				return
			}
			if _, err := io.WriteString(far, text); err != nil {
				return
			}
		}
		far.Close()
	}()
	t.Cleanup(func() { s.Close() })
	return s
}

func all(t *testing.T, s capture.Source) (b capture.Batch, err error) {
	for err == nil {
		err = s.Next(t.Context(), &b)
	}
	return b, err
}

func TestSource(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		start := capture.Stamp(time.Now().UnixNano())
		s := open(t, Config{Baud: 9600, Midway: true, Channel: capture.Channel{Name: "gauge", Device: "COM6"}}, time.Second,
			"3.2\r\n", "p=1.5\r", "\np=", "1.6\r\n", strings.Repeat("x", 3000)+"\r\n"+strings.Repeat("x", 3000), "\r\np=1.7\r\nun")
		b, err := all(t, s)
		var got []string
		for _, l := range b.Lines {
			got = append(got, fmt.Sprintf("%s %v", l.Text, l.Time.Sub(start)))
		}
		if want := []string{"p=1.5 2s", "p=1.6 4s", "p=1.7 6s"}; !slices.Equal(got, want) || err != io.EOF {
			t.Errorf("got %q, %v; want %q and io.EOF", got, err, want)
		}
		if len(b.Losses) != 2 || b.Losses[0].Count != 1 || b.Losses[0].Reason != capture.ReasonMalformed || b.Losses[1].Count != 1 {
			t.Errorf("losses %+v, want the two overlong lines", b.Losses)
		}
		if len(b.Notes) != 1 || b.Notes[0].Text != "reading lines from COM6 at 9600 baud" {
			t.Errorf("notes %+v", b.Notes)
		}
		want := []capture.Channel{{Name: "gauge", Kind: capture.Text, Device: "COM6", Passive: true}}
		if !slices.Equal(b.Channels, want) || !slices.Equal(s.Channels(), want) {
			t.Errorf("channels %+v, want %+v", b.Channels, want)
		}
	})
}

func TestWrongBaudRate(t *testing.T) {
	notes := func(send ...string) (texts []string) {
		synctest.Test(t, func(t *testing.T) {
			b, _ := all(t, open(t, Config{Baud: 4800, Channel: capture.Channel{Name: "gps"}}, 500*time.Millisecond, send...))
			if len(b.Lines) != len(send) {
				t.Errorf("%d lines, want all %d: garbage is evidence too", len(b.Lines), len(send))
			}
			for _, n := range b.Notes[1:] {
				texts = append(texts, n.Text)
			}
		})
		return texts
	}
	garbage := "\xe6\x98\x80\x1e\xf8\x06\n"
	if got := notes(slices.Repeat([]string{garbage}, 20)...); !slices.Equal(got, []string{"nothing readable comes from gps: is 4800 the right baud rate?"}) {
		t.Errorf("garbage: notes %q, want one question", got)
	}
	if got := notes(slices.Repeat([]string{garbage, "$GPVTG,,T,,M,,N,,K*4E\n"}, 10)...); len(got) != 0 {
		t.Errorf("every second line readable: notes %q, want none", got)
	}
	if got := notes(slices.Repeat([]string{"oil 21.5 \xb0C\n"}, 20)...); len(got) != 0 {
		t.Errorf("a degree sign: notes %q, want none", got)
	}
}

func TestClose(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := open(t, Config{}, time.Hour, "never")
		if err := s.Next(t.Context(), new(capture.Batch)); err != nil {
			t.Fatal(err)
		}
		waiting := make(chan error)
		go func() { waiting <- s.Next(t.Context(), new(capture.Batch)) }()
		synctest.Wait()
		if err := s.Close(); err != nil {
			t.Error(err)
		}
		if err := <-waiting; !errors.Is(err, os.ErrClosed) {
			t.Errorf("a waiting Next got %v, want os.ErrClosed", err)
		}
		if err := s.Close(); !errors.Is(err, os.ErrClosed) {
			t.Errorf("closed twice: %v", err)
		}
	})
}

func TestDialFails(t *testing.T) {
	var e *port.OpenError
	if _, err := Dial("/dev/gearwitness-none", Config{}, capture.NewSessionClock()); !errors.As(err, &e) || e.Problem == port.Other {
		t.Errorf("got %v, want a *port.OpenError", err)
	}
}

// Four of five characters must be printable: tabs are, control characters, DEL and
// what is no UTF-8 are not.
func TestReadable(t *testing.T) {
	for text, want := range map[string]bool{
		"21.5":             true,
		"a\tb":             true,
		"Öl 21,5 °C":       true, // UTF-8
		"21.5\xb0C":        true, // one of six
		"1234\xb0":         true, // one of five
		"123\xb0":          false,
		"1234\x7f":         true,
		"123\x7f":          false,
		"123\x1f":          false,
		"123 ":             true,
		"123\t":            true,
		"\x7f\x7f\x7f":     false,
		"12345678\xff\xff": true,
		"1234567\xff\xff":  false,
	} {
		if got := readable([]byte(text)); got != want {
			t.Errorf("%q: readable %v, want %v", text, got, want)
		}
	}
}
