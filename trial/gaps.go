package trial

import (
	"fmt"
	"math"
	"sort"

	"fettle/station"
)

// missing is what has to be shown before a vehicle is called fit, and how many runs would show it.
type missing struct {
	reasons []string
	runs    int
	hardly  bool // so many that it is no use
	more    bool // some of them at speeds that the trial does not ask for
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
		m.more = len(t.Wanted.Speeds)+len(t.Wanted.Steps) < 3
		words := "it was tried at " + [...]string{"no known entry speed", "one entry speed only", "two entry speeds only"}[speeds] +
			"; three at least show how the stop depends on the speed"
		if m.more {
			words += ", and the trial file asks for fewer: give it more"
		}
		m.add("%s", words)
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
