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

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/log"
	"github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"

	"gearwitness/capture"
	"gearwitness/capture/testneed"
)

var pictures = flag.String("pictures", "", "write pictures of the page into this directory")

// recorderStub is a recording that goes well.
type recorderStub struct{ r Recording }

func (r recorderStub) Recording() Recording { return r.r }

// browser starts one without a window and with an empty profile. Faults of the
// page (exceptions, refused addresses, console errors) fail the test.
func browser(t *testing.T) context.Context {
	exe := testneed.Tool(t, "chromium")
	ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
	t.Cleanup(cancel)
	ctx, cancel = chromedp.NewExecAllocator(ctx, chromedp.NoFirstRun, chromedp.NoDefaultBrowserCheck, chromedp.Headless, chromedp.NoSandbox, chromedp.DisableGPU,
		chromedp.ExecPath(exe), chromedp.UserDataDir(t.TempDir()),
		chromedp.Flag("disable-background-networking", true), chromedp.Flag("disable-component-update", true), chromedp.Flag("disable-sync", true))
	t.Cleanup(cancel)
	ctx, cancel = chromedp.NewContext(ctx, chromedp.WithListener(func(ev any) {
		switch ev := ev.(type) {
		case *runtime.EventExceptionThrown:
			what := ev.ExceptionDetails.Text
			if ev.ExceptionDetails.Exception != nil {
				what = ev.ExceptionDetails.Exception.Description
			}
			t.Errorf("the page threw: %s", what)
		case *log.EventEntryAdded:
			if ev.Entry.Level == "error" {
				t.Errorf("the browser complains: %s %s", ev.Entry.Text, ev.Entry.URL)
			}
		}
	}))
	t.Cleanup(cancel)
	return ctx
}

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

// prefer sets what the system asks of a page: light or dark.
func prefer(scheme string) chromedp.Action[chromedp.Void] {
	return chromedp.Func(func(ctx context.Context, t *chromedp.Target) error {
		_, err := cdp.Call(ctx, t, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: scheme}}})
		return err
	})
}

// until waits for an expression to be true in the page.
func until(t *testing.T, ctx context.Context, expression string) {
	t.Helper()
	if _, err := chromedp.Run(ctx, chromedp.Poll[bool](expression)); err != nil {
		t.Fatalf("%s: %v", expression, err)
	}
}

// eval returns the value of an expression in the page.
func eval[T any](t *testing.T, ctx context.Context, expression string) T {
	t.Helper()
	v, err := chromedp.Run(ctx, chromedp.Evaluate[T](expression))
	if err != nil {
		t.Fatalf("%s: %v", expression, err)
	}
	return v
}

// drive plays the made-up drive into b in real time until stop is called.
func drive(f *feed, b *Board) (stop func()) {
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan struct{})
	go func() {
		defer close(done)
		tick := time.NewTicker(20 * time.Millisecond)
		defer tick.Stop()
		for ctx.Err() == nil {
			<-tick.C
			f.run(b, 20*time.Millisecond)
		}
	}()
	return func() { cancel(); <-done }
}

// Pictures of the page for people to look at, in every state and size that
// matters: go test ./dashboards -run Pictures -pictures DIR
func TestPictures(t *testing.T) {
	if *pictures == "" {
		t.Skip("pictures are made with -pictures DIR")
	}
	ctx := browser(t)
	type size struct{ w, h int64 }
	laptop, screen, phone := size{1366, 768}, size{1920, 1080}, size{390, 844}
	for _, scene := range []struct {
		name  string
		sizes []size
		do    func(f *feed, b *Board)
		page  string // run in the page before the picture
	}{
		{name: "live", sizes: []size{laptop, screen, phone}},
		{name: "alarm", sizes: []size{laptop, phone}, do: func(f *feed, b *Board) {
			f.quiet["lever"], f.quiet["oil_pan"] = true, true
			f.run(b, 3*time.Second)
			f.alarm(b, "raised")
		}},
		{name: "unplugged", sizes: []size{laptop}, do: func(f *feed, b *Board) {
			for _, in := range f.table.Signals {
				f.quiet[in.Name] = true
			}
			f.quiet["bus"] = true
			b.Sources([]Source{{Address: "slcan:/dev/ttyUSB0?bitrate=500k", State: SourceLost, Text: "The adapter at /dev/ttyUSB0 was unplugged. Plug it in again; it is opened by itself."}})
		}},
		{name: "zoomed", sizes: []size{laptop}, page: `document.querySelector('[data-hook="shifts"] .time').click(); document.querySelector('.range').open = true`},
		{name: "whole", sizes: []size{laptop}, page: `document.querySelector('[name="span"][value="Infinity"]').click()`},
		{name: "note", sizes: []size{laptop}, page: `document.querySelector('[data-hook="mark"]').click()`},
		{name: "signals", sizes: []size{laptop}, page: `document.querySelector('[data-hook="all"]').open = true`},
	} {
		f := newFeed(0)
		b := f.board(capture.NewSessionClock())
		f.run(b, 150*time.Second)
		f.mark(b, "")
		f.run(b, 3*time.Second)
		f.mark(b, "shudder at light pedal, just after lock-up")
		f.run(b, 30*time.Second)
		if scene.do != nil {
			scene.do(f, b)
		}
		s := NewServer(Options{Board: b, Recorder: recorderStub{Recording{Folder: "sessions/2026-11-25-van", Bytes: 12_345_678, Frames: 54_900}}, Mark: func(string) error { return nil }, Version: "test"})
		url, stop := serve(t, s), drive(f, b)
		for _, size := range scene.sizes {
			for _, scheme := range []string{"light", "dark"} {
				if err := chromedp.Do(ctx, chromedp.EmulateViewport(size.w, size.h), prefer(scheme), chromedp.Navigate(url)); err != nil {
					t.Fatal(err)
				}
				until(t, ctx, `document.querySelectorAll('[data-hook="shifts"] tr').length > 3`)
				if scene.page != "" {
					eval[any](t, ctx, scene.page)
				}
				until(t, ctx, `new Promise((done) => setTimeout(() => done(true), 1200))`)
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
