package dashboards

import (
	"sync"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"gearwitness/capture"
	"gearwitness/dashboards/board/boardtest"
	"gearwitness/dashboards/webtest"
	"gearwitness/decode"
	"gearwitness/decode/procedure"
	"gearwitness/decode/readings"
	"gearwitness/signals"
)

// benchStub judges and keeps readings.
type benchStub struct {
	file *signals.File
	mu   sync.Mutex
	list []readings.Entry
}

func (b *benchStub) Enter(in readings.Input) (readings.Entry, error) {
	e, err := readings.Judge(b.file, in)
	if err == nil {
		b.mu.Lock()
		b.list = append(b.list, e)
		b.mu.Unlock()
	}
	return e, err
}

func (b *benchStub) Entered() []readings.Entry {
	b.mu.Lock()
	defer b.mu.Unlock()
	return append([]readings.Entry{}, b.list...)
}

// A procedure is done on the page: cautions first, then what it needs, then step
// by step, read out; what came of it stands there at the end. And the bench sheet:
// what was typed survives a reload and a refusal, and is judged at once.
func TestProceduresAndBenchOnThePage(t *testing.T) {
	t.Parallel()
	ctx := webtest.Browser(t)
	f := boardtest.New(0)
	f.File.Procedures = signals.Named[signals.Procedure]{{Name: "relearn", V: signals.Procedure{
		Title: "Relearn drive", Cautions: []string{"Someone else drives."}, Before: signals.Named[signals.Need]{{Name: "warm", V: signals.Need{Say: "Oil warm"}}},
		StopWhen: signals.Named[signals.Need]{{Name: "hot", V: signals.Need{Say: "Oil too hot"}}},
		Steps: signals.Named[signals.Step]{
			{Name: "pulls", V: signals.Step{Say: "Pull through the gears", Hold: signals.Named[signals.Range]{{Name: "pedal", V: signals.Range{Low: 10, High: 15}}}, Gears: []string{"1", "2", "3"}, Times: 4, Within: 20 * time.Minute}},
			{Name: "stand", V: signals.Step{Say: "Stand still", Until: "output_speed < 10", For: 3 * time.Second, Within: time.Minute}},
		},
	}}}
	f.File.Readings = signals.Named[signals.Reading]{
		{Name: "pressure", V: signals.Reading{Title: "Main pressure", Unit: "kPa", Limits: &signals.Range{Low: 400, High: 800}}},
		{Name: "fluid", V: signals.Reading{Title: "Look of the fluid", Choices: signals.Named[signals.Grade]{{Name: "clear red", V: signals.Good}, {Name: "milky", V: signals.Bad}}}},
	}
	b := f.Board(nil)
	f.Run(b, 5*time.Second)
	asked := make(chan procedure.Request, 4)
	readings := &benchStub{file: f.File}
	s := NewServer(Options{Board: b, Version: "test", Readings: readings, Mark: func(string) error { return nil }, Coach: func(r procedure.Request) error {
		asked <- r
		return nil
	}})
	stands := procedure.Status{Name: "relearn", State: procedure.Idle, Step: -1, Needs: []procedure.NeedStatus{{Name: "warm", Say: "Oil warm", Missing: []string{"oil_pan"}}}}
	b.Procedures([]procedure.Status{stands})
	url := serve(t, s)
	if err := chromedp.Do(ctx, chromedp.EmulateViewport(1366, 768), chromedp.Navigate(url+"/#procedures")); err != nil {
		t.Fatal(err)
	}
	hook := func(h string) string { return `document.querySelector('[data-hook="` + h + `"]')` }
	side := hook("coach")
	click := func(selector string) {
		t.Helper()
		if err := chromedp.Do(ctx, chromedp.Click(chromedp.CSS(selector))); err != nil {
			t.Fatalf("%s: %v", selector, err)
		}
	}
	narrow := func(what string) {
		t.Helper()
		for _, w := range []int64{320, 390, 768, 1366} {
			if err := chromedp.Do(ctx, chromedp.EmulateViewport(w, 800)); err != nil {
				t.Fatal(err)
			}
			if got := webtest.Eval[int64](t, ctx, `document.documentElement.scrollWidth`); got > w {
				t.Errorf("%s: at %d pixels the page is %d wide", what, w, got)
			}
		}
	}

	// Neither without having read the cautions nor without what it needs.
	begin := `document.querySelector('.coach-begin')`
	webtest.Until(t, ctx, side+`.textContent.includes("Someone else drives.") && `+side+`.textContent.includes("no value of oil_pan") && `+begin+`.disabled`)
	click(".coach-read input")
	webtest.Until(t, ctx, begin+`.disabled && `+side+`.textContent.includes("Not everything it needs")`)
	stands.Needs = []procedure.NeedStatus{{Name: "warm", Say: "Oil warm", Met: true}}
	stands.Blocked = []string{"50 s of rest are left."}
	b.Procedures([]procedure.Status{stands})
	webtest.Until(t, ctx, begin+`.disabled && `+side+`.textContent.includes("50 s of rest are left.")`)
	stands.Blocked = nil
	b.Procedures([]procedure.Status{stands})
	webtest.Until(t, ctx, `!`+begin+`.disabled && document.querySelector('.coach-needs li').dataset.met === "true"`)
	narrow("a procedure")

	// It is read out: what is spoken is caught, for there is no voice here.
	webtest.Eval[any](t, ctx, `window.said = []; speechSynthesis.speak = (u) => window.said.push(u.text); null`)
	webtest.Until(t, ctx, hook("sound")+`.textContent === "Sound on"`) // the clicks have allowed it
	click(".coach-begin")
	if r := <-asked; r.Procedure != "relearn" || r.Action != procedure.Begin {
		t.Errorf("asked for %+v", r)
	}
	value := 25.0
	stands.State, stands.Step, stands.BeganAt = procedure.Running, 0, f.Now
	stands.Steps = []procedure.StepStatus{{Name: "pulls", State: "running", Count: 2, Of: 4}, {Name: "stand", State: "to come", Of: 1}}
	stands.Now = &procedure.Current{Left: 600e9, Counting: true, Gears: 2, Bands: []procedure.BandStatus{{Signal: "pedal", Low: 10, High: 15, Value: &value}}}
	tell := func(events ...decode.Event) {
		b.Procedures([]procedure.Status{stands})
		b.Take(&decode.Output{Events: events})
	}
	tell(decode.Event{Time: f.Now, Kind: decode.KindStep, Fields: procedure.Progress{Procedure: "relearn", Step: "pulls", State: procedure.Counted, Count: 2, Of: 4}})
	webtest.Until(t, ctx, `document.querySelector('.coach-say')?.textContent === "Pull through the gears" && document.querySelector('.coach-count').textContent === "2 of 4 sequences" && document.querySelector('.coach-left').textContent === "10:00 left"`)
	webtest.Until(t, ctx, `document.querySelectorAll('.coach-gears [data-done]').length === 2 && document.querySelector('.coach-word').textContent === "▼ less" && document.querySelector('.gauge').ariaValueText.includes("too high")`)
	webtest.Until(t, ctx, `window.said.includes("2 of 4.")`)
	// A band that is left is told, once it has been left for a moment.
	for !webtest.Eval[bool](t, ctx, `window.said.includes("accelerator pedal too high")`) {
		stands.Now.Left -= capture.Stamp(1e8) // as time goes on
		tell()
		webtest.Until(t, ctx, `new Promise((done) => requestAnimationFrame(() => done(true)))`)
	}
	narrow("a step")
	click(`[data-hook="to-drive"]`)
	webtest.Until(t, ctx, `!`+hook("coach-strip")+`.hidden && `+hook("coach-strip")+`.textContent.startsWith("Relearn drive · step 1 of 2 · 2 of 4 sequences")`)
	click(`[data-hook="coach-strip"]`)
	click(".coach-stop")
	if r := <-asked; r.Action != procedure.Stop {
		t.Errorf("asked for %+v", r)
	}
	change := &procedure.Change{Procedure: "relearn", Title: "Relearn drive", State: procedure.Ended, Verdict: procedure.Stopped, Why: []string{"The oil got too hot."},
		Steps: []procedure.StepResult{{Step: "pulls", State: "stopped", Count: 2, Of: 4, Spoiled: 1, Duration: 90e9}}}
	stands.State, stands.Step, stands.Now, stands.Last, stands.LastAt = procedure.Idle, -1, nil, change, f.Now
	tell(decode.Event{Time: f.Now, Kind: decode.KindProcedure, Fields: *change})
	webtest.Until(t, ctx, `document.querySelector('.coach-verdict[data-verdict="stopped"]')?.textContent.includes("The oil got too hot.") && document.querySelector('.coach-verdict').textContent.includes("pulls: stopped, 2 of 4, 1:30, 1 did not count")`)
	webtest.Until(t, ctx, `window.said.some((s) => s === "The oil got too hot. Relearn drive: stopped.")`)
	// The next time the cautions are read again.
	webtest.Until(t, ctx, begin+`.disabled && !document.querySelector('.coach-read input').checked`)

	// The bench sheet. A letter typed into it is a letter, and sets no mark.
	click(`[data-hook="to-bench"]`)
	webtest.Until(t, ctx, `document.querySelectorAll('.bench-line').length === 2 && document.querySelector('.bench-what').textContent.includes("good: 400 to 800 kPa")`)
	click(`.bench-line [name="value"]`)
	if err := chromedp.Do(ctx, chromedp.KeyEvent("5 Mm")); err != nil {
		t.Fatal(err)
	}
	webtest.Until(t, ctx, `document.querySelector('.bench-line [name="value"]').value === "5 Mm" && document.querySelector('.bench-state').textContent === "typed, not kept yet" && `+hook("note")+`.hidden`)
	webtest.Open(t, ctx, url+"/#bench")
	if err := chromedp.Do(ctx, chromedp.Reload()); err != nil {
		t.Fatal(err)
	}
	webtest.Until(t, ctx, `document.querySelector('.bench-line [name="value"]')?.value === "5 Mm"`)
	webtest.Eval[any](t, ctx, `{ const i = document.querySelector('.bench-line [name="value"]'); i.value = "920"; i.dispatchEvent(new Event("input")); } null`)
	click(`.bench-line [type="submit"]`)
	webtest.Until(t, ctx, `document.querySelector('.bench-entry[data-verdict="bad"]')?.textContent.includes("outside its limits 920 kPa") && document.querySelector('.bench-line [name="value"]').value === ""`)
	webtest.Eval[any](t, ctx, `document.querySelectorAll('.bench-choice input')[0].click(); null`)
	click(`.bench-line:last-child [type="submit"]`)
	webtest.Until(t, ctx, `document.querySelector('.bench-line:last-child .bench-entry[data-verdict="good"]')?.textContent.includes("clear red")`)
	if list := readings.Entered(); len(list) != 2 || *list[0].Value != 920 || list[1].Choice != "clear red" {
		t.Errorf("kept: %+v", list)
	}
	narrow("the bench sheet")
}
