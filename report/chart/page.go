package chart

import (
	"bytes"
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"strings"
	"unicode"

	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
	"gonum.org/v1/plot/vg/vgsvg"
)

// page is a picture: panels one below the other.
type page struct {
	title  string
	panels []panel
}

// panel is one part of a page.
type panel struct {
	title  string
	notes  []string // in plain words, below the title
	about  string   // what else the picture shows, for those who can't see it
	height vg.Length
	draw   func(draw.Canvas) // nil: words are all of it
}

const (
	titleHeight = large + 12
	panelTitle  = normal + 7
	noteHeight  = normal + 3
	panelGap    = 18
	axisLabel   = 13 // what an axis label takes below a plot
)

// heads is how high the title of the panel and its notes are.
func (p panel) heads() vg.Length { return panelTitle + noteHeight*vg.Length(len(p.notes)) + 3 }

// height is that of the page.
func (p page) height() vg.Length {
	height := 2*pageMargin + titleHeight - panelGap
	for _, panel := range p.panels {
		height += panel.heads() + panel.height + panelGap
	}
	return height
}

// writeSVG writes the page as SVG. The same page always gives the same bytes.
func (p page) writeSVG(w io.Writer) error {
	body, err := p.body()
	if err != nil {
		return err
	}
	_, err = fmt.Fprintf(w, "<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n<svg role=\"img\" xmlns=\"http://www.w3.org/2000/svg\" width=\"%.5gpt\" height=\"%.5gpt\" "+
		"viewBox=\"0 0 %.5[1]g %.5[2]g\">\n<title>%[3]s</title>\n<desc>%[4]s</desc>\n%[5]s</svg>\n",
		float64(pageWidth), float64(p.height()), escaped(p.title), p.about(), body)
	return err
}

// about says what the page shows, as XML has it.
func (p page) about() string {
	var about []string
	for _, panel := range p.panels {
		for _, line := range append([]string{panel.title}, append(panel.notes, panel.about)...) {
			if line != "" {
				about = append(about, escaped(line))
			}
		}
	}
	return strings.Join(about, "\n")
}

// body draws the page, and gives what stands in the <svg> element of the drawing.
func (p page) body() (string, error) {
	canvas := vgsvg.NewWith(vgsvg.UseWH(pageWidth, p.height()))
	p.drawOn(draw.New(canvas))
	var drawn bytes.Buffer
	if _, err := canvas.WriteTo(&drawn); err != nil {
		return "", err
	}
	_, body, begun := strings.Cut(drawn.String(), "<svg ")
	_, body, opened := strings.Cut(body, ">")
	body, _, ended := strings.Cut(body, "</svg>")
	if !begun || !opened || !ended {
		return "", errors.New("picture: the drawing is no svg element")
	}
	// Of the fonts that measure as the one that was measured with, most machines have one.
	return strings.ReplaceAll(body, `style="font-family:Liberation Sans;`, `style="font-family:Liberation Sans,Arial,Helvetica,sans-serif;`), nil
}

// drawOn draws the page, which has just the room for it.
func (p page) drawOn(c draw.Canvas) {
	fill(c, c.Rectangle, white)
	c = draw.Crop(c, pageMargin, -pageMargin, pageMargin, -pageMargin)
	top := c.Max.Y
	put := func(style draw.TextStyle, text string, height vg.Length) {
		c.FillText(aligned(style, draw.XLeft, draw.YTop), vg.Point{X: c.Min.X, Y: top}, fitted(style, printable(text), c.Size().X))
		top -= height
	}
	put(bold(words(large, ink)), p.title, titleHeight)
	for _, panel := range p.panels {
		put(bold(words(normal, ink)), panel.title, panelTitle)
		for _, note := range panel.notes {
			put(words(normal, ink), note, noteHeight)
		}
		top -= panel.heads() - panelTitle - noteHeight*vg.Length(len(panel.notes))
		area := c
		area.Max.Y, area.Min.Y = top, top-panel.height
		if panel.draw != nil {
			panel.draw(area)
		}
		top -= panel.height + panelGap
	}
}

// printable replaces what XML can't hold, and what would do something to the text around it: names come from a capture.
func printable(text string) string {
	return strings.Map(func(r rune) rune {
		if unicode.IsPrint(r) && r != unicode.ReplacementChar {
			return r
		}
		return '?'
	}, text)
}

// escaped is a line of text as XML has it.
func escaped(text string) string {
	var b strings.Builder
	if err := xml.EscapeText(&b, []byte(printable(text))); err != nil {
		return "" // a strings.Builder takes everything
	}
	return b.String()
}

// wrapped breaks a text into lines of that width, between its words; what four lines have no room for is cut.
func wrapped(style draw.TextStyle, text string, width vg.Length) (lines []string) {
	const most = 4
	text = printable(text[:min(len(text), 4000)])
	fields := strings.Fields(text)
	for len(fields) > 0 {
		if len(lines) == most-1 {
			return append(lines, fitted(style, strings.Join(fields, " "), width))
		}
		n := 1
		for n < len(fields) && style.Width(strings.Join(fields[:n+1], " "))*1.1 <= width { // with room for fonts that are wider
			n++
		}
		lines, fields = append(lines, strings.Join(fields[:n], " ")), fields[n:]
	}
	return lines
}

// fitted cuts a text that is wider than that in its middle, since a name and what is said of it stand at its ends.
func fitted(style draw.TextStyle, text string, width vg.Length) string {
	runes := []rune(text)
	keep := len(runes)
	for keep > 1 && style.Width(text) > width {
		keep = min(keep-1, int(vg.Length(keep)*width/style.Width(text))) // closer with each step, and never stuck
		text = string(runes[:(keep+1)/2]) + "…" + string(runes[len(runes)-keep/2:])
	}
	return text
}
