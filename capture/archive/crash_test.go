package archive

import (
	"bufio"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
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
