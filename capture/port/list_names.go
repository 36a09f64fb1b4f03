//go:build !linux && !windows

package port

import "errors"

// detailed is not to be had here: the library needs cgo for it on macOS, and
// this program is built without.
func detailed() ([]Info, error) {
	return nil, errors.ErrUnsupported
}
