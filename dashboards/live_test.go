package dashboards

import (
	"bufio"
	"context"
	"encoding/json"
	"io"
	"net"
	"net/http"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"gearwitness/capture"
	"gearwitness/dashboards/board"
	"gearwitness/dashboards/board/boardtest"
)

func canceled() context.Context {
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	return ctx
}

// pipes is a listener whose connections are in memory, so that a test's time
// can stand still while both ends wait.
type pipes struct {
	ch   chan net.Conn
	done chan struct{}
}

func newPipes() *pipes { return &pipes{make(chan net.Conn), make(chan struct{})} }

func (p *pipes) Accept() (net.Conn, error) {
	select {
	case c := <-p.ch:
		return c, nil
	case <-p.done:
		return nil, net.ErrClosed
	}
}

func (p *pipes) Close() error {
	select {
	case <-p.done:
	default:
		close(p.done)
	}
	return nil
}

func (p *pipes) Addr() net.Addr { return &net.TCPAddr{IP: net.IPv4(127, 0, 0, 1), Port: 8477} }

func (p *pipes) dial(t testing.TB) net.Conn {
	here, there := net.Pipe()
	select {
	case p.ch <- there:
	case <-p.done:
		t.Fatal("the server is closed")
	}
	return here
}

// start serves s in memory; stop ends it and waits.
func start(t testing.TB, s *Server) (p *pipes, stop func()) {
	p = newPipes()
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- s.Serve(ctx, p) }()
	return p, func() {
		cancel()
		if err := <-done; err != nil {
			t.Errorf("Serve: %v", err)
		}
	}
}

// message is one server-sent event.
type message struct{ id, event, data string }

// listen opens the live stream; next reads one message of a kind, passing over
// others.
func listen(t *testing.T, p *pipes, header string) (next func(kind string) message, hangUp func()) {
	c := p.dial(t)
	go io.WriteString(c, "GET /api/v1/live HTTP/1.1\r\nHost: localhost\r\n"+header+"\r\n")
	r := bufio.NewReader(c)
	resp, err := http.ReadResponse(r, nil)
	if err != nil {
		t.Fatal(err)
	}
	if resp.StatusCode != 200 || resp.Header.Get("Content-Type") != "text/event-stream" {
		t.Fatalf("got status %d, %s", resp.StatusCode, resp.Header.Get("Content-Type"))
	}
	body := bufio.NewReader(resp.Body)
	next = func(kind string) message {
		t.Helper()
		for m := (message{}); ; {
			l, err := body.ReadString('\n')
			if err != nil {
				t.Fatalf("waiting for %s: %v", kind, err)
			}
			switch k, v, _ := strings.Cut(strings.TrimSuffix(l, "\n"), ": "); k {
			case "id":
				m.id = v
			case "event":
				m.event = v
			case "data":
				m.data = v
			case "":
				if m.event == kind {
					return m
				}
				m = message{}
			}
		}
	}
	return next, func() { c.Close() }
}

// values decodes a values message.
type values struct {
	T  float64
	I  []int
	V  []*float64
	S  []board.ValueState
	At []float64
}

func parse[T any](t *testing.T, m message) T {
	t.Helper()
	var v T
	if err := json.Unmarshal([]byte(m.data), &v); err != nil {
		t.Fatalf("%s: %v", m.data, err)
	}
	return v
}

func TestLive(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := boardtest.New(0)
		b := f.Board(capture.NewSessionClock())
		f.Quiet["oil_pan"] = true
		f.Run(b, 10*time.Second)
		s := NewServer(Options{Board: b})
		p, stop := start(t, s)
		next, hangUp := listen(t, p, "")

		first := parse[struct {
			Instance string
			Seq      uint64
		}](t, next("start"))
		if first.Instance == "" || first.Seq != 1 {
			t.Errorf("start: got %+v, want an instance and one event so far", first)
		}
		v := parse[values](t, next("values"))
		n := len(f.Table.Signals)
		if v.T != 9.99 || len(v.I) != n-1 || len(v.V) != n-1 || len(v.S) != n-1 || len(v.At) != n-1 {
			t.Fatalf("first values: got t %g and %d columns, want 9.99 and all %d but the one never seen", v.T, len(v.I), n-1)
		}
		lever := int(f.Table.Index("lever"))
		for k, i := range v.I {
			if i == lever && (v.V[k] == nil || *v.V[k] != 3 || v.S[k] != board.StateValid || v.At[k] != 9.99) {
				t.Errorf("lever: got %v state %d at %g, want 3, valid, 9.99", v.V[k], v.S[k], v.At[k])
			}
		}
		if st := parse[map[string]any](t, next("status")); st["connection"].(map[string]any)["state"] != board.ConnLive {
			t.Errorf("status: got %v", st["connection"])
		}

		// Only what changes is sent again: the lever does not.
		f.Run(b, 20*time.Millisecond)
		v = parse[values](t, next("values"))
		if len(v.I) == 0 {
			t.Error("second values: got nothing, want what changed")
		}
		for _, i := range v.I {
			if i == lever {
				t.Error("the lever did not move but was sent again")
			}
		}

		// A signal that stops is told stale, once, with its last value.
		f.Quiet["lever"] = true
		f.Run(b, 400*time.Millisecond)
		v = parse[values](t, next("values"))
		stale := false
		for k, i := range v.I {
			stale = stale || i == lever && v.S[k] == board.StateStale && v.V[k] != nil && *v.V[k] == 3
		}
		if !stale {
			t.Errorf("lever 400 ms after its last sample: want it told stale, got %+v", v)
		}

		f.Mark(b, "here")
		m := next("event")
		if e := parse[board.Event](t, m); m.id != "2" || e.Seq != 2 || e.Kind != "mark" || !strings.Contains(string(e.Data), `"text":"here"`) {
			t.Errorf("event: got %+v", m)
		}
		hangUp()
		synctest.Wait()
		time.Sleep(time.Second)
		if n := s.streams.Load(); n != 0 {
			t.Errorf("streams after the page was closed: got %d, want 0", n)
		}
		stop()
	})
}

// A page that was cut off gets the events it missed.
func TestLiveResume(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := boardtest.New(0)
		b := f.Board(capture.NewSessionClock())
		f.Mark(b, "one")
		f.Mark(b, "two")
		f.Mark(b, "three")
		p, stop := start(t, NewServer(Options{Board: b}))
		next, hangUp := listen(t, p, "Last-Event-ID: 1\r\n")
		for _, want := range []string{"2", "3"} {
			if m := next("event"); m.id != want {
				t.Errorf("got event %s, want %s", m.id, want)
			}
		}
		hangUp()
		stop()
	})
}

// A page that takes nothing for a while loses updates, which are counted; when
// it takes again it gets the state of that moment; when it never does it is
// let go.
func TestLiveSlow(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := boardtest.New(0)
		b := f.Board(capture.NewSessionClock())
		f.Run(b, time.Second)
		s := NewServer(Options{Board: b})
		p, stop := start(t, s)
		next, hangUp := listen(t, p, "")
		next("values")
		for range 250 { // five seconds in which nothing is read
			f.Run(b, 20*time.Millisecond)
			time.Sleep(20 * time.Millisecond)
		}
		next("values")
		next("values")
		v := parse[values](t, next("values"))
		if v.T < 5.5 {
			t.Errorf("after 5 s without reading: got the state of %g s, want that of now, 6 s", v.T)
		}
		if n := s.skipped.Load(); n < 80 || n > 110 {
			t.Errorf("updates skipped: got %d, want about 100", n)
		}
		time.Sleep(writeWithin + 2*time.Second)
		if n := s.streams.Load(); n != 0 {
			t.Errorf("a page that takes nothing for %v: got %d streams, want it let go", writeWithin, n)
		}
		hangUp()
		stop()
	})
}

func TestLiveLimit(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := boardtest.New(0)
		s := NewServer(Options{Board: f.Board(capture.NewSessionClock())})
		p, stop := start(t, s)
		var all []func()
		for range liveClients {
			_, hangUp := listen(t, p, "")
			all = append(all, hangUp)
		}
		if w := get(s, "/api/v1/live"); w.Code != 503 || w.Header().Get("Retry-After") == "" {
			t.Errorf("one page more: got %d, want 503", w.Code)
		}
		for _, hangUp := range all {
			hangUp()
		}
		stop()
	})
}

// The end of the daemon ends the streams at once.
func TestServeStops(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := boardtest.New(0)
		p, stop := start(t, NewServer(Options{Board: f.Board(capture.NewSessionClock())}))
		next, _ := listen(t, p, "")
		next("start")
		before := time.Now()
		stop()
		if d := time.Since(before); d > 2*time.Second {
			t.Errorf("stopping took %v, want at most 2 s", d)
		}
	})
}
