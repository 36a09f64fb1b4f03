package archive

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"slices"
	"strings"
	"sync/atomic"
	"syscall"
	"testing"
	"testing/synctest"
	"time"

	"gearwitness/capture"
)

// batchOf makes n frames of which each says its own number.
func batchOf(first, n int) *capture.Batch {
	b := &capture.Batch{Channels: []capture.Channel{{Name: "powertrain", BitRate: 500_000}, {Name: "gps", Kind: capture.Text}}}
	for i := first; i < first+n; i++ {
		f := capture.Frame{Time: capture.Stamp(i) * 1_000_000, ID: 0x123, Len: 8}
		for k := range 8 {
			f.Data[k] = byte(i >> (8 * k))
		}
		b.Frames = append(b.Frames, f)
	}
	return b
}

// readBack reads all frames and notes of a session.
func readBack(t testing.TB, r *Reader) (b capture.Batch) {
	t.Helper()
	src := r.Frames()
	defer src.Close()
	for {
		err := src.Next(context.Background(), &b)
		if err == io.EOF {
			return b
		}
		if err != nil {
			t.Fatal(err)
		}
	}
}

func journalOf(t testing.TB, r *Reader) (list []Entry, cut bool) {
	t.Helper()
	for e, err := range r.Journal() {
		switch {
		case errors.Is(err, ErrCutJournal):
			cut = true
		case err != nil:
			t.Error(err)
		default:
			list = append(list, e)
		}
	}
	return list, cut
}

func TestRecordAndRead(t *testing.T) {
	root := t.TempDir()
	started := time.Date(2026, 3, 7, 14, 15, 3, 0, time.FixedZone("", 3600))
	meta := Meta{Title: "Flare 2-3 / 100 %: \"bad\"", Technician: "A. Tester", VIN: "11111111111111111", Odometer: "48210 km",
		Concern: "jerks\nwhen warm", Software: "test 1", Started: started}
	s, err := Create(root, meta, []byte("format: 1\n"), Options{MaxFile: 20_000})
	if err != nil {
		t.Fatal(err)
	}
	const n = 2000
	for i := 0; i < n; i += 100 {
		b := batchOf(i, 100)
		b.Lines = append(b.Lines, capture.Line{Time: b.Frames[50].Time, Port: 1, Text: fmt.Sprintf("line %d", i)})
		if i == 500 {
			b.Losses = append(b.Losses, capture.Loss{Time: b.Frames[10].Time, Channel: 0, Reason: capture.ReasonOverrun, Count: 3})
			b.Notes = append(b.Notes, capture.Note{Time: b.Frames[10].Time, Kind: "reconnect", Text: "adapter is back"})
		}
		s.Record(b)
	}
	if err := s.Mark(5_500_000_000, "hear \"it\" here"); err != nil {
		t.Fatal(err)
	}
	if err := s.Journal("bad", 0, []int{1}); err == nil {
		t.Error("a journal entry that is no object was taken")
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	if err := s.Mark(0, "late"); err == nil {
		t.Error("a closed session took a mark")
	}
	if got := s.Status(); got.Frames != n+20 || got.Synced != got.Frames || got.Lost != 0 || got.Waiting != 0 {
		t.Errorf("status %+v; want %d frames, all on disk", got, n+20)
	}

	list, err := List(root)
	if err != nil || len(list) != 1 || list[0].Err != nil || list[0].Name != "2026-03-07_14-15-03_flare-2-3-100-bad" {
		t.Fatalf("list: %+v, %v", list, err)
	}
	r, err := Open(s.Dir())
	if err != nil {
		t.Fatal(err)
	}
	got := r.Meta()
	if !got.Started.Equal(started) || got.Ended.IsZero() {
		t.Errorf("times %v, %v", got.Started, got.Ended)
	}
	meta.Concern = "jerks when warm"
	got.Started, got.Ended = started, time.Time{}
	if got != meta {
		t.Errorf("meta: got %+v\nwant %+v", got, meta)
	}
	if v, err := r.Vehicle(); string(v) != "format: 1\n" || err != nil {
		t.Errorf("vehicle %q, %v", v, err)
	}
	if len(r.Files()) < 4 {
		t.Errorf("files %v; want some, by rotation at 20,000 bytes", r.Files())
	}
	b := readBack(t, r)
	if len(b.Frames) != n || len(b.Lines) != 20 || len(b.Notes) != 0 {
		t.Fatalf("read %d frames, %d lines, notes %v", len(b.Frames), len(b.Lines), b.Notes)
	}
	for i, f := range b.Frames {
		if want := batchOf(i, 1).Frames[0]; f != want {
			t.Fatalf("frame %d: got %+v, want %+v", i, f, want)
		}
	}
	if len(b.Channels) != 2 || b.Channels[1].Kind != capture.Text || b.Lines[3] != (capture.Line{Time: 350_000_000, Port: 1, Text: "line 300"}) {
		t.Errorf("channels %v, line %+v", b.Channels, b.Lines[3])
	}
	if len(b.Losses) != 1 || b.Losses[0].Count != 3 || b.Losses[0].Time != 510_000_000 {
		t.Errorf("losses %+v; want 3 before the frame at 0.51 s", b.Losses)
	}
	entries, cut := journalOf(t, r)
	var kinds []string
	begun := []string{"data/capture-0001.pcapng"} // the first one is no event
	entries = slices.DeleteFunc(entries, func(e Entry) bool {
		if e.Kind != KindFile {
			return false
		}
		var file struct{ File string }
		if err := json.Unmarshal(e.Fields, &file); err != nil {
			t.Error(err)
		}
		begun = append(begun, file.File)
		return true
	})
	if !slices.Equal(begun, r.Files()) {
		t.Errorf("the journal tells of the files %v; there are %v", begun, r.Files())
	}
	for _, e := range entries {
		kinds = append(kinds, e.Kind)
	}
	if strings.Join(kinds, " ") != "start note mark loss end" || cut {
		t.Errorf("journal %v, cut %v", kinds, cut)
	}
	if e := entries[2]; e.Time != 5_500_000_000 || string(e.Fields) != `{"time_s":5.5,"kind":"mark","text":"hear \"it\" here"}` {
		t.Errorf("mark %d %s", e.Time, e.Fields)
	}
}

func TestDescribe(t *testing.T) {
	s, err := Create(t.TempDir(), Meta{Title: "a", Started: testTime}, nil, Options{})
	if err != nil {
		t.Fatal(err)
	}
	s.Describe(func(m *Meta) { m.Odometer, m.Started = "10 km", time.Time{} })
	if m := s.Meta(); m.Odometer != "10 km" || !m.Started.Equal(testTime) {
		t.Errorf("%+v", m)
	}
	s.Describe(func(m *Meta) { m.Odometer = "10 km" }) // which is nothing new
	if err := Describe(s.Dir(), func(m *Meta) {}); !errors.Is(err, errBusy) {
		t.Errorf("described while recording: %v", err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	if err := Describe(s.Dir(), func(m *Meta) { m.Job = "4711"; m.Concern = "one\ntwo" }); err != nil {
		t.Fatal(err)
	}
	r, err := Open(s.Dir())
	if err != nil {
		t.Fatal(err)
	}
	if m := r.Meta(); m.Title != "a" || m.Odometer != "10 km" || m.Job != "4711" || m.Concern != "one two" || !m.Started.Equal(testTime) || m.Ended.IsZero() {
		t.Errorf("%+v", m)
	}
	entries, _ := journalOf(t, r)
	kinds := make([]string, len(entries))
	for i, e := range entries {
		kinds[i] = e.Kind
	}
	if strings.Join(kinds, " ") != "start correction end correction" || !strings.Contains(string(entries[1].Fields), `"changed":[{"label":"Odometer","from":"","to":"10 km"}]`) {
		t.Fatalf("journal %v; want a correction while recording and one after", kinds)
	}
	last := entries[3]
	if last.Kind != KindCorrection || !strings.Contains(string(last.Fields), `"changed":[{"label":"External-Identifier","from":"","to":"4711"}`) {
		t.Errorf("the journal ends with %s; want the correction", last.Fields)
	}
	if _, err := Seal(context.Background(), s.Dir(), SealOptions{}); err != nil {
		t.Fatal(err)
	}
	defer writable(t, s.Dir())
	if err := Describe(s.Dir(), func(m *Meta) {}); err == nil || !strings.Contains(err.Error(), "is sealed") {
		t.Errorf("described when sealed: %v", err)
	}
}

func TestClocks(t *testing.T) {
	day := time.Date(2026, 3, 7, 12, 0, 0, 0, time.UTC)
	look := func(wall, ran, asleep float64, knows bool) clocks {
		d := func(s float64) time.Duration { return time.Duration(s * 1e9) }
		return clocks{day.Add(d(wall)), d(ran), d(asleep), knows}
	}
	for _, c := range []struct {
		name   string
		now    clocks
		want   string
		step   float64
		asleep float64
	}{
		{"as ever", look(1, 1, 0, true), "", 0, 0},
		{"slewed by a time server", look(1.0005, 1, 0, true), "", 0, 0},
		{"summer time does not matter, a wrong clock does", look(3601, 1, 0, true), "the wall clock was set by +3600.0 s", 3600, 0},
		{"set back", look(-59, 1, 0, false), "the wall clock was set by -60.0 s", -60, 0},
		{"slept", look(601, 1, 600, true), "the machine slept for 600.0 s; nothing was recorded", 0, 600},
		{"slept and set", look(611, 1, 600, true), "the machine slept for 600.0 s; nothing was recorded; the wall clock was set by +10.0 s", 10, 600},
		{"cannot tell", look(601, 1, 0, false), "the machine slept or its wall clock was set forward, 600.0 s", 600, 0},
	} {
		got := compareClocks(look(0, 0, 0, c.now.knows), c.now)
		if got == nil {
			got = &clockEvent{}
		}
		if got.Text != c.want || got.Step != c.step || got.Asleep != c.asleep {
			t.Errorf("%s: got %+v, want %q, %v s, %v s", c.name, got, c.want, c.step, c.asleep)
		}
	}
	start := time.Now()
	if ev := compareClocks(lookAtClocks(start), lookAtClocks(start)); ev != nil {
		t.Errorf("two looks at once: %+v", ev)
	}
}

// TestClocksAreWatched lets the machine sleep and its wall clock be set while a
// session is recorded.
func TestClocksAreWatched(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		disk := newMemFS()
		var set, slept atomic.Int64
		look := func(began time.Time) clocks {
			now, asleep := time.Now(), time.Duration(slept.Load())
			return clocks{now.Add(time.Duration(set.Load()) + asleep).Round(0), now.Sub(began), asleep, true}
		}
		s, err := Create("/s", Meta{}, nil, Options{FS: disk, look: look})
		if err != nil {
			t.Fatal(err)
		}
		s.Record(batchOf(0, 10))
		time.Sleep(3 * syncEvery)
		set.Store(int64(-time.Hour))
		time.Sleep(3 * syncEvery)
		slept.Store(int64(10 * time.Minute))
		time.Sleep(3 * syncEvery)
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
		r, err := OpenFS(disk, s.Dir())
		if err != nil {
			t.Fatal(err)
		}
		var got []string
		entries, _ := journalOf(t, r)
		for _, e := range entries {
			var ev clockEvent
			if err := json.Unmarshal(e.Fields, &ev); e.Kind == KindClock && err == nil {
				got = append(got, ev.Text)
			}
		}
		if want := []string{"the wall clock was set by -3600.0 s", "the machine slept for 600.0 s; nothing was recorded"}; !slices.Equal(got, want) {
			t.Errorf("the journal tells %q, want %q", got, want)
		}
	})
}

func TestSkipTo(t *testing.T) {
	s, err := Create(t.TempDir(), Meta{}, nil, Options{MaxFile: 20_000})
	if err != nil {
		t.Fatal(err)
	}
	for i := 0; i < 3000; i += 100 {
		s.Record(batchOf(i, 100))
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	r, err := Open(s.Dir())
	if err != nil {
		t.Fatal(err)
	}
	if len(r.Files()) < 5 {
		t.Fatal(r.Files())
	}
	for _, at := range []int{-5, 0, 1, 499, 500, 1234, 2999, 10_000} {
		f := r.Frames()
		if err := f.SkipTo(capture.Stamp(at) * 1_000_000); err != nil {
			t.Fatal(err)
		}
		if ch := f.Channels(); len(ch) != 2 {
			t.Errorf("channels %v", ch)
		}
		var b capture.Batch
		if err := f.Next(context.Background(), &b); err != nil {
			t.Fatal(err)
		}
		first := int(b.Frames[0].Time / 1_000_000)
		// Files hold 500 frames or less; nothing at or behind the time is skipped.
		if first > max(at, 0) || min(at, 2999)-first > 500 {
			t.Errorf("at %d reading begins with %d", at, first)
		}
		f.Close()
	}
}

func TestSecondsAreExact(t *testing.T) {
	for _, c := range []struct {
		text string
		t    capture.Stamp
	}{{"0", 0}, {"1700000000.000000001", 1700000000000000001}, {"-0.5", -500000000}, {"12.34", 12340000000}, {"-9223372035.999999999", -9223372035999999999}} {
		if got := string(appendSeconds(nil, c.t)); got != c.text {
			t.Errorf("%d written %s, want %s", c.t, got, c.text)
		}
		if got, err := parseSeconds(c.text); got != c.t || err != nil {
			t.Errorf("%s read %d, %v, want %d", c.text, got, err, c.t)
		}
	}
	for _, bad := range []string{"", "x", "1.x", "99999999999999999999", "1e300", "--1"} {
		if got, err := parseSeconds(bad); err == nil {
			t.Errorf("%q read as %d", bad, got)
		}
	}
}

// checkKept reads the session after a power cut: everything that was reported
// as safely on disk is there, in order and whole.
func checkKept(t *testing.T, name string, disk *memFS, dir string, synced uint64, marks int) {
	t.Helper()
	r, err := OpenFS(disk, dir)
	if err != nil {
		t.Errorf("%s: %v", name, err)
		return
	}
	b := readBack(t, r)
	if uint64(len(b.Frames)) < synced {
		t.Errorf("%s: %d frames read, %d were reported safe; %v", name, len(b.Frames), synced, b.Notes)
	}
	for i, f := range b.Frames[:min(synced, uint64(len(b.Frames)))] {
		if f != batchOf(i, 1).Frames[0] {
			t.Errorf("%s: frame %d is %+v", name, i, f)
			return
		}
	}
	got := 0
	for e, err := range r.Journal() {
		if err == nil && e.Kind == KindMark {
			got++
		}
	}
	if got < marks {
		t.Errorf("%s: %d marks read, %d were reported safe", name, got, marks)
	}
}

// recordFor records seconds of traffic on a failing disk and returns what the
// recorder reported safe before the power was cut or the session closed.
func recordFor(t *testing.T, disk *memFS, seconds int, closing bool) (s *Session, synced uint64, marks int, err error) {
	s, err = Create("/s", Meta{Started: time.Date(2026, 3, 7, 0, 0, 0, 0, time.UTC)}, []byte("v"), Options{FS: disk, MaxFile: 9000})
	if err != nil {
		return nil, 0, 0, err
	}
	n := 0
	for i := range seconds {
		for range 4 {
			s.Record(batchOf(n, 25))
			n += 25
			time.Sleep(syncEvery / 4)
		}
		s.Mark(capture.Stamp(n)*1_000_000, fmt.Sprint("mark ", i))
		synctest.Wait()
		// Everything up to the mark before the last successful sync is safe.
		if st := s.Status(); st.Err == nil && st.LastSync.Equal(time.Now()) {
			synced, marks = st.Synced, i
		}
	}
	if closing {
		err = s.Close()
		if st := s.Status(); err == nil {
			synced, marks = st.Synced, seconds
			if st.Synced != uint64(n) {
				t.Errorf("closed well with %d of %d frames", st.Synced, n)
			}
		}
	}
	return s, synced, marks, err
}

func TestEveryFailingOperation(t *testing.T) {
	seen := map[string]bool{}
	for _, how := range []fault{fails, halves, loses} {
		for _, lasting := range []bool{false, true} {
			for n := 1; n < 400; n++ {
				reached := false
				synctest.Test(t, func(t *testing.T) {
					disk := newMemFS()
					disk.fail = func(op int, kind string) fault {
						if op == n || lasting && op > n {
							reached = true
							seen[kind] = true
							return how
						}
						return works
					}
					s, synced, marks, err := recordFor(t, disk, 4, true)
					disk.fail = nil
					if s == nil {
						if err == nil || !strings.Contains(err.Error(), "session cannot be begun here") {
							t.Errorf("Create: %v", err)
						}
						return
					}
					name := fmt.Sprintf("fault %d at operation %d, lasting %v", how, n, lasting)
					if !lasting && err != nil {
						t.Errorf("%s: one failure was not got over: %v", name, err)
					}
					rng := rand.New(rand.NewPCG(uint64(n), uint64(how)))
					checkKept(t, name, disk, s.Dir(), synced, marks)
					checkKept(t, name+", power cut", disk.powerCut(rng), s.Dir(), synced, marks)
				})
				if !reached {
					break
				}
			}
		}
	}
	for _, kind := range []string{"open", "write", "sync", "syncdir", "rename", "mkdir"} {
		if !seen[kind] {
			t.Errorf("no %s was ever made to fail", kind)
		}
	}
}

// A power cut at any moment costs at most what the last second brought.
func TestPowerCuts(t *testing.T) {
	for seed := range uint64(150) {
		synctest.Test(t, func(t *testing.T) {
			rng := rand.New(rand.NewPCG(seed, 1))
			disk := newMemFS()
			s, err := Create("/s", Meta{}, []byte("v"), Options{FS: disk, MaxFile: 9000})
			if err != nil {
				t.Fatal(err)
			}
			defer s.Close()
			steps := 1 + rng.IntN(40)
			for i := range steps {
				s.Record(batchOf(i*25, 25))
				time.Sleep(syncEvery / 10)
			}
			synctest.Wait()
			after := disk.powerCut(rng)
			// 250 frames a second; the tick may lie just behind.
			safe := max(0, steps*25-275)
			checkKept(t, fmt.Sprint("seed ", seed), after, s.Dir(), uint64(safe), 0)
		})
	}
}

func TestFullDisk(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		disk := newMemFS()
		var told []Status
		s, err := Create("/s", Meta{}, nil, Options{FS: disk, MaxMemory: 150_000, OnStatus: func(st Status) { told = append(told, st) }})
		if err != nil {
			t.Fatal(err)
		}
		full := false
		disk.fail = func(_ int, kind string) fault {
			if full && kind == "write" {
				return halves
			}
			return works
		}
		n := 0
		record := func(batches int) {
			for range batches {
				s.Record(batchOf(n, 100))
				n += 100
				time.Sleep(syncEvery / 10)
			}
			synctest.Wait()
		}
		record(20)
		setFull := func(on bool) { disk.mu.Lock(); full = on; disk.mu.Unlock() }
		setFull(true)
		record(60) // 6,000 frames of 48 bytes: twice the memory
		st := s.Status()
		if !errors.Is(st.Err, syscall.ENOSPC) || st.Lost < 2500 || st.Waiting > 160_000 {
			t.Errorf("full disk: %+v", st)
		}
		setFull(false)
		record(20)
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
		st = s.Status()
		if st.Frames+st.Lost != uint64(n) || st.Synced != st.Frames {
			t.Errorf("%d frames given: %+v", n, st)
		}
		r, err := OpenFS(disk, s.Dir())
		if err != nil {
			t.Fatal(err)
		}
		b := readBack(t, r)
		var lost uint64
		for _, l := range b.Losses {
			lost += l.Count
		}
		if uint64(len(b.Frames)) != st.Frames || lost != st.Lost {
			t.Errorf("read %d frames and %d lost; want %d and %d", len(b.Frames), lost, st.Frames, st.Lost)
		}
		entries, _ := journalOf(t, r)
		var text []string
		var counted uint64
		for _, e := range entries {
			var f struct {
				Text  string
				Count uint64
			}
			json.Unmarshal(e.Fields, &f)
			counted += f.Count
			if e.Kind != KindLoss {
				text = append(text, e.Kind+" "+f.Text)
			}
		}
		if got := fmt.Sprint(text); counted != st.Lost || len(text) != 4 ||
			!strings.HasPrefix(got, "[start  disk the disk does not take data: ") || !strings.HasSuffix(got, " disk the disk takes data again end ]") {
			t.Errorf("journal %q with %d lost, want %d", text, counted, st.Lost)
		}
		if len(told) < 3 || told[0].Err == nil || told[len(told)-1].Err != nil || told[len(told)-1].Lost != st.Lost {
			t.Errorf("status told %+v", told)
		}
	})
}

func TestLowSpaceIsAnnounced(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		disk := newMemFS()
		var told []Status
		s, err := Create("/s", Meta{}, nil, Options{FS: disk, LowSpace: 1000, OnStatus: func(st Status) { told = append(told, st) }})
		if err != nil {
			t.Fatal(err)
		}
		// 4,800 bytes a second; 20 minutes are left, less than half an hour.
		disk.mu.Lock()
		disk.free = 4_900 * 20 * 60
		disk.mu.Unlock()
		for i := range 120 {
			s.Record(batchOf(i*10, 10))
			time.Sleep(syncEvery / 10)
		}
		synctest.Wait()
		st := s.Status()
		if !st.Low || st.Full < 19*time.Minute || st.Full > 22*time.Minute {
			t.Errorf("%+v; want low, about 20 minutes left", st)
		}
		if len(told) != 1 || !told[0].Low {
			t.Errorf("told %+v", told)
		}
		disk.mu.Lock()
		disk.free = 1 << 40
		disk.mu.Unlock()
		time.Sleep(11 * syncEvery)
		s.Close()
		r, err := OpenFS(disk, s.Dir())
		if err != nil {
			t.Fatal(err)
		}
		entries, _ := journalOf(t, r)
		if len(entries) != 4 || entries[1].Kind != KindDisk || !strings.Contains(string(entries[1].Fields), `"full_in_s":1`) ||
			entries[2].Kind != KindDisk || !strings.Contains(string(entries[2].Fields), "room on the disk again") {
			t.Errorf("journal %+v; want word of the disk filling up and of the room made", entries)
		}
	})
}

func TestRecordDoesNotAllocate(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		disk := newMemFS()
		s, err := Create("/s", Meta{}, nil, Options{FS: disk})
		if err != nil {
			t.Fatal(err)
		}
		b := batchOf(0, 8)
		s.Record(b)
		// Chunks come back after a sync; between two syncs a chunk of 64 KiB
		// is new for about 1,365 frames.
		if got := testing.AllocsPerRun(100, func() { s.Record(b) }); got > 0 {
			t.Errorf("%v allocations a batch, want none", got)
		}
		s.Close()
	})
}

// nullFS takes everything at once, so that a benchmark sees the caller's cost.
type nullFS struct{ *memFS }

func (nullFS) OpenWrite(string) (File, error) { return nullFile{}, nil }
func (nullFS) Rename(string, string) error    { return nil }

type nullFile struct{}

func (nullFile) WriteAt(p []byte, _ int64) (int, error) { return len(p), nil }
func (nullFile) Truncate(int64) error                   { return nil }
func (nullFile) Sync() error                            { return nil }
func (nullFile) Close() error                           { return nil }

func BenchmarkRecord(b *testing.B) {
	s, err := Create("/s", Meta{}, nil, Options{FS: nullFS{newMemFS()}, MaxMemory: 256 << 20})
	if err != nil {
		b.Fatal(err)
	}
	batch := batchOf(0, 100)
	for b.Loop() {
		s.Record(batch)
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/100, "ns/frame")
	b.ReportMetric(float64(s.Status().Lost), "lost")
	if err := s.Close(); err != nil {
		b.Fatal(err)
	}
}

// A recording without a clock of its own ends with the last of its frames and lines,
// whichever came later, in whatever order they were handed over.
func TestEndIsThatOfTheLastFrameOrLine(t *testing.T) {
	frame := func(at capture.Stamp) []capture.Frame { return []capture.Frame{{Time: at, ID: 1, Len: 1}} }
	line := func(at capture.Stamp) []capture.Line { return []capture.Line{{Time: at, Port: 1, Text: "21.5"}} }
	channels := batchOf(0, 0).Channels
	for name, c := range map[string]struct {
		batches []capture.Batch
		want    capture.Stamp
	}{
		"lines only":           {[]capture.Batch{{Lines: line(2e9)}, {Lines: line(7e9)}}, 7e9},
		"a line at the end":    {[]capture.Batch{{Frames: frame(2e9)}, {Lines: line(7e9)}}, 7e9},
		"a frame at the end":   {[]capture.Batch{{Lines: line(2e9)}, {Frames: frame(7e9)}}, 7e9},
		"both in one batch":    {[]capture.Batch{{Frames: frame(3e9), Lines: line(7e9)}}, 7e9},
		"a late line":          {[]capture.Batch{{Frames: frame(7e9)}, {Lines: line(2e9)}}, 7e9},
		"a late frame":         {[]capture.Batch{{Lines: line(7e9)}, {Frames: frame(2e9)}}, 7e9},
		"a line after a frame": {[]capture.Batch{{Frames: frame(7e9), Lines: line(2e9)}}, 7e9},
	} {
		t.Run(name, func(t *testing.T) {
			s, err := Create(t.TempDir(), Meta{Title: "end"}, nil, Options{})
			if err != nil {
				t.Fatal(err)
			}
			for i := range c.batches {
				c.batches[i].Channels = channels
				s.Record(&c.batches[i])
			}
			if err := s.Close(); err != nil {
				t.Fatal(err)
			}
			r, err := Open(s.Dir())
			if err != nil {
				t.Fatal(err)
			}
			list, _ := journalOf(t, r)
			if last := list[len(list)-1]; last.Kind != KindEnd || last.Time != c.want {
				t.Errorf("the journal ends with %s at %d ns; want %s at %d ns", last.Kind, last.Time, KindEnd, c.want)
			}
		})
	}
}
