package capture

import (
	"fmt"
	"io"
	"math"
	"time"

	"fettle/nmra/wave"
)

// table reads lines of values: a time, and what the channels have then. A channel that has nothing but levels in the first lines, and no
// unit of something else in its name, is one of levels, each from its line on; lines that repeat it, as samples do, are no crossings. Any
// other is one of sampled voltages. columns.go finds out what there is, lines.go takes lines and cells, decimal.go numbers.
//
// Times are those that the lines have, whatever they count from.
type table struct {
	lines     *lines
	separator byte
	heading   int    // the line that says how many columns there are
	found     string // what stands there for the time
	columns   []column
	time      int // the column with the time
	unit      int // of the time: ten to that power of a nanosecond
	unitSaid  bool
	step      time.Duration // in which times are written; 0 where that is no coarser than halves
	interval  time.Duration // between the first lines, most often
	even      bool          // between them it is always that

	signal, draws int // the columns that were chosen; draws is -1 for none

	begun     bool
	first, at time.Duration // the first line, and the one at hand
	written   decimal       // at, as it is written

	edges    edges
	slicer   slicer
	currents currents
	ended    time.Duration // the last half that was given; or else the first crossing
	err      error         // behind what was given
}

// newCSV reads up to the first line of values, and looks at the first of those. Any number of columns will do where the signal's is named.
func newCSV(from io.Reader, o Options) (reader, error) {
	text, err := newLines(from)
	if err != nil {
		return nil, err
	}
	c := &table{lines: text}
	if err := c.header(); err != nil {
		return nil, err
	}
	if o.Signal == "" && len(c.columns) > 1+mostCandidates {
		return nil, &SyntaxError{Form: CSV, Line: c.heading, Found: c.columns[1+mostCandidates].name,
			Want: fmt.Sprintf("no more than %d columns beside the time, or the name of the one with the signal", mostCandidates)}
	}
	return c, c.look()
}

func (c *table) channels() []Channel {
	var all []Channel
	for i, one := range c.columns {
		if i != c.time {
			all = append(all, Channel{Name: one.name})
		}
	}
	return all
}

// column gives the column of a channel.
func (c *table) column(channel int) int {
	if channel >= c.time {
		return channel + 1
	}
	return channel
}

func (c *table) choose(signal, current int) (Info, error) {
	c.signal, c.draws = c.column(signal), -1
	chosen := c.columns[c.signal]
	switch {
	case chosen.wrong != nil:
		return Info{}, chosen.wrong
	case chosen.measure == milliamps:
		return Info{}, fmt.Errorf("channel %.40q is a current: want levels or voltages for the signal", chosen.name)
	}
	info := Info{Step: c.step}
	switch {
	case chosen.kind == numbers && c.interval > time.Second/leastRate:
		return Info{}, fmt.Errorf("channel %.40q has voltages %v apart, which show no signal: "+
			"want them %v apart at the most, or else levels, 0 and 1, at the crossings",
			chosen.name, c.interval, time.Second/leastRate)
	case chosen.kind == numbers:
		info = Info{Step: c.interval, Sampled: true, Volts: true}
	case chosen.sampled:
		info.Step = max(c.step, c.interval)
	}
	if current < 0 {
		return info, nil
	}
	c.draws = c.column(current)
	switch chosen = c.columns[c.draws]; {
	case chosen.wrong != nil:
		return Info{}, chosen.wrong
	case chosen.measure == volts:
		return Info{}, fmt.Errorf("channel %.40q is a voltage: want levels, milliamps or amps for the current", chosen.name)
	}
	return info, nil
}

func (c *table) next(b *Batch) error {
	b.Start = c.ended
	c.currents.begin(b)
	for c.err == nil && !full(b) {
		c.err = c.take(b)
	}
	if c.err != nil {
		c.edges.end(b)
		c.slicer.end(b)
		c.currents.end(b)
	}
	c.ended = b.Start
	for _, half := range b.Halves {
		c.ended += half
	}
	switch {
	case len(b.Halves) > 0:
		if c.currents.hold(b, c.ended) {
			return nil // they come with the next
		}
	case c.err == nil && c.columns[c.signal].kind == numbers:
		c.currents.hold(b, c.at-slicerLag)
	}
	return c.err
}

// slicerLag is how long a half may have ended when the slicer gives it: it holds two windows.
const slicerLag = 3 * windowTime

// take takes a line.
func (c *table) take(b *Batch) error {
	line, err := c.lines.next()
	if err != nil {
		return err
	}
	var cell, written, signal, draws []byte
	n := 0
	for r, more := (row{line, c.separator}), true; more; n++ {
		var wrong string
		if cell, more, wrong = r.cell(); wrong != "" {
			return c.unlike(line, wrong)
		}
		switch n {
		case c.time:
			written = cell
		case c.signal:
			signal = cell
		case c.draws:
			draws = cell
		}
	}
	if err := c.count(n, cell, line, c.lines.number); err != nil {
		return err
	}
	if err := c.pass(line, written); err != nil {
		return err
	}
	if c.draws >= 0 {
		drawn, err := c.current(line, draws)
		if err != nil {
			return err
		}
		c.currents.draw(b, Current{At: c.at, Milliamps: drawn})
	}
	one := &c.columns[c.signal]
	if one.kind == onlyLevels {
		to := levelIn(signal)
		if to == unknown {
			return c.wrongCell(line, signal, c.lines.number, c.signal, "a level as on the lines before, 0 or 1 (a voltage has V in its name),")
		}
		c.edges.set(b, c.at, to)
		return nil
	}
	v, ok := c.number(one, signal)
	if !ok {
		return c.wrongCell(line, signal, c.lines.number, c.signal, "a number, the voltage,")
	}
	c.slicer.sample(b, c.at, v)
	return nil
}

// pass takes the time of a line.
func (c *table) pass(line, cell []byte) error {
	written, ok := decimalOf(cell, c.comma())
	if !ok {
		return c.wrongCell(line, cell, c.lines.number, c.time, "a number, the time,")
	}
	at, ok := written.duration(c.unit)
	switch {
	case !ok, c.begun && at >= c.at && at-c.first < 0:
		return c.wrongCell(line, cell, c.lines.number, c.time, "no more than 292 years, from 0 and from the first line,")
	case !c.begun:
		c.begun, c.first = true, at
	case at < c.at:
		return c.wrongCell(line, cell, c.lines.number, c.time, fmt.Sprintf("a time no earlier than %v, on the line before,", c.at))
	case at == c.at && written.is(c.written) && c.columns[c.signal].kind == numbers:
		return c.wrongCell(line, cell, c.lines.number, c.time, "a time for each voltage, later than that on the line before,")
	}
	c.at, c.written = at, written
	return nil
}

// current reads a cell of the column with the current.
func (c *table) current(line, cell []byte) (wave.Milliamps, error) {
	one := &c.columns[c.draws]
	if one.kind == onlyLevels {
		to := levelIn(cell)
		if to == unknown {
			return 0, c.wrongCell(line, cell, c.lines.number, c.draws, "a level as on the lines before, 0 or 1 (a current has mA in its name),")
		}
		return to.milliamps(), nil
	}
	v, ok := c.number(one, cell)
	if !ok {
		return 0, c.wrongCell(line, cell, c.lines.number, c.draws, "a number, the current,")
	}
	return wave.Milliamps(v), nil
}

// number reads a number of a column as volts or milliamps.
func (c *table) number(one *column, cell []byte) (float64, bool) {
	written, ok := decimalOf(cell, c.comma())
	v := written.float() * one.scale
	return v, ok && math.Abs(v) <= mostValue
}

// mostValue is the greatest voltage or current that is taken for one, in volts or milliamps.
const mostValue = 1e9
