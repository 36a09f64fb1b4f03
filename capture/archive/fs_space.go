//go:build linux || darwin

package archive

import "golang.org/x/sys/unix"

// freeBytes asks statfs(2) for the blocks an ordinary user may still fill.
func freeBytes(path string) (uint64, error) {
	var st unix.Statfs_t
	if err := unix.Statfs(path, &st); err != nil {
		return 0, err
	}
	return st.Bavail * uint64(st.Bsize), nil
}
