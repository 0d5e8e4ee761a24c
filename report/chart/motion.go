package chart

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"

	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"

	"fettle/station"
	"fettle/trial"
)

// motion is how the speed may fall over the distance, at one entry speed.
type motion struct {
	entry  station.MillimetresPerSecond
	stop   station.Millimetres
	curves []fall
	passed []passed
}

// fall is one way in which the speed falls.
type fall struct {
	lines []string // its name
	style draw.LineStyle
	best  bool
	stop  station.Millimetres
	speed func(station.Millimetres) station.MillimetresPerSecond
}

// passed is a stretch between two gates, and how fast a run went there on average.
type passed struct {
	lead     station.Lead
	from, to float64 // mm
	speed    float64 // mm/s
	run      int     // the number of the run
	words    string
}

// nearSpeed is how far a run's entry speed may be from the one that is drawn, as a share of it, to be drawn with it (our choice).
const nearSpeed = 0.06

// mostPassed is how many stretches are drawn: more would hide each other.
const mostPassed = 48

// motion picks the entry speed: of those that have gates, else of those that have stops, the one in the middle. The slowest would not tell creep from
// the others, nor the fastest late.
func (b Braking) motion() (m motion, ok bool) {
	var gated, stopped []motion
	for _, p := range b.Verdict.Stops {
		if p.Stopped == 0 || !(p.Speed > 0 && p.Speed <= noSpeed) || !(p.Stop > 0 && p.Stop <= noDistance) {
			continue
		}
		m := motion{entry: p.Speed, stop: p.Stop, passed: b.passed(p.Speed, float64(p.Stop))}
		stopped = append(stopped, m)
		if len(m.passed) > 0 {
			gated = append(gated, m)
		}
	}
	if len(gated) > 0 {
		stopped = gated
	}
	if len(stopped) == 0 {
		return motion{}, false
	}
	slices.SortStableFunc(stopped, func(a, b motion) int { return cmp.Compare(a.entry, b.entry) })
	m = stopped[len(stopped)/2]
	m.curves = b.falls(m.entry, m.stop)
	return m, len(m.curves) > 0 || len(m.passed) > 0
}

// falls are the ways of braking that were fitted: the patterns where the distance is constant, constant deceleration where it is not. At one speed
// even and constant deceleration are the same curve; it is at other speeds that they stop elsewhere.
func (b Braking) falls(v station.MillimetresPerSecond, stop station.Millimetres) (all []fall) {
	for i, f := range b.Verdict.Patterns {
		c := fall{stop: stop, best: i == 0 && b.Verdict.Pattern == f.Pattern, style: line(1.1, ink)}
		c.speed = func(x station.Millimetres) station.MillimetresPerSecond { return f.Speed(v, stop, x) }
		detail := ""
		switch f.Pattern {
		case trial.PatternLate:
			c.style = line(1.1, rust, 7, 3)
			detail = fmt.Sprintf("%.0f mm/s² at the end", float64(f.Deceleration))
		case trial.PatternCreep:
			c.style = line(1.1, blue, 2, 2)
			detail = fmt.Sprintf("then a crawl of %s", f.Crawl)
		default:
			detail = "one smooth fall"
		}
		mark := ""
		if c.best {
			c.style.Width, mark = 2.2, ", fits best"
		}
		c.lines = []string{fmt.Sprintf("%s: times off by %.1f %%%s", f.Pattern, 100*f.Off, mark), detail}
		all = append(all, c)
	}
	if law := b.Verdict.Law.Motion; law.Known && law.Deceleration > 0 && b.Verdict.ConstantDistance == trial.No {
		c := fall{stop: law.At(v), style: line(1.1, quiet, 9, 2, 2, 2)}
		if c.stop > 0 && c.stop <= noDistance {
			a := float64(law.Deceleration)
			coast := float64(c.stop) - float64(v)*float64(v)/(2*a)
			c.speed = func(x station.Millimetres) station.MillimetresPerSecond {
				return station.MillimetresPerSecond(math.Sqrt(max(0, float64(v)*float64(v)-2*a*max(0, float64(x)-coast))))
			}
			c.lines = []string{"constant deceleration", fmt.Sprintf("of %.0f mm/s², from %.0f mm on", a, max(0, coast)), "fitted to the stops at all speeds"}
			all = append(all, c)
		}
	}
	return all
}

// passed are the stretches between gates of runs that entered at about v and stopped.
func (b Braking) passed(v station.MillimetresPerSecond, stop float64) (all []passed) {
	for _, r := range b.Runs {
		if !r.Made || r.Way != station.With || r.Outcome != trial.Stopped || !(math.Abs(float64(r.Speed/v)-1) < nearSpeed) {
			continue
		}
		at, t := 0.0, 0.0
		add := func(x, seconds float64) {
			if !(x > at && x <= 1.2*stop && seconds > t) {
				return
			}
			if mean := (x - at) / (seconds - t); mean <= 1.5*float64(v) && len(all) < mostPassed {
				all = append(all, passed{r.Lead, at, x, mean, r.Number, told(r)})
			}
			at, t = x, seconds
		}
		gates := r.Gates[:min(len(r.Gates), 16)]
		for _, g := range gates {
			add(float64(g.At), g.Time.Seconds())
		}
		if len(gates) > 0 && r.Time > 0 {
			add(float64(r.Stop), r.Time.Seconds())
		}
	}
	return all
}

// motionPanel draws how the speed falls over the distance.
func (b Braking) motionPanel(l look) panel {
	p := panel{title: "How it brakes: speed against distance"}
	m, ok := b.motion()
	if !ok {
		p.notes = []string{"Not known yet: it takes stops at several speeds that settle whether the distance is constant, with times to standstill or gates in the section."}
		return p
	}
	rests := "Bars: a run's mean speed from gate to gate, and to its standstill."
	if len(m.passed) == 0 {
		rests = "No gate in the section was timed: the curves rest on what was fitted to the runs."
	}
	p.notes = []string{fmt.Sprintf("At an entry speed of %s%s. %s", m.entry, b.scaleWords(m.entry), rests)}
	if b.Verdict.ConstantDistance == trial.No {
		p.notes = append(p.notes, "Its distance is not constant: at another speed it stops elsewhere.")
	}
	for _, c := range m.curves {
		p.about += sentence(strings.Join(c.lines, ", ")) + ". "
	}
	if len(m.passed) > 0 {
		p.about += fmt.Sprintf("%s stretches between gates. ", count(int64(len(m.passed))))
	}
	p.height = 210
	if l.below {
		p.height += l.keysHeight(m.names())
	}
	p.draw = func(c sheet) { m.draw(c, b) }
	return p
}

// names say which line is which.
func (m motion) names() (names []name) {
	for _, curve := range m.curves {
		names = append(names, name{lines: curve.lines, key: lineKey(curve.style)})
	}
	return names
}

// scaleWords is a speed to scale: " (60 km/h at 1:87.1)"; empty where the scale is not known.
func (b Braking) scaleWords(v station.MillimetresPerSecond) string {
	scale := b.Trial.Vehicle.Scale
	if kilometres(1, scale) == 0 {
		return ""
	}
	return fmt.Sprintf(" (%.0f km/h at 1:%s)", kilometres(float64(v), scale), number(scale))
}

// draw draws the plot.
func (m motion) draw(c sheet, b Braking) {
	const namesWidth = 220
	drawLeads(c)
	far, fast := float64(m.stop), float64(m.entry)
	for _, curve := range m.curves {
		far = max(far, float64(curve.stop))
	}
	for _, s := range m.passed {
		far, fast = max(far, s.to), max(fast, s.speed)
	}
	near, beyond, wanted := b.wanted()
	wanted = wanted && beyond < 2*far
	if wanted {
		far = max(far, beyond)
	}
	p := c.axes("distance past the trigger, mm", "speed, mm/s")
	p.X.Min, p.X.Max, p.Y.Min, p.Y.Max = 0, far*1.05, 0, fast*1.12
	names := m.names()
	frame := c.crop(0, -namesWidth, 0, -legend)
	if c.below {
		frame = c.crop(0, -6, c.keysHeight(names), -legend)
	}
	p.X.Tick.Marker, p.Y.Tick.Marker = ticks(frame.Size().X, 55), even(6)
	area := place(p, frame, c.left)
	x, y := p.Transforms(&area.Canvas)
	if wanted {
		hatch(area, box(x(near), area.Min.Y, x(beyond), area.Max.Y), line(0.4, faint))
		area.FillText(aligned(words(c.small, ink), draw.XCenter, draw.YTop), vg.Point{X: x((near + beyond) / 2), Y: area.Max.Y - 1}, "wanted")
	}
	for _, s := range m.passed {
		style := line(0.8, leadInk(s.lead))
		area.StrokeLine2(style, x(s.from), y(s.speed), x(s.to), y(s.speed))
	}
	var middles []spot
	for _, s := range m.passed {
		middles = append(middles, spot{lead: s.lead, speed: s.speed, stop: (s.from + s.to) / 2, run: s.run, words: s.words})
	}
	for _, curve := range m.curves {
		const parts = 240
		points := make([]vg.Point, 0, parts+1)
		for i := range parts + 1 {
			at := curve.stop * station.Millimetres(i) / parts
			if v := curve.speed(at); v >= 0 && v <= noSpeed {
				points = append(points, vg.Point{X: x(float64(at)), Y: y(float64(v))})
			}
		}
		area.StrokeLines(curve.style, points)
	}
	drawMarkers(area, middles, func(s spot) vg.Point { return vg.Point{X: x(s.stop), Y: y(s.speed)} })
	keys := c.crop(area.Max.X-c.Min.X+12, 0, 0, -legend)
	if c.below {
		keys = c.within(box(c.Min.X, c.Min.Y, c.Max.X, frame.Min.Y))
	}
	drawKeys(keys, names)
}
