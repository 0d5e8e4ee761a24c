package stat

import (
	"encoding/csv"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"testing"

	"gonum.org/v1/gonum/stat/distuv"
)

// table reads the columns of a file in testdata.
func table(t testing.TB, name string) map[string][]float64 {
	t.Helper()
	f, err := os.Open(filepath.Join("testdata", name))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	r := csv.NewReader(f)
	r.Comment = '#'
	rows, err := r.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	columns := map[string][]float64{}
	for _, row := range rows[1:] {
		for i, cell := range row {
			v, err := strconv.ParseFloat(cell, 64)
			if err != nil {
				t.Fatalf("%s: %v", name, err)
			}
			columns[rows[0][i]] = append(columns[rows[0][i]], v)
		}
	}
	return columns
}

// near fails where got is farther than within from want.
func near(t testing.TB, what string, got, want, within float64) {
	t.Helper()
	if !(math.Abs(got-want) <= within) {
		t.Errorf("%s: %.12g, published %.12g, within %.3g", what, got, want, within)
	}
}

// relative is near with a share of want.
func relative(t testing.TB, what string, got, want, share float64) {
	t.Helper()
	near(t, what, got, want, share*math.Abs(want))
}

func logs(v []float64) []float64 {
	out := make([]float64, len(v))
	for i, x := range v {
		out[i] = math.Log(x)
	}
	return out
}

func TestBrakingOfTheHighwayCodeIsConstantDecelerationAndNeverConstantDistance(t *testing.T) {
	d := table(t, "highway-code.csv")
	l, err := CensoredLine(logs(d["mph"]), logs(d["braking_m"]), nil, 0.95)
	if err != nil {
		t.Fatal(err)
	}
	// UK Highway Code, rule 126 (data); exponent and interval computed from it once, apart from this code, to three decimals.
	near(t, "exponent", l.Slope, 2.008, 0.0005)
	near(t, "low", l.SlopeLow, 1.968, 0.0005)
	near(t, "high", l.SlopeHigh, 2.047, 0.0005)
}

func TestLeastSquaresGivesTheCertifiedValuesOfNorris(t *testing.T) {
	d := table(t, "norris.csv")
	l, err := CensoredLine(d["x"], d["y"], make([]bool, len(d["x"])), 0.95)
	if err != nil {
		t.Fatal(err)
	}
	// NIST Statistical Reference Datasets, Norris: certified values.
	relative(t, "intercept", l.Intercept, -0.262323073774029, 1e-9)
	relative(t, "slope", l.Slope, 1.00211681802045, 1e-9)
	relative(t, "residual standard deviation", l.Sigma, 0.884796396144373, 1e-9)
	relative(t, "standard deviation of the slope", (l.SlopeHigh-l.SlopeLow)/2/TQuantile(0.95, 34), 0.429796848199937e-3, 1e-9)
	mean, low, high := l.Predict(0, 0.95)
	relative(t, "at 0", mean, -0.262323073774029, 1e-9)
	relative(t, "standard deviation of the intercept", (high-low)/2/TQuantile(0.95, 34), 0.232818234301152, 1e-9)
}

func TestTheCensoredFitGivesTheValuesOfTheMotorettes(t *testing.T) {
	d := table(t, "motorettes.csv")
	var x, y []float64
	var censored []bool
	for i, n := range d["count"] {
		for range int(n) {
			x, y = append(x, 1000/(d["temperature_c"][i]+273.2)), append(y, math.Log10(d["hours"][i]))
			censored = append(censored, d["censored"][i] == 1)
		}
	}
	l, err := CensoredLine(x, y, censored, 0.95)
	if err != nil {
		t.Fatal(err)
	}
	if l.N != 40 || l.Events != 17 {
		t.Errorf("%d points, %d events; want 40 and 17", l.N, l.Events)
	}
	// Nelson and Hahn, Technometrics 14 (1972); Schmee and Hahn, Technometrics 21 (1979): from memory.
	near(t, "intercept", l.Intercept, -6.019, 0.0005)
	near(t, "slope", l.Slope, 4.311, 0.0005)
	near(t, "sigma", l.Sigma, 0.2592, 0.00005)
	t.Logf("%.8g %.8g %.8g, slope %.5f to %.5f, log L %.6f", l.Intercept, l.Slope, l.Sigma, l.SlopeLow, l.SlopeHigh, l.LogLikelihood)
}

func TestTwoThirdsOfTheSpeedWithAThirdOfTheDistanceIsAnExponentOf2Point7(t *testing.T) {
	speed := logs([]float64{300, 300, 200, 200})
	l, err := CensoredLine(speed, logs([]float64{900, 900, 300, 300}), nil, 0.95)
	if err != nil {
		t.Fatal(err)
	}
	// common practice, no source; the figure is ln(1/3)/ln(2/3).
	near(t, "exponent", l.Slope, 2.7095, 0.00005)
	if l.SlopeLow <= 2 || l.SlopeHigh-l.SlopeLow > 1e-9 {
		t.Errorf("interval %v to %v: without scatter it is the slope", l.SlopeLow, l.SlopeHigh)
	}
}

// howe is Howe's approximation of 1969 to the two-sided factor.
func howe(n int, share, confidence float64) float64 {
	degrees := float64(n - 1)
	return normal.Quantile((1+share)/2) * math.Sqrt(degrees*(1+1/float64(n))/distuv.ChiSquared{K: degrees}.Quantile(1-confidence))
}

func TestToleranceFactorsAreThosePublished(t *testing.T) {
	// NIST/SEMATECH e-Handbook, 7.2.6.3: n = 43, 90 % of all with 99 % confidence, two-sided after Howe.
	near(t, "Howe", howe(43, 0.90, 0.99), 2.2173, 0.00005)
	// NIST/SEMATECH e-Handbook, 7.2.6.3: one-sided by the handbook's approximation.
	approximate := func(n int, share, confidence float64) float64 {
		zp, zg := normal.Quantile(share), normal.Quantile(confidence)
		a, b := 1-zg*zg/(2*float64(n-1)), zp*zp-zg*zg/float64(n)
		return (zp + math.Sqrt(zp*zp-a*b)) / a
	}
	near(t, "one-sided, approximately", approximate(43, 0.90, 0.99), 1.8752, 0.00005)
	// NIST/SEMATECH e-Handbook, 7.2.6.3: one-sided from the noncentral t (from memory).
	near(t, "one-sided", ToleranceOneSided(43, 42, 0.90, 0.99), 1.8740, 0.00005)
	// Hahn and Meeker, Statistical Intervals (1991), one-sided, n = 10 (from memory).
	near(t, "one-sided, n = 10", ToleranceOneSided(10, 9, 0.95, 0.95), 2.911, 0.0005)
	// Berthouex and Brown, Statistics for Environmental Engineers, table 21.1: two-sided, 95 % confidence.
	for _, c := range []struct {
		n       int
		share   float64
		printed float64
	}{{10, 0.90, 2.86}, {10, 0.95, 3.39}, {10, 0.99, 4.44}, {20, 0.90, 2.32}, {20, 0.95, 2.76}, {20, 0.99, 3.62}} {
		k := ToleranceTwoSided(c.n, c.share, 0.95)
		near(t, "two-sided", k, c.printed, 0.005)
		t.Logf("n %d, share %.2f: exactly %.4f, Howe %.4f, printed %.2f", c.n, c.share, k, howe(c.n, c.share, 0.95), c.printed)
	}
}
