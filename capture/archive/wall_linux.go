package archive

import (
	"time"

	"golang.org/x/sys/unix"
)

// asleepSinceBoot is the difference of two clocks of Linux: one that counts
// sleep and one that does not (clock_gettime(2)).
func asleepSinceBoot() (time.Duration, bool) {
	var with, without unix.Timespec
	if unix.ClockGettime(unix.CLOCK_MONOTONIC, &without) != nil || unix.ClockGettime(unix.CLOCK_BOOTTIME, &with) != nil {
		return 0, false
	}
	return time.Duration(with.Nano() - without.Nano()), true
}
