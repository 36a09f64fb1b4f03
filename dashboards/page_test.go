package dashboards

import (
	"context"
	"flag"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/log"
	"github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"

	"gearwitness/capture"
)

var pictures = flag.String("pictures", "", "write pictures of the page into this directory")

// recorderStub is a recording that goes well.
type recorderStub struct{ r Recording }

func (r recorderStub) Recording() Recording { return r.r }

// browser starts a headless one with an empty profile, or skips. Faults of the
// page (exceptions, refused addresses, console errors) fail the test.
func browser(t *testing.T) context.Context {
	var exe string
	for _, name := range []string{"chromium", "chromium-browser", "google-chrome"} {
		if p, err := exec.LookPath(name); err == nil {
			exe = p
			break
		}
	}
	if exe == "" {
		t.Skip("no chromium here: the page is not looked at")
	}
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

func TestPictures(t *testing.T) {
	if *pictures == "" {
		t.Skip("pictures are made with -pictures DIR")
	}
	ctx := browser(t)
	f := newFeed(0)
	b := f.board(capture.NewSessionClock())
	f.run(b, 150*time.Second)
	f.mark(b, "")
	f.run(b, 3*time.Second)
	f.mark(b, "shudder at light pedal, just after lock-up")
	f.run(b, 30*time.Second)
	s := NewServer(Options{Board: b, Recorder: recorderStub{Recording{Folder: "/home/anna/sessions/2026-11-25-van", Bytes: 12_345_678, Frames: 54_900}}, Mark: func(string) error { return nil }, Version: "test"})
	url := serve(t, s)
	stop := make(chan struct{})
	done := make(chan struct{})
	go func() {
		defer close(done)
		tick := time.NewTicker(20 * time.Millisecond)
		defer tick.Stop()
		for {
			select {
			case <-stop:
				return
			case <-tick.C:
				f.run(b, 20*time.Millisecond)
			}
		}
	}()
	defer func() { close(stop); <-done }()
	for _, scheme := range []string{"light", "dark"} {
		for _, size := range [][2]int64{{1366, 768}, {1920, 1080}, {390, 844}} {
			name := filepath.Join(*pictures, scheme+"-"+map[int64]string{1366: "1366", 1920: "1920", 390: "390"}[size[0]])
			if err := chromedp.Do(ctx, chromedp.EmulateViewport(size[0], size[1]), prefer(scheme), chromedp.Navigate(url)); err != nil {
				t.Fatal(err)
			}
			until(t, ctx, `document.querySelectorAll('[data-hook="shifts"] tr').length > 3`)
			until(t, ctx, `new Promise((done) => setTimeout(() => done(true), 1500))`)
			for suffix, shot := range map[string]chromedp.Action[[]byte]{".png": chromedp.CaptureScreenshot(), "-full.png": chromedp.FullScreenshot(100)} {
				b, err := chromedp.Run(ctx, shot)
				if err != nil {
					t.Fatal(err)
				}
				if err := os.WriteFile(name+suffix, b, 0o644); err != nil {
					t.Fatal(err)
				}
			}
		}
	}
}
