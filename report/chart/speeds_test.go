package chart

import (
	"bytes"
	"math"
	"slices"
	"strings"
	"testing"

	"fettle/station"
	"fettle/trial"
)

// tram is a trial of speed with harbour tram 3, both ways, twice each. Invented.
func tram() Speeds {
	s := Speeds{Title: "Harbour tram 3", Scale: 87.1}
	for _, step := range []uint8{1, 8, 20, 28} {
		for _, lead := range []station.Lead{station.Front, station.Rear} {
			for i := range 2 {
				v := float64(step)*float64(step)*0.4 + float64(lead)*5 + float64(i)
				s.Before = append(s.Before, trial.Run{Made: true, Step: step, Lead: lead, Speed: station.MillimetresPerSecond(v)})
				s.After = append(s.After, trial.Run{Made: true, Step: step, Lead: lead, Speed: station.MillimetresPerSecond(float64(step) * 8)})
			}
		}
		s.Wanted = append(s.Wanted, StepSpeed{step, station.MillimetresPerSecond(float64(step) * 8)})
	}
	return s
}

func TestSpeedsAreShownBothWaysBeforeAndAfterWithWhatIsWanted(t *testing.T) {
	p := drawn(t, tram())
	p.wants(t, "Harbour tram 3", "before, front leading", "before, rear leading", "after, front leading", "after, rear leading", "wanted", "mm/s", "km/h", "km/h are to scale, at 1:87.1.")
	// 0.4 mm/s times 28 squared, 313.6, and 0.5 more as the mean of two; 8 mm/s a step
	for _, want := range []string{"Before, front leading: 314 mm/s at step 28.", "Wanted: 224 mm/s at step 28."} {
		if !strings.Contains(p.desc, want) {
			t.Errorf("who can't see the picture is told %q, want %q in it", p.desc, want)
		}
	}
}

func TestWhatWasNotMeasuredIsLeftOut(t *testing.T) {
	s := tram()
	s.After, s.Wanted = nil, nil
	p := drawn(t, s)
	p.wants(t, "before, front leading")
	if p.has("after, front leading") || p.has("wanted") {
		t.Errorf("the picture says %q", p.texts)
	}
	drawn(t, Speeds{}).wants(t, "No speed was measured.")
	drawn(t, Speeds{Before: []trial.Run{{Step: 4}}}).wants(t, "No speed was measured.")
}

func TestTheSpeedOfAStepIsTheMeanOfItsRunsThatWay(t *testing.T) {
	runs := []trial.Run{{Made: true, Step: 8, Speed: 100}, {Made: true, Step: 8, Speed: 104}, {Made: true, Step: 8, Lead: station.Rear, Speed: 50},
		{Step: 8, Speed: 1}, {Made: true, Step: 4, Speed: 30}, {Made: true, Step: 4, Speed: station.MillimetresPerSecond(math.NaN())}}
	for i := range runs {
		runs[i].Number = i + 1
	}
	got := meanSpeeds(runs, station.Front, true)
	want := []spot{{speed: 4, stop: 30, run: 5, before: true, words: "step 4, front leading: 30 mm/s"},
		{speed: 8, stop: 102, run: 1, before: true, words: "step 8, front leading: 102 mm/s, the mean of 2 runs"}}
	if !slices.Equal(got, want) {
		t.Errorf("speeds %v, want %v", got, want)
	}
}

func TestSpeedsGiveTheSamePNGEachTime(t *testing.T) {
	var first, second bytes.Buffer
	if err := tram().WritePNG(&first); err != nil {
		t.Fatal(err)
	}
	if err := tram().WritePNG(&second); err != nil {
		t.Fatal(err)
	}
	if first.Len() == 0 || !bytes.Equal(first.Bytes(), second.Bytes()) {
		t.Error("the picture is another one each time")
	}
}
