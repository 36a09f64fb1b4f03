package archive

import (
	"bytes"
	"cmp"
	"context"
	"crypto/sha256"
	"crypto/x509"
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

	"gearwitness/capture/pcapng"
)

// Kind tells what a finding is about.
type Kind string

// Kinds of finding.
const (
	FoundUnsealed   Kind = "unsealed"  // nothing to check against
	FoundMissing    Kind = "missing"   // a listed file is not there
	FoundUnlisted   Kind = "unlisted"  // a file that no manifest lists
	FoundChanged    Kind = "changed"   // content differs from its digest
	FoundUnsafe     Kind = "unsafe"    // a path that must not be followed
	FoundMalformed  Kind = "malformed" // a file of the archive that cannot be read
	FoundSignature  Kind = "signature" // a signature that does not hold
	FoundUnsigned   Kind = "unsigned"  // no signature
	FoundUnknownKey Kind = "unknown-key"
	FoundTime       Kind = "time"      // time stamp token
	FoundDamage     Kind = "damage"    // a capture file that is cut or damaged
	FoundDifferent  Kind = "different" // an artefact comes out otherwise when made again
	FoundVersion    Kind = "version"   // so it does, but another version made it
	FoundVIN        Kind = "vin"
)

// Finding is one thing that Verify found.
type Finding struct {
	Kind Kind
	// Remark is set where nothing is wrong but somebody may want to know.
	Remark bool
	Path   string // inside the folder, forward slashes
	Text   string // one sentence for people, without the path
	// First and Last number the frames concerned in the capture file, from 1,
	// as other tools count packets; 0 when it is not about frames.
	First, Last uint64
}

// String is the finding in one line.
func (f Finding) String() string {
	if f.Path == "" {
		return f.Text
	}
	return f.Path + ": " + f.Text
}

// VerifyOptions steer verifying.
type VerifyOptions struct {
	// Keys are those that are trusted: a session that none of them has signed
	// does not hold. With none, a sound signature by any key holds and a remark
	// names the key, and so does a session without a signature.
	Keys []ssh.PublicKey
	// Roots are the trusted issuers of time stamps; nil: a token is checked
	// against its own certificate and a remark says so.
	Roots *x509.CertPool
	// Again makes artefacts once more from the recording; those that the
	// session holds must come out the same, if the very same executable sealed it.
	// What another build made may rightly differ and gets a remark: whether the
	// session is genuine is decided by signature, manifests and raw frames.
	Again    []Artefact
	Software string // program, version and platform that makes them again
	Program  string // SHA-256 of its executable, in hex; empty where it is not known
	Progress func(done, total int64)
	FS       FS // nil: the real file system
}

// Verdict sums up what Verify looked at.
type Verdict struct {
	Faults  int // findings that are no remarks
	Remarks int
	Files   int // of the payload whose digest was compared
	Bytes   int64
	Frames  uint64    // packets of the capture files
	Digest  string    // SHA-256 of the tag manifest; empty: not sealed
	Signer  string    // fingerprint of a sound signature's key; empty: none
	Trusted bool      // that key is one of the trusted ones
	Stamped time.Time // when a time stamp token says the seal existed; zero: none that holds
}

// Holds tells whether nothing is wrong.
func (v Verdict) Holds() bool { return v.Faults == 0 }

// Verify checks a session: is everything there and unchanged since it was
// sealed, does the signature hold, can the recording be read. Findings come one
// by one, as they are found. The error is about what kept it from checking,
// such as a disk that cannot be read; a session that fails is no error.
func Verify(ctx context.Context, dir string, o VerifyOptions, found func(Finding)) (Verdict, error) {
	if o.FS == nil {
		o.FS = OS{}
	}
	v := &verifier{o: o, fs: o.FS, dir: dir, found: found, altered: map[string]bool{}, m: &meter{ctx: ctx, show: o.Progress}}
	if _, err := v.fs.Stat(dir); err != nil {
		if errors.Is(err, fs.ErrNotExist) {
			return Verdict{}, fmt.Errorf("%s: no session: expected a folder: %w", dir, fs.ErrNotExist)
		}
		return Verdict{}, plain(err)
	}
	err := v.verify()
	return v.verdict, err
}

type verifier struct {
	o       VerifyOptions
	fs      FS
	dir     string
	found   func(Finding)
	m       *meter
	verdict Verdict
	info    info
	payload map[string]string // digests listed
	altered map[string]bool   // files that are not as their digest says
}

func (v *verifier) path(name string) string { return filepath.Join(v.dir, filepath.FromSlash(name)) }

func (v *verifier) report(f Finding) {
	if f.Remark {
		v.verdict.Remarks++
	} else {
		v.verdict.Faults++
	}
	if v.found != nil {
		v.found(f)
	}
}

func (v *verifier) fault(kind Kind, path, format string, args ...any) {
	v.report(Finding{Kind: kind, Path: path, Text: fmt.Sprintf(format, args...)})
}

func (v *verifier) remark(kind Kind, path, format string, args ...any) {
	v.report(Finding{Kind: kind, Remark: true, Path: path, Text: fmt.Sprintf(format, args...)})
}

// read reads a small file; ok is false when it is not there or unreadable,
// which has then been reported.
func (v *verifier) read(name string, max int64) (data []byte, ok bool) {
	data, err := readAll(v.fs, v.path(name), max)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		v.fault(FoundMissing, name, "is not there")
	case err != nil:
		v.fault(FoundMalformed, name, "%v", plain(err))
	default:
		return data, true
	}
	return nil, false
}

func (v *verifier) verify() error {
	sealed, err := v.bag()
	if err != nil {
		return err
	}
	switch {
	case v.info.format == 0:
		v.fault(FoundMalformed, infoName, "does not say %s: this is no session, or its description was changed", labelFormat)
	case !sealed || v.verdict.Digest == "":
		v.fault(FoundUnsealed, "", "this session is not sealed: nothing can be proved about it")
	}
	return v.content()
}

// bag checks what RFC 8493 asks of any bag. sealed tells whether there are
// manifests to check against.
func (v *verifier) bag() (sealed bool, err error) {
	if data, ok := v.read(bagitName, 4096); ok {
		if problem := checkDeclaration(data); problem != "" {
			v.fault(FoundMalformed, bagitName, "%s", problem)
		}
	}
	if exists(v.fs, v.path(infoName)) {
		if data, ok := v.read(infoName, maxInfo); ok {
			if v.info, err = parseInfo(data); err != nil {
				v.fault(FoundMalformed, infoName, "%v", strings.TrimPrefix(err.Error(), infoName+": "))
			}
		}
	}
	if !exists(v.fs, v.path(manifestName)) {
		return false, nil
	}
	return true, v.manifests()
}

// manifests compares everything with the manifests.
func (v *verifier) manifests() error {
	if exists(v.fs, v.path(tagName)) {
		if err := v.tags(); err != nil {
			return err
		}
	}
	manifest, ok := v.read(manifestName, maxManifest)
	if !ok {
		return nil
	}
	list := parseManifest(manifestName, manifest, true, v.badLine)
	there, err := walkFiles(v.fs, v.dir, dataDir, func(path, text string) { v.fault(FoundUnlisted, path, "%s", text) })
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	for _, name := range there {
		if st, err := v.fs.Stat(v.path(name)); err == nil {
			v.m.total += st.Size()
		}
	}
	v.payload = map[string]string{}
	for _, l := range list {
		v.payload[l.path] = l.digest
		if err := v.compare(l); err != nil {
			return err
		}
	}
	for _, name := range there {
		if _, ok := v.payload[name]; !ok {
			v.fault(FoundUnlisted, name, "is not listed: it was put here after sealing")
		}
	}
	if want := fmt.Sprintf("%d.%d", v.verdict.Bytes, v.verdict.Files); v.info.oxum != "" && v.info.oxum != want && v.verdict.Faults == 0 {
		v.fault(FoundMalformed, infoName, "%s: expected %s (bytes and files of the payload), found %q", labelOxum, want, clip(v.info.oxum))
	}
	return nil
}

func (v *verifier) badLine(path, text string) {
	kind := FoundMalformed
	if unsafePath(path) != "" {
		kind = FoundUnsafe
	}
	v.fault(kind, path, "%s", text)
}

// compare checks one file against its digest.
func (v *verifier) compare(l listed) error {
	st, err := v.fs.Stat(v.path(l.path))
	switch {
	case errors.Is(err, fs.ErrNotExist):
		v.fault(FoundMissing, l.path, "is listed but not there")
		return nil
	case err != nil:
		return plain(err)
	case !st.Mode().IsRegular():
		v.fault(FoundUnlisted, l.path, "is no plain file any more")
		return nil
	}
	n, got, err := digest(v.fs, v.path(l.path), v.m)
	if err != nil {
		if v.m.ctx.Err() != nil {
			return err
		}
		v.fault(FoundMalformed, l.path, "cannot be read: %v", err)
		return nil
	}
	if strings.HasPrefix(l.path, dataDir+"/") {
		v.verdict.Files++
		v.verdict.Bytes += n
	}
	if got != l.digest {
		v.altered[l.path] = true
		return v.changed(l.path, n)
	}
	return nil
}

// changed reports a file that is not as it was, as narrowly as it can.
func (v *verifier) changed(name string, size int64) error {
	was := v.stretchesOf(name)
	if len(was) == 0 {
		v.fault(FoundChanged, name, "has been changed since it was sealed")
		return nil
	}
	f, err := v.fs.Open(v.path(name))
	if err != nil {
		return plain(err)
	}
	defer f.Close()
	n := 0
	var end int64
	for _, s := range was {
		end = max(end, s.offset+s.size)
		h := sha256.New()
		got, err := copyMetered(h, io.NewSectionReader(f, s.offset, s.size), &meter{ctx: v.m.ctx, buf: v.m.buf})
		if err != nil {
			return fmt.Errorf("%s: %w", name, err)
		}
		if got == s.size && hex.EncodeToString(h.Sum(nil)) == s.digest {
			continue
		}
		n++
		words := "changed since it was sealed: "
		if got < s.size {
			words = "cut off since it was sealed: "
		}
		finding := Finding{Kind: FoundChanged, Path: name, Text: words + s.words()}
		if s.first <= s.last {
			finding.First, finding.Last = s.first, s.last
		}
		v.report(finding)
	}
	if size > end {
		n++
		v.fault(FoundChanged, name, "%d bytes have been added at its end since it was sealed", size-end)
	}
	if n == 0 {
		v.fault(FoundChanged, name, "has been changed since it was sealed, outside all frames")
	}
	return nil
}

// stretchesOf returns the digests of the parts of a capture file, none if the
// list of them cannot be trusted itself.
func (v *verifier) stretchesOf(name string) []stretch {
	data, err := readAll(v.fs, v.path(sumsPath), 256<<20)
	if err != nil || v.payload[sumsPath] != "" && v.payload[sumsPath] != hexDigest(data) {
		return nil
	}
	list, err := parseStretches(bytes.NewReader(data))
	if err != nil {
		return nil
	}
	return slices.DeleteFunc(list, func(s stretch) bool { return s.file != name })
}

// tags checks the files beside the payload, the signature and the time stamp.
func (v *verifier) tags() error {
	data, ok := v.read(tagName, maxManifest)
	if !ok {
		return nil
	}
	v.verdict.Digest = hexDigest(data)
	list := parseManifest(tagName, data, false, v.badLine)
	names := map[string]bool{}
	for _, l := range list {
		names[l.path] = true
		if err := v.compare(l); err != nil {
			return err
		}
	}
	for _, must := range []string{bagitName, infoName, manifestName} {
		if !names[must] && v.info.format > 0 {
			v.fault(FoundUnlisted, must, "is not listed in %s, so the signature does not cover it", tagName)
		}
	}
	if v.info.format > 0 {
		if err := v.beside(names); err != nil {
			return err
		}
	}
	v.signature(data)
	v.token(data)
	return nil
}

// beside tells what lies outside data/ and is not listed: it is no part of what was
// sealed, and nobody shall take it for that.
func (v *verifier) beside(listed map[string]bool) error {
	remark := func(name, _ string) {
		v.remark(FoundUnlisted, name, "lies beside what was sealed and is not part of it")
	}
	entries, err := v.fs.ReadDir(v.dir)
	if err != nil {
		return plain(err)
	}
	for _, e := range entries {
		name := e.Name()
		switch {
		case name == dataDir && e.IsDir():
		case name == dataDir:
			v.fault(FoundUnlisted, name, "is no plain folder any more")
		case e.IsDir():
			there, err := walkFiles(v.fs, v.dir, name, remark)
			if err != nil {
				return err
			}
			for _, file := range there {
				if !listed[file] {
					remark(file, "")
				}
			}
		case listed[name] || slices.Contains([]string{bagitName, infoName, manifestName}, name):
		case apart[name] && e.Type().IsRegular() || strings.HasSuffix(name, partSuffix):
		default:
			v.remark(FoundUnlisted, name, "was put here after sealing; it is not part of what was sealed")
		}
	}
	return nil
}

func (v *verifier) signature(data []byte) {
	if !exists(v.fs, v.path(sigName)) {
		v.report(Finding{Kind: FoundUnsigned, Remark: len(v.o.Keys) == 0,
			Text: "sealed but not signed: the files agree with each other, which does not prove who sealed them"})
		return
	}
	armored, ok := v.read(sigName, maxInfo)
	if !ok {
		return
	}
	sig, err := sshsig.Unarmor(armored)
	if err != nil {
		v.fault(FoundSignature, sigName, "cannot be read as a signature: %v", err)
		return
	}
	if err := sshsig.Verify(bytes.NewReader(data), sig, sig.PublicKey, sig.HashAlgorithm, Namespace); err != nil {
		why := "it was made over something else, or the files were changed"
		if sig.Namespace != Namespace {
			why = fmt.Sprintf("it was made for %q, expected %q", clip(sig.Namespace), Namespace)
		}
		v.fault(FoundSignature, sigName, "the signature does not hold: %s", why)
		return
	}
	v.verdict.Signer = Fingerprint(sig.PublicKey)
	v.verdict.Trusted = slices.ContainsFunc(v.o.Keys, func(k ssh.PublicKey) bool { return sameKey(k, sig.PublicKey) })
	switch {
	case len(v.o.Keys) == 0:
		v.remark(FoundUnknownKey, sigName, "signed with key %s; no trusted keys were given, so who that is was not checked", v.verdict.Signer)
	case !v.verdict.Trusted:
		v.fault(FoundUnknownKey, sigName, "signed with key %s, which is none of the %d trusted ones", v.verdict.Signer, len(v.o.Keys))
	}
}

func (v *verifier) token(data []byte) {
	if !exists(v.fs, v.path(tokenName)) {
		return
	}
	token, ok := v.read(tokenName, maxInfo)
	if !ok {
		return
	}
	at, err := CheckToken(token, data, v.o.Roots)
	if err != nil {
		v.fault(FoundTime, tokenName, "%v", err)
		return
	}
	v.verdict.Stamped = at
	if v.o.Roots == nil {
		v.remark(FoundTime, tokenName, "time stamp of %s; no trusted issuers were given, so who issued it was not checked", at.UTC().Format(time.RFC3339))
	}
}

// content reads the recording itself.
func (v *verifier) content() error {
	r, err := OpenFS(v.fs, v.dir)
	if err != nil {
		return nil // said above: bag-info.txt is missing or malformed
	}
	for _, name := range r.Files() {
		if err := v.capture(name); err != nil {
			return err
		}
	}
	for _, err := range r.Journal() {
		switch {
		case errors.Is(err, ErrCutJournal):
			v.remark(FoundDamage, journalPath, "%v", ErrCutJournal)
		case err != nil:
			v.fault(FoundMalformed, journalPath, "%v", strings.TrimPrefix(err.Error(), r.Path(journalPath)+":"))
		}
	}
	if vin := v.info.meta.VIN; vin != "" {
		if w := CheckVIN(vin).Warning(); w != "" {
			v.remark(FoundVIN, infoName, "%s: %s", labelVIN, w)
		}
	}
	for _, a := range v.o.Again {
		if err := v.again(a); err != nil {
			return err
		}
	}
	return nil
}

const labelVIN = "Vehicle-Identification-Number"

// capture looks whether a capture file is whole.
func (v *verifier) capture(name string) error {
	f, err := v.fs.Open(v.path(name))
	if err != nil {
		return plain(err)
	}
	defer f.Close()
	n, err := pcapng.Walk(meteredReader{f, v.m})
	v.verdict.Frames += n.Packets
	var d *pcapng.DamageError
	if !errors.As(err, &d) {
		return err
	}
	d.Path = name
	// Sealed as found: that is part of the evidence and no fault of the seal.
	// Before sealing, a cut end is what a power failure leaves.
	known := slices.Contains(v.info.other, labelDamage+": "+d.Error())
	text := strings.TrimPrefix(d.Error(), name+": ")
	switch {
	case known:
		v.remark(FoundDamage, name, "%s (it was so when it was sealed)", text)
	case d.Cut:
		v.remark(FoundDamage, name, "%s", text)
	default:
		v.fault(FoundDamage, name, "%s", text)
	}
	return nil
}

type meteredReader struct {
	r io.Reader
	m *meter
}

func (r meteredReader) Read(p []byte) (int, error) {
	if err := r.m.ctx.Err(); err != nil {
		return 0, err
	}
	return r.r.Read(p)
}

// again makes an artefact once more. One that was changed since it was sealed,
// which has been reported, is compared with nothing.
func (v *verifier) again(a Artefact) error {
	name := path.Join(dataDir, a.Name)
	want, ok := v.payload[name]
	if !ok || v.altered[name] || !exists(v.fs, v.path(name)) {
		return nil
	}
	difference, err := v.difference(a, name, want)
	switch {
	case v.m.ctx.Err() != nil:
		return v.m.ctx.Err()
	case err != nil:
		return fmt.Errorf("%s: making it again from the recording: %w", name, plain(err))
	case difference == "":
	case v.info.program == "" || v.info.program != v.o.Program:
		v.remark(FoundVersion, name, "%s made it, and %s makes it otherwise (%s); what was sealed is unchanged, and only the very program that sealed can tell whether it follows from the recording",
			orUnknown(v.info.sealer), orUnknown(v.o.Software), difference)
	default:
		v.fault(FoundDifferent, name, "is not what this very program makes of the recording: it was changed before sealing (%s)", difference)
	}
	return nil
}

func orUnknown(software string) string { return cmp.Or(software, "an unnamed program") }

func (v *verifier) difference(a Artefact, name, want string) (string, error) {
	if a.Check == nil {
		h := sha256.New()
		if err := a.Write(h); err != nil {
			return "", err
		}
		if hex.EncodeToString(h.Sum(nil)) != want {
			return "other bytes", nil
		}
		return "", nil
	}
	st, err := v.fs.Stat(v.path(name))
	if err != nil {
		return "", err
	}
	f, err := v.fs.Open(v.path(name))
	if err != nil {
		return "", err
	}
	defer f.Close()
	return a.Check(f, st.Size())
}
