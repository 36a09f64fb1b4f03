package archive

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"path"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/hiddeco/sshsig"
	"golang.org/x/crypto/ssh"
)

// Namespace is that of our signatures (ssh-keygen -n): a signature made for
// something else never counts for a session.
const Namespace = "gearwitness-session"

// Artefact is a file that is made from the recording, such as a table of all
// samples. Write must give the same bytes each time for Verify to be able to
// make it again and compare; where a format can say one thing in many ways, Check
// compares what is said.
type Artefact struct {
	Name  string // below data/, such as shifts.json
	Write func(io.Writer) error
	// Check, where set, makes it again and compares it with what the session holds;
	// difference is empty where both say the same.
	Check func(sealed io.ReaderAt, size int64) (difference string, err error)
}

// SealOptions steer sealing.
type SealOptions struct {
	Artefacts []Artefact
	Software  string     // program, version and platform that made the artefacts
	Program   string     // SHA-256 of its executable, in hex; empty where it is not known
	Signer    ssh.Signer // nil: the session is sealed unsigned
	Progress  func(done, total int64)
	Now       time.Time // date of sealing; zero: now
	FS        FS        // nil: the real file system
}

// Sealed is what sealing did.
type Sealed struct {
	Already bool   // it was sealed before; nothing but the right to write was changed
	Digest  string // SHA-256 of the tag manifest: the one figure that stands for everything
	Signer  string // fingerprint of the key; empty: unsigned
	Files   int
	Bytes   int64
	Damage  []string // capture files that were found cut or damaged; sealed as they are
}

// Seal makes a session permanent: it writes the artefacts, the digests of every
// file and of every stretch of each capture file, signs, and takes the right to
// write. The tag manifest comes last, in one step: a session has it and is
// sealed, or has it not and Seal can be run again, after a crash as well. The
// recording itself is never changed, damaged or not.
func Seal(ctx context.Context, dir string, o SealOptions) (Sealed, error) {
	if o.FS == nil {
		o.FS = OS{}
	}
	if o.Now.IsZero() {
		o.Now = time.Now()
	}
	r, err := OpenFS(o.FS, dir)
	if err != nil {
		return Sealed{}, err
	}
	s := &sealer{o: o, fs: o.FS, dir: dir, info: r.info, m: &meter{ctx: ctx, show: o.Progress}}
	if r.Sealed() {
		return s.already()
	}
	unlock, err := o.FS.Lock(filepath.Join(dir, lockName))
	if err != nil {
		return Sealed{}, fmt.Errorf("%s: %w", dir, plain(err))
	}
	defer unlock()
	if err := s.seal(r.files); err != nil {
		return Sealed{}, fmt.Errorf("%s: not sealed: %w; the recording is as it was, seal it again when this is mended", dir, plain(err))
	}
	return s.sealed, nil
}

type sealer struct {
	o      SealOptions
	fs     FS
	dir    string
	info   info
	m      *meter
	sealed Sealed
}

func (s *sealer) path(name string) string { return filepath.Join(s.dir, filepath.FromSlash(name)) }

// already answers for a session that is sealed: what a crash may have left out
// behind the tag manifest is done again.
func (s *sealer) already() (Sealed, error) {
	tags, err := readAll(s.fs, s.path(tagName), maxManifest)
	if err != nil {
		return Sealed{}, plain(err)
	}
	s.sealed = Sealed{Already: true, Digest: hexDigest(tags)}
	if armored, err := readAll(s.fs, s.path(sigName), maxInfo); err == nil {
		if sig, err := sshsig.Unarmor(armored); err == nil {
			s.sealed.Signer = Fingerprint(sig.PublicKey)
		}
	}
	return s.sealed, s.readOnly(true)
}

func (s *sealer) seal(captures []string) error {
	// A crash while the right to write was being taken cannot have happened
	// before the tag manifest, but a user may have taken it.
	if err := s.readOnly(false); err != nil {
		return err
	}
	if err := s.clearParts(); err != nil {
		return err
	}
	for _, a := range s.o.Artefacts {
		if a.Name == "" || strings.Contains(a.Name, "/") || !ownName.MatchString(a.Name) {
			return fmt.Errorf("artefact %q: expected a plain file name", a.Name)
		}
		name := path.Join(dataDir, a.Name)
		if slices.Contains(captures, name) || name == vehiclePath || name == journalPath || name == sumsPath {
			return fmt.Errorf("artefact %q would overwrite the recording", a.Name)
		}
		if err := writeFile(s.fs, s.path(name), a.Write); err != nil {
			return fmt.Errorf("%s: %w", name, plain(err))
		}
		if err := s.m.ctx.Err(); err != nil {
			return err
		}
	}
	if err := s.measure(captures); err != nil {
		return err
	}
	if err := s.writeStretches(captures); err != nil {
		return err
	}
	manifest, err := s.manifest()
	if err != nil {
		return err
	}
	s.info.sealer, s.info.program = s.o.Software, s.o.Program
	s.info.date = s.o.Now.Format(time.DateOnly)
	s.info.oxum = fmt.Sprintf("%d.%d", s.sealed.Bytes, s.sealed.Files)
	if err := writeBytes(s.fs, s.path(infoName), s.info.encode()); err != nil {
		return err
	}
	if err := writeBytes(s.fs, s.path(manifestName), manifest); err != nil {
		return err
	}
	return s.commit()
}

// clearParts removes files that a crash has left half-written.
func (s *sealer) clearParts() error {
	for _, below := range []string{".", dataDir} {
		entries, err := s.fs.ReadDir(s.path(below))
		if err != nil {
			return err
		}
		for _, e := range entries {
			if strings.HasSuffix(e.Name(), partSuffix) && e.Type().IsRegular() {
				if err := s.fs.Remove(s.path(path.Join(below, e.Name()))); err != nil {
					return err
				}
			}
		}
	}
	return nil
}

// measure adds up what will be read, for the progress bar.
func (s *sealer) measure(captures []string) error {
	files, err := s.payload()
	if err != nil {
		return err
	}
	for _, name := range files {
		st, err := s.fs.Stat(s.path(name))
		if err != nil {
			return err
		}
		s.m.total += st.Size()
		if slices.Contains(captures, name) {
			s.m.total += st.Size() // once more for its stretches
		}
	}
	return nil
}

// payload lists the files below data/ and refuses what a manifest cannot hold
// in a way that every tool reads alike.
func (s *sealer) payload() ([]string, error) {
	var odd error
	files, err := walkFiles(s.fs, s.dir, dataDir, func(path, text string) {
		if odd == nil {
			odd = fmt.Errorf("%s: %s", path, text)
		}
	})
	if err == nil {
		err = odd
	}
	for _, name := range files {
		if err == nil && (!ownName.MatchString(name) || unsafePath(name) != "") {
			err = fmt.Errorf("%q: this name would be read differently by other tools; rename the file with letters, digits, - and _", name)
		}
	}
	return files, err
}

func (s *sealer) writeStretches(captures []string) error {
	s.info.other = slices.DeleteFunc(s.info.other, func(l string) bool { return strings.HasPrefix(l, labelDamage+":") })
	return writeFile(s.fs, s.path(sumsPath), func(w io.Writer) error {
		for _, name := range captures {
			list, damage, err := stretches(s.fs, s.path(name), name, s.m)
			if err != nil {
				return err
			}
			if damage != nil {
				s.sealed.Damage = append(s.sealed.Damage, damage.Error())
				s.info.other = append(s.info.other, labelDamage+": "+damage.Error())
			}
			for _, st := range list {
				if _, err := fmt.Fprintln(w, st); err != nil {
					return err
				}
			}
		}
		return nil
	})
}

// labelDamage is the label in bag-info.txt of a capture file that was cut or
// damaged when the session was sealed.
const labelDamage = "Session-Damage"

func (s *sealer) manifest() ([]byte, error) {
	files, err := s.payload()
	if err != nil {
		return nil, err
	}
	s.sealed.Files, s.sealed.Bytes = len(files), 0
	var b bytes.Buffer
	for _, name := range files {
		n, d, err := digest(s.fs, s.path(name), s.m)
		if err != nil {
			return nil, err
		}
		s.sealed.Bytes += n
		fmt.Fprintf(&b, "%s  %s\n", d, name)
	}
	return b.Bytes(), nil
}

// commit signs and, as the last step, puts the tag manifest in place.
func (s *sealer) commit() error {
	names, err := topFiles(s.fs, s.dir)
	if err != nil {
		return err
	}
	var tags bytes.Buffer
	for _, name := range names {
		if !ownName.MatchString(name) || unsafePath(name) != "" {
			return fmt.Errorf("%q: this name would be read differently by other tools; rename the file with letters, digits, - and _", name)
		}
		_, d, err := digest(s.fs, s.path(name), s.m)
		if err != nil {
			return err
		}
		fmt.Fprintf(&tags, "%s  %s\n", d, name)
	}
	// An earlier try may have left a signature over something else.
	if err := s.fs.Remove(s.path(sigName)); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	if s.o.Signer != nil {
		sig, err := sshsig.Sign(bytes.NewReader(tags.Bytes()), s.o.Signer, sshsig.HashSHA512, Namespace)
		if err != nil {
			return fmt.Errorf("signing: %w", err)
		}
		if err := writeBytes(s.fs, s.path(sigName), sshsig.Armor(sig)); err != nil {
			return err
		}
		s.sealed.Signer = Fingerprint(s.o.Signer.PublicKey())
	}
	if err := s.m.ctx.Err(); err != nil {
		return err
	}
	if err := writeBytes(s.fs, s.path(tagName), tags.Bytes()); err != nil {
		return err
	}
	s.sealed.Digest = hexDigest(tags.Bytes())
	// Sealed from here on: what is left is a guard against slips of the hand.
	return s.readOnly(true)
}

// readOnly takes or gives the right to write to the files and the data folder.
// The session's folder itself stays open: marks of protection and time stamp
// tokens come after sealing.
func (s *sealer) readOnly(on bool) error {
	if !on {
		if err := s.fs.SetReadOnly(s.path(dataDir), false); err != nil {
			return err
		}
	}
	var files []string
	for _, below := range []string{".", dataDir} {
		entries, err := s.fs.ReadDir(s.path(below))
		if err != nil {
			return err
		}
		for _, e := range entries {
			if e.Type().IsRegular() && !apart[e.Name()] {
				files = append(files, path.Join(below, e.Name()))
			}
		}
	}
	if on {
		files = append(files, tagName)
		if exists(s.fs, s.path(sigName)) {
			files = append(files, sigName)
		}
	}
	for _, name := range files {
		if err := s.fs.SetReadOnly(s.path(name), on); err != nil {
			return err
		}
	}
	if on {
		return s.fs.SetReadOnly(s.path(dataDir), true)
	}
	return nil
}

func hexDigest(data []byte) string {
	d := sha256.Sum256(data)
	return hex.EncodeToString(d[:])
}
