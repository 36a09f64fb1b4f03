// Package web is the page: plain HTML, CSS and ES modules, embedded as they are
// written. There is no build step and nothing is fetched from elsewhere.
package web

import (
	"bytes"
	"crypto/sha256"
	"embed"
	"encoding/hex"
	"fmt"
	"io/fs"
	"net/http"
	"path"
	"strings"
	"time"
)

//go:embed index.html icon.svg css/*.css js/*.js
//go:embed vendor/uplot/uPlot.esm.js vendor/uplot/uPlot.min.css vendor/uplot/LICENSE
var files embed.FS

// types are stated rather than asked of the system, which may know better.
var types = map[string]string{
	".css":  "text/css; charset=utf-8",
	".html": "text/html; charset=utf-8",
	".js":   "text/javascript; charset=utf-8",
	".svg":  "image/svg+xml",
	"":      "text/plain; charset=utf-8",
}

// Handler serves the page at / and its files at /page/HASH/..., where HASH
// stands for the content of all of them: a browser may keep them for ever, and
// never mixes those of two versions.
func Handler() http.Handler {
	contents := make(map[string][]byte)
	sum := sha256.New()
	err := fs.WalkDir(files, ".", func(name string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		b, err := files.ReadFile(name)
		contents[name] = b
		fmt.Fprintf(sum, "%s %d\n", name, len(b))
		sum.Write(b)
		return err
	})
	if err != nil {
		panic(err) // the files are part of the program
	}
	base := "/page/" + hex.EncodeToString(sum.Sum(nil)[:8])
	index := bytes.ReplaceAll(contents["index.html"], []byte("{{base}}"), []byte(base))
	delete(contents, "index.html")

	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if r.Method != http.MethodGet && r.Method != http.MethodHead {
			w.Header().Set("Allow", "GET, HEAD")
			http.Error(w, "this address can only be read", http.StatusMethodNotAllowed)
			return
		}
		if r.URL.Path == "/" {
			w.Header().Set("Cache-Control", "no-cache")
			serve(w, r, "index.html", index)
			return
		}
		name := strings.TrimPrefix(r.URL.Path, base+"/")
		b, ok := contents[name]
		if !ok || name == r.URL.Path {
			http.NotFound(w, r)
			return
		}
		w.Header().Set("Cache-Control", "public, max-age=31536000, immutable")
		serve(w, r, name, b)
	})
}

func serve(w http.ResponseWriter, r *http.Request, name string, b []byte) {
	w.Header().Set("Content-Type", types[path.Ext(name)])
	http.ServeContent(w, r, name, time.Time{}, bytes.NewReader(b))
}
