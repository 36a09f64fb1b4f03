package archive

import (
	"bytes"
	"fmt"
	"io"
	"path/filepath"

	"gearwitness/capture"
)

// Append adds an entry to the journal of a session that has ended and is not
// sealed, such as a reading taken later in the workshop. fields must marshal to a
// JSON object. Nothing that was written is changed; what a power failure left of a
// last line, which counts for nothing, gives way.
func Append(dir, kind string, t capture.Stamp, fields any) error {
	r, err := Open(dir)
	if err != nil {
		return err
	}
	if r.sealed {
		return fmt.Errorf("%s: is sealed; nothing can be added to it any more", dir)
	}
	line, err := appendEntry(nil, kind, t, fields)
	if err != nil {
		return err
	}
	unlock, err := r.fs.Lock(filepath.Join(dir, lockName))
	if err != nil {
		return fmt.Errorf("%s: %w", dir, plain(err))
	}
	defer unlock()
	return r.append(line)
}

// append adds a line to the journal; the folder is locked.
func (r *Reader) append(line []byte) error {
	path := r.Path(journalPath)
	end, err := goodEnd(r.fs, path)
	if err != nil {
		return fmt.Errorf("%s: %w", path, plain(err))
	}
	f, err := r.fs.OpenWrite(path)
	if err != nil {
		return fmt.Errorf("%s: %w", path, plain(err))
	}
	_, err = f.WriteAt(line, end)
	if err == nil {
		err = f.Truncate(end + int64(len(line)))
	}
	if err == nil {
		err = f.Sync()
	}
	if closeErr := f.Close(); err == nil {
		err = closeErr
	}
	if err != nil {
		return fmt.Errorf("%s: %w", path, plain(err))
	}
	return nil
}

// goodEnd returns where the last whole line of a journal ends.
func goodEnd(fsys FS, path string) (int64, error) {
	f, err := fsys.Open(path)
	if err != nil {
		return 0, err
	}
	defer f.Close()
	end, at := int64(0), int64(0)
	for buf := make([]byte, 64<<10); ; {
		n, err := f.Read(buf)
		if i := bytes.LastIndexByte(buf[:n], '\n'); i >= 0 {
			end = at + int64(i) + 1
		}
		at += int64(n)
		if err == io.EOF {
			return end, nil
		}
		if err != nil {
			return 0, err
		}
	}
}
