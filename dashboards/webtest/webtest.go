// Package webtest looks at the page as its user does: in a browser, for tests.
package webtest

import (
	"context"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/log"
	"github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"

	"gearwitness/capture/testneed"
)

// Browser starts one without a window and with an empty profile, for five minutes
// at most: the machine may be busy. Faults of the page (exceptions, refused addresses, console errors)
// fail the test.
func Browser(t *testing.T) context.Context {
	exe := testneed.Tool(t, "chromium")
	ctx, cancel := context.WithTimeout(context.Background(), 5*time.Minute)
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

// Open goes to an address.
func Open(t *testing.T, ctx context.Context, url string) {
	t.Helper()
	if err := chromedp.Do(ctx, chromedp.Navigate(url)); err != nil {
		t.Fatalf("%s: %v", url, err)
	}
}

// Prefer sets what the system asks of a page: light or dark.
func Prefer(scheme string) chromedp.Action[chromedp.Void] {
	return chromedp.Func(func(ctx context.Context, t *chromedp.Target) error {
		_, err := cdp.Call(ctx, t, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: scheme}}})
		return err
	})
}

// Until waits for an expression to be true in the page, for as long as the browser
// lives: on a busy machine what comes may come late.
func Until(t *testing.T, ctx context.Context, expression string) {
	t.Helper()
	if _, err := chromedp.Run(ctx, chromedp.Poll[bool](expression, chromedp.WithPollingTimeout(0))); err != nil {
		t.Fatalf("%s: %v", expression, err)
	}
}

// Eval returns the value of an expression in the page.
func Eval[T any](t *testing.T, ctx context.Context, expression string) T {
	t.Helper()
	v, err := chromedp.Run(ctx, chromedp.Evaluate[T](expression))
	if err != nil {
		t.Fatalf("%s: %v", expression, err)
	}
	return v
}
