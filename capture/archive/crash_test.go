package archive

import (
	"bufio"
	"context"
	"fmt"
	"io/fs"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"
)

// crashChild as its first argument turns the test program into a recorder that
// waits to be killed.
const crashChild = "-record-until-killed"

// recordUntilKilled records a saturated bus of 1 Mbit/s, 9,000 frames a second,
// below the folder given, and says after each sync how many frames are safe.
func recordUntilKilled(args []string) {
	s, err := Create(args[0], Meta{}, []byte("v"), Options{MaxFile: 300_000})
	if err != nil {
		fmt.Println("error", err)
		os.Exit(1)
	}
	fmt.Println("dir", s.Dir())
	n := 0
	tick := time.NewTicker(10 * time.Millisecond)
	for range tick.C {
		s.Record(batchOf(n, 90))
		n += 90
		fmt.Println("given", n)
		fmt.Println("safe", s.Status().Synced)
	}
}

// Killed at random moments, the recorder loses at most the last second, and
// what is left can be read, sealed and verified. GEARWITNESS_CRASHES sets how
// many times; a full run takes 200.
func TestKilledWhileRecording(t *testing.T) {
	t.Parallel()
	times := 8
	if s := os.Getenv("GEARWITNESS_CRASHES"); s != "" {
		var err error
		if times, err = strconv.Atoi(s); err != nil {
			t.Fatal(err)
		}
	}
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	root := t.TempDir()
	rng := rand.New(rand.NewPCG(uint64(os.Getpid()), 0))
	var wg sync.WaitGroup
	slots := make(chan struct{}, 25)
	for i := range times {
		wait := time.Duration(rng.IntN(2500)) * time.Millisecond
		wg.Add(1)
		go func() {
			defer wg.Done()
			slots <- struct{}{}
			defer func() { <-slots }()
			crashOnce(t, self, fmt.Sprintf("%s/%d", root, i), wait)
		}()
	}
	wg.Wait()
}

func crashOnce(t *testing.T, self, root string, wait time.Duration) {
	cmd := exec.Command(self, crashChild, root)
	out, err := cmd.StdoutPipe()
	if err == nil {
		err = cmd.Start()
	}
	if err != nil {
		t.Error(err)
		return
	}
	time.AfterFunc(wait, func() { cmd.Process.Kill() })
	dir, given, safe := "", 0, 0
	for sc := bufio.NewScanner(out); sc.Scan(); {
		word, rest, _ := strings.Cut(sc.Text(), " ")
		switch word {
		case "dir":
			dir = rest
		case "given":
			given, _ = strconv.Atoi(rest)
		case "safe":
			safe, _ = strconv.Atoi(rest)
		case "error":
			t.Error(rest)
		}
	}
	cmd.Wait()
	if dir == "" {
		return // killed before it had begun
	}
	r, err := Open(dir)
	if err != nil {
		t.Errorf("after %v: %v", wait, err)
		return
	}
	b := readBack(t, r)
	// One second at 9,000 frames, and what a busy machine adds between ticks.
	if len(b.Frames) < safe || given-len(b.Frames) > 9000*3/2 {
		t.Errorf("killed after %v: %d frames read, %d reported safe, %d given", wait, len(b.Frames), safe, given)
	}
	for i, f := range b.Frames {
		if f != batchOf(i, 1).Frames[0] {
			t.Errorf("killed after %v: frame %d is %+v", wait, i, f)
			return
		}
	}
	if _, err := Seal(t.Context(), dir, SealOptions{}); err != nil {
		t.Errorf("killed after %v: %v", wait, err)
		return
	}
	mustVerify(t, dir, VerifyOptions{})
	writable(t, dir)
}

// sealChild as its first argument turns the test program into one that seals a
// session and kills itself at the given change of a file or folder.
const sealChild = "-seal-until-killed"

func sealUntilKilled(args []string) {
	n, err := strconv.Atoi(args[1])
	if err == nil {
		_, err = Seal(context.Background(), args[0], SealOptions{FS: killFS{&n}, Artefacts: sealedByChild, Now: testTime})
	}
	if err != nil {
		fmt.Println(err)
		os.Exit(1)
	}
}

var sealedByChild = []Artefact{artefact("shifts.json", "[]\n"), artefact("signals.parquet", "no table\n")}

// killFS is the real file system; the process is killed before the change that
// its number reaches. A write is done in part.
type killFS struct{ left *int }

func (k killFS) step() bool {
	*k.left--
	return *k.left == 0
}

func (k killFS) die() {
	p, err := os.FindProcess(os.Getpid())
	if err == nil {
		err = p.Kill()
	}
	if err != nil {
		panic(err)
	}
	select {} // until it has come
}

func (k killFS) change() {
	if k.step() {
		k.die()
	}
}

func (k killFS) MkdirAll(path string) error   { k.change(); return OS{}.MkdirAll(path) }
func (k killFS) Mkdir(path string) error      { k.change(); return OS{}.Mkdir(path) }
func (k killFS) Rename(old, new string) error { k.change(); return OS{}.Rename(old, new) }
func (k killFS) Remove(path string) error     { k.change(); return OS{}.Remove(path) }
func (k killFS) SetReadOnly(path string, on bool) error {
	k.change()
	return OS{}.SetReadOnly(path, on)
}
func (k killFS) Lock(path string) (func(), error)           { k.change(); return OS{}.Lock(path) }
func (k killFS) SyncDir(path string) error                  { k.change(); return OS{}.SyncDir(path) }
func (k killFS) Open(path string) (ReadFile, error)         { return OS{}.Open(path) }
func (k killFS) Stat(path string) (fs.FileInfo, error)      { return OS{}.Stat(path) }
func (k killFS) ReadDir(path string) ([]fs.DirEntry, error) { return OS{}.ReadDir(path) }
func (k killFS) Free(path string) (uint64, error)           { return OS{}.Free(path) }
func (k killFS) OpenWrite(path string) (File, error) {
	k.change()
	f, err := OS{}.OpenWrite(path)
	return killFile{f, k}, err
}

type killFile struct {
	File
	k killFS
}

func (f killFile) WriteAt(p []byte, at int64) (int, error) {
	if f.k.step() {
		f.File.WriteAt(p[:len(p)/2], at)
		f.k.die()
	}
	return f.File.WriteAt(p, at)
}

func (f killFile) Truncate(size int64) error { f.k.change(); return f.File.Truncate(size) }
func (f killFile) Sync() error               { f.k.change(); return f.File.Sync() }
func (f killFile) Close() error              { f.k.change(); return f.File.Close() }

// Killed before any of its changes, sealing leaves a session that is not sealed,
// or one that holds, and either can be sealed again. Every third change is tried,
// beginning anywhere; all of them where GEARWITNESS_CRASHES is set.
func TestKilledWhileSealing(t *testing.T) {
	t.Parallel()
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	root := t.TempDir()
	plain := recorded(t, nil, root, 50, Meta{})
	t.Cleanup(func() { writable(t, root) })
	n, step := 1+os.Getpid()%3, 3
	if os.Getenv("GEARWITNESS_CRASHES") != "" {
		n, step = 1, 1
	}
	for ; ; n += step {
		dir := fmt.Sprintf("%s/%d", root, n)
		if err := os.CopyFS(dir, os.DirFS(plain)); err != nil {
			t.Fatal(err)
		}
		out, err := exec.Command(self, sealChild, dir, strconv.Itoa(n)).CombinedOutput()
		if len(out) > 0 {
			t.Fatalf("change %d: %s", n, out)
		}
		done := err == nil
		if sealed := exists(OS{}, filepath.Join(dir, tagName)); sealed {
			mustVerify(t, dir, VerifyOptions{})
		} else if done {
			t.Errorf("change %d: not sealed", n)
		}
		if _, err := Seal(t.Context(), dir, SealOptions{Artefacts: sealedByChild, Now: testTime}); err != nil {
			t.Fatalf("killed before change %d, and cannot be sealed again: %v", n, err)
		}
		if v, list := mustVerify(t, dir, VerifyOptions{Again: sealedByChild}); v.Frames != 50 || len(list) != 1 { // unsigned
			t.Errorf("killed before change %d and sealed again: %+v, %v", n, v, list)
		}
		for _, below := range []string{".", dataDir} {
			if left, _ := filepath.Glob(filepath.Join(dir, below, "*"+partSuffix)); left != nil {
				t.Errorf("killed before change %d and sealed again: left behind %v", n, left)
			}
		}
		if done {
			if n < 50 {
				t.Errorf("sealing took only %d changes", n)
			}
			return
		}
	}
}
