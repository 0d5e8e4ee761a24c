package stat

import (
	"errors"
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/interp"
	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/mathext"
	"gonum.org/v1/gonum/optimize"
	"gonum.org/v1/gonum/stat"
	"gonum.org/v1/gonum/stat/distuv"
)

func TestWithNothingCensoredItIsLeastSquaresWithItsTInterval(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 1))
	for range 100 {
		n := 3 + rng.IntN(30)
		x, y := make([]float64, n), make([]float64, n)
		for i := range x {
			x[i], y[i] = 100*rng.Float64()-30, 10*rng.NormFloat64()+5
		}
		l, err := CensoredLine(x, y, nil, 0.9)
		if err != nil {
			t.Fatal(err)
		}
		// gonum v0.17.0, stat.LinearRegression
		intercept, slope := stat.LinearRegression(x, y, nil, false)
		near(t, "intercept", l.Intercept, intercept, 1e-9)
		near(t, "slope", l.Slope, slope, 1e-9)
		// gonum v0.17.0, distuv.StudentsT and stat.Variance
		rest := 0.0
		for i := range x {
			rest += math.Pow(y[i]-intercept-slope*x[i], 2)
		}
		s := math.Sqrt(rest / float64(n-2))
		half := distuv.StudentsT{Sigma: 1, Nu: float64(n - 2)}.Quantile(0.95) * s / math.Sqrt(stat.Variance(x, nil)*float64(n-1))
		relative(t, "sigma", l.Sigma, s, 1e-9)
		relative(t, "low", slope-l.SlopeLow, half, 1e-8)
		relative(t, "high", l.SlopeHigh-slope, half, 1e-8)
	}
}

// minusLogLikelihood of a line, with sigma as its logarithm, straight from its definition.
func minusLogLikelihood(x, y []float64, censored []bool, mean func(x float64) float64, logSigma float64) (sum float64) {
	law := distuv.Normal{Sigma: math.Exp(logSigma)}
	for i := range x {
		law.Mu = mean(x[i])
		if censored != nil && censored[i] {
			sum -= math.Log(law.Survival(y[i]))
		} else {
			sum -= law.LogProb(y[i])
		}
	}
	return sum
}

func minimum(t *testing.T, f func([]float64) float64, start []float64) *optimize.Result {
	t.Helper()
	r, err := optimize.Minimize(optimize.Problem{Func: f}, start,
		&optimize.Settings{Converger: &optimize.FunctionConverge{Absolute: 1e-13, Iterations: 400}}, &optimize.NelderMead{})
	if err != nil {
		t.Fatal(err)
	}
	return r
}

func TestTheCensoredFitIsTheSummitThatAGeneralSearchFindsAndItsIntervalEndsWhereTheProfileDoes(t *testing.T) {
	for seed := range uint64(5) {
		set := trials{exponent: float64(seed % 3), scatter: 0.3, rng: rand.New(rand.NewPCG(2, seed))}
		set.room = set.roomFor(0.25)
		x, y, censored := set.draw()
		l, err := CensoredLine(x, y, censored, 0.95)
		if err != nil {
			t.Fatal(err)
		}
		// gonum v0.17.0, optimize.NelderMead on the definition of the likelihood
		best := minimum(t, func(p []float64) float64 {
			return minusLogLikelihood(x, y, censored, func(x float64) float64 { return p[0] + p[1]*(x-middle) }, p[2])
		}, []float64{7, 1, -1})
		near(t, "log likelihood", l.LogLikelihood, -best.F, 1e-9)
		near(t, "slope", l.Slope, best.X[1], 1e-5)
		near(t, "sigma", l.Sigma, math.Exp(best.X[2]), 1e-5)
		quantile := TQuantile(0.95, l.Events-2)
		want := float64(l.Events) * math.Log1p(quantile*quantile/float64(l.Events-2))
		for _, end := range []float64{l.SlopeLow, l.SlopeHigh} {
			profile := minimum(t, func(p []float64) float64 {
				return minusLogLikelihood(x, y, censored, func(x float64) float64 { return p[0] + end*(x-middle) }, p[1])
			}, []float64{7, -1})
			near(t, "deviance at an end", 2*(profile.F-best.F), want, 1e-6)
		}
	}
}

func TestALineMovesWithTheUnitsOfItsPoints(t *testing.T) {
	set := trials{exponent: 1, scatter: 0.1, rng: rand.New(rand.NewPCG(3, 3))}
	set.room = set.roomFor(0.2)
	x, y, censored := set.draw()
	l, err := CensoredLine(x, y, censored, 0.95)
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct{ xBy, xAdd, yBy, yAdd float64 }{{1000, 0, 1, 0}, {-1, 3, 1e-6, 0}, {1e80, 0, 1e-80, 0}, {1, 1e3, 1, 1e3}} {
		u, w := make([]float64, len(x)), make([]float64, len(x))
		for i := range x {
			u[i], w[i] = c.xBy*x[i]+c.xAdd, c.yBy*y[i]+c.yAdd
		}
		m, err := CensoredLine(u, w, censored, 0.95)
		if err != nil {
			t.Fatal(err)
		}
		low, high := m.SlopeLow, m.SlopeHigh
		if c.xBy < 0 {
			low, high = high, low
		}
		relative(t, "slope", m.Slope*c.xBy/c.yBy, l.Slope, 1e-8)
		relative(t, "low", low*c.xBy/c.yBy, l.SlopeLow, 1e-8)
		relative(t, "high", high*c.xBy/c.yBy, l.SlopeHigh, 1e-8)
		relative(t, "sigma", m.Sigma/c.yBy, l.Sigma, 1e-8)
		near(t, "log likelihood", m.LogLikelihood+float64(l.Events)*math.Log(c.yBy), l.LogLikelihood, 1e-8)
		a, aLow, aHigh := l.Predict(5.2, 0.95)
		b, bLow, bHigh := m.Predict(5.2*c.xBy+c.xAdd, 0.95)
		relative(t, "mean", (b-c.yAdd)/c.yBy, a, 1e-9)
		relative(t, "mean, low", (bLow-c.yAdd)/c.yBy, aLow, 1e-9)
		relative(t, "mean, high", (bHigh-c.yAdd)/c.yBy, aHigh, 1e-9)
	}
}

func TestWithoutScatterTheFitIsTheLineAndStaysFinite(t *testing.T) {
	x := []float64{1, 2, 3, 4, 5, 6}
	for name, c := range map[string]struct {
		y        []float64
		censored []bool
		slope    float64
	}{
		"constant":       {[]float64{7, 7, 7, 7, 7, 7}, nil, 0},
		"nothing":        {make([]float64, 6), nil, 0},
		"straight":       {[]float64{3, 5, 7, 9, 11, 13}, nil, 2},
		"bounds below":   {[]float64{3, 5, 7, 9, 10, 10}, []bool{4: true, 5: true}, 2},
		"bounds of zero": {make([]float64, 6), []bool{4: true, 5: true}, 0},
	} {
		l, err := CensoredLine(x, c.y, c.censored, 0.95)
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		near(t, name+": slope", l.Slope, c.slope, 1e-12)
		near(t, name+": width", l.SlopeHigh-l.SlopeLow, 0, 1e-12)
		if math.IsInf(l.LogLikelihood, 0) || math.IsNaN(l.LogLikelihood) || !(l.Sigma > 0 && l.Sigma < 1e-12) {
			t.Errorf("%s: log likelihood %v, sigma %v", name, l.LogLikelihood, l.Sigma)
		}
	}
	// A bound above the line of the others: the fit has to give way, and is found.
	l, err := CensoredLine(x, []float64{1, 1, 1, 1, 1, 2}, []bool{5: true}, 0.95)
	if err != nil || !(l.Slope > 0.05) {
		t.Errorf("a bound above the others: slope %v, %v", l.Slope, err)
	}
}

func TestWhatCannotBeFittedIsNamed(t *testing.T) {
	nan, inf := math.NaN(), math.Inf(1)
	for name, c := range map[string]struct {
		x, y       []float64
		censored   []bool
		confidence float64
		want       error
	}{
		"nothing":             {nil, nil, nil, 0.95, ErrTooFew},
		"two points":          {[]float64{1, 2}, []float64{1, 2}, nil, 0.95, ErrTooFew},
		"two known":           {[]float64{1, 2, 3}, []float64{1, 2, 3}, []bool{false, true, false}, 0.95, ErrTooFew},
		"all censored":        {[]float64{1, 2, 3}, []float64{1, 2, 3}, []bool{true, true, true}, 0.95, ErrAllCensored},
		"one x":               {[]float64{2, 2, 2, 2}, []float64{1, 2, 3, 4}, nil, 0.95, ErrNoSpread},
		"one x but for bound": {[]float64{2, 2, 2, 5}, []float64{1, 2, 3, 4}, []bool{3: true}, 0.95, ErrNoSpread},
		"lengths":             {[]float64{1, 2, 3}, []float64{1, 2}, nil, 0.95, ErrLengths},
		"marks":               {[]float64{1, 2, 3}, []float64{1, 2, 3}, []bool{true}, 0.95, ErrLengths},
		"NaN":                 {[]float64{1, 2, 3}, []float64{1, nan, 3}, nil, 0.95, ErrNotFinite},
		"infinite":            {[]float64{1, inf, 3}, []float64{1, 2, 3}, nil, 0.95, ErrNotFinite},
		"confidence 95":       {[]float64{1, 2, 3}, []float64{1, 2, 4}, nil, 95, ErrConfidence},
		"confidence NaN":      {[]float64{1, 2, 3}, []float64{1, 2, 4}, nil, nan, ErrConfidence},
	} {
		if _, err := CensoredLine(c.x, c.y, c.censored, c.confidence); !errors.Is(err, c.want) {
			t.Errorf("line, %s: %v; want %v", name, err, c.want)
		}
		if c.want == ErrConfidence || c.want == ErrNoSpread {
			continue
		}
		if _, err := Motion(c.x, c.y, c.censored); !errors.Is(err, c.want) {
			t.Errorf("motion, %s: %v; want %v", name, err, c.want)
		}
	}
	for name, c := range map[string]struct {
		x, y []float64
		want error
	}{
		"one x":   {[]float64{1, 1}, []float64{1, 2}, ErrTooFew},
		"falls":   {[]float64{1, 2, 3}, []float64{3, 2, 1}, ErrFalls},
		"lengths": {[]float64{1}, nil, ErrLengths},
		"NaN":     {[]float64{1, nan}, []float64{1, 2}, ErrNotFinite},
		"huge":    {[]float64{0, 1}, []float64{0, 1e300}, ErrNoFit},
		"steep":   {[]float64{0, 1e-300, 1}, []float64{0, 1e80, 1e80}, ErrNoFit},
	} {
		if _, err := Monotone(c.x, c.y); !errors.Is(err, c.want) {
			t.Errorf("curve, %s: %v; want %v", name, err, c.want)
		}
	}
	if a, b, c := (Line{}).Predict(1, 0.95); !math.IsNaN(a) || !math.IsNaN(b) || !math.IsNaN(c) {
		t.Error("the zero line predicts")
	}
	if _, _, _, ok := (Line{}).Inverse(1, 0.95); ok {
		t.Error("the zero line has an inverse")
	}
}

func TestTheIntervalOfAnInverseIsWhereTheMeanMayBeAtThatHeight(t *testing.T) {
	set := trials{exponent: 2, scatter: 0.3, rng: rand.New(rand.NewPCG(4, 4))}
	set.room = set.roomFor(0.2)
	x, y, censored := set.draw()
	l, err := CensoredLine(x, y, censored, 0.95)
	if err != nil {
		t.Fatal(err)
	}
	at, low, high, ok := l.Inverse(7, 0.95)
	if !ok {
		t.Fatal("no inverse")
	}
	mean, _, _ := l.Predict(at, 0.95)
	near(t, "mean", mean, 7, 1e-12)
	_, _, top := l.Predict(low, 0.95)
	near(t, "top of the interval at its low end", top, 7, 1e-9)
	_, bottom, _ := l.Predict(high, 0.95)
	near(t, "bottom of the interval at its high end", bottom, 7, 1e-9)

	flat, err := CensoredLine([]float64{1, 2, 3, 4}, []float64{5, 6, 5.5, 5.4}, nil, 0.95)
	if err != nil {
		t.Fatal(err)
	}
	if _, _, _, ok := flat.Inverse(5, 0.95); ok {
		t.Error("an inverse of a line that may be level")
	}
}

func TestMotionIsLeastSquaresWhereNoTermWouldBeNegativeAndDropsThoseThatWouldBe(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 5))
	v := make([]float64, 40)
	for i := range v {
		v[i] = 50 + 10*float64(i%20)
	}
	for name, c := range map[string]struct {
		a, b, c float64
		terms   int
	}{"all three": {100, 1.5, 0.004, 3}, "the square would be negative": {100, 5, -0.01, 2}, "the start would be negative": {-100, 2, 0.01, 2}, "constant": {1400, -0.3, 0, 1}} {
		s := make([]float64, len(v))
		for i := range v {
			s[i] = c.a + c.b*v[i] + c.c*v[i]*v[i] + rng.NormFloat64()
		}
		p, err := Motion(v, s, nil)
		if err != nil {
			t.Fatal(err)
		}
		if p.Terms != c.terms || p.Constant < 0 || p.Linear < 0 || p.Square < 0 {
			t.Errorf("%s: %+v; want %d terms", name, p, c.terms)
		}
		// No law nearby, with no term negative, has a higher likelihood.
		at := func(q Parabola) float64 { return -minusLogLikelihood(v, s, nil, q.At, math.Log(q.Sigma)) }
		near(t, name+": log likelihood", p.LogLikelihood, at(p), 1e-8)
		for range 200 {
			q := p
			q.Constant = max(0, q.Constant+0.1*rng.NormFloat64())
			q.Linear = max(0, q.Linear+1e-3*rng.NormFloat64())
			q.Square = max(0, q.Square+1e-5*rng.NormFloat64())
			if at(q) > p.LogLikelihood+1e-9 {
				t.Errorf("%s: %+v has a higher likelihood than %+v", name, q, p)
			}
		}
		if c.terms < 3 {
			continue
		}
		// gonum v0.17.0, mat.QR
		design := mat.NewDense(len(v), 3, nil)
		for i, x := range v {
			design.SetRow(i, []float64{1, x, x * x})
		}
		var qr mat.QR
		qr.Factorize(design)
		var b mat.VecDense
		if err := qr.SolveVecTo(&b, false, mat.NewVecDense(len(s), s)); err != nil {
			t.Fatal(err)
		}
		relative(t, "constant", p.Constant, b.AtVec(0), 1e-8)
		relative(t, "linear", p.Linear, b.AtVec(1), 1e-8)
		relative(t, "square", p.Square, b.AtVec(2), 1e-8)
	}
}

func TestStoppingDistancesOfTheHighwayCodeAreAResponseTimeAndADeceleration(t *testing.T) {
	d := table(t, "highway-code.csv")
	v, s := make([]float64, 6), make([]float64, 6)
	for i := range v {
		v[i], s[i] = d["mph"][i]*0.44704, d["thinking_m"][i]+d["braking_m"][i]
	}
	p, err := Motion(v, s, nil)
	if err != nil {
		t.Fatal(err)
	}
	// UK Highway Code, rule 126: its thinking distance is 0.67 s, its braking 6.4 to 6.7 m/s² (computed from its distances, which are whole metres).
	near(t, "response time", p.Linear, 0.67, 0.1)
	near(t, "deceleration", 1/(2*p.Square), 6.55, 0.3)
	for i := range v {
		near(t, "stopping distance", p.At(v[i]), s[i], 1)
	}
}

func TestMotionTakesABoundForABound(t *testing.T) {
	rng := rand.New(rand.NewPCG(6, 6))
	var v, s []float64
	var censored []bool
	for i := range 400 {
		x := 60 + 20*float64(i%10)
		d := 200 + 1.2*x + 0.01*x*x + 10*rng.NormFloat64()
		v, s, censored = append(v, x), append(s, min(d, 1000)), append(censored, d > 1000)
	}
	p, err := Motion(v, s, censored)
	if err != nil {
		t.Fatal(err)
	}
	for _, x := range []float64{60, 150, 240} { // the last of them almost always overran
		near(t, "mean", p.At(x), 200+1.2*x+0.01*x*x, 8)
	}
	near(t, "sigma", p.Sigma, 10, 1.5)
}

func TestAICcIsThatOfItsDefinition(t *testing.T) {
	// Hurvich and Tsai, Biometrika 76 (1989), from memory: -2 log L + 2k + 2k(k+1)/(n-k-1)
	near(t, "AICc", AICc(-10, 3, 24), 20+6+24.0/20, 1e-12)
	if !math.IsInf(AICc(-10, 3, 4), 1) {
		t.Error("too few points count")
	}
}

func TestPooledScatterLeavesOutWhatGroupsDifferBy(t *testing.T) {
	a, b := []float64{1, 2, 3, 6}, []float64{1001, 1002, 1006}
	sd, degrees := Pooled([][]float64{a, {5}, nil, b})
	// gonum v0.17.0, stat.Variance
	want := math.Sqrt((3*stat.Variance(a, nil) + 2*stat.Variance(b, nil)) / 5)
	if degrees != 5 {
		t.Errorf("%d degrees; want 5", degrees)
	}
	near(t, "sd", sd, want, 1e-12)
	if sd, degrees := Pooled([][]float64{{1}, {2}}); sd != 0 || degrees != 0 {
		t.Errorf("groups of one: %v, %d", sd, degrees)
	}
}

func TestTheNoncentralTIsStudentsWhereItIsCentral(t *testing.T) {
	for _, degrees := range []int{1, 2, 3, 5, 19, 100, 10_000} {
		for _, x := range []float64{-200, -3, -0.5, 0, 1e-3, 0.7, 2, 5, 50, 1e4} {
			// gonum v0.17.0, distuv.StudentsT
			near(t, "central", noncentralT(x, 0, degrees), distuv.StudentsT{Sigma: 1, Nu: float64(degrees)}.CDF(x), 1e-8)
		}
	}
}

func TestTheNoncentralTIsThatOfItsSeries(t *testing.T) {
	for _, degrees := range []int{1, 2, 4, 9, 42, 400} {
		for _, shift := range []float64{-3, -0.5, 0.2, 1, 5.2, 8.4, 20} {
			for _, x := range []float64{0, 0.3, 1, 3, 5.2, 9.2, 20, 60} {
				// Lenth, Applied Statistics 38 (1989), algorithm AS 243, from memory; incomplete beta of gonum v0.17.0.
				n, half, y := float64(degrees), shift*shift/2, x*x/(float64(degrees)+x*x)
				want := normal.CDF(-shift)
				for j := range 1200 {
					k := float64(j)
					g, _ := math.Lgamma(k + 1)
					h, _ := math.Lgamma(k + 1.5)
					p := math.Exp(-half + k*math.Log(half) - g)
					q := math.Exp(-half+k*math.Log(half)-h) * shift / math.Sqrt2
					if k > half && p < 1e-18 {
						break
					}
					want += (p*mathext.RegIncBeta(k+0.5, n/2, y) + q*mathext.RegIncBeta(k+1, n/2, y)) / 2
				}
				near(t, "series", noncentralT(x, shift, degrees), want, 1e-8)
				near(t, "mirrored", noncentralT(-x, -shift, degrees), 1-want, 1e-8)
			}
		}
	}
}

func TestAToleranceFactorWithoutABoundIsInfiniteAndOneWithoutASenseIsNoNumber(t *testing.T) {
	if !math.IsInf(ToleranceOneSided(0, 3, 0.9, 0.95), 1) || !math.IsInf(ToleranceOneSided(3, 0, 0.9, 0.95), 1) || !math.IsInf(ToleranceTwoSided(1, 0.9, 0.95), 1) {
		t.Error("a bound from nothing")
	}
	for _, p := range []float64{0, 1, -1, 90, math.NaN()} {
		if !math.IsNaN(ToleranceOneSided(10, 9, p, 0.95)) || !math.IsNaN(ToleranceOneSided(10, 9, 0.9, p)) || !math.IsNaN(ToleranceTwoSided(10, p, 0.95)) || !math.IsNaN(ToleranceTwoSided(10, 0.9, p)) {
			t.Errorf("a bound for %v", p)
		}
	}
	// With ever more values it is the quantile of the normal law.
	near(t, "one-sided, many", ToleranceOneSided(10_000_000, 9_999_999, 0.95, 0.95), normal.Quantile(0.95), 0.002)
	near(t, "two-sided, many", ToleranceTwoSided(10_000_000, 0.95, 0.95), normal.Quantile(0.975), 0.002)
}

func TestACurveIsTheCubicOfItsSlopesAndHasNoHump(t *testing.T) {
	// Fritsch and Carlson, SIAM J. Numerical Analysis 17 (1980), their radiochemical example RPN 14 (from memory): flat, then a steep rise.
	x := []float64{7.99, 8.09, 8.19, 8.7, 9.2, 10, 12, 15, 20}
	y := []float64{0, 2.76429e-5, 4.37498e-2, 0.169183, 0.469428, 0.943740, 0.998636, 0.999919, 0.999994}
	c, err := Monotone(x, y)
	if err != nil {
		t.Fatal(err)
	}
	// gonum v0.17.0, interp.PiecewiseCubic
	var cubic interp.PiecewiseCubic
	cubic.FitWithDerivatives(x, y, c.slope)
	before := math.Inf(-1)
	for v := 7.5; v < 21; v += 0.01 {
		got := c.At(v)
		near(t, "curve", got, cubic.Predict(v), 1e-12)
		if got < before {
			t.Fatalf("falls at %v", v)
		}
		before = got
		if back, ok := c.Inverse(got); ok && v > x[0] && v < x[len(x)-1] {
			near(t, "there and back", c.At(back), got, 1e-12)
		}
	}
	for i := range x {
		near(t, "through its points", c.At(x[i]), y[i], 0)
	}
	if _, ok := c.Inverse(-0.1); ok {
		t.Error("an inverse below the curve")
	}
	if _, ok := c.Inverse(1.1); ok {
		t.Error("an inverse above the curve")
	}
}

func TestPointsThatFallBackAreTakenTogether(t *testing.T) {
	c, err := Monotone([]float64{4, 1, 2, 3, 3}, []float64{50, 10, 30, 20, 22})
	if err != nil {
		t.Fatal(err)
	}
	// One value of 30, two of mean 21: 24 together.
	for x, want := range map[float64]float64{1: 10, 2: 24, 2.5: 24, 3: 24, 4: 50, 9: 50} {
		near(t, "pooled", c.At(x), want, 1e-12)
	}
	if x, ok := c.Inverse(24); !ok || x != 2 {
		t.Errorf("24 is first reached at %v; want 2", x)
	}
}
