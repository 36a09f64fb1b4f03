package signals

import (
	"bytes"
	"embed"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"unicode/utf8"

	"gearwitness/signals/diag"
)

// Load reads and checks the vehicle file at a path of this machine, and the
// files it uses. The error is a diag.List when it is about the text, one plain
// sentence when the file cannot be read. Warnings alone are no error; Check
// returns them.
func Load(path string) (*File, error) {
	f, list, err := Check(path)
	if err != nil {
		return nil, err
	}
	if err := list.Err(); err != nil {
		return nil, err
	}
	return f, nil
}

// Check reads the vehicle file at a path and returns all that is to be said
// about it, warnings included. The error is one plain sentence when the file
// cannot be read; the File is nil when the list holds an error.
func Check(path string) (*File, diag.List, error) {
	text, err := readFile(path)
	if err != nil {
		return nil, nil, err
	}
	f, list := Parse(filepath.ToSlash(path), text, func(name string) ([]byte, error) {
		return readFile(filepath.FromSlash(name))
	})
	return f, list, nil
}

// readFile reads a file of bounded size, with errors for people.
func readFile(path string) ([]byte, error) {
	info, err := os.Stat(path)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return nil, fmt.Errorf("there is no file %s; look at its name and folder", path)
	case err != nil:
		return nil, fmt.Errorf("%s cannot be read: %w", path, plain(err))
	case info.IsDir():
		return nil, fmt.Errorf("%s is a folder; expected a vehicle file such as van.yaml", path)
	case !info.Mode().IsRegular():
		// A pipe would be waited for until somebody writes, a device for ever.
		return nil, fmt.Errorf("%s is %s; expected a plain file such as van.yaml", path, kindOf(info.Mode()))
	case info.Size() > maxFileBytes:
		return nil, fmt.Errorf("%s has %d bytes; a vehicle file has at most %d", path, info.Size(), maxFileBytes)
	}
	file, err := os.Open(path)
	if err != nil {
		return nil, fmt.Errorf("%s cannot be read: %w", path, plain(err))
	}
	defer file.Close()
	return readBounded(file, path)
}

// kindOf says what something in the file system is that is no plain file.
func kindOf(mode fs.FileMode) string {
	switch {
	case mode&fs.ModeNamedPipe != 0:
		return "a pipe"
	case mode&fs.ModeSocket != 0:
		return "a socket"
	case mode&fs.ModeDevice != 0:
		return "a device"
	}
	return "no plain file"
}

// readBounded reads a file whatever its size is said to be; it may be growing.
func readBounded(r io.Reader, path string) ([]byte, error) {
	text, err := io.ReadAll(io.LimitReader(r, maxFileBytes+1))
	switch {
	case err != nil:
		return nil, fmt.Errorf("%s cannot be read: %w", path, plain(err))
	case len(text) > maxFileBytes:
		return nil, fmt.Errorf("%s has more than %d bytes; a vehicle file has at most so many", path, maxFileBytes)
	}
	return text, nil
}

// plain drops the operation and path that errors of the system repeat.
func plain(err error) error {
	var at *fs.PathError
	if errors.As(err, &at) {
		return at.Err
	}
	return err
}

// Parse reads and checks a vehicle file. name stands in findings and is what
// relative names in `use` refer to; open reads such a file, and may be nil when
// none can be. Every mistake found is in the list, sorted; the File is nil when
// one of them is an error.
func Parse(name string, text []byte, open func(name string) ([]byte, error)) (*File, diag.List) {
	r := reader{
		places: places{spans: make(map[string]span), bad: make(map[string]bool)},
		open:   open, files: make(map[string]*source), texts: make(map[string][]byte), lost: make(map[string]bool),
	}
	f := &File{source: name}
	if r.read(name, text, f) {
		r.complete(reflect.ValueOf(f).Elem(), "", span{diag.Pos{File: name, Line: 1, Column: 1}, 1})
		r.resolve(f)
		(&rules{places: &r.places, file: f, signals: make(scope)}).validate()
	}
	r.clamp()
	r.found = slices.DeleteFunc(r.found, r.follows)
	r.found.Sort()
	if r.found.Errors() > 0 {
		return nil, r.found
	}
	return f, r.found
}

// follows tells whether a finding only says that an entry is missing which
// another finding has said cannot be read.
func (r *reader) follows(f diag.Finding) bool {
	for key := range r.lost {
		if strings.HasPrefix(f.Problem, "unknown ") && strings.Contains(f.Problem, fmt.Sprintf("%q", key)) ||
			strings.HasPrefix(f.Problem, fmt.Sprintf("missing key %q", key)) {
			return true
		}
	}
	return false
}

// clamp keeps findings inside their text: the YAML reader loses its place in
// quotes that never end.
func (r *reader) clamp() {
	for i := range r.found {
		pos := &r.found[i].Pos
		text, ok := r.texts[pos.File]
		if !ok {
			continue
		}
		lines := bytes.Split(text, []byte("\n"))
		pos.Line = max(1, min(pos.Line, len(lines)))
		pos.Column = max(1, min(pos.Column, utf8.RuneCount(lines[pos.Line-1])+1))
	}
}

//go:embed library
var library embed.FS

//go:embed van.yaml
var van []byte

//go:embed truck.yaml
var truck []byte

// Van returns the vehicle file of the demonstration's parcel van.
func Van() []byte { return slices.Clone(van) }

// Truck returns an example for a vehicle that speaks SAE J1939.
func Truck() []byte { return slices.Clone(truck) }

const libraryRoot = "library/"

// libraryName returns how a built-in library is called in findings.
func libraryName(ref string) string { return libraryRoot + ref + ".yaml" }

// vanName is the demonstration's vehicle file as a library: a start for a file
// about a variant of it.
const vanName = "van"

// Libraries lists the built-in libraries, such as "j1939/powertrain".
func Libraries() []string {
	var list []string
	fs.WalkDir(library, ".", func(p string, d fs.DirEntry, err error) error {
		if err == nil && !d.IsDir() {
			list = append(list, strings.TrimSuffix(strings.TrimPrefix(p, libraryRoot), ".yaml"))
		}
		return err
	})
	return append(list, vanName)
}

// Builtin returns the text of a built-in library.
func Builtin(name string) ([]byte, error) { return builtin(name) }

func builtin(ref string) ([]byte, error) {
	if ref == vanName {
		return van, nil
	}
	if text, err := library.ReadFile(path.Clean(libraryName(ref))); err == nil && slices.Contains(Libraries(), ref) {
		return text, nil
	}
	hint := ""
	if n := diag.Nearest(ref, Libraries()); n != "" {
		hint = fmt.Sprintf("; did you mean %q?", n)
	}
	return nil, fmt.Errorf("unknown library %q; expected one of %s, or the relative path of a .yaml file%s", ref, strings.Join(Libraries(), ", "), hint)
}
