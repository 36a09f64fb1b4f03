package archive

import (
	"errors"
	"os"

	"golang.org/x/sys/windows"
)

// syncDir does nothing: Windows keeps names in its own journal and has no call
// to sync a folder.
func syncDir(string) error { return nil }

// freeBytes asks for the bytes the user may still fill.
func freeBytes(path string) (uint64, error) {
	p, err := windows.UTF16PtrFromString(path)
	if err != nil {
		return 0, err
	}
	var free uint64
	err = windows.GetDiskFreeSpaceEx(p, &free, nil, nil)
	return free, err
}

// lockFile takes a lock that ends with the process.
func lockFile(f *os.File) error {
	err := windows.LockFileEx(windows.Handle(f.Fd()), windows.LOCKFILE_EXCLUSIVE_LOCK|windows.LOCKFILE_FAIL_IMMEDIATELY, 0, 1, 0, new(windows.Overlapped))
	if errors.Is(err, windows.ERROR_LOCK_VIOLATION) {
		return errBusy
	}
	return err
}
