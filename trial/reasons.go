package trial

import (
	"fmt"
	"math"
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
		more := runsInWords(v.MoreRuns) + " more"
		if missing.more {
			more += ", other speeds than those that the trial asks for among them,"
		}
		switch {
		case missing.hardly || v.MoreRuns == 0:
		case v.Scatter.Degrees > 0:
			v.Sentence += fmt.Sprintf(" %s would settle it, if stops scatter as they did.", more)
		default:
			v.Sentence += fmt.Sprintf(" It takes at least %s.", strings.TrimSuffix(more, ","))
		}
	default:
		v.Fitness = Fit
		low, high := v.span()
		v.Sentence = fmt.Sprintf("Fit: it stops with the section from every wanted speed, either end leading, within %.0f mm of %s, and runs on against it.",
			max(math.Abs(float64(low-t.Wanted.Stop)), math.Abs(float64(high-t.Wanted.Stop))), t.Wanted.Stop)
		v.Reasons = []string{
			fmt.Sprintf("at each wanted speed and lead the mean stop is between %.0f and %s: within %.0f mm of %s", float64(low), high, float64(t.Wanted.Within), t.Wanted.Stop),
			"how it brakes: " + v.inWords(),
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
	s += ", exponent " + v.Law.String()
	if m := v.Law.Motion; v.Brakes == BrakesOtherwise && m.Known && m.Deceleration > 0 && m.AICc < v.Law.AICc {
		s += fmt.Sprintf("; rather %.1f s of delay, then a deceleration of %.0f mm/s²", m.Response.Seconds(), float64(m.Deceleration))
	}
	return s
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
func runsInWords(n int) string { return counted(n, "run") }

// counted is how many: "1 run", "2 runs".
func counted(n int, noun string) string {
	if n == 1 {
		return "1 " + noun
	}
	return fmt.Sprintf("%d %ss", n, noun)
}
