package chart

import (
	"bytes"
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"iter"
	"slices"
	"strings"
	"unicode"

	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
	"gonum.org/v1/plot/vg/vgsvg"
)

// page is a picture: panels one below the other, or in columns.
type page struct {
	look
	title   string
	bare    bool // without its title, since what it is a part of has one
	columns int  // 0 is 1
	panels  []panel
}

// panel is one part of a page.
type panel struct {
	title  string
	notes  []string // in plain words, below the title
	about  string   // what else the picture shows, for those who can't see it
	height vg.Length
	draw   func(sheet) // nil: words are all of it
}

// link is what was drawn of a run.
type link struct {
	at     vg.Point // from the lower left
	run    int      // its number
	before bool     // it is one of those before a change
	words  string
}

const (
	panelGap  = 18
	axisLabel = 15 // what an axis label takes below a plot
)

// column is the look of a panel: as wide as its column.
func (p page) column() look {
	l := p.look
	if n := vg.Length(p.columns); n > 1 {
		l.width = (l.across()-panelGap*(n-1))/n + 2*l.margin
	}
	return l
}

// rows are the panels that stand beside each other.
func (p page) rows() iter.Seq[[]panel] { return slices.Chunk(p.panels, max(1, p.columns)) }

// title is the title of a page, or of a panel, in lines.
func (l look) title(size vg.Length, text string) []string {
	l.lines = 2
	return l.wrapped(bold(words(size, ink)), text)
}

// notes are the notes of a panel in lines.
func (l look) notes(notes []string) (lines []string) {
	for _, note := range notes {
		lines = append(lines, l.wrapped(words(l.normal, ink), note)...)
	}
	return lines
}

func (l look) titleHeight(title string) vg.Length {
	return 12 - 3 + (l.large+3)*vg.Length(len(l.title(l.large, title)))
}

// heads is how high the title of the panel and its notes are.
func (p panel) heads(l look) vg.Length {
	return (l.normal+3)*vg.Length(len(l.title(l.normal, p.title))+len(l.notes(p.notes))) + 4 + 3
}

// rowHeads is how high the titles and notes of panels beside each other are.
func rowHeads(row []panel, l look) (height vg.Length) {
	for _, p := range row {
		height = max(height, p.heads(l))
	}
	return height
}

// height is that of the page.
func (p page) height() vg.Length {
	height := 2*p.margin - panelGap
	if !p.bare {
		height += p.titleHeight(p.title)
	}
	for row := range p.rows() {
		tallest := vg.Length(0)
		for _, panel := range row {
			tallest = max(tallest, panel.height)
		}
		height += rowHeads(row, p.column()) + tallest + panelGap
	}
	return max(height, 1)
}

// writeSVG writes the page as SVG. The same page always gives the same bytes.
func (p page) writeSVG(w io.Writer) error {
	body, _, err := p.body()
	if err != nil {
		return err
	}
	_, err = fmt.Fprintf(w, "<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n<svg role=\"img\" xmlns=\"http://www.w3.org/2000/svg\" width=\"%.5gpt\" height=\"%.5gpt\" "+
		"viewBox=\"0 0 %.5[1]g %.5[2]g\">\n<title>%[3]s</title>\n<desc>%[4]s</desc>\n%[5]s</svg>\n",
		float64(p.width), float64(p.height()), escaped(p.title), p.about(), body)
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

// body draws the page, and gives what stands in the <svg> element of the drawing, and what was drawn of runs.
func (p page) body() (string, []link, error) {
	canvas := vgsvg.NewWith(vgsvg.UseWH(p.width, p.height()))
	links := p.drawOn(draw.New(canvas))
	var drawn bytes.Buffer
	if _, err := canvas.WriteTo(&drawn); err != nil {
		return "", nil, err
	}
	_, body, begun := strings.Cut(drawn.String(), "<svg ")
	_, body, opened := strings.Cut(body, ">")
	body, _, ended := strings.Cut(body, "</svg>")
	if !begun || !opened || !ended {
		return "", nil, errors.New("picture: the drawing is no svg element")
	}
	// Of the fonts that measure as the one that was measured with, most machines have one.
	body = strings.ReplaceAll(body, `style="font-family:Liberation Sans;`, `style="font-family:Liberation Sans,Arial,Helvetica,sans-serif;`)
	return body, links, nil
}

// drawOn draws the page, which has just the room for it.
func (p page) drawOn(canvas draw.Canvas) (links []link) {
	c := sheet{canvas, p.column(), &links}
	fill(c, c.Rectangle, white)
	c = c.crop(p.margin, -p.margin, p.margin, -p.margin)
	top := c.Max.Y
	put := func(x, y vg.Length, style draw.TextStyle, lines []string) vg.Length {
		for _, line := range lines {
			c.FillText(aligned(style, draw.XLeft, draw.YTop), vg.Point{X: x, Y: y}, line)
			y -= style.Font.Size + 3
		}
		return y
	}
	if !p.bare {
		put(c.Min.X, top, bold(words(c.large, ink)), p.look.title(c.large, p.title))
		top -= p.titleHeight(p.title)
	}
	for row := range p.rows() {
		heads, tallest := rowHeads(row, c.look), vg.Length(0)
		for i, panel := range row {
			x := c.Min.X + (c.across()+panelGap)*vg.Length(i)
			y := put(x, top, bold(words(c.normal, ink)), c.title(c.normal, panel.title)) - 4
			put(x, y, words(c.normal, ink), c.notes(panel.notes))
			if panel.draw != nil {
				panel.draw(c.within(box(x, top-heads-panel.height, x+c.across(), top-heads)))
			}
			tallest = max(tallest, panel.height)
		}
		top -= heads + tallest + panelGap
	}
	return links
}

// printable replaces what XML can't hold, and what would do something to the text around it: names come from a capture.
func printable(text string) string {
	return strings.Map(func(r rune) rune {
		if unicode.IsPrint(r) && r != unicode.ReplacementChar || r == '\u00a0' {
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

// wrapped breaks a text into lines that fit across a panel, between its words; what its lines have no room for is cut.
func (l look) wrapped(style draw.TextStyle, text string) (lines []string) {
	text = strings.ReplaceAll(printable(text[:min(len(text), 4000)]), " %", "\u00a0%")
	fields := strings.FieldsFunc(text, func(r rune) bool { return r == ' ' })
	for len(fields) > 0 {
		if len(lines) == l.lines-1 {
			return append(lines, fitted(style, strings.Join(fields, " "), l.across()))
		}
		n := 1
		for n < len(fields) && reserve(style, strings.Join(fields[:n+1], " ")) <= l.across() {
			n++
		}
		lines, fields = append(lines, fitted(style, strings.Join(fields[:n], " "), l.across())), fields[n:]
	}
	return lines
}

// fitted cuts a text that is wider than that in its middle, since a name and what is said of it stand at its ends.
func fitted(style draw.TextStyle, text string, width vg.Length) string {
	runes := []rune(text)
	keep := len(runes)
	for keep > 1 && reserve(style, text) > width {
		keep = min(keep-1, int(vg.Length(keep)*width/reserve(style, text))) // closer with each step, and never stuck
		text = string(runes[:(keep+1)/2]) + "…" + string(runes[len(runes)-keep/2:])
	}
	return text
}
