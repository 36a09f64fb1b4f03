//go:build unix

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
