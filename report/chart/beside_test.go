package chart

import (
	"bytes"
	"fmt"
	"slices"
	"strings"
	"testing"

	"fettle/trial"
)

// three are a trial on target, one with runs that stop too late or not at all, and one that was not made yet.
func three() Beside {
	runs := braked(quay(), func(v float64) float64 { return v * v / 28 }, 5)
	runs[0].Outcome = trial.Slowed
	return Beside{Of: []Braking{judged(quay(), braked(quay(), constant, 6)), judged(quay(), runs), judged(quay(), nil)},
		Names: []string{"as bought", "another maker's"}}
}

func TestTrialsBesideEachOtherHaveTheSameAxes(t *testing.T) {
	plots := three().plots()
	for i, p := range plots {
		if p.reach != plots[0].reach || !slices.Equal(p.strips, []trial.Outcome{trial.Slowed}) {
			t.Errorf("trial %d goes to %v with strips %v; want it as the first, %v, with a strip of those that slowed", i+1, p.reach, p.strips, plots[0].reach)
		}
	}
	for i, of := range three().Of {
		alone := of.stopsPlot().reach
		if all := plots[0].reach; alone.speed > all.speed || alone.low < all.low || alone.high > all.high {
			t.Errorf("trial %d goes to %v, and all to %v: want room for it", i+1, alone, all)
		}
	}
}

func TestTrialsBesideEachOtherAreNamed(t *testing.T) {
	for name, p := range map[string]picture{"as SVG": drawn(t, three()), "wide": first(inlined(t, three(), Inline{})), "narrow": first(inlined(t, three(), Inline{Narrow: true}))} {
		p.wants(t, "as bought", "another maker's", "No run with the section was made.", "slowed: 1 run")
		// the third has no name
		if !slices.ContainsFunc(p.texts, func(text string) bool { return strings.HasPrefix(text, "Night-mail engine 30") }) {
			t.Errorf("%s: the picture says %q, want the title of the trial that has no name among it", name, p.texts)
		}
	}
	drawn(t, Beside{}).wants(t, "No trial of braking is here.")
}

func first(p picture, _ string) picture { return p }

func TestTrialsStandSideBySideWhereThatIsWideEnough(t *testing.T) {
	one := three().Of[0]
	for n, want := range map[int]int{1: 1, 2: 2, 3: 3, 4: 2, 5: 3, 9: 3} {
		b := Beside{Of: slices.Repeat([]Braking{one}, n)}
		if got := b.page(wide).columns; got != want {
			t.Errorf("%d trials stand in %d columns, want %d", n, got, want)
		}
		if got := b.page(narrow).columns; got != 1 {
			t.Errorf("%d trials stand in %d columns where it is narrow, want 1", n, got)
		}
	}
	tall, flat := Beside{Of: slices.Repeat([]Braking{one}, 3)}.page(narrow).height(), Beside{Of: []Braking{one}}.page(narrow).height()
	if tall < 2.5*flat {
		t.Errorf("three trials below each other are %v high, want about thrice the %v of one", tall, flat)
	}
}

func TestTheSameTrialsBesideEachOtherGiveTheSamePicture(t *testing.T) {
	var pictures [2]bytes.Buffer
	for i := range pictures {
		if err := three().WriteInline(&pictures[i], Inline{Link: func(run int) string { return fmt.Sprint(run) }}); err != nil {
			t.Fatal(err)
		}
		if err := three().WritePNG(&pictures[i]); err != nil {
			t.Fatal(err)
		}
	}
	if pictures[0].Len() == 0 || !bytes.Equal(pictures[0].Bytes(), pictures[1].Bytes()) {
		t.Error("the picture is another one each time")
	}
}
