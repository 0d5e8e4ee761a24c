package trial_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"testing"
	"time"

	"fettle/station"
	. "fettle/trial"
)

// campaign is how many rounds a test that counts makes: few in `make test`, many in `make proof`.
func campaign(few, many int) int {
	if os.Getenv("FETTLE_PROOF") != "" {
		return many
	}
	return few
}

// The scatter is that of the law: normal in log s. The room is where a fifth of all runs pass it.
func TestProofThatTheIntervalOfTheExponentHoldsTheTruth(t *testing.T) {
	trials := campaign(100, 2000)
	for which, n := range []float64{0.5, 1, 2, 2.7095} {
		for _, scatter := range []float64{0.02, 0.15} {
			trial := night()
			trial.Runs.Repeats, trial.Runs.Against = 4, 0
			k := 1000 / math.Pow(160, n)
			trial.Section.Room = station.Millimetres(roomFor(trial, k, n, scatter, 0.2))
			held, runs, censored := 0, 0, 0
			for i := range trials {
				random := seeded(10_000*which + i)
				stop := func(v float64) float64 { return k * math.Pow(v, n) * math.Exp(scatter*random.NormFloat64()) }
				v := Judge(trial, made(trial, decoder{senses: SensesTravel, stop: stop}, errors{}, nil, random))
				runs += v.Law.Stopped + v.Law.Overran
				censored += v.Law.Overran
				if v.Law.Low <= n && n <= v.Law.High {
					held++
				}
			}
			share := float64(held) / float64(trials)
			t.Logf("exponent %.4g, scatter %2.0f %%: the 95 %% interval held it in %d of %d trials of 24 runs (%.1f %%); %.1f %% of the runs passed the room",
				n, 100*scatter, held, trials, 100*share, 100*float64(censored)/float64(runs))
			low, high := 0.93, 0.97
			if trials < 2000 {
				low, high = 0.88, 1 // of 100 trials
			}
			if share < low || share > high {
				t.Errorf("exponent %g, scatter %g: held in %.3f of trials", n, scatter, share)
			}
		}
	}
}

// roomFor is the room that this share of runs of a law pass.
func roomFor(trial Trial, k, n, scatter, share float64) float64 {
	low, high := 1.0, 1e6
	for range 100 {
		room := math.Sqrt(low * high)
		var past float64
		for _, v := range trial.Wanted.Speeds {
			past += 0.5 * math.Erfc((math.Log(room)-math.Log(k)-n*math.Log(float64(v)))/scatter/math.Sqrt2) / float64(len(trial.Wanted.Speeds))
		}
		if past > share {
			low = room
		} else {
			high = room
		}
	}
	return low
}

// The true distance lies just outside the tolerance at one speed: the worst that there is.
func TestProofThatADistanceOutsideTheToleranceIsNotCalledInside(t *testing.T) {
	trials := campaign(100, 2000)
	const edge = 1440.01
	for _, c := range []struct {
		name string
		stop func(v float64) float64
	}{
		{"at the fastest only", func(v float64) float64 { return 1400 + (edge-1400)*math.Pow(v/240, 3) }},
		{"by a small exponent", func(v float64) float64 { return edge * math.Pow(v/240, math.Log(edge/1380)/math.Log(3)) }},
		{"in the middle only", func(v float64) float64 { return edge - math.Abs(v-160)/2 }},
		{"at every speed", func(v float64) float64 { return edge }},
		{"short of it when slow", func(v float64) float64 { return 2800 - edge + math.Abs(v-80)/3 }},
	} {
		for _, scatter := range []float64{5, 15} {
			target, fit := 0, 0
			for i := range trials {
				v := Judge(night(), made(night(), decoder{senses: SensesTravel, stop: c.stop}, errors{stop: scatter}, nil, seeded(i)))
				if v.OnTarget == Yes {
					target++
				}
				if v.Fitness == Fit {
					fit++
				}
			}
			t.Logf("outside %s, scatter %2.0f mm: called on target in %d, fit in %d of %d trials", c.name, scatter, target, fit, trials)
			if float64(target) > 0.05*float64(trials) || fit > target {
				t.Errorf("outside %s: called on target in %d, fit in %d of %d trials", c.name, target, fit, trials)
			}
		}
	}
	// The same of constancy: no target can be met by stops that are a little more than twice the tolerance apart.
	for _, scatter := range []float64{5, 15} {
		wrong := 0
		for i := range trials {
			stop := func(v float64) float64 { return 1360 + 80.01*(v-80)/160 }
			if Judge(night(), made(night(), decoder{senses: SensesTravel, stop: stop}, errors{stop: scatter}, nil, seeded(i))).ConstantDistance == Yes {
				wrong++
			}
		}
		t.Logf("stops 80 mm apart, scatter %2.0f mm: called a constant distance within 40 mm in %d of %d trials", scatter, wrong, trials)
		if float64(wrong) > 0.05*float64(trials) {
			t.Errorf("called constant in %d of %d trials", wrong, trials)
		}
	}
}

// behaviour is a decoder with what a judge has to say of it.
type behaviour struct {
	name    string
	brakes  Brakes
	pattern Pattern
	decoder
}

// behaviours are all ways of braking that are known; of those that keep a distance, three each.
func behaviours() []behaviour {
	kept := func(pattern Pattern, reaches func(v, s, x float64) float64) behaviour {
		return behaviour{pattern.String(), BrakesDistance, pattern, decoder{stop: constant(1400), reaches: reaches}}
	}
	grows := func(brakes Brakes, n float64) behaviour {
		return behaviour{brakes.String(), brakes, PatternNone, decoder{stop: func(v float64) float64 { return 1700 * math.Pow(v/240, n) }}}
	}
	return []behaviour{
		kept(PatternEven, evenly),
		kept(PatternLate, lateBy(30)),
		kept(PatternCreep, creepAt(40, 60)),
		grows(BrakesTime, 1),
		grows(BrakesDeceleration, 2),
		grows(BrakesFading, 2.7095),
		{BrakesEmergency.String(), BrakesEmergency, PatternNone, decoder{reaches: evenly, stop: func(v float64) float64 {
			if v < 120 {
				return v * v / (2 * 300)
			}
			return 1400
		}}},
		{"none", BrakesNot, PatternNone, decoder{stop: constant(0)}},
	}
}

// Each trial is of 24 runs: 18 with the section, 6 against it. Of a decoder that goes by the side of the vehicle 9 stop.
func TestProofThatEveryBehaviourIsRecognisedFrom24Runs(t *testing.T) {
	trials := campaign(30, 1000)
	for _, b := range behaviours() {
		for _, senses := range []Senses{SensesTravel, SensesVehicle, SensesEither, SensesNothing} {
			if (b.brakes == BrakesNot) != (senses == SensesNothing) {
				continue // what brakes in no case senses nothing, and the other way about
			}
			b.senses = senses
			right, wrong := 0, map[string]int{}
			for i := range trials {
				runs := made(night(), b.decoder, usual, nil, seeded(i))
				if len(runs) != 24 {
					t.Fatal(len(runs), "runs")
				}
				v := Judge(night(), runs)
				fit := b.brakes == BrakesDistance && senses == SensesTravel
				if v.Brakes == b.brakes && v.Pattern == b.pattern && v.Response.Senses == senses && (v.Fitness == Fit) == fit {
					right++
				} else {
					wrong[fmt.Sprintf("%s, %s, %s, %s", v.Fitness, v.Brakes, v.Pattern, v.Response.Senses)]++
				}
			}
			t.Logf("%s, senses %s: recognised in %d of %d trials %v", b.name, senses, right, trials, wrong)
			if float64(right) < 0.95*float64(trials) {
				t.Errorf("%s, senses %s: recognised in %d of %d trials", b.name, senses, right, trials)
			}
		}
	}
}

// Of a decoder that is as it should be nothing else is said, and the bound holds: as often as it promises.
func TestProofThatTheBoundHoldsAndNothingIsSeenWhereNothingIs(t *testing.T) {
	trials := campaign(600, 5000)
	const z99 = 2.3263478740408408 // standard normal quantile of 0.99
	drift, leads, bound := 0, 0, 0
	for i := range trials {
		v := Judge(night(), made(night(), decoder{senses: SensesTravel, stop: constant(1400)}, errors{stop: 5}, nil, seeded(i)))
		if v.Drift.Seen() {
			drift++
		}
		if v.Leads.Seen() {
			leads++
		}
		if float64(v.Bound.At) >= 1400+5*z99 {
			bound++
		}
	}
	t.Logf("of %d trials: a drift seen in %d, a difference of the leads in %d; 99 stops in 100 ended before the bound in %d", trials, drift, leads, bound)
	if float64(drift) > 0.025*float64(trials) || float64(leads) > 0.025*float64(trials) || float64(bound) < 0.95*float64(trials) {
		t.Errorf("of %d trials: a drift seen in %d, a difference of the leads in %d; bound held in %d", trials, drift, leads, bound)
	}
}

// What it takes to tell the patterns apart that keep a distance: speeds, a clock, gates.
func TestProofOfWhatItTakesToTellEvenFromLate(t *testing.T) {
	trials := campaign(20, 1000)
	wide, narrow := []station.MillimetresPerSecond{80, 160, 240}, []station.MillimetresPerSecond{190, 215, 240}
	gates := []float64{350, 700, 1050}
	for _, c := range []struct {
		name   string
		speeds []station.MillimetresPerSecond
		clock  float64 // s
		gates  []float64
		holds  bool // at least 95 in 100, and never taken for another
	}{
		{"80 to 240 mm/s, times to 0.1 s", wide, 0.1, nil, true},
		{"80 to 240 mm/s, times to 0.5 s", wide, 0.5, nil, true},
		{"80 to 240 mm/s, times to 1.5 s", wide, 1.5, nil, false},
		{"80 to 240 mm/s, times to 1.5 s, three gates", wide, 1.5, gates, false},
		{"190 to 240 mm/s, times to 0.1 s", narrow, 0.1, nil, false},
		{"190 to 240 mm/s, times to 0.5 s", narrow, 0.5, nil, false},
		{"190 to 240 mm/s, times to 0.5 s, three gates", narrow, 0.5, gates, true},
	} {
		trial := night()
		trial.Wanted.Speeds = c.speeds
		for _, b := range []struct {
			name    string
			pattern Pattern
			reaches func(v, s, x float64) float64
		}{{"even", PatternEven, evenly}, {"late, by 21 mm/s²", PatternLate, lateBy(21)}, {"late, by 60 mm/s²", PatternLate, lateBy(60)}} {
			right, open, wrong := 0, 0, 0
			for i := range trials {
				off := usual
				off.time = c.clock
				v := Judge(trial, made(trial, decoder{senses: SensesTravel, stop: constant(1400), reaches: b.reaches}, off, c.gates, seeded(i)))
				switch v.Pattern {
				case b.pattern:
					right++
				case PatternUndecided:
					open++
				default:
					wrong++
				}
			}
			t.Logf("%s: %s recognised in %d of %d trials, left open in %d, taken for another in %d", c.name, b.name, right, trials, open, wrong)
			if float64(wrong) > 0.05*float64(trials) || c.holds && float64(right) < 0.95*float64(trials) {
				t.Errorf("%s: %s recognised in %d of %d trials, taken for another in %d", c.name, b.name, right, trials, wrong)
			}
		}
	}
}

// Anything may be in a run; a verdict is given of it, and of nothing but real evidence is it fit.
func TestNoRunsMakeJudgeFail(t *testing.T) {
	odd := []float64{0, -1, 1, 80, 160, 240, 1400, 1e300, math.NaN(), math.Inf(1), math.Inf(-1), math.SmallestNonzeroFloat64}
	for n := range campaign(2000, 50_000) {
		random := rand.New(rand.NewPCG(uint64(n), 66))
		pick := func() float64 { return odd[random.IntN(len(odd))] }
		trial := night()
		if random.IntN(4) == 0 {
			trial.Wanted = Wanted{Stop: station.Millimetres(pick()), Within: station.Millimetres(pick()), Confidence: pick(), Share: pick(),
				Speeds: []station.MillimetresPerSecond{station.MillimetresPerSecond(pick()), station.MillimetresPerSecond(pick())}, Steps: []uint8{1, 2}}
			trial.Section.Room = station.Millimetres(pick())
		}
		runs := make([]Run, random.IntN(30))
		for i := range runs {
			runs[i] = Run{Number: random.IntN(20) - 1, Lead: station.Lead(random.IntN(3)), Way: station.Way(random.IntN(3)), Step: uint8(random.IntN(4)),
				Speed: station.MillimetresPerSecond(pick()), Made: random.IntN(8) > 0, Outcome: Outcome(random.IntN(5)), Stop: station.Millimetres(pick()),
				Time:  time.Duration(random.Int64N(1e11)) - 1e9,
				Gates: make([]Passing, random.IntN(3))}
			for g := range runs[i].Gates {
				runs[i].Gates[g] = Passing{At: station.Millimetres(pick()), Time: time.Duration(random.Int64N(1e11))}
			}
		}
		v := Judge(trial, runs)
		if v.Sentence == "" || len(v.Reasons) == 0 {
			t.Fatalf("%d: %+v", n, v)
		}
		if v.Fitness == Fit {
			t.Fatalf("%d: fit, of runs at random: %+v", n, runs)
		}
		for _, x := range []float64{v.Law.Exponent, v.Law.Low, v.Law.High, float64(v.Scatter.Deviation), float64(v.Bound.At), float64(v.Leads.By),
			float64(v.Drift.FirstToLast), v.Drift.Chance, float64(v.Holds.Low), float64(v.Holds.High)} {
			if math.IsNaN(x) {
				t.Fatalf("%d: no number in %+v", n, v)
			}
		}
	}
}
