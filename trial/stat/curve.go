package stat

import (
	"cmp"
	"fmt"
	"math"
	"slices"
)

// Curve is a smooth curve that never falls. The zero Curve is 0 everywhere.
type Curve struct {
	x, y, slope []float64 // at its points, x rising
}

// knot is a stretch of points that are taken together: the first of them, how many, and the mean of their y.
type knot struct {
	from, count int
	y           float64
}

// Monotone draws a curve through points, in any order of x, that never falls and has no hump between two of them (Fritsch and Carlson 1980). Points
// at the same x count as their mean. Measured values scatter: where they fall back, neighbours are set to their common mean, as few as will do.
//
// Errors: ErrLengths, ErrNotFinite, ErrTooFew (fewer than two x), ErrFalls, ErrNoFit (too large or too small for its slopes).
func Monotone(x, y []float64) (Curve, error) {
	fail := func(err error) (Curve, error) { return Curve{}, fmt.Errorf("draw a rising curve: %w", err) }
	if err := lists(x, y); err != nil {
		return fail(err)
	}
	_, okX := unitOf(x)
	_, okY := unitOf(y)
	if !okX || !okY {
		return fail(ErrNoFit)
	}
	order := make([]int, len(x))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int { return cmp.Compare(x[a], x[b]) })
	var c Curve
	var counts []int
	for _, i := range order {
		if n := len(c.x); n > 0 && c.x[n-1] == x[i] {
			counts[n-1]++
			c.y[n-1] += y[i]/float64(counts[n-1]) - c.y[n-1]/float64(counts[n-1])
			continue
		}
		c.x, c.y, counts = append(c.x, x[i]), append(c.y, y[i]), append(counts, 1)
	}
	if len(c.x) < 2 {
		return fail(fmt.Errorf("%d different x, 2 are needed: %w", len(c.x), ErrTooFew))
	}
	if last := len(c.y) - 1; c.y[last] < c.y[0] {
		return fail(fmt.Errorf("from %v to %v: %w", c.y[0], c.y[last], ErrFalls))
	}
	c.pool(counts)
	if !c.lay() {
		return fail(ErrNoFit)
	}
	return c, nil
}

// pool sets neighbours that fall back to their common mean, weighted by counts, until nothing falls.
func (c *Curve) pool(counts []int) {
	var knots []knot
	weight := func(k knot) (w float64) {
		for _, n := range counts[k.from : k.from+k.count] {
			w += float64(n)
		}
		return w
	}
	for i, y := range c.y {
		knots = append(knots, knot{i, 1, y})
		for n := len(knots); n > 1 && knots[n-1].y < knots[n-2].y; n-- {
			a, b := knots[n-2], knots[n-1]
			share := weight(b) / (weight(a) + weight(b))
			knots = append(knots[:n-2], knot{a.from, a.count + b.count, a.y*(1-share) + b.y*share})
		}
	}
	for _, k := range knots {
		for i := range k.count {
			c.y[k.from+i] = k.y
		}
	}
}

// lay sets the slopes at the points: the mean of the secants to either side, made smaller where that would make a hump. False: a secant is
// too large for a number.
func (c *Curve) lay() bool {
	n := len(c.x)
	secant := make([]float64, n-1)
	for i := range secant {
		secant[i] = (c.y[i+1] - c.y[i]) / (c.x[i+1] - c.x[i])
		if !(secant[i] < math.MaxFloat64/8) {
			return false
		}
	}
	m := make([]float64, n)
	m[0], m[n-1] = secant[0], secant[n-2]
	for i := 1; i < n-1; i++ {
		m[i] = secant[i-1]/2 + secant[i]/2
	}
	for i, s := range secant {
		if s == 0 {
			m[i], m[i+1] = 0, 0
			continue
		}
		if r := math.Hypot(m[i]/s, m[i+1]/s); r > 3 {
			m[i], m[i+1] = m[i]*(3/r), m[i+1]*(3/r)
		}
	}
	c.slope = m
	return true
}

// At is the height of the curve at x; beyond its ends, that of the end.
func (c Curve) At(x float64) float64 {
	if len(c.x) == 0 {
		return 0
	}
	if math.IsNaN(x) {
		return x
	}
	i, found := slices.BinarySearch(c.x, x) // the first that is not below x
	if found || i == 0 {
		return c.y[i]
	}
	if i == len(c.x) {
		return c.y[i-1]
	}
	// Hermite's cubic through two points with the slopes there.
	dx := c.x[i] - c.x[i-1]
	t := (x - c.x[i-1]) / dx
	low, high := c.y[i-1], c.y[i]
	y := low + (high-low)*t*t*(3-2*t) + dx*t*(1-t)*(c.slope[i-1]*(1-t)-c.slope[i]*t)
	return min(max(y, low), high)
}

// Inverse is the least x at which the curve is at y. It is not ok where the curve does not come to y.
func (c Curve) Inverse(y float64) (x float64, ok bool) {
	if len(c.x) == 0 || !(y >= c.y[0] && y <= c.y[len(c.y)-1]) {
		return 0, false
	}
	i, _ := slices.BinarySearch(c.y, y) // the first that is not below y
	if c.y[i] == y {
		return c.x[i], true
	}
	return root(c.x[i-1], c.x[i], func(x float64) float64 { return c.At(x) - y }), true
}
