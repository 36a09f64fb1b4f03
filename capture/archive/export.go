package archive

import (
	"archive/zip"
	"compress/flate"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"sort"
	"strings"
	"time"
	"unicode"
)

// Export writes a session as a zip file: the bag as it is, in a folder of its
// name. Two exports of a sealed session are the same, byte for byte. Where
// somebody has put anything else than plain files into the folder, it refuses.
func Export(ctx context.Context, dir string, w io.Writer, progress func(done, total int64)) error {
	r, err := Open(dir)
	if err != nil {
		return err
	}
	fsys := r.fs
	files, err := exported(fsys, dir)
	if err != nil {
		return err
	}
	m := &meter{ctx: ctx, show: progress}
	for _, name := range files {
		if st, err := fsys.Stat(r.Path(name)); err == nil {
			m.total += st.Size()
		}
	}
	z := zip.NewWriter(w)
	z.RegisterCompressor(zip.Deflate, func(w io.Writer) (io.WriteCloser, error) { return flate.NewWriter(w, flate.BestSpeed) })
	base := filepath.Base(filepath.Clean(dir))
	if abs, err := filepath.Abs(dir); err == nil {
		base = filepath.Base(abs)
	}
	for _, name := range files {
		entry, err := z.CreateHeader(&zip.FileHeader{Name: path.Join(base, name), Method: zip.Deflate, Modified: r.Meta().Started.UTC()})
		if err != nil {
			return err
		}
		f, err := fsys.Open(r.Path(name))
		if err != nil {
			return plain(err)
		}
		_, err = copyMetered(entry, f, m)
		f.Close()
		if err != nil {
			return fmt.Errorf("%s: %w", name, err)
		}
	}
	return z.Close()
}

// exported lists what an export holds: all but the traces of work in progress
// and the mark that protects the session here.
func exported(fsys FS, dir string) ([]string, error) {
	var odd error
	files, err := walkFiles(fsys, dir, ".", func(path, text string) {
		if odd == nil {
			odd = fmt.Errorf("%s: %s: %s", dir, path, text)
		}
	})
	if err == nil {
		err = odd
	}
	kept := files[:0]
	for _, name := range files {
		if name != lockName && name != protectName && !strings.HasSuffix(name, partSuffix) {
			kept = append(kept, name)
		}
	}
	return kept, err
}

// ImportOptions bound what an import may bring.
type ImportOptions struct {
	MaxBytes int64 // unpacked; 0: 64 GiB
	// Unsealed lets sessions in whose content nothing vouches for.
	Unsealed bool
	Verify   VerifyOptions // Keys, Roots, Progress
}

// maxRatio is how much smaller than its content an entry of a zip may be.
// Deflate cannot reach 1:1032 (RFC 1951); a recording of a silent bus may come
// near that, a bomb made of nested entries lies beyond.
const maxRatio = 1100

// Import unpacks an exported session below root and returns its folder. The
// list of contents is checked before a byte is unpacked, sizes again while
// unpacking, and the session is verified before it gets its name: one that does
// not hold leaves nothing behind. An existing session is never replaced.
func Import(ctx context.Context, zipPath, root string, o ImportOptions) (string, error) {
	if o.MaxBytes <= 0 {
		o.MaxBytes = 64 << 30
	}
	z, err := zip.OpenReader(zipPath)
	if errors.Is(err, zip.ErrFormat) {
		return "", fmt.Errorf("%s: no zip file, or one that was cut off: expected an exported session", zipPath)
	}
	if err != nil && !errors.Is(err, zip.ErrInsecurePath) { // names are checked below
		return "", plain(err)
	}
	defer z.Close()
	plan, err := planImport(&z.Reader, o.MaxBytes)
	if err != nil {
		return "", fmt.Errorf("%s: not imported: %w", zipPath, err)
	}
	if err := os.MkdirAll(root, 0o755); err != nil {
		return "", plain(err)
	}
	target := filepath.Join(root, plan.name)
	if _, err := os.Lstat(target); err == nil {
		return "", fmt.Errorf("%s: not imported: %s exists already; remove or rename that first", zipPath, target)
	}
	if free, err := freeBytes(root); err == nil && free < uint64(plan.bytes) {
		return "", fmt.Errorf("%s: not imported: it needs %d bytes, %s has %d left; make room first", zipPath, plan.bytes, root, free)
	}
	temp, err := os.MkdirTemp(root, ".import-*")
	if err != nil {
		return "", plain(err)
	}
	// Gone after success, when it has its name.
	defer removeTree(OS{}, temp)
	if err := os.Chmod(temp, 0o755); err != nil {
		return "", plain(err)
	}
	if err := plan.unpack(ctx, temp); err != nil {
		return "", fmt.Errorf("%s: not imported: %w", zipPath, plain(err))
	}
	if err := vouch(ctx, temp, o); err != nil {
		return "", fmt.Errorf("%s: not imported: %w", zipPath, err)
	}
	if err := os.Rename(temp, target); err != nil {
		return "", plain(err)
	}
	return target, plain(syncDir(root))
}

// vouch verifies an unpacked session.
func vouch(ctx context.Context, dir string, o ImportOptions) error {
	var first *Finding
	o.Verify.FS = OS{}
	verdict, err := Verify(ctx, dir, o.Verify, func(f Finding) {
		if !f.Remark && !(o.Unsealed && f.Kind == FoundUnsealed) && first == nil {
			first = &f
		}
	})
	switch {
	case err != nil:
		return err
	case first != nil && verdict.Faults > 1:
		return fmt.Errorf("%s (and %d more findings)", *first, verdict.Faults-1)
	case first != nil:
		return errors.New(first.String())
	}
	if _, err := Open(dir); err != nil {
		return err
	}
	if verdict.Digest == "" {
		return nil
	}
	_, err = Seal(ctx, dir, SealOptions{}) // read-only again; the seal is not touched
	return err
}

type importPlan struct {
	name  string // folder of the session
	files []*zip.File
	bytes int64
}

// planImport checks the list of contents.
func planImport(z *zip.Reader, most int64) (importPlan, error) {
	var p importPlan
	if len(z.File) > maxListed {
		return p, fmt.Errorf("%d entries; expected at most %d", len(z.File), maxListed)
	}
	// Names that some file system would take for the same must not meet.
	files, folders := map[string]bool{}, map[string]string{} // by folded name
	for _, f := range z.File {
		name := strings.TrimSuffix(f.Name, "/")
		if why := unsafePath(name); why != "" {
			return p, fmt.Errorf("entry %q: %s", clip(f.Name), why)
		}
		top, rest, _ := strings.Cut(name, "/")
		switch {
		case p.name == "":
			p.name = top
		case top != p.name:
			return p, fmt.Errorf("entries of two folders, %q and %q; expected one session", clip(p.name), clip(top))
		}
		if strings.HasSuffix(f.Name, "/") {
			continue // folders come with their files
		}
		key := folded(rest)
		switch {
		case rest == "":
			return p, fmt.Errorf("entry %q lies outside the session's folder", clip(f.Name))
		case !f.Mode().IsRegular():
			return p, fmt.Errorf("entry %q is no plain file", clip(f.Name))
		case files[key] || folders[key] != "":
			return p, fmt.Errorf("entry %q comes twice", clip(f.Name))
		case f.Method != zip.Store && f.Method != zip.Deflate:
			return p, fmt.Errorf("entry %q is packed by method %d; expected stored or deflated", clip(f.Name), f.Method)
		case f.UncompressedSize64 > uint64(most) || p.bytes+int64(f.UncompressedSize64) > most:
			return p, fmt.Errorf("unpacked it would take more than the %d bytes allowed", most)
		case f.UncompressedSize64 > f.CompressedSize64*maxRatio+1024:
			return p, fmt.Errorf("entry %q claims to unpack to %d times its size", clip(f.Name), f.UncompressedSize64/max(1, f.CompressedSize64))
		}
		files[key] = true
		for dir := path.Dir(rest); dir != "."; dir = path.Dir(dir) {
			key := folded(dir)
			if was, ok := folders[key]; files[key] || ok && was != dir {
				return p, fmt.Errorf("folder %q of entry %q comes twice", clip(dir), clip(f.Name))
			}
			folders[key] = dir
		}
		p.bytes += int64(f.UncompressedSize64)
		p.files = append(p.files, f)
	}
	if strings.HasPrefix(p.name, ".") || p.name == "" {
		return p, fmt.Errorf("no session: expected one folder with %s and %s in it", bagitName, infoName)
	}
	for _, must := range []string{bagitName, infoName} {
		if !files[folded(must)] {
			return p, fmt.Errorf("no session: %s is missing", must)
		}
	}
	if err := noOverlap(p.files); err != nil {
		return p, err
	}
	return p, nil
}

// folded gives names the same form that differ in case only, by the simple folding
// of Unicode (CaseFolding.txt, status C and S).
func folded(name string) string {
	return strings.Map(func(r rune) rune {
		least := r
		for other := unicode.SimpleFold(r); other != r; other = unicode.SimpleFold(other) {
			least = min(least, other)
		}
		return least
	}, name)
}

// noOverlap refuses a zip whose entries share their packed bytes, the way small
// files are made to unpack to huge ones.
func noOverlap(files []*zip.File) error {
	type span struct {
		from, to int64
		name     string
	}
	spans := make([]span, 0, len(files))
	for _, f := range files {
		at, err := f.DataOffset()
		if err != nil {
			return fmt.Errorf("entry %q cannot be found in the zip: %w", clip(f.Name), err)
		}
		spans = append(spans, span{at, at + int64(f.CompressedSize64), f.Name})
	}
	sort.Slice(spans, func(i, j int) bool { return spans[i].from < spans[j].from })
	for i := 1; i < len(spans); i++ {
		if spans[i].from < spans[i-1].to {
			return fmt.Errorf("entries %q and %q share their bytes", clip(spans[i-1].name), clip(spans[i].name))
		}
	}
	return nil
}

// unpack writes the files below dir, through a root that no name can leave.
func (p importPlan) unpack(ctx context.Context, dir string) error {
	root, err := os.OpenRoot(dir)
	if err != nil {
		return err
	}
	defer root.Close()
	m := &meter{ctx: ctx}
	folders := map[string]bool{}
	for _, f := range p.files {
		_, rest, _ := strings.Cut(f.Name, "/")
		name := filepath.FromSlash(rest)
		if d := filepath.Dir(name); !folders[d] {
			if err := root.MkdirAll(d, 0o755); err != nil {
				return err
			}
			folders[d] = true
		}
		if err := unpackFile(root, name, f, m); err != nil {
			return err
		}
	}
	for d := range folders {
		if err := syncDir(filepath.Join(dir, d)); err != nil {
			return err
		}
	}
	return nil
}

func unpackFile(root *os.Root, name string, f *zip.File, m *meter) error {
	in, err := f.Open()
	if err != nil {
		return fmt.Errorf("entry %q: %w", clip(f.Name), err)
	}
	defer in.Close()
	out, err := root.OpenFile(name, os.O_CREATE|os.O_EXCL|os.O_WRONLY, 0o644)
	if err != nil {
		return err
	}
	// One byte more than announced is enough to see that it lied.
	n, err := copyMetered(out, io.LimitReader(in, int64(f.UncompressedSize64)+1), m)
	if err == nil && n != int64(f.UncompressedSize64) {
		err = fmt.Errorf("expected %d bytes, found another number", f.UncompressedSize64)
	}
	if err == nil {
		err = out.Sync()
	}
	if cerr := out.Close(); err == nil {
		err = cerr
	}
	if err != nil {
		return fmt.Errorf("entry %q: %w", clip(f.Name), err)
	}
	return nil
}

// Protect keeps a session from being pruned, for the reason given; it may be
// sealed or not.
func Protect(dir, reason string) error {
	if _, err := Open(dir); err != nil {
		return err
	}
	return plain(writeBytes(OS{}, filepath.Join(dir, protectName), []byte(strings.Join(strings.Fields(reason), " ")+"\n")))
}

// Unprotect takes the protection away.
func Unprotect(dir string) error {
	err := os.Remove(filepath.Join(dir, protectName))
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	return plain(err)
}

// removedPrefix hides a session that is being removed.
const removedPrefix = ".removed-"

// Pruned is what happened to one session when pruning.
type Pruned struct {
	Listed
	Removed bool   // or, on a dry run, would be
	Kept    string // why not
}

// Prune removes sessions below root that began more than age ago and returns
// what became of each session. Protected sessions, those being recorded and
// those that cannot be read stay. A dry run removes nothing.
func Prune(root string, age time.Duration, now time.Time, dry bool) ([]Pruned, error) {
	list, err := List(root)
	if err != nil {
		return nil, err
	}
	if left, _ := filepath.Glob(filepath.Join(root, removedPrefix+"*")); !dry {
		for _, dir := range left { // by a crash while removing
			if err := removeTree(OS{}, dir); err != nil {
				return nil, err
			}
		}
	}
	var all []Pruned
	for _, l := range list {
		p := Pruned{Listed: l}
		switch {
		case l.Err != nil:
			p.Kept = "cannot be read: " + l.Err.Error()
		case l.Meta.Started.IsZero():
			p.Kept = "does not say when it began"
		case now.Sub(l.Meta.Started) <= age:
			p.Kept = "not old enough"
		case l.Protected:
			p.Kept = "protected"
		default:
			p.Kept, err = pruneOne(root, l, dry)
			if err != nil {
				return all, err
			}
			p.Removed = p.Kept == ""
		}
		all = append(all, p)
	}
	return all, nil
}

func pruneOne(root string, l Listed, dry bool) (kept string, err error) {
	unlock, err := OS{}.Lock(filepath.Join(l.Dir, lockName))
	if errors.Is(err, errBusy) {
		return "being recorded", nil
	}
	if err != nil {
		return "", plain(err)
	}
	if dry {
		unlock()
		return "", nil
	}
	unlock() // some systems move no folder in which a file is open
	// Out of the list in one step, so that no crash leaves half a session.
	gone := filepath.Join(root, removedPrefix+l.Name)
	if err := os.Rename(l.Dir, gone); err != nil {
		return "", plain(err)
	}
	return "", removeTree(OS{}, gone)
}

// removeTree removes a folder and everything in it, never following a link.
func removeTree(fsys FS, dir string) error {
	st, err := fsys.Stat(dir)
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err != nil {
		return plain(err)
	}
	if st.IsDir() {
		if err := fsys.SetReadOnly(dir, false); err != nil {
			return plain(err)
		}
		entries, err := fsys.ReadDir(dir)
		if err != nil {
			return plain(err)
		}
		for _, e := range entries {
			if err := removeTree(fsys, filepath.Join(dir, e.Name())); err != nil {
				return err
			}
		}
	}
	return plain(fsys.Remove(dir))
}
