package trial

import (
	"fmt"
	"math"
	"math/rand/v2"
	"sort"
	"time"

	"fettle/station"
	"fettle/trial/stat"
)

// Plan gives the runs that the trial asks for, in an order drawn from its seed and numbered in that order: each speed or step with each
// lead, Repeats times with the section and Against times against it. The same trial has the same plan on every machine. Errors: a trial
// without speeds and steps, or without leads or repeats; one that [Parse] made has them.
func (t Trial) Plan() ([]Run, error) {
	speeds, against := max(len(t.Wanted.Speeds), len(t.Wanted.Steps)), t.Runs.Against
	if t.ofSpeed() {
		speeds, against = len(t.Speed.Steps), 0
	}
	n := speeds * len(t.Runs.Leads) * (t.Runs.Repeats + against)
	if n < 1 || n > maxRuns {
		return nil, fmt.Errorf("planning trial %q: found %d speeds or steps, %d leads, %d repeats; want at least one of each, and at most %d runs",
			t.Title, speeds, len(t.Runs.Leads), t.Runs.Repeats, maxRuns)
	}
	runs := make([]Run, 0, n)
	for i := range speeds {
		for _, lead := range t.Runs.Leads {
			r := Run{Lead: lead}
			switch {
			case t.ofSpeed():
				r.Step = t.Speed.Steps[i]
			case len(t.Wanted.Speeds) > 0:
				r.Speed = t.Wanted.Speeds[i]
			default:
				r.Step = t.Wanted.Steps[i]
			}
			for range t.Runs.Repeats {
				runs = append(runs, r)
			}
			r.Way = station.Against
			for range against {
				runs = append(runs, r)
			}
		}
	}
	draw := rand.New(rand.NewPCG(t.Runs.Seed, 0))
	draw.Shuffle(n, func(i, j int) { runs[i], runs[j] = runs[j], runs[i] })
	for i := range runs {
		runs[i].Number = i + 1
	}
	return runs, nil
}

// ofSpeed says that the trial is one of speed.
func (t Trial) ofSpeed() bool { return len(t.Speed.Steps) > 0 }

// power is the chance that [Trial.Needed] plans for: that the runs settle it, where the vehicle stops at its target.
const power = 0.8

// maxNeeded is the most repeats that Needed plans; a trial that needs more is not worth its evening.
const maxNeeded = 1000

// Needed is how many runs, those against the section with them, settle a trial of braking at a scatter, the standard deviation of stops
// from the same speed: with a chance of at least 0.8 a vehicle that stops on average at the target is found so. It is 0 where no number
// of up to 1000 repeats does: the scatter is too large for the tolerance or for the room.
//
// With g speeds and leads of n runs each, the scatter s is known with v = g (n - 1) degrees of freedom, and n is the least with
//
//	(t[1 - (1 - confidence)/2, v] + t[1 - (1 - 0.8)/(2 g), v]) s / sqrt(n) <= within
//	stop + k1(n, v, share, confidence) s <= room
//
// The first is the size of two one-sided tests of equivalence (Schuirmann 1987), at the confidence that the interval of each mean has in
// [Judge], with the chance of missing shared among the g by Bonferroni; the second has the mean at its target and the factor k1 of the
// one-sided tolerance bound.
func (t Trial) Needed(scatter station.Millimetres) int {
	w := t.Wanted
	groups := max(len(w.Speeds), len(w.Steps)) * len(t.Runs.Leads)
	if t.ofSpeed() || groups == 0 || !(scatter >= 0) {
		return 0
	}
	settles := func(n int) bool {
		degrees := groups * (n - 1)
		half := scatter * station.Millimetres((stat.TQuantile(w.Confidence, degrees)+stat.TQuantile(1-(1-power)/float64(groups), degrees))/math.Sqrt(float64(n)))
		return half <= w.Within && w.Stop+station.Millimetres(stat.ToleranceOneSided(n, degrees, w.Share, w.Confidence))*scatter <= t.room()
	}
	repeats := 2 + sort.Search(maxNeeded-1, func(more int) bool { return settles(2 + more) })
	if repeats > maxNeeded {
		return 0
	}
	return groups * (repeats + t.Runs.Against)
}

// Assumptions of Takes (common practice, no source).
const (
	approach  station.Millimetres = 1000             // run at speed before the trigger, and after a measured stretch
	placing                       = 30 * time.Second // put the vehicle back, look where it stopped, write it down
	lookingUp                     = 5 * time.Second  // in a trial of speed: to write down a time
	topSpeed                      = 100.0            // km/h to scale, at the highest step, for steps that were not measured yet
)

// Takes is how long the runs that are not made yet will take (common practice, no source). A run of a trial of braking is 1 m at its
// speed, the room at half of it, since it brakes, the way back at its speed, and 30 s for placing, looking and noting. A run of a trial
// of speed is 1 m, the stretch that is timed and 1 m more, and 5 s for noting; it is not brought back, since the next may run the other
// way. A step is taken to be its share of 100 km/h to scale.
func (t Trial) Takes(runs []Run) time.Duration {
	var seconds float64
	for _, r := range runs {
		if r.Made {
			continue
		}
		v := float64(r.Speed)
		if top := t.Vehicle.Steps.Top(); v <= 0 && top > 0 && t.Vehicle.Scale > 0 {
			v = float64(r.Step) / float64(top) * topSpeed / kmh(t.Vehicle.Scale)
		}
		if v <= 0 {
			continue
		}
		if t.ofSpeed() {
			seconds += float64(2*approach+t.Speed.Between+t.Speed.Lap)/v + lookingUp.Seconds()
			continue
		}
		room := float64(t.room())
		seconds += (float64(approach)+2*room+float64(approach)+room)/v + placing.Seconds()
	}
	return time.Duration(seconds * float64(time.Second)).Round(time.Second)
}

// kmh is how many km/h, to scale, 1 mm/s is: 0.31 at 1:87.1.
func kmh(scale float64) float64 { return scale * 3600 / 1e6 }
