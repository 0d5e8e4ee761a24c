package trial

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"fettle/station"
)

// Judge says what the runs of a trial of braking show: fit, unfit, or that they don't settle it. Runs that were not made, or say nothing that
// can be used, count for nothing. It never says fit unless both leads were tried both ways, the stops at each wanted speed were repeated, and the
// whole interval of each is within the tolerance.
func Judge(t Trial, runs []Run) Verdict {
	if c := t.Wanted.Confidence; !(c > 0 && c < 1) {
		t.Wanted.Confidence = 0.95
	}
	if s := t.Wanted.Share; !(s > 0 && s < 1) {
		t.Wanted.Share = 0.99
	}
	runs = usable(runs)

	var v Verdict
	v.Response, v.Notes = respond(count(runs), t.Section.Higher)
	groups := grouped(t, runs)
	v.Scatter = pooled(groups)
	v.Stops = predicted(t, groups, v.Scatter)
	v.OnTarget = onTarget(v.Stops)
	v.Law = lawOf(t, runs)
	v.ConstantDistance = constancy(v.Stops, v.Law, t.Wanted, v.Scatter)
	v.Holds = v.Law.holds(t.Wanted)
	v.Bound = bound(t, v.Stops, v.Scatter)
	v.Leads = leadDifference(groups, v.Scatter)
	v.Drift = drift(groups)
	v.Brakes = v.brakes(groups, t.Wanted)
	v.spread(runs)
	v.notes(runs)

	v.conclude(t, faults(v, t, runs, groups), gaps(v, t, runs, groups))
	return v
}

// usable are the runs that were made, in order, with what can't be true of a run taken out.
func usable(runs []Run) []Run {
	made := make([]Run, 0, len(runs))
	for _, r := range runs {
		if !r.Made || r.Lead > station.Rear || r.Way > station.Against || r.Outcome > Ignored {
			continue
		}
		if !(r.Speed > 0) || math.IsInf(float64(r.Speed), 0) {
			r.Speed = 0
		}
		if r.Outcome == Stopped && (!(r.Stop >= 0) || math.IsInf(float64(r.Stop), 0)) {
			continue
		}
		made = append(made, r)
	}
	slices.SortStableFunc(made, func(a, b Run) int { return cmp.Compare(a.Number, b.Number) })
	return made
}

// count sorts the runs into the four cases, by lead and way.
func count(runs []Run) (cases [2][2]Case) {
	for _, r := range runs {
		c := &cases[r.Lead][r.Way]
		switch r.Outcome {
		case Stopped:
			c.Stopped++
		case Overran:
			c.Overran++
		case Slowed:
			c.Slowed++
		case Ignored:
			c.Ignored++
		}
	}
	return cases
}

// brakes says how it brakes.
func (v *Verdict) brakes(groups []group, w Wanted) Brakes {
	var with Case
	for _, lead := range []station.Lead{station.Front, station.Rear} {
		c := v.Response.Case(lead, station.With)
		with.Stopped += c.Stopped
		with.Overran += c.Overran
		with.Slowed += c.Slowed
		with.Ignored += c.Ignored
	}
	switch {
	case with.Reaction() == RunsOn:
		return BrakesNot
	case v.ConstantDistance == Yes:
		return BrakesDistance
	case stopsAtOnceWhenSlow(groups, w.Within):
		return BrakesEmergency
	}
	if speedsTried(groups) < 3 {
		return BrakesUndecided
	}
	return brakesBy(v.Law)
}

// spread says by which pattern it brakes, where the distance is constant.
func (v *Verdict) spread(runs []Run) {
	switch {
	case v.ConstantDistance == No || v.Brakes == BrakesNot:
		v.Pattern = PatternNone
		return
	case v.ConstantDistance == Undecided:
		return
	}
	v.Patterns = patterns(runs)
	var open string
	if v.Pattern, open = tell(v.Patterns, runs); open != "" {
		v.Notes = append(v.Notes, open)
	}
}

// notes says what else the runs show.
func (v *Verdict) notes(runs []Run) {
	speedless := 0
	for _, r := range runs {
		if r.Way == station.With && r.Outcome <= Overran && r.Speed == 0 {
			speedless++
		}
	}
	if speedless > 0 {
		v.Notes = append(v.Notes, fmt.Sprintf("%d of %d runs have no entry speed, and no part in the law: time them between two gates", speedless, len(runs)))
	}
	if d := v.Drift; d.Seen() {
		v.Notes = append(v.Notes, fmt.Sprintf("the stops drift with the order of the runs, by %+.0f mm from the first to the last: a motor that warms or wheels that take up dirt; "+
			"warm it up and clean before the trial", float64(d.FirstToLast)))
	}
	if d := v.Leads; d.Seen() {
		farther := station.Rear
		if d.By < 0 {
			farther = station.Front
		}
		v.Notes = append(v.Notes, fmt.Sprintf("with its %s leading it stops %.0f mm farther on (%.0f to %.0f)", farther, math.Abs(float64(d.By)),
			min(math.Abs(float64(d.Low)), math.Abs(float64(d.High))), max(math.Abs(float64(d.Low)), math.Abs(float64(d.High)))))
	}
}
