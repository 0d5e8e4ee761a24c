// Package port opens serial ports, lists those that a computer has, and finds one again that was gone.
//
// Start with [Open], which is what the stations below package station are built on, or with [List]. A pseudo-terminal is a port too: it
// has no modem lines, and none are asked for here. Opening a port raises the line DTR on most computers, which starts many boards anew.
package port

import (
	"bytes"
	"errors"
	"fmt"
	"sync/atomic"
	"syscall"
	"time"

	"go.bug.st/serial"

	"fettle/station"
)

// Settings are how a line is spoken to. What is 0 is as most lines have it: 115200 baud, 8 data bits, no parity, one stop bit.
type Settings struct {
	Baud     int // bits a second
	DataBits int // 5 to 8
	Parity   Parity
	StopBits int // 1 or 2
}

// Parity is the bit that is sent after those of the data.
type Parity uint8

const (
	None Parity = iota
	Odd
	Even
)

// What settings are where they are not given: those of the open board.
const (
	usualBaud     = 115200
	usualDataBits = 8
	usualStopBits = 1
)

// filled puts what is usual where nothing is given.
func (s Settings) filled() Settings {
	if s.Baud == 0 {
		s.Baud = usualBaud
	}
	if s.DataBits == 0 {
		s.DataBits = usualDataBits
	}
	if s.StopBits == 0 {
		s.StopBits = usualStopBits
	}
	return s
}

// mode is the same for the library; settings that no port takes are refused.
func (s Settings) mode() (*serial.Mode, error) {
	s = s.filled()
	parities := map[Parity]serial.Parity{None: serial.NoParity, Odd: serial.OddParity, Even: serial.EvenParity}
	stopBits := map[int]serial.StopBits{1: serial.OneStopBit, 2: serial.TwoStopBits}
	parity, hasParity := parities[s.Parity]
	stop, hasStop := stopBits[s.StopBits]
	switch {
	case s.Baud < 0:
		return nil, fmt.Errorf("found %d baud, want more than 0", s.Baud)
	case s.DataBits < 5 || s.DataBits > 8:
		return nil, fmt.Errorf("found %d data bits, want 5 to 8", s.DataBits)
	case !hasParity:
		return nil, fmt.Errorf("found parity %d, want none, odd or even", s.Parity)
	case !hasStop:
		return nil, fmt.Errorf("found %d stop bits, want 1 or 2", s.StopBits)
	}
	return &serial.Mode{BaudRate: s.Baud, DataBits: s.DataBits, Parity: parity, StopBits: stop}, nil
}

// String is how a port is set in the short form of the trade: "115200 baud, 8N1".
func (s Settings) String() string {
	s = s.filled()
	letter := byte('?')
	if int(s.Parity) < len("NOE") {
		letter = "NOE"[s.Parity]
	}
	return fmt.Sprintf("%d baud, %d%c%d", s.Baud, s.DataBits, letter, s.StopBits)
}

// Line is a serial line: a [Port], or what stands for one in a test. On one with a method RealTime() time passes by itself; on any other
// only in Read.
type Line interface {
	Write(b []byte) (int, error)
	// Read waits at most wait for bytes. None in time is 0, nil. An error is final: the line is gone.
	Read(b []byte, wait time.Duration) (int, error)
	Now() time.Duration // the clock by which wait is counted
	Close() error
}

var _ Line = (*Port)(nil)

// Port is an open serial port. One goroutine may read while another one writes. Once it has failed it is gone, whatever comes back in its
// place: open it anew, and see [Again].
type Port struct {
	name     string
	line     serial.Port
	opened   time.Time
	patience time.Duration // with a line that takes nothing
	gone     atomic.Pointer[error]
}

// A line that takes nothing for so long is taken to be lost. Our own choice: the longest frame of the board takes 25 ms.
const writePatience = 3 * time.Second

// Open opens a port by the name that the operating system has for it: "/dev/ttyUSB0", "COM3". Its errors say what to do: of
// [station.ErrLost] is one of a port that is not there, of [station.ErrStation] one that may not be opened or that is in use; what is no
// serial port, or settings that can't be, are bad use.
func Open(name string, s Settings) (*Port, error) {
	mode, err := s.mode()
	if err != nil {
		return nil, fmt.Errorf("the port %s: %w", name, err)
	}
	line, err := serial.Open(name, mode)
	if err != nil {
		return nil, whyNotOpen(name, s, err)
	}
	return &Port{name: name, line: line, opened: time.Now(), patience: writePatience}, nil
}

// Read waits at most wait for bytes. None in time is 0, nil. An error is final, and a [station.ErrLost].
func (p *Port) Read(b []byte, wait time.Duration) (int, error) {
	if gone := p.gone.Load(); gone != nil {
		return 0, *gone
	}
	if err := p.line.SetReadTimeout(max(wait, 0)); err != nil {
		return 0, p.lost("reading from it", err)
	}
	n, err := p.line.Read(b)
	if err != nil {
		err = p.lost("reading from it", err)
	}
	return n, err
}

// errTakesNothing is the error of a line that nobody reads.
var errTakesNothing = errors.New("it takes nothing")

// Write writes all of b. An error is final, and a [station.ErrLost]; n bytes may have been sent all the same.
func (p *Port) Write(b []byte) (n int, err error) {
	if gone := p.gone.Load(); gone != nil {
		return 0, *gone
	}
	type written struct {
		n   int
		err error
	}
	wrote := make(chan written, 1)
	rest := bytes.Clone(b) // it may outlive this call
	go func() {
		n, err := p.writeAll(rest)
		wrote <- written{n, err}
	}()
	patience := time.NewTimer(p.patience)
	defer patience.Stop()
	select {
	case w := <-wrote:
		if w.err != nil {
			w.err = p.lost("writing to it", w.err)
		}
		return w.n, w.err
	case <-patience.C:
		return 0, p.lost("writing to it", errTakesNothing)
	}
}

// writeAll writes as often as it takes: a signal ends a write early.
func (p *Port) writeAll(b []byte) (n int, err error) {
	for n < len(b) {
		wrote, err := p.line.Write(b[n:])
		n += wrote
		if err != nil && !errors.Is(err, syscall.EINTR) {
			return n, err
		}
	}
	return n, nil
}

// Now is the clock by which Read waits: the time since the port was opened.
func (p *Port) Now() time.Duration { return time.Since(p.opened) }

// RealTime says that the port's clock runs by itself.
func (p *Port) RealTime() {}

// Close closes the port. A Read that is waiting ends with an error.
func (p *Port) Close() error {
	closed := fmt.Errorf("the port %s: it has been closed: %w", p.name, station.ErrLost)
	p.gone.CompareAndSwap(nil, &closed)
	if err := p.line.Close(); err != nil {
		return fmt.Errorf("the port %s: closing it: %w: %w", p.name, err, station.ErrLost)
	}
	return nil
}

// lost is the error of a port that has failed, from now on.
func (p *Port) lost(doing string, err error) error {
	var library *serial.PortError
	if errors.As(err, &library) && library.Code() == serial.PortClosed { // it reads so where its cable is out
		err = errors.New("it is gone")
	}
	lost := fmt.Errorf("the port %s: %s: %w: see that its cable is in at both ends: %w", p.name, doing, err, station.ErrLost)
	if !p.gone.CompareAndSwap(nil, &lost) {
		return *p.gone.Load()
	}
	return lost
}
