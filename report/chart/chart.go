// Package chart draws what was measured, as SVG (Scalable Vector Graphics 1.1) and what trials measure as PNG too: calm, legible on paper in black and white, and to those who
// see colours otherwise, since nothing is told by its colour alone. What a picture shows is also told in its description, to those
// who can't see it.
//
// [Signal] is a measured track signal: how many half-bits there are of each length against the limits of S-9.1 (2020), the voltages over
// time, and the signal around each fault with its bits and bytes.
//
// [Braking] is a trial of braking: where the stops lie against the entry speed, how the speed falls over the distance, and in which cases the
// vehicle stops; [Braking.Text] is a small chart for a terminal. [Speeds] is a trial of speed: how fast each step is. [Beside] is several trials of
// braking on the same axes.
//
// [Inline] says how a picture stands within a page of HTML: wide or narrow, in the page's colours, its points links.
//
// Whoever adds a picture makes a page of panels (page.go) and takes its lines, letters and axes from look.go. A panel is drawn for a look, wide or
// narrow: what it says beside a plot it says below it where it is narrow (names.go).
package chart

import (
	"io"

	"fettle/nmra/wave/conform"
)

// Signal is a measured track signal, as a picture. What is empty is left out.
type Signal struct {
	Title   string          // what was measured: the name of the capture, of its channel
	Result  conform.Result  // of a Meter
	Voltage conform.Voltage // of a Voltmeter; the zero Voltage where the capture has no voltages
	Strips  []conform.Strip // the List of Strips
}

// WriteSVG writes the picture: its panels one below the other. The same Signal always gives the same bytes. Names may hold anything.
// Errors are those of w.
func (s Signal) WriteSVG(w io.Writer) error { return s.page(wide).writeSVG(w) }

func (s Signal) page(l look) page {
	p := page{look: l, title: s.Title, panels: []panel{halvesPanel(l, s.Result)}}
	p.panels = append(p.panels, voltsPanels(l, s.Voltage)...)
	for _, strip := range s.Strips {
		p.panels = append(p.panels, stripPanel(l, strip))
	}
	return p
}
