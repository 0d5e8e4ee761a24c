package chart

import (
	"io"
	"slices"

	"fettle/trial"
)

// Beside is several trials of braking on the same axes, as a picture: a panel each, side by side where the picture is wide, below each other where it
// is narrow.
type Beside struct {
	Of    []Braking
	Names []string // what each is called, in their order; where there is none it is the title of its trial
}

// WriteSVG writes the picture as SVG. The same Beside always gives the same bytes. Names may hold anything. Errors are those of w.
func (b Beside) WriteSVG(w io.Writer) error { return b.page(wide).writeSVG(w) }

// WritePNG writes the same picture as PNG, with two dots a point. Errors are those of w.
func (b Beside) WritePNG(w io.Writer) error { return b.page(wide).writePNG(w) }

// WriteInline writes the picture as a part of a page of HTML, without links. The same Beside and Inline always give the same bytes. Names may
// hold anything. Errors are those of w.
func (b Beside) WriteInline(w io.Writer, o Inline) error {
	return b.page(o.look()).writeInline(w, Inline{Narrow: o.Narrow})
}

// mostColumns is how many panels stand beside each other: of more, each would be too narrow to read.
const mostColumns = 3

func (b Beside) page(l look) page {
	p := page{look: l, title: "Where they stop, by entry speed", columns: 1}
	if n := len(b.Of); n > 1 && !l.below {
		p.columns = min(n, mostColumns)
		if n == 4 {
			p.columns = 2
		}
		p.look.below = true
	}
	for i, plot := range b.plots() {
		panel := plot.panel(p.column())
		panel.title = plot.Trial.Title
		if i < len(b.Names) {
			panel.title = b.Names[i]
		}
		p.panels = append(p.panels, panel)
	}
	if len(p.panels) == 0 {
		p.panels = []panel{{notes: []string{"No trial of braking is here."}}}
	}
	return p
}

// plots are the trials on axes that have room for all, each with the strips that any needs, so that they can be held against each other.
func (b Beside) plots() (plots []stopsPlot) {
	var all reach
	var strips []trial.Outcome
	for i, of := range b.Of {
		of.Verdict.Sentence = ""
		plot := of.stopsPlot()
		if i == 0 {
			all = plot.reach
		}
		all = reach{max(all.speed, plot.reach.speed), min(all.low, plot.reach.low), max(all.high, plot.reach.high)}
		strips = append(strips, plot.strips...)
		plots = append(plots, plot)
	}
	slices.Sort(strips)
	strips = slices.Compact(strips)
	for i := range plots {
		plots[i].reach, plots[i].strips = all, strips
		plots[i].law = plots[i].lawCurve(all)
	}
	return plots
}
