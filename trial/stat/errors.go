package stat

import (
	"errors"
	"fmt"
	"math"
)

// What can be wrong with the numbers. Errors wrap one of these, and say which number it is.
var (
	ErrLengths     = errors.New("the lists differ in length")
	ErrNotFinite   = errors.New("not a finite number")
	ErrConfidence  = errors.New("a confidence lies between 0 and 1")
	ErrAllCensored = errors.New("no point is known: of all of them only a lower bound")
	ErrTooFew      = errors.New("too few points")
	ErrNoSpread    = errors.New("the points do not differ enough in x")
	ErrNoFit       = errors.New("no fit found: the numbers are too large, too small or too unlike in size")
	ErrFalls       = errors.New("the values fall from the first to the last")
)

// lists checks that x and y are of one length and hold numbers.
func lists(x, y []float64) error {
	if len(x) != len(y) {
		return fmt.Errorf("%d x, %d y: %w", len(x), len(y), ErrLengths)
	}
	for i := range x {
		if v := x[i]; math.IsNaN(v) || math.IsInf(v, 0) {
			return fmt.Errorf("point %d, x is %v: %w", i+1, v, ErrNotFinite)
		}
		if v := y[i]; math.IsNaN(v) || math.IsInf(v, 0) {
			return fmt.Errorf("point %d, y is %v: %w", i+1, v, ErrNotFinite)
		}
	}
	return nil
}

// censoredLists checks x, y and the marks of the points that are only lower bounds; nil marks none. It returns how many points are known.
func censoredLists(x, y []float64, censored []bool) (events int, err error) {
	if err := lists(x, y); err != nil {
		return 0, err
	}
	if censored != nil && len(censored) != len(x) {
		return 0, fmt.Errorf("%d points, %d marks of the censored: %w", len(x), len(censored), ErrLengths)
	}
	events = len(x)
	for _, c := range censored {
		if c {
			events--
		}
	}
	if len(x) > 0 && events == 0 {
		return 0, fmt.Errorf("%d points: %w", len(x), ErrAllCensored)
	}
	return events, nil
}

// proportion says that p lies between 0 and 1.
func proportion(p float64) bool { return p > 0 && p < 1 }
