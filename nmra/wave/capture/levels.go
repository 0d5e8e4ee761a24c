package capture

import (
	"math"
	"time"
)

// levels are the two voltages between which a signal goes, and where it is cut between them.
type levels struct {
	low, high plateau
	threshold float64 // volts
	margin    float64 // to either side of the threshold: the other level has been reached only beyond it
}

// plateau is one of them: the mean of the halves that were on it, the late ones counting more.
type plateau struct {
	volts float64
	n     int // halves, up to slow
}

const (
	hysteresis = 0.25 // of the way from the threshold to a level; of ones at leastRate the samples go twice as far
	slow       = 4    // halves after which a level has gone most of its way to another
)

// levelsOf finds the levels in a window, if what it has is a signal. It is one where the samples lie closer about two levels than those of
// noise do, and go from one to the other some times, with halves between that are not as short as those of noise.
func levelsOf(window []point, least float64) (found levels, ok bool) {
	lowest, highest := math.Inf(1), math.Inf(-1)
	for _, p := range window {
		lowest, highest = min(lowest, p.v), max(highest, p.v)
	}
	middle := lowest/2 + highest/2
	var l, h float64
	for range 2 {
		var sum [2]float64
		var n [2]int
		for _, p := range window {
			if p.v > middle {
				sum[1] += p.v
				n[1]++
			} else {
				sum[0] += p.v
				n[0]++
			}
		}
		if n[0] == 0 || n[1] == 0 {
			return levels{}, false
		}
		l, h = sum[0]/float64(n[0]), sum[1]/float64(n[1])
		middle = l/2 + h/2
	}
	if h-l <= least {
		return levels{}, false
	}
	const (
		// Of the samples about their level, as a part of its way from the middle: of noise it is 0.75; of a sine, which is what a sound
		// card makes of ones, 0.48; of a signal with edges next to nothing, and less than this even where they ring.
		spread = 0.55
		some   = 8                     // crossings in a window
		spike  = 30 * time.Microsecond // less than any half of a signal: one point at leastRate, where noise often crosses
	)
	var squares float64
	crossings, spikes, margin, above, last := 0, 0, hysteresis*(h-l)/2, window[0].v > middle, window[0].at
	for _, p := range window {
		v := p.v - middle
		apart := math.Abs(v) - (h - middle)
		squares += apart * apart
		if math.Abs(v) > margin && v > 0 != above {
			above = v > 0
			crossings++
			if p.at-last < spike {
				spikes++
			}
			last = p.at
		}
	}
	if math.Sqrt(squares/float64(len(window))) > spread*(h-middle) || crossings < some || spikes > crossings/8 {
		return levels{}, false
	}
	return levels{low: plateau{volts: l}, high: plateau{volts: h}}, true
}

// left reports whether the signal has left the levels for others that were found, further away than its halves lead it from one to the next.
func (l levels) left(found levels) bool {
	is, was := found.high.volts-found.low.volts, l.high.volts-l.low.volts
	apart := math.Abs(found.high.volts + found.low.volts - l.high.volts - l.low.volts)
	switch {
	case is < was/16:
		return false // a silence that happens to look like a signal
	case is < 0.6*was, is > 1.6*was:
		return true
	}
	return apart/2 > 0.15*was
}

// settle says where the signal is cut: at 0 V, as S-9.1 has it, or in the middle. At 0 V the samples have to show the edge itself. Where
// they are so far apart that its slope is only that of the filter before them, its middle is when it came.
func (l *levels) settle(s spacing) {
	const (
		balanced = 0.3                  // of the whole way is the middle away from 0 V at the most; more is a probe against another point
		sharp    = 2 * time.Microsecond // between samples
	)
	h, w := l.high.volts, l.low.volts
	l.threshold = h/2 + w/2
	if s.interval <= sharp && h > 0 && w < 0 && math.Abs(h+w) <= balanced*(h-w) {
		l.threshold = 0
	}
	l.margin = hysteresis * min(h-l.threshold, l.threshold-w)
}

// follow takes the voltage of a half that was on one side.
func (l *levels) follow(on side, half time.Duration, volts float64, s spacing) {
	const shortest, longest = 40 * time.Microsecond, 150 * time.Microsecond // others may be silence, or spikes
	if half < shortest || half > longest {
		return
	}
	at := &l.high
	if on == lower {
		at = &l.low
	}
	at.n = min(at.n+1, slow)
	was := at.volts
	at.volts += (volts - at.volts) / float64(at.n)
	if l.high.volts <= l.low.volts {
		at.volts = was
	}
	l.settle(s)
}

// middle is the voltage of a half that is too short for a sample which none of its edges reaches: what its middle has, less what the
// halves about it add to that.
func (l levels) middle(on side, s spacing, held []point, begin, end float64) float64 {
	own, other := l.high.volts, l.low.volts
	if on == lower {
		own, other = other, own
	}
	at := (begin + end) / 2
	i := int(math.Floor(at))
	if i < 0 || i >= len(held) {
		return own
	}
	share := s.share((end - begin) / 2)
	if share < 0.5 {
		return own
	}
	return (s.smooth(held, i, int(math.Round((at-float64(i))*kernelPhases))) - (1-share)*other) / share
}
