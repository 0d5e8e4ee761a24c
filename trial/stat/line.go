package stat

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/stat/distuv"
)

// Line is a straight line fitted to points with a normal error of y. The zero Line is no fit.
type Line struct {
	Intercept, Slope    float64
	Sigma               float64 // standard deviation of y about the line: with n-2 degrees of freedom if no point is censored, else of maximum likelihood
	SlopeLow, SlopeHigh float64 // interval of the slope, at the confidence asked for
	LogLikelihood       float64 // at its maximum; finite even where there is no scatter, since y is known only to its rounding
	N                   int     // points
	Events              int     // of them, not censored

	// The line as at + tilt q, with q = (x - centre)/unit, and the variances and covariance of at and tilt.
	at, tilt, centre, unit  float64
	atVar, bothVar, tiltVar float64
}

// CensoredLine fits a line to points by maximum likelihood. Of a point that is marked in censored y is only a lower bound; nil marks none, and
// then it is ordinary least squares. The interval of the slope is that of the profile likelihood, cut where least squares would cut it with as
// many points as are not censored: with none censored it is the t interval exactly.
//
// It wants three points that are not censored, at two x at least. Errors: ErrLengths, ErrNotFinite, ErrConfidence, ErrAllCensored, ErrTooFew,
// ErrNoSpread, ErrNoFit.
func CensoredLine(x, y []float64, censored []bool, confidence float64) (Line, error) {
	fail := func(err error) (Line, error) { return Line{}, fmt.Errorf("fit a line: %w", err) }
	events, err := censoredLists(x, y, censored)
	if err != nil {
		return fail(err)
	}
	if !proportion(confidence) {
		return fail(fmt.Errorf("%v: %w", confidence, ErrConfidence))
	}
	if events < 3 {
		return fail(fmt.Errorf("%d that are not censored, 3 are needed: %w", events, ErrTooFew))
	}
	xUnit, okX := unitOf(x)
	yUnit, okY := unitOf(y)
	if !okX || !okY {
		return fail(ErrNoFit)
	}
	m, ok := newRegression([][]float64{ones(len(x)), over(x, xUnit)}, over(y, yUnit), censored)
	if !ok {
		return fail(ErrNoSpread)
	}
	top, f, curvature, ok := m.summit()
	if !ok {
		return fail(ErrNoFit)
	}
	c, sigma := m.coefficients(top)
	plain := m.plain(c)
	n := float64(events)
	l := Line{
		Intercept: plain[0] * yUnit, Slope: plain[1] * (yUnit / xUnit), Sigma: sigma * yUnit,
		LogLikelihood: m.logLikelihood(f, yUnit), N: len(x), Events: events,
		at: c[0] * yUnit, tilt: c[1] * yUnit, centre: m.basis[0][1] * xUnit, unit: m.basis[1][1] * xUnit,
	}
	if events == len(x) {
		l.Sigma *= math.Sqrt(n / (n - 2))
	}
	if !l.variances(&m, top, curvature, yUnit) {
		return fail(ErrNoFit)
	}
	low, high, ok := m.interval(top, f, confidence)
	if !ok {
		return fail(ErrNoFit)
	}
	slope := yUnit * m.unit / l.unit
	least := m.least[1] * yUnit / l.unit
	l.SlopeLow, l.SlopeHigh = least+low*slope, least+high*slope
	for _, v := range []float64{l.Intercept, l.Slope, l.Sigma, l.SlopeLow, l.SlopeHigh, l.atVar, l.bothVar, l.tiltVar} {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return fail(ErrNoFit)
		}
	}
	return l, nil
}

func ones(n int) []float64 {
	v := make([]float64, n)
	for i := range v {
		v[i] = 1
	}
	return v
}

// variances sets those of at and tilt from the curvature of the likelihood, made larger as least squares would for the two that are fitted.
func (l *Line) variances(m *regression, top point, curvature *mat.SymDense, yUnit float64) bool {
	var ch mat.Cholesky
	if !ch.Factorize(curvature) {
		return false
	}
	var v mat.SymDense
	if err := ch.InverseTo(&v); err != nil && v.SymmetricDim() != 3 {
		return false
	}
	covariance := func(j, k int) float64 { // of d[j]/g and d[k]/g
		a, b := top.d[j]/top.g, top.d[k]/top.g
		return (v.At(j+1, k+1) - a*v.At(0, k+1) - b*v.At(0, j+1) + a*b*v.At(0, 0)) / (top.g * top.g)
	}
	size := yUnit * m.unit
	size *= size / float64(m.events-2)
	l.atVar, l.bothVar, l.tiltVar = size*covariance(0, 0), size*covariance(0, 1), size*covariance(1, 1)
	return true
}

// interval is where the profile likelihood of the last column's coefficient falls as far below its summit as that of least squares does at the
// ends of its t interval; from least squares, in units of m.unit.
func (m *regression) interval(top point, f, confidence float64) (low, high float64, ok bool) {
	last := m.columns - 1
	t := TQuantile(confidence, m.events-m.columns)
	// With nothing censored f falls by log(1 + slope²)/2, and the t interval ends at slope = t/√degrees.
	half := t / math.Sqrt(float64(m.events-m.columns))
	fall := math.Log1p(half*half) / 2
	best := top.d[last] / top.g
	ok = true
	end := func(sign float64) float64 {
		from := top
		from.d[last] = 0
		short := func(distance float64) float64 { // below 0: inside the interval
			p, there, _, good := m.climb(from, best+sign*distance)
			if !good {
				ok = false
				return 0
			}
			from = p
			// The root makes it nearly straight.
			return math.Sqrt(max(0, f-there)) - math.Sqrt(fall)
		}
		far := half / top.g
		for range 200 {
			if short(far) > 0 || !ok {
				break
			}
			far *= 1.5
		}
		return best + sign*root(0, far, func(d float64) float64 {
			if d == 0 {
				return -math.Sqrt(fall)
			}
			return short(d)
		})
	}
	return end(-1), end(1), ok
}

// TQuantile is the two-sided quantile of Student's t: how many standard errors an interval of that confidence reaches to each side.
func TQuantile(confidence float64, degrees int) float64 {
	return distuv.StudentsT{Sigma: 1, Nu: float64(degrees)}.Quantile((1 + confidence) / 2)
}

// Predict is the line at x, with the interval of its mean there (not of a single further point). NaN where l is no fit or the confidence does
// not lie between 0 and 1.
func (l Line) Predict(x, confidence float64) (mean, low, high float64) {
	if l.Events < 3 || !proportion(confidence) {
		return math.NaN(), math.NaN(), math.NaN()
	}
	q := (x - l.centre) / l.unit
	mean = l.at + l.tilt*q
	half := TQuantile(confidence, l.Events-2) * math.Sqrt(max(0, l.atVar+2*l.bothVar*q+l.tiltVar*q*q))
	return mean, mean - half, mean + half
}

// Inverse is the x at which the line is at y, with its interval (Fieller 1954). It is not ok where at that confidence the slope may be 0: then any x
// may be the one, and so also where l is no fit.
func (l Line) Inverse(y, confidence float64) (x, low, high float64, ok bool) {
	if l.Events < 3 || !proportion(confidence) || l.tilt == 0 {
		return 0, 0, 0, false
	}
	t := TQuantile(confidence, l.Events-2)
	// All q with (off + tilt q)² <= t² times the variance of the line at q; in units of size, so that no square is lost.
	size := max(math.Abs(l.at-y), math.Abs(l.tilt))
	off, tilt, t := (l.at-y)/size, l.tilt/size, t/size
	a := tilt*tilt - t*t*l.tiltVar
	b := tilt*off - t*t*l.bothVar
	c := off*off - t*t*l.atVar
	d := b*b - a*c
	if !(a > 0 && d >= 0) {
		return 0, 0, 0, false
	}
	d = math.Sqrt(d)
	at := func(q float64) float64 { return l.centre + l.unit*q }
	x, low, high = at(-off/tilt), at((-b-d)/a), at((-b+d)/a)
	return x, low, high, !math.IsNaN(x+low+high) && !math.IsInf(x+low+high, 0)
}
