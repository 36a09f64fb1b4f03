// Package dashboards serves a running session: it hands the board (package board) to
// browsers (package web), to programs (JSON under /api/v1, server-sent events) and to
// Prometheus (/metrics), and takes in what people enter there.
//
//	server := dashboards.NewServer(dashboards.Options{Board: b, Recorder: rec, Mark: journal.Mark, Version: v})
//	go server.Serve(ctx, listener)
//
// No client is ever waited for. A Server may be used by any number of goroutines.
package dashboards

import (
	"context"
	"crypto/rand"
	"errors"
	"io"
	"log/slog"
	"net"
	"net/http"
	"sync/atomic"
	"time"

	"gearwitness/dashboards/board"
	"gearwitness/dashboards/web"
	"gearwitness/decode"
	"gearwitness/decode/procedure"
)

// Options are what a server needs beside the board.
type Options struct {
	Board *board.Board
	// Recorder tells about the recording; nil: nothing is being recorded.
	Recorder Recorder
	// Mark writes a mark of the user into the session; nil: marks are refused.
	// It must come back soon: a browser waits for it.
	Mark func(text string) error
	// Coach passes on that a procedure is to begin or to stop; nil: they are not
	// begun here. It must come back soon.
	Coach func(procedure.Request) error
	// Readings takes what is read on the bench; nil: nothing does.
	Readings Readings
	// Playback steers the recording that is played back; nil: none is. Moments
	// are then what one can jump to.
	Playback Playback
	Moments  *board.Moments
	// Stretch decodes the recording anew where a page zooms in deeper than the
	// board remembers; nil: it shows what the board has.
	Stretch Stretch
	// Session keeps who, what and why of the session being recorded; nil: none is.
	Session Describer
	// Sessions are those recorded before; nil: they are not shown.
	Sessions *Sessions
	// Version of the program, shown on the page and in gearwitness_build_info.
	Version string
	// Token that every client must present; needed for anything but loopback.
	Token string
	// Hosts are further names this server may be called by. Loopback names,
	// and with a token IP addresses, are always good.
	Hosts []string
	Log   *slog.Logger // nil: nothing is logged
}

// Recorder is what the server wants to know of a recording. Recording is
// called a few times a second from many goroutines and must not wait.
type Recorder interface {
	Recording() Recording
}

// Recording is the state of a recording.
type Recording struct {
	Folder string // where the session is
	Bytes  uint64 // written so far
	Frames uint64 // written so far
	Lost   uint64 // frames that could not be written
	Sealed bool   // complete: nothing more will be written
	// Warning is what the user should do soon, such as making room on the disk;
	// empty when there is nothing.
	Warning string
	Err     error // why the disk does not take the recording; nil while it does
}

// Server hands the board to browsers, programs and Prometheus.
type Server struct {
	o        Options
	board    *board.Board
	instance string
	handler  http.Handler
	work     work
	plays    *plays // sessions played back beside the drive
	// stretching holds a word while a stretch is decoded anew.
	stretching chan struct{}
	streams    atomic.Int64  // live streams open
	skipped    atomic.Uint64 // updates that slow clients did not take
}

// NewServer returns a server; nothing listens yet.
func NewServer(o Options) *Server {
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	s := &Server{o: o, board: o.Board, instance: rand.Text(), stretching: make(chan struct{}, 1), plays: newPlays()}
	about := vehicle(o.Board.File(), o.Board.Table())
	mux := http.NewServeMux()
	mux.Handle("/", web.Handler())
	mux.HandleFunc("GET /healthz", s.health)
	mux.Handle("GET /metrics", s.metrics())
	mux.HandleFunc("GET /api/v1/status", func(w http.ResponseWriter, _ *http.Request) { reply(w, s.status()) })
	mux.HandleFunc("GET /api/v1/vehicle", func(w http.ResponseWriter, _ *http.Request) { reply(w, about) })
	mux.HandleFunc("GET /api/v1/signals", func(w http.ResponseWriter, _ *http.Request) {
		reply(w, SignalList{Signals: signalList(s.board), Units: displays})
	})
	mux.HandleFunc("GET /api/v1/bus", s.busHandler)
	mux.HandleFunc("GET /api/v1/bus/related", s.relatedHandler)
	mux.HandleFunc("GET /api/v1/live", s.live)
	mux.HandleFunc("GET /api/v1/history", s.historyHandler)
	mux.HandleFunc("GET /api/v1/events", s.eventsHandler(""))
	mux.HandleFunc("GET /api/v1/shifts", s.eventsHandler(decode.KindShift))
	mux.HandleFunc("GET /api/v1/alarms", s.eventsHandler(decode.KindAlarm))
	mux.HandleFunc("GET /api/v1/marks", s.eventsHandler(decode.KindMark))
	mux.HandleFunc("POST /api/v1/marks", s.markHandler)
	mux.HandleFunc("GET /api/v1/playback", s.playbackHandler)
	mux.HandleFunc("POST /api/v1/playback", s.steerHandler)
	mux.HandleFunc("GET /api/v1/playback/moments", s.momentsHandler)
	mux.HandleFunc("GET /api/v1/session", s.detailsHandler)
	mux.HandleFunc("PATCH /api/v1/session", s.describeHandler)
	s.procedureRoutes(mux)
	s.sessionRoutes(mux)
	mux.HandleFunc("/api/", func(w http.ResponseWriter, _ *http.Request) {
		refuse(w, http.StatusNotFound, "there is nothing at this address for this method; DEVELOPERS.md lists the addresses of this server")
	})
	s.handler = s.guard(mux)
	return s
}

// health answers 200 while the session is in good hands, and 503 with the
// reason once frames are no longer being written.
func (s *Server) health(w http.ResponseWriter, _ *http.Request) {
	w.Header().Set("Content-Type", "text/plain; charset=utf-8")
	w.Header().Set("Cache-Control", "no-store")
	if r := s.recording(); r.State == "failed" {
		w.WriteHeader(http.StatusServiceUnavailable)
		io.WriteString(w, r.Text+"\n")
		return
	}
	io.WriteString(w, "ok\n")
}

// Handler returns everything this server answers, checks of Host, Origin and
// token included.
func (s *Server) Handler() http.Handler { return s.handler }

// ErrOpen is returned by Serve for a listener that others can reach when there
// is no token.
var ErrOpen = errors.New("other machines could reach this address; give --token TEXT that they must present, or listen on 127.0.0.1")

// Serve answers on l until ctx ends, then closes l and every connection. It
// returns nil after a regular end.
func (s *Server) Serve(ctx context.Context, l net.Listener) error {
	if a, ok := l.Addr().(*net.TCPAddr); ok && !a.IP.IsLoopback() && s.o.Token == "" {
		l.Close()
		return ErrOpen
	}
	h := &http.Server{
		Handler:           s.handler,
		BaseContext:       func(net.Listener) context.Context { return ctx },
		ReadHeaderTimeout: 5 * time.Second,
		ReadTimeout:       10 * time.Second,
		WriteTimeout:      30 * time.Second, // a live stream sets its own
		IdleTimeout:       2 * time.Minute,
		MaxHeaderBytes:    16 << 10,
		ErrorLog:          slog.NewLogLogger(s.o.Log.Handler(), slog.LevelDebug),
	}
	done := make(chan struct{})
	stop := context.AfterFunc(ctx, func() {
		defer close(done)
		// Live streams end with ctx; whatever else is under way gets a moment.
		c, cancel := context.WithTimeout(context.WithoutCancel(ctx), time.Second)
		defer cancel()
		if h.Shutdown(c) != nil {
			h.Close()
		}
	})
	err := h.Serve(l)
	if !stop() {
		<-done
	}
	s.plays.close()
	if errors.Is(err, http.ErrServerClosed) {
		return nil
	}
	return err
}
