package chart

import (
	"io"
)

// Beside is several trials of braking on the same axes, as a picture: a panel each.
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
func (b Beside) WriteInline(w io.Writer, o Inline) error { return b.page(o.look()).writeInline(w, o) }

func (b Beside) page(l look) page {
	p := page{look: l, title: "Where they stop, by entry speed"}
	for i, of := range b.Of {
		of.Verdict.Sentence = ""
		panel := of.stopsPanel(l)
		panel.title = of.Trial.Title
		if i < len(b.Names) {
			panel.title = b.Names[i]
		}
		p.panels = append(p.panels, panel)
	}
	return p
}
