package board

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"

	"fettle/station"
	"fettle/station/board/link"
	"fettle/station/port"
)

func init() {
	station.Register("board", func(rest string) (station.Station, error) {
		b, err := open(rest, ports, dial)
		if err != nil {
			return nil, err // and no *Board that is nil
		}
		return b, nil
	})
}

// ports are those at which a board may be: those on USB; all of them where the operating system knows of none that it is.
func ports() ([]string, error) {
	all, err := port.List()
	if err != nil {
		return nil, err
	}
	return likely(all), nil
}

func likely(all []port.Info) (names []string) {
	usb := slices.ContainsFunc(all, func(p port.Info) bool { return p.USB })
	for _, p := range all {
		if p.USB || !usb {
			names = append(names, p.Name)
		}
	}
	return names
}

func dial(name string) (port.Line, error) {
	p, err := port.Open(name, port.Settings{Baud: link.Baud})
	if err != nil {
		return nil, err
	}
	return p, nil
}

// open opens the board at a port; at the only one of those listed at which a board answers where name is "".
func open(name string, list func() ([]string, error), dial func(name string) (port.Line, error)) (*Board, error) {
	if name != "" {
		return openAt(name, dial)
	}
	names, err := list()
	if err != nil {
		return nil, fmt.Errorf("looking for a board: %w", err)
	}
	boards, errs := make([]*Board, len(names)), make([]error, len(names))
	var work sync.WaitGroup
	for n, name := range names {
		work.Go(func() { boards[n], errs[n] = openAt(name, dial) })
	}
	work.Wait()
	var found *Board
	var at, failed []string
	for n, b := range boards {
		switch err := errs[n]; {
		case err == nil:
			found, at = b, append(at, names[n])
		case errors.Is(err, errNoBoard):
			failed = append(failed, names[n])
		default:
			failed = append(failed, fmt.Sprintf("%s (%v)", names[n], err))
		}
	}
	switch {
	case len(at) == 1:
		return found, nil
	case len(at) > 1:
		err := fmt.Errorf("boards answer at %s: name one of them, as board:%s", strings.Join(at, " and "), at[0])
		for _, b := range boards {
			if b != nil {
				err = errors.Join(err, b.Close())
			}
		}
		return nil, err
	case len(names) == 0:
		return nil, fmt.Errorf("looking for a board: this computer has no serial port: see that the board is plugged in: %w", station.ErrLost)
	}
	return nil, fmt.Errorf("%w; tried were %s: %w", errNoBoard, strings.Join(failed, ", "), station.ErrLost)
}

func openAt(name string, dial func(name string) (port.Line, error)) (*Board, error) {
	line, err := dial(name)
	if err != nil {
		return nil, err
	}
	b, err := New(line, name)
	if err != nil {
		return nil, errors.Join(err, line.Close())
	}
	return b, nil
}
