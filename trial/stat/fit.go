package stat

import (
	"math"

	"gonum.org/v1/gonum/mat"
)

// terms is the most columns of a regression here: 1, v, v².
const terms = 3

// rounding is the share of the largest value to which values are known. It keeps the likelihood finite where there is no scatter.
const rounding = 0x1p-52

// regression is a normal regression of which some points are only lower bounds, in coordinates that make its likelihood simple.
//
// The columns are made orthogonal over the points that are known (the events), each with a mean square of 1; y becomes what least squares
// over the events leave of it, in units of its own size. With g = 1/sigma and d = coefficients/sigma (Olsen 1978) the events then say, each on
// average, log g - (g² + |d|²)/2, and only the censored points are left to be summed: log Q(g r - d·q), Q the upper tail of the normal law.
// That is concave, so Newton's method finds its one summit.
type regression struct {
	columns int
	events  int
	basis   [terms][terms]float64 // column j is the sum of basis[k][j] times orthogonal column k
	least   [terms]float64        // coefficients of the orthogonal columns, by least squares over the events
	unit    float64               // of y: root mean square of what they leave
	bounds  []bound               // the censored points
}

// bound is a censored point: what the events' least squares leave of its y, and its orthogonal columns.
type bound struct {
	r float64
	q [terms]float64
}

// point is where the likelihood is looked at.
type point struct {
	g float64
	d [terms]float64
}

// newRegression makes a regression of y on columns, which it overwrites. False: the columns are not independent over the events.
func newRegression(columns [][]float64, y []float64, censored []bool) (regression, bool) {
	known := func(i int) bool { return censored == nil || !censored[i] }
	m := regression{columns: len(columns)}
	for i := range y {
		if known(i) {
			m.events++
		}
	}
	meanProduct := func(a, b []float64) (sum float64) {
		for i := range a {
			if known(i) {
				sum += a[i] * b[i]
			}
		}
		return sum / float64(m.events)
	}
	// take takes from a its share of each orthogonal column: twice, so that what rounding left of the first goes.
	take := func(a []float64, upTo int) (shares [terms]float64) {
		for range 2 {
			for k := range upTo {
				share := meanProduct(a, columns[k])
				for i := range a {
					a[i] -= share * columns[k][i]
				}
				shares[k] += share
			}
		}
		return shares
	}
	for j, c := range columns {
		before := math.Sqrt(meanProduct(c, c))
		shares := take(c, j)
		size := math.Sqrt(meanProduct(c, c))
		if !(size > 1e-12*before) {
			return regression{}, false
		}
		for i := range c {
			c[i] /= size
		}
		for k := range j {
			m.basis[k][j] = shares[k]
		}
		m.basis[j][j] = size
	}
	floor := 0.0
	for _, v := range y {
		floor = max(floor, rounding*math.Abs(v))
	}
	rest := append([]float64(nil), y...)
	m.least = take(rest, len(columns))
	m.unit = math.Sqrt(meanProduct(rest, rest) + floor*floor)
	if m.unit == 0 { // all of y is 0
		m.unit = rounding
	}
	for i := range y {
		if known(i) {
			continue
		}
		b := bound{r: rest[i] / m.unit}
		for k, c := range columns {
			b.q[k] = c[i]
		}
		m.bounds = append(m.bounds, b)
	}
	return m, true
}

// logTail is log Q(z) of the normal law, its hazard h = density/Q, and h - z, which is never below 0.
func logTail(z float64) (log, h, excess float64) {
	const halfLog2Pi = 0.91893853320467274178
	if z > 5 { // Laplace's continued fraction of Q/density
		for k := 60.0; k > 0; k-- {
			excess = k / (z + excess)
		}
		h = z + excess
		return -z*z/2 - halfLog2Pi - math.Log(h), h, excess
	}
	density := math.Exp(-z*z/2 - halfLog2Pi)
	if z < 0 {
		below := math.Erfc(-z/math.Sqrt2) / 2
		h = density / (1 - below)
		return math.Log1p(-below), h, h - z
	}
	q := math.Erfc(z/math.Sqrt2) / 2
	h = density / q
	return math.Log(q), h, h - z
}

// likelihood is the log likelihood of an event on average, less its constant, with its gradient and minus its second derivatives. Where slope is
// not NaN the coefficient of the last column is held at it: d of that column is slope times g then, and no parameter of its own.
func (m *regression) likelihood(p point, slope float64) (f float64, gradient [terms + 1]float64, curvature [terms + 1][terms + 1]float64) {
	free, stretch := m.columns, 1.0
	held := !math.IsNaN(slope)
	if held {
		free--
		stretch = 1 + slope*slope
	} else {
		slope = 0
	}
	last := m.columns - 1
	f = math.Log(p.g) - p.g*p.g*stretch/2
	gradient[0] = 1/p.g - p.g*stretch
	curvature[0][0] = 1/(p.g*p.g) + stretch
	for k := range free {
		f -= p.d[k] * p.d[k] / 2
		gradient[k+1] = -p.d[k]
		curvature[k+1][k+1] = 1
	}
	share := 1 / float64(m.events)
	var w [terms + 1]float64
	for i := range m.bounds {
		b := &m.bounds[i]
		w[0] = b.r - slope*b.q[last]
		z := p.g * w[0]
		for k := range free {
			w[k+1] = -b.q[k]
			z -= p.d[k] * b.q[k]
		}
		log, h, excess := logTail(z)
		f += share * log
		h *= share
		for j := range free + 1 {
			hw := h * w[j]
			gradient[j] -= hw
			hw *= excess
			for k := range j + 1 {
				curvature[j][k] += hw * w[k]
			}
		}
	}
	return f, gradient, curvature
}

// climb finds the summit of the likelihood from a start, over all parameters, or where slope is not NaN with the last column's coefficient held
// at it. It returns the curvature there too: minus the second derivatives, of an event on average.
func (m *regression) climb(p point, slope float64) (top point, f float64, curvature *mat.SymDense, ok bool) {
	free := m.columns
	if !math.IsNaN(slope) {
		free--
	}
	f, gradient, c := m.likelihood(p, slope)
	for range 400 {
		step, ok := newton(gradient, c, free+1)
		if !ok {
			return p, f, nil, false
		}
		gain := 0.0
		for k := range free + 1 {
			gain += step[k] * gradient[k]
		}
		if !(gain >= 0) {
			return p, f, nil, false
		}
		for t := 1.0; ; t /= 2 {
			if t < 0x1p-60 {
				return p, f, nil, false
			}
			next := p
			next.g += t * step[0]
			for k := range free {
				next.d[k] += t * step[k+1]
			}
			if !(next.g > 0) {
				continue
			}
			nf, ng, nc := m.likelihood(next, slope)
			if nf >= f+0.25*t*gain || gain < 1e-11*(1+math.Abs(f)) && t == 1 && !math.IsNaN(nf) {
				p, f, gradient, c = next, nf, ng, nc
				break
			}
		}
		if gain < 1e-11*(1+math.Abs(f)) { // the step taken from here squares what was left: below rounding
			s := mat.NewSymDense(free+1, nil)
			for j := range free + 1 {
				for k := range j + 1 {
					s.SetSym(j, k, c[j][k])
				}
			}
			return p, f, s, true
		}
	}
	return p, f, nil, false
}

// newton solves curvature times step = gradient, scaled so that each parameter counts alike.
func newton(gradient [terms + 1]float64, curvature [terms + 1][terms + 1]float64, n int) (step [terms + 1]float64, ok bool) {
	var scale [terms + 1]float64
	for j := range n {
		scale[j] = 1 / math.Sqrt(curvature[j][j])
	}
	a, b := mat.NewSymDense(n, nil), mat.NewVecDense(n, nil)
	for j := range n {
		b.SetVec(j, gradient[j]*scale[j])
		for k := range j + 1 {
			v := curvature[j][k] * scale[j] * scale[k]
			if math.IsNaN(v) || math.IsInf(v, 0) {
				return step, false
			}
			a.SetSym(j, k, v)
		}
	}
	var ch mat.Cholesky
	if !ch.Factorize(a) {
		return step, false
	}
	var x mat.VecDense
	if err := ch.SolveVecTo(&x, b); err != nil && x.Len() != n { // a large condition number is an error too, with an answer
		return step, false
	}
	for j := range n {
		step[j] = x.AtVec(j) * scale[j]
	}
	return step, true
}

// summit is the summit over all parameters.
func (m *regression) summit() (top point, f float64, curvature *mat.SymDense, ok bool) {
	size := 1.0
	for i := range m.bounds {
		size = max(size, math.Abs(m.bounds[i].r)/math.Sqrt(float64(m.events)))
	}
	return m.climb(point{g: 1 / size}, math.NaN())
}

// coefficients of the orthogonal columns at p, and sigma, in units of y.
func (m *regression) coefficients(p point) (c [terms]float64, sigma float64) {
	for k := range m.columns {
		c[k] = m.least[k] + m.unit*p.d[k]/p.g
	}
	return c, m.unit / p.g
}

// plain turns coefficients of the orthogonal columns into those of the columns as they were given.
func (m *regression) plain(c [terms]float64) [terms]float64 {
	for j := m.columns - 1; j >= 0; j-- {
		c[j] /= m.basis[j][j]
		for k := range j {
			c[k] -= m.basis[k][j] * c[j]
		}
	}
	return c
}

// logLikelihood is that of all points, from f of an event on average, with y in units of scale.
func (m *regression) logLikelihood(f, scale float64) float64 {
	return float64(m.events) * (f - math.Log(m.unit) - math.Log(scale) - math.Log(2*math.Pi)/2)
}

// unitOf is the largest size in v, as a power of two, so that nothing overflows when it is divided by it; 1 where all is 0. False: its square or its
// cube might be no number any more.
func unitOf(v []float64) (unit float64, ok bool) {
	largest := 0.0
	for _, x := range v {
		largest = max(largest, math.Abs(x))
	}
	if largest == 0 {
		return 1, true
	}
	_, e := math.Frexp(largest)
	return math.Ldexp(1, e), largest > 1e-90 && largest < 1e90
}

// over divides each of v by unit.
func over(v []float64, unit float64) []float64 {
	out := make([]float64, len(v))
	for i, x := range v {
		out[i] = x / unit
	}
	return out
}
