package trial

import (
	"errors"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"fettle/nmra"
	"fettle/nmra/cv"
	"fettle/station"
)

// tuned is a trial of braking to 1400 mm, within 40.
func tuned() Trial {
	return Trial{
		Section: station.Section{Length: 4000, Room: 4000},
		Wanted:  Wanted{Stop: 1400, Within: 40, Speeds: []station.MillimetresPerSecond{80, 160, 240}, Confidence: 0.95},
	}
}

// setting is runs at a value: twice at each wanted speed, of which the stop is what a function says, and a scatter.
func setting(value uint8, scatter float64, stop func(value, speed float64) float64) Setting {
	s := Setting{Value: value}
	rng := rand.New(rand.NewPCG(uint64(value), 7))
	for range 2 {
		for _, speed := range []station.MillimetresPerSecond{80, 160, 240} {
			for _, lead := range []station.Lead{station.Front, station.Rear} {
				at := station.Millimetres(stop(float64(value), float64(speed)) + scatter*rng.NormFloat64())
				r := Run{Lead: lead, Speed: speed, Made: true, Stop: at}
				if at > 4000 {
					r.Outcome, r.Stop = Overran, 0
				}
				s.Runs = append(s.Runs, r)
			}
		}
	}
	return s
}

var distanceRegister = cv.Register{CV: 140}

func TestTheTunedValueGivesTheTarget(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		step := rapid.Float64Range(5, 70).Draw(t, "step")
		value := rapid.IntRange(30, 200).Draw(t, "value")
		sign := rapid.SampledFrom([]float64{1, -1}).Draw(t, "sign")
		stop := func(v, _ float64) float64 { return 1400 + sign*step*(v-float64(value)) }
		low := rapid.IntRange(1, 15).Draw(t, "below")
		d, err := TuneDistance(tuned(), distanceRegister, []Setting{setting(uint8(value-low), 0, stop), setting(uint8(value+3), 0, stop)})
		if err != nil {
			t.Fatal(err)
		}
		if int(d.Value) != value || !d.Reachable || d.Registers[distanceRegister] != d.Value {
			t.Fatalf("value %d, reachable %v, want %d", d.Value, d.Reachable, value)
		}
		if math.Abs(float64(d.Step)-sign*step) > 1e-6 || math.Abs(d.Exact-float64(value)) > 1e-6 {
			t.Fatalf("step %v at %v, want %v at %d", d.Step, d.Exact, sign*step, value)
		}
	})
}

func TestTheIntervalOfTheValueHoldsWhatIsTrue(t *testing.T) {
	d, err := TuneDistance(tuned(), distanceRegister, []Setting{
		setting(20, 20, func(v, _ float64) float64 { return 50 * v }), setting(40, 20, func(v, _ float64) float64 { return 50 * v })})
	if err != nil || !d.Known || !(d.Low < 28 && 28 < d.High) || d.High-d.Low > 2 || d.Value != 28 {
		t.Fatalf("%+v, %v", d, err)
	}
}

func TestARegisterIsTooCoarse(t *testing.T) {
	stop := func(v, _ float64) float64 { return 200 + 460*v }
	d, err := TuneDistance(tuned(), distanceRegister, []Setting{setting(2, 5, stop), setting(4, 5, stop)})
	if err != nil || d.Reachable || d.Value != 3 {
		t.Fatalf("%+v, %v", d, err)
	}
	if w := d.Words[0]; !strings.HasPrefix(w, "Too coarse: a step of 1 moves the stop by 4") || !strings.Contains(w, "no value comes within 40 mm of 1400 mm") || !strings.Contains(w, "and 2 gives 11") {
		t.Error(w)
	}
}

func TestNoValueIsRightWhereTheStopDependsOnSpeed(t *testing.T) {
	stop := func(v, speed float64) float64 { return v * speed / 10 }
	d, err := TuneDistance(tuned(), distanceRegister, []Setting{setting(60, 1, stop), setting(120, 1, stop)})
	if err != nil || d.Reachable || !strings.HasPrefix(d.Words[0], "The stop depends on entry speed") {
		t.Fatalf("%+v, %v", d, err)
	}
}

func TestARegisterThatMovesNothingIsSaid(t *testing.T) {
	stop := func(_, _ float64) float64 { return 900 }
	d, err := TuneDistance(tuned(), distanceRegister, []Setting{setting(60, 5, stop), setting(120, 5, stop)})
	if err != nil || d.Reachable || d.Known || len(d.Registers) != 0 {
		t.Fatalf("%+v, %v", d, err)
	}
}

func TestABentLineRestsOnTheTwoValuesAboutTheTarget(t *testing.T) {
	stop := func(v, _ float64) float64 { return v * v }
	d, err := TuneDistance(tuned(), distanceRegister, []Setting{setting(10, 2, stop), setting(35, 2, stop), setting(40, 2, stop), setting(60, 2, stop)})
	if err != nil || !d.Reachable || d.Value != 37 {
		t.Fatalf("%+v, %v", d, err)
	}
}

func TestTuningADistanceWantsTwoValuesAndStops(t *testing.T) {
	far := func(_, _ float64) float64 { return 5000 }
	if _, err := TuneDistance(tuned(), distanceRegister, []Setting{setting(10, 0, far)}); !errors.Is(err, ErrOneValue) {
		t.Error(err)
	}
	if _, err := TuneDistance(tuned(), distanceRegister, []Setting{setting(10, 0, far), setting(20, 0, far)}); !errors.Is(err, ErrFewStops) {
		t.Error(err)
	}
}

// speeds is a run each way at steps of 28, of an engine whose table rises evenly and whose speed is a function of the drive level.
func speeds(front, rear func(level float64) float64) (runs []Run, holds cv.Values) {
	holds = cv.Values{{CV: 29}: 1 << 4, {CV: 66}: 128, {CV: 95}: 128, {CV: 4}: 10, {CV: 24}: 0}
	for i := range nmra.CV(28) {
		holds[cv.Register{CV: 67 + i}] = uint8(9 * (i + 1))
		level := float64(9 * (i + 1))
		runs = append(runs, Run{Made: true, Step: uint8(i + 1), Speed: station.MillimetresPerSecond(front(level))},
			Run{Made: true, Lead: station.Rear, Step: uint8(i + 1), Speed: station.MillimetresPerSecond(rear(level))})
	}
	return runs, holds
}

func TestASpeedTableRisesAndGivesWhatIsWanted(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		bow := rapid.Float64Range(0.7, 1.6).Draw(t, "bow")
		slower := rapid.Float64Range(0.8, 1.2).Draw(t, "rear")
		law := func(by float64) func(float64) float64 {
			return func(level float64) float64 { return 330 * by * math.Pow(level/255, bow) }
		}
		runs, holds := speeds(law(1), law(slower))
		s, err := TuneSpeed(Trial{}, runs, holds)
		if err != nil || !s.Table {
			t.Fatal(s, err)
		}
		last := uint8(0)
		for i := range nmra.CV(28) {
			v, ok := s.Registers[cv.Register{CV: 67 + i}]
			if !ok || v < 1 || v < last {
				t.Fatalf("CV %d is %d after %d", 67+i, v, last)
			}
			last = v
		}
		for _, at := range s.Steps { // against the law itself, not the curve through its points
			entry := float64(s.Registers[cv.Register{CV: 66 + nmra.CV(at.Step)}])
			front := law(1)(min(entry*float64(s.Registers[cv.Register{CV: 66}])/128, 255))
			rear := law(slower)(min(entry*float64(s.Registers[cv.Register{CV: 95}])/128, 255))
			for _, v := range []float64{front, rear} {
				if math.Abs(v-float64(at.Wanted)) > 5.5 { // rounding to one part of 255, and a trim that fits 28 steps at once
					t.Fatalf("step %d: %.1f mm/s, want %.1f", at.Step, v, float64(at.Wanted))
				}
			}
		}
		if !s.Reachable {
			t.Fatal(s.Words)
		}
	})
}

func TestAFasterTopSpeedThanMeasuredIsOutOfReach(t *testing.T) {
	law := func(level float64) float64 { return level }
	runs, holds := speeds(law, law)
	s, err := TuneSpeed(Trial{}, runs, holds, SpeedPoint{28, 400})
	if err != nil || s.Reachable || !strings.HasPrefix(s.Words[0], "Out of reach") {
		t.Fatalf("%+v, %v", s.Tuning, err)
	}
}

func TestADecoderWithoutATableGetsThreeVoltages(t *testing.T) {
	runs, _ := speeds(func(level float64) float64 { return level }, func(level float64) float64 { return level })
	holds := cv.Values{{CV: 29}: 0, {CV: 2}: 9, {CV: 6}: 0, {CV: 5}: 252} // a straight line from 9 to 252: the same levels
	s, err := TuneSpeed(Trial{}, runs, holds, SpeedPoint{28, 140})
	if err != nil || s.Table || !s.Reachable {
		t.Fatalf("%+v, %v", s.Tuning, err)
	}
	for n, want := range map[nmra.CV]uint8{2: 5, 6: 73, 5: 140} { // 140/28; 140 x 14.5/28 = 72.5; 140
		if got := s.Registers[cv.Register{CV: n}]; got != want {
			t.Errorf("CV %d is %d, want %d", n, got, want)
		}
	}
}

func TestTuningSpeedSaysWhatItWants(t *testing.T) {
	runs, holds := speeds(func(level float64) float64 { return level }, func(level float64) float64 { return level })
	if _, err := TuneSpeed(Trial{}, runs, cv.Values{}); !errors.Is(err, ErrNotHeld) {
		t.Error(err)
	}
	if _, err := TuneSpeed(Trial{}, nil, holds); !errors.Is(err, ErrNoSpeeds) {
		t.Error(err)
	}
	for _, points := range [][]SpeedPoint{{{0, 1}}, {{29, 1}}, {{5, 100}, {4, 200}}, {{5, 100}, {9, 50}}, {{5, station.MillimetresPerSecond(math.NaN())}}} {
		if _, err := TuneSpeed(Trial{}, runs, holds, points...); !errors.Is(err, ErrPoints) {
			t.Error(points, err)
		}
	}
}

func TestAStepTakesWhatTheStandardSays(t *testing.T) {
	// NMRA S-9.2.2 (July 2012), CV 3: a value of 2 at 28 steps is 0.064 s a step.
	if got := StepTime(2, 28); got != 64*time.Millisecond {
		t.Error(got)
	}
}

func TestMomentumGivesTheWantedStop(t *testing.T) {
	law := func(level float64) float64 { return level }
	runs, holds := speeds(law, law)
	m, err := TuneMomentum(Trial{}, runs, holds, 1000)
	if err != nil || !m.Reachable {
		t.Fatalf("%+v, %v", m, err)
	}
	// Speed falls evenly from 252 mm/s to 0 in 0.896 s for each 1 of CV 4: half of 252 x 0.896 = 112.896 mm.
	if math.Abs(float64(m.Step)-112.896) > 1e-6 || m.Value != 9 || math.Abs(float64(m.Stop)-9*112.896) > 1e-6 || math.Abs(float64(m.Now)-1128.96) > 1e-6 {
		t.Errorf("%+v", m)
	}
	holds[cv.Register{CV: 24}] = 0x80 | 5 // NMRA S-9.2.2 (July 2012), CV 24: bit 7 takes away
	if m, err = TuneMomentum(Trial{}, runs, holds, 1000); err != nil || m.Value != 14 || !m.Reachable {
		t.Errorf("%+v, %v", m, err)
	}
	if m, err = TuneMomentum(Trial{}, runs, holds, 1e6); err != nil || m.Reachable || m.Value != 255 {
		t.Errorf("%+v, %v", m, err)
	}
}
