package report

import (
	"fmt"
	"math"
	"path/filepath"
	"slices"
	"strings"
	"unicode"
	"unicode/utf8"

	"fettle/trial"
)

// book ties a file of runs to its trial: the one whose name, without its ending, its own name begins with, the longest such; where there is none, or
// the runs can't be of it, the only trial that they fit. Runs of a trial that was refused are of no other.
func (r *reader) book(name string, _ []byte) error {
	trials := r.trials()
	if of := namedAfter(name, slices.Concat(trials, r.refused)); of != nil && slices.Contains(r.refused, of) {
		return fmt.Errorf("found runs, and %s, which they belong to, was refused: mend it first", of.File)
	}
	if len(trials) == 0 {
		return fmt.Errorf("found runs, and no trial in the folder: want the trial file that they were made of beside them")
	}
	data, err := r.load(name, trial.MaxRunBytes+1)
	if err != nil {
		return err
	}
	named := namedAfter(name, trials)
	if named != nil {
		if err = named.add(name, data); err == nil {
			return nil
		}
	}
	var fitting []*Trial
	for _, t := range trials {
		runs, _, wrong := trial.ParseRuns(name, data, t.Trial)
		if err == nil && len(trials) == 1 {
			err = wrong
		}
		if wrong == nil && fits(t.Trial, runs) {
			fitting = append(fitting, t)
		}
	}
	switch {
	case len(fitting) == 1:
		return fitting[0].add(name, data)
	case err != nil:
		return err
	case len(fitting) == 0:
		return fmt.Errorf("found runs that fit none of %s: want them named after their trial, as %s", filesOf(trials), example(trials[0]))
	}
	return fmt.Errorf("found runs that fit %s alike: want them named after their trial, as %s", filesOf(fitting), example(fitting[0]))
}

// trials are all of the folder.
func (r *reader) trials() (all []*Trial) {
	for i := range r.folder.Trials {
		all = append(all, &r.folder.Trials[i])
	}
	for i := range r.folder.Speeds {
		all = append(all, &r.folder.Speeds[i])
	}
	return all
}

// stem is a file's name without its ending.
func stem(file string) string { return strings.TrimSuffix(file, filepath.Ext(file)) }

// namedAfter gives the trial that a file of runs is named after; nil where there is none. engine-30.csv is not named after engine-3.
func namedAfter(name string, trials []*Trial) (best *Trial) {
	for _, t := range trials {
		rest, ok := strings.CutPrefix(name, stem(t.File))
		next, _ := utf8.DecodeRuneInString(rest)
		if ok && !unicode.IsLetter(next) && !unicode.IsDigit(next) && (best == nil || len(stem(t.File)) > len(stem(best.File))) {
			best = t
		}
	}
	return best
}

// add reads runs as those of the trial, and judges them.
func (t *Trial) add(name string, data []byte) error {
	runs, doubts, err := trial.ParseRuns(name, data, t.Trial)
	if err != nil {
		return err
	}
	b := Book{File: name, Runs: runs, Doubts: doubts, Made: trial.ParseSittings(data)}
	if !ofSpeed(t.Trial) {
		b.Verdict = trial.Judge(t.Trial, runs)
	}
	t.Books = append(t.Books, b)
	return nil
}

// ofSpeed says whether a trial is one of speed.
func ofSpeed(t trial.Trial) bool { return len(t.Speed.Steps) > 0 }

// far is how far from a wanted speed a run may be that was made for it, as a share (our choice).
const far = 0.15

// fits says whether runs that can be read as those of a trial may well be: one in ten may be at another speed or step than those that are wanted.
func fits(t trial.Trial, runs []trial.Run) bool {
	if ofSpeed(t) {
		return true // its steps were looked at when the runs were read
	}
	off := 0
	for _, run := range runs {
		wanted := true
		switch {
		case len(t.Wanted.Steps) > 0 && run.Step != 0:
			wanted = slices.Contains(t.Wanted.Steps, run.Step)
		case len(t.Wanted.Speeds) > 0 && run.Speed != 0:
			wanted = false
			for _, v := range t.Wanted.Speeds {
				wanted = wanted || math.Abs(float64(run.Speed-v)) <= far*float64(v)
			}
		}
		if !wanted {
			off++
		}
	}
	return off*10 <= len(runs)
}

// filesOf names some trial files.
func filesOf(trials []*Trial) string {
	const most = 5
	var names []string
	for _, t := range trials[:min(len(trials), most)] {
		names = append(names, t.File)
	}
	if more := len(trials) - most; more > 0 {
		names = append(names, fmt.Sprintf("%d more", more))
	}
	if len(names) == 1 {
		return names[0]
	}
	return strings.Join(names[:len(names)-1], ", ") + " and " + names[len(names)-1]
}

// example is a name that says of which trial runs are.
func example(t *Trial) string { return stem(t.File) + ".runs.csv" }
