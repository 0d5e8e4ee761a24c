package report

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"fettle/station"
	"fettle/trial"
)

// tried is a folder with one trial of braking, judged so: each stop is on target or not, and its interval reaches from low to high.
func tried(name string, fitness trial.Fitness, onTarget int, bound station.Millimetres, stops ...[2]station.Millimetres) Folder {
	v := trial.Verdict{Fitness: fitness, Bound: trial.Bound{Share: 0.99, Confidence: 0.95, At: bound}, Reasons: []string{"because of " + name}}
	for i, s := range stops {
		stop := trial.PredictedStop{Wanted: 80, Stopped: 4, Stop: (s[0] + s[1]) / 2, Low: s[0], High: s[1], OnTarget: trial.No}
		if i < onTarget {
			stop.OnTarget = trial.Yes
		}
		if s[1] == 0 {
			stop.Stopped = 0
		}
		v.Stops = append(v.Stops, stop)
	}
	t := Trial{File: "quay.toml", Books: []Book{{File: "quay.csv", Runs: []trial.Run{{Number: 1, Made: true}}, Verdict: v}}}
	t.Wanted = trial.Wanted{Stop: 1400, Within: 40, Speeds: []station.MillimetresPerSecond{80, 160}, Confidence: 0.95, Share: 0.99}
	t.Section.Room = 1800
	return Folder{Name: name, Trials: []Trial{t}}
}

type reach = [2]station.Millimetres

func TestFoldersAreRankedByWhatTheirTrialFilesAskFor(t *testing.T) {
	order := []Folder{
		tried("near bound", trial.Fit, 2, 1420, reach{1395, 1405}, reach{1390, 1400}),
		tried("far bound", trial.Fit, 2, 1440, reach{1395, 1405}, reach{1390, 1400}),
		tried("farther off", trial.Fit, 2, 1410, reach{1395, 1405}, reach{1380, 1400}),
		tried("one off target", trial.MoreRuns, 1, 1500, reach{1395, 1405}, reach{1340, 1400}),
		tried("both off target", trial.MoreRuns, 0, 1500, reach{1345, 1405}, reach{1340, 1400}),
		tried("never stopped", trial.Unfit, 1, 0, reach{1395, 1405}, reach{}),
		{Name: "not tried"},
	}
	for range 20 {
		shuffled := slices.Clone(order)
		rand.Shuffle(len(shuffled), func(i, j int) { shuffled[i], shuffled[j] = shuffled[j], shuffled[i] })
		for i, r := range Rank(shuffled) {
			if r.Name != order[i].Name || r.Place != i+1 {
				t.Fatalf("place %d: %q, %d, want %q", i+1, r.Name, r.Place, order[i].Name)
			}
		}
	}
	ranked := Rank(order)
	for i, want := range []string{
		"It stands before far bound: it ends 99 stops in 100 before 1420 mm (confidence 95 %), and far bound ends 99 stops in 100 before 1440 mm",
		"It stands behind near bound: it ends 99 stops in 100 before 1440 mm",
		"It stands behind far bound: it may stop on average as far as 20 mm from the target of 1400 mm (0.50 times the tolerance of 40 mm)",
		"It stands behind farther off: it is not settled by its runs, and farther off is fit.",
		"It stands behind one off target: it is on target at 0 of 2 wanted speeds and leads, and one off target is on target at 1 of 2",
		"It stands behind both off target: it is not fit, and both off target is not settled by its runs.",
		"It stands behind never stopped: it was not tried, and never stopped was tried.",
	} {
		if !strings.HasPrefix(ranked[i].Reasons[0], want) {
			t.Errorf("%s: %q, want %q", ranked[i].Name, ranked[i].Reasons[0], want)
		}
	}
	if got := strings.Join(ranked[5].Reasons, "\n"); !strings.Contains(got, "did not stop at every wanted speed and lead") || !strings.Contains(got, "because of never stopped") {
		t.Errorf("the reasons of one that never stopped: %s", got)
	}
}

func TestFoldersThatNothingTellsApartShareAPlace(t *testing.T) {
	a, b := tried("a", trial.Fit, 1, 1420, reach{1395, 1405}), tried("b", trial.Fit, 1, 1420, reach{1395, 1405})
	var got []string
	for _, r := range Rank([]Folder{a, b, {Name: "c"}, {Name: "d"}}) {
		got = append(got, fmt.Sprint(r.Place, r.Name, r.Reasons[0]))
	}
	want := []string{"1aIt stands beside b: nothing that the trial asks for tells the two apart.", "1bIt stands beside a: nothing that the trial asks for tells the two apart.",
		"3cIt stands behind b: it was not tried, and b was tried.", "3dIt stands beside c: neither was tried."}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("(-want +got)\n%s", diff)
	}
}

func TestTrialsThatAskForDifferentThingsAreSaidToDoSo(t *testing.T) {
	a, b := tried("a", trial.Fit, 1, 1420, reach{1395, 1405}), tried("b", trial.Fit, 1, 1420, reach{1395, 1405})
	b.Trials[0].Wanted.Within = 20
	last := Rank([]Folder{a, b})[1]
	want := "The two trials ask for different things: this one for a stop at 1400 mm within 20 mm; that of a for a stop at 1400 mm within 40 mm."
	if last.Name != "b" || last.Reasons[len(last.Reasons)-1] != want {
		t.Errorf("%s: %q, want %q", last.Name, last.Reasons, want)
	}
}

func TestASingleFolderIsFirstWithoutAReason(t *testing.T) {
	if r := Rank([]Folder{{Name: "a"}}); len(r) != 1 || r[0].Place != 1 || r[0].Reasons != nil {
		t.Errorf("got %+v", r)
	}
	if r := Rank(nil); len(r) != 0 {
		t.Errorf("of none: %+v", r)
	}
}

func TestTheRankDoesNotDependOnTheOrderInWhichFoldersAreGiven(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(2, 6).Draw(t, "folders")
		var folders []Folder
		for i := range n {
			f := Folder{Name: fmt.Sprint(i)}
			if rapid.IntRange(0, 5).Draw(t, "tried") > 0 {
				var stops []reach
				for range rapid.IntRange(0, 3).Draw(t, "stops") {
					low := station.Millimetres(rapid.IntRange(1300, 1500).Draw(t, "low"))
					stops = append(stops, reach{low, low + station.Millimetres(rapid.IntRange(0, 50).Draw(t, "wide"))})
				}
				f = tried(f.Name, trial.Fitness(rapid.IntRange(0, 2).Draw(t, "fitness")), rapid.IntRange(0, 3).Draw(t, "on target"),
					station.Millimetres(rapid.SampledFrom([]int{0, 1420, 1500}).Draw(t, "bound")), stops...)
			}
			folders = append(folders, f)
		}
		place := func(folders []Folder) map[string]int {
			places := map[string]int{}
			for i, r := range Rank(folders) {
				if places[r.Name] = r.Place; r.Place > i+1 || len(r.Reasons) == 0 {
					t.Fatalf("%s: place %d at %d, reasons %q", r.Name, r.Place, i, r.Reasons)
				}
			}
			return places
		}
		if diff := cmp.Diff(place(folders), place(rapid.Permutation(folders).Draw(t, "order"))); diff != "" {
			t.Fatal(diff)
		}
	})
}
