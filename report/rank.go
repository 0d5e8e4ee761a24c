package report

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"

	"fettle/station"
	"fettle/trial"
)

// Ranked is a folder in its place among several.
type Ranked struct {
	Folder
	Place   int      // from 1; equal where nothing tells two apart
	Reasons []string // in sentences, the weightiest first: why it stands behind the one before it, or before the one behind it
}

// Rank puts folders in the order of what their trial files ask for: fit before undecided before unfit; then how many of the wanted speeds and leads
// are on target; then how far the worst predicted stop, with its interval, is from the target, in tolerances; then the bound. Where the trial files ask
// for different things, the reasons say so. A folder without a trial is last.
func Rank(folders []Folder) []Ranked {
	var all []standing
	for _, f := range folders {
		all = append(all, standingOf(f))
	}
	slices.SortStableFunc(all, func(a, b standing) int {
		order, _ := a.compare(b)
		return order
	})
	ranked := make([]Ranked, len(all))
	for i, s := range all {
		ranked[i] = Ranked{Folder: s.folder, Place: i + 1}
		switch {
		case i > 0:
			if order, _ := all[i-1].compare(s); order == 0 {
				ranked[i].Place = ranked[i-1].Place
			}
			ranked[i].Reasons = s.reasons(all[i-1], "behind")
		case len(all) > 1:
			ranked[i].Reasons = s.reasons(all[1], "before")
		}
	}
	return ranked
}

// standing is what a folder is ranked by.
type standing struct {
	folder  Folder
	trial   Trial
	tried   bool // a run was made
	verdict trial.Verdict

	onTarget, stops int                 // wanted speeds and leads that are on target, of all
	worst           float64             // how far the far end of a predicted stop's interval is from the target, in tolerances; infinite where a stop is not known
	past            station.Millimetres // how far past the target the bound is; infinite where it is not known
}

func standingOf(f Folder) standing {
	t, b, tried := f.Deciding()
	s := standing{folder: f, trial: t, tried: tried, verdict: b.Verdict}
	if !tried {
		return s
	}
	w := t.Wanted
	for _, stop := range b.Verdict.Stops {
		s.stops++
		if stop.OnTarget == trial.Yes {
			s.onTarget++
		}
		off := math.Inf(1)
		if stop.Stopped > 0 {
			off = math.Max(math.Abs(float64(stop.Low-w.Stop)), math.Abs(float64(stop.High-w.Stop))) / float64(w.Within)
		}
		s.worst = max(s.worst, math.Round(off*100)/100) // what is shown is what counts
	}
	if s.stops == 0 {
		s.worst = math.Inf(1)
	}
	s.past = station.Millimetres(math.Inf(1))
	if at := b.Verdict.Bound.At; at != 0 {
		s.past = station.Millimetres(math.Round(float64(at - w.Stop)))
	}
	return s
}

// places of the verdicts, the best first.
var places = map[trial.Fitness]int{trial.Fit: 0, trial.MoreRuns: 1, trial.Unfit: 2}

var verdictWords = map[trial.Fitness]string{trial.Fit: "fit", trial.MoreRuns: "not settled by its runs", trial.Unfit: "not fit"}

// compare says which of two stands before the other, and why: the two sides of the reason, each of the one whose it is.
func (s standing) compare(o standing) (order int, why func(standing) string) {
	steps := []struct {
		order int
		why   func(standing) string
	}{
		{-compareBool(s.tried, o.tried), standing.triedWords},
		{cmp.Compare(places[s.verdict.Fitness], places[o.verdict.Fitness]), standing.verdictWords},
		{cmp.Compare(o.onTarget*max(s.stops, 1), s.onTarget*max(o.stops, 1)), standing.targetWords},
		{cmp.Compare(s.worst, o.worst), standing.worstWords},
		{cmp.Compare(s.past, o.past), standing.boundWords},
	}
	for _, step := range steps {
		if step.order != 0 {
			return step.order, step.why
		}
	}
	return 0, nil
}

func compareBool(a, b bool) int {
	switch {
	case a == b:
		return 0
	case a:
		return 1
	}
	return -1
}

func (s standing) triedWords() string {
	if s.tried {
		return "was tried"
	}
	return "was not tried"
}

func (s standing) verdictWords() string { return "is " + verdictWords[s.verdict.Fitness] }

func (s standing) targetWords() string {
	return fmt.Sprintf("is on target at %d of %s", s.onTarget, counted(s.stops, "wanted speed and lead", "wanted speeds and leads"))
}

func (s standing) worstWords() string {
	if math.IsInf(s.worst, 0) {
		return "did not stop at every wanted speed and lead"
	}
	return fmt.Sprintf("may stop on average as far as %.0f mm from the target of %g mm (%.2f times the tolerance of %g mm)",
		s.worst*float64(s.trial.Wanted.Within), float64(s.trial.Wanted.Stop), s.worst, float64(s.trial.Wanted.Within))
}

func (s standing) boundWords() string {
	if math.IsInf(float64(s.past), 0) {
		return "has no known bound for its stops"
	}
	b := s.verdict.Bound
	return fmt.Sprintf("ends %g stops in 100 before %.0f mm (confidence %g %%)", b.Share*100, float64(b.At), b.Confidence*100)
}

// reasons say why s stands before o, or behind it.
func (s standing) reasons(o standing, where string) (reasons []string) {
	order, why := s.compare(o)
	switch {
	case order == 0 && !s.tried:
		return []string{fmt.Sprintf("It stands beside %s: neither was tried.", o.folder.Name)}
	case order == 0:
		reasons = append(reasons, fmt.Sprintf("It stands beside %s: nothing that the trial asks for tells the two apart.", o.folder.Name))
	default:
		reasons = append(reasons, fmt.Sprintf("It stands %s %s: it %s, and %s %s.", where, o.folder.Name, why(s), o.folder.Name, why(o)))
	}
	if !s.tried {
		return reasons
	}
	if len(s.verdict.Reasons) > 0 && s.verdict.Fitness != trial.Fit {
		reasons = append(reasons, "Its verdict rests on this: "+s.verdict.Reasons[0]+".")
	}
	if !o.tried {
		return reasons
	}
	for _, more := range []struct {
		differ bool
		words  func(standing) string
	}{
		{s.onTarget != o.onTarget || s.stops != o.stops, standing.targetWords}, {s.worst != o.worst, standing.worstWords}, {s.past != o.past, standing.boundWords},
	} {
		if more.differ && (order == 0 || more.words(s) != why(s)) {
			reasons = append(reasons, fmt.Sprintf("It %s; %s %s.", more.words(s), o.folder.Name, more.words(o)))
		}
	}
	var mine, theirs []string
	others := askedOneByOne(o.trial.Trial)
	for i, words := range askedOneByOne(s.trial.Trial) {
		if words != others[i] {
			mine, theirs = append(mine, words), append(theirs, others[i])
		}
	}
	if mine != nil {
		reasons = append(reasons, fmt.Sprintf("The two trials ask for different things: this one for %s; that of %s for %s.",
			strings.Join(mine, ", "), o.folder.Name, strings.Join(theirs, ", ")))
	}
	return reasons
}

// asked is what a trial of braking asks for, in words.
func asked(t trial.Trial) string {
	words := askedOneByOne(t)
	return strings.Join(words[:], ", ")
}

// askedOneByOne is what a trial of braking asks for, in words, one thing each.
func askedOneByOne(t trial.Trial) [4]string {
	w := t.Wanted
	at := fmt.Sprintf("speeds of %v mm/s", joined(w.Speeds))
	if len(w.Steps) > 0 {
		at = "steps " + joined(w.Steps)
	}
	return [...]string{
		fmt.Sprintf("a stop at %g mm within %g mm", float64(w.Stop), float64(w.Within)), fmt.Sprintf("a room of %g mm", float64(t.Section.Room)),
		at, fmt.Sprintf("a confidence of %g %%", w.Confidence*100),
	}
}

// joined is a list of numbers in words: "80, 160 and 240".
func joined[T ~uint8 | ~float64](list []T) string {
	text := ""
	for i, n := range list {
		switch {
		case i == 0:
		case i == len(list)-1:
			text += " and "
		default:
			text += ", "
		}
		text += fmt.Sprintf("%g", float64(n))
	}
	return text
}
