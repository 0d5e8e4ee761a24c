package capture

import (
	"math"
	"slices"
	"time"

	"fettle/nmra/wave"
)

// slicer finds the halves in a signal that comes as samples of its voltage, with the voltage of each. It is told nothing of the signal: it
// finds the two levels between which that goes, and follows them (levels.go). A signal that goes off makes no crossings, so a silence is
// one long half. Samples are held for a window of 2 ms, so that the levels of the beginning are known too before it is sliced.
//
// Where samples are evenly spaced, the signal between them is found through a smoothing kernel (kernel.go). It touches so few samples that
// no other edge is in the way, and is nearly blind to what is above 0.45 of the rate, which the filter of a sound card has cut off. Where
// they are uneven, the signal is the straight line from one to the next.
//
// How far halves are off, at nominal timing, behind a filter that stops what is above half the rate, with no noise, and with noise whose
// deviation is 1 % or 3 % of the amplitude; measured over 10000 halves by TestHalvesAreAsGoodAsIsSaidOfEachRate, in microseconds:
//
//	samples a second      no noise       1 %           3 %
//	                    mean  most    mean  most    mean  most
//	          40 000    0.03  1.3     0.21  2.1     0.60  3.1
//	          44 100    0.04  0.3     0.18  0.9     0.52  2.4
//	          48 000    0.02  0.1     0.17  0.9     0.48  2.7
//	          88 200    0.01  0.1     0.09  0.4     0.26  1.3
//	          96 000    0.01  0.1     0.08  0.5     0.24  1.3
//	         192 000    0.01  0.1     0.04  0.2     0.12  0.6
//	       1 000 000    0.01  0.1     0.01  0.1     0.03  0.1
//
// Without such a filter, as an oscilloscope takes them, samples say no more of a sharp edge than that it was between two of them: halves
// were off by 0.3 of the interval on the average, and by up to the whole of it. At 192 000 a second all packets were found, and at 96 000
// none.
//
// The zero slicer is ready. What it holds does not grow.
type slicer struct {
	least float64 // in volts: what goes up and down by less is no signal

	tick   tick
	held   []point // in the order of time: those not yet sliced, and those before them that are looked at once more
	next   int     // the first in held that is not yet sliced
	window int     // the first in held of the window that is coming in

	spacing spacing
	levels  levels
	known   bool // levels have been found

	side  side
	above bool    // the last sample was above the threshold
	over  ending  // of the half that is coming in, if the signal goes on to its other level
	start ending  // of the half before it: its beginning
	begun bool    // start is a crossing
	from  int     // the first in held, or the one to come, that has settled since start
	sum   float64 // held[from-1].sum
}

// side is the level that a signal is on.
type side int8

const (
	lower side = -1
	upper side = 1
)

// ending is a crossing, and the voltage of the half that ends there.
type ending struct {
	at    time.Duration
	place float64 // in held: 2.5 is half-way between 2 and 3
	volts float64
}

// point is a sample.
type point struct {
	at  time.Duration
	v   float64 // volts
	sum float64 // of the smoothed voltages up to here
}

const (
	leastRate = 40_000    // samples a second; with fewer the kernel is longer than a half
	mostVolts = 1_000_000 // beyond any track; so that no sum of samples is without meaning

	windowTime = 2 * time.Millisecond // has ten halves even where only zeros are sent
	windowMost = 1 << 15              // points

	// Away from the edges a half is at its level. What an edge rings is over by then: common practice, no source.
	settles = 15 * time.Microsecond
	leaves  = 3 * time.Microsecond

	// How long an edge may take from the threshold to the margin: much longer than one that rises by 2.4 V a microsecond (S-9.1, 2020).
	edge = 10 * time.Microsecond
)

// sample takes the voltage v at an instant, later than that of the sample before it, and appends to b the half that it ends, if it ends one.
func (s *slicer) sample(b *Batch, at time.Duration, v float64) {
	if p, ok := s.tick.add(at, max(-mostVolts, min(v, mostVolts))); ok {
		s.hold(b, p)
	}
}

// end takes what is still held when the signal is over.
func (s *slicer) end(b *Batch) {
	if p, ok := s.tick.last(); ok {
		s.hold(b, p)
	}
	s.look(b, 0)
	*s = slicer{least: s.least}
}

// hold takes the next point; when a window is full, it is sliced.
func (s *slicer) hold(b *Batch, p point) {
	s.held = append(s.held, p)
	if n := len(s.held) - s.window; n >= windowMost || p.at-s.held[s.window].at >= windowTime {
		s.look(b, kernelReach)
	}
}

// look takes the window that has come in: it finds the levels, and slices all but so many points, for which those behind are still to come.
func (s *slicer) look(b *Batch, but int) {
	if len(s.held) == 0 {
		return
	}
	if s.spacing == (spacing{}) {
		s.spacing = spacingOf(s.held)
	}
	if found, ok := levelsOf(s.held[s.window:], s.least); ok && (!s.known || s.levels.left(found)) {
		s.levels = found
		s.levels.settle(s.spacing)
		if !s.known {
			s.known = true
			s.next = 0
		}
		again := *s // with levels that the halves themselves give
		again.slice(new(Batch), len(s.held)-but)
		s.levels = again.levels
	}
	drop := s.window
	if s.known {
		s.slice(b, len(s.held)-but)
		drop = max(0, s.next-s.spacing.back())
	}
	s.held = slices.Delete(s.held, 0, drop)
	s.next = max(0, s.next-drop)
	s.window = len(s.held)
	s.from -= drop
	s.start.place -= float64(drop)
	s.over.place -= float64(drop)
}

// slice goes on from next to the point before to.
func (s *slicer) slice(b *Batch, to int) {
	for ; s.next < to; s.next++ {
		i := s.next
		y := s.spacing.smooth(s.held, i, 0)
		s.held[i].sum = y
		if i > 0 {
			s.held[i].sum += s.held[i-1].sum
		}
		if i == s.from && i > 0 {
			s.sum = s.held[i-1].sum
		}
		y -= s.levels.threshold
		if above := y >= 0; above != s.above {
			s.above = above
			if above == (s.side == lower) {
				s.over = s.ending(i, s.levels.threshold)
			}
		}
		switch {
		case s.side == 0 && y > s.levels.margin:
			s.side = upper
		case s.side == 0 && y < -s.levels.margin:
			s.side = lower
		case s.side == lower && y > s.levels.margin, s.side == upper && y < -s.levels.margin:
			if s.held[i].at-s.over.at > edge+kernelReach*s.spacing.interval { // it hung about there, as where it has been off
				s.over = s.ending(i, s.levels.threshold-float64(s.side)*s.levels.margin)
			}
			s.cross(b)
		}
	}
}

// ending is the crossing of so many volts between the point i and the one before it.
func (s *slicer) ending(i int, volts float64) ending {
	part := s.spacing.crossing(s.held, i-1, volts, s.side == lower)
	before, after := s.held[max(0, i-1)].at, s.held[i].at
	e := ending{
		at:    before + time.Duration(math.Round(part*float64(after-before))),
		place: float64(i-1) + part,
	}
	last := int(math.Floor(e.place - s.spacing.leaves))
	if last >= s.from && last >= 0 {
		e.volts = (s.held[last].sum - s.sum) / float64(last-s.from+1)
		return e
	}
	e.volts = s.levels.middle(s.side, s.spacing, s.held, s.start.place, e.place)
	return e
}

// cross ends the half that is coming in where the signal last crossed its threshold.
func (s *slicer) cross(b *Batch) {
	if s.begun && s.over.at > s.start.at {
		half := s.over.at - s.start.at
		if len(b.Halves) == 0 {
			b.Start = s.start.at
		}
		b.Halves = append(b.Halves, half)
		b.Volts = append(b.Volts, wave.Volts(s.over.volts))
		s.levels.follow(s.side, half, s.over.volts, s.spacing)
	}
	s.start, s.begun, s.side = s.over, true, -s.side
	s.from = max(0, int(math.Ceil(s.start.place+s.spacing.settles)))
	if s.from > 0 && s.from <= s.next {
		s.sum = s.held[s.from-1].sum
	}
}

// tick joins samples that come closer than a hundred nanoseconds: no half is known better than that, and a window has few points.
type tick struct {
	first, at time.Duration // at: the sum of times behind first
	v         float64
	n         int
}

const tickTime = 100 * time.Nanosecond

// add takes a sample, and gives what came before it where it is far enough behind that.
func (t *tick) add(at time.Duration, v float64) (p point, ok bool) {
	if t.n > 0 && at-t.first >= tickTime {
		p, ok = t.last()
	}
	if t.n == 0 {
		t.first = at
	}
	t.at += at - t.first
	t.v += v
	t.n++
	return p, ok
}

// last gives what has come in.
func (t *tick) last() (point, bool) {
	if t.n == 0 {
		return point{}, false
	}
	p := point{at: t.first + t.at/time.Duration(t.n), v: t.v / float64(t.n)}
	*t = tick{}
	return p, true
}
