package archive

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"runtime"
	"sync"
	"time"

	"gearwitness/capture"
	"gearwitness/capture/pcapng"
)

// Options steer a recording; the zero value is good.
type Options struct {
	FS    FS            // nil: the real file system
	Clock capture.Clock // stamps the recorder's own journal entries; nil: the time of the last frame

	MaxFile   int64  // bytes after which a new capture file begins; 0: 1 GiB
	MaxMemory int64  // bytes kept while the disk does not take them; 0: 64 MiB
	LowSpace  uint64 // free bytes below which Status.Low is set; 0: 1 GiB

	// OnStatus is called when something changes that a user must know: the
	// disk failed or took up again, frames were lost, space runs out. It is
	// called from the writing goroutine and must come back soon.
	OnStatus func(Status)

	look func(began time.Time) clocks // nil: at those of this machine
}

// syncEvery is how much a power failure may cost.
const syncEvery = time.Second

// chunkSize is how much is collected before it is handed to the file.
const chunkSize = 64 << 10

// journalMemory bounds journal entries that wait for the disk, beside
// MaxMemory, so that a full queue of frames can still be written down.
const journalMemory = 4 << 20

// lowTime is how far ahead a full disk is announced.
const lowTime = 30 * time.Minute

// Status is the state of a recording.
type Status struct {
	Dir      string
	Files    int           // capture files begun
	Bytes    int64         // of capture files, safely on disk
	Frames   uint64        // frames and lines accepted
	Synced   uint64        // of those, safely on disk
	Lost     uint64        // frames and lines that did not fit while the disk failed
	Waiting  int64         // bytes in memory, not yet safely on disk
	LastSync time.Time     // when everything was last safely on disk
	Free     uint64        // bytes left on the disk, 0 when unknown
	Full     time.Duration // time until the disk is full at the present rate, 0 when unknown or far
	Low      bool          // Free or Full is below its limit
	Err      error         // why the disk does not take what it is given; nil while it does
}

// Session is a session being recorded. All methods may be called from any
// goroutine.
type Session struct {
	dir string
	fs  FS
	o   Options

	mu       sync.Mutex
	info     info
	enc      *pcapng.Encoder
	frames   *chunk   // being filled with packets
	journal  *chunk   // being filled with entries
	file     int      // number of the capture file being filled
	fileSize int64    // bytes encoded into it
	queue    []*chunk // full, in order, for the writer to fetch
	spare    []*chunk // empty, for use again
	waiting  int64    // bytes of frame chunks not yet on disk
	entries  int64    // bytes of journal chunks not yet on disk
	lastTime capture.Stamp
	losses   map[lossKey]*lossSum
	dropped  uint64 // journal entries that did not fit
	status   Status
	edited   bool // bag-info.txt is to be written again
	closed   bool
	closeErr error

	unlock func()

	wake chan struct{}
	stop chan struct{}
	done chan struct{}

	// Only the writing goroutine touches these.
	tails  []*tail
	said   Status // as last told to OnStatus
	ticks  int
	pastAt time.Time
	past   int64
	began  time.Time
	clocks clocks
}

// chunk is a stretch of one file that waits for the disk.
type chunk struct {
	file  int // capture file number, 0: the journal
	data  []byte
	count uint64 // frames and lines in it
	last  bool   // the file ends here
}

type lossKey struct {
	channel uint8
	reason  string
}

// lossSum adds up losses so that a bad minute is a few entries and not a
// million.
type lossSum struct {
	first, last capture.Stamp
	count       uint64
	detail      string
}

// Create begins a session in a new folder below root, named after the wall
// clock and the title, and starts recording. vehicle is the vehicle file as
// resolved; it may be empty.
func Create(root string, m Meta, vehicle []byte, o Options) (*Session, error) {
	if o.FS == nil {
		o.FS = OS{}
	}
	if o.MaxFile <= 0 {
		o.MaxFile = 1 << 30
	}
	if o.MaxMemory <= 0 {
		o.MaxMemory = 64 << 20
	}
	if o.LowSpace == 0 {
		o.LowSpace = 1 << 30
	}
	if m.Started.IsZero() {
		m.Started = time.Now()
	}
	m.Started, m.Ended = m.Started.Round(0), time.Time{}
	s := &Session{
		fs: o.FS, o: o, info: info{format: Format, meta: m},
		enc:    pcapng.NewEncoder(pcapng.Header{OS: runtime.GOOS + "/" + runtime.GOARCH, Application: m.Software}),
		losses: map[lossKey]*lossSum{},
		wake:   make(chan struct{}, 1), stop: make(chan struct{}), done: make(chan struct{}),
		pastAt: time.Now(), began: time.Now(),
	}
	if s.o.look == nil {
		s.o.look = lookAtClocks
	}
	s.clocks = s.o.look(s.began)
	if err := s.makeFolder(root, folderName(m)); err != nil {
		return nil, fmt.Errorf("%s: a session cannot be begun here: %w; choose another folder for sessions or make room", root, plain(err))
	}
	unlock, err := s.fs.Lock(filepath.Join(s.dir, lockName))
	if err == nil {
		s.unlock = unlock
		if err = s.writeTags(vehicle); err != nil {
			unlock()
		}
	}
	if err != nil {
		return nil, fmt.Errorf("%s: a session cannot be begun here: %w; choose another folder for sessions or make room", s.dir, plain(err))
	}
	s.status.Dir = s.dir
	s.said = s.status
	s.beginFile()
	s.frames.data = s.enc.AppendBatch(s.frames.data, &capture.Batch{}) // a session without frames has a file all the same
	s.waiting = int64(len(s.frames.data))
	s.Journal(KindStart, s.now(), map[string]string{"wall": stampText(m.Started), "software": m.Software})
	go s.run()
	return s, nil
}

func (s *Session) makeFolder(root, name string) error {
	if err := s.fs.MkdirAll(root); err != nil {
		return err
	}
	dir := filepath.Join(root, name)
	err := s.fs.Mkdir(dir)
	for n := 2; errors.Is(err, fs.ErrExist) && n < 1000; n++ {
		dir = filepath.Join(root, fmt.Sprintf("%s-%d", name, n))
		err = s.fs.Mkdir(dir)
	}
	if err == nil {
		err = s.fs.Mkdir(filepath.Join(dir, dataDir))
	}
	if err == nil {
		err = s.fs.SyncDir(root)
	}
	s.dir = dir
	return err
}

func (s *Session) writeTags(vehicle []byte) error {
	for _, f := range []struct {
		name string
		data []byte
	}{{bagitName, []byte(bagitText)}, {infoName, s.info.encode()}, {vehiclePath, vehicle}} {
		if f.data == nil {
			continue
		}
		if err := writeBytes(s.fs, filepath.Join(s.dir, f.name), f.data); err != nil {
			return err
		}
	}
	return nil
}

// Dir returns the session's folder.
func (s *Session) Dir() string { return s.dir }

func (s *Session) now() capture.Stamp {
	if s.o.Clock != nil {
		return s.o.Clock.Now()
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.lastTime
}

// Record takes a copy of everything in the batch and returns at once. Losses
// and notes of the batch go into the journal. What does not fit into memory,
// because the disk has been failing for long, is counted in Status.Lost and
// written down in the file and the journal.
func (s *Session) Record(b *capture.Batch) {
	s.mu.Lock()
	defer s.mu.Unlock()
	n := uint64(len(b.Frames) + len(b.Lines))
	if s.closed {
		s.status.Lost += n
		return
	}
	if k := len(b.Frames); k > 0 {
		s.lastTime = max(s.lastTime, b.Frames[k-1].Time)
	}
	if k := len(b.Lines); k > 0 {
		s.lastTime = max(s.lastTime, b.Lines[k-1].Time)
	}
	for i := range b.Losses {
		l := &b.Losses[i]
		s.lose(l.Channel, l.Reason, l.Time, l.Time, l.Count, l.Detail)
	}
	for i := range b.Notes {
		note := &b.Notes[i]
		s.entry("note", note.Time, struct {
			Channel string `json:"channel,omitempty"`
			Note    string `json:"note"`
			Text    string `json:"text"`
		}{s.channelName(b.Channels, note.Channel), note.Kind, note.Text})
	}
	s.enc.Describe(b.Channels)
	if n == 0 && len(b.Losses) == 0 {
		return
	}
	if s.waiting+batchSize(b) > s.o.MaxMemory {
		s.refuse(b)
		return
	}
	c := s.frames
	before := len(c.data)
	c.data = s.enc.AppendBatch(c.data, b)
	c.count += n
	grown := int64(len(c.data) - before)
	s.waiting += grown
	s.fileSize += grown
	s.status.Frames += n
	if s.fileSize >= s.o.MaxFile {
		s.endFile()
		s.beginFile()
		s.entry(KindFile, s.lastTime, map[string]string{"file": capturePath(s.file), "text": "a new capture file begins, for the one before has reached its size"})
	} else if len(c.data) >= chunkSize {
		s.frames = s.push(c)
	}
}

// batchSize reckons how much a batch will take, never too little by much.
func batchSize(b *capture.Batch) int64 {
	n := int64(len(b.Frames)) * 48
	for i := range b.Frames {
		if b.Frames[i].Len > 8 {
			n += 64
		}
	}
	for i := range b.Lines {
		n += 40 + int64(len(b.Lines[i].Text))
	}
	return n
}

// refuse counts what does not fit.
func (s *Session) refuse(b *capture.Batch) {
	reason := capture.ReasonQueue
	if s.status.Err != nil {
		reason = capture.ReasonDisk
	}
	count := func(channel uint8, t capture.Stamp) {
		s.status.Lost++
		s.enc.Lost(channel, reason, 1)
		s.lose(channel, reason, t, t, 1, "the disk did not take them and memory was full")
	}
	for i := range b.Losses {
		s.enc.Lost(b.Losses[i].Channel, b.Losses[i].Reason, b.Losses[i].Count)
	}
	for i := range b.Frames {
		count(b.Frames[i].Bus, b.Frames[i].Time)
	}
	for i := range b.Lines {
		count(b.Lines[i].Port, b.Lines[i].Time)
	}
}

// lose adds to the losses that the next tick writes into the journal.
func (s *Session) lose(channel uint8, reason string, first, last capture.Stamp, n uint64, detail string) {
	k := lossKey{channel, reason}
	l := s.losses[k]
	if l == nil {
		if len(s.losses) >= 4096 {
			return
		}
		l = &lossSum{first: first, detail: detail}
		s.losses[k] = l
	}
	l.count += n
	l.last = last
}

func (s *Session) channelName(channels []capture.Channel, i uint8) string {
	if int(i) < len(channels) {
		return channels[i].Name
	}
	return ""
}

// writeLosses puts the losses collected since the last tick into the journal.
func (s *Session) writeLosses() {
	for k, l := range s.losses {
		s.entry(KindLoss, l.first, struct {
			Channel string  `json:"channel"`
			Reason  string  `json:"reason"`
			Count   uint64  `json:"count"`
			Until   seconds `json:"until_s"`
			Detail  string  `json:"detail,omitempty"`
		}{s.enc.ChannelName(k.channel), k.reason, l.count, seconds(l.last), l.detail})
	}
	clear(s.losses)
}

// seconds is a stamp that marshals as exact decimal seconds.
type seconds capture.Stamp

// MarshalJSON writes the seconds without rounding.
func (t seconds) MarshalJSON() ([]byte, error) { return appendSeconds(nil, capture.Stamp(t)), nil }

// Journal adds an entry: time_s, kind, and the members of fields, which must
// marshal to a JSON object or be nil. It returns at once; the error is about
// fields alone.
func (s *Session) Journal(kind string, t capture.Stamp, fields any) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.entry(kind, t, fields)
}

// Mark adds the user's remark.
func (s *Session) Mark(t capture.Stamp, text string) error {
	return s.Journal(KindMark, t, map[string]string{"text": text})
}

// Describe changes who, what and why; the file follows within a second. The
// times stay. The journal keeps what stood there before, as it does after the end.
func (s *Session) Describe(change func(*Meta)) {
	now := s.now()
	s.mu.Lock()
	defer s.mu.Unlock()
	before := s.info.meta
	s.info.edit(change)
	changed := corrections(&before, &s.info.meta)
	if len(changed) == 0 {
		return
	}
	s.entry(KindCorrection, now, correctionEntry(time.Now(), changed))
	s.edited = true
}

// Meta returns who, what and why.
func (s *Session) Meta() Meta {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.info.meta
}

func (s *Session) entry(kind string, t capture.Stamp, fields any) error {
	if s.closed {
		return fmt.Errorf("%s: the session is closed; the entry %q was not written", s.dir, kind)
	}
	if s.journal == nil {
		s.journal = s.chunk(0)
	}
	c := s.journal
	before := len(c.data)
	if s.dropped > 0 && s.entries < journalMemory/2 {
		c.data, _ = appendEntry(c.data, KindLoss, t, map[string]any{"reason": capture.ReasonDisk, "entries": s.dropped,
			"detail": "journal entries that did not fit while the disk failed"})
		s.dropped = 0
	}
	var err error
	c.data, err = appendEntry(c.data, kind, t, fields)
	if s.entries+int64(len(c.data)-before) > journalMemory {
		c.data = c.data[:before]
		s.dropped++
	}
	s.entries += int64(len(c.data) - before)
	if len(c.data) >= chunkSize {
		s.journal = s.push(c)
	}
	return err
}

// beginFile starts the next capture file.
func (s *Session) beginFile() {
	s.file++
	s.status.Files = s.file
	s.fileSize = 0
	s.frames = s.chunk(s.file)
}

// endFile closes the capture file being filled with its statistics.
func (s *Session) endFile() {
	before := len(s.frames.data)
	s.frames.data = s.enc.AppendEnd(s.frames.data, s.lastTime)
	s.waiting += int64(len(s.frames.data) - before)
	s.frames.last = true
	s.push(s.frames)
	s.frames = nil
}

func (s *Session) chunk(file int) *chunk {
	if n := len(s.spare); n > 0 {
		c := s.spare[n-1]
		s.spare = s.spare[:n-1]
		*c = chunk{file: file, data: c.data[:0]}
		return c
	}
	return &chunk{file: file, data: make([]byte, 0, 2*chunkSize)}
}

// push hands a chunk to the writer and returns a new one for the same file.
func (s *Session) push(c *chunk) *chunk {
	s.queue = append(s.queue, c)
	select {
	case s.wake <- struct{}{}:
	default:
	}
	return s.chunk(c.file)
}

// Status returns the state of the recording.
func (s *Session) Status() Status {
	s.mu.Lock()
	defer s.mu.Unlock()
	st := s.status
	st.Waiting = s.waiting + s.entries
	return st
}

// Close ends the recording: statistics, the journal's last entry, a last sync.
// The error says what could not be written; frames that were accepted before
// and synced are safe whatever it says.
func (s *Session) Close() error {
	end := s.now()
	s.mu.Lock()
	if s.closed {
		s.mu.Unlock()
		<-s.done
		return s.closeErr
	}
	s.writeLosses()
	s.endFile()
	s.info.meta.Ended = time.Now().Round(0)
	s.edited = true
	s.entry(KindEnd, end, map[string]any{"wall": stampText(s.info.meta.Ended), "frames": s.status.Frames, "lost": s.status.Lost})
	s.closed = true
	s.mu.Unlock()
	close(s.stop)
	<-s.done
	return s.closeErr
}

// run is the writing goroutine.
func (s *Session) run() {
	defer close(s.done)
	defer s.unlock()
	tick := time.NewTicker(syncEvery)
	defer tick.Stop()
	s.space()
	for {
		select {
		case <-s.wake:
			s.fetch(false)
			// While the disk fails it is asked again once a tick and not at
			// every batch.
			switch st := s.Status(); {
			case st.Err != nil:
			case st.Waiting > s.o.MaxMemory/4:
				s.flush() // faster than any bus: do not wait for the tick
			default:
				s.write()
			}
		case <-tick.C:
			s.tick()
		case <-s.stop:
			s.finish()
			return
		}
	}
}

// tick makes everything recorded so far safe.
func (s *Session) tick() {
	now := s.o.look(s.began)
	ev := compareClocks(s.clocks, now)
	s.clocks = now
	stamp := s.now()
	s.mu.Lock()
	s.writeLosses()
	if ev != nil {
		s.entry(KindClock, stamp, ev)
	}
	s.mu.Unlock()
	s.fetch(true)
	s.flush()
	if s.ticks++; s.ticks%10 == 0 {
		s.space()
	}
	s.tell()
}

// fetch takes over what Record and Journal have collected; all also takes
// chunks that are not full.
func (s *Session) fetch(all bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if all {
		if s.journal != nil && len(s.journal.data) > 0 {
			s.journal = s.push(s.journal)
		}
		if s.frames != nil && len(s.frames.data) > 0 {
			s.frames = s.push(s.frames)
		}
	}
	for _, c := range s.queue {
		s.tail(c.file).keep(c)
	}
	clear(s.queue)
	s.queue = s.queue[:0]
}

// tail returns the tail of a file, the journal first in order.
func (s *Session) tail(file int) *tail {
	for _, t := range s.tails {
		if t.file == file {
			return t
		}
	}
	path := journalPath
	if file > 0 {
		path = capturePath(file)
	}
	t := &tail{file: file, path: filepath.Join(s.dir, path)}
	s.tails = append(s.tails, t)
	return t
}

// write hands to the files what they have not got yet.
func (s *Session) write() error {
	for _, t := range s.tails {
		if err := t.write(s.fs); err != nil {
			s.failed(err)
			return err
		}
	}
	return nil
}

// flush writes and syncs everything and gives the memory back.
func (s *Session) flush() error {
	if err := s.write(); err != nil {
		return err
	}
	for i := 0; i < len(s.tails); {
		t := s.tails[i]
		freed, err := t.sync(s.fs)
		s.release(t, freed)
		if err != nil {
			s.failed(err)
			return err
		}
		if t.over {
			s.tails = append(s.tails[:i], s.tails[i+1:]...)
			continue
		}
		i++
	}
	if err := s.writeInfo(); err != nil {
		s.failed(err)
		return err
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.status.Err != nil {
		s.entry(KindDisk, s.lastTime, map[string]any{"text": "the disk takes data again", "lost": s.status.Lost})
		s.status.Err = nil
	}
	s.status.LastSync = time.Now()
	return nil
}

// writeInfo writes bag-info.txt if it has been changed.
func (s *Session) writeInfo() error {
	s.mu.Lock()
	data, edited := s.info.encode(), s.edited
	s.edited = false
	s.mu.Unlock()
	if !edited {
		return nil
	}
	err := writeBytes(s.fs, filepath.Join(s.dir, infoName), data)
	if err != nil {
		s.mu.Lock()
		s.edited = true
		s.mu.Unlock()
	}
	return err
}

// release takes chunks back that are safely on disk.
func (s *Session) release(t *tail, freed []*chunk) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, c := range freed {
		n := int64(len(c.data))
		if c.file == 0 {
			s.entries -= n
		} else {
			s.waiting -= n
			s.status.Bytes += n
			s.status.Synced += c.count
		}
		if len(s.spare) < 32 && cap(c.data) <= 4*chunkSize {
			s.spare = append(s.spare, c)
		}
	}
}

// failed remembers why the disk does not take data.
func (s *Session) failed(err error) {
	err = plain(err)
	s.mu.Lock()
	if s.status.Err == nil {
		s.entry(KindDisk, s.lastTime, map[string]any{"text": "the disk does not take data: " + err.Error()})
	}
	s.status.Err = err
	s.mu.Unlock()
	s.tell()
}

// tell calls OnStatus if something changed that a user must know.
func (s *Session) tell() {
	st := s.Status()
	changed := (st.Err == nil) != (s.said.Err == nil) || st.Lost != s.said.Lost || st.Low != s.said.Low
	if !changed {
		return
	}
	s.said = st
	if s.o.OnStatus != nil {
		s.o.OnStatus(st)
	}
}

// space looks how long the disk will last.
func (s *Session) space() {
	free, err := s.fs.Free(s.dir)
	now, at := time.Now(), s.now()
	s.mu.Lock()
	defer s.mu.Unlock()
	if err != nil {
		return
	}
	st := &s.status
	st.Free = free
	st.Full = 0
	if took := now.Sub(s.pastAt); took > 0 && st.Bytes > s.past {
		rate := float64(st.Bytes-s.past) / took.Seconds()
		if left := float64(free) / rate; left < 365*24*3600 {
			st.Full = time.Duration(left * float64(time.Second))
		}
	}
	s.pastAt, s.past = now, st.Bytes
	low := free < s.o.LowSpace || st.Full > 0 && st.Full < lowTime
	if low && !st.Low {
		filling := map[string]any{"text": "the disk is filling up", "free_bytes": free}
		if st.Full > 0 {
			filling["full_in_s"] = int64(st.Full.Seconds())
		}
		s.entry(KindDisk, at, filling)
	} else if !low && st.Low {
		s.entry(KindDisk, at, map[string]any{"text": "there is room on the disk again", "free_bytes": free})
	}
	st.Low = low
}

// finish writes what is left and completes bag-info.txt.
func (s *Session) finish() {
	var err error
	for try := range 3 {
		if try > 0 {
			time.Sleep(100 * time.Millisecond)
		}
		s.fetch(true)
		if err = s.flush(); err == nil {
			break
		}
	}
	for _, t := range s.tails {
		t.close()
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if err != nil {
		missing := s.status.Frames - s.status.Synced
		err = plain(err)
		s.closeErr = fmt.Errorf("%s: the session could not be completed: %w; %d frames at its end are not safely on disk", s.dir, err, missing)
	}
	s.status.Err = err
}

// plain takes the program's words off an error of the operating system: which
// file and why, without the name of the call.
func plain(err error) error {
	var p *fs.PathError
	var l *os.LinkError
	switch {
	case errors.As(err, &p):
		return fmt.Errorf("%s: %w", p.Path, p.Err)
	case errors.As(err, &l):
		return fmt.Errorf("%s: %w", l.New, l.Err)
	}
	return err
}

func errTooLarge(max int64) error { return fmt.Errorf("larger than the %d bytes allowed", max) }
