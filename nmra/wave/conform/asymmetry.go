package conform

import (
	"time"

	"fettle/nmra/wave"
)

const (
	// A difference counts as an asymmetry from leansFrom on, and one that is there counts until it is less than leansUntil. Sections have 1.5 V
	// to 3 V: common practice, no source.
	leansFrom, leansUntil = 0.75, 0.5

	mostStretches = 1000
	mostPoints    = 2000
)

// span is a time, and the half-waves in it.
type span struct {
	from, to           time.Duration
	positive, negative average
}

// whole reports whether both half-waves are in it.
func (s *span) whole() bool { return s.positive.n > 0 && s.negative.n > 0 }

func (s *span) difference() float64 { return float64(s.positive.volts() - s.negative.volts()) }

// join makes the span end where a later one does, with the half-waves of both.
func (s *span) join(later span) {
	s.to = later.to
	s.positive.join(later.positive)
	s.negative.join(later.negative)
}

// average is that of voltages without a sign.
type average struct {
	sum float64
	n   int64
}

func (a *average) join(b average) { a.sum, a.n = a.sum+b.sum, a.n+b.n }

func (a average) volts() wave.Volts {
	if a.n == 0 {
		return 0
	}
	return wave.Volts(a.sum / float64(a.n))
}

// stretches joins windows with the same lean. The zero stretches is ready.
type stretches struct {
	now   span // that is coming in; longer than nothing where there is one
	lean  Lean // of it
	ended []Stretch
	more  int64 // ended, and not kept
}

func (s *stretches) window(w span) { s.add(w, leanOf(w.difference(), s.lean)) }

func (s *stretches) silence(from, to time.Duration) { s.add(span{from: from, to: to}, NoSignal) }

func (s *stretches) add(next span, lean Lean) {
	if lean == s.lean && s.now.to > s.now.from {
		s.now.join(next)
		return
	}
	s.end()
	s.now, s.lean = next, lean
}

// end ends the stretch that is coming in.
func (s *stretches) end() {
	switch {
	case s.now.to <= s.now.from:
		return
	case len(s.ended) == mostStretches:
		s.more++
	default:
		s.ended = append(s.ended, Stretch{
			From: s.now.from, To: s.now.to, Lean: s.lean,
			Positive: s.now.positive.volts(), Negative: s.now.negative.volts(), Difference: wave.Volts(s.now.difference()),
		})
	}
	s.now = span{}
}

// leanOf says which half-wave is the higher, behind a window of that lean.
func leanOf(difference float64, before Lean) Lean {
	positive, negative := leansFrom, leansFrom
	switch before {
	case Positive:
		positive = leansUntil
	case Negative:
		negative = leansUntil
	}
	switch {
	case difference >= positive:
		return Positive
	case -difference >= negative:
		return Negative
	}
	return Even
}

// series is a curve of as few points as it takes. The zero series is ready.
type series struct {
	points []span
	length time.Duration // of a point at the most, if it is of more than one window
}

func (s *series) window(w span) {
	if n := len(s.points); n > 0 && w.to-s.points[n-1].from <= s.length {
		s.points[n-1].join(w)
		return
	}
	if len(s.points) == mostPoints {
		for i := range mostPoints / 2 {
			s.points[i] = s.points[2*i]
			s.points[i].join(s.points[2*i+1])
		}
		s.points = s.points[:mostPoints/2]
		s.length = 2 * max(s.length, windowLength)
	}
	s.points = append(s.points, w)
}
