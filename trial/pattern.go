package trial

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"fettle/station"
	"fettle/trial/stat"
)

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

// better is by how much the AICc of the best pattern must beat the next, to be told from it (our choice).
const better = 4

// timesFrom is how many runs are used at most to tell patterns apart, evenly taken: more of them would cost time and tell nothing.
const timesFrom = 500

// sharpest is the least that times can be off, as a share of the whole: what is left of a fit below it is the rounding of the times.
const sharpest = 0.001

// moment is when a vehicle that entered at v and stops at s was at x.
type moment struct{ v, s, x, t float64 }

// moments are the times of the runs that stopped.
func moments(runs []Run) []moment {
	var timed []Run
	for _, r := range runs {
		if r.Way == station.With && r.Outcome == Stopped && r.Speed > 0 && r.Stop >= nearest && (r.Time > 0 || len(r.Gates) > 0) {
			timed = append(timed, r)
		}
	}
	every := max(1, (len(timed)+timesFrom-1)/timesFrom)
	var all []moment
	for i := 0; i < len(timed); i += every {
		r := timed[i]
		v, s := float64(r.Speed), float64(r.Stop)
		if r.Time > 0 {
			all = append(all, moment{v, s, s, r.Time.Seconds()})
		}
		for _, g := range r.Gates[:min(len(r.Gates), 16)] {
			if g.At > 0 && float64(g.At) < s && g.Time > 0 {
				all = append(all, moment{v, s, float64(g.At), g.Time.Seconds()})
			}
		}
	}
	return all
}

// brakeWithin is when a vehicle that enters at v, and stops at s after braking evenly over the last d of it, is at x.
func brakeWithin(v, s, d, x float64) float64 {
	coast := s - d
	if x <= coast {
		return x / v
	}
	return coast/v + 2*d/v*(1-math.Sqrt(max(0, 1-(x-coast)/d)))
}

// crawlAfter is when a vehicle that enters at v, and brakes at once by 1/b to crawl at c, is at x.
func crawlAfter(v, c, b, x float64) float64 {
	d := b * (v*v - c*c) / 2
	if x < d {
		return b * (v - math.Sqrt(max(0, v*v-2*x/b)))
	}
	return b*(v-c) + (x-d)/c
}

// at is when a run that entered at v and stops at s is at x, after the pattern. A run at less than the crawl goes on as it is.
func (f PatternFit) at(v, s, x float64) float64 {
	switch f.Pattern {
	case PatternEven:
		return brakeWithin(v, s, s, x)
	case PatternLate:
		return brakeWithin(v, s, min(s, v*v/(2*float64(f.Deceleration))), x)
	}
	c := min(v, float64(f.Crawl))
	return crawlAfter(v, c, 1/float64(f.Deceleration), x)
}

// Speed is how fast a vehicle that entered at v, and comes to rest at stop, is at a place past the trigger, after the pattern.
func (f PatternFit) Speed(v station.MillimetresPerSecond, stop, at station.Millimetres) station.MillimetresPerSecond {
	if at <= 0 {
		return v
	}
	if at >= stop {
		return 0
	}
	braking, a := float64(at), float64(f.Deceleration) // how much of the way so far it has braked, and how hard
	switch f.Pattern {
	case PatternEven:
		a = float64(v) * float64(v) / (2 * float64(stop))
	case PatternLate:
		braking = max(0, float64(at)-(float64(stop)-float64(v)*float64(v)/(2*a)))
	}
	now := station.MillimetresPerSecond(math.Sqrt(max(0, float64(v)*float64(v)-2*a*braking)))
	if f.Pattern == PatternCreep {
		now = max(now, min(v, f.Crawl))
	}
	return now
}

// squares is what the times differ from f, each as a share of the time that its stop takes at entry speed, squared and summed.
func squares(all []moment, f PatternFit) (sum float64) {
	for _, m := range all {
		off := (m.t - f.at(m.v, m.s, m.x)) * m.v / m.s
		sum += off * off
	}
	return sum
}

// patterns fits each pattern to the times; the best is the first.
func patterns(runs []Run) []PatternFit {
	all := moments(runs)
	if len(all) < 6 {
		return nil
	}
	fits := []PatternFit{{Pattern: PatternEven}, late(all), creep(all)}
	for i := range fits {
		f := &fits[i]
		n := float64(len(all))
		variance := max(squares(all, *f)/n, sharpest*sharpest)
		likelihood := -n / 2 * (math.Log(2*math.Pi*variance) + 1)
		f.Times, f.Off = len(all), math.Sqrt(variance)
		f.AICc = stat.AICc(likelihood, 1+i, len(all)) // even has its scatter only, late a deceleration too, creep a crawl as well
	}
	slices.SortStableFunc(fits, func(a, b PatternFit) int { return cmp.Compare(a.AICc, b.AICc) })
	return fits
}

// late is the fixed deceleration that fits best. It is never so small that a run would have to brake before the section.
func late(all []moment) PatternFit {
	most := math.Inf(1) // of 1/a
	for _, m := range all {
		most = min(most, 2*m.s/(m.v*m.v))
	}
	fit := func(share float64) PatternFit {
		return PatternFit{Pattern: PatternLate, Deceleration: Deceleration(1 / (most * share))}
	}
	share := least(0.001, 1, func(share float64) float64 { return squares(all, fit(share)) })
	return fit(share)
}

// creep is the deceleration and the crawl that fit best. The crawl is never faster than the slowest entry, and is reached before the stop.
func creep(all []moment) PatternFit {
	slowest := math.Inf(1)
	longest := 0.0 // time, as a multiple of what the stop takes at 1 mm/s
	for _, m := range all {
		slowest = min(slowest, m.v)
		if m.x == m.s {
			longest = max(longest, m.t/m.s)
		}
	}
	from, to := slowest/100, slowest
	if longest > 0 {
		// The whole way at the crawl would take longest, or longer: the crawl is hardly faster than that.
		from, to = min(0.3/longest, slowest/2), min(1.3/longest, slowest)
	}
	fit := func(c float64) PatternFit {
		most := math.Inf(1) // of 1/a
		for _, m := range all {
			most = min(most, 2*m.s/max(m.v*m.v-c*c, 1e-9))
		}
		f := PatternFit{Pattern: PatternCreep, Crawl: station.MillimetresPerSecond(c)}
		share := least(0.001, 1, func(share float64) float64 {
			f.Deceleration = Deceleration(1 / (most * share))
			return squares(all, f)
		})
		f.Deceleration = Deceleration(1 / (most * share))
		return f
	}
	return fit(least(from, to, func(c float64) float64 { return squares(all, fit(c)) }))
}

// least finds where f is least between two places above 0: on a grid first, since f may have several hollows, then by golden sections.
func least(from, to float64, f func(float64) float64) float64 {
	at, value := from, math.Inf(1)
	try := func(x float64) float64 {
		y := f(x)
		if y < value {
			at, value = x, y
		}
		return y
	}
	const points = 12
	step := math.Pow(to/from, 1.0/points)
	for i := range points + 1 {
		try(from * math.Pow(step, float64(i)))
	}
	const golden = 0.6180339887498949
	a, b := max(from, at/step), min(to, at*step)
	x, y := b-golden*(b-a), a+golden*(b-a)
	fx, fy := try(x), try(y)
	for range 24 {
		if fx < fy {
			b, y, fy = y, x, fx
			x = b - golden*(b-a)
			fx = try(x)
		} else {
			a, x, fx = x, y, fy
			y = a + golden*(b-a)
			fy = try(y)
		}
	}
	return at
}

// tell picks the pattern, and says what would tell those apart that these runs can't.
func tell(fits []PatternFit, runs []Run) (Pattern, string) {
	if len(fits) == 0 {
		return PatternUndecided, "how it spreads its braking can't be told without times: take the time from trigger to standstill at each stop, or put gates into the section"
	}
	first, second := fits[0], fits[1]
	if first.Off > 0.2 {
		return PatternUndecided, fmt.Sprintf("none of even, late and creep describes its times: the best of them, %s, is off by %.0f %%", first.Pattern, 100*first.Off)
	}
	if second.AICc-first.AICc > better {
		return first.Pattern, ""
	}
	return PatternUndecided, fmt.Sprintf("%s and %s can't be told apart by these times: %s", first.Pattern, second.Pattern, whereTheyDiffer(first, second, runs))
}

// whereTheyDiffer says where a gate would tell two patterns apart best, at which of the speeds.
func whereTheyDiffer(a, b PatternFit, runs []Run) string {
	all := moments(runs)
	var at moment
	var most float64
	for _, m := range all {
		for i := 1; i <= 9; i++ {
			x := m.s * float64(i) / 10
			if apart := math.Abs(a.at(m.v, m.s, x) - b.at(m.v, m.s, x)); apart > most {
				most, at = apart, moment{m.v, m.s, x, 0}
			}
		}
	}
	if most < 0.02 {
		return "at these speeds they are the same; make runs at speeds that are farther apart"
	}
	return fmt.Sprintf("a gate %.0f mm past the trigger would, where they are %.1f s apart at %.0f mm/s", at.x, most, at.v)
}
