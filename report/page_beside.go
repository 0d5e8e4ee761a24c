package report

import (
	"fmt"
	"html/template"
	"math"
	"strings"

	"fettle/nmra/cv"
	"fettle/report/chart"
	"fettle/station"
	"fettle/trial"
)

// beside is several folders side by side.
type beside struct {
	Ranked       []rankedRow
	Wide, Narrow template.HTML // their stops on the same axes; empty where none has any
	Figures      []besideRow
	Differ       []besideRow // registers that don't hold the same in all of them
	Holders      []string    // the folders that say what registers hold: the columns of Differ
	Silent       string      // the others, in words
	More         string      // those that are not told one by one, in ranges
}

// rankedRow is a folder in its place.
type rankedRow struct {
	Place   int
	Name    string
	To      string // its section of the page
	Verdict string
	Reasons []string // why it is not before the one before it; none of the first
}

// besideRow is one thing, of each folder in the order of their places.
type besideRow struct {
	Label string
	Name  string // of a register
	Cells []link
}

// table is rows side by side, with a head.
type table struct {
	ID, Caption, First string
	Names              []string
	Rows               []besideRow
}

// FiguresOf are the figures, as a table.
func (b beside) FiguresOf() table {
	return table{"figures-table", "What the runs show", "figure", b.names(), b.Figures}
}

// DifferOf are the registers that differ, as a table.
func (b beside) DifferOf() table {
	return table{"differ-table", "Registers that do not hold the same", "register", b.Holders, b.Differ}
}

func (b beside) names() (names []string) {
	for _, r := range b.Ranked {
		names = append(names, r.Name)
	}
	return names
}

// mostDiffering is how many registers that differ are told one by one.
const mostDiffering = 256

func besideOf(ranked []Ranked, pages []folderPage) (b beside, err error) {
	drawn := chart.Beside{}
	for i, r := range ranked {
		row := rankedRow{Place: r.Place, Name: r.Name, To: pages[i].Prefix + "verdict", Verdict: "no trial of braking"}
		if i > 0 {
			row.Reasons = r.Reasons // those of the first say the same from the other side
		}
		if t, book, ok := r.Deciding(); ok {
			row.Verdict = fitness(book.Verdict)
			drawn.Of = append(drawn.Of, chart.Braking{Trial: t.Trial, Runs: book.Runs, Verdict: book.Verdict})
			drawn.Names = append(drawn.Names, r.Name)
		}
		b.Ranked = append(b.Ranked, row)
	}
	if len(drawn.Of) > 0 {
		if b.Wide, b.Narrow, err = plotOf(drawn, chart.Inline{}); err != nil {
			return beside{}, err
		}
	}
	b.figures(ranked, pages)
	b.differing(ranked)
	return b, nil
}

// fitness is the verdict in a word or a few.
func fitness(v trial.Verdict) string {
	switch v.Fitness {
	case trial.Fit:
		return "fit"
	case trial.Unfit:
		return "unfit"
	}
	if v.MoreRuns > 0 {
		return fmt.Sprintf("not settled: %d more %s would", v.MoreRuns, map[bool]string{true: "run", false: "runs"}[v.MoreRuns == 1])
	}
	return "not settled"
}

// figures are those of the verdicts, in rows.
func (b *beside) figures(ranked []Ranked, pages []folderPage) {
	row := func(label, id string, text func(t trial.Trial, v trial.Verdict) string) {
		r := besideRow{Label: label}
		for i, of := range ranked {
			cell := link{Text: "not known"}
			if t, book, ok := of.Deciding(); ok {
				if said := text(t.Trial, book.Verdict); said != "" {
					cell = link{said, pages[i].Prefix + id}
				}
			}
			r.Cells = append(r.Cells, cell)
		}
		b.Figures = append(b.Figures, r)
	}
	row("wanted", "verdict", func(t trial.Trial, _ trial.Verdict) string { return asked(t) })
	row("worst stop", "stops", func(t trial.Trial, v trial.Verdict) string {
		var worst trial.PredictedStop
		far := -1.0
		for _, s := range v.Stops {
			if off := math.Abs(float64(s.Stop - t.Wanted.Stop)); s.Stopped > 0 && off > far {
				worst, far = s, off
			}
		}
		if far < 0 {
			return ""
		}
		return fmt.Sprintf("%s (%.0f to %.0f mm), %s leading at %s", worst.Stop, float64(worst.Low), float64(worst.High), worst.Lead, speedOrStep(worst))
	})
	row("on target", "stops", func(_ trial.Trial, v trial.Verdict) string {
		on := 0
		for _, s := range v.Stops {
			if s.OnTarget == trial.Yes {
				on++
			}
		}
		return fmt.Sprintf("%d of %d speeds and leads", on, len(v.Stops))
	})
	row("senses", "cases", func(_ trial.Trial, v trial.Verdict) string { return v.Response.Senses.String() })
	row("exponent", "law", func(_ trial.Trial, v trial.Verdict) string {
		if !v.Law.Known {
			return ""
		}
		return v.Law.String()
	})
	row("pattern", "law", func(_ trial.Trial, v trial.Verdict) string { return v.Pattern.String() })
	row("scatter", "scatter", func(_ trial.Trial, v trial.Verdict) string {
		if v.Scatter.Degrees == 0 {
			return ""
		}
		return fmt.Sprintf("%.1f mm", float64(v.Scatter.Deviation))
	})
	row("bound", "scatter", func(t trial.Trial, v trial.Verdict) string {
		if !(v.Bound.At > 0) {
			return ""
		}
		return fmt.Sprintf("%s end before %s; room %s", percent(v.Bound.Share), v.Bound.At, roomOf(t))
	})
	row("runs", "cases", func(_ trial.Trial, v trial.Verdict) string {
		n := 0
		for _, lead := range []station.Lead{station.Front, station.Rear} {
			n += v.Response.Case(lead, station.With).Runs() + v.Response.Case(lead, station.Against).Runs()
		}
		return counted(n, "run", "runs")
	})
	station := besideRow{Label: "made on"}
	for i, of := range ranked {
		cell := link{Text: "not known"}
		if _, book, ok := of.Deciding(); ok {
			cell = link{sittings(book), pages[i].Prefix + "verdict"}
		}
		station.Cells = append(station.Cells, cell)
	}
	b.Figures = append(b.Figures, station)
}

// speedOrStep is at what a stop was wanted.
func speedOrStep(s trial.PredictedStop) string {
	if s.Wanted == 0 {
		return fmt.Sprintf("step %d", s.Step)
	}
	return s.Wanted.String()
}

// differing are the registers that do not hold the same in all folders that say anything of them.
func (b *beside) differing(ranked []Ranked) {
	all, held := cv.Values{}, make([]cv.Values, len(ranked))
	for i, of := range ranked {
		held[i] = cv.Values{}
		for _, now := range of.Now() {
			if now.Register.Volatile() {
				continue // it holds something else each time
			}
			held[i][now.Register], all[now.Register] = now.Value, 0
		}
	}
	var silent []string
	for i, of := range ranked {
		if len(held[i]) > 0 {
			b.Holders = append(b.Holders, of.Name)
		} else {
			silent = append(silent, of.Name)
		}
	}
	b.Silent = strings.Join(silent, ", ")
	var rest []cv.Register
	for _, r := range all.Registers() {
		row := besideRow{Label: r.String(), Name: cv.Explain(r).Name}
		seen := map[string]bool{}
		for i := range ranked {
			if len(held[i]) == 0 {
				continue
			}
			cell := link{Text: "nothing said"}
			if v, ok := held[i][r]; ok {
				cell.Text = fmt.Sprint(v)
			}
			seen[cell.Text] = true
			row.Cells = append(row.Cells, cell)
		}
		switch {
		case len(seen) < 2:
		case len(b.Differ) == mostDiffering:
			rest = append(rest, r)
		default:
			for _, of := range ranked { // the sheet's name of the first that has one
				if known := of.Sheet().Named(r).Name; known != row.Name {
					row.Name = known
					break
				}
			}
			b.Differ = append(b.Differ, row)
		}
	}
	b.More = strings.Join(cv.Ranges(rest), ", ")
}
