package web

import (
	"crypto/sha256"
	"encoding/hex"
	"io/fs"
	"net/http/httptest"
	"os"
	"path"
	"regexp"
	"strings"
	"testing"
)

func get(target string) *httptest.ResponseRecorder {
	w := httptest.NewRecorder()
	Handler().ServeHTTP(w, httptest.NewRequest("GET", target, nil))
	return w
}

func TestHandler(t *testing.T) {
	index := get("/")
	if ct := index.Header().Get("Content-Type"); index.Code != 200 || ct != "text/html; charset=utf-8" || index.Header().Get("Cache-Control") != "no-cache" {
		t.Fatalf("/: got %d, %s, %s", index.Code, ct, index.Header().Get("Cache-Control"))
	}
	refs := regexp.MustCompile(`(?:src|href)="([^"#]+)"`).FindAllStringSubmatch(index.Body.String(), -1)
	if len(refs) < 4 {
		t.Fatalf("addresses in the page: got %d, want its style sheets, icon and script", len(refs))
	}
	for _, r := range refs {
		if !regexp.MustCompile(`^/page/[0-9a-f]{16}/`).MatchString(r[1]) {
			t.Errorf("%s: want an address with the content's hash", r[1])
		}
		w := get(r[1])
		if want := types[path.Ext(r[1])]; w.Code != 200 || w.Header().Get("Content-Type") != want {
			t.Errorf("%s: got %d, %s, want 200, %s", r[1], w.Code, w.Header().Get("Content-Type"), want)
		}
		if !strings.Contains(w.Header().Get("Cache-Control"), "immutable") {
			t.Errorf("%s: may not be kept for ever", r[1])
		}
		if old := strings.Replace(r[1], "/page/", "/page/0", 1); get(old).Code != 404 {
			t.Errorf("%s: of another version, want 404", old)
		}
	}
	for _, target := range []string{"/index.html", "/page/", "/js/main.js", "/web.go"} {
		if w := get(target); w.Code != 404 {
			t.Errorf("%s: got %d, want 404", target, w.Code)
		}
	}
	w := httptest.NewRecorder()
	Handler().ServeHTTP(w, httptest.NewRequest("POST", "/", nil))
	if w.Code != 405 {
		t.Errorf("POST /: got %d, want 405", w.Code)
	}
}

// The page's policy forbids what is inline and what comes from elsewhere; so
// does this test, before a browser has to.
func TestNothingInlineNothingForeign(t *testing.T) {
	forbidden := map[string]*regexp.Regexp{
		".html": regexp.MustCompile(`(?i)\sstyle=|\son[a-z]+=|<script[^>]*>[^<]|<style|https?://`),
		".js":   regexp.MustCompile(`innerHTML|outerHTML|insertAdjacentHTML|document\.write|\beval\(|new Function|https?://[^w]`),
		".css":  regexp.MustCompile(`@import|url\(`),
		".svg":  regexp.MustCompile(`(?i)<script|style=|href`),
	}
	seen := 0
	err := fs.WalkDir(files, ".", func(name string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		re := forbidden[path.Ext(name)]
		if re == nil || strings.HasPrefix(name, "vendor/") {
			return nil
		}
		seen++
		b, err := files.ReadFile(name)
		if err != nil {
			return err
		}
		if m := re.Find(b); m != nil {
			t.Errorf("%s: %q does not belong in the page", name, m)
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	if seen < 10 {
		t.Errorf("looked at %d files, want all of the page", seen)
	}
}

// The vendored library is what ORIGIN.md says it is.
func TestVendored(t *testing.T) {
	const dir = "vendor/uplot/"
	origin, err := os.ReadFile(dir + "ORIGIN.md")
	if err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{"uPlot.esm.js", "uPlot.esm.d.ts", "uPlot.min.css", "LICENSE"} {
		b, err := os.ReadFile(dir + name)
		if err != nil {
			t.Fatal(err)
		}
		sum := sha256.Sum256(b)
		row := regexp.MustCompile("\\| `" + regexp.QuoteMeta(name) + "` \\|[^|]*\\| `([0-9a-f]{64})` \\|").FindSubmatch(origin)
		if row == nil || string(row[1]) != hex.EncodeToString(sum[:]) {
			t.Errorf("%s: SHA-256 %x is not the one in ORIGIN.md", name, sum)
		}
	}
}
