package board

import (
	"errors"
	"fmt"
	"strings"
	"sync"

	"fettle/station"
)

// open opens the board at a port; at the only one of those listed at which a board answers where name is "".
func open(name string, list func() ([]string, error), dial func(name string) (Line, error)) (*Board, error) {
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
		if b == nil {
			failed = append(failed, fmt.Sprintf("%s (%v)", names[n], errs[n]))
			continue
		}
		found, at = b, append(at, names[n])
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
	return nil, fmt.Errorf("looking for a board: none answers; tried were %s: %w", strings.Join(failed, ", "), station.ErrLost)
}

func openAt(name string, dial func(name string) (Line, error)) (*Board, error) {
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
