package capture

import (
	"math"
	"slices"
	"time"
)

// spacing is how the samples of a signal lie in time, and with that how it is looked at between them. The zero spacing is not known yet.
type spacing struct {
	interval time.Duration // the median
	even     bool
	settles  float64 // points from an edge to where a half has settled, and from there to its other edge
	leaves   float64
}

const (
	kernelReach  = 3   // points on either side that the kernel can touch
	kernelWidth  = 2.5 // points from its middle to where it ends
	kernelPhases = 64  // steps from one point to the next
	kernelShape  = 8   // of the Kaiser window: it lets through 3 % of what is at 0.45 of the rate, and less than 1 % from 0.5 on
)

// kernel has, for each phase, the weights of the points from two before to three behind the instant; taken together they are 1.
var kernel = func() (k [kernelPhases + 1][2 * kernelReach]float64) {
	for p := range k {
		var sum float64
		for n := range k[p] {
			k[p][n] = kaiser(float64(n-kernelReach+1) - float64(p)/kernelPhases)
			sum += k[p][n]
		}
		for n := range k[p] {
			k[p][n] /= sum
		}
	}
	return k
}()

// shares has how much of the kernel lies within so many steps about its middle.
var shares = func() (s [kernelWidth*kernelPhases + 1]float64) {
	for n := 1; n < len(s); n++ {
		s[n] = s[n-1] + kaiser((float64(n)-0.5)/kernelPhases)
	}
	for n := range s {
		s[n] /= s[len(s)-1]
	}
	return s
}()

// kaiser is the Kaiser window, so many points from its middle.
func kaiser(at float64) float64 {
	r := 1 - at*at/(kernelWidth*kernelWidth)
	if r < 0 {
		return 0
	}
	// The modified Bessel function of order 0, by its power series.
	x, sum, term := kernelShape*math.Sqrt(r)/2, 1.0, 1.0
	for n := 1.0; term > 1e-17*sum; n++ {
		term *= x / n * x / n
		sum += term
	}
	return sum
}

// spacingOf finds how points lie.
func spacingOf(held []point) spacing {
	const few = 20 // of 2 ms: fewer are no samples of a signal, but its corners
	if len(held) < 2 {
		return spacing{}
	}
	apart := make([]time.Duration, len(held)-1)
	for i := range apart {
		apart[i] = held[i+1].at - held[i].at
	}
	slices.Sort(apart)
	s := spacing{interval: max(1, apart[len(apart)/2])}
	near := 0
	for _, a := range apart {
		if a >= s.interval/2 && a <= 3*s.interval/2 {
			near++
		}
	}
	s.even = len(apart) >= few && near >= 9*len(apart)/10
	if s.even {
		s.settles = max(kernelWidth, float64(settles)/float64(s.interval))
		s.leaves = max(kernelWidth, float64(leaves)/float64(s.interval))
	}
	return s
}

// back is how many points before the first that is not yet sliced are still looked at.
func (s spacing) back() int { return int(2*(s.settles+s.leaves)) + 4*kernelReach }

// smooth is the voltage between the point i and the next, so many phases behind it.
func (s spacing) smooth(held []point, i, phase int) float64 {
	if !s.even {
		v := held[i].v
		if phase == 0 {
			return v
		}
		return v + (held[min(i+1, len(held)-1)].v-v)*float64(phase)/kernelPhases
	}
	k := &kernel[phase]
	if i >= kernelReach-1 && i+kernelReach < len(held) {
		p := held[i-kernelReach+1 : i+kernelReach+1]
		return k[0]*p[0].v + k[1]*p[1].v + k[2]*p[2].v + k[3]*p[3].v + k[4]*p[4].v + k[5]*p[5].v
	}
	// At either end of the signal it goes on as it is there.
	var sum float64
	for n, weight := range k {
		sum += weight * held[max(0, min(i+n-kernelReach+1, len(held)-1))].v
	}
	return sum
}

// crossing is the part of the way from the point i to the next at which the signal crosses the threshold.
func (s spacing) crossing(held []point, i int, threshold float64, rising bool) float64 {
	if i < 0 {
		return 1
	}
	from, to := 0, kernelPhases
	if s.even {
		for to-from > 1 {
			if mid := (from + to) / 2; s.smooth(held, i, mid) >= threshold == rising {
				to = mid
			} else {
				from = mid
			}
		}
	}
	a, z := s.smooth(held, i, from)-threshold, s.smooth(held, i, to)-threshold
	part := 0.5
	if a != z {
		part = max(0, min(a/(a-z), 1))
	}
	return (float64(from) + part*float64(to-from)) / kernelPhases
}

// share is how much of the kernel lies within so many points about its middle.
func (s spacing) share(points float64) float64 {
	if !s.even || points >= kernelWidth {
		return 1
	}
	steps, part := math.Modf(max(0, points) * kernelPhases)
	n := int(steps)
	return shares[n] + part*(shares[n+1]-shares[n])
}
