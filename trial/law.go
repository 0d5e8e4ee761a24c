package trial

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"time"

	"fettle/station"
	"fettle/trial/stat"
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
	AICc      float64 // of s, so that it compares with that of Motion; +Inf where the runs are too few for one
	Motion    Motion  // the other law, fitted to the same runs
	// Slowest and Fastest are the entry speeds between which it is known.
	Slowest, Fastest station.MillimetresPerSecond

	line       stat.Line
	confidence float64
}

// Motion is s = Start + Response v + v²/(2 Deceleration), its terms never negative (EN 14531-1: equivalent response time, mean deceleration).
type Motion struct {
	Known        bool
	Start        station.Millimetres
	Response     time.Duration
	Deceleration Deceleration // 0: the square of the speed plays no part
	AICc         float64
}

// String is the exponent with its interval: "2.01 (1.99 to 2.03)". An end that is not known is "open".
func (l Law) String() string {
	return fmt.Sprintf("%s (%s to %s)", hundredths(l.Exponent), hundredths(l.Low), hundredths(l.High))
}

func hundredths(x float64) string {
	if math.IsNaN(x) || math.IsInf(x, 0) {
		return "open"
	}
	text := fmt.Sprintf("%.2f", math.Abs(x))
	if x < 0 && text != "0.00" {
		return "−" + text
	}
	return text
}

// At is the stop that the law predicts for an entry speed, with the interval of its mean; 0 where the law is not known, or the speed not above 0.
func (l Law) At(v station.MillimetresPerSecond) (stop, low, high station.Millimetres) {
	if !l.Known || v <= 0 {
		return 0, 0, 0
	}
	mean, lo, hi := l.line.Predict(math.Log(float64(v)), l.confidence)
	return station.Millimetres(math.Exp(mean)), station.Millimetres(math.Exp(lo)), station.Millimetres(math.Exp(hi))
}

// At is the stop that it predicts for an entry speed.
func (m Motion) At(v station.MillimetresPerSecond) station.Millimetres {
	s := m.Start + station.Millimetres(m.Response.Seconds()*float64(v))
	if m.Deceleration > 0 {
		s += station.Millimetres(float64(v) * float64(v) / (2 * float64(m.Deceleration)))
	}
	return s
}

// nearest is the least distance that has a part in a law, which goes by logarithms: stops are measured to about this.
const nearest station.Millimetres = 1

// lawOf fits both laws to the runs with the section that stopped or passed the room, and have an entry speed.
func lawOf(t Trial, runs []Run) Law {
	l := Law{confidence: t.Wanted.Confidence, Slowest: station.MillimetresPerSecond(math.Inf(1))}
	var v, s, logV, logS []float64
	var censored []bool
	var jacobian float64
	room := t.room()
	for _, r := range runs {
		stop := r.Stop
		switch {
		case r.Way != station.With || r.Outcome > Overran || r.Speed <= 0:
			continue
		case r.Outcome == Overran && room <= 0:
			continue
		case r.Outcome == Overran:
			stop = room
			l.Overran++
		default:
			stop = max(stop, nearest)
			l.Stopped++
			l.Slowest, l.Fastest = min(l.Slowest, r.Speed), max(l.Fastest, r.Speed)
			jacobian += math.Log(float64(stop))
		}
		v, s = append(v, float64(r.Speed)), append(s, float64(stop))
		logV, logS = append(logV, math.Log(float64(r.Speed))), append(logS, math.Log(float64(stop)))
		censored = append(censored, r.Outcome == Overran)
	}
	if l.Stopped < 3 || l.Fastest < 1.05*l.Slowest {
		return Law{Stopped: l.Stopped, Overran: l.Overran}
	}
	fit, err := stat.CensoredLine(logV, logS, censored, t.Wanted.Confidence)
	if err != nil {
		return Law{Stopped: l.Stopped, Overran: l.Overran}
	}
	l.Known, l.line = true, fit
	l.Exponent, l.Low, l.High, l.Relative = fit.Slope, fit.SlopeLow, fit.SlopeHigh, fit.Sigma
	// The density of s is that of log s divided by s.
	l.AICc = stat.AICc(fit.LogLikelihood-jacobian, 3, len(v))
	if p, err := stat.Motion(v, s, censored); err == nil {
		l.Motion = Motion{Known: true, Start: station.Millimetres(p.Constant), Response: time.Duration(p.Linear * float64(time.Second)),
			AICc: stat.AICc(p.LogLikelihood, p.Terms+1, len(v))}
		if p.Square > 0 {
			l.Motion.Deceleration = Deceleration(1 / (2 * p.Square))
		}
	}
	return l
}

// holds is the widest range of entry speeds, between those that were tried, over which the interval of the law keeps to the tolerance.
func (l Law) holds(w Wanted) (widest SpeedRange) {
	if !l.Known {
		return SpeedRange{}
	}
	keeps := func(v station.MillimetresPerSecond) bool {
		_, low, high := l.At(v)
		return low >= w.Stop-w.Within && high <= w.Stop+w.Within
	}
	// edge is where keeps changes between a speed at which it holds and one at which it does not.
	edge := func(in, out station.MillimetresPerSecond) station.MillimetresPerSecond {
		for range 8 {
			if middle := (in + out) / 2; keeps(middle) {
				in = middle
			} else {
				out = middle
			}
		}
		return in
	}
	const steps = 40
	at := func(i int) station.MillimetresPerSecond {
		return l.Slowest + (l.Fastest-l.Slowest)*station.MillimetresPerSecond(i)/steps
	}
	for i := 0; i <= steps; i++ {
		if !keeps(at(i)) {
			continue
		}
		r := SpeedRange{Low: at(i), High: at(i)}
		if i > 0 {
			r.Low = edge(at(i), at(i-1))
		}
		for i < steps && keeps(at(i+1)) {
			i++
		}
		r.High = at(i)
		if i < steps {
			r.High = edge(at(i), at(i+1))
		}
		if r.High-r.Low >= widest.High-widest.Low {
			widest = r
		}
	}
	return widest
}

// nearExponent is how far the interval of the exponent may be from a whole number and still be called by it (our choice).
const nearExponent = 0.1

// brakesBy names the way of braking by the interval of the exponent.
func brakesBy(l Law) Brakes {
	if !l.Known || math.IsNaN(l.Low) || math.IsNaN(l.High) {
		return BrakesUndecided
	}
	var may []Brakes
	for whole, b := range []Brakes{BrakesDistance, BrakesTime, BrakesDeceleration} {
		if l.Low-nearExponent <= float64(whole) && float64(whole) <= l.High+nearExponent {
			may = append(may, b)
		}
	}
	switch {
	case len(may) == 1 && l.High-l.Low < 1:
		return may[0]
	case len(may) > 0:
		return BrakesUndecided
	case l.Low > 2:
		return BrakesFading
	case math.Floor(l.Low) == math.Floor(l.High) && l.High < 2 || l.High < 0:
		return BrakesOtherwise
	}
	return BrakesUndecided
}

// stopsAtOnceWhenSlow says that the vehicle stops over one distance at two speeds or more, and at once below them: far shorter than any of the
// ways of braking would make it.
func stopsAtOnceWhenSlow(groups []group, within station.Millimetres) (slow bool) {
	for _, lead := range []station.Lead{station.Front, station.Rear} {
		var these []group
		for _, g := range groups {
			if g.lead == lead && len(g.stops) > 0 && g.speed > 0 {
				these = append(these, g)
			}
		}
		if len(these) == 0 {
			continue
		}
		if slow = atOnceBelow(these, within); !slow {
			return false
		}
	}
	return slow
}

// atOnceBelow says so of the groups of one lead.
func atOnceBelow(groups []group, within station.Millimetres) bool {
	slices.SortFunc(groups, func(a, b group) int { return cmp.Compare(a.speed, b.speed) })
	for i := 1; i+1 < len(groups); i++ {
		below, above := groups[i-1], groups[i]
		low, high := max(mean(below.stops), float64(nearest)), mean(above.stops)
		if high < 3*low || math.Log(high/low) < 3*math.Log(float64(above.speed/below.speed)) {
			continue
		}
		least, most := math.Inf(1), 0.0
		for _, g := range groups[i:] {
			least, most = min(least, mean(g.stops)), max(most, mean(g.stops))
		}
		if most-least <= 2*float64(within) {
			return true
		}
	}
	return false
}
