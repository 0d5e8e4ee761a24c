//go:build linux

// Package loadertest is a board that does not exist, on a pseudo-terminal: its chip's serial loader, and a program that says hello. It is
// for tests of what loads a board; start with [Start].
//
// As on most boards the chip starts anew whenever its port is opened: it is in its loader then, which starts the program where nobody
// speaks to it for a moment.
package loadertest

import (
	"bytes"
	"errors"
	"os"
	"sync"
	"time"

	"github.com/creack/pty"
	"golang.org/x/sys/unix"
)

// Fake says what the board is like. The zero Fake hears nothing and has no program.
type Fake struct {
	Baud      uint32 // at which the loader hears, as the system has it: unix.B115200
	Signature [3]byte
	LosesPage int    // the page written that is lost, from 1; 0: none
	Vanishes  int    // the page at which its cable comes out, from 1; 0: none
	Firmware  uint16 // the version of the program that runs once something has been written; 0: none does
}

// Good is an ATmega328P with a loader at 115200 baud.
func Good(firmware uint16) Fake {
	// From memory of the chip's data sheet: its signature.
	return Fake{Baud: unix.B115200, Signature: [3]byte{0x1E, 0x95, 0x0F}, Firmware: firmware}
}

// Board is a fake that runs.
type Board struct {
	Name string // of its port

	fake  Fake
	line  *os.File
	runs  sync.WaitGroup
	in    []byte // has been read off the line
	open  bool   // somebody has the port open
	pages int    // that were written

	mu    sync.Mutex
	flash [32 << 10]byte
}

// Start puts a fake on a pseudo-terminal.
func Start(f Fake) (*Board, error) {
	line, port, err := pty.Open()
	if err != nil {
		return nil, err
	}
	b := &Board{Name: port.Name(), fake: f}
	for i := range b.flash {
		b.flash[i] = 0xFF
	}
	if b.line, err = withDeadlines(line); err != nil {
		return nil, errors.Join(err, port.Close())
	}
	if err := port.Close(); err != nil {
		return nil, errors.Join(err, b.line.Close())
	}
	b.runs.Go(b.run)
	return b, nil
}

// withDeadlines gives the same line with deadlines for reading, which the one from package pty does not keep.
func withDeadlines(line *os.File) (*os.File, error) {
	fd, err := unix.Dup(int(line.Fd()))
	if err != nil {
		return nil, errors.Join(err, line.Close())
	}
	if err := errors.Join(unix.SetNonblock(fd, true), line.Close()); err != nil {
		return nil, errors.Join(err, unix.Close(fd))
	}
	return os.NewFile(uintptr(fd), line.Name()), nil
}

// Close takes the board away.
func (b *Board) Close() error {
	err := b.line.Close()
	b.runs.Wait()
	if errors.Is(err, os.ErrClosed) { // its cable had come out
		return nil
	}
	return err
}

// Flash is what has been written, from address 0 on.
func (b *Board) Flash() []byte {
	b.mu.Lock()
	defer b.mu.Unlock()
	return bytes.Clone(b.flash[:])
}

// What next may say instead of a byte.
var (
	errQuiet = errors.New("nothing came in time")
	errAnew  = errors.New("the port has been opened: the chip starts anew")
)

// pollEvery is how often the line is looked at.
const pollEvery = 10 * time.Millisecond

// next gives the next byte off the line, or errQuiet, errAnew, or the error of a line that is gone.
func (b *Board) next(wait time.Duration) (byte, error) {
	for until := time.Now().Add(wait); len(b.in) == 0; {
		if time.Now().After(until) {
			return 0, errQuiet
		}
		if err := b.line.SetReadDeadline(time.Now().Add(pollEvery)); err != nil {
			return 0, err
		}
		buf := make([]byte, 512)
		n, err := b.line.Read(buf)
		b.in = append(b.in, buf[:n]...)
		was := b.open
		switch {
		case errors.Is(err, unix.EIO): // nobody has the port open
			b.open = false
			time.Sleep(pollEvery)
			continue
		case err != nil && !errors.Is(err, os.ErrDeadlineExceeded):
			return 0, err
		}
		if b.open = true; !was {
			return 0, errAnew
		}
	}
	c := b.in[0]
	b.in = b.in[1:]
	return c, nil
}

// loaderTime is how long the loader waits for a command before it starts the program.
const loaderTime = time.Second

// run is the chip.
func (b *Board) run() {
	err := errQuiet
	for {
		switch {
		case errors.Is(err, errAnew):
			err = b.load()
		case errors.Is(err, errQuiet):
			err = b.program()
		default:
			return
		}
	}
}
