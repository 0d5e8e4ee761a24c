package port

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"os/user"
	"strings"
	"syscall"

	"go.bug.st/serial"

	"fettle/station"
)

// whyNotOpen says why a port could not be opened, and what to do.
func whyNotOpen(name string, s Settings, err error) error {
	var library *serial.PortError
	code := serial.PortErrorCode(-1)
	if errors.As(err, &library) {
		code = library.Code()
	}
	switch {
	case code == serial.PortNotFound || errors.Is(err, fs.ErrNotExist) || errors.Is(err, syscall.ENODEV) || errors.Is(err, syscall.ENXIO):
		return fmt.Errorf("the port %s: it is not there: %s: %w", name, portsThere(List()), station.ErrLost)
	case code == serial.PermissionDenied || errors.Is(err, fs.ErrPermission):
		return refused{name, ownerOf(name)}
	case code == serial.PortBusy || errors.Is(err, syscall.EBUSY):
		return fmt.Errorf("the port %s: another program uses it: end that program; on Linux fuser %s says which it is: %w",
			name, name, station.ErrStation)
	}
	if info, statErr := os.Stat(name); statErr == nil && info.Mode()&os.ModeDevice == 0 {
		return fmt.Errorf("the port %s: it is no serial port, but %s: %s", name, kindOf(info.Mode()), portsThere(List()))
	}
	return fmt.Errorf("the port %s: it is no serial port, or can't be set to %v: %w: %s", name, s, err, portsThere(List()))
}

func kindOf(mode fs.FileMode) string {
	switch {
	case mode.IsDir():
		return "a folder"
	case mode&fs.ModeNamedPipe != 0:
		return "a pipe"
	case mode&fs.ModeSocket != 0:
		return "a socket"
	}
	return "a file"
}

// portsThere tells which ports there are, for one who named another.
func portsThere(ports []Info, err error) string {
	switch {
	case err != nil:
		return fmt.Sprintf("which there are can't be told (%v)", err)
	case len(ports) == 0:
		return "this computer has none: see that the cable is in"
	}
	var names []string
	for _, p := range ports {
		names = append(names, p.Name)
	}
	return "there are " + strings.Join(names, ", ") + "; see fettle station list"
}

// owner is whom a device belongs to, as far as it can be told.
type owner struct {
	group     string // that may read and write it; "" where none may
	person    string // who asked
	exclusive bool   // there are no groups here: a port that may not be opened is in use
}

// refused is the error of a port that this person may not open. It wraps [station.ErrStation], and ends with a command to be copied.
type refused struct {
	name string
	owner
}

func (r refused) Unwrap() error { return station.ErrStation }

func (r refused) Error() string {
	switch {
	case r.exclusive:
		return fmt.Sprintf("the port %s: access denied: another program uses it: end that program", r.name)
	case r.group == "":
		return fmt.Sprintf("the port %s: permission denied, and it belongs to no group that you could join: "+
			"ask whoever looks after this computer for access to it", r.name)
	}
	return fmt.Sprintf("the port %s: permission denied: it belongs to the group %s: join that group, then log out and in again, "+
		"since a group counts from the next login on\nto join it:  sudo usermod --append --groups %s %s", r.name, r.group, r.group, r.person)
}

// person is the login name of whoever runs this.
func person() string {
	if u, err := user.Current(); err == nil {
		return u.Username
	}
	return "$USER"
}
