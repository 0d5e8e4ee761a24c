package chart

import (
	"slices"

	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
)

// name is what stands at the right of a plot, beside what it is the name of.
type name struct {
	y     vg.Length // of what is named
	lines []string
}

// drawNames writes the names into c, from its left edge: each as near to its height as the others allow, with a line to it where it had to move.
func drawNames(c draw.Canvas, names []name) {
	const row, leader, apart = small + 2, 14, 4
	slices.SortStableFunc(names, func(a, b name) int { // from the top
		switch {
		case a.y > b.y:
			return -1
		case a.y < b.y:
			return 1
		}
		return 0
	})
	tops := make([]vg.Length, len(names))
	below := c.Max.Y + 2*row
	for i, n := range names {
		tops[i] = min(n.y+row*vg.Length(len(n.lines))/2, below)
		below = tops[i] - row*vg.Length(len(n.lines)) - apart
	}
	above := c.Min.Y - row // and back up, where there was no room at the bottom
	for i, n := range slices.Backward(names) {
		tops[i] = max(tops[i], above+row*vg.Length(len(n.lines)))
		above = tops[i] + apart
	}
	style := aligned(words(small, ink), draw.XLeft, draw.YTop)
	for i, n := range names {
		middle := tops[i] - row*vg.Length(len(n.lines))/2
		c.StrokeLine2(line(0.5, quiet), c.Min.X+2, n.y, c.Min.X+leader-2, middle)
		for j, text := range n.lines {
			c.FillText(style, vg.Point{X: c.Min.X + leader, Y: tops[i] - row*vg.Length(j)}, fitted(style, printable(text), (c.Size().X-leader)/1.1))
		}
	}
}
