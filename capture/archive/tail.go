package archive

import "path/filepath"

// tail is a file that only grows, and the bytes of it that the disk has not
// confirmed. They are kept until a sync has succeeded: after a failed sync a
// kernel may drop what it had taken and report the next sync as good, so
// everything since the last good one is written again, at the same place.
type tail struct {
	file    int // capture file number, 0: the journal
	path    string
	f       File
	named   bool     // the file's name has survived a sync of its folder
	chunks  []*chunk // from synced on
	synced  int64    // bytes known to be on disk
	written int      // chunks handed to the file since
	at      int64    // bytes handed to the file
	over    bool     // complete and closed
}

func (t *tail) keep(c *chunk) { t.chunks = append(t.chunks, c) }

// write hands over the chunks that the file has not got.
func (t *tail) write(fsys FS) error {
	if t.written == len(t.chunks) {
		return nil
	}
	if t.f == nil {
		f, err := fsys.OpenWrite(t.path)
		if err != nil {
			return err
		}
		t.f, t.written, t.at = f, 0, t.synced
	}
	for ; t.written < len(t.chunks); t.written++ {
		data := t.chunks[t.written].data
		if _, err := t.f.WriteAt(data, t.at); err != nil {
			t.close()
			return err
		}
		t.at += int64(len(data))
	}
	return nil
}

// sync makes what was written safe and returns the chunks that need not be
// kept any longer.
func (t *tail) sync(fsys FS) ([]*chunk, error) {
	if t.f == nil || t.written == 0 {
		return nil, nil
	}
	if err := t.f.Sync(); err != nil {
		t.close()
		return nil, err
	}
	if !t.named {
		if err := fsys.SyncDir(filepath.Dir(t.path)); err != nil {
			t.close()
			return nil, err
		}
		t.named = true
	}
	freed := t.chunks[:t.written:t.written]
	t.chunks = append([]*chunk(nil), t.chunks[t.written:]...)
	t.written, t.synced = 0, t.at
	if freed[len(freed)-1].last {
		t.over = true
		t.f.Close() // nothing is left to lose after a good sync
		t.f = nil
	}
	return freed, nil
}

// close lets go of the file; the next write opens it again and starts at the
// last synced byte.
func (t *tail) close() {
	if t.f != nil {
		t.f.Close() // what it might say, a sync has said or will say
		t.f = nil
	}
	t.written, t.at = 0, t.synced
}
