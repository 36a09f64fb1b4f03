//go:build !linux && !darwin && !windows

package archive

import "errors"

func freeBytes(string) (uint64, error) { return 0, errors.ErrUnsupported }
