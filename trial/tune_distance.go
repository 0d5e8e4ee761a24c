package trial

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/stat/distuv"

	"fettle/nmra/cv"
	"fettle/station"
	"fettle/trial/stat"
)

// Setting is the runs of a trial of braking that were made while a register held a value.
type Setting struct {
	Value uint8
	Runs  []Run
}

// DistanceTuning is the value of a register that sets where the vehicle stops.
type DistanceTuning struct {
	Tuning
	Register cv.Register
	Value    uint8               // that comes nearest, at the speed at which it comes least near
	Step     station.Millimetres // that a step of 1 moves the stop; negative where more is shorter
	// Exact is the value, whole or not, at which the stop is on target over all speeds, and Low and High its interval (Fieller 1954), at the
	// trial's confidence. Known says whether there is one: the runs show that the register moves the stop at all.
	Exact, Low, High float64
	Known            bool
	Stops            []TunedStop // at Value, from the slowest speed
}

// TunedStop is the stop that is predicted for one speed.
type TunedStop struct {
	Speed           station.MillimetresPerSecond // mean of the runs that it rests on; 0 where none was measured
	Runs            int
	Stop, Low, High station.Millimetres // with the interval of the mean, at the trial's confidence
}

// Errors of TuneDistance.
var (
	ErrOneValue = errors.New("want runs made at two values of the register or more")
	ErrFewStops = errors.New("want three runs or more that stopped with the section, at two values of the register or more")
)

// crooked is the level at which the stop is taken not to go as a straight line with the value (our choice).
const crooked = 0.01

// TuneDistance finds the value of a register that puts the stop where the trial wants it, from runs made at two or more of its values: for each
// speed a straight line of the stop against the value, in which a run that passed the room counts as a stop beyond it. Where the stop does
// not go as a straight line it keeps to the two values about the target. Errors: ErrOneValue, ErrFewStops.
func TuneDistance(t Trial, r cv.Register, settings []Setting) (DistanceTuning, error) {
	d := DistanceTuning{Register: r}
	points := pointsOf(t, settings)
	if values(points) < 2 {
		return d, fmt.Errorf("tuning %v: %w", r, ErrOneValue)
	}
	line, err := points.line(t)
	if err != nil {
		return d, fmt.Errorf("tuning %v: %w: %w", r, ErrFewStops, err)
	}
	var notes []string
	if p, ok := bent(points, float64(t.Wanted.Stop)); ok {
		if near, err := p.line(t); err == nil {
			points, line = p, near
			notes = append(notes, fmt.Sprintf("The stop does not go evenly with the value, or only each n-th value counts: this rests on the runs at %.0f and %.0f alone.",
				p[0].value, p[len(p)-1].value))
		}
	}
	d.Step = station.Millimetres(line.Slope)
	d.Exact, d.Low, d.High, d.Known = line.Inverse(float64(t.Wanted.Stop), t.Wanted.Confidence)
	if !d.Known {
		d.Words = append([]string{fmt.Sprintf("These runs do not show that register %v moves the stop: make runs at values farther apart, or try another register.", r)}, notes...)
		return d, nil
	}
	speeds, shown := points.bySpeed(t, line)
	d.Value = nearestValue(speeds, float64(t.Wanted.Stop))
	for _, s := range speeds {
		d.Stops = append(d.Stops, s.at(float64(d.Value), t.Wanted.Confidence))
	}
	d.Registers = cv.Values{r: d.Value}
	d.Reachable = off(speeds, d.Value, t.Wanted.Stop) <= t.Wanted.Within
	d.Words = append(d.words(t, speeds), notes...)
	if !shown {
		d.Reachable = false
		d.Words = append([]string{"At one speed or more fewer than three runs stopped, so all speeds are taken together, which proves nothing of each: make more runs."}, d.Words...)
	}
	if low, high := points[0].value, points[len(points)-1].value; float64(d.Value) < low || float64(d.Value) > high {
		d.Words = append(d.Words, fmt.Sprintf("%d lies outside the values that were tried, %.0f to %.0f: make runs with it before you rely on it.", d.Value, low, high))
	}
	return d, nil
}

// words says what Value does.
func (d DistanceTuning) words(t Trial, speeds []speedLine) []string {
	step := station.Millimetres(math.Abs(float64(d.Step)))
	worst := slices.MaxFunc(d.Stops, func(a, b TunedStop) int {
		return cmp.Compare(math.Abs(float64(a.Stop-t.Wanted.Stop)), math.Abs(float64(b.Stop-t.Wanted.Stop)))
	})
	moves := fmt.Sprintf("a step of 1 moves the stop by %.4g mm", float64(step))
	if d.Reachable {
		words := []string{fmt.Sprintf("Write %d to register %v: the stop is predicted at %v, between %v and %v; %s.", d.Value, d.Register, worst.Stop, worst.Low, worst.High, moves)}
		if worst.Low < t.Wanted.Stop-t.Wanted.Within || worst.High > t.Wanted.Stop+t.Wanted.Within {
			words = append(words, fmt.Sprintf("The interval is wider than the tolerance of %v: more runs at these values would narrow it.", t.Wanted.Within))
		}
		return words
	}
	none := fmt.Sprintf("no value comes within %v of %v", t.Wanted.Within, t.Wanted.Stop)
	nearest := fmt.Sprintf("the nearest is %d, with a stop at %v", d.Value, worst.Stop)
	switch {
	case d.Exact < 0 || d.Exact > full:
		return []string{fmt.Sprintf("Out of reach: it would take a value of %.0f, and a register goes from 0 to 255: %s; %s.", d.Exact, none, nearest)}
	case step > 2*t.Wanted.Within:
		words := fmt.Sprintf("Too coarse: %s: %s; %s", moves, none, nearest)
		if other := int(d.Value) + beside(d, t, worst); other >= 0 && other <= full {
			words += fmt.Sprintf(", and %d gives %v", other, speeds[slices.Index(d.Stops, worst)].at(float64(other), t.Wanted.Confidence).Stop)
		}
		return []string{words + "."}
	case len(d.Stops) > 1:
		slow, fast := d.Stops[0], d.Stops[len(d.Stops)-1]
		return []string{fmt.Sprintf("The stop depends on entry speed: with %d it is at %v from %v and at %v from %v: %s.", d.Value, slow.Stop, slow.Speed, fast.Stop, fast.Speed, none)}
	}
	return []string{fmt.Sprintf("Out of reach: %s; %s.", none, nearest)}
}

// beside is the way to the value on the other side of the target: 1 or -1.
func beside(d DistanceTuning, t Trial, s TunedStop) int {
	if (s.Stop < t.Wanted.Stop) == (d.Step > 0) {
		return 1
	}
	return -1
}

// point is one stop, or where passed a place that it lies beyond.
type point struct {
	value, stop float64
	passed      bool
	key         groupKey
	speed       station.MillimetresPerSecond
}

type points []point

// pointsOf is the runs with the section that stopped or passed the room, by value.
func pointsOf(t Trial, settings []Setting) points {
	var ps points
	for _, s := range settings {
		for _, r := range s.Runs {
			if !r.Made || r.Way != station.With || r.Outcome > Overran {
				continue
			}
			p := point{value: float64(s.Value), stop: float64(r.Stop), key: keyOf(t.Wanted, r), speed: r.Speed}
			p.key.lead = 0 // one register holds for both
			if r.Outcome == Overran {
				p.stop, p.passed = float64(t.room()), true
			}
			ps = append(ps, p)
		}
	}
	slices.SortStableFunc(ps, func(a, b point) int { return cmp.Compare(a.value, b.value) })
	return ps
}

// values is how many values of the register the points are at; they are sorted by it.
func values(ps points) (n int) {
	for i, p := range ps {
		if i == 0 || p.value != ps[i-1].value {
			n++
		}
	}
	return n
}

func (ps points) line(t Trial) (stat.Line, error) {
	x, y, passed := make([]float64, len(ps)), make([]float64, len(ps)), make([]bool, len(ps))
	for i, p := range ps {
		x[i], y[i], passed[i] = p.value, p.stop, p.passed
	}
	return stat.CensoredLine(x, y, passed, t.Wanted.Confidence)
}

// bent keeps the points at the two values about the target where a straight line does not hold: where the means at the values lie farther
// from it than the scatter within speeds and values lets expect, by an F test. With points that passed the room it is not tested.
func bent(ps points, target float64) (points, bool) {
	at := map[float64][]float64{}
	cells := map[[2]any][]float64{}
	var x, y []float64
	for _, p := range ps {
		if p.passed {
			return nil, false
		}
		at[p.value] = append(at[p.value], p.stop)
		cell := [2]any{p.value, p.key}
		cells[cell] = append(cells[cell], p.stop)
		x, y = append(x, p.value), append(y, p.stop)
	}
	if len(at) < 3 {
		return nil, false
	}
	var groups [][]float64
	for _, g := range cells {
		groups = append(groups, g)
	}
	sd, degrees := stat.Pooled(groups)
	line, err := stat.CensoredLine(x, y, nil, 0.95)
	if degrees == 0 || err != nil {
		return nil, false
	}
	var lack float64
	low, high := math.Inf(-1), math.Inf(1) // values: the last whose mean is short of the target, in the line's direction, and the next
	var order []float64
	for v := range at {
		order = append(order, v)
	}
	slices.Sort(order)
	for i, v := range order {
		mean := average(at[v])
		off := mean - line.Intercept - line.Slope*v
		lack += float64(len(at[v])) * off * off
		if i > 0 && math.IsInf(low, -1) && (average(at[order[i-1]])-target)*(mean-target) <= 0 {
			low, high = order[i-1], v
		}
	}
	if math.IsInf(low, -1) { // the target is beyond all values: the two that come nearest to it
		low, high = order[0], order[1]
		if math.Abs(average(at[order[len(order)-1]])-target) < math.Abs(average(at[low])-target) {
			low, high = order[len(order)-2], order[len(order)-1]
		}
	}
	more := float64(len(at) - 2)
	tiny := 0.5 // mm: no one measures a stop more finely, so a smaller scatter than that proves nothing
	f := distuv.F{D1: more, D2: float64(degrees)}
	if f.Survival(lack/more/math.Pow(max(sd, tiny), 2)) > crooked {
		return nil, false
	}
	var kept points
	for _, p := range ps {
		if p.value == low || p.value == high {
			kept = append(kept, p)
		}
	}
	return kept, true
}

func average(x []float64) float64 {
	var sum float64
	for _, v := range x {
		sum += v
	}
	return sum / float64(len(x))
}

// speedLine is the line of the stop against the value at one speed.
type speedLine struct {
	line  stat.Line
	speed station.MillimetresPerSecond
	runs  int
}

func (s speedLine) at(value, confidence float64) TunedStop {
	mean, low, high := s.line.Predict(value, confidence)
	return TunedStop{s.speed, s.runs, station.Millimetres(mean), station.Millimetres(low), station.Millimetres(high)}
}

// bySpeed is a line for each speed, from the slowest. Where a speed has too few stops for one it is the line of all speeds, and each is not shown.
func (ps points) bySpeed(t Trial, all stat.Line) (lines []speedLine, shown bool) {
	groups := map[groupKey]points{}
	for _, p := range ps {
		groups[p.key] = append(groups[p.key], p)
	}
	for _, g := range groups {
		line, err := g.line(t)
		if err != nil {
			return []speedLine{{all, ps.speed(), len(ps)}}, false
		}
		lines = append(lines, speedLine{line, g.speed(), len(g)})
	}
	slices.SortFunc(lines, func(a, b speedLine) int { return cmp.Compare(a.speed, b.speed) })
	return lines, true
}

// speed is the mean of those that were measured.
func (ps points) speed() (mean station.MillimetresPerSecond) {
	n := 0
	for _, p := range ps {
		if p.speed > 0 {
			mean += p.speed
			n++
		}
	}
	return mean / station.MillimetresPerSecond(max(n, 1))
}

// off is how far from the target the stop is with a value, at the speed at which it is farthest from it.
func off(speeds []speedLine, value uint8, target station.Millimetres) (worst station.Millimetres) {
	for _, s := range speeds {
		worst = max(worst, station.Millimetres(math.Abs(s.line.Intercept+s.line.Slope*float64(value)-float64(target))))
	}
	return worst
}

// nearestValue is the value with the least of that.
func nearestValue(speeds []speedLine, target float64) (best uint8) {
	for v := 1; v <= full; v++ {
		if off(speeds, uint8(v), station.Millimetres(target)) < off(speeds, best, station.Millimetres(target)) {
			best = uint8(v)
		}
	}
	return best
}
