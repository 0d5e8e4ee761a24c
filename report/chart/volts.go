package chart

import (
	"fmt"
	"math"
	"strings"

	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"

	"fettle/nmra/wave/conform"
)

// noVoltage is what no track has: more is a mistake of the capture, and is not drawn.
const noVoltage = 1e6

// curve is a voltage over time, in parts between which there is a gap.
type curve struct {
	name  string
	style draw.LineStyle
	parts [][]point
}

// point is a voltage at an instant in seconds.
type point struct{ x, y float64 }

// add adds a voltage, behind a gap or not.
func (c *curve) add(at, volts float64, gap bool) {
	if math.IsNaN(volts) || math.Abs(volts) > noVoltage {
		return
	}
	if gap || len(c.parts) == 0 {
		c.parts = append(c.parts, nil)
	}
	last := &c.parts[len(c.parts)-1]
	*last = append(*last, point{at, volts})
}

// voltsPanels draw the half-waves over time, and below them how far they differ.
func voltsPanels(l look, v conform.Voltage) []panel {
	if len(v.Series) == 0 {
		return nil
	}
	positive := curve{name: "positive", style: line(1.1, ink)}
	negative := curve{name: "negative", style: line(1.1, blue, 4, 2)}
	difference := curve{name: "difference", style: line(1.1, ink)}
	for i, p := range v.Series {
		gap := i > 0 && p.From > v.Series[i-1].To
		at := (p.From + (p.To-p.From)/2).Seconds()
		positive.add(at, float64(p.Positive), gap)
		negative.add(at, float64(p.Negative), gap)
		difference.add(at, float64(p.Positive-p.Negative), gap)
	}
	heights := voltsPlot{voltage: v, curves: []curve{positive, negative}, unit: "height, V"}
	asymmetry := voltsPlot{voltage: v, curves: []curve{difference}, unit: "difference, V", difference: true}
	return []panel{
		{title: "Height of the half-waves", height: 150 + heights.below(l), draw: heights.draw},
		{title: "Asymmetry: the positive half-waves less the negative", notes: []string{leaning(v)}, height: 130 + asymmetry.below(l), draw: asymmetry.draw},
	}
}

// voltsPlot is a plot of voltages over time.
type voltsPlot struct {
	voltage    conform.Voltage
	curves     []curve
	unit       string // with what the voltages are of
	difference bool   // of two voltages, which is what leans
}

// names say which curve is which, below the plot.
func (v voltsPlot) names() (names []name) {
	for _, curve := range v.curves {
		names = append(names, name{lines: []string{curve.name}, key: lineKey(curve.style)})
	}
	return names
}

// below is the height of what stands below the plot.
func (v voltsPlot) below(l look) vg.Length {
	if !l.below {
		return 0
	}
	return l.keysHeight(v.names())
}

// draw draws the plot, and shades where one half-wave is the higher.
func (v voltsPlot) draw(c sheet) {
	p := c.axes("time, s", v.unit)
	p.X.Min, p.X.Max = v.voltage.Series[0].From.Seconds(), v.voltage.Series[len(v.voltage.Series)-1].To.Seconds()
	p.Y.Min, p.Y.Max = v.reach()
	const namesWidth = 70
	frame := c.crop(0, -namesWidth, 0, 0)
	if c.below {
		frame = c.crop(0, -8, v.below(c.look), 0)
		drawKeys(c.within(box(c.Min.X, c.Min.Y, c.Max.X, frame.Min.Y)), v.names())
	}
	p.X.Tick.Marker, p.Y.Tick.Marker = ticks(frame.Size().X, 72), even(5)
	data := place(p, frame, c.left)
	x, y := p.Transforms(&data.Canvas)
	v.shade(data, x)
	if v.difference {
		data.StrokeLine2(line(0.5, quiet), data.Min.X, y(0), data.Max.X, y(0))
	}
	var last vg.Length // name's height
	for i, curve := range v.curves {
		end := data.Max.Y
		for _, part := range curve.parts {
			points := make([]vg.Point, len(part))
			for i, pt := range part {
				points[i] = vg.Point{X: x(pt.x), Y: y(pt.y)}
			}
			if len(points) == 1 { // a line of one point can't be seen
				points = []vg.Point{{X: points[0].X - 1, Y: points[0].Y}, {X: points[0].X + 1, Y: points[0].Y}}
			}
			data.StrokeLines(curve.style, points)
			end = points[len(points)-1].Y
		}
		if c.below {
			continue
		}
		apart := c.row()
		if i > 0 && end <= last && end > last-apart {
			end = last - apart
		} else if i > 0 && end > last && end < last+apart {
			end = last + apart
		}
		last = end
		data.FillText(aligned(words(c.small, curve.style.Color), draw.XLeft, draw.YCenter), vg.Point{X: data.Max.X + 5, Y: end}, curve.name)
	}
}

// reach is from where to where the voltages go, with some room.
func (v voltsPlot) reach() (low, high float64) {
	low, high = math.Inf(1), math.Inf(-1)
	if v.difference {
		low, high = 0, 0
	}
	for _, curve := range v.curves {
		for _, part := range curve.parts {
			for _, pt := range part {
				low, high = min(low, pt.y), max(high, pt.y)
			}
		}
	}
	if low > high {
		low, high = 0, 0
	}
	room := max(0.5, 0.15*(high-low))
	low, high = low-room, high+room
	if v.difference {
		high += 0.4 * (high - low) // for the words above
	}
	return low, high
}

// shade shades the stretches that lean, and says of a difference which way and how far.
func (v voltsPlot) shade(c sheet, x func(float64) vg.Length) {
	style := aligned(words(c.small, ink), draw.XCenter, draw.YTop)
	said := [...]vg.Length{c.Min.X, c.Min.X} // up to where there are words, in two rows
	var say []func()                         // when all is shaded
	for _, s := range v.voltage.Stretches {
		x0, x1 := max(x(s.From.Seconds()), c.Min.X), min(x(s.To.Seconds()), c.Max.X)
		if s.Lean == conform.Even || x0 > x1 {
			continue
		}
		area := box(x0, c.Min.Y, x1, c.Max.Y)
		text := s.Lean.String()
		if s.Lean == conform.NoSignal {
			hatch(c, area, line(0.4, faint))
		} else {
			fill(c, area, pale)
			text += fmt.Sprintf(", %s V", signed(float64(s.Difference)))
		}
		c.StrokeLine2(line(0.5, quiet, 2, 2), x0, c.Min.Y, x0, c.Max.Y)
		c.StrokeLine2(line(0.5, quiet, 2, 2), x1, c.Min.Y, x1, c.Max.Y)
		half := reserve(style, text) / 2
		middle := min(max((x0+x1)/2, c.Min.X+half), c.Max.X-half)
		for row := range said {
			if v.difference && middle-half >= said[row] {
				at := vg.Point{X: middle, Y: c.Max.Y - 2 - vg.Length(row)*c.row()}
				say = append(say, func() { c.FillText(style, at, text) })
				said[row] = middle + half
				break
			}
		}
	}
	for _, words := range say {
		words()
	}
}

// leaning says where the half-waves differ.
func leaning(v conform.Voltage) string {
	const most = 3
	var said []string
	var more int64
	for _, s := range v.Stretches {
		if s.Lean != conform.Positive && s.Lean != conform.Negative {
			continue
		}
		if len(said) == most {
			more++
			continue
		}
		said = append(said, fmt.Sprintf("%v, %s V, from %.3f to %.3f s", s.Lean, signed(float64(s.Difference)), s.From.Seconds(), s.To.Seconds()))
	}
	if len(said) == 0 {
		return "No asymmetry was seen. Behind an AC-coupled input, such as a sound card's, there is none to be seen."
	}
	text := sentence(strings.Join(said, "; "))
	switch {
	case v.More > 0:
		text += "; and more, too many to be drawn"
	case more > 0:
		text += fmt.Sprintf("; and %s more", count(more))
	}
	return text + "."
}

// signed is a number with its sign.
func signed(v float64) string {
	if text := number(v); strings.HasPrefix(text, "−") || text == "0" {
		return text
	}
	return "+" + number(v)
}
