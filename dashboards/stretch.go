package dashboards

import (
	"context"
	"time"

	"gearwitness/capture"
	"gearwitness/dashboards/board"
	"gearwitness/decode"
)

// Stretch decodes the recording anew from shortly before one time to another and
// hands over the samples in order of time, those from before the first time too,
// so that what still holds there is known. It must be what a whole decode gives.
type Stretch func(ctx context.Context, from, to capture.Stamp, take func([]decode.Sample)) error

// stretchWithin is how long decoding a stretch anew may take, finding the place
// included; who asks gets what the board has then. The longest, board.MaxFine, takes
// half a second of a saturated bus.
const stretchWithin = 5 * time.Second

// finer answers a question about the past out of the recording, where the board
// keeps less than was asked for; false where it does not, or cannot be had.
func (s *Server) finer(ctx context.Context, which []int32, from, to capture.Stamp, points int) (board.History, bool) {
	if s.o.Stretch == nil {
		return board.History{}, false
	}
	f := s.board.Finer(which, from, to, points)
	if f == nil {
		return board.History{}, false
	}
	ctx, cancel := context.WithTimeout(ctx, stretchWithin)
	defer cancel()
	select { // one at a time: it takes at most one processor from a drive
	case s.stretching <- struct{}{}:
		defer func() { <-s.stretching }()
	case <-ctx.Done():
		return board.History{}, false
	}
	if err := s.o.Stretch(ctx, f.From, f.To, f.Take); err != nil {
		s.o.Log.Debug("a stretch of the recording could not be decoded again", "cause", err)
		return board.History{}, false
	}
	return f.History(), true
}
