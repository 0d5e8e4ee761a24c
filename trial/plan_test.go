package trial

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"fettle/station"
)

func TestAPlanHasEachSpeedWithEachLeadBothWays(t *testing.T) {
	tr := sampleTrial(t, "night-mail-30.toml")
	runs, err := tr.Plan()
	if err != nil {
		t.Fatal(err)
	}
	type kind struct {
		lead  station.Lead
		way   station.Way
		speed station.MillimetresPerSecond
	}
	count := map[kind]int{}
	for i, r := range runs {
		if r.Number != i+1 || r.Made {
			t.Errorf("run %d in place %d, made %v", r.Number, i+1, r.Made)
		}
		count[kind{r.Lead, r.Way, r.Speed}]++
	}
	for _, speed := range tr.Wanted.Speeds {
		for _, lead := range tr.Runs.Leads {
			if n := count[kind{lead, station.With, speed}]; n != 4 {
				t.Errorf("%v %v: %d with", lead, speed, n)
			}
			if n := count[kind{lead, station.Against, speed}]; n != 1 {
				t.Errorf("%v %v: %d against", lead, speed, n)
			}
		}
	}
	if len(runs) != 30 {
		t.Errorf("%d runs", len(runs))
	}
}

func TestTheOrderOfAPlanIsTheSeedsAndTheSameEverywhere(t *testing.T) {
	order := func(seed uint64) string {
		tr := sampleTrial(t, "night-mail-30-speed.toml")
		tr.Runs.Seed = seed
		runs, err := tr.Plan()
		if err != nil {
			t.Fatal(err)
		}
		return string(AppendRuns(nil, runs))
	}
	if seven := order(7); order(7) != seven || order(8) == seven {
		t.Error("the order is not that of the seed")
	}
	if want := strings.Join(columns, ",") + "\n1,rear,with,8,,,,,,\n2,front,with,4,,,,,,\n3,front,with,14,,,,,,\n4,rear,with,8,,,,,,\n"; !strings.HasPrefix(order(7), want) {
		t.Errorf("another order than on the machine on which this was written:\n%s", order(7))
	}
}

func TestATrialOfNothingHasNoPlan(t *testing.T) {
	if runs, err := (Trial{}).Plan(); err == nil {
		t.Errorf("%d runs", len(runs))
	}
}

// The promise of Needed, by simulation: of trials of so many runs, of a vehicle that stops on average at the target, at least 0.8 settle that each mean is
// within the tolerance, and of trials of half as many far fewer do.
func TestNeededRunsSettleTheTolerance(t *testing.T) {
	tr := sampleTrial(t, "night-mail-30.toml")
	tr.Wanted.Within = 20
	const scatter = 25
	groups := len(tr.Wanted.Speeds) * len(tr.Runs.Leads)
	repeats := tr.Needed(scatter)/groups - tr.Runs.Against
	draw := rand.New(rand.NewPCG(6, 1))
	settled := func(repeats int) float64 {
		const trials = 2000
		n := 0
		for range trials {
			var means []float64
			var squares float64
			for range groups {
				stops := make([]float64, repeats)
				for i := range stops {
					stops[i] = scatter * draw.NormFloat64()
				}
				m := mean(stops)
				means = append(means, m)
				for _, s := range stops {
					squares += (s - m) * (s - m)
				}
			}
			degrees := groups * (repeats - 1)
			half := float64(Scatter{station.Millimetres(math.Sqrt(squares / float64(degrees))), degrees}.halfWidth(repeats, tr.Wanted.Confidence))
			all := true
			for _, m := range means {
				all = all && math.Abs(m)+half <= float64(tr.Wanted.Within)
			}
			if all {
				n++
			}
		}
		return float64(n) / trials
	}
	at, fewer := settled(repeats), settled(repeats/2)
	t.Logf("%d repeats: %.3f settled; %d: %.3f", repeats, at, repeats/2, fewer)
	if at < 0.78 || at > 0.92 || fewer > 0.3 {
		t.Errorf("%d repeats settle %.3f of trials, %d settle %.3f; want 0.8 and a little more, and far fewer", repeats, at, repeats/2, fewer)
	}
}

func TestNeededGrowsWithScatterUntilNoNumberDoes(t *testing.T) {
	tr := sampleTrial(t, "night-mail-30.toml")
	last := 0
	for _, scatter := range []station.Millimetres{0, 5, 20, 40, 80, 120} {
		n := tr.Needed(scatter)
		if n < last || n < 18 || n%6 != 0 {
			t.Errorf("%v: %d runs after %d", scatter, n, last)
		}
		last = n
	}
	// The room is 400 mm beyond the target: 99 of 100 normal stops end before mean + 2.326 s, so that at s > 172 mm no number of runs shows it.
	for _, scatter := range []station.Millimetres{173, 1e6, station.Millimetres(math.NaN()), -1} {
		if n := tr.Needed(scatter); n != 0 {
			t.Errorf("%v: %d runs", scatter, n)
		}
	}
	if n := (Trial{}).Needed(5); n != 0 {
		t.Errorf("a trial of nothing: %d runs", n)
	}
}

func TestTheTimeOfATrialIsThatOfTheRunsThatAreLeft(t *testing.T) {
	tr := sampleTrial(t, "night-mail-30.toml")
	// (1000 + 2 x 1800 there, 2800 back) mm at 100 mm/s and 30 s.
	run := Run{Number: 1, Speed: 100}
	made := run
	made.Made = true
	if got := tr.Takes([]Run{run, made}); got != 104*time.Second {
		t.Error(got)
	}
	speed := sampleTrial(t, "night-mail-30-speed.toml")
	// The highest step is 100 km/h to scale, 318.9 mm/s: (2000 + 500) mm and 5 s.
	if got := speed.Takes([]Run{{Step: 28}}); got != 13*time.Second {
		t.Error(got)
	}
}

func TestTheTrialSaysWhatItCannotShow(t *testing.T) {
	tr := sampleTrial(t, "night-mail-30.toml")
	if d := tr.Doubts(); len(d) != 0 {
		t.Error(d)
	}
	tr.Wanted.Speeds = tr.Wanted.Speeds[:2]
	tr.Runs = Runs{Repeats: 1, Leads: []station.Lead{station.Rear}}
	d := tr.Doubts()
	for i, want := range []string{"at least 3", "repeated", "only the rear", "against"} {
		if len(d) != 4 || !strings.Contains(d[i].String(), want) {
			t.Fatalf("got %v, want %q in place %d", d, want, i)
		}
	}
}
