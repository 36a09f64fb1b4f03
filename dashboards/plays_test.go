package dashboards

import (
	"context"
	"errors"
	"net/http"
	"net/http/httptest"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"gearwitness/capture/archive"
	"gearwitness/dashboards/board"
	"gearwitness/dashboards/board/boardtest"
)

// A session is played back beside the drive on a board of its own: steered at
// its own address, it leaves the drive alone; it ends once nobody looks at it;
// and where it cannot be had, the reason is told.
func TestPlaybackBesideADrive(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var mu sync.Mutex // of ended
		opened, ended := map[string]int{}, map[string]int{}
		over := func(name string) int {
			mu.Lock()
			defer mu.Unlock()
			return ended[name]
		}
		steeredBy := map[string]*guarded{}
		s, folder := sessionServer(t, Sessions{Play: func(folder string) (*Playing, error) {
			name := filepath.Base(folder)
			if strings.HasSuffix(name, "third") {
				return nil, errors.New("its vehicle file cannot be read")
			}
			opened[name]++
			steeredBy[name] = &guarded{steered: steered{speed: 1}}
			f := boardtest.New(0)
			b := f.Board(nil)
			f.Run(b, 8*time.Second)
			return &Playing{Board: b, Playback: steeredBy[name], Moments: board.NewMoments(0), Run: func(ctx context.Context) {
				<-ctx.Done()
				mu.Lock()
				defer mu.Unlock()
				ended[name]++
			}}, nil
		}})
		defer s.plays.close()
		for _, title := range []string{"third", "fourth", "fifth"} {
			a, err := archive.Create(folder, archive.Meta{Title: title, Started: time.Date(2026, 11, 25, 10, 0, 0, 0, time.UTC)}, nil, archive.Options{})
			if err != nil {
				t.Fatal(err)
			}
			a.Close()
		}
		name := func(title string) string { return "2026-11-25_10-00-00_" + title }
		status := func(title string) *httptest.ResponseRecorder { return get(s, "/play/"+name(title)+"/api/v1/status") }

		if w := get(s, "/play/"+first+"/"); w.Code != http.StatusOK || !strings.Contains(w.Body.String(), "<title>gearwitness</title>") {
			t.Errorf("the page of a playback: %d", w.Code)
		}
		w := httptest.NewRecorder()
		r := httptest.NewRequest("POST", "http://localhost/play/"+first+"/api/v1/playback", strings.NewReader(`{"pause": true}`))
		r.Header.Set("Content-Type", "application/json")
		s.handler.ServeHTTP(w, r)
		if got := steeredBy[first].done(); w.Code != http.StatusOK || got != "pause" {
			t.Errorf("steered: %d %s, did %q", w.Code, w.Body, got)
		}
		var there, here Status
		into(t, status("first"), &there)
		into(t, get(s, "/api/v1/status"), &here)
		if opened[first] != 1 || there.Playback == nil || here.Playback != nil || there.Instance == here.Instance {
			t.Errorf("opened %d times; playback there %v, here %v", opened[first], there.Playback, here.Playback)
		}

		// The guard stands before these addresses as before all others.
		r = httptest.NewRequest("GET", "http://localhost/play/"+second+"/api/v1/status", nil)
		r.Header.Set("Sec-Fetch-Site", "cross-site")
		w = httptest.NewRecorder()
		if s.handler.ServeHTTP(w, r); w.Code != http.StatusForbidden || opened[second] != 0 {
			t.Errorf("another site opened a session: %d", w.Code)
		}

		for _, c := range []struct{ path, want string }{
			{"/play/none/api/v1/status", "there is no session"},
			{"/play/" + name("third") + "/api/v1/status", "its vehicle file cannot be read"},
			{"/play/" + name("third") + "/", "cannot be played back: its vehicle file cannot be read"},
		} {
			if w := get(s, c.path); w.Code != http.StatusConflict || !strings.Contains(w.Body.String(), c.want) {
				t.Errorf("%s: %d %s, want %q", c.path, w.Code, w.Body, c.want)
			}
		}
		s.o.Recorder = recorderStub{Recording{Folder: filepath.Join(folder, name("fifth"))}}
		if w := status("fifth"); w.Code != http.StatusConflict || !strings.Contains(w.Body.String(), "being recorded now") {
			t.Errorf("the session being recorded: %d %s", w.Code, w.Body)
		}

		// Two at a time. One that nobody looks at makes room; one that is looked at
		// does not.
		looking, leave := context.WithCancel(t.Context())
		for _, n := range []string{first, second} {
			go s.handler.ServeHTTP(httptest.NewRecorder(), httptest.NewRequestWithContext(looking, "GET", "http://localhost/play/"+n+"/api/v1/live", nil))
		}
		time.Sleep(2 * playLinger)
		if w := status("fourth"); w.Code != http.StatusConflict || !strings.Contains(w.Body.String(), "close the page of one") {
			t.Errorf("a third one: %d %s", w.Code, w.Body)
		}
		leave()
		synctest.Wait()
		w = status("fourth")
		synctest.Wait()
		if w.Code != http.StatusOK || over(first)+over(second) != 1 {
			t.Errorf("when two were left: %d %s; %d ended", w.Code, w.Body, over(first)+over(second))
		}
		time.Sleep(playLinger + time.Second)
		synctest.Wait()
		if over(first) != 1 || over(second) != 1 || over(name("fourth")) != 1 {
			t.Errorf("left alone, %d, %d and %d times ended", over(first), over(second), over(name("fourth")))
		}
		if status("first"); opened[first] != 2 {
			t.Error("it was not opened again")
		}
	})
}
