package stat

import "math"

// root is where f, which is below 0 at low and above 0 at high, crosses 0: regula falsi that halves the weight of an end that stays (Illinois),
// with a bisection where that is slow.
func root(low, high float64, f func(float64) float64) float64 {
	fl, fh := f(low), f(high)
	if fl >= 0 {
		return low
	}
	if fh <= 0 {
		return high
	}
	side := 0
	for i := range 200 {
		x := (low*fh - high*fl) / (fh - fl)
		if i%4 == 3 || !(x > low && x < high) {
			x = low + (high-low)/2
		}
		if high-low <= 4e-15*max(math.Abs(low), math.Abs(high)) || x == low || x == high {
			return x
		}
		switch y := f(x); {
		case y == 0:
			return x
		case y < 0:
			low, fl = x, y
			if side == -1 {
				fh /= 2
			}
			side = -1
		default:
			high, fh = x, y
			if side == 1 {
				fl /= 2
			}
			side = 1
		}
	}
	return low + (high-low)/2
}
