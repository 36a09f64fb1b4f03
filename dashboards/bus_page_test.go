package dashboards

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"gearwitness/capture"
	"gearwitness/dashboards/board"
	"gearwitness/dashboards/board/boardtest"
	"gearwitness/dashboards/webtest"
)

// text is what an element of the page says.
func text(hook string) string {
	return `document.querySelector('[data-hook="` + hook + `"]').textContent`
}

// The bus view in a browser: what stands there is what /api/v1/bus says.
func TestBusPage(t *testing.T) {
	t.Parallel()
	ctx := webtest.Browser(t)
	c := newChain(t, half(t), nil)
	c.run(t, 90*time.Second)
	s := NewServer(Options{Board: c.board, Version: "test"})
	url := serve(t, s)
	if err := chromedp.Do(ctx, chromedp.EmulateViewport(1366, 768), chromedp.Navigate(url)); err != nil {
		t.Fatal(err)
	}
	webtest.Until(t, ctx, `document.querySelectorAll('[data-hook="related-signal"] option').length > 1`)
	// Closed, it asks nothing and shows nothing.
	if n := webtest.Eval[int](t, ctx, `document.querySelectorAll('[data-hook="bus-rows"] tr').length`); n != 0 {
		t.Errorf("%d rows before it was opened", n)
	}
	webtest.Eval[any](t, ctx, `document.querySelector('[data-hook="bus-view"]').open = true; null`)
	const ids = `[...document.querySelectorAll('[data-hook="bus-rows"] > tr:not(.bus-more):not([hidden]) > th')].map((e) => e.textContent).join(" ")`
	webtest.Until(t, ctx, ids+` === "110 1A4 1B0 1C2 2D0 18FF3E21"`)
	webtest.Until(t, ctx, text("bus-lines")+`.includes("powertrain") && `+text("bus-lines")+`.includes("nothing lost")`)
	row := func(id string) string {
		return `[...document.querySelectorAll('[data-hook="bus-rows"] > tr')].find((r) => r.querySelector('th')?.textContent === "` + id + `")`
	}
	webtest.Until(t, ctx, row("1A4")+`.dataset.state === "off" && `+row("1A4")+`.textContent.includes("should be 50.0 ms")`)
	webtest.Until(t, ctx, row("110")+`.querySelectorAll('.byte').length === 8`)
	// What changes is told by more than its colour, and by words.
	webtest.Until(t, ctx, row("110")+`.querySelectorAll('.byte')[7].querySelector('[data-changed]') !== null && `+row("110")+`.querySelectorAll('.byte')[7].title.includes("changing: bit 1, 2, 3, 4")`)
	weight := webtest.Eval[string](t, ctx, `getComputedStyle(`+row("110")+`.querySelector('.byte-digit[data-changed]')).fontWeight`)
	if weight != "700" {
		t.Errorf("digits that change have the weight %s, want 700", weight)
	}
	data := `[...` + row("110") + `.querySelectorAll('.byte-digit')].map((e) => e.textContent).join("")`
	newest := func() string {
		v := c.board.Traffic()
		return identified(t, &v, "110").Data
	}
	webtest.Until(t, ctx, data+` === "`+newest()+`"`)
	c.run(t, time.Second)
	webtest.Until(t, ctx, data+` === "`+newest()+`"`)

	// An identifier that nobody describes is explained, with text to paste.
	webtest.Eval[any](t, ctx, row("2D0")+`.querySelector('button').click()`)
	webtest.Until(t, ctx, `document.querySelector('.bus-more:not([hidden]) .looks').textContent === "value at 1.1, 16 bits, low byte first"`)
	paste(t, webtest.Eval[string](t, ctx, `document.querySelector('.bus-more:not([hidden]) .paste-text').textContent`))

	// Only those.
	webtest.Eval[any](t, ctx, `document.querySelector('[name="bus-which"][value="unknown"]').click()`)
	webtest.Until(t, ctx, ids+` === "1C2 2D0 18FF3E21"`)
	webtest.Eval[any](t, ctx, `document.querySelector('[name="bus-which"][value="doubtful"]').click()`)
	webtest.Until(t, ctx, ids+` === "1A4"`)

	// What else moves with output speed: road speed, in 2D0.
	if n := webtest.Eval[int](t, ctx, `[...document.querySelectorAll('[data-hook="related-signal"] option')].filter((o) => o.value === "lever").length`); n != 0 {
		t.Error("a choice of words is offered for comparison")
	}
	webtest.Eval[any](t, ctx, `document.querySelector('[data-hook="related-signal"]').value = "output_speed"; document.querySelector('[data-hook="related"] button').click()`)
	webtest.Until(t, ctx, `document.querySelector('.match .match-head')?.textContent.includes("2D0, from 1.1, 16 bits")`)
	webtest.Until(t, ctx, text("related-said")+`.startsWith("The last 91 s were compared.")`)
	paste(t, webtest.Eval[string](t, ctx, `document.querySelector('.match .paste-text').textContent`))

	for _, w := range []int64{320, 390, 768, 1366} {
		if err := chromedp.Do(ctx, chromedp.EmulateViewport(w, 800)); err != nil {
			t.Fatal(err)
		}
		if got := webtest.Eval[int64](t, ctx, `document.documentElement.scrollWidth`); got > w {
			t.Errorf("at %d pixels the page is %d wide", w, got)
		}
	}
	if got := webtest.Eval[int](t, ctx, `[...document.querySelectorAll('button, input, select, [role="region"]')].filter((e) => !(e.textContent.trim() || e.labels?.length || e.ariaLabel || e.getAttribute('aria-labelledby'))).length`); got != 0 {
		t.Errorf("%d controls have no name", got)
	}
}

// Units are chosen once, hold for numbers, graphs and tables, and are remembered.
func TestUnitsPage(t *testing.T) {
	t.Parallel()
	ctx := webtest.Browser(t)
	f := boardtest.New(0)
	b := f.Board(nil)
	f.Run(b, 30*time.Second)
	url := serve(t, NewServer(Options{Board: b, Version: "test"}))
	if err := chromedp.Do(ctx, chromedp.EmulateViewport(1366, 768), chromedp.Navigate(url)); err != nil {
		t.Fatal(err)
	}
	figure := func(what string) string {
		return `document.querySelector('[data-what="` + what + `"]')?.innerText.replace(/\s+/g, " ")`
	}
	// The stream sends values with the decimals that are worth showing.
	value := func(name string) float64 {
		i := f.Table.Index(name)
		now := make([]board.Reading, len(f.Table.Signals))
		b.Readings(now, 0)
		return round(now[i].Value, f.Table.Signals[i].Digits)
	}
	metric := []string{
		fmt.Sprintf("Oil at the outlet %.1f °C", value("oil_outlet")),
		fmt.Sprintf("Outlet − pan %.1f K", value("oil_temperature_difference")),
		fmt.Sprintf("Road speed %.1f km/h", value("vehicle_speed")),
	}
	// NIST SP 811 B.8 and B.9; a difference has no offset.
	us := []string{
		fmt.Sprintf("Oil at the outlet %.1f °F", value("oil_outlet")*1.8+32),
		fmt.Sprintf("Outlet − pan %.1f °F", value("oil_temperature_difference")*1.8),
		fmt.Sprintf("Road speed %.1f mph", value("vehicle_speed")/1.609344),
	}
	check := func(want []string) {
		t.Helper()
		for i, what := range []string{"oil_outlet", "oil_temperature_difference", "vehicle_speed"} {
			webtest.Until(t, ctx, figure(what)+` === "`+want[i]+`"`)
		}
	}
	check(metric)
	webtest.Eval[any](t, ctx, `document.querySelector('.range').open = true; document.querySelector('[data-hook="all"]').open = true; null`)
	const oil = `[...document.querySelectorAll('.graph')].find((g) => g.querySelector('h3').textContent.startsWith("Oil"))`
	webtest.Until(t, ctx, oil+`.querySelector('.panel-unit').textContent === "°C" && `+oil+`.textContent.includes("outlet − pan (K, right)")`)
	before := webtest.Eval[string](t, ctx, oil+`.querySelector('canvas').toDataURL()`)

	webtest.Eval[any](t, ctx, `document.querySelector('[name="units"][value="us"]').click()`)
	check(us)
	webtest.Until(t, ctx, oil+`.querySelector('.panel-unit').textContent === "°F" && `+oil+`.textContent.includes("outlet − pan (°F, right)")`)
	webtest.Until(t, ctx, oil+`.querySelector('canvas').toDataURL() !== `+fmt.Sprintf("%q", before))
	webtest.Until(t, ctx, `[...document.querySelectorAll('[data-hook="range"] tr')].find((r) => r.textContent.startsWith("outlet"))?.lastElementChild.textContent === "°F"`)
	// 820 kPa, about: 119 psi, with one decimal more.
	want := fmt.Sprintf("%.2f", value("main_pressure")/6.894757)
	webtest.Until(t, ctx, `[...document.querySelectorAll('[data-hook="all-rows"] tr')].find((r) => r.textContent.startsWith("main_pressure"))?.innerText.replace(/\s+/g, " ").startsWith("main_pressure `+want+` psi")`)

	// The figures of a shift follow as well, open ones at once.
	f.Mark(b, "")
	if err := chromedp.Do(ctx, chromedp.Navigate(url)); err != nil {
		t.Fatal(err)
	}
	check(us) // remembered
	if !webtest.Eval[bool](t, ctx, `document.querySelector('[name="units"][value="us"]').checked`) {
		t.Error("the choice is remembered, and not shown as chosen")
	}
	webtest.Eval[any](t, ctx, `document.querySelector('[name="units"][value="metric"]').click()`)
	check(metric)
}

// Pictures of the bus view: go test ./dashboards -run Pictures -args -pictures DIR
func TestBusPictures(t *testing.T) {
	if *pictures == "" {
		return // there is nothing to check, only something to make
	}
	t.Parallel()
	ctx := webtest.Browser(t)
	c := newChain(t, half(t), capture.NewSessionClock())
	c.run(t, 150*time.Second)
	stop := make(chan struct{})
	done := make(chan struct{})
	go func() { // drives on in real time
		defer close(done)
		tick := time.NewTicker(20 * time.Millisecond)
		defer tick.Stop()
		for {
			select {
			case <-stop:
				return
			case <-tick.C:
				c.run(t, 20*time.Millisecond)
			}
		}
	}()
	defer func() { close(stop); <-done }()
	url := serve(t, NewServer(Options{Board: c.board, Recorder: recorderStub{Recording{Folder: "sessions/2026-11-25-van", Bytes: 12_345_678, Frames: 54_900}}, Version: "test"}))
	for _, size := range []struct{ w, h int64 }{{1366, 768}, {1920, 1080}, {390, 844}} {
		for _, scheme := range []string{"light", "dark"} {
			if err := chromedp.Do(ctx, chromedp.EmulateViewport(size.w, size.h), webtest.Prefer(scheme), chromedp.Navigate(url)); err != nil {
				t.Fatal(err)
			}
			webtest.Until(t, ctx, `document.querySelectorAll('[data-hook="related-signal"] option').length > 1`)
			for _, scene := range []struct{ name, page string }{
				{"bus", `document.querySelector('[data-hook="bus-view"]').open = true; setTimeout(() => document.querySelector('.bus').scrollIntoView(), 600); null`},
				{"bus-unknown", `document.querySelectorAll('.bus-unknown')[1].click(); document.querySelector('[data-hook="related-signal"]').value = "output_speed"; document.querySelector('[data-hook="related"] button').click(); null`},
				{"bus-related", `document.querySelector('.match summary').click(); document.querySelector('.related').scrollIntoView(); null`},
			} {
				webtest.Eval[any](t, ctx, scene.page)
				webtest.Until(t, ctx, `new Promise((done) => setTimeout(() => done(true), 1200))`)
				b, err := chromedp.Run(ctx, chromedp.CaptureScreenshot())
				if err != nil {
					t.Fatal(err)
				}
				name := strings.Join([]string{scene.name, fmt.Sprint(size.w), scheme}, "-") + ".png"
				if err := os.WriteFile(filepath.Join(*pictures, name), b, 0o644); err != nil {
					t.Fatal(err)
				}
			}
		}
	}
}
