package port

import (
	"bytes"
	"context"
	"io"
	"os"
	"sync"

	"gearwitness/capture"
)

// Limits of a Reader.
const (
	// QueueBytes holds over 17 s of a saturated 1 Mbit/s bus as text lines
	// (9,000 frames of 27 bytes a second).
	QueueBytes = 4 << 20
	queueMarks = QueueBytes / 16
	readBytes  = 16 << 10
)

// Mark ends one stretch of a Block: bytes that came with one read.
type Mark struct {
	End  int           // index of the first byte of Block.Data behind the stretch
	Time capture.Stamp // when the read returned
	Lost int           // lines lost behind the stretch because the queue was full; at least 1 where bytes are missing
}

// Block is what arrived since the last one.
type Block struct {
	Data  []byte
	Marks []Mark
}

// Reader reads a stream in a goroutine of its own, as fast as it comes, so that
// nothing piles up in the system's small buffers, and stamps each read at once.
type Reader struct {
	ready chan struct{} // something is in the queue, or the stream has ended
	space chan struct{} // the queue was emptied
	stop  chan struct{}
	done  chan struct{}

	mu    sync.Mutex
	queue Block
	woken bool
	err   error

	out Block // handed to the caller
}

// NewReader starts reading r. When the queue of QueueBytes is full, what comes
// is dropped and its lines are counted; with hold, reading waits instead, which
// suits a stream that can be held back without loss, such as a pipe within this
// program. Whoever closes r ends the goroutine; Close awaits that.
func NewReader(r io.Reader, clock capture.Clock, hold bool) *Reader {
	q := &Reader{
		ready: make(chan struct{}, 1),
		space: make(chan struct{}, 1),
		stop:  make(chan struct{}),
		done:  make(chan struct{}),
	}
	go q.run(r, clock, hold)
	return q
}

func (q *Reader) run(r io.Reader, clock capture.Clock, hold bool) {
	defer close(q.done)
	buf := make([]byte, readBytes)
	for {
		n, err := r.Read(buf)
		now := clock.Now()
		for n > 0 && !q.put(buf[:n], now, hold) {
			select {
			case <-q.space:
			case <-q.stop:
				n = 0
			}
		}
		if err != nil {
			q.mu.Lock()
			q.err = err
			q.mu.Unlock()
			signal(q.ready)
			return
		}
	}
}

// put queues p and reports false when there is no room and the caller should
// wait for it.
func (q *Reader) put(p []byte, now capture.Stamp, hold bool) bool {
	q.mu.Lock()
	defer q.mu.Unlock()
	marks := q.queue.Marks
	last := len(marks) - 1
	if len(q.queue.Data)+len(p) > QueueBytes || len(marks) >= queueMarks {
		if hold {
			return false
		}
		// Instruments end lines with CR, LF or both.
		lost := max(bytes.Count(p, []byte{'\r'}), bytes.Count(p, []byte{'\n'}))
		if marks[last].Lost == 0 {
			lost++ // the line that the gap cuts in two
		}
		marks[last].Lost += lost
		return true
	}
	q.queue.Data = append(q.queue.Data, p...)
	if last >= 0 && marks[last].Time == now && marks[last].Lost == 0 {
		marks[last].End = len(q.queue.Data)
	} else {
		q.queue.Marks = append(marks, Mark{End: len(q.queue.Data), Time: now})
	}
	signal(q.ready)
	return true
}

func signal(c chan struct{}) {
	select {
	case c <- struct{}{}:
	default:
	}
}

// Next waits for bytes and returns all there are; they are the caller's until
// it calls Next again. At the end of the stream it returns the error that ended
// it, io.EOF for a regular end, and after Close os.ErrClosed.
func (q *Reader) Next(ctx context.Context) (Block, error) {
	for {
		q.mu.Lock()
		if len(q.queue.Data) > 0 {
			q.queue, q.out = Block{Data: q.out.Data[:0], Marks: q.out.Marks[:0]}, q.queue
			q.mu.Unlock()
			signal(q.space)
			return q.out, nil
		}
		err, woken := q.err, q.woken
		q.woken = false
		q.mu.Unlock()
		if err != nil || woken {
			return Block{}, err
		}
		select {
		case <-q.ready:
		case <-ctx.Done():
			return Block{}, ctx.Err()
		case <-q.stop:
			return Block{}, os.ErrClosed
		}
	}
}

// Wake lets a waiting Next, or the next one, return without bytes.
func (q *Reader) Wake() {
	q.mu.Lock()
	q.woken = true
	q.mu.Unlock()
	signal(q.ready)
}

// Close lets a waiting Next return and awaits the end of reading: close the
// stream first. It may be called once.
func (q *Reader) Close() {
	close(q.stop)
	<-q.done
}
