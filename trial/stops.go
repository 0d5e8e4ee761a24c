package trial

import (
	"cmp"
	"math"
	"slices"

	"gonum.org/v1/gonum/stat/distuv"

	"fettle/station"
	"fettle/trial/stat"
)

// near is how far an entry speed may be from a wanted one, as a share of it, to count as a run at that speed (our choice).
const near = 0.15

// group is the runs with the section that entered alike: the same lead, the same speed.
type group struct {
	groupKey
	speed   station.MillimetresPerSecond // mean of the runs that have one; 0 where none has
	stops   []float64                    // of those that stopped, mm
	order   []float64                    // and their place in the order of runs
	overran int
	timed   int // runs with a speed
}

// groupKey says which runs belong together: wanted is a place among the wanted speeds or steps; a run that is near none of them is known by its
// step, or else by how many times 10 % its speed is above 1 mm/s.
type groupKey struct {
	lead   station.Lead
	wanted int // -1: none of them
	step   uint8
	bin    int
}

// grouped sorts the runs with the section that stopped or passed the room into groups: by lead, and the wanted ones from the slowest.
func grouped(t Trial, runs []Run) []group {
	index := map[groupKey]int{}
	var groups []group
	for i, r := range runs {
		if r.Way != station.With || r.Outcome > Overran {
			continue
		}
		key := keyOf(t.Wanted, r)
		at, ok := index[key]
		if !ok {
			at = len(groups)
			index[key] = at
			groups = append(groups, group{groupKey: key})
		}
		g := &groups[at]
		if r.Speed > 0 {
			g.speed += r.Speed
			g.timed++
		}
		if r.Outcome == Overran {
			g.overran++
			continue
		}
		g.stops = append(g.stops, float64(r.Stop))
		g.order = append(g.order, float64(i))
	}
	for i := range groups {
		if g := &groups[i]; g.timed > 0 {
			g.speed /= station.MillimetresPerSecond(g.timed)
		}
	}
	slices.SortFunc(groups, func(a, b group) int {
		return cmp.Or(cmp.Compare(a.lead, b.lead), cmp.Compare(b.wanted, a.wanted), cmp.Compare(a.step, b.step), cmp.Compare(a.bin, b.bin))
	})
	return groups
}

// keyOf is the group of a run.
func keyOf(w Wanted, r Run) groupKey {
	key := groupKey{lead: r.Lead, wanted: -1}
	if len(w.Speeds) == 0 && r.Step != 0 {
		key.wanted = slices.Index(w.Steps, r.Step)
	}
	best := math.Inf(1)
	for i, speed := range w.Speeds {
		if off := math.Abs(float64(r.Speed-speed)) / float64(speed); r.Speed > 0 && speed > 0 && off <= near && off < best {
			best, key.wanted = off, i
		}
	}
	switch {
	case key.wanted >= 0:
	case r.Step != 0:
		key.step = r.Step
	case r.Speed > 0:
		key.bin = 1 + int(math.Floor(math.Log(float64(r.Speed))/math.Log(1.1)))
	}
	return key
}

// pooled is the scatter within the groups.
func pooled(groups []group) Scatter {
	samples := make([][]float64, len(groups))
	for i, g := range groups {
		samples[i] = g.stops
	}
	sd, degrees := stat.Pooled(samples)
	return Scatter{Deviation: station.Millimetres(sd), Degrees: degrees}
}

// halfWidth is half the interval of a mean of n stops.
func (s Scatter) halfWidth(n int, confidence float64) station.Millimetres {
	return station.Millimetres(stat.TQuantile(confidence, s.Degrees) * float64(s.Deviation) / math.Sqrt(float64(n)))
}

// predicted is what is to be expected at each wanted speed and step, with each lead.
func predicted(t Trial, groups []group, scatter Scatter) []PredictedStop {
	var stops []PredictedStop
	for _, lead := range []station.Lead{station.Front, station.Rear} {
		for i := range max(len(t.Wanted.Speeds), len(t.Wanted.Steps)) {
			p := PredictedStop{Lead: lead}
			if i < len(t.Wanted.Speeds) {
				p.Wanted = t.Wanted.Speeds[i]
			} else if len(t.Wanted.Speeds) == 0 {
				p.Step = t.Wanted.Steps[i]
			} else {
				break
			}
			if at := slices.IndexFunc(groups, func(g group) bool { return g.lead == lead && g.wanted == i }); at >= 0 {
				p.from(t.Wanted, t.room(), groups[at], scatter)
			}
			stops = append(stops, p)
		}
	}
	slices.SortStableFunc(stops, func(a, b PredictedStop) int {
		return cmp.Or(cmp.Compare(a.Lead, b.Lead), cmp.Compare(a.Wanted, b.Wanted), cmp.Compare(a.Step, b.Step))
	})
	return stops
}

// from fills in what the runs of g say.
func (p *PredictedStop) from(w Wanted, room station.Millimetres, g group, scatter Scatter) {
	p.Speed, p.Stopped, p.Overran = g.speed, len(g.stops), g.overran
	if p.Stopped == 0 {
		return
	}
	p.Stop = station.Millimetres(mean(g.stops))
	p.Low, p.High = p.Stop, p.Stop
	if scatter.Degrees == 0 {
		return
	}
	half := scatter.halfWidth(p.Stopped, w.Confidence)
	p.Low, p.High = p.Stop-half, p.Stop+half
	near, far := w.Stop-w.Within, w.Stop+w.Within
	switch {
	case p.High < near || p.Low > far:
		p.OnTarget = No
	case p.Overran > 0 && room >= far:
		p.OnTarget = No // it was seen to run farther than that
	case p.Overran == 0 && p.Low >= near && p.High <= far:
		p.OnTarget = Yes
	}
}

// Counts says whether a run is one that the stop rests on, or that passed the room there; w is what the trial wants.
func (p PredictedStop) Counts(w Wanted, r Run) bool {
	if !r.Made || r.Lead != p.Lead || r.Way != station.With || r.Outcome > Overran {
		return false
	}
	key := keyOf(w, r)
	switch {
	case key.wanted < 0:
		return false
	case len(w.Speeds) > 0:
		return w.Speeds[key.wanted] == p.Wanted
	}
	return w.Steps[key.wanted] == p.Step
}

// onTarget is the answer for all wanted speeds at once: yes where each says yes (an intersection-union test, each part of it two one-sided ones:
// Schuirmann 1987), no where one says no.
func onTarget(stops []PredictedStop) Answer {
	all := len(stops) > 0
	for _, p := range stops {
		if p.OnTarget == No {
			return No
		}
		all = all && p.OnTarget == Yes
	}
	if all {
		return Yes
	}
	return Undecided
}

// constancy says whether there is a target that the vehicle would meet at every wanted speed, each lead by itself: whether no two of its stops
// are farther apart than twice the tolerance. A lead with which it never stops says nothing. Where the stops leave it open, for want of repeats,
// the law may still say no.
func constancy(stops []PredictedStop, l Law, w Wanted, scatter Scatter) Answer {
	answer := constancyOfStops(stops, w, scatter)
	if answer == Undecided && l.Known && l.Stopped >= 4 {
		_, slowLow, slowHigh := l.At(l.Slowest)
		_, fastLow, fastHigh := l.At(l.Fastest)
		if max(fastLow-slowHigh, slowLow-fastHigh) > 2*w.Within {
			return No
		}
	}
	return answer
}

// constancyOfStops is what the stops at each wanted speed say by themselves.
func constancyOfStops(stops []PredictedStop, w Wanted, scatter Scatter) Answer {
	answer, seen := Yes, false
	for _, lead := range []station.Lead{station.Front, station.Rear} {
		var these []PredictedStop
		whole := true
		for _, p := range stops {
			if p.Lead == lead {
				whole = whole && p.Stopped > 0 && p.Overran == 0
				if p.Stopped > 0 {
					these = append(these, p)
				}
			}
		}
		if len(these) == 0 {
			continue
		}
		seen = true
		if !whole || len(these) < 2 || scatter.Degrees == 0 {
			answer = Undecided
		}
		if scatter.Degrees == 0 {
			continue
		}
		for i, a := range these {
			for _, b := range these[:i] {
				apart := station.Millimetres(math.Abs(float64(a.Stop - b.Stop)))
				half := scatter.halfWidth(1, w.Confidence) * station.Millimetres(math.Sqrt(1/float64(a.Stopped)+1/float64(b.Stopped)))
				if apart-half > 2*w.Within {
					return No
				}
				if apart+half > 2*w.Within {
					answer = Undecided
				}
			}
		}
	}
	if !seen {
		return Undecided
	}
	return answer
}

// bound is before which place the wanted share of stops ends: the farthest of those at each wanted speed and lead. Of a vehicle that passed the room
// at one of them it is not known.
func bound(t Trial, stops []PredictedStop, scatter Scatter) Bound {
	b := Bound{Share: t.Wanted.Share, Confidence: t.Wanted.Confidence}
	if scatter.Degrees == 0 || slices.ContainsFunc(stops, func(p PredictedStop) bool { return p.Overran > 0 }) {
		return b
	}
	b.At = farthest(stops, scatter, b.Share, b.Confidence)
	switch room := t.room(); {
	case b.At <= 0 || room <= 0:
	case b.At <= room:
		b.WithinRoom = Yes
	case farthest(stops, scatter, b.Share, 1-b.Confidence) > room: // with the same confidence that share ends beyond it
		b.WithinRoom = No
	}
	return b
}

// farthest is the place before which the share of stops ends, at each wanted speed and lead; 0 where there is none.
func farthest(stops []PredictedStop, scatter Scatter, share, confidence float64) (at station.Millimetres) {
	factors := map[int]float64{} // by how many stops the mean is of
	for _, p := range stops {
		if p.Stopped == 0 {
			continue
		}
		k, ok := factors[p.Stopped]
		if !ok {
			k = stat.ToleranceOneSided(p.Stopped, scatter.Degrees, share, confidence)
			factors[p.Stopped] = k
		}
		at = max(at, p.Stop+station.Millimetres(k)*scatter.Deviation)
	}
	return at
}

// room is the length to the place that must not be passed; the section's where the file says no other.
func (t Trial) room() station.Millimetres {
	if t.Section.Room > 0 {
		return t.Section.Room
	}
	return t.Section.Length
}

// leadDifference compares the leads at each speed that both have runs at.
func leadDifference(groups []group, scatter Scatter) LeadDifference {
	var by, weights float64
	for i, front := range groups {
		if front.lead != station.Front || len(front.stops) == 0 {
			continue
		}
		for _, rear := range groups[i+1:] {
			key := rear.groupKey
			key.lead = station.Front
			if key != front.groupKey || len(rear.stops) == 0 {
				continue
			}
			n, m := float64(len(front.stops)), float64(len(rear.stops))
			weight := n * m / (n + m)
			by += weight * (mean(rear.stops) - mean(front.stops))
			weights += weight
		}
	}
	if weights == 0 || scatter.Degrees == 0 {
		return LeadDifference{}
	}
	half := station.Millimetres(stat.TQuantile(0.99, scatter.Degrees) * float64(scatter.Deviation) / math.Sqrt(weights))
	d := LeadDifference{Known: true, By: station.Millimetres(by / weights)}
	d.Low, d.High = d.By-half, d.By+half
	return d
}

// drift compares how far each stop is from the mean of its group with how far it is, in the order of runs, from the middle of them: the slope of
// least squares with a mean for each group, and the t test of it.
func drift(groups []group) Drift {
	var xx, xy, yy float64
	d := Drift{Chance: 1}
	free := -1
	first, last := math.Inf(1), math.Inf(-1)
	for _, g := range groups {
		if len(g.stops) < 2 {
			continue
		}
		d.Runs += len(g.stops)
		free += len(g.stops) - 1
		mx, my := mean(g.order), mean(g.stops)
		for i := range g.stops {
			x, y := g.order[i]-mx, g.stops[i]-my
			xx, xy, yy = xx+x*x, xy+x*y, yy+y*y
			first, last = min(first, g.order[i]), max(last, g.order[i])
		}
	}
	if free < 3 || xx == 0 || yy == 0 {
		return d
	}
	d.FirstToLast = station.Millimetres(xy / xx * (last - first))
	if left := 1 - xy/xx*xy/yy; left > 0 {
		t := math.Abs(xy) / math.Sqrt(xx*yy) * math.Sqrt(float64(free)/left)
		d.Chance = 2 * distuv.StudentsT{Sigma: 1, Nu: float64(free)}.Survival(t)
	} else {
		d.Chance = 0
	}
	return d
}

// mean is the arithmetic mean; values is not empty.
func mean(values []float64) float64 {
	var sum float64
	for _, v := range values {
		sum += v
	}
	return sum / float64(len(values))
}
