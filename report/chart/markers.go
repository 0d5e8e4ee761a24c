package chart

import (
	"math"

	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"

	"fettle/station"
)

// mostMarkers is how many markers of one lead are drawn one by one. Of more, those that lie on each other are drawn once, which looks the same.
const mostMarkers = 1500

// drawLeads says which marker is which lead.
func drawLeads(c sheet) {
	c.links = nil
	x := c.Min.X + c.left
	for _, lead := range []station.Lead{station.Front, station.Rear} {
		at := vg.Point{X: x, Y: c.Max.Y - 5}
		drawMarkers(c, []spot{{lead: lead}}, func(spot) vg.Point { return at })
		text := lead.String() + " leading"
		style := aligned(words(c.small, ink), draw.XLeft, draw.YCenter)
		c.FillText(style, vg.Point{X: x + 7, Y: at.Y}, text)
		x += 7 + reserve(style, text) + 16
	}
}

// drawMarkers draws a marker for each spot: full and round with the front leading, a hollow square with the rear, in which a round one below it is still seen.
func drawMarkers(c sheet, all []spot, place func(spot) vg.Point) {
	const radius, half = 2.2, 2.8
	for _, lead := range []station.Lead{station.Front, station.Rear} {
		var path vg.Path
		for _, at := range c.linked(thinned(all, lead, place)) {
			if lead == station.Front {
				path.Move(vg.Point{X: at.X + radius, Y: at.Y})
				path.Arc(at, radius, 0, 2*math.Pi)
			} else {
				path = append(path, box(at.X-half, at.Y-half, at.X+half, at.Y+half).Path()...)
			}
			path.Close()
		}
		drawShapes(c, lead, path)
	}
}

// drawArrows draws an arrow upwards for each spot: full with the front leading, hollow with the rear.
func drawArrows(c sheet, all []spot, place func(spot) vg.Point) {
	const length, half = 9, 3
	for _, lead := range []station.Lead{station.Front, station.Rear} {
		var path, shafts vg.Path
		for _, at := range c.linked(thinned(all, lead, place)) {
			shafts.Move(at)
			shafts.Line(vg.Point{X: at.X, Y: at.Y + length - 2*half})
			path.Move(vg.Point{X: at.X, Y: at.Y + length + 2})
			path.Line(vg.Point{X: at.X - half, Y: at.Y + length - 2*half + 2})
			path.Line(vg.Point{X: at.X + half, Y: at.Y + length - 2*half + 2})
			path.Close()
		}
		if len(shafts) > 0 {
			c.SetLineStyle(line(1, leadInk(lead)))
			c.Stroke(shafts)
		}
		drawShapes(c, lead, path)
	}
}

// drawShapes draws shapes in the manner of a lead.
func drawShapes(c sheet, lead station.Lead, path vg.Path) {
	if len(path) == 0 {
		return
	}
	if lead == station.Front {
		c.SetColor(ink)
		c.Fill(path)
		return
	}
	c.SetLineStyle(line(0.9, leadInk(lead)))
	c.Stroke(path)
}

// placed is a spot where it is drawn.
type placed struct {
	spot
	at vg.Point
}

// linked notes what is drawn of runs, and gives where.
func (c sheet) linked(all []placed) []vg.Point {
	points := make([]vg.Point, len(all))
	for i, p := range all {
		points[i] = p.at
		if c.links != nil && p.run > 0 {
			*c.links = append(*c.links, link{p.at, p.run, p.before, p.words})
		}
	}
	return points
}

// thinned are the places of one lead's spots. Where there are very many, those that lie on each other are one.
func thinned(all []spot, lead station.Lead, place func(spot) vg.Point) []placed {
	type cell struct{ x, y int }
	for size := vg.Length(0.25); ; size *= 2 {
		var points []placed
		taken := map[cell]bool{}
		for _, s := range all {
			if s.lead != lead {
				continue
			}
			at := place(s)
			key := cell{int(at.X / size), int(at.Y / size)}
			if !taken[key] {
				taken[key] = true
				points = append(points, placed{s, at})
			}
		}
		if len(points) <= mostMarkers {
			return points
		}
	}
}
