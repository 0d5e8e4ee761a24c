package chart

import (
	"math"
	"math/rand/v2"
	"time"

	"fettle/station"
	"fettle/trial"
)

// quay is the trial of the tests: the night-mail engine 30 in quay section 2. Invented.
func quay() trial.Trial {
	return trial.Trial{
		Title:   "Night-mail engine 30, quay section 2",
		Vehicle: trial.Vehicle{Name: "Night-mail engine 30", Scale: 87.1},
		Section: station.Section{Length: 1800, Room: 1800},
		Wanted: trial.Wanted{Stop: 1400, Within: 40, Speeds: []station.MillimetresPerSecond{80, 160, 240},
			Confidence: 0.95, Share: 0.99},
		Runs: trial.Runs{Repeats: 4, Leads: []station.Lead{station.Front, station.Rear}, Against: 1, Seed: 7},
	}
}

// braked are the runs of a trial with a vehicle that stops after stop(v) mm, scattered, braking evenly with a gate at each of gates; against the
// section it runs on. Invented.
func braked(t trial.Trial, stop func(v float64) float64, scatter float64, gates ...float64) (runs []trial.Run) {
	random := rand.New(rand.NewPCG(t.Runs.Seed, 1))
	for _, lead := range t.Runs.Leads {
		for _, v := range t.Wanted.Speeds {
			for i := range t.Runs.Repeats + t.Runs.Against {
				speed := float64(v) * (1 + 0.01*random.NormFloat64())
				r := trial.Run{Number: len(runs) + 1, Lead: lead, Speed: station.MillimetresPerSecond(speed), Made: true}
				s := stop(speed) + scatter*random.NormFloat64()
				switch {
				case i >= t.Runs.Repeats:
					r.Way, r.Outcome = station.Against, trial.Ignored
				case s > float64(t.Section.Room):
					r.Outcome = trial.Overran
				default:
					r.Stop = station.Millimetres(math.Max(s, 0))
					r.Time = time.Duration(2 * s / speed * float64(time.Second))
					for _, x := range gates {
						if x < s {
							r.Gates = append(r.Gates, trial.Passing{At: station.Millimetres(x),
								Time: time.Duration(2 * s / speed * (1 - math.Sqrt(1-x/s)) * float64(time.Second))})
						}
					}
				}
				runs = append(runs, r)
			}
		}
	}
	return runs
}

// judged is a trial with its runs and what they show.
func judged(t trial.Trial, runs []trial.Run) Braking {
	return Braking{Trial: t, Runs: runs, Verdict: trial.Judge(t, runs)}
}

// constant is a stop at the target, whatever the speed.
func constant(float64) float64 { return 1400 }
