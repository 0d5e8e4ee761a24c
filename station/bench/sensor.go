package bench

import (
	"time"

	"fettle/station"
)

// How the track tells an acknowledgement from noise. A decoder has to draw at least 60 mA more for 5 to 7 ms (S-9.2.3, section
// C); the track is content with less, so that one on dirty rails is seen. The figures below are our own choice.
const (
	sampleEvery = 50 * time.Microsecond
	threshold   = station.Milliamps(40) // above rest
	enough      = 3 * time.Millisecond  // above the threshold, gaps not counted
	longestGap  = 2 * time.Millisecond  // after which a pulse has ended
)

type task uint8

const (
	deaf task = iota
	atRest
	listening
)

// sensor watches the current during one access.
type sensor struct {
	task     task
	charge   float64 // mA x ns, at rest
	restTime time.Duration
	above    time.Duration
	gap      time.Duration // since the current was last above the threshold
	height   station.Milliamps
	seen     bool
	ended    bool // the pulse that was seen
}

// sample takes in a current that flows for so long.
func (s *sensor) sample(current station.Milliamps, length time.Duration) {
	switch s.task {
	case atRest:
		s.charge += float64(current) * float64(length)
		s.restTime += length
	case listening:
		s.listen(current-s.rest(), length)
	}
}

func (s *sensor) listen(rise station.Milliamps, length time.Duration) {
	switch {
	case s.ended:
	case rise >= threshold:
		s.above += length
		s.gap, s.height, s.seen = 0, max(s.height, rise), s.seen || s.above >= enough
	default:
		if s.gap += length; s.gap > longestGap {
			s.ended = s.seen
			if !s.seen {
				s.above, s.height = 0, 0
			}
		}
	}
}

// rest is the mean current at rest.
func (s *sensor) rest() station.Milliamps {
	if s.restTime == 0 {
		return 0
	}
	return station.Milliamps(s.charge / float64(s.restTime))
}

func (s *sensor) answer() station.Answer {
	if !s.seen {
		return station.Answer{Rest: s.rest()}
	}
	return station.Answer{Acknowledged: true, Pulse: s.above, Height: s.height, Rest: s.rest()}
}
