package pcapng

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"

	"gearwitness/capture"
)

// Report is what Recover found.
type Report struct {
	Size    int64 // of the file
	Good    int64 // bytes in whole blocks from its start
	Blocks  uint64
	Packets uint64
	First   capture.Stamp // of the good CAN frames and lines; 0 without any
	Last    capture.Stamp
	// Damage says why the good part ends; nil when the whole file is good.
	Damage *DamageError
	// Copy is the repaired copy, empty when none was written.
	Copy string
}

// Lost returns the bytes behind the good part.
func (r Report) Lost() int64 { return r.Size - r.Good }

// Recover looks how far a capture file is good: whole blocks from its start,
// each with a sound length that is repeated at its end. With a name for a copy
// it writes the good part there; a copy that exists is never overwritten, and
// the original never touched. A file that does not even begin as a capture
// file is an error.
func Recover(path, copyTo string) (Report, error) {
	f, err := os.Open(path)
	if err != nil {
		return Report{}, err
	}
	defer f.Close()
	rep, err := scan(f, path)
	if err != nil || copyTo == "" {
		return rep, err
	}
	if err := copyPart(f, copyTo, rep.Good); err != nil {
		return rep, err
	}
	rep.Copy = copyTo
	return rep, nil
}

// scan reads a file to its end or to the first damage.
func scan(f io.ReadSeeker, path string) (Report, error) {
	var rep Report
	var err error
	if rep.Size, err = f.Seek(0, io.SeekEnd); err == nil {
		_, err = f.Seek(0, io.SeekStart)
	}
	if err != nil {
		return rep, err
	}
	r := NewReader(f, path)
	var b capture.Batch
	for {
		typ, length, block, err := r.next()
		if err == nil {
			err = r.block(typ, length, block, &b)
		}
		var d *DamageError
		switch {
		case err == nil:
			rep.Blocks++
			rep.Good = r.offset()
			rep.Packets = r.packets
			if len(b.Frames)+len(b.Lines) > 0 {
				if rep.First == 0 && rep.Last == 0 {
					rep.First = r.last
				}
				rep.Last = r.last
			}
			b.Reset()
			continue
		case err == io.EOF:
			return rep, nil
		case !errors.As(err, &d):
			return rep, err
		}
		rep.Damage = d
		if rep.Blocks == 0 {
			return rep, d
		}
		return rep, nil
	}
}

// copyPart writes the first n bytes of f to a new file, synced before it gets
// its name.
func copyPart(f io.ReadSeeker, to string, n int64) (err error) {
	if _, err := os.Lstat(to); err == nil {
		return fmt.Errorf("%s: exists already; choose another name for the repaired copy", to)
	}
	if _, err := f.Seek(0, io.SeekStart); err != nil {
		return err
	}
	out, err := os.CreateTemp(filepath.Dir(to), ".repair-*")
	if err != nil {
		return err
	}
	defer os.Remove(out.Name()) // only there after a failure
	_, err = io.CopyN(out, f, n)
	if err == nil {
		err = out.Sync()
	}
	if cerr := out.Close(); err == nil {
		err = cerr
	}
	if err == nil {
		err = os.Link(out.Name(), to) // unlike a rename, never overwrites
	}
	if err != nil && !errors.Is(err, os.ErrExist) {
		err = os.Rename(out.Name(), to) // no hard links here
	}
	return err
}
