package archive

import (
	"bufio"
	"errors"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"runtime"
)

// FS is what the archive asks of a file system. OS is the real one; the tests
// have one in memory that fails at any chosen operation and can lose its power.
type FS interface {
	MkdirAll(path string) error
	Mkdir(path string) error               // fails where something of that name exists
	OpenWrite(path string) (File, error)   // creates if needed, keeps what is there
	Open(path string) (ReadFile, error)    // for reading
	Stat(path string) (fs.FileInfo, error) // without following a link
	ReadDir(path string) ([]fs.DirEntry, error)
	Rename(old, new string) error // replaces new in one step
	Remove(path string) error     // a file or an empty folder
	SetReadOnly(path string, readOnly bool) error
	// Lock takes hold of a session folder for as long as this process lives, by
	// a file of that path; errBusy if another process or recording has it.
	Lock(path string) (unlock func(), err error)
	SyncDir(path string) error        // makes names in a folder survive a power failure
	Free(path string) (uint64, error) // bytes left; errors.ErrUnsupported where unknown
}

// File is a file being written.
type File interface {
	io.WriterAt
	Truncate(size int64) error
	Sync() error
	Close() error
}

// ReadFile is a file being read.
type ReadFile interface {
	io.ReadCloser
	io.ReaderAt
}

// errBusy tells that a session is being recorded or sealed at this moment.
var errBusy = errors.New("this session is being recorded, sealed or imported at this moment; wait until that has ended")

// OS is the file system of the machine.
type OS struct{}

// MkdirAll makes a folder and those above it.
func (OS) MkdirAll(path string) error { return os.MkdirAll(path, 0o755) }

// Mkdir makes one folder.
func (OS) Mkdir(path string) error { return os.Mkdir(path, 0o755) }

// OpenWrite opens a file for writing and keeps what is there.
func (OS) OpenWrite(path string) (File, error) {
	return os.OpenFile(path, os.O_CREATE|os.O_WRONLY, 0o644)
}

// Open opens a file for reading.
func (OS) Open(path string) (ReadFile, error) { return os.Open(path) }

// Stat looks at a file without following a link.
func (OS) Stat(path string) (fs.FileInfo, error) { return os.Lstat(path) }

// ReadDir lists a folder by name.
func (OS) ReadDir(path string) ([]fs.DirEntry, error) { return os.ReadDir(path) }

// Rename moves a file over another.
func (OS) Rename(old, new string) error { return os.Rename(old, new) }

// Remove deletes a file or an empty folder.
func (OS) Remove(path string) error { return os.Remove(path) }

// SetReadOnly takes or gives the right to write.
func (OS) SetReadOnly(path string, readOnly bool) error {
	st, err := os.Lstat(path)
	if err != nil {
		return err
	}
	mode := st.Mode().Perm() | 0o200
	if readOnly {
		mode = st.Mode().Perm() &^ 0o222
	}
	return os.Chmod(path, mode)
}

// Free returns the bytes left to us on the disk of a folder.
func (OS) Free(path string) (uint64, error) { return freeBytes(path) }

// Lock takes hold of a folder by a lock file, which a crash releases.
func (OS) Lock(path string) (func(), error) {
	f, err := os.OpenFile(path, os.O_CREATE|os.O_RDWR, 0o644)
	if err != nil {
		return nil, err
	}
	if err := lockFile(f); err != nil {
		f.Close()
		return nil, err
	}
	return func() {
		// Removed while it is held, so that nobody can get hold of a file that
		// is about to vanish; Windows removes no open file.
		if runtime.GOOS == "windows" {
			f.Close()
		}
		os.Remove(path)
		f.Close()
	}, nil
}

// SyncDir makes names in a folder survive a power failure.
func (OS) SyncDir(path string) error { return syncDir(path) }

// writeFile puts a whole file in place or leaves the old one: a file beside
// it, synced, renamed, and the folder synced.
func writeFile(fsys FS, path string, write func(io.Writer) error) error {
	temp := path + partSuffix
	f, err := fsys.OpenWrite(temp)
	if err != nil {
		return err
	}
	w := bufio.NewWriterSize(&offsetWriter{f: f}, 64<<10)
	err = f.Truncate(0)
	if err == nil {
		err = write(w)
	}
	if err == nil {
		err = w.Flush()
	}
	if err == nil {
		err = f.Sync()
	}
	if cerr := f.Close(); err == nil {
		err = cerr
	}
	if err == nil {
		err = fsys.Rename(temp, path)
	}
	if err != nil {
		fsys.Remove(temp)
		return err
	}
	return fsys.SyncDir(filepath.Dir(path))
}

func writeBytes(fsys FS, path string, data []byte) error {
	return writeFile(fsys, path, func(w io.Writer) error {
		_, err := w.Write(data)
		return err
	})
}

// offsetWriter writes a file from its start.
type offsetWriter struct {
	f  File
	at int64
}

func (w *offsetWriter) Write(p []byte) (int, error) {
	n, err := w.f.WriteAt(p, w.at)
	w.at += int64(n)
	return n, err
}

// readAll reads a file of at most max bytes.
func readAll(fsys FS, path string, max int64) ([]byte, error) {
	f, err := fsys.Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	data, err := io.ReadAll(io.LimitReader(f, max+1))
	if err == nil && int64(len(data)) > max {
		err = &fs.PathError{Op: "read", Path: path, Err: errTooLarge(max)}
	}
	return data, err
}
