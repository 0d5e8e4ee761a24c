package chart

import (
	"fmt"
	"image/color"
	"io"
	"regexp"
	"strings"
)

// Inline says how a picture stands within a page of HTML: as an <svg> element without a size of its own, in the colours of the page.
//
// Its colours are CSS custom properties, with those of the other pictures where the page does not set them: --paper, --ink, --quiet (small
// words), --faint (thin lines), --pale (areas), --blue (the rear leads), --rust (at fault) and --band (an interval). What it shows is told in
// the name and the description of a group with the role img. Its points are links in a group of their own: not in the tab order and hidden from
// a screen reader, since they lead to rows of tables that are in it.
//
// A picture within a page has neither the title of the trial nor the verdict: the page has them in its text.
type Inline struct {
	Narrow bool                 // for a telephone: 360 units wide, with letters of 9 and more. Else 760 wide
	Link   func(run int) string // the address of a run's row, by the number of the run; nil, or "": none
	Before func(run int) string // of Speeds: likewise of the runs before the change
}

// look is the measure of the picture.
func (o Inline) look() look {
	if o.Narrow {
		return narrow
	}
	return wide
}

// WriteInline writes the picture as a part of a page of HTML. The same Braking and Inline always give the same bytes. Names may hold
// anything. Errors are those of w.
func (b Braking) WriteInline(w io.Writer, o Inline) error {
	b.Verdict.Sentence = ""
	return b.page(o.look()).writeInline(w, o)
}

// WriteInline writes the picture as a part of a page of HTML. The same Speeds and Inline always give the same bytes. Names may hold
// anything. Errors are those of w.
func (s Speeds) WriteInline(w io.Writer, o Inline) error { return s.page(o.look()).writeInline(w, o) }

// WriteInline writes the picture as a part of a page of HTML. The same Signal and Inline always give the same bytes. Names may hold
// anything. Errors are those of w.
func (s Signal) WriteInline(w io.Writer, o Inline) error { return s.page(o.look()).writeInline(w, o) }

// WritePage writes the picture as an SVG file for the <img> of a page of HTML: light or dark as its reader has the page, and narrow for a
// telephone. The same Braking always gives the same bytes. Names may hold anything. Errors are those of w.
func (b Braking) WritePage(w io.Writer, narrow bool) error {
	b.Verdict.Sentence = ""
	return b.page(Inline{Narrow: narrow}.look()).writeStandalone(w)
}

// property is a colour of the pictures that a page can set.
type property struct {
	name        string
	light, dark color.Color
}

var properties = []property{
	{"paper", white, color.RGBA{R: 0x14, G: 0x17, B: 0x1a, A: 0xff}},
	{"ink", ink, color.RGBA{R: 0xec, G: 0xeb, B: 0xe6, A: 0xff}},
	{"quiet", quiet, color.RGBA{R: 0xa9, G: 0xae, B: 0xb3, A: 0xff}},
	{"faint", faint, color.RGBA{R: 0x4a, G: 0x50, B: 0x57, A: 0xff}},
	{"pale", pale, color.RGBA{R: 0x24, G: 0x29, B: 0x2e, A: 0xff}},
	{"blue", blue, color.RGBA{R: 0x8f, G: 0xbd, B: 0xf2, A: 0xff}},
	{"rust", rust, color.RGBA{R: 0xf5, G: 0x9a, B: 0x62, A: 0xff}},
	{"band", lawBand, color.RGBA{R: 0x1e, G: 0x34, B: 0x50, A: 0xff}},
}

// hex is a colour as CSS has it.
func hex(c color.Color) string {
	r, g, b, _ := c.RGBA()
	return fmt.Sprintf("#%02x%02x%02x", r>>8, g>>8, b>>8)
}

var (
	styled   = regexp.MustCompile(`style="[^"]*"`) // of an element: in a text each " is escaped
	painted  = regexp.MustCompile(`#[0-9A-Fa-f]{6}`)
	variable = func() map[string]string {
		all := map[string]string{}
		for _, p := range properties {
			all[hex(p.light)] = "var(--" + p.name + "," + hex(p.light) + ")"
		}
		return all
	}()
)

// themed gives the elements of a drawing colours that a page can set.
func themed(body string) string {
	return styled.ReplaceAllStringFunc(body, func(style string) string {
		return painted.ReplaceAllStringFunc(style, func(paint string) string {
			if v, ok := variable[strings.ToLower(paint)]; ok {
				return v
			}
			return paint
		})
	})
}

// writeInline writes the page as an <svg> element of a page of HTML.
func (p page) writeInline(w io.Writer, o Inline) error {
	p.bare = true
	body, links, err := p.body()
	if err != nil {
		return err
	}
	class := "plot"
	if o.Narrow {
		class = "plot narrow"
	}
	_, err = fmt.Fprintf(w, "<svg xmlns=\"http://www.w3.org/2000/svg\" class=\"%s\" viewBox=\"0 0 %.5g %.5g\">\n<g role=\"img\" aria-label=\"%s\">\n<desc>%s</desc>\n%s</g>\n%s</svg>\n",
		class, float64(p.width), float64(p.height()), escaped(p.title), p.about(), themed(body), p.linked(links, o))
	return err
}

// linked is what lies over a drawing: a circle for each run that has an address. It may not be within the drawing, since a picture has nothing
// in it that can be followed.
func (p page) linked(links []link, o Inline) string {
	const radius = 6
	var b strings.Builder
	for _, l := range links {
		address := o.Link
		if l.before {
			address = o.Before
		}
		if address == nil {
			continue
		}
		if to := address(l.run); to != "" {
			fmt.Fprintf(&b, "<a href=\"%s\" tabindex=\"-1\"><title>%s</title><circle cx=\"%.1f\" cy=\"%.1f\" r=\"%d\"/></a>\n",
				escaped(to), escaped(l.words), float64(l.at.X), float64(p.height()-l.at.Y), radius)
		}
	}
	if b.Len() == 0 {
		return ""
	}
	return "<g class=\"points\" aria-hidden=\"true\" fill=\"none\" pointer-events=\"all\">\n" + b.String() + "</g>\n"
}

// writeStandalone writes the page as a file that follows what its reader prefers, light or dark.
func (p page) writeStandalone(w io.Writer) error {
	p.bare = true
	body, _, err := p.body()
	if err != nil {
		return err
	}
	var dark strings.Builder
	for _, property := range properties {
		fmt.Fprintf(&dark, "--%s:%s;", property.name, hex(property.dark))
	}
	_, err = fmt.Fprintf(w, "<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n<svg role=\"img\" xmlns=\"http://www.w3.org/2000/svg\" width=\"%.5g\" height=\"%.5[2]g\" "+
		"viewBox=\"0 0 %.5[1]g %.5[2]g\">\n<title>%[3]s</title>\n<desc>%[4]s</desc>\n<style>@media (prefers-color-scheme: dark) { svg { %[5]s } }</style>\n%[6]s</svg>\n",
		float64(p.width), float64(p.height()), escaped(p.title), p.about(), dark.String(), themed(body))
	return err
}
