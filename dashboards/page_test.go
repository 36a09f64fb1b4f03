package dashboards

import (
	"context"
	"flag"
	"fmt"
	"net"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"

	"gearwitness/capture"
	"gearwitness/dashboards/board"
	"gearwitness/dashboards/board/boardtest"
	"gearwitness/dashboards/webtest"
)

var pictures = flag.String("pictures", "", "write pictures of the page into this directory")

// recorderStub is a recording that goes well.
type recorderStub struct{ r Recording }

func (r recorderStub) Recording() Recording { return r.r }

// serve answers on a free loopback port until the test ends.
func serve(t *testing.T, s *Server) string {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- s.Serve(ctx, l) }()
	t.Cleanup(func() {
		cancel()
		if err := <-done; err != nil {
			t.Error(err)
		}
	})
	return "http://" + l.Addr().String()
}

// drive plays the made-up drive into b in real time until stop is called.
func drive(f *boardtest.Feed, b *board.Board) (stop func()) {
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan struct{})
	go func() {
		defer close(done)
		tick := time.NewTicker(20 * time.Millisecond)
		defer tick.Stop()
		for ctx.Err() == nil {
			<-tick.C
			f.Run(b, 20*time.Millisecond)
		}
	}()
	return func() { cancel(); <-done }
}

// The page in a browser, fed with a made-up drive: what stands on it is what
// the program says, and it moves.
func TestPage(t *testing.T) {
	t.Parallel()
	ctx := webtest.Browser(t)
	f := boardtest.New(0)
	b := f.Board(nil) // without a clock time moves only when the feed does
	f.Run(b, 21*time.Second)
	marks := make(chan string, 10)
	s := NewServer(Options{Board: b, Recorder: recorderStub{Recording{Bytes: 4_200_000}}, Version: "test", Mark: func(text string) error {
		marks <- text
		f.Mark(b, text)
		return nil
	}})
	url := serve(t, s)
	if err := chromedp.Do(ctx, chromedp.EmulateViewport(1366, 768), chromedp.Navigate(url)); err != nil {
		t.Fatal(err)
	}
	text := func(hook string) string { return `document.querySelector('[data-hook="` + hook + `"]').textContent` }

	// 21 s in: third gear since 16.45 s, two shifts behind it.
	webtest.Until(t, ctx, text("gear")+` === "3"`)
	webtest.Until(t, ctx, text("value-commanded_gear")+` === "3" && `+text("value-lever")+` === "D"`)
	webtest.Until(t, ctx, text("connection-word")+` === "Live"`)
	// That the program sends is seen for as long as it does, and only then.
	visible := `document.querySelector('[data-hook="requests"]').checkVisibility()`
	if webtest.Eval[bool](t, ctx, visible) {
		t.Error("the page says something of requests, of which there are none")
	}
	b.Requests(board.Requests{State: "sending", Text: "Sending diagnostic requests on powertrain."})
	webtest.Until(t, ctx, visible+` && `+text("requests")+` === "Sending diagnostic requests on powertrain."`)
	b.Requests(board.Requests{})
	webtest.Until(t, ctx, `!`+visible)
	webtest.Until(t, ctx, text("recording-figures")+`.includes("4.2 MB") && `+text("recording-figures")+`.includes("nothing lost")`)
	webtest.Until(t, ctx, `[...document.querySelectorAll('[data-hook="shifts"] .shift-name')].map((e) => e.textContent).join() === "2 → 3,1 → 2"`)
	if got := webtest.Eval[string](t, ctx, `document.querySelector('[data-hook="shifts"] tr').innerText.replace(/\s+/g, " ")`); got != "0:16.5 2 → 3 0.45 s 18 rpm" {
		t.Errorf("newest shift: got %q", got)
	}
	if got := webtest.Eval[string](t, ctx, `[...document.querySelectorAll('.element[data-carries="true"] .element-name')].map((e) => e.textContent).join()`); got != "low-gears clutch,odd-gears clutch" {
		t.Errorf("elements that carry in third gear: got %q", got)
	}

	// The graphs have what was before the page was opened, and move on.
	webtest.Until(t, ctx, `document.querySelectorAll('.plot canvas').length === 4`)
	const drawn = `[...document.querySelectorAll('.plot canvas')].map((c) => c.toDataURL()).join()`
	webtest.Until(t, ctx, `[...document.querySelectorAll('.plot canvas')].every((c) => new Set(c.getContext('2d').getImageData(0, 0, c.width, c.height).data).size > 20)`)
	webtest.Eval[any](t, ctx, `window.before = `+drawn+`; null`)
	f.Run(b, 2*time.Second)
	webtest.Until(t, ctx, drawn+` !== window.before`)

	// In the middle of a shift no gear is claimed; after it the next one.
	f.Run(b, 1200*time.Millisecond) // to 24.2 s: 3 -> 4 since 24 s
	webtest.Until(t, ctx, text("gear")+` === "between"`)
	if got := webtest.Eval[string](t, ctx, `[...document.querySelectorAll('.element[data-carries="asked"] .element-name')].map((e) => e.textContent).join()`); got != "low-gears clutch,high-gears clutch" {
		t.Errorf("elements to carry in the fourth gear asked for: got %q", got)
	}
	f.Run(b, time.Second)
	webtest.Until(t, ctx, text("gear")+` === "4"`)
	webtest.Until(t, ctx, text("shift-count")+` === "3"`)

	// Paused, the picture stays; values go on.
	press := func(key string) {
		t.Helper()
		if err := chromedp.Do(ctx, chromedp.KeyEvent(key)); err != nil {
			t.Fatal(err)
		}
	}
	press("p")
	webtest.Until(t, ctx, `document.querySelector('[data-hook="pause"]').ariaPressed === "true" && `+text("graph-time")+`.startsWith("paused")`)
	// What was asked for before the key was pressed may still have to be drawn.
	webtest.Until(t, ctx, `(() => { const now = `+drawn+`; window.still = now === window.before ? (window.still ?? 0) + 1 : 0; window.before = now; return window.still >= 20; })()`)
	webtest.Eval[any](t, ctx, `window.speed = document.querySelector('[data-what="output_speed"] .figure-value').textContent; null`)
	f.Run(b, time.Second)
	webtest.Until(t, ctx, `document.querySelector('[data-what="output_speed"] .figure-value').textContent !== window.speed`)
	if !webtest.Eval[bool](t, ctx, drawn+` === window.before`) {
		t.Error("the graphs moved while paused")
	}
	press("p")
	webtest.Until(t, ctx, drawn+` !== window.before`)

	// A mark is set by one key; a note follows; the letter is not in the note.
	press("m")
	if got := <-marks; got != "" {
		t.Errorf("mark: got %q, want no words yet", got)
	}
	webtest.Until(t, ctx, `document.activeElement === document.querySelector('[data-hook="note-text"]')`)
	press("shudder")
	press("\r")
	if got := <-marks; got != "shudder" {
		t.Errorf("note: got %q, want shudder", got)
	}
	webtest.Until(t, ctx, text("log")+`.includes("shudder")`)

	// A signal that stops is dimmed and tells its age.
	f.Quiet["oil_pan"] = true
	f.Run(b, 4*time.Second)
	webtest.Until(t, ctx, `document.querySelector('[data-what="oil_pan"]').matches('[data-dim]') && document.querySelector('[data-what="oil_pan"] .figure-note').textContent.endsWith("s ago")`)
	webtest.Until(t, ctx, text("connection-word")+` === "Signals missing" && `+text("connection-text")+`.includes("oil in the pan")`)

	// An alarm stands in the live region that was there before it, and is
	// sounded and spoken, as the keys pressed above have allowed. (What is spoken
	// is caught: there is no voice here.)
	for _, want := range []string{"Sound off", "Sound on"} {
		if err := chromedp.Do(ctx, chromedp.Click(chromedp.CSS(`[data-hook="sound"]`))); err != nil {
			t.Fatal(err)
		}
		webtest.Until(t, ctx, text("sound")+` === "`+want+`"`)
	}
	webtest.Eval[any](t, ctx, `window.said = []; speechSynthesis.speak = (u) => window.said.push(u.text);
		const make = OscillatorNode.prototype.start; window.tones = 0;
		OscillatorNode.prototype.start = function (t) { window.tones++; return make.call(this, t); }; null`)
	f.Alarm(b, "raised")
	webtest.Until(t, ctx, `window.tones >= 4 && window.said.length >= 1 && window.said.some((s) => s.startsWith("Oil at the converter outlet"))`)
	webtest.Until(t, ctx, `document.querySelector('[role="alert"] [data-level="stop"]')?.textContent.includes("too hot")`)
	f.Alarm(b, "cleared")
	webtest.Until(t, ctx, `!document.querySelector('[role="alert"]').hasChildNodes()`)

	// What is found stands in one list, worst first, and what is urgent is raised.
	f.Found(b)
	webtest.Until(t, ctx, `[...document.querySelectorAll('[data-hook="found"] li')].map((e) => e.dataset.state).join() === "so,so,over"`)
	webtest.Until(t, ctx, text("found")+`.includes("Drum brake slips while it has to carry, 484 rpm in gear 2; or the main pressure is low") && `+text("found")+`.includes("perhaps")`)
	webtest.Until(t, ctx, `document.querySelector('[role="alert"]')?.textContent.includes("Drum brake slips")`)
	webtest.Until(t, ctx, `window.said.some((s) => s.includes("four hundred eighty r p m"))`)

	// A shift of the list is shown in the graphs; the arrow keys move on; Home
	// returns.
	webtest.Eval[any](t, ctx, `document.querySelector('[data-hook="shifts"] .time').click()`)
	webtest.Until(t, ctx, text("graph-time")+` === "zoomed, 0:18 to 0:28"`)
	webtest.Eval[any](t, ctx, `document.querySelector('.plot').focus()`)
	press(kb.ArrowLeft)
	webtest.Until(t, ctx, text("graph-time")+` === "zoomed, 0:16 to 0:26"`)
	webtest.Eval[any](t, ctx, `document.querySelector('[aria-label="graphs: closer"]').click()`)
	webtest.Until(t, ctx, text("graph-time")+`.startsWith("zoomed, 0:18.")`)
	webtest.Eval[any](t, ctx, `document.querySelector('.plot').focus()`)
	press(kb.Home)
	webtest.Until(t, ctx, `!`+text("graph-time")+`.startsWith("zoomed")`)

	// A phone shows it all without scrolling sideways; a hidden one draws nothing.
	for _, w := range []int64{320, 390, 768, 1366} {
		if err := chromedp.Do(ctx, chromedp.EmulateViewport(w, 800)); err != nil {
			t.Fatal(err)
		}
		if got := webtest.Eval[int64](t, ctx, `document.documentElement.scrollWidth`); got > w {
			t.Errorf("at %d pixels the page is %d wide", w, got)
		}
	}
	if got := webtest.Eval[int](t, ctx, `[...document.querySelectorAll('button, input, [role="region"], [role="group"]')].filter((e) => !(e.textContent.trim() || e.labels?.length || e.ariaLabel || e.getAttribute('aria-labelledby'))).length`); got != 0 {
		t.Errorf("%d controls have no name", got)
	}
}

// Pictures of the page for people to look at, in every state and size that
// matters: go test ./dashboards -run Pictures -pictures DIR
func TestPictures(t *testing.T) {
	if *pictures == "" {
		return // there is nothing to check, only something to make
	}
	t.Parallel()
	ctx := webtest.Browser(t)
	type size struct{ w, h int64 }
	laptop, screen, phone := size{1366, 768}, size{1920, 1080}, size{390, 844}
	for _, scene := range []struct {
		name  string
		sizes []size
		do    func(f *boardtest.Feed, b *board.Board)
		page  string // run in the page before the picture
	}{
		{name: "live", sizes: []size{laptop, screen, phone}},
		{name: "alarm", sizes: []size{laptop, phone}, do: func(f *boardtest.Feed, b *board.Board) {
			f.Quiet["lever"], f.Quiet["oil_pan"] = true, true
			f.Run(b, 3*time.Second)
			f.Alarm(b, "raised")
		}},
		{name: "found", sizes: []size{laptop, phone}, do: func(f *boardtest.Feed, b *board.Board) {
			f.Alarm(b, "raised")
			f.Found(b)
		}},
		{name: "unplugged", sizes: []size{laptop}, do: func(f *boardtest.Feed, b *board.Board) {
			for _, in := range f.Table.Signals {
				f.Quiet[in.Name] = true
			}
			f.Quiet["bus"] = true
			b.Sources([]board.Source{{Address: "slcan:/dev/ttyUSB0?bitrate=500k", State: board.SourceLost, Text: "The adapter at /dev/ttyUSB0 was unplugged. Plug it in again; it is opened by itself."}})
		}},
		{name: "zoomed", sizes: []size{laptop}, page: `document.querySelector('[data-hook="shifts"] .time').click(); document.querySelector('.range').open = true`},
		{name: "whole", sizes: []size{laptop}, page: `document.querySelector('[name="span"][value="Infinity"]').click()`},
		{name: "note", sizes: []size{laptop}, page: `document.querySelector('[data-hook="mark"]').click()`},
		{name: "signals", sizes: []size{laptop}, page: `document.querySelector('[data-hook="all"]').open = true`},
	} {
		f := boardtest.New(0)
		b := f.Board(capture.NewSessionClock())
		f.Run(b, 150*time.Second)
		f.Mark(b, "")
		f.Run(b, 3*time.Second)
		f.Mark(b, "shudder at light pedal, just after lock-up")
		f.Run(b, 30*time.Second)
		if scene.do != nil {
			scene.do(f, b)
		}
		s := NewServer(Options{Board: b, Recorder: recorderStub{Recording{Folder: "sessions/2026-11-25-van", Bytes: 12_345_678, Frames: 54_900}}, Mark: func(string) error { return nil }, Version: "test"})
		url, stop := serve(t, s), drive(f, b)
		for _, size := range scene.sizes {
			for _, scheme := range []string{"light", "dark"} {
				if err := chromedp.Do(ctx, chromedp.EmulateViewport(size.w, size.h), webtest.Prefer(scheme), chromedp.Navigate(url)); err != nil {
					t.Fatal(err)
				}
				webtest.Until(t, ctx, `document.querySelectorAll('[data-hook="shifts"] tr').length > 3`)
				if scene.page != "" {
					webtest.Eval[any](t, ctx, scene.page)
				}
				webtest.Until(t, ctx, `new Promise((done) => setTimeout(() => done(true), 1200))`)
				shots := map[string]chromedp.Action[[]byte]{"": chromedp.CaptureScreenshot()}
				if size == phone || scene.name == "signals" {
					shots["-full"] = chromedp.FullScreenshot(100)
				}
				for suffix, shot := range shots {
					b, err := chromedp.Run(ctx, shot)
					if err != nil {
						t.Fatal(err)
					}
					name := fmt.Sprintf("%s-%d-%s%s.png", scene.name, size.w, scheme, suffix)
					if err := os.WriteFile(filepath.Join(*pictures, name), b, 0o644); err != nil {
						t.Fatal(err)
					}
				}
			}
		}
		stop()
	}
}
