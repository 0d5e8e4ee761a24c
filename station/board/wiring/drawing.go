package main

import (
	"bytes"
	"encoding/xml"
	"fmt"
	"strings"
)

// point is a place in the drawing, in units of which the drawing is width by height: x to the right, y down.
type point struct{ x, y int }

// The paper: A4, upright, so that a telephone shows it too. A unit is a quarter of a millimetre on A4.
const width, height = 840, 1188

// kind is what a wire carries. No two kinds have the same dashes and width, so that colour is never all that tells them apart.
type kind struct {
	name   string
	colour string // one that those who see few colours can tell from the others here
	width  int
	dashes string // lengths drawn and left out by turns
}

// wire joins points by straight lines.
type wire struct {
	kind kind
	path []point
}

// text is one line of letters. at is at its left, middle or right end, on the line on which letters stand.
type text struct {
	at    point
	words string
	size  int
	align string // "start", "middle", "end"
	bold  bool
}

// drawing is what is drawn: wires lowest, then signs, then texts.
type drawing struct {
	title, description string
	wires              []wire
	signs              bytes.Buffer
	texts              []text
}

func (d *drawing) wire(k kind, path ...point) { d.wires = append(d.wires, wire{k, path}) }

func (d *drawing) text(align string, size, x, y int, lines ...string) {
	for i, words := range lines {
		d.texts = append(d.texts, text{point{x, y + i*(size+4)}, words, size, align, false})
	}
}

func (d *drawing) heading(align string, size, x, y int, words string) {
	d.texts = append(d.texts, text{point{x, y}, words, size, align, true})
}

func (d *drawing) sign(format string, args ...any) { fmt.Fprintf(&d.signs, format+"\n", args...) }

// box is a whole part, from one corner to the other.
func (d *drawing) box(from, to point) {
	d.sign(`<rect x="%d" y="%d" width="%d" height="%d" rx="8" fill="#fff" stroke="#000" stroke-width="2.5"/>`,
		from.x, from.y, to.x-from.x, to.y-from.y)
}

// pin is where a wire meets a box.
func (d *drawing) pin(p point) {
	d.sign(`<rect x="%d" y="%d" width="12" height="12" fill="#fff" stroke="#000" stroke-width="2"/>`, p.x-6, p.y-6)
}

// node is where wires are joined. Those that cross without one are not.
func (d *drawing) node(p point) { d.sign(`<circle cx="%d" cy="%d" r="5.5"/>`, p.x, p.y) }

// resistor has its middle at p. dashed: it is there for one step only.
func (d *drawing) resistor(p point, upright, dashed bool) {
	w, h, dashes := 52, 20, ""
	if upright {
		w, h = h, w
	}
	if dashed {
		dashes = ` stroke-dasharray="5 3"`
	}
	d.sign(`<rect x="%d" y="%d" width="%d" height="%d" fill="#fff" stroke="#000" stroke-width="2.5"%s/>`, p.x-w/2, p.y-h/2, w, h, dashes)
}

// fuse stands upright with its middle at p.
func (d *drawing) fuse(p point) {
	d.resistor(p, true, false)
	d.sign(`<path d="M%d %dv52" stroke="#000" stroke-width="2"/>`, p.x, p.y-26)
}

// trimmer is an upright resistor whose wiper comes from the left.
func (d *drawing) trimmer(p point) {
	d.resistor(p, true, false)
	d.sign(`<path d="M%d %dl-13 -7v14z"/>`, p.x-11, p.y)
}

// capacitor lies across an upright wire.
func (d *drawing) capacitor(p point) {
	d.sign(`<rect x="%d" y="%d" width="36" height="10" fill="#fff"/>`, p.x-18, p.y-5)
	d.sign(`<path d="M%d %dh36m-36 10h36" stroke="#000" stroke-width="3.5"/>`, p.x-18, p.y-5)
}

// lamp is a light-emitting diode whose current flows downwards.
func (d *drawing) lamp(p point) {
	d.sign(`<path d="M%d %dh28l-14 24z" fill="#fff" stroke="#000" stroke-width="2.5"/>`, p.x-14, p.y-12)
	d.sign(`<path d="M%d %dh28" stroke="#000" stroke-width="3.5"/>`, p.x-14, p.y+12)
	for _, y := range []int{p.y - 6, p.y + 6} {
		d.sign(`<path d="M%d %dl14 -9m-6 -1l7 0l-3 6" fill="none" stroke="#000" stroke-width="2"/>`, p.x+16, y)
	}
}

// earth is the sign of GND, hanging on p: all of them are joined.
func (d *drawing) earth(p point) {
	d.sign(`<path d="M%d %dh32m-26 7h20m-14 7h8" stroke="#000" stroke-width="3.5"/>`, p.x-16, p.y)
}

// beam is the light of a gate, to the right, or what stands in for it: no wire.
func (d *drawing) beam(from point, to int) {
	d.sign(`<path d="M%d %dH%d" stroke="#000" stroke-width="2" stroke-dasharray="2 7"/>`, from.x, from.y, to)
}

// track has its rails along two upright wires.
func (d *drawing) track(left, right, top, bottom int) {
	for y := top + 12; y < bottom; y += 24 {
		d.sign(`<path d="M%d %dh%d" stroke="#bbb" stroke-width="9"/>`, left-16, y, right-left+32)
	}
	for _, x := range []int{left, right} {
		d.sign(`<path d="M%d %dV%d" stroke="#000" stroke-width="8"/>`, x, top, bottom)
	}
}

// svg is the drawing as a file.
func (d *drawing) svg() []byte {
	var out bytes.Buffer
	fmt.Fprintf(&out, `<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 %d %d" role="img" font-family="DejaVu Sans, Verdana, Arial, sans-serif">`+"\n",
		width, height)
	out.WriteString("<!-- Made by station/board/wiring: change it there, then `go generate ./station/board/wiring`. -->\n")
	fmt.Fprintf(&out, "<title>%s</title>\n<desc>%s</desc>\n", escaped(d.title), escaped(d.description))
	fmt.Fprintf(&out, `<rect width="%d" height="%d" fill="#fff"/>`+"\n", width, height)
	for _, w := range d.wires {
		var path strings.Builder
		for _, p := range w.path {
			fmt.Fprintf(&path, "%d,%d ", p.x, p.y)
		}
		dashes := ""
		if w.kind.dashes != "" {
			dashes = fmt.Sprintf(` stroke-dasharray="%s"`, w.kind.dashes)
		}
		fmt.Fprintf(&out, `<polyline points="%s" fill="none" stroke="%s" stroke-width="%d"%s/>`+"\n",
			strings.TrimSpace(path.String()), w.kind.colour, w.kind.width, dashes)
	}
	out.Write(d.signs.Bytes())
	for _, t := range d.texts {
		bold := ""
		if t.bold {
			bold = ` font-weight="bold"`
		}
		fmt.Fprintf(&out, `<text x="%d" y="%d" font-size="%d" text-anchor="%s"%s>%s</text>`+"\n",
			t.at.x, t.at.y, t.size, t.align, bold, escaped(t.words))
	}
	out.WriteString("</svg>\n")
	return out.Bytes()
}

func escaped(s string) string {
	var out bytes.Buffer
	xml.EscapeText(&out, []byte(s)) // a Buffer takes all
	return out.String()
}
