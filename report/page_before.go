package report

import (
	"fmt"
	"slices"
	"strconv"
	"strings"

	"fettle/nmra/cv"
	"fettle/nmra/wave/conform"
	"fettle/prog/regset"
	"fettle/report/chart"
)

// beforePage is how it was before: surveys against the one before each, and runs that don't decide any more.
type beforePage struct {
	Changes []changePage
	Books   []earlierBook
}

// changePage is what a survey has otherwise than the one before it.
type changePage struct {
	Before, After string // files
	When          string
	Rows          []changeRow
	More          string // registers that are not told one by one, in ranges
	Count         int
}

type changeRow struct {
	Register, To, Name, Was, Is string
}

// earlierBook is a file of runs that a later one has taken the place of.
type earlierBook struct {
	To       string
	File     string
	Made     string
	Count    string
	Sentence string
}

func beforeOf(f Folder, books []bookPage, holds *holdsPage) (p beforePage) {
	known := f.Sheet().Sheet
	changes := f.Changes()
	for i, c := range slices.Backward(changes) { // the newest first
		page := changePage{Before: c.Before.File, After: c.After.File, When: when(c.After.When), Count: len(c.Differences)}
		var rest []cv.Register
		for n, d := range c.Differences {
			if n >= mostRegisters && i < len(changes)-1 {
				rest = append(rest, d.Register)
				continue
			}
			page.Rows = append(page.Rows, changeRow{d.Register.String(), holds.row(d.Register), known.Named(d.Register).Name, saying(d.A), saying(d.B)})
		}
		page.More = strings.Join(cv.Ranges(rest), ", ")
		p.Changes = append(p.Changes, page)
	}
	for _, t := range slices.Concat(f.Trials, f.Speeds) {
		for i, b := range slices.Backward(t.Books) {
			if i == len(t.Books)-1 {
				continue
			}
			of := pageOfBook(books, b.File)
			p.Books = append(p.Books, earlierBook{of.ID, b.File, of.Made, counted(of.Count, "run", "runs"), of.Sentence})
		}
	}
	return p
}

// saying is what a survey says of a register; "nothing said" where that is nothing.
func saying(s regset.Said) string {
	if text := s.String(); text != "" {
		return text
	}
	return "nothing said"
}

// askedOf is what each trial asks for: so that anyone can make the same runs in the same order.
func askedOf(f Folder) (facts []fact) {
	for _, t := range slices.Concat(f.Trials, f.Speeds) {
		var text []string
		add := func(format string, args ...any) { text = append(text, fmt.Sprintf(format, args...)) }
		if len(t.Speed.Steps) > 0 {
			add("speed steps %s, %s each", joined(t.Speed.Steps), counted(t.Runs.Repeats, "run", "runs"))
			if t.Speed.Between > 0 {
				add("timed between two gates %s apart", t.Speed.Between)
			} else if t.Speed.Lap > 0 {
				add("timed by hand over laps of %s", t.Speed.Lap)
			}
		} else {
			add("%s", asked(t.Trial))
			add("%s at each speed and lead, %d against the section", counted(t.Runs.Repeats, "run", "runs"), t.Runs.Against)
		}
		leads := make([]string, len(t.Runs.Leads))
		for i, lead := range t.Runs.Leads {
			leads[i] = lead.String()
		}
		add("leads: %s", strings.Join(leads, ", "))
		add("order drawn at random with seed %d", t.Runs.Seed)
		facts = append(facts, fact{Label: t.Title, Text: strings.Join(text, "; ")})
	}
	return facts
}

// signalPage is a captured track signal, held against the standards.
type signalPage struct {
	ID      string
	File    string
	Summary string
	Stopped string
	Rules   []ruleRow
	Faults  []link
	plot
}

// ruleRow is a rule of a standard, and what was measured by it.
type ruleRow struct {
	Words, Limits, Seen, Outside, Verdict string
}

func signalsOf(f Folder, prefix string) (pages []signalPage, err error) {
	for i, c := range f.Captures {
		p := signalPage{ID: fmt.Sprintf("%ssignal%d", prefix, i+1), File: c.File, Stopped: c.Stopped}
		r := c.Result.Traffic
		p.Summary = fmt.Sprintf("%s; the signal is in channel %s: %.3f s, %s (%.0f %% of them idle).", c.Info.Form, c.Info.Signal, r.Length.Seconds(),
			counted(int(r.Packets), "packet", "packets"), 100*r.IdleShare())
		for _, fault := range r.Faults {
			p.Faults = append(p.Faults, link{Text: fmt.Sprintf("%s: %s", fault.Fault, counted(int(fault.Count), "time", "times"))})
		}
		for _, rule := range slices.Concat(c.Result.Rules, c.Voltage.Rules) {
			if rule.Verdict != conform.NotSeen {
				p.Rules = append(p.Rules, ruleRowOf(rule))
			}
		}
		if i < mostPlots {
			p.plot.Caption = "Halves, voltages and what is worth a look: "
			p.Wide, p.Narrow, err = plotOf(chart.Signal{Title: c.File, Result: c.Result, Voltage: c.Voltage, Strips: c.Strips}, chart.Inline{})
			if err != nil {
				return nil, err
			}
		}
		pages = append(pages, p)
	}
	return pages, nil
}

func ruleRowOf(r conform.Rule) ruleRow {
	unit := " " + string(r.Unit)
	if r.Unit == conform.Count {
		unit = ""
	}
	row := ruleRow{Words: fmt.Sprintf("%s (%s)", r.Name, r.Section), Verdict: r.Verdict.String(), Outside: strconv.FormatInt(r.Outside, 10)}
	switch l := r.Limits; {
	case l.Least != 0 && l.Most != 0:
		row.Limits = decimal(l.Least) + " to " + decimal(l.Most) + unit
	case l.Least != 0:
		row.Limits = decimal(l.Least) + unit + " or more"
	case l.Most != 0:
		row.Limits = decimal(l.Most) + unit + " or less"
	}
	if r.Unit != conform.Count && r.Seen > 0 {
		row.Seen = fmt.Sprintf("%s to %s%s, median %s", decimal(r.Least), decimal(r.Most), unit, decimal(r.Median))
	}
	return row
}
