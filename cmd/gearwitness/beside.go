package main

import (
	"context"
	"log/slog"
	"sync"

	"gearwitness/capture"
	"gearwitness/dashboards"
	"gearwitness/dashboards/board"
	"gearwitness/decode/pipeline"
)

// playBeside opens a session to be played back beside the drive: the daemon of
// `drive --from capture:FOLDER`, without a recording and without a word on the
// terminal.
func playBeside(folder string) (*dashboards.Playing, error) {
	file, err := sessionVehicle(folder)
	if err != nil {
		return nil, err
	}
	chain, err := pipeline.New(file, pipeline.Options{})
	if err != nil {
		return nil, err
	}
	u := capture.URL{Scheme: "capture", Path: folder}
	p, err := newPlayback(file, u)
	if err != nil {
		return nil, err
	}
	d := &daemon{chain: chain, clock: p, source: p, urls: []capture.URL{u}, playback: p, log: slog.New(slog.DiscardHandler)}
	d.board = board.New(board.Options{File: file, Table: chain.Table(), Clock: p, Plan: chain.Plan()})
	if err := d.restart(p.start); err != nil {
		p.Close()
		return nil, err
	}
	return &dashboards.Playing{Board: d.board, Playback: p, Moments: p.moments, Stretch: stretchOf(file, folder), Run: func(ctx context.Context) {
		var ahead sync.WaitGroup
		ahead.Go(func() { p.survey(ctx) })
		// What goes wrong stands on its page, as the state of its source.
		for d.run(ctx) == nil && p.again(ctx) {
		}
		ahead.Wait()
		p.Close()
	}}, nil
}
