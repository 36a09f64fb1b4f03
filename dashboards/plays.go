package dashboards

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"path/filepath"
	"strings"
	"sync"
	"time"

	"gearwitness/dashboards/board"
)

// Playing is a session of the archive that is played back beside the drive, on a
// board of its own: nothing of it touches what is being recorded.
type Playing struct {
	Board    *board.Board
	Playback Playback
	Moments  *board.Moments
	Stretch  Stretch
	Run      func(ctx context.Context) // plays it until ctx ends
}

const (
	// maxPlays is how many sessions are played back at a time: each may take a
	// processor when it is played as fast as it can be read.
	maxPlays = 2
	// playLinger is how long a playback outlives the last page that shows it, so
	// that one can reload the page.
	playLinger = time.Minute
)

// plays are the sessions played back beside the drive. Each has the page and
// the API at /play/NAME/, and ends by itself once nobody looks at it.
type plays struct {
	ctx     context.Context // ends with the server
	end     context.CancelFunc
	mu      sync.Mutex
	open    map[string]*play
	running sync.WaitGroup
}

// play is one of them.
type play struct {
	handler http.Handler
	end     context.CancelFunc
	busy    int // requests under way, live streams among them
	idle    *time.Timer
}

func newPlays() *plays {
	p := &plays{open: make(map[string]*play)}
	p.ctx, p.end = context.WithCancel(context.Background())
	return p
}

// close ends all of them and waits until they have.
func (p *plays) close() {
	p.end()
	p.running.Wait()
}

// playHandler serves /play/NAME/ and what is below.
func (s *Server) playHandler(w http.ResponseWriter, r *http.Request) {
	name := r.PathValue("name")
	p, err := s.play(name)
	if err != nil {
		if strings.Contains(r.URL.Path, "/api/") {
			refuse(w, http.StatusConflict, err.Error())
		} else {
			http.Error(w, board.Sentence("this session cannot be played back: "+err.Error(), ""), http.StatusConflict)
		}
		return
	}
	defer s.plays.left(p)
	http.StripPrefix("/play/"+name, p.handler).ServeHTTP(w, r)
}

// play returns the playback of a session, begun if there is none; who gets it
// says when it is left.
func (s *Server) play(name string) (*play, error) {
	folder, err := s.sessionFolder(name)
	switch {
	case err != nil:
		return nil, err
	case s.o.Sessions.Play == nil:
		return nil, errors.New("this program cannot play sessions back beside a drive")
	case name == s.recordingNow():
		return nil, errors.New("it is being recorded now; the page of the drive shows it, and its graphs go back to the beginning")
	}
	all := s.plays
	all.mu.Lock()
	defer all.mu.Unlock()
	if p := all.open[name]; p != nil {
		p.busy++
		p.idle.Stop()
		return p, nil
	}
	if all.ctx.Err() != nil {
		return nil, errors.New("the program is ending")
	}
	if len(all.open) == maxPlays {
		// One that nobody looks at any more makes room.
		for other, p := range all.open {
			if p.busy == 0 {
				all.drop(other, p)
				break
			}
		}
		if len(all.open) == maxPlays {
			return nil, fmt.Errorf("%d sessions are being played back already; close the page of one of them", maxPlays)
		}
	}
	what, err := s.o.Sessions.Play(folder)
	if err != nil {
		return nil, err
	}
	ctx, end := context.WithCancel(all.ctx)
	p := &play{end: end, busy: 1, handler: NewServer(Options{
		Board: what.Board, Playback: what.Playback, Moments: what.Moments, Stretch: what.Stretch,
		Version: s.o.Version, Token: s.o.Token, Hosts: s.o.Hosts, Log: s.o.Log,
	}).handler}
	p.idle = time.AfterFunc(playLinger, func() {
		all.mu.Lock()
		defer all.mu.Unlock()
		if p.busy == 0 && all.open[name] == p {
			all.drop(name, p)
		}
	})
	p.idle.Stop()
	all.open[name] = p
	all.running.Go(func() { what.Run(ctx) })
	s.o.Log.Info("a session is played back beside the drive", "session", filepath.Base(folder))
	return p, nil
}

// drop ends a playback; all is locked.
func (all *plays) drop(name string, p *play) {
	p.idle.Stop()
	p.end()
	delete(all.open, name)
}

// left says that a request has been answered.
func (all *plays) left(p *play) {
	all.mu.Lock()
	defer all.mu.Unlock()
	if p.busy--; p.busy == 0 {
		p.idle.Reset(playLinger)
	}
}
