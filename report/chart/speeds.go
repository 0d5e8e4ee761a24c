package chart

import (
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
func (s Speeds) WriteSVG(w io.Writer) error { return s.page().writeSVG(w) }

// WritePNG writes the same picture as PNG, with two dots a point. Errors are those of w.
func (s Speeds) WritePNG(w io.Writer) error { return s.page().writePNG(w) }

func (s Speeds) page() page { return page{title: s.Title, panels: []panel{s.panel()}} }

// stepCurve is one line of the picture.
type stepCurve struct {
	name   string
	lead   station.Lead
	style  draw.LineStyle
	marked bool
	points []StepSpeed
}

// curves are what there is to draw.
func (s Speeds) curves() (all []stepCurve) {
	for _, c := range []struct {
		when   string
		runs   []trial.Run
		dashes []vg.Length
	}{{"before", s.Before, []vg.Length{3, 3}}, {"after", s.After, nil}} {
		for _, lead := range []station.Lead{station.Front, station.Rear} {
			if points := meanSpeeds(c.runs, lead); len(points) > 0 {
				name := c.when + ", " + lead.String() + " leading"
				all = append(all, stepCurve{name, lead, line(1.1, leadInk(lead), c.dashes...), true, points})
			}
		}
	}
	var wanted []StepSpeed
	for _, p := range s.Wanted {
		if p.Speed >= 0 && p.Speed <= noSpeed {
			wanted = append(wanted, p)
		}
	}
	slices.SortStableFunc(wanted, func(a, b StepSpeed) int { return int(a.Step) - int(b.Step) })
	if len(wanted) > 0 {
		all = append(all, stepCurve{name: "wanted", style: line(1.6, rust, 1, 2), points: wanted})
	}
	return all
}

// meanSpeeds are the means of the runs at each step.
func meanSpeeds(runs []trial.Run, lead station.Lead) (points []StepSpeed) {
	var sums [256]float64
	var n [256]int
	for _, r := range runs {
		if r.Made && r.Lead == lead && r.Speed >= 0 && r.Speed <= noSpeed {
			sums[r.Step] += float64(r.Speed)
			n[r.Step]++
		}
	}
	for step, sum := range sums {
		if n[step] > 0 {
			points = append(points, StepSpeed{uint8(step), station.MillimetresPerSecond(sum / float64(n[step]))})
		}
	}
	return points
}

// panel draws the speeds against the steps.
func (s Speeds) panel() panel {
	p := panel{title: "Speed at each step"}
	curves := s.curves()
	if len(curves) == 0 {
		p.notes = []string{"No speed was measured."}
		return p
	}
	for _, c := range curves {
		last := c.points[len(c.points)-1]
		p.about += fmt.Sprintf("%s: %s at step %d. ", sentence(c.name), last.Speed, last.Step)
	}
	if kilometres(1, s.Scale) > 0 {
		p.notes = []string{fmt.Sprintf("km/h are to scale, at 1:%s.", number(s.Scale))}
	}
	p.height = 300
	p.draw = func(c draw.Canvas) { s.draw(c, curves) }
	return p
}

// draw draws the plot.
func (s Speeds) draw(c draw.Canvas, curves []stepCurve) {
	const namesWidth, legend, column = 140, 28, 26
	var steps, fast float64
	for _, curve := range curves {
		for _, p := range curve.points {
			steps, fast = max(steps, float64(p.Step)), max(fast, float64(p.Speed))
		}
	}
	drawLeads(c)
	p := axes("speed step", "speed, mm/s")
	p.X.Min, p.X.Max, p.Y.Min, p.Y.Max = 0, max(steps, 1)*1.03, 0, max(fast, 1)*1.1
	p.X.Tick.Marker, p.Y.Tick.Marker = even(14), even(8)
	scaled := kilometres(1, s.Scale) > 0
	if scaled {
		p.Y.Label.Text = ""
	}
	area := place(p, draw.Crop(c, 0, -namesWidth, 0, -legend), leftAxis)
	x, y := p.Transforms(&area)
	if scaled { // a second column of labels, left of the first
		style := aligned(words(small, quiet), draw.XRight, draw.YCenter)
		left := area.Min.X - 7 - column
		for _, tick := range p.Y.Tick.Marker.Ticks(0, p.Y.Max) {
			if tick.Label != "" {
				c.FillText(style, vg.Point{X: left, Y: y(tick.Value)}, fmt.Sprintf("%.0f", kilometres(tick.Value, s.Scale)))
			}
		}
		c.FillText(style, vg.Point{X: left, Y: area.Max.Y + 6}, "km/h")
		c.FillText(aligned(words(small, ink), draw.XRight, draw.YCenter), vg.Point{X: area.Min.X - 7, Y: area.Max.Y + 6}, "mm/s")
	}
	var names []name
	for _, curve := range curves {
		points := make([]vg.Point, len(curve.points))
		var marks []spot
		for i, p := range curve.points {
			points[i] = vg.Point{X: x(float64(p.Step)), Y: y(float64(p.Speed))}
			marks = append(marks, spot{curve.lead, float64(p.Step), float64(p.Speed)})
		}
		if len(points) > 1 {
			area.StrokeLines(curve.style, points)
		}
		if curve.marked {
			drawMarkers(area, marks, func(s spot) vg.Point { return vg.Point{X: x(s.speed), Y: y(s.stop)} })
		} else if len(points) == 1 {
			area.StrokeLine2(curve.style, points[0].X-4, points[0].Y, points[0].X+4, points[0].Y)
		}
		last := points[len(points)-1]
		area.StrokeLine2(line(0.4, faint), last.X, last.Y, area.Max.X, last.Y)
		names = append(names, name{y: last.Y, lines: []string{curve.name}})
	}
	drawNames(draw.Canvas{Canvas: c.Canvas, Rectangle: box(area.Max.X, area.Min.Y, c.Max.X, area.Max.Y)}, names)
}
