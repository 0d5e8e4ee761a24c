package stat

import (
	"encoding/binary"
	"math"
	"testing"
)

// points are what data holds: 17 bytes each, x, y and a mark.
func points(data []byte) (x, y []float64, censored []bool) {
	for len(data) >= 17 && len(x) < 64 {
		x = append(x, math.Float64frombits(binary.LittleEndian.Uint64(data)))
		y = append(y, math.Float64frombits(binary.LittleEndian.Uint64(data[8:])))
		censored = append(censored, data[16]&1 == 1)
		data = data[17:]
	}
	return x, y, censored
}

func packed(x, y []float64, censored ...bool) (data []byte) {
	for i := range x {
		data = binary.LittleEndian.AppendUint64(data, math.Float64bits(x[i]))
		data = binary.LittleEndian.AppendUint64(data, math.Float64bits(y[i]))
		mark := byte(0)
		if i < len(censored) && censored[i] {
			mark = 1
		}
		data = append(data, mark)
	}
	return data
}

func seeds(f *testing.F) {
	x := []float64{1, 2, 3, 4, 5}
	f.Add(packed(x, []float64{2, 3, 5, 4, 6}), 0.95)
	f.Add(packed(x, []float64{2, 3, 5, 4, 4}, false, false, false, true, true), 0.95)
	f.Add(packed(x, []float64{1, 1, 1, 1, 1e15}, false, false, false, false, true), 0.5)
	f.Add(packed(x, []float64{1e308, -1e308, 1e308, 1, 0}, true), 0.999999999999)
	f.Add(packed([]float64{1e-320, 0, 5e-324, 1, 1}, []float64{5e-324, 0, 1e-310, 0, 0}), 1e-300)
	f.Add(packed(x, []float64{math.NaN(), math.Inf(1), 0, 0, 0}), math.NaN())
}

func finite(v ...float64) bool {
	for _, x := range v {
		if math.IsNaN(x) || math.IsInf(x, 0) {
			return false
		}
	}
	return true
}

func FuzzCensoredLine(f *testing.F) {
	seeds(f)
	f.Fuzz(func(t *testing.T, data []byte, confidence float64) {
		x, y, censored := points(data)
		l, err := CensoredLine(x, y, censored, confidence)
		if err != nil {
			if l != (Line{}) {
				t.Fatalf("%v, and a line: %+v", err, l)
			}
			return
		}
		if !finite(l.Intercept, l.Slope, l.Sigma, l.SlopeLow, l.SlopeHigh, l.LogLikelihood) {
			t.Fatalf("not finite: %+v", l)
		}
		slack := 1e-9 * (math.Abs(l.SlopeLow) + math.Abs(l.SlopeHigh))
		if l.Slope < l.SlopeLow-slack || l.Slope > l.SlopeHigh+slack || l.Sigma < 0 {
			t.Fatalf("out of order: %+v", l)
		}
		for i := range x {
			if mean, low, high := l.Predict(x[i], confidence); !(low <= mean && mean <= high) {
				t.Fatalf("at %v: %v, %v to %v", x[i], mean, low, high)
			}
			if at, low, high, ok := l.Inverse(y[i], confidence); ok && !finite(at, low, high) {
				t.Fatalf("at %v: %v, %v to %v", y[i], at, low, high)
			}
		}
	})
}

func FuzzMotion(f *testing.F) {
	seeds(f)
	f.Fuzz(func(t *testing.T, data []byte, _ float64) {
		v, s, censored := points(data)
		p, err := Motion(v, s, censored)
		if err != nil {
			if p != (Parabola{}) {
				t.Fatalf("%v, and a law: %+v", err, p)
			}
			return
		}
		if !finite(p.Constant, p.Linear, p.Square, p.Sigma, p.LogLikelihood) || p.Constant < 0 || p.Linear < 0 || p.Square < 0 || p.Sigma < 0 || p.Terms < 1 {
			t.Fatalf("%+v", p)
		}
	})
}

func FuzzMonotone(f *testing.F) {
	seeds(f)
	f.Fuzz(func(t *testing.T, data []byte, at float64) {
		x, y, _ := points(data)
		c, err := Monotone(x, y)
		if err != nil {
			return
		}
		low, high := c.x[0], c.x[len(c.x)-1]
		before, v := math.Inf(-1), low
		for i := range 101 {
			v = max(v, low*(1-float64(i)/100)+high*(float64(i)/100))
			h := c.At(v)
			if !finite(h) || h < before-1e-12*math.Abs(before)-1e-200 {
				t.Fatalf("at %v: %v after %v", v, h, before)
			}
			before = h
			if back, ok := c.Inverse(h); ok && !(back >= low && back <= high) {
				t.Fatalf("%v is said to be reached at %v, outside of %v to %v", h, back, low, high)
			}
		}
		c.At(at)
		c.Inverse(at)
	})
}

func FuzzTolerance(f *testing.F) {
	f.Add(10, 9, 0.95, 0.95)
	f.Add(math.MaxInt, math.MaxInt, 0.5, 1-1e-16)
	f.Add(90, 1, 5e-324, 5e-324)
	f.Add(8, 171, 0.53, 5.4e-323)
	f.Add(-1, math.MinInt, math.NaN(), math.Inf(1))
	f.Fuzz(func(t *testing.T, n, degrees int, share, confidence float64) {
		one := ToleranceOneSided(n, degrees, share, confidence)
		two := ToleranceTwoSided(n, share, confidence)
		if sense := proportion(share) && proportion(confidence); math.IsNaN(one) == sense || math.IsNaN(two) == sense || two < 0 {
			t.Fatalf("n %d, degrees %d, share %v, confidence %v: %v and %v", n, degrees, share, confidence, one, two)
		}
		if p := noncentralT(share, confidence, degrees); p < 0 || p > 1+1e-12 {
			t.Fatalf("a chance of %v", p)
		}
	})
}

func FuzzPooled(f *testing.F) {
	seeds(f)
	f.Fuzz(func(t *testing.T, data []byte, _ float64) {
		x, y, _ := points(data)
		if sd, degrees := Pooled([][]float64{x, y}); sd < 0 || degrees != 2*max(0, len(x)-1) {
			t.Fatalf("%v, %d degrees of %d points", sd, degrees, len(x))
		}
	})
}
