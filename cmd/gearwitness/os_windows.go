package main

import (
	"errors"

	"golang.org/x/sys/windows"
)

// outliveReader has nothing to do: there is no signal for it.
func outliveReader() {}

func isDiskFull(err error) bool {
	return errors.Is(err, windows.ERROR_DISK_FULL) || errors.Is(err, windows.ERROR_HANDLE_DISK_FULL)
}

func isAddressInUse(err error) bool { return errors.Is(err, windows.WSAEADDRINUSE) }

func isForeignAddress(err error) bool { return errors.Is(err, windows.WSAEADDRNOTAVAIL) }
