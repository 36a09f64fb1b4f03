package port

import (
	"bytes"
	"context"
	"errors"
	"io"
	"os"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"gearwitness/capture"
)

func TestReaderStampsEachRead(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		in, out := io.Pipe()
		clock := capture.NewSessionClock()
		start := clock.Now()
		q := NewReader(in, clock, false)
		go func() {
			io.WriteString(out, "one\r")
			<-time.After(time.Second)
			io.WriteString(out, "two\rth")
			io.WriteString(out, "ree\r")
			out.Close()
		}()
		<-time.After(time.Minute)
		b, err := q.Next(t.Context())
		if err != nil || string(b.Data) != "one\rtwo\rthree\r" {
			t.Fatalf("got %q, %v", b.Data, err)
		}
		want := []Mark{{End: 4, Time: start}, {End: 14, Time: start.Add(time.Second)}}
		if len(b.Marks) != 2 || b.Marks[0] != want[0] || b.Marks[1] != want[1] {
			t.Errorf("marks %+v, want %+v", b.Marks, want)
		}
		for range 2 {
			if _, err := q.Next(t.Context()); err != io.EOF {
				t.Errorf("at the end: %v, want io.EOF", err)
			}
		}
		q.Close()
	})
}

// full sends more than the queue holds while nobody reads.
func full(t *testing.T, hold bool) (lines int, lost int) {
	synctest.Test(t, func(t *testing.T) {
		in, out := io.Pipe()
		q := NewReader(in, capture.NewSessionClock(), hold)
		const line = "0123456789ABCDE\r"
		const sent = QueueBytes/len(line) + 5000
		go func() {
			all := []byte(strings.Repeat(line, sent))
			for len(all) > 0 {
				n := min(len(all), 1000) // cuts lines in two
				if _, err := out.Write(all[:n]); err != nil {
					return
				}
				all = all[n:]
			}
			out.Close()
		}()
		synctest.Wait()
		for {
			b, err := q.Next(t.Context())
			if err != nil {
				break
			}
			start := 0
			for _, m := range b.Marks {
				lines += bytes.Count(b.Data[start:m.End], []byte("\r"))
				lost += m.Lost
				start = m.End
			}
			if hold {
				synctest.Wait()
			}
		}
		q.Close()
		if hold && (lines != sent || lost != 0) || !hold && (lines+lost != sent && lines+lost != sent+1) {
			t.Errorf("hold %v: %d lines and %d lost, %d were sent", hold, lines, lost, sent)
		}
	})
	return lines, lost
}

func TestReaderFull(t *testing.T) {
	if _, lost := full(t, false); lost < 4990 {
		t.Errorf("%d lines lost, want those beyond %d bytes", lost, QueueBytes)
	}
	full(t, true)
}

func TestReaderWaits(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		in, out := io.Pipe()
		q := NewReader(in, capture.NewSessionClock(), false)
		ctx, cancel := context.WithTimeout(t.Context(), time.Second)
		defer cancel()
		if _, err := q.Next(ctx); !errors.Is(err, context.DeadlineExceeded) {
			t.Errorf("got %v, want the end of the context", err)
		}
		waiting := make(chan error)
		go func() {
			_, err := q.Next(context.Background())
			waiting <- err
		}()
		synctest.Wait()
		go q.Close()
		if err := <-waiting; !errors.Is(err, os.ErrClosed) {
			t.Errorf("got %v, want os.ErrClosed", err)
		}
		out.Close()
	})
}
