package chart

import (
	"cmp"
	"slices"

	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
)

// name is what is said of something that is drawn in a plot.
type name struct {
	at    float64   // the height of what is named, on the axis of the plot
	above vg.Length // and so much above that
	lines []string
	key   func(c sheet, r vg.Rectangle) // draws a sample of what is named
}

// lineKey draws a sample of a line.
func lineKey(s draw.LineStyle) func(sheet, vg.Rectangle) {
	return func(c sheet, r vg.Rectangle) {
		y := (r.Min.Y + r.Max.Y) / 2
		c.StrokeLine2(s, r.Min.X, y, r.Max.X, y)
	}
}

// drawNames writes the names into c, from its left edge: each as near to its height as the others allow, with a line to it where it had to move.
func drawNames(c sheet, names []name, y func(float64) vg.Length) {
	const leader, apart = 14, 4
	row := c.row()
	at := func(n name) vg.Length { return y(n.at) + n.above }
	names = slices.Clone(names)
	slices.SortStableFunc(names, func(a, b name) int { return cmp.Compare(at(b), at(a)) }) // from the top
	tops := make([]vg.Length, len(names))
	below := c.Max.Y + 2*row
	for i, n := range names {
		tops[i] = min(at(n)+row*vg.Length(len(n.lines))/2, below)
		below = tops[i] - row*vg.Length(len(n.lines)) - apart
	}
	above := c.Min.Y - row // and back up, where there was no room at the bottom
	for i, n := range slices.Backward(names) {
		tops[i] = max(tops[i], above+row*vg.Length(len(n.lines)))
		above = tops[i] + apart
	}
	style := aligned(words(c.small, ink), draw.XLeft, draw.YTop)
	for i, n := range names {
		middle := tops[i] - row*vg.Length(len(n.lines))/2
		c.StrokeLine2(line(0.5, quiet), c.Min.X+2, at(n), c.Min.X+leader-2, middle)
		for j, text := range n.lines {
			c.FillText(style, vg.Point{X: c.Min.X + leader, Y: tops[i] - row*vg.Length(j)}, fitted(style, printable(text), c.Size().X-leader))
		}
	}
}

// The names below a plot, or in a list of their own: each behind a sample of what it names.
const (
	keySample = 24
	keyText   = 5 // from a sample to its words
	keyGap    = 5 // between names
)

// keyColumns parts the names into as many columns as there is room for.
func (l look) keyColumns(names []name) [][]name {
	if len(names) == 0 {
		return nil
	}
	widest, style := vg.Length(0), words(l.small, ink)
	for _, n := range names {
		for _, text := range n.lines {
			widest = max(widest, reserve(style, text))
		}
	}
	n := max(1, int(l.across()/(keySample+keyText+widest)))
	return slices.Collect(slices.Chunk(names, (len(names)+n-1)/n))
}

// keysHeight is how high the names are below a plot.
func (l look) keysHeight(names []name) (height vg.Length) {
	for _, column := range l.keyColumns(names) {
		of := vg.Length(0)
		for _, n := range column {
			of += l.row()*vg.Length(len(n.lines)) + keyGap
		}
		height = max(height, of)
	}
	return height
}

// drawKeys writes the names from the top of c, in as many columns as it has room for.
func drawKeys(c sheet, names []name) {
	c.width = c.Size().X + 2*c.margin
	columns := c.keyColumns(names)
	style := aligned(words(c.small, ink), draw.XLeft, draw.YTop)
	for i, column := range columns {
		width := c.Size().X / vg.Length(len(columns))
		x, y := c.Min.X+width*vg.Length(i), c.Max.Y
		for _, n := range column {
			n.key(c, box(x, y-c.row()+2, x+keySample, y-1))
			for _, text := range n.lines {
				c.FillText(style, vg.Point{X: x + keySample + keyText, Y: y}, fitted(style, printable(text), width-keySample-keyText))
				y -= c.row()
			}
			y -= keyGap
		}
	}
}
