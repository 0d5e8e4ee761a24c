//go:build unix

package fakes

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"syscall"

	"github.com/creack/pty"
	"golang.org/x/term"
)

// Plug puts the fake behind a pseudo-terminal of its own, which is a serial port to whoever opens name. unplug pulls the cable, and gives
// the error that ended [Station.Serve], if anything else did. done is closed when it has ended.
func (s *Station) Plug() (name string, unplug func() error, done <-chan struct{}, err error) {
	cable, socket, err := pty.Open()
	if err != nil {
		return "", nil, nil, fmt.Errorf("a pseudo-terminal for a fake station: %w", err)
	}
	// As a serial port is: no echo, no line at a time.
	if _, err := term.MakeRaw(int(socket.Fd())); err != nil {
		return "", nil, nil, errors.Join(fmt.Errorf("setting %s: %w", socket.Name(), err), socket.Close(), cable.Close())
	}
	port, err := waitable(cable)
	if err != nil {
		return "", nil, nil, errors.Join(fmt.Errorf("setting %s: %w", cable.Name(), err), socket.Close())
	}
	served := make(chan struct{})
	var ended error
	go func() {
		defer close(served)
		// The socket stays open, so that one who opens the port may close it again and another may come.
		ended = errors.Join(s.Serve(port), socket.Close())
		port.Close()
	}()
	return socket.Name(), func() error {
		port.Close()
		<-served
		if errors.Is(ended, fs.ErrClosed) || errors.Is(ended, io.EOF) || errors.Is(ended, syscall.EIO) {
			return nil
		}
		return ended
	}, served, nil
}

// waitable gives the same file so that closing it ends a read that waits, and closes f.
func waitable(f *os.File) (*os.File, error) {
	defer f.Close()
	fd, err := syscall.Dup(int(f.Fd()))
	if err != nil {
		return nil, err
	}
	if err := syscall.SetNonblock(fd, true); err != nil {
		return nil, errors.Join(err, syscall.Close(fd))
	}
	return os.NewFile(uintptr(fd), f.Name()), nil
}
