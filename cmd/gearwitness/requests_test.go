package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"gearwitness/capture"
	"gearwitness/capture/archive"
	"gearwitness/capture/slcan"
	"gearwitness/dashboards"
	"gearwitness/dashboards/board"
	"gearwitness/dashboards/drive"
	"gearwitness/decode/pipeline"
	"gearwitness/decode/requests"
	"gearwitness/decode/van"
	"gearwitness/signals"
)

// asked is a drive that asks, on a clock of its own (testing/synctest).
type asked struct {
	*daemon
	file    *signals.File
	dir     string
	said    *bytes.Buffer // log
	samples string
	events  string
}

// newAsked prepares a drive on a source that was opened for requests.
func newAsked(t *testing.T, dir string, file *signals.File, open func(capture.Clock) capture.Source) *asked {
	t.Helper()
	chain, err := pipeline.New(file, pipeline.Options{})
	if err != nil {
		t.Fatal(err)
	}
	x := &asked{file: file, dir: dir, said: new(bytes.Buffer), samples: filepath.Join(dir, "live.csv"), events: filepath.Join(dir, "live.jsonl")}
	x.daemon = &daemon{chain: chain, log: slog.New(slog.NewTextHandler(x.said, nil)), clock: capture.NewSessionClock()}
	x.source = open(x.clock)
	if err := x.sink.create(x.samples, x.events, chain, io.Discard); err != nil {
		t.Fatal(err)
	}
	x.session, err = archive.Create(filepath.Join(dir, "sessions"), archive.Meta{Title: "asked"}, file.Text(), archive.Options{Clock: x.clock})
	if err != nil {
		t.Fatal(err)
	}
	x.board = board.New(board.Options{File: file, Table: chain.Table(), Clock: x.clock})
	if x.asker, err = drive.NewAsker(file, x.source, x.clock, x.asking); err != nil {
		t.Fatal(err)
	}
	return x
}

// drive runs for so long, ends as Ctrl-C does, and returns samples and events.
func (x *asked) drive(t *testing.T, d time.Duration) (samples, events string) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), d)
	defer cancel()
	if err := x.run(ctx); !errors.Is(err, context.DeadlineExceeded) {
		t.Fatalf("the drive ended with %v", err)
	}
	x.source.Close()
	if err := errors.Join(x.sink.commit(), x.session.Close()); err != nil {
		t.Fatal(err)
	}
	return read(t, x.samples), read(t, x.events)
}

func read(t *testing.T, path string) string {
	t.Helper()
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

// frames returns what the session holds.
func (x *asked) frames(t *testing.T) (list []capture.Frame) {
	t.Helper()
	source, err := openRecording(x.session.Dir())
	if err != nil {
		t.Fatal(err)
	}
	defer source.Close()
	var b capture.Batch
	for {
		b.Reset()
		err := source.Next(t.Context(), &b)
		list = append(list, b.Frames...)
		if errors.Is(err, io.EOF) {
			return list
		}
		if err != nil {
			t.Fatal(err)
		}
	}
}

func openVan(t *testing.T, file *signals.File, faults ...string) func(capture.Clock) capture.Source {
	return func(clock capture.Clock) capture.Source {
		o := van.DefaultOptions()
		o.Send = true
		for _, f := range faults {
			in, err := van.ParseFault(f)
			if err != nil {
				t.Fatal(err)
			}
			o.Faults = append(o.Faults, in)
		}
		s, err := van.Open(t.Context(), o, file, clock)
		if err != nil {
			t.Fatal(err)
		}
		return s
	}
}

// TestRequestsEndToEnd drives the van for a minute while its units are asked, and
// decodes the recording again: the answers are in it like any other frame.
func TestRequestsEndToEnd(t *testing.T) {
	file, err := demoVehicle()
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir() // the drive's own ends with its clock
	var x *asked
	var samples, events string
	synctest.Test(t, func(t *testing.T) {
		x = newAsked(t, dir, file, openVan(t, file, "lock-up-clutch-slips", "drum-brake-fills-late=100"))
		samples, events = x.drive(t, time.Minute)
	})
	for _, name := range []string{"engine_load", "unit_oil_pan", "unit_oil_outlet", "low_gears_learned", "drum_brake_learned", "rest_pressure"} {
		if !strings.Contains(samples, ","+name+",") {
			t.Errorf("no sample of %s", name)
		}
	}
	if n := strings.Count(samples, ",engine_load,"); n < 100 || n > 120 {
		t.Errorf("%d samples of engine_load in 59 s, asked every 500 ms", n)
	}
	for _, want := range []string{
		`"kind":"requests","state":"sending"`,
		`"kind":"faults","channel":"powertrain","unit":"unit 2","memory":"by status","codes":["P0741-00 (failed now, pending, confirmed, warning lamp)","P2703-00 (`,
		`"kind":"faults","channel":"powertrain","unit":"unit 1","memory":"stored","codes":["P0700"]`,
		`"kind":"refused","channel":"powertrain","unit":"unit 2","service":"22","reason":"conditions not correct"`,
	} {
		if !strings.Contains(events, want) {
			t.Errorf("no event %s in\n%s", want, strings.ReplaceAll(events, `"kind":"shift"`, ""))
		}
	}
	if strings.Contains(events, "stopped") || x.asker.State() != requests.Sending {
		t.Error("the requests were ended")
	}

	// Whatever is ours in the archive is a read or flow control: the services of
	// SAE J1979 and ISO 14229 that the vehicle file can express.
	own, last := 0, capture.Stamp(0)
	for _, f := range x.frames(t) {
		if f.Flags&capture.Own == 0 {
			continue
		}
		own++
		switch f.Data[0] >> 4 {
		case 0:
			if !bytes.Contains([]byte{1, 2, 3, 7, 9, 0x0A, 0x19, 0x22}, f.Data[1:2]) {
				t.Errorf("sent %X % X", f.ID, f.Payload())
			}
			if gap := f.Time.Sub(last); gap < requests.Pause {
				t.Errorf("two requests %v apart, want %v", gap, requests.Pause)
			}
			last = f.Time
		case 3:
		default:
			t.Errorf("sent %X % X", f.ID, f.Payload())
		}
		if f.ID != 0x7DF && f.ID != 0x7E0 && f.ID != 0x7E1 {
			t.Errorf("sent under %X", f.ID)
		}
	}
	// The last one may still have waited for the adapter's word.
	if sent := x.asker.Sent(); uint64(own) != sent && uint64(own) != sent-1 || own < 150 {
		t.Errorf("%d frames of ours are recorded, %d were sent", own, x.asker.Sent())
	}
	if text := strings.Join(x.asker.Summary(), "\n"); !strings.Contains(text, "Request main pressure at rest was refused: conditions not correct.") || strings.Contains(text, "no answer") {
		t.Errorf("summary\n%s", text)
	}

	again := filepath.Join(x.dir, "again")
	o := decodeOptions{input: x.session.Dir(), samples: again + ".csv", events: again + ".jsonl"}
	if err := o.run(t.Context(), io.Discard, io.Discard); err != nil {
		t.Fatal(err)
	}
	if got := read(t, again+".csv"); got != samples {
		t.Errorf("decoded again the samples differ: %d bytes, live %d", len(got), len(samples))
	}
	if got := read(t, again+".jsonl"); got != events {
		t.Errorf("decoded again the events differ:\n%s\nlive\n%s", got, events)
	}
}

// TestNothingIsSentWithoutRequests: the flag alone opens no adapter for sending.
func TestNothingIsSentWithoutRequests(t *testing.T) {
	file, err := demoVehicle()
	if err != nil {
		t.Fatal(err)
	}
	quiet := *file
	quiet.Requests = nil
	for _, c := range []struct {
		file  *signals.File
		allow bool
		sends bool
		says  string
	}{
		{file, true, true, "SENDING the 7"},
		{file, false, false, "lists 7; they are not sent without --allow-requests"},
		{&quiet, true, false, "lists none; nothing is sent"},
	} {
		d := &daemon{log: slog.New(slog.DiscardHandler)}
		urls, err := parseSources([]string{"van:"})
		if err != nil {
			t.Fatal(err)
		}
		if err := d.openSources(t.Context(), urls, c.file, nil, c.allow); err != nil {
			t.Fatal(err)
		}
		err = capture.Send(d.source, capture.Frame{ID: 0x7DF, Len: 8})
		passive := d.source.(capture.Channeler).Channels()[0].Passive
		if c.sends != (err == nil) || !c.sends && !errors.Is(err, capture.ErrListenOnly) || passive == c.sends || (d.asker != nil) != c.sends {
			t.Errorf("allowed %v, %d requests: sends %v, passive %v", c.allow, len(c.file.Requests), err, passive)
		}
		d.source.Close()

		var out bytes.Buffer
		o := driveOptions{from: []string{"van:"}, listen: "127.0.0.1:0", noRecord: true, length: time.Millisecond, allowRequests: c.allow}
		if err := o.run(t.Context(), c.file, &out, io.Discard); err != nil || !strings.Contains(out.String(), c.says) {
			t.Errorf("allowed %v, %d requests: got %v, want %q in\n%s", c.allow, len(c.file.Requests), err, c.says, out.String())
		}
	}
}

// TestTwoBuses: each bus that has requests is asked through the first adapter
// that leads to it; the others stay passive.
func TestTwoBuses(t *testing.T) {
	file := parse(t, "format: 1\nbuses: {powertrain: {bitrate: 500 kbit/s}, body: {bitrate: 125 kbit/s}, comfort: {bitrate: 125 kbit/s}}\n"+
		"requests:\n  a: {bus: body, service: 03}\n  b: {bus: powertrain, service: 07}\n  c: {bus: body, service: 0A}\n")
	if got := drive.AskedBuses(file); !slices.Equal(got, []int{1, 0}) {
		t.Fatalf("buses %v are asked, want body and powertrain", got)
	}
	asks := drive.AskedBuses(file)
	o := opening{file: file, asks: &asks}
	var sends []bool
	for _, bus := range []string{"comfort", "body", "body", "powertrain", "elsewhere"} {
		sends = append(sends, o.sends(bus))
	}
	if !slices.Equal(sends, []bool{false, true, false, true, false}) || len(asks) != 0 {
		t.Errorf("sends %v, %v left", sends, asks)
	}
}

// script is the far end of an adapter: it answers what it is told to and says
// when it was asked.
type script struct {
	link   net.Conn
	answer func(line string) string // to a t or T line; its own frames, after z

	mu    sync.Mutex
	asked []string
}

func (s *script) run() {
	buf := make([]byte, 256)
	var line []byte
	for {
		n, err := s.link.Read(buf)
		if err != nil {
			return
		}
		for _, c := range buf[:n] {
			if c != '\r' {
				line = append(line, c)
				continue
			}
			text := string(line)
			line = line[:0]
			reply := "\r"
			if strings.HasPrefix(text, "t") || strings.HasPrefix(text, "T") {
				s.mu.Lock()
				s.asked = append(s.asked, text)
				s.mu.Unlock()
				reply = "z\r" + s.answer(text)
			}
			if text == "" || reply == "" {
				continue
			}
			if _, err := io.WriteString(s.link, reply); err != nil {
				return
			}
		}
	}
}

// openScript opens an adapter that answers as told over a link within the
// process.
func openScript(t *testing.T, s *script, clock capture.Clock) (capture.Source, error) {
	near, far := net.Pipe()
	s.link = far
	go s.run()
	t.Cleanup(func() { far.Close() })
	return slcan.Open(t.Context(), near, slcan.Config{BitRate: 500_000, Send: true, Channel: capture.Channel{Name: "powertrain", Device: "COM5"}}, clock)
}

const askingFile = `format: 1
buses: {powertrain: {bitrate: 500 kbit/s}}
requests:
  a: {service: 22, item: 0x1111, to: 0x7E1, every: 500 ms, length: 1, signals: {a: {start: 1.1, bits: 8}}}
  b: {service: 22, item: 0x2222, to: 0x7E1, every: 500 ms, length: 1, signals: {b: {start: 1.1, bits: 8}}}
`

func parse(t *testing.T, text string) *signals.File {
	t.Helper()
	file, list := signals.Parse("asking.yaml", []byte(text), nil)
	if err := list.Err(); err != nil {
		t.Fatal(err)
	}
	return file
}

// TestRequestsStopWithoutAnswers: three in a row that nobody answers end all
// asking, and it is said in the log, the journal, the events and on the page.
func TestRequestsStopWithoutAnswers(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		file := parse(t, askingFile)
		s := &script{answer: func(string) string { return "" }}
		page := make(chan board.Requests, 1)
		x := newAsked(t, t.TempDir(), file, func(clock capture.Clock) capture.Source {
			source, err := openScript(t, s, clock)
			if err != nil {
				t.Fatal(err)
			}
			return source
		})
		server := dashboards.NewServer(dashboards.Options{Board: x.board})
		go func() {
			time.Sleep(50 * time.Second)
			page <- onPage(t, server.Handler())
		}()
		_, events := x.drive(t, time.Minute)
		if want := []string{"t7E180322111155555555", "t7E180322222255555555", "t7E180322111155555555"}; !slices.Equal(s.asked, want) {
			t.Errorf("sent %q, want %q", s.asked, want)
		}
		if said := <-page; said.State != requests.Stopped || !strings.HasPrefix(said.Text, "Requests stopped: 3 in a row had no answer on powertrain.") {
			t.Errorf("the page says %+v", said)
		}
		if !strings.Contains(events, `"kind":"requests","state":"stopped","text":"Requests stopped: 3 in a row`) {
			t.Errorf("events\n%s", events)
		}
		if !strings.Contains(x.said.String(), "level=ERROR msg=\"Requests stopped") {
			t.Errorf("log\n%s", x.said)
		}
		kinds := map[string]int{}
		opened, err := archive.Open(x.session.Dir())
		if err != nil {
			t.Fatal(err)
		}
		for e, err := range opened.Journal() {
			if err != nil {
				t.Fatal(err)
			}
			kinds[e.Kind]++
		}
		if kinds["requests"] != 2 {
			t.Errorf("journal %v, want two entries: sending, stopped", kinds)
		}
	})
}

// TestRequestsWhileUnplugged pulls the adapter out while an answer is awaited and
// plugs it in again: asking rests meanwhile and goes on afterwards, and nobody
// counts the missing answer against the vehicle.
func TestRequestsWhileUnplugged(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		file := parse(t, askingFile)
		var scripts []*script
		answer := func(line string) string { return "t7E9804" + "62" + line[9:13] + "2A555555\r" }
		open := func(clock capture.Clock) (capture.Source, error) {
			s := &script{answer: answer}
			if len(scripts) == 0 {
				n := 0
				s.answer = func(line string) string {
					if n++; n == 5 {
						s.link.Close()
						return ""
					}
					return answer(line)
				}
			}
			scripts = append(scripts, s)
			return openScript(t, s, clock)
		}
		x := newAsked(t, t.TempDir(), file, func(clock capture.Clock) capture.Source {
			first, err := open(clock)
			if err != nil {
				t.Fatal(err)
			}
			return capture.Reconnect(unplugged{first}, func(context.Context) (capture.Source, error) { return open(clock) }, clock)
		})
		samples, events := x.drive(t, 10*time.Second)
		if len(scripts) != 2 || len(scripts[0].asked) != 5 || len(scripts[1].asked) < 20 {
			t.Fatalf("opened %d times, asked %d times before; want 5 and many after", len(scripts), len(scripts[0].asked))
		}
		states := []string{}
		for line := range strings.Lines(events) {
			if _, rest, ok := strings.Cut(line, `"kind":"requests","state":"`); ok {
				states = append(states, rest[:strings.IndexByte(rest, '"')])
			}
		}
		if !slices.Equal(states, []string{requests.Sending, requests.Paused, requests.Sending}) {
			t.Errorf("states %v\n%s", states, events)
		}
		// The session keeps that the adapter was lost and came back, in this order.
		journal := read(t, filepath.Join(x.session.Dir(), "data", "journal.jsonl"))
		lost, back := strings.Index(journal, `"note":"lost"`), strings.Index(journal, `"note":"reconnect","text":"connected again after `)
		if lost < 0 || back < lost || !strings.Contains(journal, `"reason":"unknown","count":0`) {
			t.Errorf("the journal does not tell that the adapter was gone:\n%s", journal)
		}
		if n := strings.Count(samples, ",42,"); n < 20 {
			t.Errorf("%d answers decoded", n)
		}
		if text := strings.Join(x.asker.Summary(), "\n"); strings.Contains(text, "no answer") {
			t.Errorf("summary\n%s", text)
		}
	})
}

// unplugged turns the end of a link into that of a device that went away.
type unplugged struct{ capture.Source }

func (u unplugged) Next(ctx context.Context, b *capture.Batch) error {
	err := u.Source.Next(ctx, b)
	if errors.Is(err, io.EOF) {
		return fmt.Errorf("COM5 %w; plug it in again", capture.ErrUnplugged)
	}
	return err
}

func (u unplugged) Send(f capture.Frame) error { return capture.Send(u.Source, f) }

func (u unplugged) Channels() []capture.Channel { return u.Source.(capture.Channeler).Channels() }

// TestHostileAnswers feeds answers that no unit would give: cut off, endless, out
// of order, of strangers. Asking goes on or ends; it never runs wild.
func TestHostileAnswers(t *testing.T) {
	for name, answer := range map[string]string{
		"first frames again and again": strings.Repeat("t7E981014621111010203\r", 50),
		"longest message":              "t7E981FFF621111010203\r" + strings.Repeat("t7E9821AAAAAAAAAAAAAA\r", 20),
		"beyond all bounds":            "t7E981000FFFFFFFF6211\r",
		"wait for ever":                strings.Repeat("t7E98037F227855555555\r", 20),
		"consecutive without a first":  "t7E9821AAAAAAAAAAAAAA\r",
		"empty":                        "t7E90\r",
		"of a stranger":                "t7EF80462111142555555\r",
		"to ourselves":                 "t7E180462111142555555\r",
		"no line of the protocol":      "t7E9xx\r\r\r\a\a\az\rz\r",
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				s := &script{answer: func(string) string { return answer }}
				x := newAsked(t, t.TempDir(), parse(t, askingFile), func(clock capture.Clock) capture.Source {
					source, err := openScript(t, s, clock)
					if err != nil {
						t.Fatal(err)
					}
					return source
				})
				samples, _ := x.drive(t, 30*time.Second)
				if strings.Contains(samples, ",a,") || strings.Contains(samples, ",b,") {
					t.Errorf("samples\n%s", samples)
				}
				if n := len(s.asked); n < 3 || n > 600 {
					t.Errorf("%d frames sent in 30 s", n)
				}
			})
		})
	}
}

// onPage returns what a server says of the requests.
func onPage(t *testing.T, server http.Handler) board.Requests {
	t.Helper()
	w := httptest.NewRecorder()
	server.ServeHTTP(w, httptest.NewRequest("GET", "http://localhost:8477/api/v1/status", nil))
	var status struct{ Requests board.Requests }
	if err := json.Unmarshal(w.Body.Bytes(), &status); err != nil {
		t.Errorf("%v: %s", err, w.Body)
	}
	return status.Requests
}
