package report

import (
	"fmt"
	"slices"
	"strings"

	"fettle/nmra/cv"
	"fettle/nmra/wave/conform"
	"fettle/prog/journal"
	"fettle/station"
	"fettle/trial"
)

// Failure is something that failed, or could not be proven.
type Failure struct {
	File string // that says so
	Line int    // of a file of runs; 0 where it is of no run, or of several
	What string // in a sentence
}

// mostListed is how many failures of a kind are told one by one of one file.
const mostListed = 20

// Failures is what failed, and what could not be proven: surveys and batches that were stopped, values that were not kept, files of runs that were refused, runs
// that did not do what a section asks for, and faults of the signal. Of runs only the last file of each trial counts: those before it are how it was.
func (f Folder) Failures() []Failure {
	var all []Failure
	for _, s := range f.Surveys {
		all = append(all, s.failures()...)
	}
	for _, j := range f.Journals {
		all = append(all, j.failures()...)
	}
	for _, u := range f.Refused() {
		all = append(all, Failure{File: u.File, What: "The file of runs was refused, and no verdict takes it in: " + u.Why + "."})
	}
	for _, t := range f.Trials {
		for _, b := range slices.Backward(t.Books) {
			if b.made() > 0 {
				all = append(all, t.failures(b)...)
				break
			}
		}
	}
	for _, c := range f.Captures {
		all = append(all, c.failures()...)
	}
	return all
}

func (s Survey) failures() (all []Failure) {
	if s.Unfinished() {
		what := "The survey was stopped before its end"
		if n := len(s.Left) + len(s.Once); n > 0 {
			what += ": " + counted(n, "register was", "registers were") + " left to read"
		}
		all = append(all, Failure{File: s.File, What: what + "."})
	}
	if n := len(s.Unsure); n > 0 {
		all = append(all, Failure{File: s.File, What: "What " + counted(n, "register holds", "registers hold") + " could not be proven: " + listed(s.Unsure) + "."})
	}
	return all
}

// Proven says whether the batch came to its end, and everything that it was to leave was proven when all was read again.
func (j Journal) Proven() bool {
	return j.Ended != "" && j.Ended != journal.NotProven && len(j.unlike())+len(j.unproven()) == 0
}

// unlike are the registers that were found to hold something else than was wanted.
func (j Journal) unlike() (registers []cv.Register) {
	for _, r := range j.Wanted.Registers() {
		if v, ok := j.Found[r]; ok && v != j.Wanted[r] {
			registers = append(registers, r)
		}
	}
	return registers
}

// unproven are the registers of which it is not known what the batch left in them.
func (j Journal) unproven() (registers []cv.Register) {
	if j.Found == nil {
		return nil
	}
	for _, r := range j.Wanted.Registers() {
		if _, ok := j.Found[r]; !ok {
			registers = append(registers, r)
		}
	}
	return registers
}

func (j Journal) failures() (all []Failure) {
	add := func(format string, args ...any) {
		all = append(all, Failure{File: j.File, What: fmt.Sprintf(format, args...)})
	}
	if j.Ended == "" {
		how := "fettle undo " + j.File + " puts back what it changed"
		if j.Wanted != nil {
			how = "fettle apply --resume " + j.File + " goes on with it, " + how
		}
		add("The batch (%s) was stopped half-way, after %s: %s.", j.Batch, counted(len(j.Writes), "write", "writes"), how)
	}
	unlike := j.unlike()
	for _, r := range unlike[:min(len(unlike), mostListed)] {
		add("Register %v was to hold %d, and held %d when all was read again.", r, j.Wanted[r], j.Found[r])
	}
	if more := len(unlike) - mostListed; more > 0 {
		add("So did %s more.", counted(more, "register", "registers"))
	}
	if unproven := j.unproven(); len(unproven) > 0 {
		add("What %s could not be proven when all was read again: %s.", counted(len(unproven), "register holds", "registers hold"), listed(unproven))
	}
	if j.Ended == journal.NotProven && len(all) == 0 {
		add("The batch (%s) came to its end, and not all that it was to leave was proven.", j.Batch)
	}
	return all
}

// failures are the runs of a book that did not do what a section asks for: to stop a vehicle that goes with it, and to let one run on that
// goes against it.
func (t Trial) failures(b Book) (all []Failure) {
	more := 0
	for _, run := range b.Runs {
		what := t.failed(run)
		switch {
		case what == "":
			continue
		case len(all) == mostListed:
			more++
			continue
		}
		all = append(all, Failure{b.File, run.Line, fmt.Sprintf("Run %d, %s leading%s: it %s.", run.Number, run.Lead, speedWords(run), what)})
	}
	if more > 0 {
		all = append(all, Failure{File: b.File, What: "So did " + counted(more, "run", "runs") + " more, or the like."})
	}
	return all
}

// failed says in words what a run did that it should not; "" where it did as it should, or was not made.
func (t Trial) failed(run trial.Run) string {
	switch {
	case !run.Made:
		return ""
	case run.Way == station.Against && run.Outcome == trial.Ignored:
		return ""
	case run.Way == station.Against && run.Outcome == trial.Slowed:
		return "slowed against the section, where it should run on"
	case run.Way == station.Against:
		return "stopped against the section, where it should run on"
	}
	switch run.Outcome {
	case trial.Overran:
		return fmt.Sprintf("passed the room of %g mm", float64(t.Section.Room))
	case trial.Slowed:
		return "slowed, and did not stop"
	case trial.Ignored:
		return "ran on as if there were no section"
	}
	return ""
}

// speedWords says how fast a run was: ", at 160 mm/s".
func speedWords(run trial.Run) string {
	switch {
	case run.Speed > 0:
		return fmt.Sprintf(", at %g mm/s", float64(run.Speed))
	case run.Step > 0:
		return fmt.Sprintf(", at step %d", run.Step)
	}
	return ""
}

func (c Capture) failures() (all []Failure) {
	add := func(format string, args ...any) {
		all = append(all, Failure{File: c.File, What: fmt.Sprintf(format, args...)})
	}
	if c.Stopped != "" {
		add("The recorded signal was not read to its end: %s.", c.Stopped)
	}
	for _, fault := range c.Result.Traffic.Faults {
		add("In the recorded signal: %s, %s.", fault.Fault, counted(int(fault.Count), "time", "times"))
	}
	for _, rule := range slices.Concat(c.Result.Rules, c.Voltage.Rules) {
		if rule.Verdict == conform.Broken {
			add("The recorded signal breaks %s, %s: %d of %d outside the limits.", rule.Section, rule.Name, rule.Outside, rule.Seen)
		}
	}
	if c.Result.Traffic.Packets == 0 {
		add("There is no packet in the recorded signal.")
	}
	return all
}

// listed names registers, and no more of them than can be read.
func listed(registers []cv.Register) string {
	words := cv.Ranges(registers)
	if more := len(words) - mostListed; more > 0 {
		words = append(words[:mostListed], fmt.Sprintf("and %d more", more))
	}
	return strings.Join(words, ", ")
}

// counted is a number with its noun: "1 run", "12 runs".
func counted(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %s", n, many)
}
