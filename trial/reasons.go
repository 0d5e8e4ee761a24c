package trial

import (
	"fmt"
	"math"
	"sort"
	"strings"

	"fettle/station"
)

// conclude makes the verdict out of what speaks against the vehicle, and of what is not shown yet.
func (v *Verdict) conclude(t Trial, faults []string, missing missing) {
	switch {
	case len(faults) > 0:
		v.Fitness, v.Reasons = Unfit, faults
		v.Sentence = "Unfit: " + faults[0] + "."
		if v.settingAlone(t.Wanted) {
			worst, _ := v.outside(t.Wanted)
			v.Sentence = fmt.Sprintf("Unfit as it is set: it brakes over a constant distance, but ends %s %s the target. Tune the distance.",
				station.Millimetres(math.Abs(float64(worst.Stop-t.Wanted.Stop))), worst.side(t.Wanted))
		}
		v.Response.each(func(lead station.Lead, way station.Way, c Case) {
			if c.Reaction() == Untried {
				v.Notes = append(v.Notes, fmt.Sprintf("not tried: %s the section, %s leading", way, lead))
			}
		})
	case len(missing.reasons) > 0:
		v.Fitness, v.Reasons, v.MoreRuns = MoreRuns, missing.reasons, missing.runs
		v.Sentence = "Not enough runs: " + missing.reasons[0] + "."
		switch {
		case missing.hardly || v.MoreRuns == 0:
		case v.Scatter.Degrees > 0:
			v.Sentence += fmt.Sprintf(" %s more would settle it, if stops scatter as they did.", runsInWords(v.MoreRuns))
		default:
			v.Sentence += fmt.Sprintf(" At least %s more.", runsInWords(v.MoreRuns))
		}
	default:
		v.Fitness = Fit
		low, high := v.span()
		v.Sentence = fmt.Sprintf("Fit: it stops with the section from every wanted speed, either end leading, within %.0f mm of %s, and runs on against it.",
			max(math.Abs(float64(low-t.Wanted.Stop)), math.Abs(float64(high-t.Wanted.Stop))), t.Wanted.Stop)
		v.Reasons = []string{
			fmt.Sprintf("at each wanted speed and lead the mean stop is between %.0f and %s: within %.0f mm of %s", float64(low), high, float64(t.Wanted.Within), t.Wanted.Stop),
			"the distance is constant: " + v.inWords(),
			fmt.Sprintf("%s end before %s; the room is %s", share(v.Bound.Share), v.Bound.At, t.room()),
			fmt.Sprintf("it stopped in all %d runs with the section, and in none of %d against it",
				v.Response.Case(station.Front, station.With).Runs()+v.Response.Case(station.Rear, station.With).Runs(),
				v.Response.Case(station.Front, station.Against).Runs()+v.Response.Case(station.Rear, station.Against).Runs()),
		}
	}
}

// settingAlone says that nothing is wrong but the place to which it brakes, so that another setting of the distance may make it fit.
func (v *Verdict) settingAlone(w Wanted) bool {
	least, most := station.Millimetres(math.Inf(1)), station.Millimetres(0)
	for _, p := range v.Stops {
		least, most = min(least, p.Stop), max(most, p.Stop)
	}
	return v.ConstantDistance == Yes && v.Response.Senses == SensesTravel && !v.Response.Mirror && v.OnTarget == No && v.Bound.WithinRoom == Yes &&
		most-least <= 2*w.Within
}

// outside is the stop that is farthest from the target of those that are wholly outside the tolerance, and how many are.
func (v *Verdict) outside(w Wanted) (worst PredictedStop, n int) {
	for _, p := range v.Stops {
		if p.OnTarget != No || p.Overran > 0 {
			continue
		}
		n++
		if worst.Stopped == 0 || math.Abs(float64(p.Stop-w.Stop)) > math.Abs(float64(worst.Stop-w.Stop)) {
			worst = p
		}
	}
	return worst, n
}

// side says on which side of the target it is.
func (p PredictedStop) side(w Wanted) string {
	if p.Stop < w.Stop {
		return "short of"
	}
	return "beyond"
}

// span is the least and the greatest that the intervals of the stops reach.
func (v *Verdict) span() (low, high station.Millimetres) {
	low = station.Millimetres(math.Inf(1))
	for _, p := range v.Stops {
		low, high = min(low, p.Low), max(high, p.High)
	}
	return low, high
}

// faults are what these runs prove against the vehicle, the weightiest first.
func faults(v Verdict, t Trial, runs []Run, groups []group) (reasons []string) {
	if v.Response.Senses == SensesNothing {
		reasons = append(reasons, "it senses nothing of the section")
	}
	reasons = append(reasons, responseFaults(v.Response, runs)...)
	if overran, of := overruns(t, groups); overran > 0 {
		reasons = append(reasons, fmt.Sprintf("it passes the %s of room in %d of %d runs with the section", t.room(), overran, of))
	}
	if v.ConstantDistance == No {
		reasons = append(reasons, "its stop depends on its speed: "+v.inWords())
	}
	if worst, outside := v.outside(t.Wanted); outside > 0 {
		reasons = append(reasons, fmt.Sprintf("%s leading, %s it stops at %s, %s %s ± %.0f mm; it is outside in %d of %d cases of speed and lead",
			worst.Lead, worst.where(), worst.between(), worst.side(t.Wanted), t.Wanted.Stop, float64(t.Wanted.Within), outside, len(v.Stops)))
	}
	if v.Bound.WithinRoom == No {
		reasons = append(reasons, fmt.Sprintf("its stops scatter by %.1f mm: that %s end within the %s of room is out of the question",
			float64(v.Scatter.Deviation), share(v.Bound.Share), t.room()))
	}
	return reasons
}

// responseFaults is where it does not stop with the section, or does not run on against it.
func responseFaults(r Response, runs []Run) (reasons []string) {
	r.each(func(lead station.Lead, way station.Way, c Case) {
		fails := func(o Outcome) bool { return o == Ignored || o == Slowed }
		failed, all := c.Ignored+c.Slowed, "it does not stop with the section"
		if way == station.Against {
			// One that passed the room against the section may have braked, or may not.
			fails = func(o Outcome) bool { return o == Stopped || o == Slowed }
			failed, all = c.Stopped+c.Slowed, "it does not run on against the section"
		}
		switch failed {
		case 0:
		case c.Runs():
			reasons = append(reasons, fmt.Sprintf("%s leading, %s: %s", lead, all, c))
		default:
			reasons = append(reasons, fmt.Sprintf("%s leading, %s: %s (%s)", lead, strings.Replace(all, "does not", "does not always", 1), c,
				numbers(runs, func(run Run) bool { return run.Lead == lead && run.Way == way && fails(run.Outcome) })))
		}
	})
	return reasons
}

// overruns counts the runs with the section that passed the room, at a speed that the layout uses.
func overruns(t Trial, groups []group) (overran, of int) {
	var fastest station.MillimetresPerSecond
	for _, v := range t.Wanted.Speeds {
		fastest = max(fastest, v)
	}
	for _, g := range groups {
		if g.wanted < 0 && fastest > 0 && g.speed > fastest {
			continue
		}
		overran += g.overran
		of += g.overran + len(g.stops)
	}
	return overran, of
}

// inWords says how it brakes: "constant deceleration, exponent 2.01 (1.99 to 2.03)".
func (v *Verdict) inWords() string {
	s := v.Brakes.String()
	if v.Brakes == BrakesUndecided {
		s = "how it brakes is open"
	}
	if !v.Law.Known || v.Brakes == BrakesEmergency {
		return s // which no exponent describes
	}
	s += fmt.Sprintf(", exponent %.2f (%.2f to %.2f)", v.Law.Exponent, v.Law.Low, v.Law.High)
	if m := v.Law.Motion; v.Brakes == BrakesOtherwise && m.Known && m.Deceleration > 0 && m.AICc < v.Law.AICc {
		s += fmt.Sprintf("; rather %.1f s of delay, then a deceleration of %.0f mm/s²", m.Response.Seconds(), float64(m.Deceleration))
	}
	return s
}

// missing is what has to be shown before a vehicle is called fit, and how many runs would show it.
type missing struct {
	reasons []string
	runs    int
	hardly  bool // so many that it is no use
}

func (m *missing) add(format string, args ...any) {
	m.reasons = append(m.reasons, fmt.Sprintf(format, args...))
}

// gaps is what these runs leave open.
func gaps(v Verdict, t Trial, runs []Run, groups []group) (m missing) {
	if len(runs) == 0 {
		m.add("no run was made")
	}
	for _, lead := range []station.Lead{station.Front, station.Rear} {
		if len(runs) > 0 && v.Response.Case(lead, station.With).Runs() == 0 {
			m.add("none was made with the section and its %s leading", lead)
		}
		if v.Response.Case(lead, station.Against).Ignored == 0 {
			if len(runs) > 0 {
				m.add("none shows that it runs on against the section with its %s leading", lead)
			}
			m.runs++
		}
	}
	speeds := speedsTried(groups)
	if len(runs) > 0 && speeds < 3 {
		m.add("it was tried at %s; three at least show how the stop depends on the speed", [...]string{"no known entry speed", "one entry speed only", "two entry speeds only"}[speeds])
	} else if len(runs) > 0 && !v.Law.Known {
		m.add("the runs tell no law of the stop and the speed")
	}
	if n := strays(v, t, runs); n > 0 && v.OnTarget == Yes {
		m.add("%s without an entry speed ended elsewhere than those with one: take their speeds, or make them again", runsInWords(n))
		m.runs += n
	}
	unseen := 0
	var first PredictedStop
	for _, p := range v.Stops {
		if p.Stopped == 0 {
			if unseen == 0 {
				first = p
			}
			unseen++
		}
	}
	switch {
	case len(v.Stops) == 0:
		m.add("the trial wants no speed")
	case len(runs) == 0:
	case unseen == 1:
		m.add("no stop was seen with its %s leading %s", first.Lead, first.where())
	case unseen > 1:
		m.add("no stop was seen in %d of %d cases of speed and lead: with its %s leading %s, for one", unseen, len(v.Stops), first.Lead, first.where())
	}
	still := false
	switch {
	case len(runs) == 0:
	case v.Scatter.Degrees == 0:
		m.add("no run was repeated at the same speed and lead, so that the scatter is not known")
	case v.Scatter.Deviation < 1e-6:
		still = true
		m.add("all stops at the same speed and lead are the same to the last figure, as none measured one by one are: measure each to the millimetre")
	default:
		m.undecided(v, t)
	}
	if t.room() <= 0 {
		m.add("the trial does not say how much room there is")
	}
	if len(m.reasons) > 0 {
		m.count(v, t, speeds, still)
	}
	return m
}

// undecided is where intervals lie across an edge.
func (m *missing) undecided(v Verdict, t Trial) {
	var widest PredictedStop
	open := 0
	for _, p := range v.Stops {
		if p.Stopped > 0 && p.OnTarget == Undecided {
			open++
			if widest.Stopped == 0 || p.High-p.Low > widest.High-widest.Low {
				widest = p
			}
		}
	}
	if open > 0 {
		m.add("%s leading, %s the mean stop is somewhere between %.0f and %s: neither surely inside %s ± %.0f mm nor surely outside; so in %d of %d cases of speed and lead",
			widest.Lead, widest.where(), float64(widest.Low), widest.High, t.Wanted.Stop, float64(t.Wanted.Within), open, len(v.Stops))
	}
	if v.Bound.WithinRoom == Undecided && v.Bound.At > 0 && t.room() > 0 {
		m.add("%s end before %s by these runs, and the room is %s", share(v.Bound.Share), v.Bound.At, t.room())
	}
}

// most is the number of repeats beyond which it is no use to go on.
const most = 500

// count works out how many runs would close the gaps: repeats so many that each interval would be clear of the edges, were the means and the
// scatter to stay as they are.
func (m *missing) count(v Verdict, t Trial, speeds int, still bool) {
	repeats := 2
	if v.Scatter.Degrees > 0 && !still {
		repeats += sort.Search(most-repeats, func(more int) bool { return v.settled(t, repeats+more) })
	}
	if repeats == most {
		m.hardly = true
		m.add("its stops lie so near an edge that more runs hardly settle it: move the target, or allow it more")
	}
	fresh := map[PredictedStop]bool{}
	for _, p := range v.Stops {
		has := p.Stopped
		if still {
			has = 0
		}
		m.runs += max(0, repeats-has)
		if p.Stopped == 0 {
			fresh[PredictedStop{Wanted: p.Wanted, Step: p.Step}] = true
		}
	}
	m.runs += max(0, 3-speeds-len(fresh)) * 2 * repeats
}

// settled says whether the intervals would be clear of the edges with so many stops at each speed and lead.
func (v *Verdict) settled(t Trial, repeats int) bool {
	scatter := v.Scatter
	scatter.Degrees = 0
	for _, p := range v.Stops {
		scatter.Degrees += max(p.Stopped, repeats) - 1
	}
	for _, p := range v.Stops {
		if p.Stopped > 0 && p.OnTarget != Undecided {
			continue
		}
		room := t.Wanted.Within // to the nearest edge; of a stop that was not seen, as if it were on the target
		if p.Stopped > 0 {
			room = station.Millimetres(math.Abs(float64(t.Wanted.Within) - math.Abs(float64(p.Stop-t.Wanted.Stop))))
		}
		if scatter.halfWidth(max(p.Stopped, repeats), t.Wanted.Confidence) > room {
			return false
		}
	}
	if v.Bound.WithinRoom != Undecided || v.Bound.At == 0 {
		return true
	}
	stops := make([]PredictedStop, len(v.Stops))
	for i, p := range v.Stops {
		if p.Stopped > 0 {
			p.Stopped = max(p.Stopped, repeats)
		}
		stops[i] = p
	}
	return bound(t, stops, scatter).WithinRoom != Undecided
}

// speedsTried is at how many entry speeds it stopped or passed the room, either end leading.
func speedsTried(groups []group) int {
	seen := map[groupKey]bool{}
	for _, g := range groups {
		if g.timed > 0 {
			key := g.groupKey
			key.lead = station.Front
			seen[key] = true
		}
	}
	return len(seen)
}

// strays counts the stops without an entry speed, of those that are judged by it, that are clear of the tolerance: they count for no speed, and yet
// are none of those that were shown to keep to it.
func strays(v Verdict, t Trial, runs []Run) (n int) {
	reach := t.Wanted.Within + 3*v.Scatter.Deviation
	for _, r := range runs {
		if unplaced(t, r) && (r.Stop < t.Wanted.Stop-reach || r.Stop > t.Wanted.Stop+reach) {
			n++
		}
	}
	return n
}

// unplaced says that a run stopped at no known speed, so that it has no part but in the response.
func unplaced(t Trial, r Run) bool {
	return r.Way == station.With && r.Outcome == Stopped && r.Speed == 0 && (len(t.Wanted.Speeds) > 0 || r.Step == 0)
}

// where names the speed: "at 160 mm/s", "at step 10 (157 mm/s)".
func (p PredictedStop) where() string {
	switch {
	case p.Step == 0:
		return "at " + p.Wanted.String()
	case p.Speed > 0:
		return fmt.Sprintf("at step %d (%s)", p.Step, p.Speed)
	}
	return fmt.Sprintf("at step %d", p.Step)
}

// between is the stop with its interval: "1391 mm (1388 to 1394)".
func (p PredictedStop) between() string {
	if p.Low == p.High {
		return p.Stop.String()
	}
	return fmt.Sprintf("%s (%.0f to %.0f)", p.Stop, float64(p.Low), float64(p.High))
}

// share is a share of stops in words: "99 stops in 100".
func share(s float64) string {
	for _, of := range []float64{10, 100, 1000} {
		if n := s * of; math.Abs(n-math.Round(n)) < 1e-9 {
			return fmt.Sprintf("%.0f stops in %.0f", n, of)
		}
	}
	return fmt.Sprintf("%.4g %% of stops", 100*s)
}

// numbers names the runs that a rule picks: "run 7", "runs 3, 9, 12 and 4 more".
func numbers(runs []Run, pick func(Run) bool) string {
	var which []string
	more := 0
	for _, r := range runs {
		switch {
		case !pick(r):
		case len(which) < 5:
			which = append(which, fmt.Sprint(r.Number))
		default:
			more++
		}
	}
	s := "run " + strings.Join(which, ", ")
	if len(which) > 1 {
		s = "runs " + strings.Join(which, ", ")
	}
	if more > 0 {
		s += fmt.Sprintf(" and %d more", more)
	}
	return s
}

// runsInWords is a number of runs: "1 run", "12 runs".
func runsInWords(n int) string {
	if n == 1 {
		return "1 run"
	}
	return fmt.Sprintf("%d runs", n)
}
