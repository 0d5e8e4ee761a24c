package chart

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"time"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"

	"fettle/nmra/wave"
	"fettle/nmra/wave/conform"
)

const (
	longHalf = 400 * time.Microsecond // a longer half is drawn as long as this, with a break
	rowGap   = 6

	// Of a row, in parts of what the voltage goes up: the signal from -1 to 1, and below it bits and bytes.
	rowTop    = 1.15
	cellTop   = -1.25
	cellEnd   = -1.70
	byteEnd   = -2.15
	rowBottom = -2.25
)

// rowTime is the time that fits in a row. On a wide page it is most packets of three bytes, with what is around them.
func (l look) rowTime() time.Duration {
	const most = 7800
	return time.Duration(most*(l.across()-l.left)/(wide.across()-wide.left)) * time.Microsecond
}

// stripPanel draws the signal around a fault, or around a packet.
func stripPanel(l look, s conform.Strip) panel {
	rows := rowsOf(s, l.rowTime())
	volts := mostVolts(s.Volts)
	height := vg.Length(78)
	if volts > 0 {
		height = 112
	}
	heads := vg.Length(0)
	for _, r := range rows {
		heads += r.head(l, s)
	}
	kind := "Packet"
	if s.Found.Kind == wave.FaultFound {
		kind = sentence(s.Found.Fault.String())
	}
	return panel{
		title:  fmt.Sprintf("%s at %s s", kind, seconds(s.Found.Start)),
		about:  toldStrip(s),
		height: heads + height*vg.Length(len(rows)) + rowGap*vg.Length(len(rows)-1) + axisLabel,
		draw: func(c sheet) {
			for i, r := range rows {
				c.Max.Y -= r.head(l, s)
				area := c
				area.Min.Y = c.Max.Y - height
				label := ""
				if i == len(rows)-1 {
					label = timeLabel(s)
				}
				drawRow(area, s, r, volts, label)
				c.Max.Y -= height + rowGap
			}
		},
	}
}

// row is a part of a strip that fits in the width of the page: the halves from one cell's beginning to another's end.
type row struct {
	from, to int
	cells    []conform.Cell
}

// head is the room above a row: for a bracket, and what it says.
func (r row) head(l look, s conform.Strip) vg.Length {
	if s.Found.Kind == wave.FaultFound && s.From < r.to && s.To > r.from {
		return 9.5 + l.small + l.row()*vg.Length(len(l.fault(s))-1)
	}
	return 0
}

// fault is what is at fault, in lines.
func (l look) fault(s conform.Strip) []string { return l.wrapped(l.faultStyle(), atFault(s)) }

func (l look) faultStyle() draw.TextStyle {
	return aligned(bold(words(l.small, rust)), draw.XLeft, draw.YBottom)
}

// rowsOf parts a strip into rows of about the same length.
func rowsOf(s conform.Strip, rowTime time.Duration) []row {
	total := drawnFor(s.Halves)
	target := total / max(1, (total+rowTime-1)/rowTime)
	var rows []row
	var width time.Duration
	for _, cell := range s.Cells() {
		length := drawnFor(s.Halves[cell.From:cell.To])
		if len(rows) == 0 || width >= target || width+length > rowTime {
			rows = append(rows, row{from: cell.From})
			width = 0
		}
		r := &rows[len(rows)-1]
		r.cells, r.to = append(r.cells, cell), cell.To
		width += length
	}
	return rows
}

// drawnFor is how long the halves are drawn.
func drawnFor(halves []time.Duration) (all time.Duration) {
	for _, half := range halves {
		all += shown(half)
	}
	return all
}

// shown is how long a half is drawn.
func shown(half time.Duration) time.Duration { return min(half, longHalf) }

// us is a time as the axes have it.
func us(t time.Duration) float64 { return float64(t) / float64(time.Microsecond) }

// timeLabel says from where the time of a strip counts.
func timeLabel(s conform.Strip) string {
	if s.Found.Half > 0 {
		return "µs from the beginning of what is at fault"
	}
	return "µs from the beginning of the start bit"
}

// drawRow draws a row of a strip.
func drawRow(c sheet, s conform.Strip, r row, volts float64, label string) {
	p := c.axes("", "")
	p.X.Min, p.X.Max = 0, us(c.rowTime())*1.02 // with room for the last label
	p.Y.Min, p.Y.Max = rowBottom, rowTop
	p.X.LineStyle.Width, p.Y.LineStyle.Width = 0, 0
	p.X.Tick.Marker = plot.ConstantTicks(timeTicks(s, r))
	p.Y.Tick.Length = 0
	p.Y.Tick.Marker = plot.ConstantTicks{{Value: -1, Label: "− "}, {Value: 1, Label: "+ "}}
	if volts > 0 {
		p.Y.Tick.Marker = plot.ConstantTicks{{Value: -1, Label: number(-volts) + " V "}, {Value: 0, Label: "0 "}, {Value: 1, Label: number(volts) + " V "}}
	}
	d := rowDrawing{sheet: place(p, c, c.left), strip: s, row: r, volts: volts}
	c.FillText(words(c.normal, ink), vg.Point{X: d.Min.X, Y: c.Min.Y - axisLabel}, label)
	d.place(p)
	d.StrokeLine2(line(0.6, ink), d.Min.X, d.Min.Y, d.at(r.to), d.Min.Y)
	d.mark()
	d.trace()
	d.bits()
	d.bytes()
}

// timeTicks are the ticks of a row's time: none within a half that is drawn shorter than it is.
func timeTicks(s conform.Strip, r row) []plot.Tick {
	const step, major = 100 * time.Microsecond, 500 * time.Microsecond
	var ticks []plot.Tick
	begin, at := s.Start-s.Found.Start, time.Duration(0)
	for i, half := range s.Halves {
		if i >= r.from && i < r.to {
			first := begin + (step-begin%step)%step
			if begin < 0 {
				first = begin + -begin%step
			}
			for t := first; t < begin+half && (half <= longHalf || t == begin); t += step {
				tick := plot.Tick{Value: us(at + t - begin)}
				if t%major == 0 {
					tick.Label = number(us(t))
				}
				ticks = append(ticks, tick)
			}
			at += shown(half)
		}
		begin += half
	}
	return ticks
}

// rowDrawing draws the parts of a row on the canvas of its data.
type rowDrawing struct {
	sheet
	strip conform.Strip
	row   row
	volts float64
	x     []vg.Length // where each half of the row begins, and the last ends
	y     func(float64) vg.Length
}

// place works out where the halves are.
func (d *rowDrawing) place(p *plot.Plot) {
	x, y := p.Transforms(&d.Canvas)
	d.y = y
	at := time.Duration(0)
	for _, half := range d.strip.Halves[d.row.from:d.row.to] {
		d.x = append(d.x, x(us(at)))
		at += shown(half)
	}
	d.x = append(d.x, x(us(at)))
}

// at is where half n of the strip begins, or the one before it ends.
func (d *rowDrawing) at(n int) vg.Length {
	return d.x[min(max(n-d.row.from, 0), len(d.x)-1)]
}

// level is where half n runs.
func (d *rowDrawing) level(n int) float64 {
	if d.volts > 0 {
		level := float64(d.strip.Volts[n]) / d.volts
		if math.IsNaN(level) {
			return 0
		}
		return max(-1, min(1, level))
	}
	if d.strip.Second != (n%2 == 1) {
		return -1
	}
	return 1
}

// mark marks what is at fault, and says it.
func (d *rowDrawing) mark() {
	s := d.strip
	from, to := max(s.From, d.row.from), min(s.To, d.row.to)
	if from >= to || s.Found.Kind != wave.FaultFound {
		return
	}
	x0, x1, top := d.at(from), d.at(to), d.y(rowTop)
	area := box(x0, d.y(cellTop), x1, top)
	fill(d.sheet, area, pale)
	if s.To-s.From <= 2 { // more of it would be hard to read
		hatch(d.sheet, area, line(0.5, quiet))
	}
	const drop = 4
	d.StrokeLines(line(1.4, rust), []vg.Point{{X: x0, Y: top}, {X: x0, Y: top + drop}, {X: x1, Y: top + drop}, {X: x1, Y: top}})
	if from != s.From {
		return
	}
	style, lines := d.faultStyle(), d.fault(s)
	widest := vg.Length(0)
	for _, text := range lines {
		widest = max(widest, reserve(style, text))
	}
	x, y := max(d.Min.X-d.left, min(x0, d.Max.X-widest)), top+drop+2
	for _, text := range slices.Backward(lines) {
		d.FillText(style, vg.Point{X: x, Y: y}, text)
		y += d.look.row()
	}
}

// trace draws the signal.
func (d *rowDrawing) trace() {
	d.StrokeLine2(line(0.4, faint), d.Min.X, d.y(0), d.at(d.row.to), d.y(0))
	var path vg.Path
	for n := d.row.from; n < d.row.to; n++ {
		x0, x1, y := d.at(n), d.at(n+1), d.y(d.level(n))
		if n == d.row.from {
			path.Move(vg.Point{X: x0, Y: y})
		} else {
			path.Line(vg.Point{X: x0, Y: y})
		}
		if d.strip.Halves[n] > longHalf {
			const wide, high = 2, 4 // a gap in the line, with a stroke on each side
			middle := (x0 + x1) / 2
			path.Line(vg.Point{X: middle - wide, Y: y})
			path.Move(vg.Point{X: middle - 2*wide, Y: y - high})
			path.Line(vg.Point{X: middle, Y: y + high})
			path.Move(vg.Point{X: middle, Y: y - high})
			path.Line(vg.Point{X: middle + 2*wide, Y: y + high})
			path.Move(vg.Point{X: middle + wide, Y: y})
		}
		path.Line(vg.Point{X: x1, Y: y})
	}
	d.SetLineStyle(line(1, ink))
	d.Stroke(path)
	for n := d.row.from; n < d.row.to; n++ {
		if half := d.strip.Halves[n]; half > longHalf {
			style := aligned(words(d.small, ink), draw.XCenter, draw.YCenter)
			d.FillText(style, vg.Point{X: (d.at(n) + d.at(n+1)) / 2, Y: d.y(0)}, number(math.Round(us(half))))
		}
	}
}

// bits draws the bits below the signal.
func (d *rowDrawing) bits() {
	for _, cell := range d.row.cells {
		area := box(d.at(cell.From), d.y(cellEnd), d.at(cell.To), d.y(cellTop))
		text, style := "", words(d.small, ink)
		switch cell.Bit {
		case wave.Zero:
			text = "0"
		case wave.One:
			text = "1"
		case wave.Broken:
			text, style = "?", bold(words(d.small, rust))
		}
		outline(d.sheet, area, line(0.4, quiet))
		if style.Width(text) > area.Size().X {
			continue // a disturbance, too short for its sign
		}
		middle := vg.Point{X: (area.Min.X + area.Max.X) / 2, Y: (area.Min.Y + area.Max.Y) / 2}
		d.FillText(aligned(style, draw.XCenter, draw.YCenter), middle, text)
	}
}

// bytes draws the bytes of the packet below its bits.
func (d *rowDrawing) bytes() {
	for _, b := range d.strip.Bytes() {
		from, to := max(b.From, d.row.from), min(b.To, d.row.to)
		if from >= to {
			continue
		}
		area := box(d.at(from), d.y(byteEnd), d.at(to), d.y(cellEnd))
		fill(d.sheet, area, pale)
		outline(d.sheet, area, line(0.4, quiet))
		if to-from < b.To-b.From && 2*(to-from) <= b.To-b.From && !(2*(to-from) == b.To-b.From && from == b.From) {
			continue // its value stands in the other row, which has more of it
		}
		middle := vg.Point{X: (area.Min.X + area.Max.X) / 2, Y: (area.Min.Y + area.Max.Y) / 2}
		d.FillText(aligned(bold(words(d.small, ink)), draw.XCenter, draw.YCenter), middle, fmt.Sprintf("%02X", b.Value))
	}
}

// mostVolts is the greatest voltage either way, on which the strip's are drawn; 0 where there are none.
func mostVolts(volts []wave.Volts) float64 {
	most := 0.0
	for _, v := range volts {
		if v := math.Abs(float64(v)); v > most && v <= noVoltage {
			most = v
		}
	}
	return most
}

// number is a number for a label: no more than two digits behind the point, and a minus that is as wide as a plus.
func number(v float64) string {
	text := strconv.FormatFloat(math.Round(math.Abs(v)*100)/100, 'f', -1, 64)
	if v < 0 && text != "0" {
		return "−" + text
	}
	return text
}

// seconds is an instant in seconds, to the microsecond.
func seconds(t time.Duration) string { return strconv.FormatFloat(t.Seconds(), 'f', 6, 64) }

// sentence begins a text with a capital letter.
func sentence(text string) string {
	if text == "" || text[0] < 'a' || text[0] > 'z' {
		return text
	}
	return string(text[0]-'a'+'A') + text[1:]
}
