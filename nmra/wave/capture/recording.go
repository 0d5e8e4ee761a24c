package capture

import (
	"bufio"
	"io"
	"iter"
	"slices"
	"strconv"
	"time"

	"fettle/nmra/wave"
)

// Recording is a signal that is taken down as it is sent, with the track's current. The zero Recording is empty. It holds all of it: eight
// bytes a half, so some 7 MB for a minute of track.
type Recording struct {
	halves  []time.Duration
	current []Current
}

// Half takes the next half of the signal, from where the one before it ended.
func (r *Recording) Half(length time.Duration) { r.halves = append(r.halves, length) }

// Draws takes what the track draws from an instant on, counted from the beginning of the first half.
func (r *Recording) Draws(at time.Duration, c wave.Milliamps) {
	if n := len(r.current); n > 0 && r.current[n-1].Milliamps == c {
		return
	}
	r.current = append(r.current, Current{at, c})
}

// Halves gives the halves of the signal.
func (r *Recording) Halves() iter.Seq[time.Duration] { return slices.Values(r.halves) }

// WriteCSV writes the signal as [WriteCSV] does, with a column of the current, current_ma, and a line for each change of that too. Errors
// are those of w.
func (r *Recording) WriteCSV(w io.Writer) error {
	b := bufio.NewWriter(w)
	b.WriteString("time_us,rail,current_ma\n")
	halves, current := r.halves, r.current
	at, crossed, level, draws := time.Duration(0), time.Duration(0), byte(1), wave.Milliamps(0)
	for {
		for len(current) > 0 && current[0].At <= at {
			draws, current = current[0].Milliamps, current[1:]
		}
		line := append(appendMicroseconds(b.AvailableBuffer(), at), ',', '0'+level, ',')
		line = strconv.AppendFloat(line, float64(draws), 'f', -1, 64)
		if _, err := b.Write(append(line, '\n')); err != nil {
			return err
		}
		switch {
		case len(halves) > 0 && (len(current) == 0 || crossed+halves[0] <= current[0].At):
			crossed += halves[0]
			at, level, halves = crossed, 1-level, halves[1:]
		case len(current) > 0:
			at = current[0].At
		default:
			return b.Flush()
		}
	}
}
