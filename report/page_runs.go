package report

import (
	"bytes"
	"fmt"
	"html/template"
	"io"
	"slices"
	"strconv"
	"strings"

	"fettle/report/chart"
	"fettle/station"
	"fettle/trial"
)

// bookPage is a file of runs, as a table.
type bookPage struct {
	ID       string
	File     string
	Trial    string // its title
	Made     string
	Count    int  // runs that were made
	Open     int  // runs that were not
	Full     bool // with every column
	Speed    bool // of a trial of speed
	Runs     []runRow
	Doubts   []string
	Sentence string // the verdict on it; "" of speeds

	has   map[int]bool // the runs that have a row
	lines map[int]int  // by line of the file, the run
}

// runRow is a run, each figure with its unit.
type runRow struct {
	ID, Number, Lead, Way, Step, Speed, Scale, Outcome, Stop, Time, Gates, Note, Line string
}

// runID is the id of the row of a run.
func (b bookPage) runID(run int) string { return b.ID + "-" + strconv.Itoa(run) }

// unlink has nothing lead to it: it is not on the page.
func (b *bookPage) unlink() { b.ID, b.Runs, b.has, b.lines = "", nil, nil, nil }

// booksOf are all files of runs: those of the trial that decides first, and its last file before those before it.
func booksOf(f Folder, prefix string) (books []bookPage) {
	_, decides, _ := f.Deciding()
	for i, t := range slices.Concat(f.Trials, f.Speeds) {
		for k, b := range slices.Backward(t.Books) {
			speed := i >= len(f.Trials)
			page := bookPage{
				ID: fmt.Sprintf("%sb%d", prefix, len(books)+1), File: b.File, Trial: t.Title, Made: sittings(b), Speed: speed, has: map[int]bool{}, lines: map[int]int{},
				Full: b.File == decides.File || speed && k == len(t.Books)-1, Sentence: b.Verdict.Sentence,
			}
			for _, r := range b.Runs {
				if !r.Made {
					page.Open++
					continue
				}
				page.Count++
				page.has[r.Number] = true
				if r.Line > 0 {
					page.lines[r.Line] = r.Number
				}
			}
			page.rows(t.Trial, b.Runs)
			for _, d := range b.Doubts {
				page.Doubts = append(page.Doubts, d.String())
			}
			books = append(books, page)
		}
	}
	slices.SortStableFunc(books, func(a, b bookPage) int {
		switch {
		case a.File == decides.File && b.File != a.File:
			return -1
		case b.File == decides.File && b.File != a.File:
			return 1
		}
		return 0
	})
	return books
}

// rows fills in the runs.
func (b *bookPage) rows(t trial.Trial, runs []trial.Run) {
	for _, r := range runs {
		if !r.Made {
			continue
		}
		row := runRow{ID: b.runID(r.Number), Number: strconv.Itoa(r.Number), Lead: r.Lead.String(), Way: r.Way.String(), Outcome: r.Outcome.String()}
		if r.Step > 0 {
			row.Step = strconv.Itoa(int(r.Step))
		}
		if r.Speed > 0 {
			row.Speed, row.Scale = decimal(float64(r.Speed))+" mm/s", toScale(r.Speed, t.Vehicle.Scale)
		}
		if r.Outcome == trial.Stopped && !b.Speed {
			row.Stop = decimal(float64(r.Stop)) + " mm"
		}
		if r.Time > 0 {
			row.Time = decimal(r.Time.Seconds()) + " s"
		}
		var gates []string
		for _, g := range r.Gates {
			gates = append(gates, fmt.Sprintf("%s mm: %s s", decimal(float64(g.At)), decimal(g.Time.Seconds())))
		}
		row.Gates, row.Note = strings.Join(gates, "; "), r.Note
		if r.Line > 0 {
			row.Line = strconv.Itoa(r.Line)
		}
		b.Runs = append(b.Runs, row)
	}
}

// decimal is a number with as few digits as say the same, three behind the point at the most.
func decimal(x float64) string {
	text := strconv.FormatFloat(x, 'f', 3, 64)
	return strings.TrimRight(strings.TrimRight(text, "0"), ".")
}

// speedsPage is what a trial of speed measured, step by step.
type speedsPage struct {
	ID     string
	Title  string
	Before string // the file of the runs before; "": there is none
	After  string
	Rows   []speedRow
}

type speedRow struct {
	Step   string
	Before [2]speedCell // by lead
	After  [2]speedCell
}

// speedCell is the mean of the runs at a step with one lead.
type speedCell struct {
	Text string
	Runs []link
	More int
}

// beforeAndAfter are the last file of runs of a trial, and the one before it.
func beforeAndAfter(t Trial) (before, after Book) {
	if n := len(t.Books); n > 0 {
		after = t.Books[n-1]
		if n > 1 {
			before = t.Books[n-2]
		}
	}
	return before, after
}

func speedsOf(f Folder, books []bookPage, prefix string) (pages []speedsPage) {
	for i, t := range f.Speeds {
		before, after := beforeAndAfter(t)
		if after.File == "" {
			continue
		}
		p := speedsPage{ID: fmt.Sprintf("%sspeeds%d", prefix, i+1), Title: t.Title, Before: before.File, After: after.File}
		var steps [256]bool
		for _, r := range slices.Concat(before.Runs, after.Runs) {
			steps[r.Step] = steps[r.Step] || r.Made
		}
		for step, seen := range steps {
			if !seen {
				continue
			}
			row := speedRow{Step: strconv.Itoa(step)}
			for _, lead := range []station.Lead{station.Front, station.Rear} {
				row.Before[lead] = speedAt(t.Trial, pageOfBook(books, before.File), before.Runs, lead, uint8(step))
				row.After[lead] = speedAt(t.Trial, pageOfBook(books, after.File), after.Runs, lead, uint8(step))
			}
			p.Rows = append(p.Rows, row)
		}
		pages = append(pages, p)
	}
	return pages
}

func speedAt(t trial.Trial, of bookPage, runs []trial.Run, lead station.Lead, step uint8) (cell speedCell) {
	var sum station.MillimetresPerSecond
	n := 0
	pick := func(r trial.Run) bool { return r.Made && r.Lead == lead && r.Step == step }
	for _, r := range runs {
		if pick(r) {
			sum += r.Speed
			n++
		}
	}
	if n == 0 {
		return cell
	}
	mean := sum / station.MillimetresPerSecond(n)
	cell.Text = fmt.Sprintf("%.1f mm/s", float64(mean))
	if scaled := toScale(mean, t.Vehicle.Scale); scaled != "" {
		cell.Text += ", " + scaled
	}
	cell.Runs, cell.More = of.runsThat(runs, pick)
	return cell
}

// plot is a picture, twice: for a wide window and for a narrow one.
type plot struct {
	ID           string
	Caption      string
	Of           link
	Wide, Narrow template.HTML
}

// inline is a picture of package chart.
type inline interface {
	WriteInline(w io.Writer, o chart.Inline) error
}

// plotOf draws a picture, wide and narrow.
func plotOf(p inline, o chart.Inline) (wide, narrow template.HTML, err error) {
	var drawn [2]bytes.Buffer
	for i := range drawn {
		o.Narrow = i == 1
		if err := p.WriteInline(&drawn[i], o); err != nil {
			return "", "", err
		}
	}
	return template.HTML(drawn[0].String()), template.HTML(drawn[1].String()), nil
}

// mostPlots is how many trials of a kind are drawn.
const mostPlots = 6

// plotsOf are the pictures that carry the verdict: of the trial that decides, of others, and of speeds before and after.
func plotsOf(f Folder, books []bookPage, prefix string) (plots []plot, err error) {
	t, b, ok := f.Deciding()
	address := func(file string) func(int) string {
		of := pageOfBook(books, file)
		return func(run int) string {
			if !of.has[run] {
				return ""
			}
			return "#" + of.runID(run)
		}
	}
	add := func(p inline, o chart.Inline, caption, file string) error {
		wide, narrow, err := plotOf(p, o)
		plots = append(plots, plot{fmt.Sprintf("%splot%d", prefix, len(plots)+1), caption, link{file, pageOfBook(books, file).ID}, wide, narrow})
		return err
	}
	if ok {
		drawn := chart.Braking{Trial: t.Trial, Runs: b.Runs, Verdict: b.Verdict}
		if err := add(drawn, chart.Inline{Link: address(b.File)}, "Stops, how it brakes, and in which cases it stops: "+t.Title, b.File); err != nil {
			return nil, err
		}
	}
	for _, other := range f.Trials {
		if n := len(other.Books); n > 0 && other.File != t.File && len(plots) < mostPlots {
			last := other.Books[n-1]
			drawn := chart.Braking{Trial: other.Trial, Runs: last.Runs, Verdict: last.Verdict}
			if err := add(drawn, chart.Inline{}, "Stops, how it brakes, and in which cases it stops: "+other.Title, last.File); err != nil {
				return nil, err
			}
		}
	}
	for i, t := range f.Speeds {
		before, after := beforeAndAfter(t)
		if after.File == "" || i == mostPlots {
			continue
		}
		drawn := chart.Speeds{Title: t.Title, Scale: t.Vehicle.Scale, Before: before.Runs, After: after.Runs}
		caption := "Speed by speed step: " + t.Title
		if before.File != "" {
			caption = "Speed by speed step, before and after: " + t.Title
		}
		if err := add(drawn, chart.Inline{Link: address(after.File), Before: address(before.File)}, caption, after.File); err != nil {
			return nil, err
		}
	}
	return plots, nil
}
