package bench

import (
	"math"
	"testing"

	"fettle/nmra"
)

func TestAcknowledgementsAreLostAndStrayAtTheRatesOfTheFile(t *testing.T) {
	spec, err := BuiltIn("railcar-12")
	if err != nil {
		t.Fatal(err)
	}
	const asked = 20_000
	b, _ := on(t, spec)
	lost, stray := 0, 0
	for range asked {
		if !holds(t, b, 8, 13) {
			lost++
		}
		if holds(t, b, 8, 12) {
			stray++
		}
	}
	t.Logf("%d of %d acknowledgements lost, %d of %d from nowhere", lost, asked, stray, asked)
	for _, c := range []struct {
		name  string
		count int
		rate  float64
	}{{"lost", lost, 0.10}, {"stray", stray, 0.03}} {
		// Five standard deviations of a binomial count.
		if off := math.Abs(float64(c.count) - asked*c.rate); off > 5*math.Sqrt(asked*c.rate*(1-c.rate)) {
			t.Errorf("%s: %d of %d, want a rate of %v", c.name, c.count, asked, c.rate)
		}
	}
}

func TestARaggedAcknowledgementIsSeen(t *testing.T) {
	spec, err := BuiltIn("railcar-12")
	if err != nil {
		t.Fatal(err)
	}
	spec.Ack.Lost, spec.Ack.False = 0, 0
	b, _ := on(t, spec)
	for n := range 5_000 {
		if a := do(t, b, nmra.Access{CV: 8, Value: 13}); !a.Acknowledged {
			t.Fatalf("answer %d was not seen: %+v", n, a)
		}
	}
}

func TestNoiseIsTheSameForTheSameSeedAndAnotherForAnother(t *testing.T) {
	spec, err := BuiltIn("railcar-12")
	if err != nil {
		t.Fatal(err)
	}
	spec.Ack.Lost = 0.5
	answers := func(seed uint64, cycles int) (seen string) {
		b := New(spec.New(seed))
		for range cycles {
			powerCycle(t, b)
		}
		for range 64 {
			if holds(t, b, 8, 13) {
				seen += "1"
			} else {
				seen += "0"
			}
		}
		return seen
	}
	if first, again := answers(1, 1), answers(1, 1); first != again {
		t.Error("the same seed does not give the same noise")
	}
	distinct := map[string]bool{}
	for seed := range uint64(4) {
		for cycles := range 4 {
			distinct[answers(seed, cycles+1)] = true
		}
	}
	if len(distinct) != 16 {
		t.Errorf("%d kinds of noise from 4 seeds and 4 power-ons, want 16", len(distinct))
	}
}
