package report

import (
	"fmt"
	"strings"
	"testing"

	"fettle/nmra/cv"
	"fettle/station"
	"fettle/trial"
)

func whats(list []Failure) string {
	var lines []string
	for _, f := range list {
		lines = append(lines, fmt.Sprintf("%s:%d %s", f.File, f.Line, f.What))
	}
	return strings.Join(lines, "\n")
}

func TestABatchFailsThatWasStoppedOrLeftSomethingElseThanWasWanted(t *testing.T) {
	good := did("a", "apply", 1, values(3, 1), values(3, 2), "proven")
	stopped := did("b", "apply", 1, values(3, 1), values(3, 2), "")
	stopped.Found = nil
	differs := did("c", "apply", 1, values(5, 1), values(5, 250), "not proven")
	differs.Found = values(5, 180)
	unproven := did("d", "apply", 1, values(5, 1, 6, 1), values(5, 2, 6, 2), "not proven")
	unproven.Found = values(5, 2)
	probed := did("e", "probe", 1, nil, nil, "not proven")
	for _, c := range []struct {
		j      Journal
		proven bool
		want   string
	}{
		{good, true, ""},
		{stopped, false, "b:0 The batch (apply) was stopped half-way, after 1 write: fettle apply --resume b goes on with it, fettle undo b puts back what it changed."},
		{differs, false, "c:0 Register 5 was to hold 250, and held 180 when all was read again."},
		{unproven, false, "d:0 What 1 register holds could not be proven when all was read again: 6."},
		{probed, false, "e:0 The batch (probe) came to its end, and not all that it was to leave was proven."},
	} {
		if got := whats((Folder{Journals: []Journal{c.j}}).Failures()); got != c.want || c.j.Proven() != c.proven {
			t.Errorf("%s: proven %v, %s; want %v, %s", c.j.File, c.j.Proven(), got, c.proven, c.want)
		}
	}
}

func TestMoreFailuresThanCanBeReadAreCounted(t *testing.T) {
	wanted, found := cv.Values{}, cv.Values{}
	for n := 33; n < 83; n++ {
		wanted[register(n)], found[register(n)] = 1, 2
	}
	j := did("a", "apply", 1, found, wanted, "not proven")
	j.Found = found
	got := (Folder{Journals: []Journal{j}}).Failures()
	if len(got) != mostListed+1 || got[mostListed].What != "So did 30 registers more." {
		t.Errorf("%d failures, the last %v", len(got), got[len(got)-1])
	}
}

func TestRunsFailThatDoNotDoWhatASectionAsksFor(t *testing.T) {
	run := func(way station.Way, o trial.Outcome) trial.Run {
		return trial.Run{Number: 7, Line: 9, Way: way, Lead: station.Rear, Speed: 160, Made: true, Outcome: o, Stop: 1400}
	}
	of := Trial{File: "quay.toml"}
	of.Section.Room = 1800
	for _, c := range []struct {
		run  trial.Run
		want string
	}{
		{run(station.With, trial.Stopped), ""},
		{run(station.With, trial.Overran), "it passed the room of 1800 mm."},
		{run(station.With, trial.Slowed), "it slowed, and did not stop."},
		{run(station.With, trial.Ignored), "it ran on as if there were no section."},
		{run(station.Against, trial.Ignored), ""},
		{run(station.Against, trial.Stopped), "it stopped against the section, where it should run on."},
		{run(station.Against, trial.Slowed), "it slowed against the section, where it should run on."},
		{trial.Run{Number: 7, Line: 9, Outcome: trial.Overran}, ""},
	} {
		last := of
		last.Books = []Book{{File: "old.csv", Runs: []trial.Run{run(station.With, trial.Overran)}}, {File: "runs.csv", Runs: []trial.Run{c.run}}, {File: "planned.csv"}}
		if !c.run.Made {
			last.Books = last.Books[1:]
		}
		want := c.want
		if want != "" {
			want = "runs.csv:9 Run 7, rear leading, at 160 mm/s: " + want
		}
		if got := whats((Folder{Trials: []Trial{last}}).Failures()); got != want {
			t.Errorf("%v, %v: %q, want %q", c.run.Way, c.run.Outcome, got, want)
		}
	}
}

func TestASurveyFailsThatWasStoppedOrCouldNotProveARegister(t *testing.T) {
	s := survey("a", 1, values(3, 1))
	s.Left, s.Unsure = []cv.Register{register(5), register(6)}, []cv.Register{register(4)}
	want := "a:0 The survey was stopped before its end: 2 registers were left to read.\na:0 What 1 register holds could not be proven: 4."
	if got := whats((Folder{Surveys: []Survey{survey("b", 0, values(3, 1)), s}}).Failures()); got != want {
		t.Errorf("got %s, want %s", got, want)
	}
}
