package chart

import (
	"image/color"
	"math"
	"strconv"

	xfont "golang.org/x/image/font"
	"gonum.org/v1/plot"
	"gonum.org/v1/plot/font"
	"gonum.org/v1/plot/text"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"

	"fettle/station"
)

// look is the measure of a picture, in points: 1/72 of an inch. Nothing is told by its colour alone, so that two colours are enough.
type look struct {
	width, margin              vg.Length
	left                       vg.Length // from the edge of a panel to its data, so that all panels begin alike
	tiny, small, normal, large vg.Length // letters
	below                      bool      // names stand below a plot, in place of beside it
	lines                      int       // that a note may have; what they have no room for is cut
}

var (
	wide = look{width: 760, margin: 10, left: 54, tiny: 8, small: 9, normal: 10.5, large: 14, lines: 4}
	// narrow is for a telephone, where a unit is about a pixel of CSS.
	narrow = look{width: 360, margin: 4, left: 54, tiny: 9, small: 9.5, normal: 10.5, large: 13, below: true, lines: 10}
)

// across is how wide a panel is.
func (l look) across() vg.Length { return l.width - 2*l.margin }

// row is the height of a line of small words.
func (l look) row() vg.Length { return l.small + 2 }

// sheet is what a panel is drawn on.
type sheet struct {
	draw.Canvas
	look
	links *[]link // what was drawn of runs
}

// crop is the sheet without so much of its edges, as draw.Crop has it.
func (c sheet) crop(left, right, bottom, top vg.Length) sheet {
	c.Canvas = draw.Crop(c.Canvas, left, right, bottom, top)
	return c
}

// within is the part of the sheet in a rectangle.
func (c sheet) within(r vg.Rectangle) sheet {
	c.Rectangle = r
	return c
}

var (
	white = color.Gray{Y: 0xff}
	ink   = color.Gray{Y: 0x1c}
	quiet = color.Gray{Y: 0x60}
	faint = color.Gray{Y: 0xd4}
	pale  = color.Gray{Y: 0xf0}
	blue  = color.RGBA{R: 0x1b, G: 0x4f, B: 0x8a, A: 0xff}
	rust  = color.RGBA{R: 0xa8, G: 0x3e, B: 0x05, A: 0xff}
	// lawBand is light enough for everything that is drawn over it.
	lawBand = color.RGBA{R: 0xdc, G: 0xe6, B: 0xf2, A: 0xff}
)

// leadInk is the colour of what has that end leading; its marker is another one too.
func leadInk(lead station.Lead) color.Color {
	if lead == station.Front {
		return ink
	}
	return blue
}

// words is the style of a text: left of the point it is given at, and above it, if not changed.
func words(size vg.Length, ink color.Color) draw.TextStyle {
	return draw.TextStyle{
		Color:   ink,
		Font:    font.Font{Typeface: "Liberation", Variant: "Sans", Size: size},
		XAlign:  draw.XLeft,
		YAlign:  draw.YBottom,
		Handler: plot.DefaultTextHandler,
	}
}

// bold makes a style bold.
func bold(s draw.TextStyle) draw.TextStyle {
	s.Font.Weight = xfont.WeightBold
	return s
}

// aligned gives a style another place to the point that its text is given at.
func aligned(s draw.TextStyle, x text.XAlignment, y text.YAlignment) draw.TextStyle {
	s.XAlign, s.YAlign = x, y
	return s
}

// reserve is the width to keep for a text, since not every machine has the font that it is measured with: a common one is a
// sixth wider, and bold a quarter.
func reserve(s draw.TextStyle, text string) vg.Length {
	if s.Font.Weight == xfont.WeightBold {
		return s.Width(text) * 1.25
	}
	return s.Width(text) * 1.18
}

// line is the style of a line.
func line(width vg.Length, ink color.Color, dashes ...vg.Length) draw.LineStyle {
	return draw.LineStyle{Color: ink, Width: width, Dashes: dashes}
}

// axes is an empty plot with what its axes are of, units included.
func (l look) axes(x, y string) *plot.Plot {
	p := plot.New()
	p.BackgroundColor = nil
	for axis, label := range map[*plot.Axis]string{&p.X: x, &p.Y: y} {
		axis.LineStyle = line(0.6, ink)
		axis.Padding = 0
		axis.Label.Text = label
		axis.Label.Padding = 3
		axis.Tick.LineStyle = line(0.6, ink)
		axis.Tick.Length = 4
	}
	p.X.Label.TextStyle = aligned(words(l.normal, ink), draw.XCenter, draw.YBottom)
	p.Y.Label.TextStyle = aligned(words(l.normal, ink), draw.XCenter, draw.YBottom)
	p.X.Tick.Label = aligned(words(l.small, ink), draw.XCenter, draw.YTop)
	p.Y.Tick.Label = aligned(words(l.small, ink), draw.XRight, draw.YCenter)
	return p
}

// even ticks an axis at round numbers, at the most so many of them with a label.
type even int

// Ticks are the ticks between low and high.
func (most even) Ticks(low, high float64) []plot.Tick {
	rough := (high - low) / float64(most)
	size := math.Pow(10, math.Floor(math.Log10(rough)))
	step, minor := 10*size, 5
	for _, s := range []struct{ step, minor int }{{5, 5}, {2, 4}, {1, 5}} {
		if float64(s.step)*size >= rough {
			step, minor = float64(s.step)*size, s.minor
		}
	}
	digits := max(0, -int(math.Floor(math.Log10(step)+1e-9)))
	var ticks []plot.Tick
	part := step / float64(minor)
	first := math.Ceil(low/part - 1e-9)
	for n := range int(most) * 2 * minor { // and no more, where the axis is too far from 0 for its steps
		i := first + float64(n)
		if i*part > high+1e-9*step {
			break
		}
		tick := plot.Tick{Value: i * part}
		if math.Mod(i, float64(minor)) == 0 {
			tick.Label = strconv.FormatFloat(math.Abs(tick.Value), 'f', digits, 64)
			if i < 0 {
				tick.Label = "−" + tick.Label
			}
		}
		ticks = append(ticks, tick)
	}
	return ticks
}

// place draws the plot so that its data begins so far from the left, and gives the sheet of its data.
func place(p *plot.Plot, c sheet, left vg.Length) sheet {
	at := p.DataCanvas(c.Canvas)
	c = c.crop(left-(at.Min.X-c.Min.X), 0, 0, 0)
	p.Draw(c.Canvas)
	return c.within(p.DataCanvas(c.Canvas).Rectangle)
}

// ticks are as many as there is room for on an axis of that length.
func ticks(length, each vg.Length) even { return even(max(2, length/each)) }

// box is the rectangle with these corners.
func box(x0, y0, x1, y1 vg.Length) vg.Rectangle {
	return vg.Rectangle{Min: vg.Point{X: x0, Y: y0}, Max: vg.Point{X: x1, Y: y1}}
}

// fill fills a rectangle.
func fill(c sheet, r vg.Rectangle, ink color.Color) {
	c.SetColor(ink)
	c.Fill(r.Path())
}

// outline draws the edges of a rectangle.
func outline(c sheet, r vg.Rectangle, s draw.LineStyle) {
	c.SetLineStyle(s)
	c.Stroke(r.Path())
}

// hatch fills a rectangle with slanted lines, which stand out in black and white too.
func hatch(c sheet, r vg.Rectangle, s draw.LineStyle) {
	const apart = 3
	var lines vg.Path
	size := r.Size()
	for x := vg.Length(apart) / 2; x < size.X+size.Y; x += apart { // where the line would meet the lower edge
		from := vg.Point{X: r.Min.X + x, Y: r.Min.Y}
		to := vg.Point{X: r.Min.X + x - size.Y, Y: r.Max.Y}
		if over := from.X - r.Max.X; over > 0 {
			from.X, from.Y = r.Max.X, r.Min.Y+over
		}
		if under := r.Min.X - to.X; under > 0 {
			to.X, to.Y = r.Min.X, r.Max.Y-under
		}
		lines.Move(from)
		lines.Line(to)
	}
	c.SetLineStyle(s)
	if len(lines) > 0 {
		c.Stroke(lines)
	}
}

// span draws a dimension line, as a drawing of a part has it, from x0 to x1 with its label in the middle. Where one end is open it has an
// arrow instead of a stop.
func span(c sheet, x0, x1, y vg.Length, open bool, label string) {
	const stop = 2.5
	s := line(0.6, quiet)
	style := aligned(words(c.small, quiet), draw.XCenter, draw.YBottom)
	c.StrokeLine2(s, x0, y-stop, x0, y+stop)
	c.StrokeLine2(s, x0, y, x1, y)
	if open {
		c.StrokeLines(s, []vg.Point{{X: x1 - 2*stop, Y: y + stop}, {X: x1, Y: y}, {X: x1 - 2*stop, Y: y - stop}})
	} else {
		c.StrokeLine2(s, x1, y-stop, x1, y+stop)
	}
	c.FillText(style, vg.Point{X: (x0 + x1) / 2, Y: y + 2}, label)
}
