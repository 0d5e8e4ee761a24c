package trial

import "fettle/station"

// Pattern is how a vehicle spreads its braking over a distance that is constant.
type Pattern uint8

const (
	PatternUndecided Pattern = iota
	PatternEven              // one smooth fall over the whole distance
	PatternLate              // it runs on, then brakes with a fixed deceleration
	PatternCreep             // it brakes at once, then crawls to the mark
	PatternNone              // the distance is not constant
)

// String is "even", "late", "creep", "undecided" or "none".
func (p Pattern) String() string {
	return [...]string{"undecided", "even", "late", "creep", "none"}[p]
}

// PatternFit is one pattern, fitted to the times of the runs.
type PatternFit struct {
	Pattern      Pattern
	Deceleration Deceleration                 // of late and of creep
	Crawl        station.MillimetresPerSecond // of creep
	Times        int                          // that it rests on: standstills and passings of gates
	Off          float64                      // root mean square of what is left, as a share of the time that the stop takes at entry speed
	AICc         float64
}
