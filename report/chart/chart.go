// Package chart draws what was measured, as SVG: calm, legible on paper in black and white, and to those who see colours otherwise, since
// nothing is told by its colour alone.
//
// [Signal] is a measured track signal.
package chart

import (
	"io"

	"fettle/nmra/wave/conform"
)

// Signal is a measured track signal, as a picture. What is empty is left out.
type Signal struct {
	Title  string // what was measured: the name of the capture, of its channel
	Strips []conform.Strip
}

// WriteSVG writes the picture: its panels one below the other. The same Signal always gives the same bytes. Names may hold anything.
// Errors are those of w.
func (s Signal) WriteSVG(w io.Writer) error {
	p := page{title: s.Title}
	for _, strip := range s.Strips {
		p.panels = append(p.panels, stripPanel(strip))
	}
	return p.writeSVG(w)
}
