package prog

import (
	"context"
	"errors"
	"testing"

	"fettle/nmra"
	"fettle/nmra/cv"
	"fettle/station"
	"fettle/station/bench"
)

// reading is a bench whose station reads whole registers by itself, as says has it.
type reading struct {
	*bench.Bench
	says  func(nmra.CV) (value uint8, ok bool, err error)
	reads int
}

func (r *reading) Read(_ context.Context, _ nmra.Mode, c nmra.CV) (uint8, station.Answer, error) {
	r.reads++
	value, ok, err := r.says(c)
	return value, station.Answer{Acknowledged: ok}, err
}

func TestWhatAStationSaysItHasReadIsAskedFirstAndNeverBelieved(t *testing.T) {
	spec, err := bench.BuiltIn("tram-3")
	if err != nil {
		t.Fatal(err)
	}
	truth := spec.New(1).Values()
	asked := map[string]int{}
	for name, says := range map[string]func(c nmra.CV) (uint8, bool, error){
		"right":   func(c nmra.CV) (uint8, bool, error) { v, ok := truth[at(c)]; return v, ok, nil },
		"wrong":   func(c nmra.CV) (uint8, bool, error) { return truth[at(c)] ^ 0x55, true, nil },
		"silent":  func(nmra.CV) (uint8, bool, error) { return 0, false, nil },
		"no mode": func(nmra.CV) (uint8, bool, error) { return 0, false, nmra.ErrNotInMode },
	} {
		track := &reading{Bench: bench.New(spec.New(1)), says: says}
		s, err := Start(t.Context(), track, DefaultBound, nil)
		if err != nil {
			t.Fatal(name, err)
		}
		for _, r := range []cv.Register{at(1), at(2), at(3), at(4), at(5), at(6), at(17), at(18), at(29), at(700)} {
			got, err := s.Read(t.Context(), r)
			if err != nil {
				t.Fatal(name, err)
			}
			value, there := truth[r]
			if (got.State == Proven) != there || got.Value != value {
				t.Errorf("%s: register %v was read as %d (%v), want %d (there: %v)", name, r, got.Value, got.State, value, there)
			}
		}
		if track.reads < 10 {
			t.Errorf("%s: the station was asked to read %d times", name, track.reads)
		}
		asked[name] = s.Tally().Operations
	}
	if asked["right"] >= asked["no mode"] {
		t.Errorf("questions %v: want fewer where the station reads right", asked)
	}
	t.Logf("questions: %v", asked)
}

func TestAStationThatFailsToReadFails(t *testing.T) {
	spec, err := bench.BuiltIn("tram-3")
	if err != nil {
		t.Fatal(err)
	}
	track := &reading{Bench: bench.New(spec.New(1)), says: func(nmra.CV) (uint8, bool, error) { return 0, false, station.ErrLost }}
	if _, err := Start(t.Context(), track, DefaultBound, nil); !errors.Is(err, station.ErrLost) {
		t.Errorf("%v, want %v", err, station.ErrLost)
	}
}
