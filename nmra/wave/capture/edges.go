package capture

import (
	"math"
	"time"

	"fettle/nmra/wave"
)

// edges makes halves of the levels of a signal. What a signal is at an instant is what it was last said to be: a change that is taken
// back within it is no crossing, so a crossing is one only when the next instant has come. The zero edges is ready.
type edges struct {
	level   level         // up to since
	then    level         // from since on
	since   time.Duration // the instant at hand
	crossed bool
	last    time.Duration // crossing
}

// set takes the level from an instant on, which is no earlier than that of the call before.
func (e *edges) set(b *Batch, at time.Duration, to level) {
	if at != e.since {
		e.end(b)
	}
	e.since, e.then = at, to
}

// end takes it that the instant at hand is over.
func (e *edges) end(b *Batch) {
	switch {
	case e.level == e.then:
		return
	case e.level == unknown: // the first level is no crossing
	case e.crossed:
		b.Halves = append(b.Halves, e.since-e.last)
		e.last = e.since
	default:
		e.crossed, e.last, b.Start = true, e.since, e.since
	}
	e.level = e.then
}

// currents thins out what a current channel says: S-9.2.3 (July 2012), section D, has acknowledgements of 60 mA for 6 ms, so changes of
// less than a milliamp, and what is over within some microseconds, are nothing. The zero currents is ready.
type currents struct {
	given   Current // last
	begun   bool    // given is one
	since   Current // what it has been since, not long enough to be given
	waiting bool    // since is one
	ahead   []Current
}

const (
	leastChange  = 1 // milliamp
	leastCurrent = 10 * time.Microsecond
)

// begin gives what was held back.
func (c *currents) begin(b *Batch) {
	b.Current = append(b.Current, c.ahead...)
	c.ahead = c.ahead[:0]
}

// draw takes the current from an instant on, which is no earlier than that of the call before.
func (c *currents) draw(b *Batch, now Current) {
	if c.waiting && now.At-c.given.At >= leastCurrent {
		c.end(b)
	}
	c.waiting = false
	switch {
	case c.begun && math.Abs(float64(now.Milliamps-c.given.Milliamps)) < leastChange:
	case c.begun && now.At-c.given.At < leastCurrent:
		c.since, c.waiting = now, true
	default:
		c.give(b, now)
	}
}

// end gives what the current is when the signal is over.
func (c *currents) end(b *Batch) {
	if c.waiting {
		c.waiting = false
		c.give(b, c.since)
	}
}

func (c *currents) give(b *Batch, now Current) {
	c.given, c.begun = now, true
	b.Current = append(b.Current, now)
}

// hold keeps what lies behind an instant for a later batch, and reports whether there is something.
func (c *currents) hold(b *Batch, until time.Duration) bool {
	keep := len(b.Current)
	for keep > 0 && b.Current[keep-1].At > until {
		keep--
	}
	c.ahead = append(c.ahead, b.Current[keep:]...)
	b.Current = b.Current[:keep]
	return len(c.ahead) > 0
}

// milliamps gives a level as a current.
func (l level) milliamps() wave.Milliamps {
	if l == high {
		return AckLevel
	}
	return 0
}
