package text

import (
	"fmt"
	"time"

	"go.bug.st/serial"

	"fettle/station"
)

func init() {
	station.Register("text", func(rest string) (station.Station, error) {
		p, err := readProfile(rest)
		if err != nil {
			return nil, err
		}
		line, err := p.port.open()
		if err != nil {
			return nil, fmt.Errorf("text station: %s: opening the port %q: %w; see [port] name of the profile, and that the cable is in: %w", p.title, p.port.Name, err, station.ErrLost)
		}
		return New(p, line), nil
	})
}

// serialLine is an open serial port.
type serialLine struct {
	serial.Port
	opened time.Time
}

var (
	parities = [...]serial.Parity{NoParity: serial.NoParity, OddParity: serial.OddParity, EvenParity: serial.EvenParity}
	stopBits = map[int]serial.StopBits{1: serial.OneStopBit, 2: serial.TwoStopBits}
)

func (p Port) open() (Line, error) {
	port, err := serial.Open(p.Name, &serial.Mode{
		BaudRate: p.Baud, DataBits: p.DataBits, Parity: parities[p.Parity], StopBits: stopBits[p.StopBits],
	})
	if err != nil {
		return nil, err
	}
	return &serialLine{port, time.Now()}, nil
}

func (l *serialLine) Read(b []byte, wait time.Duration) (int, error) {
	if err := l.SetReadTimeout(wait); err != nil {
		return 0, err
	}
	return l.Port.Read(b)
}

func (l *serialLine) Now() time.Duration { return time.Since(l.opened) }
