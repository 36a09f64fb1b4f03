package archive

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"gearwitness/capture/testneed"
)

// smallDiskChild as its first argument makes the test program record onto a
// file system of its own.
const smallDiskChild = "-record-onto-a-small-disk"

// A real file system, of 1 MiB, runs full while recording and is cleared again.
// It is mounted in a name space of its own, for which no rights are needed where
// the kernel allows it.
func TestSmallDisk(t *testing.T) {
	t.Parallel()
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(self, smallDiskChild, t.TempDir())
	cmd.SysProcAttr = &syscall.SysProcAttr{Cloneflags: syscall.CLONE_NEWNS}
	if os.Getuid() != 0 {
		cmd.SysProcAttr.Cloneflags |= syscall.CLONE_NEWUSER
		cmd.SysProcAttr.UidMappings = []syscall.SysProcIDMap{{ContainerID: 0, HostID: os.Getuid(), Size: 1}}
		cmd.SysProcAttr.GidMappings = []syscall.SysProcIDMap{{ContainerID: 0, HostID: os.Getgid(), Size: 1}}
	}
	out, err := cmd.CombinedOutput()
	switch text := strings.TrimSpace(string(out)); {
	case errors.Is(err, syscall.EPERM) || errors.Is(err, syscall.ENOSPC) || errors.Is(err, syscall.EINVAL) || strings.HasPrefix(text, "cannot mount"):
		testneed.Skip(t, fmt.Sprintf("needs a file system of its own, which this machine does not allow: %v %s", err, text))
	case err != nil || text != "good":
		t.Errorf("%v: %s", err, text)
	}
}

func init() {
	if len(os.Args) > 2 && os.Args[1] == smallDiskChild {
		if err := recordOntoSmallDisk(os.Args[2]); err != nil {
			fmt.Println(err)
			os.Exit(1)
		}
		fmt.Println("good")
		os.Exit(0)
	}
}

func recordOntoSmallDisk(dir string) error {
	// Nothing of this may be seen outside.
	if err := syscall.Mount("", "/", "", syscall.MS_REC|syscall.MS_PRIVATE, ""); err != nil {
		return fmt.Errorf("cannot mount: %w", err)
	}
	if err := syscall.Mount("small", dir, "tmpfs", 0, "size=1m"); err != nil {
		return fmt.Errorf("cannot mount: %w", err)
	}
	ballast := filepath.Join(dir, "ballast")
	if err := os.WriteFile(ballast, make([]byte, 600<<10), 0o644); err != nil {
		return err
	}
	var told []Status
	s, err := Create(dir, Meta{}, nil, Options{MaxMemory: 2 << 20, OnStatus: func(st Status) { told = append(told, st) }})
	if err != nil {
		return err
	}
	n := 0
	record := func(until func(Status) bool) error {
		for start := time.Now(); !until(s.Status()); {
			if time.Since(start) > 20*time.Second {
				return fmt.Errorf("nothing happened for long: %+v", s.Status())
			}
			s.Record(batchOf(n, 200))
			n += 200
			<-time.After(10 * time.Millisecond) // a bus, not a clock to be tested
		}
		return nil
	}
	if err := record(func(st Status) bool { return errors.Is(st.Err, syscall.ENOSPC) }); err != nil {
		return err
	}
	if err := os.Remove(ballast); err != nil {
		return err
	}
	if err := record(func(st Status) bool { return st.Err == nil }); err != nil {
		return err
	}
	if err := s.Close(); err != nil {
		return err
	}
	st := s.Status()
	if len(told) < 2 || st.Lost > 0 || st.Synced != uint64(n) {
		return fmt.Errorf("%d frames given, told %d times: %+v", n, len(told), st)
	}
	r, err := Open(s.Dir())
	if err != nil {
		return err
	}
	read := 0
	for _, name := range r.Files() {
		list, damage, err := cutStretches(context.Background(), OS{}, r.Path(name), name)
		if err != nil || damage != nil {
			return fmt.Errorf("%v, %v", err, damage)
		}
		read += int(list[len(list)-1].last)
	}
	if read != n {
		return fmt.Errorf("%d frames read of %d", read, n)
	}
	return nil
}
