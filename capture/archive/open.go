package archive

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"iter"
	"path/filepath"
	"sort"
	"strings"

	"gearwitness/capture"
	"gearwitness/capture/pcapng"
)

const (
	maxVehicle = 64 << 20
	// maxListed bounds what a folder may hold before it is looked at further.
	maxListed = 100_000
)

// Reader reads a session folder, sealed or not, whole or cut off.
type Reader struct {
	dir    string
	fs     FS
	info   info
	files  []string // capture files in order, relative to the folder
	bytes  int64
	sealed bool
}

// Open opens a session folder.
func Open(dir string) (*Reader, error) { return OpenFS(OS{}, dir) }

// OpenFS opens a session folder of a given file system.
func OpenFS(fsys FS, dir string) (*Reader, error) {
	r := &Reader{dir: dir, fs: fsys}
	data, err := readAll(fsys, filepath.Join(dir, infoName), maxInfo)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return nil, fmt.Errorf("%s: no session: expected a folder with %s, %s and %s/: %w", dir, bagitName, infoName, dataDir, fs.ErrNotExist)
	case err != nil:
		return nil, plain(err)
	}
	if r.info, err = parseInfo(data); err != nil {
		return nil, fmt.Errorf("%s: %w", dir, err)
	}
	if r.info.format < 1 {
		return nil, fmt.Errorf("%s: %s does not say %s: this is a bag, but no session", dir, infoName, labelFormat)
	}
	entries, err := fsys.ReadDir(filepath.Join(dir, dataDir))
	if err != nil {
		return nil, plain(err)
	}
	if len(entries) > maxListed {
		return nil, fmt.Errorf("%s: %d files in %s; expected at most %d", dir, len(entries), dataDir, maxListed)
	}
	for _, e := range entries {
		if name := e.Name(); strings.HasPrefix(name, "capture-") && strings.HasSuffix(name, ".pcapng") && e.Type().IsRegular() {
			r.files = append(r.files, dataDir+"/"+name)
			if st, err := e.Info(); err == nil {
				r.bytes += st.Size()
			}
		}
	}
	// By number: after capture-9999 comes capture-10000.
	sort.Slice(r.files, func(i, j int) bool {
		a, b := r.files[i], r.files[j]
		if len(a) != len(b) {
			return len(a) < len(b)
		}
		return a < b
	})
	_, err = fsys.Stat(filepath.Join(dir, tagName))
	r.sealed = err == nil
	return r, nil
}

// Dir returns the session's folder.
func (r *Reader) Dir() string { return r.dir }

// Meta returns who, what and why.
func (r *Reader) Meta() Meta { return r.info.meta }

// Sealed tells whether the session has been sealed. It does not verify.
func (r *Reader) Sealed() bool { return r.sealed }

// Files returns the capture files in order, as paths inside the folder with
// forward slashes.
func (r *Reader) Files() []string { return append([]string(nil), r.files...) }

// Bytes returns the size of the capture files.
func (r *Reader) Bytes() int64 { return r.bytes }

// Path returns the path of a file inside the folder.
func (r *Reader) Path(name string) string { return filepath.Join(r.dir, filepath.FromSlash(name)) }

// Vehicle returns the vehicle file that was used, as resolved. It is nil, with
// no error, when the session was recorded without one.
func (r *Reader) Vehicle() ([]byte, error) {
	data, err := readAll(r.fs, r.Path(vehiclePath), maxVehicle)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	return data, plain(err)
}

// Journal reads the journal entry by entry. A bad line yields an error and
// reading goes on; a last line that was cut off yields ErrCutJournal.
func (r *Reader) Journal() iter.Seq2[Entry, error] {
	return func(yield func(Entry, error) bool) {
		f, err := r.fs.Open(r.Path(journalPath))
		if errors.Is(err, fs.ErrNotExist) {
			return
		}
		if err != nil {
			yield(Entry{}, plain(err))
			return
		}
		defer f.Close()
		for e, err := range entries(f, r.Path(journalPath)) {
			if !yield(e, err) {
				return
			}
		}
	}
}

// Frames reads all capture files, one after the other, as one source with the
// stamps as recorded.
func (r *Reader) Frames() *Frames { return &Frames{r: r} }

// Kinds of note that say where a capture file stops being one.
const (
	NoteDamage = "damage" // bytes are wrong
	NoteCut    = "cut"    // it just ends, as after a power failure
)

// Frames is a session's capture files as one source. A damaged or cut file
// gives what it has; a note of kind NoteDamage or NoteCut says so, and the next
// file goes on. It belongs to one goroutine.
type Frames struct {
	r      *Reader
	next   int
	file   ReadFile
	reader *pcapng.Reader
	damage []*pcapng.DamageError
}

// Next appends some thousand frames and lines at most; io.EOF at the end.
func (f *Frames) Next(ctx context.Context, b *capture.Batch) error {
	for {
		if f.file == nil {
			if f.next == len(f.r.files) {
				if f.reader != nil {
					b.Channels = f.reader.Channels()
				}
				return io.EOF
			}
			if err := f.open(f.r.files[f.next]); err != nil {
				return err
			}
			f.next++
		}
		err := f.reader.Next(ctx, b)
		var d *pcapng.DamageError
		switch {
		case err == io.EOF:
			f.closeFile()
			continue
		case errors.As(err, &d):
			f.damage = append(f.damage, d)
			f.closeFile()
			kind := NoteDamage
			if d.Cut {
				kind = NoteCut
			}
			b.Notes = append(b.Notes, capture.Note{Time: f.reader.LastTime(), Kind: kind, Text: d.Error()})
			return nil
		}
		return err
	}
}

func (f *Frames) open(name string) error {
	file, err := f.r.fs.Open(f.r.Path(name))
	if err != nil {
		return plain(err)
	}
	// Damage is named inside the session: a sealed report repeats these words, and
	// must come out the same wherever the session is kept.
	f.file = file
	if f.reader == nil {
		f.reader = pcapng.NewReader(file, name)
	} else {
		f.reader.Continue(file, name)
	}
	return nil
}

// Channels returns the buses and instruments described so far, before the first
// Next those described ahead of the first packet.
func (f *Frames) Channels() []capture.Channel {
	if f.reader == nil && len(f.r.files) > 0 {
		at := min(f.next, len(f.r.files)-1)
		if f.open(f.r.files[at]) != nil {
			return nil // Next will say why
		}
		f.next = at + 1
	}
	if f.reader == nil {
		return nil
	}
	return f.reader.Channels()
}

// SkipTo passes over whole files that end before t, so that reading from the
// middle of a long session begins near there. It must come before the first
// Next; earlier frames of the file that holds t still come.
func (f *Frames) SkipTo(t capture.Stamp) error {
	for f.next = len(f.r.files); f.next > 1; {
		f.next--
		first, ok, err := f.firstTime(f.r.files[f.next])
		if err != nil {
			return err
		}
		if ok && first <= t {
			return nil
		}
	}
	f.next = 0
	return nil
}

// firstTime returns the stamp of a file's first frame or line.
func (f *Frames) firstTime(name string) (capture.Stamp, bool, error) {
	file, err := f.r.fs.Open(f.r.Path(name))
	if err != nil {
		return 0, false, plain(err)
	}
	defer file.Close()
	var b capture.Batch
	err = pcapng.NewReader(file, name).Next(context.Background(), &b)
	if len(b.Frames)+len(b.Lines) == 0 {
		var d *pcapng.DamageError
		if err == io.EOF || errors.As(err, &d) {
			err = nil
		}
		return 0, false, err
	}
	return firstTime(&b), true, nil
}

// Damage returns what was found damaged or cut so far.
func (f *Frames) Damage() []*pcapng.DamageError { return f.damage }

// Stats returns the counts so far.
func (f *Frames) Stats() pcapng.Stats {
	if f.reader == nil {
		return pcapng.Stats{}
	}
	return f.reader.Stats()
}

// Close ends the reading.
func (f *Frames) Close() error {
	f.next = len(f.r.files)
	return f.closeFile()
}

func (f *Frames) closeFile() error {
	if f.file == nil {
		return nil
	}
	err := f.file.Close()
	f.file = nil
	return err
}

// Listed is one session of a list.
type Listed struct {
	Name      string // of the folder
	Dir       string
	Meta      Meta
	Bytes     int64 // of the whole folder
	Sealed    bool
	Protected bool  // see Protect
	Err       error // why it cannot be read; the rest may then be empty
}

// List lists the sessions below root, oldest first. A root that does not exist
// holds none.
func List(root string) ([]Listed, error) { return listFS(OS{}, root) }

func listFS(fsys FS, root string) ([]Listed, error) {
	entries, err := fsys.ReadDir(root)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, plain(err)
	}
	var list []Listed
	for _, e := range entries {
		dir := filepath.Join(root, e.Name())
		if !e.IsDir() {
			continue
		}
		if _, err := fsys.Stat(filepath.Join(dir, bagitName)); err != nil {
			continue // some other folder
		}
		l := Listed{Name: e.Name(), Dir: dir}
		r, err := OpenFS(fsys, dir)
		if err != nil {
			l.Err = err
		} else {
			l.Meta, l.Sealed = r.Meta(), r.Sealed()
		}
		l.Bytes = folderSize(fsys, dir)
		_, err = fsys.Stat(filepath.Join(dir, protectName))
		l.Protected = err == nil
		list = append(list, l)
	}
	sort.SliceStable(list, func(i, j int) bool { return list[i].Meta.Started.Before(list[j].Meta.Started) })
	return list, nil
}

// protectName is the file that keeps a session from being pruned. It is a tag
// file outside the manifests, so that a sealed session can be protected.
const protectName = "protected.txt"

func folderSize(fsys FS, dir string) int64 {
	var total int64
	for _, d := range []string{dir, filepath.Join(dir, dataDir)} {
		entries, _ := fsys.ReadDir(d)
		for _, e := range entries {
			if st, err := e.Info(); err == nil && st.Mode().IsRegular() {
				total += st.Size()
			}
		}
	}
	return total
}
