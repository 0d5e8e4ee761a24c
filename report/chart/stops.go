package chart

import (
	"fmt"
	"math"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"

	"fettle/station"
	"fettle/trial"
)

// mostMarkers is how many markers of one lead are drawn one by one. Of more, those that lie on each other are drawn once, which looks the same.
const mostMarkers = 1500

// mostTold is how many mean stops are told to those who can't see the picture.
const mostTold = 24

// stopsPanel draws where the runs stopped against how fast they entered.
func (b Braking) stopsPanel() panel {
	p := panel{title: "Where it stops, by entry speed", height: 300}
	s := spotsOf(b.Runs)
	if s.count() == 0 {
		p.notes = append(p.notes, "No run with the section was made.")
	}
	if b.Verdict.Sentence != "" {
		p.notes = append(p.notes, wrapped(words(normal, ink), b.Verdict.Sentence, pageWidth-2*pageMargin)...)
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
		p.about += sentence(exponent(law)) + ". "
	}
	for _, stop := range b.Verdict.Stops[:min(len(b.Verdict.Stops), mostTold)] {
		if stop.Stopped > 0 {
			p.about += fmt.Sprintf("%s leading, at %s: %s. ", sentence(stop.Lead.String()), stop.Speed, stop.Stop)
		}
	}
	p.draw = func(c draw.Canvas) { b.drawStops(c, s) }
	return p
}

// drawStops draws the plot, with a legend above it and strips for the runs that have no stop.
func (b Braking) drawStops(c draw.Canvas, s spots) {
	const legend, strip, namesWidth = 16, 13, 128
	drawLeads(c)
	strips := vg.Length(0)
	for _, o := range []trial.Outcome{trial.Slowed, trial.Ignored} {
		if len(s.by[o]) > 0 {
			strips += strip
		}
	}
	scaled := kilometres(1, b.Trial.Vehicle.Scale) > 0
	bottom := vg.Length(0)
	if scaled {
		bottom = small + 12 // the second line of labels
	}
	r := b.reach(s)
	unit := "stop, mm past the trigger"
	if r.low > 0 {
		unit += fmt.Sprintf(" (from %.0f)", math.Ceil(r.low))
	}
	p := axes("entry speed, mm/s", unit)
	p.X.Min, p.X.Max, p.Y.Min, p.Y.Max = 0, r.speed, r.low, r.high
	p.X.Tick.Marker, p.Y.Tick.Marker = even(9), even(8)
	if scaled {
		p.X.Label.Text = ""
	}
	area := place(p, draw.Crop(c, 0, -namesWidth, bottom, -legend-strips-6), leftAxis)
	x, y := p.Transforms(&area)
	if scaled {
		drawScaleSpeeds(c, area, x, p.X.Tick.Marker.Ticks(0, r.speed), b.Trial.Vehicle.Scale)
	}

	names := b.drawLaw(area, x, y, r)
	names = append(names, b.drawWanted(area, y, r)...)
	top := area.Max.Y
	for _, o := range []trial.Outcome{trial.Slowed, trial.Ignored} {
		if n := len(s.by[o]); n > 0 {
			row := box(area.Min.X, top, area.Max.X, top+strip)
			fill(c, row, pale)
			outline(c, row, line(0.4, faint))
			names = append(names, name{y: top + strip/2, lines: []string{o.String() + ": " + runs(n)}})
			drawMarkers(c, s.by[o], func(spot spot) vg.Point { return vg.Point{X: x(spot.speed), Y: top + strip/2} })
			top += strip
		}
	}
	drawMarkers(c, s.by[trial.Stopped], func(spot spot) vg.Point { return vg.Point{X: x(spot.speed), Y: y(spot.stop)} })
	if n := len(s.by[trial.Overran]); n > 0 {
		at := area.Max.Y - 6
		far := "farther than the room"
		if room := b.room(); room > 0 {
			at, far = y(float64(room)), fmt.Sprintf("farther than %s", room)
		}
		names = append(names, name{y: at + 7, lines: []string{far + ":", runs(n)}})
		drawArrows(c, s.by[trial.Overran], func(spot spot) vg.Point { return vg.Point{X: x(spot.speed), Y: at} })
	}
	drawNames(draw.Canvas{Canvas: c.Canvas, Rectangle: box(area.Max.X, area.Min.Y, c.Max.X, top)}, names)
}

// drawScaleSpeeds writes below the labels of the axis what they are to scale, in km/h.
func drawScaleSpeeds(c, area draw.Canvas, x func(float64) vg.Length, ticks []plot.Tick, scale float64) {
	const row = small + 3
	style := aligned(words(small, quiet), draw.XCenter, draw.YTop)
	at := area.Min.Y - 5 - row
	for _, tick := range ticks {
		if tick.Label != "" {
			c.FillText(style, vg.Point{X: x(tick.Value), Y: at}, fmt.Sprintf("%.0f", kilometres(tick.Value, scale)))
		}
	}
	left := aligned(words(small, quiet), draw.XLeft, draw.YTop)
	c.FillText(left, vg.Point{X: area.Max.X + 6, Y: at}, fmt.Sprintf("km/h at 1:%s", number(scale)))
	c.FillText(aligned(words(small, ink), draw.XLeft, draw.YTop), vg.Point{X: area.Max.X + 6, Y: at + row}, "mm/s")
	c.FillText(aligned(words(normal, ink), draw.XCenter, draw.YTop), vg.Point{X: (area.Min.X + area.Max.X) / 2, Y: at - row}, "entry speed")
}

// drawWanted draws the target with its tolerance, the room, and the bound of the scatter.
func (b Braking) drawWanted(area draw.Canvas, y func(float64) vg.Length, r reach) (names []name) {
	across := func(mm float64, s draw.LineStyle) { area.StrokeLine2(s, area.Min.X, y(mm), area.Max.X, y(mm)) }
	inside := func(mm float64) bool { return mm >= r.low && mm <= r.high }
	if near, far, ok := b.wanted(); ok { // both are within reach
		hatch(area, box(area.Min.X, y(near), area.Max.X, y(far)), line(0.4, faint))
		across(near, line(0.5, quiet))
		across(far, line(0.5, quiet))
		w := b.Trial.Wanted
		names = append(names, name{y: y((near + far) / 2), lines: []string{fmt.Sprintf("wanted: %.0f ± %s mm", float64(w.Stop), number(float64(w.Within)))}})
	}
	if b.hasBound() && inside(float64(b.Verdict.Bound.At)) {
		at := float64(b.Verdict.Bound.At)
		across(at, line(1, ink, 2, 2))
		names = append(names, name{y: y(at), lines: []string{share(b.Verdict.Bound.Share) + " end", fmt.Sprintf("before %s", b.Verdict.Bound.At)}})
	}
	if room := float64(b.room()); room > 0 && inside(room) {
		across(room, line(1.6, ink))
		names = append(names, name{y: y(room), lines: []string{fmt.Sprintf("room: %s", b.room())}})
	}
	return names
}

// drawLaw draws the stop that the law predicts over the speeds that it is known for, and the interval of its mean.
func (b Braking) drawLaw(area draw.Canvas, x, y func(float64) vg.Length, r reach) []name {
	law := b.Verdict.Law
	slow, fast := float64(law.Slowest), min(float64(law.Fastest), r.speed)
	if !law.Known || !(slow > 0 && slow < fast) {
		return nil
	}
	const parts = 60
	var mean, low, high []vg.Point
	held := func(mm float64) vg.Length { return y(min(max(mm, r.low), r.high)) }
	for i := range parts + 1 {
		v := slow + (fast-slow)*float64(i)/parts
		m, l, h := law.At(station.MillimetresPerSecond(v))
		if math.IsNaN(float64(m)) || math.IsNaN(float64(l)) || math.IsNaN(float64(h)) {
			return nil
		}
		low, high = append(low, vg.Point{X: x(v), Y: held(float64(l))}), append(high, vg.Point{X: x(v), Y: held(float64(h))})
		if m >= station.Millimetres(r.low) && m <= station.Millimetres(r.high) {
			mean = append(mean, vg.Point{X: x(v), Y: y(float64(m))})
		}
	}
	if len(mean) < 2 {
		return nil
	}
	band := low
	for i := range high {
		band = append(band, high[len(high)-1-i])
	}
	area.FillPolygon(lawBand, band)
	area.StrokeLines(line(1.2, blue, 7, 2), mean)
	last := mean[len(mean)-1]
	area.StrokeLine2(line(0.5, quiet), last.X, last.Y, area.Max.X, last.Y)
	return []name{{y: last.Y, lines: []string{fmt.Sprintf("mean and its %s interval", percent(b.confidence())), exponent(law)}}}
}

// exponent is that of a law, with its interval.
func exponent(law trial.Law) string {
	return fmt.Sprintf("exponent %s (%s to %s)", hundredths(law.Exponent), hundredths(law.Low), hundredths(law.High))
}

// confidence is that of intervals.
func (b Braking) confidence() float64 {
	if c := b.Trial.Wanted.Confidence; c > 0 && c < 1 {
		return c
	}
	return 0.95 // as trial.Judge has it
}

// drawLeads says which marker is which lead.
func drawLeads(c draw.Canvas) {
	x := c.Min.X + leftAxis
	for _, lead := range []station.Lead{station.Front, station.Rear} {
		at := vg.Point{X: x, Y: c.Max.Y - 5}
		drawMarkers(c, []spot{{lead: lead}}, func(spot) vg.Point { return at })
		text := lead.String() + " leading"
		style := aligned(words(small, ink), draw.XLeft, draw.YCenter)
		c.FillText(style, vg.Point{X: x + 7, Y: at.Y}, text)
		x += 7 + style.Width(text)*1.15 + 16
	}
}

// drawMarkers draws a marker for each spot: full and round with the front leading, a hollow square with the rear.
func drawMarkers(c draw.Canvas, all []spot, place func(spot) vg.Point) {
	const radius = 2.4
	for _, lead := range []station.Lead{station.Front, station.Rear} {
		var path vg.Path
		for _, at := range thinned(all, lead, place) {
			if lead == station.Front {
				path.Move(vg.Point{X: at.X + radius, Y: at.Y})
				path.Arc(at, radius, 0, 2*math.Pi)
			} else {
				path = append(path, box(at.X-radius, at.Y-radius, at.X+radius, at.Y+radius).Path()...)
			}
			path.Close()
		}
		drawShapes(c, lead, path)
	}
}

// drawArrows draws an arrow upwards for each spot: full with the front leading, hollow with the rear.
func drawArrows(c draw.Canvas, all []spot, place func(spot) vg.Point) {
	const length, half = 9, 3
	for _, lead := range []station.Lead{station.Front, station.Rear} {
		var path, shafts vg.Path
		for _, at := range thinned(all, lead, place) {
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
func drawShapes(c draw.Canvas, lead station.Lead, path vg.Path) {
	if len(path) == 0 {
		return
	}
	if lead == station.Front {
		c.SetColor(ink)
		c.Fill(path)
		return
	}
	c.SetColor(white)
	c.Fill(path)
	c.SetLineStyle(line(0.9, leadInk(lead)))
	c.Stroke(path)
}

// thinned are the places of one lead's spots. Where there are very many, those that lie on each other are one.
func thinned(all []spot, lead station.Lead, place func(spot) vg.Point) []vg.Point {
	type cell struct{ x, y int }
	for size := vg.Length(0.25); ; size *= 2 {
		var points []vg.Point
		taken := map[cell]bool{}
		for _, s := range all {
			if s.lead != lead {
				continue
			}
			at := place(s)
			key := cell{int(at.X / size), int(at.Y / size)}
			if !taken[key] {
				taken[key] = true
				points = append(points, at)
			}
		}
		if len(points) <= mostMarkers {
			return points
		}
	}
}
