package chart

import (
	"fmt"
	"math"
	"strconv"
	"time"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"

	"fettle/nmra/wave/conform"
)

// The lengths on the axes of the half-bits, in µs. What is shorter than all is drawn at their beginning, what is longer at their end.
const (
	shortest = 40
	stretch  = 130 // from here on zeros are stretched, and the axis is logarithmic
	longest  = 20_000
	steps    = 40 // bars on the logarithmic axis
)

// standing is how a half stands to the limits of S-9.1.
type standing int

const (
	sendable   standing = iota // a station may send it
	acceptable                 // it may not, but a decoder must accept it
	outside                    // neither
	standings
)

var standingWords = [standings]string{
	"within what a station may send", "beyond that, but within what a decoder must accept", "outside what a decoder must accept",
}

// histogram is how many halves there are of each length.
type histogram struct {
	one, zero limits
	linear    [stretch - shortest][standings]int64 // by the whole µs that they are nearest to; the first has all that are shorter
	log       [steps][standings]int64
	long      bool // there are stretched ones
	most      int64
	of        [standings]int64 // in all
}

// limits are those of the halves of a bit, in µs.
type limits struct{ sent, accepted conform.Limits }

func (l limits) standing(from time.Duration) standing {
	switch v := us(from); {
	case v < l.accepted.Least || v > l.accepted.Most:
		return outside
	case v < l.sent.Least || v > l.sent.Most:
		return acceptable
	}
	return sendable
}

// histogramOf counts the halves. It is false where there are none.
func histogramOf(r conform.Result) (histogram, bool) {
	var h histogram
	if len(r.Rules) <= int(conform.ZeroAccepted) {
		return h, false
	}
	rule := func(id conform.RuleID) conform.Rule { return r.Rules[id] }
	h.one = limits{rule(conform.OneSent).Limits, rule(conform.OneAccepted).Limits}
	h.zero = limits{rule(conform.ZeroSent).Limits, rule(conform.ZeroAccepted).Limits}
	h.add(r.Ones, h.one)
	h.add(r.Zeros, h.zero)
	not := func(id conform.RuleID) int64 { return rule(id).Outside + rule(id).Unsure }
	h.of[outside] = not(conform.OneAccepted) + not(conform.ZeroAccepted)
	h.of[acceptable] = not(conform.OneSent) + not(conform.ZeroSent) - h.of[outside]
	h.of[sendable] = rule(conform.OneSent).Seen + rule(conform.ZeroSent).Seen - h.of[acceptable] - h.of[outside]
	return h, h.most > 0
}

// add counts the halves of a kind of bit.
func (h *histogram) add(buckets []conform.Bucket, l limits) {
	for _, b := range buckets {
		if b.Count <= 0 {
			continue
		}
		count := &h.linear[0][l.standing(b.From)]
		if v := us(b.From); v >= stretch-0.5 {
			h.long = true
			count = &h.log[min(steps-1, int(steps*plot.LogScale{}.Normalize(stretch, longest, max(v, stretch))))][l.standing(b.From)]
		} else if n := int(math.Round(v)) - shortest; n > 0 {
			count = &h.linear[n][l.standing(b.From)]
		}
		*count += min(b.Count, math.MaxInt64-*count)
		h.most = max(h.most, *count)
	}
}

// halvesPanel draws how many halves there are of each length, against the limits of S-9.1.
func halvesPanel(l look, r conform.Result) panel {
	p := panel{title: "Half-bits by length, against the limits of S-9.1"}
	h, any := histogramOf(r)
	if !any {
		p.notes = []string{"No half-bit was seen."}
		return p
	}
	for s, text := range standingWords {
		p.about += fmt.Sprintf("%s: %s. ", sentence(text), count(h.of[s]))
	}
	if n := r.Rules[conform.OneSent].Unsure + r.Rules[conform.ZeroSent].Unsure; n > 0 {
		p.notes = append(p.notes, fmt.Sprintf("Of those beyond a limit %s are so by less than the capture can tell.", count(n)))
	}
	names := h.names()
	p.height = 250
	if l.below {
		p.height = l.keysHeight(names) + l.spansHeight() + 172
		if h.long {
			p.height += l.spansHeight() + 172
		}
	}
	p.draw = func(c sheet) { h.draw(c, names) }
	return p
}

// names say what the bars mean, and how many halves stand so.
func (h histogram) names() (names []name) {
	for s := range standings {
		names = append(names, name{lines: []string{standingWords[s] + ": " + count(h.of[s])}, key: func(c sheet, r vg.Rectangle) { drawBar(c, r, s) }})
	}
	return names
}

// spansHeight is the room above the data for the limits.
func (l look) spansHeight() vg.Length {
	if l.below { // their numbers stand in two lines
		return 4*l.small + 24
	}
	return 48
}

// draw draws the stretched zeros beside the other halves, or below them.
func (h histogram) draw(c sheet, names []name) {
	if c.below {
		drawKeys(c, names)
		c = c.crop(0, -6, 0, -c.keysHeight(names))
		if h.long {
			half := c.Size().Y / 2
			h.drawLog(c.crop(0, 0, 0, -half-c.spansHeight()), c.left)
			c = c.crop(0, 0, half, 0)
		}
		h.drawLinear(c.crop(0, 0, 0, -c.spansHeight()))
		return
	}
	const legendHeight = 20
	drawLegend(c, names)
	c = c.crop(0, 0, 0, -legendHeight-c.spansHeight())
	if !h.long {
		h.drawLinear(c)
		return
	}
	part := c.Size().X * 0.72
	h.drawLinear(c.crop(0, part-c.Size().X, 0, 0))
	h.drawLog(c.crop(part, 0, 0, 0), 4)
}

// drawLegend writes the names in one line.
func drawLegend(c sheet, names []name) {
	x, style := c.Min.X, words(c.small, ink)
	for _, n := range names {
		const size = 8
		n.key(c, box(x, c.Max.Y-size, x+size, c.Max.Y))
		text := n.lines[0]
		c.FillText(aligned(style, draw.XLeft, draw.YCenter), vg.Point{X: x + size + 4, Y: c.Max.Y - size/2}, text)
		x += size + 4 + reserve(style, text) + 14
	}
}

// drawBar draws a bar in the manner of its standing.
func drawBar(c sheet, r vg.Rectangle, s standing) {
	switch s {
	case sendable:
		fill(c, r, faint)
		outline(c, r, line(0.4, ink))
	case acceptable:
		fill(c, r, quiet)
		outline(c, r, line(0.4, ink))
	case outside:
		fill(c, r, white)
		hatch(c, r, line(0.9, rust))
		outline(c, r, line(0.8, rust))
	}
}

// drawBars draws the bars of the halves with lengths about the middle between these two. Where one length has several standings, as it has
// at a limit, their bars stand one before the other.
func (h histogram) drawBars(c sheet, p *plot.Plot, from, to float64, counts [standings]int64) {
	x, y := p.Transforms(&c.Canvas)
	x0, x1 := x(from), x(to)
	for s, n := range counts {
		if n == 0 {
			continue
		}
		inset := (x1 - x0) * (0.08 + 0.12*vg.Length(s))
		drawBar(c, box(x0+inset, c.Min.Y, x1-inset, y(float64(n))), standing(s))
	}
}

// countAxis makes the vertical axis one of counts.
func (h histogram) countAxis(p *plot.Plot) {
	decades := int(math.Ceil(math.Log10(float64(h.most) * 1.2)))
	p.Y.Scale = plot.LogScale{}
	p.Y.Min, p.Y.Max = 0.6, math.Pow10(max(1, decades))
	each := 1 + decades/9 // as many as there is room for
	var ticks plot.ConstantTicks
	for d := range decades + 1 {
		tick := plot.Tick{Value: math.Pow10(d)}
		if d%each == 0 {
			tick.Label = power(d)
		}
		ticks = append(ticks, tick)
	}
	p.Y.Tick.Marker = ticks
}

// drawLinear draws the halves that are not stretched.
func (h histogram) drawLinear(c sheet) {
	p := c.axes("length, µs", "half-bits")
	p.X.Min, p.X.Max = shortest-0.5, stretch
	var ticks plot.ConstantTicks
	for v := shortest; v <= stretch; v += 5 {
		tick := plot.Tick{Value: float64(v)}
		if v%10 == 0 {
			tick.Label = strconv.Itoa(v)
		}
		ticks = append(ticks, tick)
	}
	p.X.Tick.Marker = ticks
	h.countAxis(p)
	data := place(p, c, c.left)
	x, y := p.Transforms(&data.Canvas)
	for i, counts := range h.linear {
		h.drawBars(data, p, float64(shortest+i)-0.5, float64(shortest+i)+0.5, counts)
	}
	if n := sumOf(h.linear[0]); n > 0 {
		data.FillText(aligned(words(c.small, ink), draw.XLeft, draw.YBottom), vg.Point{X: x(shortest) + 5, Y: y(float64(n))}, fmt.Sprintf("up to %d µs: %s", shortest, count(n)))
	}
	drawLimits(data, x, h.one, "one", false)
	drawLimits(data, x, h.zero, "zero", true)
}

// drawLimits draws the limits of the halves of a bit, as lines and as spans above the data. Where it is open they go on beyond the axis.
func drawLimits(c sheet, x func(float64) vg.Length, l limits, bit string, open bool) {
	numbers := [2]vg.Length{1, 1} // where those of the limits stand above the data, and from where on their spans do
	sent, accepted := vg.Length(20), vg.Length(36)
	if c.below { // where they are too near each other for one line
		numbers[1] += c.small + 2
		sent, accepted = 2*c.small+14, 3*c.small+20
	}
	top := c.Max.Y
	for i, limit := range []struct {
		conform.Limits
		label  string
		height vg.Length
		style  draw.LineStyle
	}{
		{l.sent, "sent", sent, line(0.6, quiet, 3, 2)},
		{l.accepted, "accepted", accepted, line(0.6, ink)},
	} {
		ends := []float64{limit.Least, limit.Most}
		if open {
			ends = ends[:1]
		}
		for _, v := range ends {
			c.StrokeLine2(limit.style, x(v), c.Min.Y, x(v), top)
			style := aligned(words(c.small, ink), draw.XCenter, draw.YBottom)
			c.FillText(style, vg.Point{X: x(v), Y: top + numbers[i]}, number(v))
		}
		to := c.Max.X
		if !open {
			to = x(limit.Most)
		}
		span(c, x(limit.Least), to, top+limit.height, open, bit+", "+limit.label)
	}
}

// drawLog draws the stretched zeros.
func (h histogram) drawLog(c sheet, left vg.Length) {
	p := c.axes("stretched, µs, logarithmic", "half-bits")
	p.X.Scale = plot.LogScale{}
	p.X.Min, p.X.Max = stretch, longest
	var ticks plot.ConstantTicks
	for _, v := range []float64{200, 500, 1000, 2000, 5000, 10000} {
		tick := plot.Tick{Value: v}
		if c.below || v == 200 || v == 1000 || v == 10000 { // as many as there is room for
			tick.Label = number(v)
		}
		ticks = append(ticks, tick)
	}
	p.X.Tick.Marker = append(ticks, plot.Tick{Value: longest})
	h.countAxis(p)
	if !c.below { // the axis is that of the plot at its left
		p.Y.Label.Text, p.Y.Tick.Marker = "", plot.ConstantTicks{}
	}
	data := place(p, c, left)
	x, _ := p.Transforms(&data.Canvas)
	edge := func(i int) float64 { return stretch * math.Pow(longest/stretch, float64(i)/steps) }
	for i, counts := range h.log {
		h.drawBars(data, p, edge(i), edge(i+1), counts)
	}
	for _, limit := range []struct {
		most   float64
		label  string
		height vg.Length
		style  draw.LineStyle
	}{
		{h.zero.sent.Most, "sent", 20, line(0.6, quiet, 3, 2)},
		{h.zero.accepted.Most, "accepted", 36, line(0.6, ink)},
	} {
		data.StrokeLine2(limit.style, x(limit.most), data.Min.Y, x(limit.most), data.Max.Y)
		span(data, data.Min.X, x(limit.most), data.Max.Y+limit.height, false, limit.label+" up to "+number(limit.most))
	}
}

func sumOf(counts [standings]int64) (all int64) {
	for _, n := range counts {
		all += min(n, math.MaxInt64-all)
	}
	return all
}

// count is a number of things, its thousands apart.
func count(n int64) string {
	text := strconv.FormatInt(max(0, n), 10)
	for i := len(text) - 3; i > 0; i -= 3 {
		text = text[:i] + "\u00a0" + text[i:]
	}
	return text
}

// power is ten to the n.
func power(n int) string {
	if n <= 3 {
		return strconv.Itoa(int(math.Pow10(n)))
	}
	raised := []rune("⁰¹²³⁴⁵⁶⁷⁸⁹")
	text := "10"
	for _, digit := range strconv.Itoa(n) {
		text += string(raised[digit-'0'])
	}
	return text
}
