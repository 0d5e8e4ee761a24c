package stat

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"testing"
)

// campaign is how often something is tried: few in a short run, many where FETTLE_PROOF is set.
func campaign(few, many int) int {
	if os.Getenv("FETTLE_PROOF") != "" {
		return many
	}
	return few
}

// trials are 24 runs at four entry speeds with a law of the given exponent and relative scatter, and a room that about a fifth of them pass.
type trials struct {
	exponent, scatter float64
	room              float64 // as log of the distance at the middle speed
	rng               *rand.Rand
}

var speeds = []float64{math.Log(80), math.Log(140), math.Log(200), math.Log(260)}

const middle = 5.0

// truth is the mean of log s at a log speed.
func (c trials) truth(x float64) float64 { return 7 + c.exponent*(x-middle) }

func (c trials) draw() (x, y []float64, censored []bool) {
	for i := range 24 {
		v := speeds[i%len(speeds)]
		s := c.truth(v) + c.scatter*c.rng.NormFloat64()
		over := s > 7+c.room
		x, y, censored = append(x, v), append(y, min(s, 7+c.room)), append(censored, over)
	}
	return x, y, censored
}

// roomFor is the room that a share of the runs passes.
func (c trials) roomFor(share float64) float64 {
	return root(-10, 10, func(room float64) float64 {
		over := 0.0
		for _, v := range speeds {
			over += normal.Survival((7 + room - c.truth(v)) / c.scatter)
		}
		return share - over/float64(len(speeds))
	})
}

func TestProofThatIntervalsOfCensoredFitsHoldTheTruthAsOftenAsTheySay(t *testing.T) {
	tries := campaign(2_000, 20_000)
	for i, c := range []struct{ exponent, scatter, over float64 }{
		{0, 0.02, 0.2}, {0, 0.2, 0.2}, {1, 0.02, 0.2}, {1, 0.5, 0.2}, {2, 0.02, 0.2}, {2, 0.1, 0.2}, {2, 0.1, 0}, {2, 0.5, 0.4}, {0, 0.2, 0.5},
	} {
		set := trials{exponent: c.exponent, scatter: c.scatter, room: math.Inf(1), rng: rand.New(rand.NewPCG(6, uint64(i)))}
		if c.over > 0 {
			set.room = set.roomFor(c.over)
		}
		var fitted, overran, held int
		var meanHeld, meanTooLow [4]int
		for range tries {
			x, y, censored := set.draw()
			l, err := CensoredLine(x, y, censored, 0.95)
			if errors.Is(err, ErrTooFew) || errors.Is(err, ErrAllCensored) || errors.Is(err, ErrNoSpread) {
				continue
			}
			if err != nil {
				t.Fatal(err)
			}
			fitted++
			overran += l.N - l.Events
			if l.SlopeLow <= c.exponent && c.exponent <= l.SlopeHigh {
				held++
			}
			for j, v := range speeds {
				_, low, high := l.Predict(v, 0.95)
				if low <= set.truth(v) && set.truth(v) <= high {
					meanHeld[j]++
				}
				if high < set.truth(v) {
					meanTooLow[j]++
				}
			}
		}
		share := func(k int) float64 { return float64(k) / float64(fitted) }
		line := fmt.Sprintf("exponent %g, scatter %g, %.3f overran, %d trials: exponent held in %d (%.2f %%); mean at each speed held, and too low:",
			c.exponent, c.scatter, share(overran)/24, fitted, held, 100*share(held))
		if fitted < tries*99/100 || share(held) < 0.93 || share(held) > 0.97 {
			t.Error("wanted 93 to 97 %")
		}
		for j := range speeds {
			line += fmt.Sprintf(" %.1f %.1f", 100*share(meanHeld[j]), 100*share(meanTooLow[j]))
			if share(meanHeld[j]) < 0.93 || share(meanTooLow[j]) > 0.05 {
				t.Error("the mean is held too seldom")
			}
		}
		t.Log(line)
	}
}

func TestProofThatToleranceBoundsHoldTheShareAsOftenAsTheySay(t *testing.T) {
	tries := campaign(4_000, 40_000)
	rng := rand.New(rand.NewPCG(6, 100))
	// Four speeds of six runs, one scatter for all: the bound of the first speed rests on its six runs and on the degrees of all.
	one, two := ToleranceOneSided(6, 20, 0.99, 0.95), ToleranceTwoSided(6, 0.99, 0.95)
	var oneHeld, twoHeld int
	for range tries {
		groups := make([][]float64, 4)
		for i := range groups {
			for range 6 {
				groups[i] = append(groups[i], rng.NormFloat64())
			}
		}
		mean := 0.0
		for _, v := range groups[0] {
			mean += v / 6
		}
		sd, degrees := Pooled(groups)
		if degrees != 20 {
			t.Fatalf("%d degrees of freedom; want 20", degrees)
		}
		if normal.CDF(mean+one*sd) >= 0.99 {
			oneHeld++
		}
		own, _ := Pooled(groups[:1])
		if normal.CDF(mean+two*own)-normal.CDF(mean-two*own) >= 0.99 {
			twoHeld++
		}
	}
	t.Logf("%d samples: one-sided held in %d, two-sided in %d; 95 %% wanted", tries, oneHeld, twoHeld)
	for _, held := range []int{oneHeld, twoHeld} {
		near(t, "share that held", float64(held)/float64(tries), 0.95, 4*math.Sqrt(0.95*0.05/float64(tries)))
	}
}
