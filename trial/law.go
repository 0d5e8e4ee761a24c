package trial

import (
	"time"

	"fettle/station"
)

// Law is how the stopping distance depends on the entry speed: s = k v^Exponent, with an error of log s that is normal. A run that passed the
// room counts as one whose distance is greater than it.
type Law struct {
	Known     bool    // there are stops at two speeds or more
	Stopped   int     // runs that it rests on
	Overran   int     // runs that count as farther than the room
	Exponent  float64 // about 0: constant distance; 1: constant time; 2: constant deceleration; more: braking that falls off with speed
	Low, High float64 // its interval, at the trial's confidence
	Relative  float64 // standard deviation of log s: 0.01 is one part in a hundred
	AICc      float64 // of s, so that it compares with that of Motion
	Motion    Motion  // the other law, fitted to the same runs
	// Slowest and Fastest are the entry speeds between which it is known.
	Slowest, Fastest station.MillimetresPerSecond
}

// Motion is s = Start + Response v + v²/(2 Deceleration), its terms never negative (EN 14531-1: equivalent response time, mean deceleration).
type Motion struct {
	Known        bool
	Start        station.Millimetres
	Response     time.Duration
	Deceleration Deceleration // 0: the square of the speed plays no part
	AICc         float64
}

// At is the stop that it predicts for an entry speed.
func (m Motion) At(v station.MillimetresPerSecond) station.Millimetres {
	s := m.Start + station.Millimetres(m.Response.Seconds()*float64(v))
	if m.Deceleration > 0 {
		s += station.Millimetres(float64(v) * float64(v) / (2 * float64(m.Deceleration)))
	}
	return s
}
