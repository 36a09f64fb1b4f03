//go:build linux || darwin || freebsd || netbsd || openbsd

package archive

import (
	"errors"
	"os"
	"syscall"
)

// syncDir syncs a folder. Some file systems (of the network, of sticks) refuse
// to sync a folder and say EINVAL; there is nothing better to do there.
func syncDir(path string) error {
	d, err := os.Open(path)
	if err != nil {
		return err
	}
	err = d.Sync()
	if errors.Is(err, syscall.EINVAL) || errors.Is(err, syscall.ENOTSUP) {
		err = nil
	}
	if cerr := d.Close(); err == nil {
		err = cerr
	}
	return err
}

// lockFile takes an advisory lock that ends with the process.
func lockFile(f *os.File) error {
	err := syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB)
	switch {
	case errors.Is(err, syscall.EWOULDBLOCK):
		return errBusy
	case errors.Is(err, syscall.ENOTSUP), errors.Is(err, syscall.ENOSYS):
		return nil // some file systems of the network cannot lock
	}
	return err
}
