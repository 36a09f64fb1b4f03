package archive

import (
	"bytes"
	"context"
	"crypto/ed25519"
	"encoding/json"
	"encoding/pem"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/hiddeco/sshsig"
	"golang.org/x/crypto/ssh"

	"gearwitness/capture/testneed"
)

// newSigner returns a key that no file holds.
func newSigner(t testing.TB) ssh.Signer {
	t.Helper()
	_, private, err := ed25519.GenerateKey(nil)
	if err != nil {
		t.Fatal(err)
	}
	s, err := ssh.NewSignerFromKey(private)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

var testTime = time.Date(2026, 3, 7, 14, 15, 3, 0, time.UTC)

// recorded makes a closed session of n frames, one a millisecond.
func recorded(t testing.TB, fsys FS, root string, n int, m Meta) string {
	t.Helper()
	if m.Started.IsZero() {
		m.Started = testTime
	}
	s, err := Create(root, m, []byte("format: 1\n"), Options{FS: fsys, MaxFile: 3 << 20})
	if err != nil {
		t.Fatal(err)
	}
	for i := 0; i < n; i += 1000 {
		s.Record(batchOf(i, min(1000, n-i)))
	}
	s.Mark(1_000_000_000, "here")
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	return s.Dir()
}

func artefact(name, text string) Artefact {
	return Artefact{Name: name, Write: func(w io.Writer) error { _, err := io.WriteString(w, text); return err }}
}

// mustVerify fails the test unless the session holds, and returns the remarks.
func mustVerify(t testing.TB, dir string, o VerifyOptions) (Verdict, []Finding) {
	t.Helper()
	v, list := verified(t, dir, o)
	if !v.Holds() {
		t.Fatalf("%s does not hold: %v", dir, list)
	}
	return v, list
}

func verified(t testing.TB, dir string, o VerifyOptions) (Verdict, []Finding) {
	t.Helper()
	var list []Finding
	v, err := Verify(context.Background(), dir, o, func(f Finding) { list = append(list, f) })
	if err != nil {
		t.Fatal(err)
	}
	return v, list
}

// writable gives the rights back, so that a test can do its mischief and the
// test's folder can be removed.
func writable(t testing.TB, dir string) {
	t.Helper()
	filepath.WalkDir(dir, func(p string, d fs.DirEntry, err error) error {
		if err == nil {
			OS{}.SetReadOnly(p, false)
		}
		return nil
	})
}

func TestSealAndVerify(t *testing.T) {
	ctx := context.Background()
	dir := recorded(t, nil, t.TempDir(), 100_000, Meta{Title: "seal", VIN: "11111111111111111"})
	t.Cleanup(func() { writable(t, dir) })

	if v, list := verified(t, dir, VerifyOptions{}); v.Holds() || list[0].Kind != FoundUnsealed || v.Frames != 100_000 {
		t.Errorf("before sealing: %+v, %v", v, list)
	}
	signer := newSigner(t)
	var steps []int64
	sealed, err := Seal(ctx, dir, SealOptions{
		Artefacts: []Artefact{artefact("shifts.json", "[]\n")}, Signer: signer, Now: testTime, Program: "00ff",
		Progress: func(done, total int64) {
			if done > total || len(steps) > 0 && done < steps[len(steps)-1] {
				t.Errorf("progress %d of %d after %v", done, total, steps)
			}
			steps = append(steps, done)
		},
	})
	if err != nil || sealed.Already || sealed.Files != 6 || len(steps) < 10 {
		t.Fatalf("%+v, %v, %d steps of progress", sealed, err, len(steps))
	}
	o := VerifyOptions{Keys: []ssh.PublicKey{signer.PublicKey()}, Again: []Artefact{artefact("shifts.json", "[]\n"), artefact("absent", "")}}
	v, remarks := mustVerify(t, dir, o)
	if len(remarks) > 0 || !v.Trusted || v.Files != 6 || v.Frames != 100_000 || v.Digest != sealed.Digest || v.Signer != sealed.Signer || v.Bytes != sealed.Bytes {
		t.Errorf("%+v, %v; sealed %+v", v, remarks, sealed)
	}
	info, err := os.ReadFile(filepath.Join(dir, infoName))
	if err != nil || !strings.Contains(string(info), fmt.Sprintf("\nPayload-Oxum: %d.%d\n", v.Bytes, v.Files)) || !strings.Contains(string(info), "\nBagging-Date: 2026-03-07\n") {
		t.Errorf("bag-info %q, %v", info, err)
	}
	if st, err := os.Stat(filepath.Join(dir, "data/capture-0001.pcapng")); err != nil || st.Mode().Perm()&0o222 != 0 {
		t.Errorf("still writable: %v, %v", st.Mode(), err)
	}
	again, err := Seal(ctx, dir, SealOptions{})
	if err != nil || !again.Already || again.Digest != sealed.Digest || again.Signer != sealed.Signer {
		t.Errorf("sealed twice: %+v, %v", again, err)
	}
	r, err := Open(dir)
	if err != nil || !r.Sealed() {
		t.Fatal(r, err)
	}
	if b := readBack(t, r); len(b.Frames) != 100_000 {
		t.Errorf("%d frames read", len(b.Frames))
	}
	// An artefact that comes out otherwise the next time, by the very same program.
	o.Again[0], o.Program = artefact("shifts.json", "[1]\n"), "00ff"
	if v, list := verified(t, dir, o); v.Holds() || list[0].Kind != FoundDifferent {
		t.Errorf("another artefact: %v", list)
	}
	// Another build may rightly make it otherwise, whatever it calls itself, and so may
	// one that cannot tell what it is; it is told, and no fault.
	for _, program := range []string{"00fe", ""} {
		o.Program = program
		if _, list := mustVerify(t, dir, o); len(list) != 1 || list[0].Kind != FoundVersion || !strings.Contains(list[0].Text, "an unnamed program makes it otherwise") {
			t.Errorf("program %q: %v", program, list)
		}
	}
	o.Program = "00ff"
	// What can be said in many ways is compared by what it says.
	o.Software, o.Again[0].Check = "", func(sealed io.ReaderAt, size int64) (string, error) {
		text := make([]byte, size)
		if _, err := sealed.ReadAt(text, 0); err != nil && err != io.EOF {
			return "", err
		}
		if string(text) != "[]\n" {
			return "no empty list", nil
		}
		return "", nil
	}
	if _, list := mustVerify(t, dir, o); len(list) != 0 {
		t.Errorf("the same in other words: %v", list)
	}
	// Without keys, the signature holds and a remark says whose it is.
	if _, list := mustVerify(t, dir, VerifyOptions{}); len(list) != 1 || list[0].Kind != FoundUnknownKey {
		t.Errorf("without keys: %v", list)
	}
	if v, list := verified(t, dir, VerifyOptions{Keys: []ssh.PublicKey{newSigner(t).PublicKey()}}); v.Holds() || list[0].Kind != FoundUnknownKey {
		t.Errorf("another key: %v", list)
	}
}

// coreutils and OpenSSH come to the same verdict, before and after a change.
func TestOtherToolsAgree(t *testing.T) {
	sha256sum, keygen := testneed.Tool(t, "sha256sum"), testneed.Tool(t, "ssh-keygen")
	dir := recorded(t, nil, t.TempDir(), 1000, Meta{})
	t.Cleanup(func() { writable(t, dir) })
	keyPath := filepath.Join(t.TempDir(), "keys", "key")
	key, err := KeyNew(keyPath, "bench")
	if err != nil {
		t.Fatal(err)
	}
	signer, err := KeyLoad(keyPath, nil)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := Seal(context.Background(), dir, SealOptions{Signer: signer}); err != nil {
		t.Fatal(err)
	}
	allowed := filepath.Join(t.TempDir(), "allowed")
	if err := os.WriteFile(allowed, fmt.Appendf(nil, "bench namespaces=%q %s\n", Namespace, KeyLine(key, "")), 0o644); err != nil {
		t.Fatal(err)
	}
	run := func(stdin string, name string, args ...string) error {
		cmd := exec.Command(name, args...)
		cmd.Dir = dir
		if stdin != "" {
			f, err := os.Open(filepath.Join(dir, stdin))
			if err != nil {
				t.Fatal(err)
			}
			defer f.Close()
			cmd.Stdin = f
		}
		out, err := cmd.CombinedOutput()
		if err != nil {
			return fmt.Errorf("%w: %s", err, out)
		}
		return nil
	}
	check := func() (sums, tags, sig error) {
		return run("", sha256sum, "--check", "--strict", "--quiet", manifestName), run("", sha256sum, "--check", "--strict", "--quiet", tagName),
			run(tagName, keygen, "-Y", "verify", "-f", allowed, "-I", "bench", "-n", Namespace, "-s", sigName)
	}
	if sums, tags, sig := check(); sums != nil || tags != nil || sig != nil {
		t.Errorf("as sealed: %v, %v, %v", sums, tags, sig)
	}
	// ssh-keygen knows the key we made, and its fingerprint.
	if out, err := exec.Command(keygen, "-l", "-f", keyPath).Output(); err != nil || !strings.Contains(string(out), Fingerprint(key)+" bench (ED25519)") {
		t.Errorf("ssh-keygen -l: %s, %v; want %s", out, err, Fingerprint(key))
	}
	if out, err := exec.Command(keygen, "-y", "-f", keyPath).Output(); err != nil || strings.TrimSpace(string(out)) != KeyLine(key, "bench") {
		t.Errorf("ssh-keygen -y: %s, %v; want %s", out, err, KeyLine(key, "bench"))
	}
	if keys, err := KeysLoad(allowed); err != nil || len(keys) != 1 || !sameKey(keys[0], key) {
		t.Errorf("allowed_signers read as %v, %v", keys, err)
	}

	writable(t, dir)
	flip(t, filepath.Join(dir, "data/capture-0001.pcapng"), 500)
	if sums, _, _ := check(); sums == nil {
		t.Error("sha256sum does not see a changed frame")
	}
	if v, _ := verified(t, dir, VerifyOptions{}); v.Holds() {
		t.Error("we do not see a changed frame")
	}
	flip(t, filepath.Join(dir, tagName), 3)
	if _, tags, sig := check(); tags == nil || sig == nil {
		t.Errorf("changed tag manifest: %v, %v", tags, sig)
	}
	// And a signature by ssh-keygen holds for us.
	os.Remove(filepath.Join(dir, sigName))
	if err := run("", keygen, "-q", "-Y", "sign", "-f", keyPath, "-n", Namespace, tagName); err != nil {
		t.Fatal(err)
	}
	v := &verifier{o: VerifyOptions{Keys: []ssh.PublicKey{key}}, fs: OS{}, dir: dir, altered: map[string]bool{}, m: &meter{ctx: context.Background()}}
	data, _ := os.ReadFile(filepath.Join(dir, tagName))
	if v.signature(data); !v.verdict.Holds() || !v.verdict.Trusted {
		t.Errorf("signature of ssh-keygen: %+v", v.verdict)
	}
}

func flip(t testing.TB, path string, at int64) {
	t.Helper()
	data, err := os.ReadFile(path)
	if err == nil {
		data[at] ^= 1
		err = os.WriteFile(path, data, 0o644)
	}
	if err != nil {
		t.Fatal(err)
	}
}

// another is a session like the others, of another drive and vehicle file.
func another(t *testing.T) string {
	s, err := Create(t.TempDir(), Meta{Title: "another", Started: testTime.Add(time.Hour)}, []byte("format: 1 # another\n"), Options{})
	if err != nil {
		t.Fatal(err)
	}
	s.Record(batchOf(70_000, 500))
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { writable(t, s.Dir()) })
	return s.Dir()
}

func copyFile(t *testing.T, from, to string) {
	t.Helper()
	data, err := os.ReadFile(from)
	if err == nil {
		err = os.WriteFile(to, data, 0o644)
	}
	if err != nil {
		t.Fatal(err)
	}
}

func symlink(t *testing.T, to, at string) {
	t.Helper()
	if err := os.Symlink(to, at); err != nil {
		t.Fatal(err)
	}
}

func TestVerifyNamesWhatFails(t *testing.T) {
	signer, stranger := newSigner(t), newSigner(t)
	for _, c := range []struct {
		name  string
		spoil func(t *testing.T, dir string)
		want  []string
		kinds []Kind
	}{
		{"frame", func(t *testing.T, dir string) { flip(t, dir+"/data/capture-0001.pcapng", 1_499_995) },
			[]string{"data/capture-0001.pcapng: changed since it was sealed: frames "}, []Kind{FoundChanged}},
		{"cut", func(t *testing.T, dir string) { os.Truncate(dir+"/data/capture-0002.pcapng", 100_000) },
			[]string{"data/capture-0002.pcapng: cut off since it was sealed: frames 1 to ", "data/capture-0002.pcapng: offset 99"}, []Kind{FoundChanged, FoundDamage}},
		{"added to", func(t *testing.T, dir string) {
			f, _ := os.OpenFile(dir+"/data/capture-0002.pcapng", os.O_APPEND|os.O_WRONLY, 0)
			f.Write(make([]byte, 12))
			f.Close()
		}, []string{"data/capture-0002.pcapng: 12 bytes have been added at its end", "data/capture-0002.pcapng: offset"}, []Kind{FoundChanged, FoundDamage}},
		{"removed", func(t *testing.T, dir string) { os.Remove(dir + "/data/journal.jsonl") },
			[]string{"data/journal.jsonl: is listed but not there"}, []Kind{FoundMissing}},
		{"added", func(t *testing.T, dir string) { os.WriteFile(dir+"/data/x.txt", []byte("x"), 0o644) },
			[]string{"data/x.txt: is not listed"}, []Kind{FoundUnlisted}},
		{"vehicle file", func(t *testing.T, dir string) { flip(t, dir+"/data/vehicle.yaml", 2) },
			[]string{"data/vehicle.yaml: has been changed"}, []Kind{FoundChanged}},
		{"description", func(t *testing.T, dir string) { flip(t, dir+"/bag-info.txt", 30) },
			[]string{"bag-info.txt: has been changed"}, nil},
		{"manifest and file together", func(t *testing.T, dir string) {
			flip(t, dir+"/data/vehicle.yaml", 2)
			_, d, _ := digest(OS{}, dir+"/data/vehicle.yaml", &meter{ctx: context.Background()})
			data, _ := os.ReadFile(dir + "/" + manifestName)
			i := bytes.Index(data, []byte("  data/vehicle.yaml"))
			copy(data[i-64:], d)
			os.WriteFile(dir+"/"+manifestName, data, 0o644)
		}, []string{"manifest-sha256.txt: has been changed"}, []Kind{FoundChanged}},
		{"everything but the signature", func(t *testing.T, dir string) {
			sig, _ := os.ReadFile(dir + "/" + sigName)
			os.Remove(dir + "/" + tagName)
			flip(t, dir+"/data/vehicle.yaml", 2)
			if _, err := Seal(context.Background(), dir, SealOptions{}); err != nil {
				t.Fatal(err)
			}
			os.WriteFile(dir+"/"+sigName, sig, 0o644)
		}, []string{"tagmanifest-sha256.txt.sig: the signature does not hold"}, []Kind{FoundSignature}},
		{"capture file of another session", func(t *testing.T, dir string) {
			copyFile(t, filepath.Join(another(t), "data/capture-0001.pcapng"), dir+"/data/capture-0001.pcapng")
		}, []string{"data/capture-0001.pcapng: cut off since it was sealed: frames 1 to "}, nil},
		{"vehicle file of another session", func(t *testing.T, dir string) {
			copyFile(t, filepath.Join(another(t), "data/vehicle.yaml"), dir+"/data/vehicle.yaml")
		}, []string{"data/vehicle.yaml: has been changed"}, []Kind{FoundChanged}},
		{"two capture files swapped", func(t *testing.T, dir string) {
			one, two := dir+"/data/capture-0001.pcapng", dir+"/data/capture-0002.pcapng"
			os.Rename(one, one+"x")
			os.Rename(two, one)
			os.Rename(one+"x", two)
		}, []string{"data/capture-0001.pcapng: cut off since it was sealed: frames 1 to "}, nil},
		{"seal of another session", func(t *testing.T, dir string) {
			other := another(t)
			if _, err := Seal(context.Background(), other, SealOptions{Signer: signer}); err != nil { // by the right key even
				t.Fatal(err)
			}
			for _, name := range []string{manifestName, tagName, sigName} {
				copyFile(t, filepath.Join(other, name), dir+"/"+name)
			}
		}, []string{"bag-info.txt: has been changed"}, nil},
		{"signature of another session", func(t *testing.T, dir string) {
			other := another(t)
			if _, err := Seal(context.Background(), other, SealOptions{Signer: signer}); err != nil {
				t.Fatal(err)
			}
			copyFile(t, filepath.Join(other, sigName), dir+"/"+sigName)
		}, []string{"tagmanifest-sha256.txt.sig: the signature does not hold: it was made over something else"}, []Kind{FoundSignature}},
		{"changed and sealed anew by another", func(t *testing.T, dir string) {
			flip(t, dir+"/data/vehicle.yaml", 2)
			os.Remove(dir + "/" + tagName)
			if _, err := Seal(context.Background(), dir, SealOptions{Signer: stranger}); err != nil {
				t.Fatal(err)
			}
		}, []string{"tagmanifest-sha256.txt.sig: signed with key " + Fingerprint(stranger.PublicKey()) + ", which is none of the 1 trusted ones"}, []Kind{FoundUnknownKey}},
		{"link in place of a file", func(t *testing.T, dir string) {
			os.Rename(dir+"/data/vehicle.yaml", dir+"/elsewhere")
			symlink(t, "../elsewhere", dir+"/data/vehicle.yaml")
		}, []string{"data/vehicle.yaml: neither a file nor a folder that may be here", "data/vehicle.yaml: is no plain file any more"}, nil},
		{"link in place of the payload", func(t *testing.T, dir string) {
			os.Rename(dir+"/data", dir+"/elsewhere")
			symlink(t, "elsewhere", dir+"/data")
		}, []string{"data: is no plain folder any more"}, nil},
		{"seal removed", func(t *testing.T, dir string) { os.Remove(dir + "/" + tagName) }, []string{"this session is not sealed"}, []Kind{FoundUnsealed}},
		{"signature removed", func(t *testing.T, dir string) { os.Remove(dir + "/" + sigName) }, []string{"sealed but not signed"}, []Kind{FoundUnsigned}},
		{"signature spoilt", func(t *testing.T, dir string) { os.WriteFile(dir+"/"+sigName, []byte("?"), 0o644) },
			[]string{"tagmanifest-sha256.txt.sig: cannot be read as a signature"}, []Kind{FoundSignature}},
	} {
		t.Run(c.name, func(t *testing.T) {
			dir := recorded(t, nil, t.TempDir(), 70_000, Meta{})
			if _, err := Seal(context.Background(), dir, SealOptions{Signer: signer}); err != nil {
				t.Fatal(err)
			}
			writable(t, dir)
			c.spoil(t, dir)
			writable(t, dir)
			v, list := verified(t, dir, VerifyOptions{Keys: []ssh.PublicKey{signer.PublicKey()}})
			if v.Holds() {
				t.Fatal("holds all the same")
			}
			list = slices.DeleteFunc(list, func(f Finding) bool { return f.Remark && f.Kind != FoundDamage })
			for i, want := range c.want {
				if i >= len(list) || !strings.HasPrefix(list[i].String(), want) {
					t.Errorf("findings %v; want %q", list, c.want)
				}
			}
			if c.kinds != nil && len(list) != len(c.kinds) {
				t.Errorf("findings %v; want %v", list, c.kinds)
			}
			for i := range min(len(c.kinds), len(list)) {
				if list[i].Kind != c.kinds[i] {
					t.Errorf("finding %d is %q, want %q", i, list[i].Kind, c.kinds[i])
				}
			}
			// Frames of 48 bytes behind a header of some hundred.
			if at := uint64(1_499_995 / 48); c.name == "frame" && (list[0].First > at || list[0].Last < at || list[0].Last-list[0].First > 25_000) {
				t.Errorf("frames %d to %d", list[0].First, list[0].Last)
			}
		})
	}
}

// What was put beside the sealed files is named, wherever it is, and changes
// nothing of what was sealed.
func TestFilesBesideTheSeal(t *testing.T) {
	dir := recorded(t, nil, t.TempDir(), 10, Meta{})
	if _, err := Seal(context.Background(), dir, SealOptions{}); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { writable(t, dir) })
	if err := Protect(dir, "claim"); err != nil { // belongs there
		t.Fatal(err)
	}
	if err := os.MkdirAll(dir+"/more/deep", 0o755); err != nil {
		t.Fatal(err)
	}
	write(t, dir+"/report.html", []byte("another report"))
	write(t, dir+"/more/deep/capture-0002.pcapng", nil)
	symlink(t, "/etc/passwd", dir+"/link")
	symlink(t, "..", dir+"/more/up")
	_, list := mustVerify(t, dir, VerifyOptions{})
	var named []string
	for _, f := range list {
		if f.Kind == FoundUnlisted {
			named = append(named, f.Path)
		}
	}
	slices.Sort(named)
	if want := []string{"link", "more/deep/capture-0002.pcapng", "more/up", "report.html"}; !slices.Equal(named, want) {
		t.Errorf("named %v; want %v", named, want)
	}
}

// A session that a power failure has cut off seals like any other; what was cut
// is said and is no fault of the seal.
func TestSealAfterPowerFailure(t *testing.T) {
	dir := recorded(t, nil, t.TempDir(), 2000, Meta{})
	t.Cleanup(func() { writable(t, dir) })
	path := filepath.Join(dir, "data/capture-0001.pcapng")
	st, err := os.Stat(path)
	if err != nil {
		t.Fatal(err)
	}
	os.Truncate(path, st.Size()-300)
	os.Truncate(filepath.Join(dir, journalPath), 100)
	sealed, err := Seal(context.Background(), dir, SealOptions{})
	if err != nil || len(sealed.Damage) != 1 {
		t.Fatalf("%+v, %v", sealed, err)
	}
	_, list := mustVerify(t, dir, VerifyOptions{})
	var text []string
	for _, f := range list {
		text = append(text, f.String())
	}
	all := strings.Join(text, "\n")
	for _, want := range []string{"sealed but not signed", "the file ends inside a block", "(it was so when it was sealed)", "data/journal.jsonl: the last line is cut off"} {
		if !strings.Contains(all, want) {
			t.Errorf("no %q in:\n%s", want, all)
		}
	}
	if got, err := os.Stat(path); err != nil || got.Size() != st.Size()-300 {
		t.Errorf("the recording was touched: %v, %v", got.Size(), err)
	}
}

// Sealing that fails or is cut off at any operation can be done again, and never
// leaves something that passes for sealed and does not hold.
func TestSealSurvivesEverything(t *testing.T) {
	signer := newSigner(t)
	arts := []Artefact{artefact("shifts.json", "[]\n"), artefact("report.html", strings.Repeat("x", 5000))}
	for _, how := range []fault{fails, halves, loses} {
		for n := 1; ; n++ {
			reached := false
			synctest.Test(t, func(t *testing.T) {
				disk := newMemFS()
				dir := recorded(t, disk, "/s", 100, Meta{})
				start := disk.ops
				disk.fail = func(op int, _ string) fault {
					if op-start == n {
						reached = true
						return how
					}
					return works
				}
				_, err := Seal(context.Background(), dir, SealOptions{FS: disk, Artefacts: arts, Signer: signer, Now: testTime})
				disk.fail = nil
				rng := rand.New(rand.NewPCG(uint64(n), uint64(how)))
				for name, after := range map[string]*memFS{"as it is": disk, "after a power cut": disk.powerCut(rng)} {
					name = fmt.Sprintf("fault %d at operation %d, %s", how, n, name)
					if exists(after, dir+"/"+tagName) {
						if v, list := verified(t, dir, VerifyOptions{FS: after, Keys: []ssh.PublicKey{signer.PublicKey()}}); !v.Holds() {
							t.Errorf("%s: sealed, but: %v", name, list)
						}
					} else if err == nil {
						t.Errorf("%s: reported as sealed", name)
					}
					if _, err := Seal(context.Background(), dir, SealOptions{FS: after, Artefacts: arts, Signer: signer, Now: testTime}); err != nil {
						t.Errorf("%s: cannot be sealed again: %v", name, err)
						continue
					}
					if v, list := verified(t, dir, VerifyOptions{FS: after, Keys: []ssh.PublicKey{signer.PublicKey()}}); !v.Holds() || v.Frames != 100 || !v.Trusted {
						t.Errorf("%s: sealed again: %+v, %v", name, v, list)
					}
				}
			})
			if !reached {
				if n < 40 {
					t.Errorf("sealing took only %d operations", n)
				}
				break
			}
		}
	}
}

// The verifier is tested by flipping each byte under it, and by cutting each file
// off; it says which file it was, and of a capture file which frames.
func TestVerifySeesEveryFlippedByte(t *testing.T) {
	signer := newSigner(t)
	synctest.Test(t, func(t *testing.T) {
		disk := newMemFS()
		dir := recorded(t, disk, "/s", 20, Meta{Title: "x"})
		made := []Artefact{artefact("signals.parquet", "a table\n"), artefact("shifts.json", "[]\n"), artefact("report.html", "<p>\n")}
		if _, err := Seal(context.Background(), dir, SealOptions{FS: disk, Signer: signer, Artefacts: made}); err != nil {
			t.Fatal(err)
		}
		o := VerifyOptions{FS: disk, Keys: []ssh.PublicKey{signer.PublicKey()}}
		if v, list := verified(t, dir, o); !v.Holds() || v.Remarks != 0 {
			t.Fatal(list)
		}
		kinds := 0
		for path, n := range disk.nodes {
			if n.dir || strings.HasSuffix(path, lockName) {
				continue
			}
			kinds++
			name := strings.TrimPrefix(path, dir+"/")
			named := func(how string) {
				v, list := verified(t, dir, o)
				if v.Holds() {
					t.Errorf("%s: %s and not seen", name, how)
					return
				}
				if !slices.ContainsFunc(list, func(f Finding) bool {
					switch {
					case f.Remark:
						return false
					case name == tagName: // it is the signature that vouches for it
						return f.Path == sigName
					case strings.HasSuffix(name, ".pcapng"):
						return f.Path == name && f.First > 0 && f.Last <= 20
					}
					return f.Path == name
				}) {
					t.Errorf("%s: %s and not named: %v", name, how, list)
				}
			}
			whole := n.data
			for i := range whole {
				n.data[i] ^= 0x10
				if !(name == sigName && saysTheSame(n.data, i)) {
					named(fmt.Sprintf("byte %d flipped", i))
				}
				n.data[i] ^= 0x10
			}
			for i := 0; i < len(whole); i += 1 + len(whole)/20 {
				n.data = whole[:i]
				named(fmt.Sprintf("cut off after %d bytes", i))
			}
			n.data = whole
		}
		if kinds != 12 {
			t.Errorf("%d files tried; want the twelve of a sealed session", kinds)
		}
	})
}

// saysTheSame tells whether a signature with a flipped byte in its armour still
// holds the same bytes.
func saysTheSame(data []byte, flipped int) bool {
	now, err := sshsig.Unarmor(data)
	if err != nil {
		return false
	}
	data = bytes.Clone(data)
	data[flipped] ^= 0x10
	was, err := sshsig.Unarmor(data)
	return err == nil && bytes.Equal(now.Marshal(), was.Marshal())
}

func TestCreateRefusals(t *testing.T) {
	root := t.TempDir()
	file := write(t, filepath.Join(root, "file"), nil)
	for _, bad := range []string{file, filepath.Join(file, "below")} {
		if _, err := Create(bad, Meta{}, nil, Options{}); err == nil || !strings.HasPrefix(err.Error(), bad+": a session cannot be begun here: ") || !strings.HasSuffix(err.Error(), "choose another folder for sessions or make room") {
			t.Errorf("%v", err)
		}
	}
	// Two sessions of one second and title have two folders.
	var dirs []string
	for range 3 {
		dirs = append(dirs, filepath.Base(recorded(t, nil, root, 1, Meta{Title: "twice"})))
	}
	if fmt.Sprint(dirs) != "[2026-03-07_14-15-03_twice 2026-03-07_14-15-03_twice-2 2026-03-07_14-15-03_twice-3]" {
		t.Errorf("%v", dirs)
	}
}

func TestSealRefusals(t *testing.T) {
	ctx := context.Background()
	root := t.TempDir()
	s, err := Create(root, Meta{Started: testTime}, nil, Options{})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := Seal(ctx, s.Dir(), SealOptions{}); !errors.Is(err, errBusy) {
		t.Errorf("sealed while recording: %v", err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		art  Artefact
		want string
	}{
		{artefact("../x", ""), "expected a plain file name"},
		{artefact("a%b", ""), "expected a plain file name"},
		{artefact("journal.jsonl", ""), "would overwrite the recording"},
		{artefact("capture-0001.pcapng", ""), "would overwrite the recording"},
		{Artefact{Name: "x", Write: func(io.Writer) error { return errors.New("no gear train") }}, "data/x: no gear train"},
	} {
		if _, err := Seal(ctx, s.Dir(), SealOptions{Artefacts: []Artefact{c.art}}); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v; want %q", c.art.Name, err, c.want)
		}
	}
	odd := filepath.Join(s.Dir(), "data", "50% done.txt")
	os.WriteFile(odd, nil, 0o644)
	if _, err := Seal(ctx, s.Dir(), SealOptions{}); err == nil || !strings.Contains(err.Error(), "rename the file") {
		t.Errorf("odd name: %v", err)
	}
	os.Remove(odd)
	if err := os.Symlink("/etc/passwd", filepath.Join(s.Dir(), "data", "link")); err == nil {
		if _, err := Seal(ctx, s.Dir(), SealOptions{}); err == nil || !strings.Contains(err.Error(), "data/link") {
			t.Errorf("link: %v", err)
		}
		os.Remove(filepath.Join(s.Dir(), "data", "link"))
	}
	stopped, cancel := context.WithCancel(ctx)
	cancel()
	if _, err := Seal(stopped, s.Dir(), SealOptions{}); !errors.Is(err, context.Canceled) {
		t.Errorf("cancelled: %v", err)
	}
	if _, err := Seal(ctx, filepath.Join(root, "none"), SealOptions{}); err == nil || !strings.Contains(err.Error(), "no session") {
		t.Errorf("no session: %v", err)
	}
	if _, err := Seal(ctx, s.Dir(), SealOptions{}); err != nil {
		t.Errorf("after all that: %v", err)
	}
	writable(t, s.Dir())
}

func TestKeys(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "key")
	if _, err := KeyLoad(path, nil); !errors.Is(err, fs.ErrNotExist) || !strings.Contains(err.Error(), "make one first") {
		t.Errorf("no key: %v", err)
	}
	key, err := KeyNew(path, "a comment")
	if err != nil {
		t.Fatal(err)
	}
	if _, err := KeyNew(path, ""); err == nil || !strings.Contains(err.Error(), "not overwritten") {
		t.Errorf("second key: %v", err)
	}
	if _, err := KeyNew(filepath.Join(dir, "other"), "two\nlines"); err == nil {
		t.Error("a comment of two lines was taken")
	}
	signer, err := KeyLoad(path, nil)
	if err != nil || !sameKey(signer.PublicKey(), key) {
		t.Errorf("%v", err)
	}
	if keys, err := KeysLoad(path + ".pub"); err != nil || len(keys) != 1 || !sameKey(keys[0], key) {
		t.Errorf("public half: %v, %v", keys, err)
	}
	os.WriteFile(filepath.Join(dir, "bad"), []byte("# comment\n\nno key here\n"), 0o600)
	if _, err := KeysLoad(filepath.Join(dir, "bad")); err == nil || !strings.Contains(err.Error(), "bad:3: expected a public key") {
		t.Errorf("bad keys: %v", err)
	}
	if _, err := KeyLoad(filepath.Join(dir, "bad"), nil); err == nil || !strings.Contains(err.Error(), "expected a private key of OpenSSH") {
		t.Errorf("bad key: %v", err)
	}
	_, private, _ := ed25519.GenerateKey(nil)
	block, err := ssh.MarshalPrivateKeyWithPassphrase(private, "", []byte("secret"))
	if err != nil {
		t.Fatal(err)
	}
	locked := filepath.Join(dir, "locked")
	os.WriteFile(locked, pem.EncodeToMemory(block), 0o600)
	if _, err := KeyLoad(locked, nil); err == nil || !strings.Contains(err.Error(), "passphrase") {
		t.Errorf("locked key: %v", err)
	}
	if _, err := KeyLoad(locked, func() ([]byte, error) { return []byte("secret"), nil }); err != nil {
		t.Errorf("locked key with its passphrase: %v", err)
	}
	os.Chmod(path, 0o644)
	if _, err := KeyLoad(path, nil); err == nil || !strings.Contains(err.Error(), "chmod 600") {
		t.Errorf("key that others can read: %v", err)
	}
}

func TestEntriesOfAnyKind(t *testing.T) {
	text := `{"time_s":1.5,"kind":"mark","text":"a"}` + "\n\n" + "no json\n" + `{"time_s":2}` + "\n" + `[1]` + "\n" +
		`{"kind":"mark","time_s":3e0}` + "\n" + strings.Repeat("x", maxEntry+10) + "\n" + `{"time_s":4,"kind":"end"}` + "\n" + `{"time_s":5,"ki`
	var got []string
	for e, err := range entries(strings.NewReader(text), "j") {
		if err != nil {
			got = append(got, err.Error())
			continue
		}
		got = append(got, fmt.Sprint(e.Time, " ", e.Kind))
		if !json.Valid(e.Fields) {
			t.Errorf("fields %s", e.Fields)
		}
	}
	want := []string{"1500000000 mark", `j:3: expected one JSON object a line, found "no json"`, `j:4: expected time_s and kind, found "{\"time_s\":2}"`,
		`j:5: expected one JSON object a line, found "[1]"`, "3000000000 mark", "j:7: a line of more than 1048576 bytes", "4000000000 end",
		"j:9: the last line is cut off, as by a power failure"}
	if !slices.Equal(got, want) {
		t.Errorf("got\n%s\nwant\n%s", strings.Join(got, "\n"), strings.Join(want, "\n"))
	}
}

func FuzzJournal(f *testing.F) {
	f.Add([]byte(`{"time_s":1.5,"kind":"mark","text":"a"}` + "\n"))
	f.Add([]byte(`{"time_s":-0.000000001,"kind":"x"}` + "\n{"))
	f.Fuzz(func(t *testing.T, data []byte) {
		for e, err := range entries(bytes.NewReader(data), "j") {
			if err != nil {
				continue
			}
			// What was read can be written and reads the same.
			line, werr := appendEntry(nil, e.Kind, e.Time, nil)
			if werr != nil {
				t.Fatal(werr)
			}
			again, perr := parseEntry(bytes.TrimSpace(line))
			if perr != nil || again.Time != e.Time || again.Kind != e.Kind {
				t.Fatalf("%+v written %s reads %+v, %v", e, line, again, perr)
			}
		}
	})
}

func FuzzBagInfo(f *testing.F) {
	f.Add([]byte("Session-Format: 1\nVehicle: van\n  folded\nX: y\n"))
	f.Fuzz(func(t *testing.T, data []byte) {
		in, err := parseInfo(data)
		if err != nil {
			return
		}
		once := in.encode()
		again, err := parseInfo(once)
		if err != nil || !bytes.Equal(again.encode(), once) {
			t.Fatalf("%q reads again as %+v, %v, written %q", once, again, err, again.encode())
		}
	})
}

func FuzzManifest(f *testing.F) {
	f.Add([]byte(strings.Repeat("ab", 32) + "  data/x\n"))
	f.Add([]byte(strings.Repeat("ab", 32) + " *data/%0A\n"))
	f.Fuzz(func(t *testing.T, data []byte) {
		for _, l := range parseManifest("m", data, true, func(string, string) {}) {
			if why := unsafePath(l.path); why != "" || len(l.digest) != 64 {
				t.Fatalf("%q passes: %s", l.path, why)
			}
		}
	})
}

func FuzzStretches(f *testing.F) {
	f.Add([]byte(stretch{file: "data/capture-0001.pcapng", size: 4, first: 1, last: 2, to: 5, digest: strings.Repeat("ab", 32)}.String() + "\n"))
	f.Fuzz(func(t *testing.T, data []byte) {
		list, err := parseStretches(bytes.NewReader(data))
		if err != nil {
			return
		}
		for _, s := range list {
			again, err := parseStretches(strings.NewReader(s.String()))
			if err != nil || len(again) != 1 || again[0] != s {
				t.Fatalf("%+v reads again as %+v, %v", s, again, err)
			}
		}
	})
}
