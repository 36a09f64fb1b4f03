package archive

import (
	"bufio"
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
	"regexp"
	"strings"
	"unicode/utf8"
)

const (
	maxManifest = 64 << 20
	maxDepth    = 16
)

// apart are the files beside the payload that no tag manifest can or should
// list: the tag manifest itself, what is made from it, and what may change
// after sealing.
var apart = map[string]bool{tagName: true, sigName: true, tokenName: true, protectName: true, lockName: true}

// listed is one line of a manifest.
type listed struct {
	path   string // decoded, forward slashes
	digest string // lower-case hex
}

// parseManifest reads a manifest of RFC 8493 section 2.1.3. Bad lines go to
// bad, with their number; the others are returned. payload asks for paths below
// data/, otherwise for paths outside it.
func parseManifest(name string, data []byte, payload bool, bad func(path, text string)) []listed {
	var list []listed
	seen := map[string]bool{}
	sc := bufio.NewScanner(bytes.NewReader(data))
	sc.Buffer(nil, 64<<10)
	n := 0
	for sc.Scan() {
		n++
		line := strings.TrimSuffix(sc.Text(), "\r")
		if strings.TrimSpace(line) == "" {
			continue
		}
		// Between them white space; the * is that of sha256sum's binary mode.
		digest, file := line, ""
		if i := strings.IndexAny(line, " \t"); i >= 0 {
			digest, file = line[:i], strings.TrimPrefix(strings.TrimLeft(line[i:], " \t"), "*")
		}
		digest = strings.ToLower(digest)
		if len(digest) != 64 || strings.Trim(digest, "0123456789abcdef") != "" || file == "" {
			bad(name, fmt.Sprintf("line %d: expected 64 hex digits, spaces and a path, found %q", n, clip(line)))
			continue
		}
		file = decodeName(file)
		switch problem := unsafePath(file); {
		case problem != "":
			bad(file, fmt.Sprintf("%s, line %d: %s", name, n, problem))
		case strings.HasPrefix(file, dataDir+"/") != payload:
			bad(file, fmt.Sprintf("%s, line %d: does not belong into this manifest", name, n))
		case seen[file]:
			bad(file, fmt.Sprintf("%s, line %d: listed twice", name, n))
		case len(list) == maxListed:
			bad(name, fmt.Sprintf("more than %d files are listed", maxListed))
			return list
		default:
			seen[file] = true
			list = append(list, listed{file, digest})
		}
	}
	if err := sc.Err(); err != nil {
		bad(name, fmt.Sprintf("after line %d: a line of more than 64 KiB", n))
	}
	return list
}

// decodeName undoes the encoding of manifests: LF, CR and % alone.
func decodeName(s string) string {
	return strings.NewReplacer("%0A", "\n", "%0a", "\n", "%0D", "\r", "%0d", "\r", "%25", "%").Replace(s)
}

// unsafePath says why a path of somebody else's must not be followed; empty
// when it stays inside the folder on every system.
func unsafePath(p string) string {
	switch {
	case p == "":
		return "an empty path"
	case len(p) > 1024:
		return "a path of more than 1,024 bytes"
	case !utf8.ValidString(p):
		return "a path that is no UTF-8"
	case strings.HasPrefix(p, "/") || strings.HasPrefix(p, "~"):
		return "a path from outside the bag"
	case strings.ContainsAny(p, "\\\x00") || strings.Contains(p, ":"):
		return "a path with \\, : or a zero byte, which means something else on some systems"
	case path.Clean(p) != p || !filepath.IsLocal(filepath.FromSlash(p)):
		return "a path that leaves the bag or is not in its simplest form"
	}
	return ""
}

// ownName is what a file we list may be called, so that sha256sum and every
// other tool reads our manifests without any decoding.
var ownName = regexp.MustCompile(`^[^\x00-\x1f\x7f%\\:~][^\x00-\x1f\x7f%\\:]*$`)

// walkFiles lists the regular files below a folder of the bag, in order, with
// paths relative to dir. Anything else that is found there goes to odd.
func walkFiles(fsys FS, dir, below string, odd func(path, text string)) ([]string, error) {
	var files []string
	var walk func(rel string, depth int) error
	walk = func(rel string, depth int) error {
		entries, err := fsys.ReadDir(filepath.Join(dir, filepath.FromSlash(rel)))
		if err != nil {
			return plain(err)
		}
		for _, e := range entries {
			name := path.Join(rel, e.Name())
			switch {
			case len(files) >= maxListed:
				return fmt.Errorf("%s: more than %d files", dir, maxListed)
			case e.IsDir() && depth < maxDepth:
				if err := walk(name, depth+1); err != nil {
					return err
				}
			case e.Type().IsRegular():
				files = append(files, name)
			default:
				odd(name, "neither a file nor a folder that may be here; put the file itself in its place")
			}
		}
		return nil
	}
	err := walk(below, 0)
	return files, err
}

// topFiles lists the tag files of a bag that a tag manifest should hold.
func topFiles(fsys FS, dir string) ([]string, error) {
	entries, err := fsys.ReadDir(dir)
	if err != nil {
		return nil, plain(err)
	}
	var files []string
	for _, e := range entries {
		if e.Type().IsRegular() && !apart[e.Name()] && !strings.HasSuffix(e.Name(), partSuffix) {
			files = append(files, e.Name())
		}
	}
	return files, nil
}

// checkDeclaration looks at bagit.txt: two lines, exactly (RFC 8493 section 2.1.1).
func checkDeclaration(data []byte) string {
	m := declaration.FindSubmatch(data)
	switch {
	case m == nil:
		return fmt.Sprintf("expected the two lines BagIt-Version: 1.0 and Tag-File-Character-Encoding: UTF-8, found %q", clip(string(data)))
	case string(m[1]) != "1.0" && string(m[1]) != "0.97":
		return fmt.Sprintf("written by BagIt version %s, this program reads 0.97 and 1.0; use a newer program", m[1])
	}
	return ""
}

var declaration = regexp.MustCompile(`^BagIt-Version: ([0-9]{1,9}\.[0-9]{1,9})\r?\nTag-File-Character-Encoding: UTF-8(?:\r?\n)?$`)

// meter copies bytes, counts them for a progress bar and notices the end of a
// context.
type meter struct {
	ctx         context.Context
	done, total int64
	show        func(done, total int64)
	buf         []byte
}

func (m *meter) add(n int64) error {
	m.done += n
	if m.show != nil {
		m.show(m.done, max(m.done, m.total))
	}
	return m.ctx.Err()
}

// digest reads a file and returns size and SHA-256 in hex.
func digest(fsys FS, path string, m *meter) (int64, string, error) {
	f, err := fsys.Open(path)
	if err != nil {
		return 0, "", plain(err)
	}
	defer f.Close()
	h := sha256.New()
	n, err := copyMetered(h, f, m)
	if err != nil {
		return n, "", fmt.Errorf("%s: %w", path, err)
	}
	return n, hex.EncodeToString(h.Sum(nil)), nil
}

func copyMetered(w io.Writer, r io.Reader, m *meter) (int64, error) {
	if m.buf == nil {
		m.buf = make([]byte, 256<<10)
	}
	var total int64
	for {
		n, err := r.Read(m.buf)
		if n > 0 {
			total += int64(n)
			if _, err := w.Write(m.buf[:n]); err != nil {
				return total, err
			}
			if err := m.add(int64(n)); err != nil {
				return total, err
			}
		}
		if err == io.EOF {
			return total, nil
		}
		if err != nil {
			return total, err
		}
	}
}

// exists tells whether a name is there.
func exists(fsys FS, path string) bool {
	_, err := fsys.Stat(path)
	return !errors.Is(err, fs.ErrNotExist)
}
