package dashboards

import (
	"context"
	"io"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"

	"gearwitness/capture"
	"gearwitness/capture/archive"
	"gearwitness/capture/pcapng"
	"gearwitness/dashboards/board"
	"gearwitness/dashboards/board/boardtest"
	"gearwitness/dashboards/webtest"
	"gearwitness/decode"
	"gearwitness/decode/compare"
	"gearwitness/decode/drivetrain"
)

// guarded is a steered playback that a server and a test may look at together.
type guarded struct {
	mu sync.Mutex
	steered
}

func (p *guarded) Paused() bool   { p.mu.Lock(); defer p.mu.Unlock(); return p.steered.Paused() }
func (p *guarded) Speed() float64 { p.mu.Lock(); defer p.mu.Unlock(); return p.steered.Speed() }
func (p *guarded) Pause()         { p.mu.Lock(); defer p.mu.Unlock(); p.steered.Pause() }
func (p *guarded) Resume()        { p.mu.Lock(); defer p.mu.Unlock(); p.steered.Resume() }
func (p *guarded) SetSpeed(v float64) error {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.steered.SetSpeed(v)
}
func (p *guarded) Step(d time.Duration) error {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.steered.Step(d)
}
func (p *guarded) Seek(t capture.Stamp) error {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.steered.Seek(t)
}

// done returns what was done since it was last asked.
func (p *guarded) done() string {
	p.mu.Lock()
	defer p.mu.Unlock()
	s := strings.Join(p.did, ", ")
	p.did = nil
	return s
}

// The controls of a playback ask for what they say, and after a jump nothing of
// before stands on the page.
func TestPlaybackControls(t *testing.T) {
	t.Parallel()
	ctx := webtest.Browser(t)
	f := boardtest.New(0)
	b := f.Board(nil)
	b.Restart(0, 0)
	b.Sources([]board.Source{{Address: "capture:drive.pcapng", Playback: true, State: board.SourceOpen}})
	p := &guarded{steered: steered{speed: 1}}
	moments := board.NewMoments(0)
	s := NewServer(Options{Board: b, Playback: p, Moments: moments, Version: "test"})
	f.Run(b, 40*time.Second)
	type shift struct {
		From  string         `json:"from"`
		To    string         `json:"to"`
		Start decode.Seconds `json:"start_s"`
	}
	moments.Take(&decode.Output{Events: []decode.Event{
		{Time: 20e9, Kind: decode.KindShift, Fields: shift{"1", "2", 19.5e9}},
		{Time: 55e9, Kind: decode.KindMark, Fields: map[string]string{"text": "shudder"}},
		{Time: 60e9, Kind: decode.KindShift, Fields: shift{"2", "3", 59.6e9}},
		{Time: 70e9, Kind: decode.KindAlarm, Fields: map[string]string{"alarm": "hot", "state": "raised", "level": "stop", "say": "Oil hot."}},
		{Time: 80e9, Kind: decode.KindAlarm, Fields: map[string]string{"alarm": "hot", "state": "cleared"}},
	}}, 120e9)
	moments.End(nil)
	if err := chromedp.Do(ctx, chromedp.EmulateViewport(1366, 768), chromedp.Navigate(serve(t, s))); err != nil {
		t.Fatal(err)
	}
	hook := func(h string) string { return `document.querySelector('[data-hook="` + h + `"]')` }
	webtest.Until(t, ctx, `[...document.querySelectorAll('.jumps-name')].map((e) => e.textContent).join() === "Shift 2,Mark 1,Alarm 1"`)
	webtest.Until(t, ctx, hook("playback-time")+`.textContent === "0:40.0 of 2:00" && `+hook("playback-line")+`.max === "120"`)
	webtest.Until(t, ctx, hook("connection-word")+`.textContent === "Playing back" && `+hook("mark")+`.disabled && `+hook("details-open")+`.hidden`)

	click := func(selector, want string) {
		t.Helper()
		if err := chromedp.Do(ctx, chromedp.Click(chromedp.CSS(selector))); err != nil {
			t.Fatalf("%s: %v", selector, err)
		}
		eventually(t, selector, p.done, want)
	}
	click(`[data-hook="playback-step-short"]`, "pause, step 100ms")
	webtest.Until(t, ctx, hook("playback-play")+`.textContent === "Play" && `+hook("connection-word")+`.textContent === "Playback held"`)
	click(`[data-hook="playback-step-long"]`, "pause, step 1s")
	click(`[data-hook="playback-play"]`, "resume")
	webtest.Until(t, ctx, hook("playback-play")+`.textContent === "Hold"`)
	click(`[aria-label="previous shift"]`, "seek 0s, step 18.5s") // a second before its start, with what led up to it
	click(`[aria-label="next shift"]`, "seek 28.6s, step 30s")
	click(`[aria-label="next mark"]`, "seek 24s, step 30s")
	click(`[aria-label="next alarm"]`, "seek 39s, step 30s")
	if !webtest.Eval[bool](t, ctx, `document.querySelector('[aria-label="previous mark"]').disabled && document.querySelector('[aria-label="previous alarm"]').disabled`) {
		t.Error("one can jump back to what is ahead")
	}

	choose := func(value string) {
		t.Helper()
		webtest.Eval[any](t, ctx, `{ const s = `+hook("playback-speed")+`; s.value = "`+value+`"; s.dispatchEvent(new Event("change")); } null`)
	}
	choose("10")
	eventually(t, "speed", p.done, "speed")
	if p.Speed() != 10 {
		t.Errorf("speed %v, want 10", p.Speed())
	}
	choose("fastest")
	eventually(t, "speed", p.done, "speed")
	if p.Speed() != pcapng.MaxSpeed {
		t.Errorf("speed %v, want the fastest", p.Speed())
	}
	choose("other")
	webtest.Until(t, ctx, `document.activeElement === `+hook("playback-other"))
	webtest.Eval[any](t, ctx, hook("playback-other")+`.value = ""; null`)
	if err := chromedp.Do(ctx, chromedp.KeyEvent("3.5"), chromedp.KeyEvent("\t")); err != nil {
		t.Fatal(err)
	}
	eventually(t, "speed", p.done, "speed")
	if p.Speed() != 3.5 {
		t.Errorf("speed %v, want 3.5", p.Speed())
	}
	// The time line obeys the keyboard.
	webtest.Eval[any](t, ctx, hook("playback-line")+`.focus(); null`)
	if err := chromedp.Do(ctx, chromedp.KeyEvent(kb.End)); err != nil {
		t.Fatal(err)
	}
	eventually(t, "time line", p.done, "seek 1m30s, step 30s")

	// A jump leaves nothing of before.
	webtest.Until(t, ctx, `document.querySelectorAll('[data-hook="shifts"] tr').length === 4`)
	b.Restart(0, 8e9)
	f.Now = 8e9
	webtest.Until(t, ctx, `document.querySelectorAll('[data-hook="shifts"] tr').length === 0 && `+hook("gear")+`.textContent === "–"`)
	f.Run(b, 12*time.Second)
	webtest.Until(t, ctx, `document.querySelectorAll('[data-hook="shifts"] tr').length === 2 && `+hook("shift-count")+`.textContent === "2" && `+hook("gear")+`.textContent === "3"`)

	// At the end one can begin again.
	b.Sources([]board.Source{{Address: "capture:drive.pcapng", Playback: true, State: board.SourceEnded}})
	webtest.Until(t, ctx, hook("playback-play")+`.textContent === "Play again"`)
	click(`[data-hook="playback-play"]`, "resume, seek 0s")

	for _, w := range []int64{320, 390, 768, 1366} {
		if err := chromedp.Do(ctx, chromedp.EmulateViewport(w, 800)); err != nil {
			t.Fatal(err)
		}
		if got := webtest.Eval[int64](t, ctx, `document.documentElement.scrollWidth`); got > w {
			t.Errorf("at %d pixels the page is %d wide", w, got)
		}
	}
}

// eventually waits until what comes, bit by bit, is what is wanted.
func eventually(t *testing.T, what string, come func() string, want string) {
	t.Helper()
	tick := time.NewTicker(5 * time.Millisecond)
	defer tick.Stop()
	got := ""
	for limit := time.Now().Add(30 * time.Second); ; <-tick.C {
		if more := come(); more != "" {
			got = strings.TrimPrefix(got+", "+more, ", ")
		}
		if got == want {
			return
		}
		if !strings.HasPrefix(want, got) || time.Now().After(limit) {
			t.Errorf("%s: got %q, want %q", what, got, want)
			return
		}
	}
}

// made-up shifts of a session: ten of one kind, each so long.
func madeUp(name string, length float64) compare.Past {
	p := compare.Past{Name: name}
	for i := range 10 {
		start, d := decode.Seconds(int64(i)*20e9), decode.Seconds((length+0.002*float64(i))*1e9)
		end := start + d
		s := compare.Shift{ShiftEvent: drivetrain.ShiftEvent{From: "2", To: "3", Settled: true, Start: &start, End: &end, Duration: &d}}
		for k := range 60 {
			at := -0.2 + 0.02*float64(k)
			s.Curve = append(s.Curve, compare.Point{T: at, P: min(max(at/(length+0.002*float64(i)), 0), 1)})
		}
		p.Shifts = append(p.Shifts, s)
	}
	return p
}

// Sessions on the page: listed, looked at, verified with progress, cancelled,
// sealed after a second thought, compared; and who and why of the one that is
// being recorded.
func TestSessionsOnThePage(t *testing.T) {
	t.Parallel()
	ctx := webtest.Browser(t)
	var sealed sync.Map
	verifying := make(chan context.Context, 10)
	finish := make(chan struct{})
	s, folder := sessionServer(t, Sessions{
		Facts: func(folder string) (*SessionFacts, error) {
			r, err := archive.Open(folder)
			if err != nil {
				return nil, err
			}
			_, is := sealed.Load(folder)
			name := filepath.Base(folder)
			return &SessionFacts{SessionRow: SessionRow{Name: name, Folder: folder, Title: r.Meta().Title, Sealed: is}, VIN: "1M8GDM9A1KP042788", VINRemark: "position 9 would be X", Captures: r.Files(), Marks: []SessionMark{{5e9, "shudder"}}}, nil
		},
		Report: func(_ context.Context, folder string, redact bool, to io.Writer, tell func(string)) error {
			tell("decoding")
			_, err := io.WriteString(to, `<!doctype html><title>report</title><style>h1 { color: rgb(1, 2, 3) }</style><h1>Report</h1>`)
			return err
		},
		Verify: func(ctx context.Context, _ string, tell func(string)) (*SessionVerdict, error) {
			tell("verifying: 40 %")
			verifying <- ctx
			select {
			case <-ctx.Done():
				return nil, ctx.Err()
			case <-finish:
			}
			return &SessionVerdict{Files: 5, Findings: []SessionFinding{{Kind: archive.FoundChanged, Fault: true, Path: "data/x.pcapng", Text: "its content differs from its digest", Frames: &[2]uint64{10, 20}}}}, nil
		},
		Seal: func(_ context.Context, folder string, _ bool, _ func(string)) (*SessionSeal, error) {
			sealed.Store(folder, true)
			return &SessionSeal{Digest: "0123abcd", Files: 7, Bytes: 1000, Damage: []string{}}, nil
		},
		Play: func(string) (*Playing, error) {
			f := boardtest.New(0)
			b := f.Board(nil)
			f.Run(b, 5*time.Second)
			b.Sources([]board.Source{{Address: "capture:first", Playback: true, State: board.SourceOpen}})
			return &Playing{Board: b, Playback: &guarded{steered: steered{speed: 1}}, Moments: board.NewMoments(0), Run: func(ctx context.Context) { <-ctx.Done() }}, nil
		},
		Shifts: func(_ context.Context, folder string, tell func(string)) (compare.Past, error) {
			if strings.HasSuffix(folder, "first") {
				return madeUp(filepath.Base(folder), 0.4), nil
			}
			return madeUp(filepath.Base(folder), 0.7), nil
		},
	})
	d := &describer{archive.Meta{Title: "van", VIN: "1M8GDM9A1KP042788"}}
	s.o.Recorder, s.o.Session = recorderStub{Recording{Folder: "elsewhere"}}, d
	url := serve(t, s)
	if err := chromedp.Do(ctx, chromedp.EmulateViewport(1366, 768), chromedp.Navigate(url)); err != nil {
		t.Fatal(err)
	}
	hook := func(h string) string { return `document.querySelector('[data-hook="` + h + `"]')` }
	press := func(text string) {
		t.Helper()
		webtest.Until(t, ctx, `[...document.querySelectorAll('.session-actions button')].some((b) => b.textContent === "`+text+`")`)
		webtest.Eval[any](t, ctx, `[...document.querySelectorAll('.session-actions button')].find((b) => b.textContent === "`+text+`").click(); null`)
	}
	click := func(selector string) {
		t.Helper()
		if err := chromedp.Do(ctx, chromedp.Click(chromedp.CSS(selector))); err != nil {
			t.Fatalf("%s: %v", selector, err)
		}
	}

	// Details of the session being recorded.
	webtest.Until(t, ctx, `!`+hook("details-open")+`.hidden`)
	click(`[data-hook="details-open"]`)
	webtest.Until(t, ctx, `document.querySelector('.details-vin').value === "1M8GDM9A1KP042788" && `+hook("details-fields")+`.textContent.includes("Position 9 would be X")`)
	webtest.Eval[any](t, ctx, `document.querySelector('[name="vin"]').value = "1m8gdm9axkp042788"; document.querySelector('[name="concern"]').value = "flares"; null`)
	click(`.details [type="submit"]`)
	webtest.Until(t, ctx, hook("details-said")+`.textContent === "Kept with the session." && `+hook("details-fields")+`.textContent.includes("check digit is right")`)
	if d.m.VIN != "1M8GDM9AXKP042788" || d.m.Concern != "flares" || d.m.Title != "van" {
		t.Errorf("kept: %+v", d.m)
	}
	click(`[data-hook="details-close"]`)

	click(`[data-hook="to-sessions"]`)
	webtest.Until(t, ctx, hook("drive-view")+`.hidden && document.querySelectorAll('[data-hook="sessions-rows"] tr').length === 2`)
	click(`tr[data-name="` + first + `"] .session-open`)
	webtest.Until(t, ctx, hook("session")+`.textContent.includes("position 9 would be X") && `+hook("session")+`.textContent.includes("shudder")`)

	// What is said of it can be corrected; the list shows it.
	press("Change details")
	webtest.Until(t, ctx, hook("details-title")+`.textContent === "Details of first" && document.querySelector('[name="title"]').value === "first"`)
	webtest.Eval[any](t, ctx, `document.querySelector('[name="title"]').value = "first visit"; null`)
	click(`.details [type="submit"]`)
	webtest.Until(t, ctx, hook("details-said")+`.textContent === "Kept with the session."`)
	click(`[data-hook="details-close"]`)
	webtest.Until(t, ctx, `document.querySelector('tr[data-name="`+first+`"] .session-open').textContent === "first visit" && `+hook("session")+`.querySelector('h2').textContent === "first visit" && document.activeElement.textContent === "Change details"`)

	// Work tells how far it is; cancelled, it ends.
	press("Verify")
	work := <-verifying
	webtest.Until(t, ctx, `!`+hook("sessions-busy")+`.hidden && `+hook("sessions-busy-text")+`.textContent === "Verify: verifying: 40 %"`)
	click(`[data-hook="sessions-cancel"]`)
	<-work.Done()
	webtest.Until(t, ctx, hook("sessions-busy")+`.hidden && `+hook("sessions-said")+`.textContent === "Verify: cancelled."`)
	close(finish)
	press("Verify")
	webtest.Until(t, ctx, `document.querySelector('.session-verdict')?.textContent.includes("1 thing does not hold") && document.querySelector('.findings').textContent.includes("frames 10 to 20")`)

	// The report is a page of its own, with its own style.
	press("Report")
	webtest.Until(t, ctx, `document.querySelector('.session-result a')?.getAttribute("href") === "/api/v1/sessions/`+first+`/report"`)

	// Sealing asks once more.
	press("Seal …")
	press("Leave it open")
	if _, is := sealed.Load(filepath.Join(folder, first)); is {
		t.Error("sealed without a second thought")
	}
	press("Seal …")
	press("Seal for good")
	webtest.Until(t, ctx, `document.querySelector('.session-digest')?.textContent === "SHA-256 0123abcd" && ![...document.querySelectorAll('.session-actions button')].some((b) => b.textContent.startsWith("Seal"))`)

	// The vehicle over its sessions.
	press("Vehicle over time")
	webtest.Until(t, ctx, `document.querySelectorAll('.trend .trend-point').length >= 2 && document.querySelector('.trend').getAttribute("aria-label").startsWith("duration of the shifts 2 → 3 over 2 sessions") && `+hook("session")+`.textContent.includes("too few sessions to tell a trend")`)
	press("Back to the session")

	// It is played back in a page of its own. This browser does not let a page open
	// another; then there is a link to it.
	webtest.Eval[any](t, ctx, `window.open = () => null; null`)
	press("Play back")
	webtest.Until(t, ctx, `document.querySelector('.session-result a')?.getAttribute("href") === "/play/`+first+`/"`)

	// Two side by side.
	webtest.Eval[any](t, ctx, `document.querySelector('tr[data-name="`+first+`"] input').click(); document.querySelector('tr[data-name="`+second+`"] input').click(); null`)
	click(`[data-hook="sessions-compare"]`)
	webtest.Until(t, ctx, `document.querySelector('.compare-said')?.textContent.includes("longer") || document.querySelector('.compare-said')?.textContent.startsWith("Changed: Duration, 2-3")`)
	webtest.Until(t, ctx, `document.querySelector('.compare-row').textContent.includes("clearly different: higher") && document.querySelector('.compare-row').textContent.includes("0.4")`)
	if err := chromedp.Do(ctx, chromedp.Focus(chromedp.CSS(`.compare-open`)), chromedp.KeyEvent("\r")); err != nil {
		t.Fatal(err)
	}
	webtest.Until(t, ctx, `document.querySelector('.compare-open').getAttribute("aria-expanded") === "true" && document.querySelector('.compare-behind').textContent.includes("with 95 % confidence")`)
	webtest.Until(t, ctx, `document.querySelectorAll('.overlay .overlay-line').length === 2 && [...document.querySelectorAll('.overlay-line')].every((p) => p.getAttribute("d").length > 100)`)
	if got := webtest.Eval[string](t, ctx, `[...document.querySelectorAll('.overlay-line')].map((p) => p.getAttribute("stroke-dasharray")).join("|")`); got != "|7 3" {
		t.Errorf("dashes of the two lines: %q", got)
	}
	for _, w := range []int64{320, 390, 768, 1366} {
		if err := chromedp.Do(ctx, chromedp.EmulateViewport(w, 800)); err != nil {
			t.Fatal(err)
		}
		if got := webtest.Eval[int64](t, ctx, `document.documentElement.scrollWidth`); got > w {
			t.Errorf("at %d pixels the sessions are %d wide", w, got)
		}
	}
	webtest.Open(t, ctx, url+"/play/"+first+"/")
	webtest.Until(t, ctx, `!`+hook("to-playback")+`.hidden && `+hook("to-sessions")+`.getAttribute("href") === "/#sessions" && `+hook("mark")+`.hidden && `+hook("sound")+`.textContent === "Sound off"`)
	webtest.Until(t, ctx, hook("gear")+`.textContent === "1" && `+hook("connection-word")+`.textContent === "Playing back" && `+hook("vehicle")+`.textContent.startsWith("`+first+`")`)
	webtest.Open(t, ctx, url+"/api/v1/sessions/"+first+"/report")
	if got := webtest.Eval[string](t, ctx, `document.title + " " + getComputedStyle(document.querySelector("h1")).color`); got != "report rgb(1, 2, 3)" {
		t.Errorf("the report in the browser: %q", got)
	}
}
