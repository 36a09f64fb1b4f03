package archive

import (
	"bytes"
	"errors"
	"io"
	"io/fs"
	"math/rand/v2"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"syscall"
	"time"
)

// memFS is a file system in memory that fails when told to and knows what
// would be left after a power failure.
//
// The model: a write is safe after Sync of its file, a name after SyncDir of
// its folder. What is not safe at a power cut may be there, may be missing, may
// be torn, in any combination. A Sync that fails forgets what it should have
// made safe, as Linux does, while readers still see it.
type memFS struct {
	mu    sync.Mutex
	nodes map[string]*memNode // what readers see
	safe  map[string]*memNode // names that survive
	names []nameOp            // not yet safe
	ops   int
	fail  func(op int, kind string) fault
	free  uint64
	locks map[string]bool
}

type fault int

const (
	works  fault = iota
	fails        // nothing happens
	halves       // a write stores half of what it got; everything else as fails
	loses        // it is done but reported as failed; a Sync forgets
)

type memNode struct {
	dir, readOnly bool
	data          []byte // what readers see
	safe          []byte // what survives
	writes        []memWrite
}

type memWrite struct {
	at   int64
	data []byte // nil: truncation to at
}

type nameOp struct {
	path string
	node *memNode // nil: removed
	and  *nameOp  // the other half of a rename
}

func newMemFS() *memFS {
	root := &memNode{dir: true}
	return &memFS{nodes: map[string]*memNode{"/": root}, safe: map[string]*memNode{"/": root}, free: 1 << 40}
}

var errDisk = syscall.EIO

// op counts an operation and says how it ends.
func (m *memFS) op(kind string) fault {
	m.ops++
	if m.fail == nil {
		return works
	}
	return m.fail(m.ops, kind)
}

func pathErr(op, path string, err error) error { return &fs.PathError{Op: op, Path: path, Err: err} }

func (m *memFS) MkdirAll(path string) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.op("mkdir") != works {
		return pathErr("mkdir", path, errDisk)
	}
	if n := m.nodes[path]; n != nil {
		return nil
	}
	n := &memNode{dir: true}
	m.nodes[path], m.safe[path] = n, n
	return nil
}

func (m *memFS) Mkdir(path string) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.op("mkdir") != works {
		return pathErr("mkdir", path, errDisk)
	}
	if m.nodes[path] != nil {
		return pathErr("mkdir", path, fs.ErrExist)
	}
	if m.nodes[filepath.Dir(path)] == nil {
		return pathErr("mkdir", path, fs.ErrNotExist)
	}
	m.setName(nameOp{path: path, node: &memNode{dir: true}})
	return nil
}

func (m *memFS) setName(op nameOp) {
	for o := &op; o != nil; o = o.and {
		if o.node == nil {
			delete(m.nodes, o.path)
		} else {
			m.nodes[o.path] = o.node
		}
	}
	m.names = append(m.names, op)
}

func (m *memFS) OpenWrite(path string) (File, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	f := m.op("open")
	if f == fails || f == halves {
		return nil, pathErr("open", path, errDisk)
	}
	n := m.nodes[path]
	if n == nil {
		dir := m.nodes[filepath.Dir(path)]
		if dir == nil {
			return nil, pathErr("open", path, fs.ErrNotExist)
		}
		if dir.readOnly {
			return nil, pathErr("open", path, fs.ErrPermission)
		}
		n = &memNode{}
		m.setName(nameOp{path: path, node: n})
	}
	if n.readOnly {
		return nil, pathErr("open", path, fs.ErrPermission)
	}
	if f == loses {
		return nil, pathErr("open", path, errDisk)
	}
	return &memFile{m, n, path}, nil
}

type memFile struct {
	m    *memFS
	n    *memNode
	path string
}

func (f *memFile) WriteAt(p []byte, at int64) (int, error) {
	f.m.mu.Lock()
	defer f.m.mu.Unlock()
	how := f.m.op("write")
	switch how {
	case fails:
		return 0, pathErr("write", f.path, syscall.ENOSPC)
	case halves:
		p = p[:len(p)/2]
	}
	w := memWrite{at, bytes.Clone(p)}
	f.n.data = w.apply(f.n.data)
	f.n.writes = append(f.n.writes, w)
	if how != works {
		return len(p), pathErr("write", f.path, syscall.ENOSPC)
	}
	return len(p), nil
}

func (f *memFile) Truncate(size int64) error {
	f.m.mu.Lock()
	defer f.m.mu.Unlock()
	if f.m.op("truncate") != works {
		return pathErr("truncate", f.path, errDisk)
	}
	w := memWrite{at: size}
	f.n.data = w.apply(f.n.data)
	f.n.writes = append(f.n.writes, w)
	return nil
}

func (f *memFile) Sync() error {
	f.m.mu.Lock()
	defer f.m.mu.Unlock()
	switch f.m.op("sync") {
	case loses:
		f.n.writes = nil
		return pathErr("sync", f.path, errDisk)
	case fails, halves:
		return pathErr("sync", f.path, errDisk)
	}
	for _, w := range f.n.writes {
		f.n.safe = w.apply(f.n.safe)
	}
	f.n.writes = nil
	return nil
}

func (f *memFile) Close() error {
	f.m.mu.Lock()
	defer f.m.mu.Unlock()
	if f.m.op("close") != works {
		return pathErr("close", f.path, errDisk)
	}
	return nil
}

func (w memWrite) apply(data []byte) []byte {
	end := w.at + int64(len(w.data))
	if w.data == nil && int64(len(data)) > w.at {
		return data[:w.at:w.at]
	}
	if int64(len(data)) < end {
		data = append(data, make([]byte, end-int64(len(data)))...)
	} else {
		data = bytes.Clone(data)
	}
	copy(data[w.at:], w.data)
	return data
}

type memReader struct {
	*bytes.Reader
}

func (memReader) Close() error { return nil }

func (m *memFS) Open(path string) (ReadFile, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.op("read") != works {
		return nil, pathErr("open", path, errDisk)
	}
	n := m.nodes[path]
	if n == nil {
		return nil, pathErr("open", path, fs.ErrNotExist)
	}
	return memReader{bytes.NewReader(n.data)}, nil
}

type memInfo struct {
	name string
	n    *memNode
}

func (i memInfo) Name() string               { return i.name }
func (i memInfo) Size() int64                { return int64(len(i.n.data)) }
func (i memInfo) ModTime() time.Time         { return time.Time{} }
func (i memInfo) IsDir() bool                { return i.n.dir }
func (i memInfo) Sys() any                   { return nil }
func (i memInfo) Type() fs.FileMode          { return i.Mode().Type() }
func (i memInfo) Info() (fs.FileInfo, error) { return i, nil }
func (i memInfo) Mode() fs.FileMode {
	mode := fs.FileMode(0o644)
	if i.n.dir {
		mode = fs.ModeDir | 0o755
	}
	if i.n.readOnly {
		mode &^= 0o222
	}
	return mode
}

func (m *memFS) Stat(path string) (fs.FileInfo, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	n := m.nodes[path]
	if n == nil {
		return nil, pathErr("stat", path, fs.ErrNotExist)
	}
	return memInfo{filepath.Base(path), n}, nil
}

func (m *memFS) ReadDir(path string) ([]fs.DirEntry, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.op("readdir") != works {
		return nil, pathErr("readdir", path, errDisk)
	}
	if m.nodes[path] == nil {
		return nil, pathErr("readdir", path, fs.ErrNotExist)
	}
	var list []fs.DirEntry
	for p, n := range m.nodes {
		if p != path && filepath.Dir(p) == path {
			list = append(list, memInfo{filepath.Base(p), n})
		}
	}
	slices.SortFunc(list, func(a, b fs.DirEntry) int { return strings.Compare(a.Name(), b.Name()) })
	return list, nil
}

func (m *memFS) Rename(old, new string) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	f := m.op("rename")
	n := m.nodes[old]
	if f == fails || f == halves {
		return pathErr("rename", new, errDisk)
	}
	if n == nil {
		return pathErr("rename", old, fs.ErrNotExist)
	}
	if m.nodes[filepath.Dir(new)].readOnly {
		return pathErr("rename", new, fs.ErrPermission)
	}
	m.setName(nameOp{path: new, node: n, and: &nameOp{path: old}})
	if f == loses {
		return pathErr("rename", new, errDisk)
	}
	return nil
}

func (m *memFS) Remove(path string) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.op("remove") != works {
		return pathErr("remove", path, errDisk)
	}
	if m.nodes[path] == nil {
		return pathErr("remove", path, fs.ErrNotExist)
	}
	if m.nodes[filepath.Dir(path)].readOnly {
		return pathErr("remove", path, fs.ErrPermission)
	}
	for p := range m.nodes {
		if p != path && filepath.Dir(p) == path {
			return pathErr("remove", path, errors.New("folder not empty"))
		}
	}
	m.setName(nameOp{path: path})
	return nil
}

func (m *memFS) SetReadOnly(path string, readOnly bool) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.op("chmod") != works {
		return pathErr("chmod", path, errDisk)
	}
	n := m.nodes[path]
	if n == nil {
		return pathErr("chmod", path, fs.ErrNotExist)
	}
	n.readOnly = readOnly
	return nil
}

func (m *memFS) SyncDir(path string) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.op("syncdir") != works {
		return pathErr("sync", path, errDisk)
	}
	m.names = slices.DeleteFunc(m.names, func(op nameOp) bool {
		if filepath.Dir(op.path) != path {
			return false
		}
		m.keepName(op)
		return true
	})
	return nil
}

func (m *memFS) Lock(path string) (func(), error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.op("lock") != works {
		return nil, pathErr("lock", path, errDisk)
	}
	if m.locks[path] {
		return nil, errBusy
	}
	if m.locks == nil {
		m.locks = map[string]bool{}
	}
	m.locks[path] = true
	return func() {
		m.mu.Lock()
		defer m.mu.Unlock()
		delete(m.locks, path)
	}, nil
}

func (m *memFS) keepName(op nameOp) {
	for o := &op; o != nil; o = o.and {
		if o.node == nil {
			delete(m.safe, o.path)
		} else {
			m.safe[o.path] = o.node
		}
	}
}

func (m *memFS) Free(string) (uint64, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.free, nil
}

// powerCut returns what is on the disk after the power failed at this moment.
func (m *memFS) powerCut(rng *rand.Rand) *memFS {
	m.mu.Lock()
	defer m.mu.Unlock()
	after := newMemFS()
	after.safe = map[string]*memNode{}
	kept := &memFS{safe: map[string]*memNode{}}
	for p, n := range m.safe {
		kept.safe[p] = n
	}
	for _, op := range m.names {
		if rng.IntN(2) == 0 {
			kept.keepName(op)
		}
	}
	for p, n := range kept.safe {
		data := bytes.Clone(n.safe)
		for _, w := range n.writes {
			switch rng.IntN(4) {
			case 0: // never reached the disk
				continue
			case 1: // torn at a sector
				if len(w.data) > 0 {
					k := rng.IntN(len(w.data)/512+1) * 512
					w.data = w.data[:k]
				}
			case 2: // the length reached the disk, the content did not
				if len(w.data) > 0 {
					w.data = make([]byte, len(w.data))
				}
			}
			data = w.apply(data)
		}
		node := &memNode{dir: n.dir, readOnly: n.readOnly, data: data, safe: bytes.Clone(data)}
		after.nodes[p], after.safe[p] = node, node
	}
	// A file whose folder's name was lost is gone with it.
	for p := range after.nodes {
		for d := filepath.Dir(p); d != "/"; d = filepath.Dir(d) {
			if after.nodes[d] == nil {
				delete(after.nodes, p)
				delete(after.safe, p)
			}
		}
	}
	return after
}

// put places a file, safely.
func (m *memFS) put(path string, data []byte) {
	m.mu.Lock()
	defer m.mu.Unlock()
	for d := filepath.Dir(path); d != "/"; d = filepath.Dir(d) {
		if m.nodes[d] == nil {
			n := &memNode{dir: true}
			m.nodes[d], m.safe[d] = n, n
		}
	}
	n := &memNode{data: bytes.Clone(data), safe: bytes.Clone(data)}
	m.nodes[path], m.safe[path] = n, n
}

var _ io.Reader = memReader{}
