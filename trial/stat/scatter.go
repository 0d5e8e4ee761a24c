package stat

import (
	"math"

	"gonum.org/v1/gonum/integrate/quad"
	"gonum.org/v1/gonum/stat/distuv"
)

// Pooled is the standard deviation within groups, each about its own mean, and its degrees of freedom. Groups of one tell nothing: 0 and 0 where
// there are no others.
func Pooled(groups [][]float64) (sd float64, degrees int) {
	var squares float64
	for _, g := range groups {
		if len(g) < 2 {
			continue
		}
		mean := 0.0
		for i, x := range g {
			mean += (x - mean) / float64(i+1)
		}
		for _, x := range g {
			squares += (x - mean) * (x - mean)
		}
		degrees += len(g) - 1
	}
	if degrees == 0 {
		return 0, 0
	}
	return math.Sqrt(squares / float64(degrees)), degrees
}

// normal is the standard normal law.
var normal = distuv.UnitNormal

// reach is how many standard deviations to either side an integral over a law goes: they hold all but 1e-20 of it.
const reach = 10

// nodes and weights of the integrals, over -1 to 1.
var nodes, weights = func() (x, w []float64) {
	x, w = make([]float64, 40), make([]float64, 40)
	quad.Legendre{}.FixedLocations(x, w, -1, 1)
	return x, w
}()

// integral is that of f between low and high, in pieces.
func integral(low, high float64, pieces int, f func(float64) float64) (sum float64) {
	half := (high - low) / float64(2*pieces)
	for i := range pieces {
		middle := low + half*float64(2*i+1)
		for j, x := range nodes {
			sum += weights[j] * half * f(middle+half*x)
		}
	}
	return sum
}

// noncentralT is the distribution function of (Z + shift)/S, Z standard normal and S² chi-square over its degrees of freedom: the chance that it is at
// most t. It is the mean of Φ(t s - shift) over the law of S, by Gauss-Legendre integration, good to 1e-8. NaN where degrees is below 1.
func noncentralT(t, shift float64, degrees int) float64 {
	if degrees < 1 || math.IsNaN(t) || math.IsNaN(shift) || math.IsInf(shift, 0) {
		return math.NaN()
	}
	if math.IsInf(t, 0) {
		if t > 0 {
			return 1
		}
		return 0
	}
	n := float64(degrees)
	density := func(s float64) float64 { // of S, in units of its value at 1
		h := s - 1
		return math.Exp(n*(math.Log1p(h)-h-h*h/2)) / s
	}
	low, high := max(0, 1-reach/math.Sqrt(n)), 1+reach/math.Sqrt(n)
	// Φ rises within a few 1/t of shift/t: pieces end there, or a steep rise would fall between the nodes.
	ends := []float64{low}
	if t != 0 {
		for _, side := range []float64{-8, 0, 8} {
			if at := shift/t + side/math.Abs(t); at > ends[len(ends)-1] && at < high {
				ends = append(ends, at)
			}
		}
	}
	ends = append(ends, high)
	var part, all float64
	for i := range len(ends) - 1 {
		part += integral(ends[i], ends[i+1], 4, func(s float64) float64 { return density(s) * normal.CDF(t*s-shift) })
		all += integral(ends[i], ends[i+1], 4, density)
	}
	return part / all
}

// ToleranceOneSided is k such that, with the given confidence, at least a share of all further values lie below mean + k sd: mean of n values, and
// sd an estimate with so many degrees of freedom (n-1 where it is from the same values, more where it is pooled). From the noncentral t, exactly.
// +Inf where n or degrees is below 1, since then there is no bound; NaN where share or confidence does not lie between 0 and 1.
func ToleranceOneSided(n, degrees int, share, confidence float64) float64 {
	if !proportion(share) || !proportion(confidence) {
		return math.NaN()
	}
	if n < 1 || degrees < 1 {
		return math.Inf(1)
	}
	size := math.Sqrt(float64(n))
	shift := normal.Quantile(share) * size
	return rising(shift, 1+math.Abs(shift), func(t float64) float64 { return noncentralT(t, shift, degrees) - confidence }) / size
}

// ToleranceTwoSided is k such that, with the given confidence, at least a share of all further values lie within k sd of the mean: mean and sd of n
// values, the sd with n-1 degrees of freedom. By integration over the law of the mean (Hahn and Meeker 1991), exactly; Howe's formula of 1969 is within a
// hundredth of it for n of 10 or more. +Inf where n is below 2; NaN where share or confidence does not lie between 0 and 1.
func ToleranceTwoSided(n int, share, confidence float64) float64 {
	if !proportion(share) || !proportion(confidence) {
		return math.NaN()
	}
	if n < 2 {
		return math.Inf(1)
	}
	degrees := float64(n - 1)
	chi := distuv.ChiSquared{K: degrees}
	// Half the width that holds the share, for each mean that is looked at; it does not depend on k.
	size := math.Sqrt(float64(n))
	width := func(mean float64) float64 {
		z := normal.Quantile((1 + share) / 2)
		return root(z, z+mean, func(w float64) float64 { return normal.CDF(mean+w) - normal.CDF(mean-w) - share })
	}
	half, pieces := reach/size/2, 6
	means, widths := []float64{}, []float64{}
	integral(0, 2*half, pieces, func(mean float64) float64 {
		means, widths = append(means, mean), append(widths, width(mean))
		return 0
	})
	return rising(1, 1, func(k float64) float64 {
		if k <= 0 {
			return -confidence
		}
		i := -1
		return 2*size*integral(0, 2*half, pieces, func(mean float64) float64 {
			i++
			w := widths[i] / k
			return normal.Prob(mean*size) * chi.Survival(degrees*w*w)
		}) - confidence
	})
}

// rising is the root of f, which rises, looked for from a start in steps that double.
func rising(start, step float64, f func(float64) float64) float64 {
	low, high := start, start
	for s := step; f(low) > 0; s *= 2 {
		low -= s
	}
	for s := step; f(high) < 0 && !math.IsInf(high, 0); s *= 2 {
		high += s
	}
	return root(low, high, f)
}
