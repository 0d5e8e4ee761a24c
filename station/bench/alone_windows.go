package bench

import (
	"errors"
	"os"
	"syscall"
)

// errSharing is ERROR_SHARING_VIOLATION.
const errSharing syscall.Errno = 32

// openAlone opens a file that no other process can open so until it is closed, or until this process ends.
func openAlone(path string) (*os.File, error) {
	name, err := syscall.UTF16PtrFromString(path)
	if err != nil {
		return nil, &os.PathError{Op: "open", Path: path, Err: err}
	}
	const access, shared = syscall.GENERIC_READ | syscall.GENERIC_WRITE, 0
	h, err := syscall.CreateFile(name, access, shared, nil, syscall.OPEN_ALWAYS, syscall.FILE_ATTRIBUTE_NORMAL, 0)
	switch {
	case err == nil:
		return os.NewFile(uintptr(h), path), nil
	case errors.Is(err, errSharing):
		return nil, errHeld
	default:
		return nil, &os.PathError{Op: "open", Path: path, Err: err}
	}
}
