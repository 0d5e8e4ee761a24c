//go:build unix

package bench

import (
	"errors"
	"os"
	"syscall"
)

// openAlone opens a file that no other process can open so until it is closed, or until this process ends.
func openAlone(path string) (*os.File, error) {
	f, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE, 0o600)
	if err != nil {
		return nil, err
	}
	switch err := syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB); {
	case err == nil:
		return f, nil
	case errors.Is(err, syscall.EWOULDBLOCK):
		return nil, errors.Join(errHeld, f.Close())
	default:
		return nil, errors.Join(&os.PathError{Op: "lock", Path: path, Err: err}, f.Close())
	}
}
