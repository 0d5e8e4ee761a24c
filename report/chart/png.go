package chart

import (
	"io"

	"gonum.org/v1/plot/vg/draw"
	"gonum.org/v1/plot/vg/vgimg"
)

// dotsPerInch is twice what a point is on a screen, so that small words are sharp.
const dotsPerInch = 2 * 72

// writePNG writes the page as PNG (Portable Network Graphics). The same page always gives the same bytes.
func (p page) writePNG(w io.Writer) error {
	canvas := vgimg.NewWith(vgimg.UseWH(p.width, p.height()), vgimg.UseDPI(dotsPerInch))
	p.drawOn(draw.New(canvas))
	_, err := vgimg.PngCanvas{Canvas: canvas}.WriteTo(w)
	return err
}
