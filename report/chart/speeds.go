package chart

import (
	"cmp"
	"fmt"
	"io"
	"slices"

	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"

	"fettle/station"
	"fettle/trial"
)

// Speeds is how fast a vehicle goes at each speed step, measured both ways, as a picture. What is empty is left out.
type Speeds struct {
	Title         string
	Scale         float64     // 87.1 is 1:87.1; 0: not known
	Before, After []trial.Run // of a trial of speed, before a change of the decoder's registers and after it
	Wanted        []StepSpeed
}

// StepSpeed is how fast a step is, or is wanted to be.
type StepSpeed struct {
	Step  uint8
	Speed station.MillimetresPerSecond
}

// WriteSVG writes the picture as SVG. The same Speeds always give the same bytes. Names may hold anything. Errors are those of w.
func (s Speeds) WriteSVG(w io.Writer) error { return s.page(wide).writeSVG(w) }

// WritePNG writes the same picture as PNG, with two dots a point. Errors are those of w.
func (s Speeds) WritePNG(w io.Writer) error { return s.page(wide).writePNG(w) }

func (s Speeds) page(l look) page { return page{look: l, title: s.Title, panels: []panel{s.panel(l)}} }

// stepCurve is one line of the picture.
type stepCurve struct {
	name   string
	lead   station.Lead
	style  draw.LineStyle
	marked bool
	points []spot // a speed against a step
}

// last is the point of the highest step.
func (c stepCurve) last() spot { return c.points[len(c.points)-1] }

// curves are what there is to draw.
func (s Speeds) curves() (all []stepCurve) {
	for _, c := range []struct {
		when   string
		runs   []trial.Run
		before bool
		dashes []vg.Length
	}{{"before", s.Before, true, []vg.Length{3, 3}}, {"after", s.After, false, nil}} {
		for _, lead := range []station.Lead{station.Front, station.Rear} {
			if points := meanSpeeds(c.runs, lead, c.before); len(points) > 0 {
				name := c.when + ", " + lead.String() + " leading"
				all = append(all, stepCurve{name, lead, line(1.1, leadInk(lead), c.dashes...), true, points})
			}
		}
	}
	var wanted []spot
	for _, p := range s.Wanted {
		if p.Speed >= 0 && p.Speed <= noSpeed {
			wanted = append(wanted, spot{speed: float64(p.Step), stop: float64(p.Speed)})
		}
	}
	slices.SortStableFunc(wanted, func(a, b spot) int { return cmp.Compare(a.speed, b.speed) })
	if len(wanted) > 0 {
		all = append(all, stepCurve{name: "wanted", style: line(1.6, rust, 1, 2), points: wanted})
	}
	return all
}

// meanSpeeds are the means of the runs at each step, as spots of the first of them.
func meanSpeeds(runs []trial.Run, lead station.Lead, before bool) (points []spot) {
	var sums [256]float64
	var n, first [256]int
	for _, r := range runs {
		if r.Made && r.Lead == lead && r.Speed >= 0 && r.Speed <= noSpeed {
			if n[r.Step] == 0 {
				first[r.Step] = r.Number
			}
			sums[r.Step] += float64(r.Speed)
			n[r.Step]++
		}
	}
	for step, sum := range sums {
		if n[step] == 0 {
			continue
		}
		mean := sum / float64(n[step])
		words := fmt.Sprintf("step %d, %s leading: %s", step, lead, station.MillimetresPerSecond(mean))
		if n[step] > 1 {
			words += fmt.Sprintf(", the mean of %d runs", n[step])
		}
		points = append(points, spot{lead: lead, speed: float64(step), stop: mean, run: first[step], before: before, words: words})
	}
	return points
}

// panel draws the speeds against the steps.
func (s Speeds) panel(l look) panel {
	p := panel{title: "Speed at each step"}
	curves := s.curves()
	if len(curves) == 0 {
		p.notes = []string{"No speed was measured."}
		return p
	}
	for _, c := range curves {
		p.about += fmt.Sprintf("%s: %s at step %.0f. ", sentence(c.name), station.MillimetresPerSecond(c.last().stop), c.last().speed)
	}
	if kilometres(1, s.Scale) > 0 {
		p.notes = []string{fmt.Sprintf("km/h are to scale, at 1:%s.", number(s.Scale))}
	}
	names := s.names(curves)
	p.height = 300
	if l.below {
		p.height += l.keysHeight(names)
	}
	p.draw = func(c sheet) { s.draw(c, curves, names) }
	return p
}

// names say which curve is which.
func (s Speeds) names(curves []stepCurve) (names []name) {
	for _, curve := range curves {
		names = append(names, name{lines: []string{curve.name}, key: func(c sheet, r vg.Rectangle) {
			lineKey(curve.style)(c, r)
			if curve.marked {
				c.links = nil
				drawMarkers(c, []spot{{lead: curve.lead}}, func(spot) vg.Point { return vg.Point{X: (r.Min.X + r.Max.X) / 2, Y: (r.Min.Y + r.Max.Y) / 2} })
			}
		}})
	}
	return names
}

// draw draws the plot.
func (s Speeds) draw(c sheet, curves []stepCurve, names []name) {
	const namesWidth, heads = 165, 28
	var steps, fast float64
	for _, curve := range curves {
		for _, p := range curve.points {
			steps, fast = max(steps, p.speed), max(fast, p.stop)
		}
	}
	drawLeads(c)
	frame := c.crop(0, -namesWidth, 0, -heads)
	keys := c.within(box(frame.Max.X+12, c.Min.Y, c.Max.X, frame.Max.Y))
	if c.below {
		frame = c.crop(0, -6, c.keysHeight(names), -heads)
		keys = c.within(box(c.Min.X, c.Min.Y, c.Max.X, frame.Min.Y))
	}
	drawKeys(keys, names)
	p := c.axes("speed step", "speed, mm/s")
	p.X.Min, p.X.Max, p.Y.Min, p.Y.Max = 0, max(steps, 1)*1.03, 0, max(fast, 1)*1.1
	p.X.Tick.Marker, p.Y.Tick.Marker = ticks(frame.Size().X, 40), even(8)
	scaled := kilometres(1, s.Scale) > 0
	if scaled {
		p.Y.Label.Text = ""
	}
	left, column := c.left, 3.15*c.small
	if scaled {
		left += 8
	}
	area := place(p, frame, left)
	x, y := p.Transforms(&area.Canvas)
	if scaled { // a second column of labels, left of the first
		style := aligned(words(c.small, quiet), draw.XRight, draw.YCenter)
		at := area.Min.X - 7 - column
		for _, tick := range p.Y.Tick.Marker.Ticks(0, p.Y.Max) {
			if tick.Label != "" {
				c.FillText(style, vg.Point{X: at, Y: y(tick.Value)}, fmt.Sprintf("%.0f", kilometres(tick.Value, s.Scale)))
			}
		}
		c.FillText(style, vg.Point{X: at, Y: area.Max.Y + c.small}, "km/h")
		c.FillText(aligned(words(c.small, ink), draw.XRight, draw.YCenter), vg.Point{X: area.Min.X - 7, Y: area.Max.Y + c.small}, "mm/s")
	}
	for _, curve := range curves {
		points := make([]vg.Point, len(curve.points))
		for i, p := range curve.points {
			points[i] = vg.Point{X: x(p.speed), Y: y(p.stop)}
		}
		if len(points) > 1 {
			area.StrokeLines(curve.style, points)
		}
		if curve.marked {
			drawMarkers(area, curve.points, func(s spot) vg.Point { return vg.Point{X: x(s.speed), Y: y(s.stop)} })
		} else if len(points) == 1 {
			area.StrokeLine2(curve.style, points[0].X-4, points[0].Y, points[0].X+4, points[0].Y)
		}
	}
}
