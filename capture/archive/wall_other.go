//go:build !linux

package archive

import "time"

func asleepSinceBoot() (time.Duration, bool) { return 0, false }
