package chart

import (
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"

	"fettle/station"
	"fettle/trial"
)

// mostTold is how many mean stops are told to those who can't see the picture.
const mostTold = 24

// stopsPlot is where the runs stopped against how fast they entered.
type stopsPlot struct {
	Braking
	spots  spots
	reach  reach
	strips []trial.Outcome // of runs that have no stop
	law    lawCurve
}

// stopsPlot makes the plot of these runs.
func (b Braking) stopsPlot() stopsPlot {
	s := spotsOf(b.Runs)
	plot := stopsPlot{Braking: b, spots: s, reach: b.reach(s)}
	for _, o := range []trial.Outcome{trial.Slowed, trial.Ignored} {
		if len(s.by[o]) > 0 {
			plot.strips = append(plot.strips, o)
		}
	}
	plot.law = b.lawCurve(plot.reach)
	return plot
}

// stopsPanel draws where the runs stopped against how fast they entered.
func (b Braking) stopsPanel(l look) panel { return b.stopsPlot().panel(l) }

func (b stopsPlot) panel(l look) panel {
	p := panel{title: "Where it stops, by entry speed"}
	s := b.spots
	if s.count() == 0 {
		p.notes = append(p.notes, "No run with the section was made.")
	}
	if b.Verdict.Sentence != "" {
		p.notes = append(p.notes, b.Verdict.Sentence)
	}
	if b.hasBound() {
		bound := b.Verdict.Bound
		note := fmt.Sprintf("Of stops %s end before %s, with a confidence of %s: put the mark no nearer.", share(bound.Share), bound.At, percent(bound.Confidence))
		if room := b.room(); room > 0 && bound.At > room {
			note += " That is beyond the room."
		}
		p.notes = append(p.notes, note)
	}
	p.notes = append(p.notes, s.notes()...)
	for outcome, of := range s.by {
		p.about += fmt.Sprintf("%s: %s. ", sentence(trial.Outcome(outcome).String()), runs(len(of)))
	}
	if law := b.Verdict.Law; law.Known {
		p.about += sentence("exponent "+law.String()) + ". "
	}
	for _, stop := range b.Verdict.Stops[:min(len(b.Verdict.Stops), mostTold)] {
		if stop.Stopped > 0 {
			p.about += fmt.Sprintf("%s leading, at %s: %s. ", sentence(stop.Lead.String()), stop.Speed, stop.Stop)
		}
	}
	names := b.names()
	p.height = legend + b.stripsHeight(l) + 275
	if l.below {
		p.height = legend + b.stripsHeight(l) + 255 + l.keysHeight(names)
	}
	p.draw = func(c sheet) { b.draw(c, names) }
	return p
}

const (
	legend     = 16 // the line above a plot that says which marker is which lead
	stopsNames = 150
)

// stripHeight is that of the strip of an outcome that has no stop.
func (l look) stripHeight() vg.Length { return l.small + 5.5 }

func (b stopsPlot) stripsHeight(l look) vg.Length {
	return l.stripHeight()*vg.Length(len(b.strips)) + 6
}

// draw draws the plot, with a legend above it and strips for the runs that have no stop.
func (b stopsPlot) draw(c sheet, names []name) {
	drawLeads(c)
	frame := c.crop(0, -stopsNames, 0, -legend-b.stripsHeight(c.look))
	if c.below {
		frame = c.crop(0, -6, c.keysHeight(names), -legend-b.stripsHeight(c.look))
		drawKeys(c.within(box(c.Min.X, c.Min.Y, c.Max.X, frame.Min.Y)), names)
	}
	scaled := kilometres(1, b.Trial.Vehicle.Scale) > 0
	unit := "stop, mm past the trigger"
	if b.reach.low > 0 {
		if c.below { // where the axis is too short for all of it
			unit = "stop, mm"
		}
		unit += fmt.Sprintf(" (from %.0f)", math.Ceil(b.reach.low))
	}
	p := c.axes("entry speed, mm/s", unit)
	p.X.Min, p.X.Max, p.Y.Min, p.Y.Max = 0, b.reach.speed, b.reach.low, b.reach.high
	p.X.Tick.Marker, p.Y.Tick.Marker = ticks(frame.Size().X, 65), even(8)
	if scaled {
		p.X.Label.Text = ""
		frame = frame.crop(0, 0, c.scaleHeight(), 0)
	}
	area := place(p, frame, c.left)
	x, y := p.Transforms(&area.Canvas)
	if scaled {
		drawScaleSpeeds(c, area, x, p.X.Tick.Marker.Ticks(0, b.reach.speed), b.Trial.Vehicle.Scale)
	}

	b.law.draw(area, x, y, !c.below)
	b.drawWanted(area, y)
	strip := c.stripHeight()
	top := area.Max.Y
	for _, o := range b.strips {
		r := box(area.Min.X, top, area.Max.X, top+strip)
		fill(c, r, pale)
		outline(c, r, line(0.4, faint))
		middle := top + strip/2
		drawMarkers(c, b.spots.by[o], func(spot spot) vg.Point { return vg.Point{X: x(spot.speed), Y: middle} })
		top += strip
	}
	drawMarkers(c, b.spots.by[trial.Stopped], func(spot spot) vg.Point { return vg.Point{X: x(spot.speed), Y: y(spot.stop)} })
	at := area.Max.Y - 6
	if room := b.room(); room > 0 {
		at = y(float64(room))
	}
	drawArrows(c, b.spots.by[trial.Overran], func(spot spot) vg.Point { return vg.Point{X: x(spot.speed), Y: at} })
	if !c.below {
		drawNames(c.within(box(area.Max.X, area.Min.Y, c.Max.X, top)), names, y)
	}
}

// scaleHeight is the room for a second line of labels.
func (l look) scaleHeight() vg.Length {
	if l.below {
		return 2*l.small + 26
	}
	return l.small + 12
}

// drawScaleSpeeds writes below the labels of the axis what they are to scale, in km/h.
func drawScaleSpeeds(c, area sheet, x func(float64) vg.Length, ticks []plot.Tick, scale float64) {
	row := c.small + 3
	style := aligned(words(c.small, quiet), draw.XCenter, draw.YTop)
	at := area.Min.Y - 5 - row
	for _, tick := range ticks {
		if tick.Label != "" {
			c.FillText(style, vg.Point{X: x(tick.Value), Y: at}, fmt.Sprintf("%.0f", kilometres(tick.Value, scale)))
		}
	}
	unit := "km/h at 1:" + number(scale)
	axis := aligned(words(c.normal, ink), draw.XCenter, draw.YTop)
	middle := vg.Point{X: (area.Min.X + area.Max.X) / 2, Y: at - row}
	if c.below {
		c.FillText(axis, middle, "entry speed: mm/s,")
		middle.Y -= c.normal + 2
		c.FillText(aligned(words(c.normal, quiet), draw.XCenter, draw.YTop), middle, "and "+unit)
		return
	}
	c.FillText(axis, middle, "entry speed")
	c.FillText(aligned(words(c.small, quiet), draw.XLeft, draw.YTop), vg.Point{X: area.Max.X + 6, Y: at}, unit)
	c.FillText(aligned(words(c.small, ink), draw.XLeft, draw.YTop), vg.Point{X: area.Max.X + 6, Y: at + row}, "mm/s")
}

// How the lines of the plot are drawn.
var (
	lawLine   = line(1.2, blue, 7, 2)
	boundLine = line(1, ink, 2, 2)
	roomLine  = line(1.6, ink)
)

// names say what is in the plot.
func (b stopsPlot) names() (names []name) {
	if last := len(b.law.mean) - 1; last >= 0 {
		names = append(names, name{at: b.law.mean[last].y, lines: []string{fmt.Sprintf("mean and its %s interval", percent(b.confidence())), "exponent " + b.Verdict.Law.String()},
			key: func(c sheet, r vg.Rectangle) {
				fill(c, r, lawBand)
				lineKey(lawLine)(c, r)
			}})
	}
	if near, far, ok := b.wanted(); ok { // both are within reach
		w := b.Trial.Wanted
		names = append(names, name{at: (near + far) / 2, lines: []string{fmt.Sprintf("wanted: %.0f ± %s mm", float64(w.Stop), number(float64(w.Within)))}, key: drawTolerance})
	}
	if at := b.Verdict.Bound.At; b.hasBound() && b.reach.inside(at) {
		names = append(names, name{at: float64(at), lines: []string{share(b.Verdict.Bound.Share) + " end", fmt.Sprintf("before %s", at)}, key: lineKey(boundLine)})
	}
	if room := b.room(); room > 0 && b.reach.inside(room) {
		names = append(names, name{at: float64(room), lines: []string{fmt.Sprintf("room: %s", room)}, key: lineKey(roomLine)})
	}
	for i, o := range b.strips {
		names = append(names, name{at: b.reach.high, above: wide.stripHeight() * (vg.Length(i) + 0.5), lines: []string{o.String() + ": " + runs(len(b.spots.by[o]))},
			key: func(c sheet, r vg.Rectangle) {
				fill(c, r, pale)
				outline(c, r, line(0.4, faint))
			}})
	}
	if n := len(b.spots.by[trial.Overran]); n > 0 {
		over := name{at: b.reach.high, above: 1, lines: []string{"farther than the room:", runs(n)}, key: func(c sheet, r vg.Rectangle) {
			c.links = nil
			middle := (r.Min.X + r.Max.X) / 2
			drawArrows(c, []spot{{}, {lead: station.Rear}}, func(s spot) vg.Point { return vg.Point{X: middle + 10*vg.Length(s.lead) - 5, Y: r.Min.Y - 1} })
		}}
		if room := b.room(); room > 0 {
			over.at, over.above, over.lines[0] = float64(room), 7, fmt.Sprintf("farther than %s:", room)
		}
		names = append(names, over)
	}
	return names
}

// drawTolerance draws the band of the stops that are on target.
func drawTolerance(c sheet, r vg.Rectangle) {
	hatch(c, r, line(0.4, faint))
	for _, y := range []vg.Length{r.Min.Y, r.Max.Y} {
		c.StrokeLine2(line(0.5, quiet), r.Min.X, y, r.Max.X, y)
	}
}

// drawWanted draws the target with its tolerance, the room, and the bound of the scatter.
func (b stopsPlot) drawWanted(area sheet, y func(float64) vg.Length) {
	across := func(mm station.Millimetres, s draw.LineStyle) {
		area.StrokeLine2(s, area.Min.X, y(float64(mm)), area.Max.X, y(float64(mm)))
	}
	if near, far, ok := b.wanted(); ok {
		drawTolerance(area, box(area.Min.X, y(near), area.Max.X, y(far)))
	}
	if b.hasBound() && b.reach.inside(b.Verdict.Bound.At) {
		across(b.Verdict.Bound.At, boundLine)
	}
	if room := b.room(); room > 0 && b.reach.inside(room) {
		across(room, roomLine)
	}
}

// lawCurve is the stop that the law predicts over the speeds that it is known for, and the interval of its mean. It is empty where that is not known.
type lawCurve struct{ mean, low, high []point }

func (b Braking) lawCurve(r reach) (c lawCurve) {
	law := b.Verdict.Law
	slow, fast := float64(law.Slowest), min(float64(law.Fastest), r.speed)
	if !law.Known || !(slow > 0 && slow < fast) {
		return lawCurve{}
	}
	const parts = 60
	held := func(mm station.Millimetres) float64 { return min(max(float64(mm), r.low), r.high) }
	for i := range parts + 1 {
		v := slow + (fast-slow)*float64(i)/parts
		m, l, h := law.At(station.MillimetresPerSecond(v))
		if math.IsNaN(float64(m)) || math.IsNaN(float64(l)) || math.IsNaN(float64(h)) {
			return lawCurve{}
		}
		c.low, c.high = append(c.low, point{v, held(l)}), append(c.high, point{v, held(h)})
		if r.inside(m) {
			c.mean = append(c.mean, point{v, float64(m)})
		}
	}
	if len(c.mean) < 2 {
		return lawCurve{}
	}
	return c
}

// draw draws the curve; where its name stands at the right of the plot with a line to there.
func (l lawCurve) draw(area sheet, x, y func(float64) vg.Length, named bool) {
	if len(l.mean) == 0 {
		return
	}
	placed := func(points []point) []vg.Point {
		at := make([]vg.Point, len(points))
		for i, p := range points {
			at[i] = vg.Point{X: x(p.x), Y: y(p.y)}
		}
		return at
	}
	band := placed(l.high)
	slices.Reverse(band)
	area.FillPolygon(lawBand, append(placed(l.low), band...))
	mean := placed(l.mean)
	area.StrokeLines(lawLine, mean)
	if last := mean[len(mean)-1]; named {
		area.StrokeLine2(line(0.5, quiet), last.X, last.Y, area.Max.X, last.Y)
	}
}

// confidence is that of intervals.
func (b Braking) confidence() float64 {
	if c := b.Trial.Wanted.Confidence; c > 0 && c < 1 {
		return c
	}
	return 0.95 // as trial.Judge has it
}
