package trial

import "testing"

func TestAStopCountsTheRunsThatItRestsOnAndNoOthers(t *testing.T) {
	speeds, err := Read("../testdata/trials/night-mail-30.toml")
	if err != nil {
		t.Fatal(err)
	}
	runs, _, err := ReadRuns("../testdata/trials/night-mail-30.csv", speeds)
	if err != nil {
		t.Fatal(err)
	}
	runs[0].Outcome, runs[0].Stop = Overran, 0
	runs[1].Made = false
	steps := speeds
	steps.Wanted.Speeds, steps.Wanted.Steps = nil, []uint8{5, 10}
	stepped := append([]Run(nil), runs...)
	for i := range stepped {
		stepped[i].Step = uint8(5 + 5*(i%3))
	}
	for _, c := range []struct {
		trial Trial
		runs  []Run
	}{{speeds, runs}, {steps, stepped}} {
		of := 0
		for _, p := range Judge(c.trial, c.runs).Stops {
			stopped, overran := 0, 0
			for _, r := range c.runs {
				switch {
				case !p.Counts(c.trial.Wanted, r):
				case r.Outcome == Stopped:
					stopped++
				case r.Outcome == Overran:
					overran++
				default:
					t.Errorf("run %d, which %v, counts for %v at %v, step %d", r.Number, r.Outcome, p.Lead, p.Wanted, p.Step)
				}
			}
			if stopped != p.Stopped || overran != p.Overran {
				t.Errorf("%v at %v, step %d: %d stopped and %d overran count, want %d and %d", p.Lead, p.Wanted, p.Step, stopped, overran, p.Stopped, p.Overran)
			}
			of += stopped + overran
		}
		if of == 0 {
			t.Error("no run counts for any stop")
		}
	}
}
