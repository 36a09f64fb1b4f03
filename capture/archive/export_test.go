package archive

import (
	"archive/zip"
	"bytes"
	"context"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"golang.org/x/crypto/ssh"
)

func exportOf(t testing.TB, dir string) []byte {
	t.Helper()
	var out bytes.Buffer
	var last, total int64
	if err := Export(context.Background(), dir, &out, func(d, n int64) { last, total = d, n }); err != nil {
		t.Fatal(err)
	}
	if last != total || total == 0 {
		t.Errorf("progress ended at %d of %d", last, total)
	}
	return out.Bytes()
}

func write(t testing.TB, path string, data []byte) string {
	t.Helper()
	if err := os.WriteFile(path, data, 0o644); err != nil {
		t.Fatal(err)
	}
	return path
}

func TestExportAndImport(t *testing.T) {
	ctx := context.Background()
	root := t.TempDir()
	dir := recorded(t, nil, root, 5000, Meta{Title: "export"})
	signer := newSigner(t)
	if _, err := Seal(ctx, dir, SealOptions{Signer: signer, Artefacts: []Artefact{artefact("shifts.json", "[]")}}); err != nil {
		t.Fatal(err)
	}
	if err := Protect(dir, "claim 4711"); err != nil {
		t.Fatal(err)
	}
	zipped := exportOf(t, dir)
	if again := exportOf(t, dir); !bytes.Equal(zipped, again) {
		t.Error("two exports differ")
	}
	path := write(t, filepath.Join(t.TempDir(), "x.zip"), zipped)
	elsewhere := t.TempDir()
	o := ImportOptions{Verify: VerifyOptions{Keys: []ssh.PublicKey{signer.PublicKey()}}}
	got, err := Import(ctx, path, elsewhere, o)
	if err != nil || filepath.Base(got) != filepath.Base(dir) {
		t.Fatal(got, err)
	}
	t.Cleanup(func() { writable(t, root); writable(t, elsewhere) })
	if v, list := mustVerify(t, got, o.Verify); !v.Trusted || v.Frames != 5000 || len(list) > 0 {
		t.Errorf("%+v, %v", v, list)
	}
	if exists(OS{}, filepath.Join(got, protectName)) {
		t.Error("the protection here went with the export")
	}
	if _, err := Import(ctx, path, elsewhere, o); err == nil || !strings.Contains(err.Error(), "exists already") {
		t.Errorf("imported twice: %v", err)
	}
	// Somebody else's key, or a session that does not hold: nothing stays.
	third := t.TempDir()
	o.Verify.Keys = []ssh.PublicKey{newSigner(t).PublicKey()}
	if _, err := Import(ctx, path, third, o); err == nil || !strings.Contains(err.Error(), "none of the 1 trusted ones") {
		t.Errorf("another key: %v", err)
	}
	for i := 0; i < len(zipped); i += 1 + len(zipped)/60 {
		bad := bytes.Clone(zipped)
		bad[i] ^= 0x40
		if where, err := Import(ctx, write(t, path, bad), third, ImportOptions{}); err == nil {
			// Some bytes of a zip mean nothing: times, versions.
			mustVerify(t, where, VerifyOptions{})
			if err := removeTree(OS{}, where); err != nil {
				t.Fatal(err)
			}
		}
	}
	if left, _ := os.ReadDir(third); len(left) > 0 {
		t.Errorf("left behind: %v", left)
	}
	// Cut anywhere it is no zip, or one whose entries end early.
	for _, n := range []int{0, 10, len(zipped) / 2, len(zipped) - 1} {
		if _, err := Import(ctx, write(t, path, zipped[:n]), third, ImportOptions{}); err == nil {
			t.Errorf("imported the first %d bytes", n)
		}
	}
}

func TestImportUnsealed(t *testing.T) {
	dir := recorded(t, nil, t.TempDir(), 100, Meta{})
	path := write(t, filepath.Join(t.TempDir(), "x.zip"), exportOf(t, dir))
	root := t.TempDir()
	if _, err := Import(context.Background(), path, root, ImportOptions{}); err == nil || !strings.Contains(err.Error(), "not sealed") {
		t.Errorf("%v", err)
	}
	if _, err := Import(context.Background(), path, root, ImportOptions{Unsealed: true}); err != nil {
		t.Error(err)
	}
}

// Zips made to do harm: none of them may write a byte outside, or many inside.
func TestImportRefuses(t *testing.T) {
	tags := map[string]string{"s/" + bagitName: bagitText, "s/" + infoName: "Session-Format: 1\n"}
	zipOf := func(add func(z *zip.Writer)) []byte {
		var b bytes.Buffer
		z := zip.NewWriter(&b)
		for name, text := range tags {
			w, err := z.Create(name)
			if err != nil {
				t.Fatal(err)
			}
			io.WriteString(w, text)
		}
		add(z)
		if err := z.Close(); err != nil {
			t.Fatal(err)
		}
		return b.Bytes()
	}
	entry := func(name string, text string) func(*zip.Writer) {
		return func(z *zip.Writer) {
			w, err := z.CreateHeader(&zip.FileHeader{Name: name, Method: zip.Store})
			if err != nil {
				t.Fatal(err)
			}
			io.WriteString(w, text)
		}
	}
	raw := func(h zip.FileHeader, packed string) func(*zip.Writer) {
		return func(z *zip.Writer) {
			w, err := z.CreateRaw(&h)
			if err != nil {
				t.Fatal(err)
			}
			io.WriteString(w, packed)
		}
	}
	link := zip.FileHeader{Name: "s/data/link", Method: zip.Store, UncompressedSize64: 11, CompressedSize64: 11}
	link.SetMode(fs.ModeSymlink | 0o777)
	for _, c := range []struct {
		name string
		zip  []byte
		want string
	}{
		{"path up", zipOf(entry("s/../../evil", "x")), "leaves the bag"},
		{"absolute path", zipOf(entry("/tmp/evil", "x")), "outside the bag"},
		{"backslashes", zipOf(entry(`s\..\evil`, "x")), "means something else"},
		{"drive letter", zipOf(entry("C:/evil", "x")), "means something else"},
		{"two folders", zipOf(entry("t/data/x", "x")), "entries of two folders"},
		{"file beside the folder", zipOf(entry("s", "x")), "outside the session's folder"},
		{"link", zipOf(raw(link, "/etc/passwd")), "no plain file"},
		{"twice", zipOf(func(z *zip.Writer) { entry("s/data/x", "x")(z); entry("s/data/X", "y")(z) }), "comes twice"},
		{"bomb by its own account", zipOf(raw(zip.FileHeader{Name: "s/data/b", Method: zip.Deflate, UncompressedSize64: 1 << 40, CompressedSize64: 10}, "0123456789")), "more than the 1048576 bytes allowed"},
		{"unlikely ratio", zipOf(raw(zip.FileHeader{Name: "s/data/b", Method: zip.Deflate, UncompressedSize64: 1 << 19, CompressedSize64: 10}, "0123456789")), "claims to unpack to"},
		{"many small to too much", zipOf(func(z *zip.Writer) {
			for i := range 20 {
				entry(fmt.Sprintf("s/data/%d", i), strings.Repeat("x", 60_000))(z)
			}
		}), "more than the 1048576 bytes allowed"},
		{"lying about its size", zipOf(raw(zip.FileHeader{Name: "s/data/b", Method: zip.Store, UncompressedSize64: 5, CompressedSize64: 10}, "0123456789")), ""},
		{"odd method", zipOf(raw(zip.FileHeader{Name: "s/data/b", Method: 12, UncompressedSize64: 10, CompressedSize64: 10}, "0123456789")), "packed by method 12"},
		{"no session", func() []byte {
			var b bytes.Buffer
			z := zip.NewWriter(&b)
			entry("s/x", "x")(z)
			z.Close()
			return b.Bytes()
		}(), "bagit.txt is missing"},
		{"two entries over the same bytes", sharing(t, zipOf(func(z *zip.Writer) { entry("s/data/a", "xxxx")(z); entry("s/data/b", "yyyy")(z) })), "share their bytes"},
		{"link to a folder, then a file through it", zipOf(func(z *zip.Writer) { raw(link, "/etc/passwd")(z); entry("s/data/link/x", "x")(z) }), "no plain file"},
		{"case that only some systems fold", zipOf(func(z *zip.Writer) { entry("s/data/strasse", "x")(z); entry("s/data/\u017ftra\u017f\u017fe", "y")(z) }), "comes twice"},
		{"folders that some systems take for one", zipOf(func(z *zip.Writer) { entry("s/data/x", "x")(z); entry("s/Data/y", "y")(z) }), "comes twice"},
		{"the tags in other case", zipOf(entry("s/BagIt.txt", "x")), "comes twice"},
		{"text", []byte("no zip at all"), "no zip file"},
		{"file in the way of a folder", zipOf(func(z *zip.Writer) { entry("s/data", "x")(z); entry("s/data/x", "y")(z) }), ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			outside := t.TempDir()
			root := filepath.Join(outside, "root")
			path := write(t, filepath.Join(t.TempDir(), "x.zip"), c.zip)
			_, err := Import(context.Background(), path, root, ImportOptions{MaxBytes: 1 << 20, Unsealed: true})
			if err == nil || !strings.Contains(err.Error(), c.want) {
				t.Errorf("got %v; want %q", err, c.want)
			}
			filepath.WalkDir(outside, func(p string, d fs.DirEntry, err error) error {
				if p != outside && p != root {
					t.Errorf("left behind: %s", p)
				}
				return nil
			})
		})
	}
}

// sharing lets the last entry of a zip point to the bytes of the one before. The
// offset is at byte 42 of a central directory header (APPNOTE.TXT 4.3.12).
func sharing(t *testing.T, data []byte) []byte {
	t.Helper()
	var at []int
	for i := 0; ; {
		k := bytes.Index(data[i:], []byte("PK\x01\x02"))
		if k < 0 {
			break
		}
		at = append(at, i+k)
		i += k + 4
	}
	if len(at) < 2 {
		t.Fatal("no two entries")
	}
	copy(data[at[len(at)-1]+42:][:4], data[at[len(at)-2]+42:][:4])
	return data
}

func FuzzImport(f *testing.F) {
	var b bytes.Buffer
	z := zip.NewWriter(&b)
	for _, name := range []string{"s/" + bagitName, "s/" + infoName, "s/data/x"} {
		w, _ := z.Create(name)
		io.WriteString(w, "Session-Format: 1\n")
	}
	z.Close()
	f.Add(b.Bytes())
	f.Fuzz(func(t *testing.T, data []byte) {
		r, err := zip.NewReader(bytes.NewReader(data), int64(len(data)))
		if err != nil {
			return
		}
		plan, err := planImport(r, 1<<20)
		if err != nil {
			return
		}
		if unsafePath(plan.name) != "" || strings.Contains(plan.name, "/") || plan.bytes > 1<<20 {
			t.Fatalf("plan %+v", plan)
		}
		for _, f := range plan.files {
			if unsafePath(f.Name) != "" || !strings.HasPrefix(f.Name, plan.name+"/") {
				t.Fatalf("entry %q passes", f.Name)
			}
		}
	})
}

func TestPrune(t *testing.T) {
	root := t.TempDir()
	ctx := context.Background()
	now := testTime
	make := func(days int, title string) string {
		return recorded(t, nil, root, 10, Meta{Title: title, Started: now.AddDate(0, 0, -days)})
	}
	old, oldSealed, disputed, fresh := make(100, "old"), make(99, "sealed"), make(98, "disputed"), make(2, "fresh")
	for _, dir := range []string{oldSealed, disputed} {
		if _, err := Seal(ctx, dir, SealOptions{}); err != nil {
			t.Fatal(err)
		}
	}
	if err := Protect(disputed, "claim\n4711"); err != nil {
		t.Fatal(err)
	}
	mustVerify(t, disputed, VerifyOptions{}) // protecting does not touch the seal
	running, err := Create(root, Meta{Title: "running", Started: now.AddDate(0, 0, -50)}, nil, Options{})
	if err != nil {
		t.Fatal(err)
	}
	broken := make(70, "broken")
	write(t, filepath.Join(broken, infoName), []byte("Session-Format: 99\n"))
	os.MkdirAll(filepath.Join(root, ".removed-by-a-crash", "data"), 0o755)
	write(t, filepath.Join(root, "note.txt"), nil)

	list, err := List(root)
	if err != nil || len(list) != 6 {
		t.Fatalf("%v, %v", list, err)
	}
	for _, l := range list {
		if l.Bytes < 100 || l.Sealed != (l.Dir == oldSealed || l.Dir == disputed) || l.Protected != (l.Dir == disputed) || (l.Err != nil) != (l.Dir == broken) {
			t.Errorf("%+v", l)
		}
	}
	want := map[string]string{old: "", oldSealed: "", disputed: "protected", fresh: "not old enough", running.Dir(): "being recorded",
		broken: "cannot be read: " + broken + ": written by session format 99, this program reads 1 to 1; use a newer program"}
	for _, dry := range []bool{true, false} {
		got, err := Prune(root, 30*24*time.Hour, now, dry)
		if err != nil || len(got) != 6 {
			t.Fatalf("%v, %v", got, err)
		}
		for _, p := range got {
			if p.Kept != want[p.Dir] || p.Removed != (want[p.Dir] == "") {
				t.Errorf("dry %v: %s: removed %v, kept %q; want %q", dry, p.Name, p.Removed, p.Kept, want[p.Dir])
			}
			if there := exists(OS{}, p.Dir); there != (dry || !p.Removed) {
				t.Errorf("dry %v: %s there: %v", dry, p.Name, there)
			}
		}
	}
	if exists(OS{}, filepath.Join(root, ".removed-by-a-crash")) {
		t.Error("what a crash left half-removed is still there")
	}
	if err := running.Close(); err != nil {
		t.Error(err)
	}
	if err := Unprotect(disputed); err != nil {
		t.Error(err)
	}
	if err := Unprotect(disputed); err != nil {
		t.Error(err)
	}
	got, err := Prune(root, 30*24*time.Hour, now, false)
	if err != nil || exists(OS{}, disputed) || exists(OS{}, running.Dir()) || !exists(OS{}, fresh) {
		t.Errorf("%v, %v", got, err)
	}
	if list, err := Prune(filepath.Join(root, "none"), 0, now, false); list != nil || err != nil {
		t.Errorf("no root: %v, %v", list, err)
	}
}
