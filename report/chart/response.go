package chart

import (
	"fmt"

	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"

	"fettle/station"
	"fettle/trial"
)

// responsePanel draws the section with the vehicle both ways round, both ways: what is wanted in each case, and what was seen.
func (b Braking) responsePanel(l look) panel {
	rows := vg.Length(4 / l.caseColumns())
	p := panel{title: "In which cases it stops", height: rows*l.caseHeight() + (rows-1)*caseGap, draw: b.drawResponse}
	senses := map[trial.Senses]string{
		trial.SensesTravel: "the rail on one side of its travel", trial.SensesVehicle: "the rail on one side of the vehicle",
		trial.SensesEither: "either asymmetry", trial.SensesNothing: "nothing",
	}
	if what, ok := senses[b.Verdict.Response.Senses]; ok {
		if b.Verdict.Response.Mirror {
			what += ", the other one: as if the section were wired the other way"
		}
		p.notes = append(p.notes, "The decoder senses "+what+".")
	} else {
		p.notes = append(p.notes, "What the decoder senses these runs don't tell.")
	}
	for _, way := range []station.Way{station.With, station.Against} {
		for _, lead := range []station.Lead{station.Front, station.Rear} {
			seen, judged := b.seen(lead, way)
			p.about += fmt.Sprintf("%s leading, %s the section: wanted: %s; seen: %s: %s. ", sentence(lead.String()), way, wantedIn(way), seen, judged)
		}
	}
	return p
}

// wantedIn is what a vehicle has to do.
func wantedIn(way station.Way) string {
	if way == station.With {
		return "to stop"
	}
	return "to run on"
}

// seen is what became of the runs of a case, and whether that is as wanted.
func (b Braking) seen(lead station.Lead, way station.Way) (seen, judged string) {
	c := b.Verdict.Response.Case(lead, way)
	n := c.Runs()
	if n == 0 {
		return "no run", "not tried"
	}
	for i, of := range []int{c.Stopped, c.Overran, c.Slowed, c.Ignored} {
		if of == 0 {
			continue
		}
		if seen != "" {
			seen += ", "
		}
		seen += trial.Outcome(i).String() + " " + count(int64(of))
	}
	seen += " of " + count(int64(n))
	good := c.Stopped
	if way == station.Against {
		good = c.Ignored
	}
	if good == n {
		return seen, "as wanted"
	}
	return seen, "not as wanted"
}

const caseGap = 16 // between the drawings of two cases

// caseColumns is how many cases stand beside each other.
func (l look) caseColumns() int {
	if l.below {
		return 1
	}
	return 2
}

// caseLines are what is wanted in a case, and what was seen: in a line, or where that is short in two.
func (l look) caseLines(wanted, seen string) []string {
	if l.below {
		return []string{"wanted: " + wanted, "seen: " + seen}
	}
	return []string{"wanted: " + wanted + "; seen: " + seen}
}

// caseHeight is that of a case: its lines of words above the track.
func (l look) caseHeight() vg.Length {
	return (l.small+3)*vg.Length(1+len(l.caseLines("", ""))) + l.tiny + 50.5
}

// drawResponse draws the four cases: those with the section first, each with the front leading first.
func (b Braking) drawResponse(c sheet) {
	columns := c.caseColumns()
	width, height := (c.Size().X-caseGap*vg.Length(columns-1))/vg.Length(columns), c.caseHeight()
	for i, way := range []station.Way{station.With, station.Against} {
		for j, lead := range []station.Lead{station.Front, station.Rear} {
			n := 2*i + j
			x, y := c.Min.X+vg.Length(n%columns)*(width+caseGap), c.Max.Y-vg.Length(n/columns)*(height+caseGap)
			b.drawCase(c.within(box(x, y-height, x+width, y)), lead, way)
		}
	}
}

// drawCase draws one case: the words above the track.
func (b Braking) drawCase(c sheet, lead station.Lead, way station.Way) {
	seen, judged := b.seen(lead, way)
	edge := line(0.6, quiet)
	if judged == "not as wanted" {
		edge = line(1.8, ink)
	}
	outline(c, c.Rectangle, edge)
	left := aligned(words(c.small, ink), draw.XLeft, draw.YTop)
	strong := bold(left)
	const inset = 6
	top := c.Max.Y - 5
	c.FillText(left, vg.Point{X: c.Min.X + inset, Y: top}, fmt.Sprintf("%s leading, %s the section", lead, way))
	c.FillText(strong, vg.Point{X: c.Max.X - inset - reserve(strong, judged), Y: top}, judged)
	for _, text := range c.caseLines(wantedIn(way), seen) {
		top -= c.small + 3
		c.FillText(left, vg.Point{X: c.Min.X + inset, Y: top}, fitted(left, text, c.Size().X-2*inset))
	}

	drawTrack(c, c.Min.Y+c.tiny+9.5, lead, way)
}

// drawTrack draws the section between its trigger and its signal, and the vehicle about to enter it.
func drawTrack(c sheet, y vg.Length, lead station.Lead, way station.Way) {
	const inset, rails = 6, 4
	from, to := c.Min.X+inset, c.Max.X-inset
	trigger, signal := from+0.34*(to-from), from+0.68*(to-from)
	hatch(c, box(trigger, y-rails, signal, y+rails), line(0.5, quiet))
	for _, rail := range []vg.Length{-rails, rails} {
		c.StrokeLine2(line(1, ink), from, y+rail, to, y+rail)
	}
	for _, end := range []vg.Length{trigger, signal} {
		c.StrokeLine2(line(0.8, ink), end, y-rails-3, end, y+rails+3)
	}
	below := aligned(words(c.tiny, quiet), draw.XCenter, draw.YTop)
	c.FillText(below, vg.Point{X: trigger, Y: y - rails - 3}, "trigger")
	c.FillText(below, vg.Point{X: (trigger + signal) / 2, Y: y - rails - 3}, "section")
	c.FillText(below, vg.Point{X: signal, Y: y - rails - 3}, "signal at danger")

	// The signal: a mast with an arm straight out, on the side of a vehicle that goes with the section.
	mast := y + rails + 13
	c.StrokeLine2(line(1.2, ink), signal, y+rails, signal, mast)
	fill(c, box(signal-11, mast-3.5, signal, mast), ink)

	const length, half, nose = 44, 7, 9
	toRight := way == station.With
	tail, head := trigger-16-length, trigger-16
	if !toRight {
		tail, head = signal+30+length, signal+30
	}
	// The vehicle's front has a nose.
	front, rear := head, tail
	if lead == station.Rear {
		front, rear = tail, head
	}
	in := vg.Length(nose)
	if front > rear {
		in = -nose
	}
	body := []vg.Point{{X: rear, Y: y - half}, {X: front + in, Y: y - half}, {X: front, Y: y}, {X: front + in, Y: y + half}, {X: rear, Y: y + half}}
	c.FillPolygon(white, body)
	c.StrokeLines(line(1.1, ink), append(body, body[0]))
	c.FillText(aligned(words(c.tiny, ink), draw.XCenter, draw.YCenter), vg.Point{X: (front + in + rear) / 2, Y: y}, "front")
	drawHeading(c, head, y, toRight)
}

// drawHeading draws the arrow before the leading end.
func drawHeading(c sheet, head, y vg.Length, toRight bool) {
	const near, far, half = 3, 13, 2.6
	sign := vg.Length(1)
	if !toRight {
		sign = -1
	}
	tip := vg.Point{X: head + sign*far, Y: y}
	c.StrokeLine2(line(1.4, ink), head+sign*near, y, tip.X-sign*2*half, y)
	c.FillPolygon(ink, []vg.Point{tip, {X: tip.X - sign*2*half, Y: y + half}, {X: tip.X - sign*2*half, Y: y - half}})
}
