//go:build !windows

package main

import (
	"errors"
	"os/signal"
	"syscall"
)

// outliveReader lets writing to a pipe whose reader is gone fail, instead of
// ending the program.
func outliveReader() { signal.Ignore(syscall.SIGPIPE) }

func isDiskFull(err error) bool {
	return errors.Is(err, syscall.ENOSPC) || errors.Is(err, syscall.EDQUOT)
}

func isAddressInUse(err error) bool { return errors.Is(err, syscall.EADDRINUSE) }

func isForeignAddress(err error) bool { return errors.Is(err, syscall.EADDRNOTAVAIL) }
