package conform

import (
	"time"

	"fettle/nmra/wave"
)

// LongestHalf is the longest half that can belong to a signal; where there is no crossing for longer, the track is without one. It is
// twice what a decoder must accept of a zero (S-9.1): common practice, no source.
const LongestHalf = 20 * time.Millisecond

// Meter holds a signal against the rules of S-9.1 and S-9.2. It has a wave.Scanner in it and is used as one is: what [Meter.Scan]
// and [Meter.End] find is what that finds. The zero Meter is ready.
type Meter struct {
	Start time.Duration // of the signal's first half: all times count from there. With that of a capture's first batch, from the beginning of the capture
	Step  time.Duration // how finely the signal has time; what is outside a limit by less is unclear. 0: as finely as it is given

	scanner wave.Scanner
}

// Scan takes halves up to the next finding, as the Scan of a wave.Scanner does.
func (m *Meter) Scan(halves []time.Duration) (n int, found wave.Finding) {
	n, found = m.scanner.Scan(halves)
	return n, found
}

// End is called at the end of the signal, and gives the fault that Scan had not told yet, if there is one.
func (m *Meter) End() wave.Finding { return m.scanner.End() }

// Result is what was measured until now.
func (m *Meter) Result() Result { return Result{} }
