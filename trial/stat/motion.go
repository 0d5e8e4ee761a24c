package stat

import (
	"fmt"
	"math"
)

// Parabola is Constant + Linear v + Square v², with a normal error: as a law of motion, where the stop begins, the equivalent response time, and
// 1/(2 deceleration). No coefficient is below 0.
type Parabola struct {
	Constant, Linear, Square float64
	Sigma                    float64 // of maximum likelihood
	LogLikelihood            float64
	Terms                    int // coefficients above 0
	N                        int // points
	Events                   int // of them, not censored
}

// Motion fits s = s0 + t v + v²/(2a) by maximum likelihood, no term negative, to stopping distances of which those that are marked in censored are
// only lower bounds; nil marks none. With stops at two speeds only it uses two terms at most.
//
// It wants three points that are not censored. Errors: ErrLengths, ErrNotFinite, ErrAllCensored, ErrTooFew; ErrNoFit also where s is below 0, so that
// no term fits.
func Motion(v, s []float64, censored []bool) (Parabola, error) {
	fail := func(err error) (Parabola, error) { return Parabola{}, fmt.Errorf("fit a law of motion: %w", err) }
	events, err := censoredLists(v, s, censored)
	if err != nil {
		return fail(err)
	}
	if events < 3 {
		return fail(fmt.Errorf("%d that are not censored, 3 are needed: %w", events, ErrTooFew))
	}
	vUnit, okV := unitOf(v)
	sUnit, okS := unitOf(s)
	if !okV || !okS {
		return fail(ErrNoFit)
	}
	scaled := over(s, sUnit)
	best, found := Parabola{LogLikelihood: math.Inf(-1), N: len(v), Events: events}, false
	// Where the likelihood is greatest some terms are 0 and the others are where it is greatest over them alone: so each choice is tried.
	for choice := 1; choice < 1<<terms; choice++ {
		var columns [][]float64
		var powers []int
		for power := range terms {
			if choice>>power&1 == 0 {
				continue
			}
			c := over(v, vUnit)
			for i, x := range c {
				c[i] = math.Pow(x, float64(power))
			}
			columns, powers = append(columns, c), append(powers, power)
		}
		if events <= len(columns) {
			continue
		}
		m, ok := newRegression(columns, scaled, censored)
		if !ok {
			continue
		}
		top, f, _, ok := m.summit()
		if !ok {
			continue
		}
		c, sigma := m.coefficients(top)
		c = m.plain(c)
		var by [terms]float64
		negative := false
		for j, power := range powers {
			negative = negative || !(c[j] >= 0)
			by[power] = c[j]
		}
		log := m.logLikelihood(f, sUnit)
		if negative || !(log > best.LogLikelihood) {
			continue
		}
		found = true
		best.Constant, best.Linear, best.Square = by[0]*sUnit, by[1]*(sUnit/vUnit), by[2]*(sUnit/vUnit/vUnit)
		best.Sigma, best.LogLikelihood, best.Terms = sigma*sUnit, log, len(columns)
	}
	if !found || math.IsInf(best.Constant+best.Linear+best.Square+best.Sigma, 0) {
		return fail(ErrNoFit)
	}
	return best, nil
}

// At is the law at v.
func (p Parabola) At(v float64) float64 { return p.Constant + v*(p.Linear+v*p.Square) }

// AICc is Akaike's criterion with the correction for few points: 2k - 2 log L + 2k(k+1)/(n-k-1), of a model with k parameters, sigma among them,
// fitted to n points. The model with the lower one is the better; it is +Inf where n is too small to tell (n <= k+1).
func AICc(logLikelihood float64, k, n int) float64 {
	if n <= k+1 {
		return math.Inf(1)
	}
	p := float64(k)
	return 2*p - 2*logLikelihood + 2*p*(p+1)/float64(n-k-1)
}
