package capture

import (
	"bytes"
	"fmt"
	"io"
	"slices"
	"time"
)

// column is a column of lines of values.
type column struct {
	name    string
	measure measure
	scale   float64 // of its numbers, in volts or in milliamps
	kind    kind
	sampled bool  // its levels were looked at at even intervals
	wrong   error // why it is of no kind
}

// measure is what a column's name says that its numbers are.
type measure uint8

const (
	unsaid measure = iota
	volts
	milliamps
)

// kind is what a column has in the lines that were looked at.
type kind uint8

const (
	noKind     kind = iota
	onlyLevels      // nothing but levels, and no name that says otherwise
	numbers
)

// lookedAt is how many lines, of those that are in the buffer, show what the columns have.
const lookedAt = 1000

// look finds what the columns have, and in which unit and how finely the time is, in the first lines.
func (c *table) look() error {
	if _, err := c.lines.next(); err == io.EOF {
		return &SyntaxError{Form: CSV, Line: c.lines.number + 1, Want: wantColumns}
	} else if err != nil {
		return err
	}
	c.lines.back()
	times := make([]decimal, 0, lookedAt)
	repeats := make([]int, len(c.columns)) // of the level on the line before
	before := make([]level, len(c.columns))
	for ahead := c.lines.ahead(lookedAt); len(times) < lookedAt; {
		line, err := ahead.next()
		var at decimal
		if err == nil {
			at, err = c.lookAt(line, ahead.number, before, repeats)
		}
		if err != nil && len(times) == 0 {
			return err
		} else if err != nil {
			break // next comes to it again
		}
		times = append(times, at)
	}
	finest := 0
	for _, at := range times {
		finest = min(finest, at.exponent)
	}
	if !c.unitSaid && !slices.ContainsFunc(times, func(at decimal) bool { return at.exponent != 0 }) {
		return &SyntaxError{Form: CSV, Line: c.heading, Found: c.found, Want: wantTime}
	} else if !c.unitSaid {
		c.unit = timeUnits["s"]
	}
	c.measureTime(times, finest)
	for i, n := range repeats {
		c.columns[i].sampled = c.even && 2*n > len(times)
	}
	return nil
}

// lookAt takes a line that is looked at, and gives its time.
func (c *table) lookAt(line []byte, number int, before []level, repeats []int) (at decimal, err error) {
	var cell []byte
	i := 0
	for r, more := (row{line, c.separator}), true; more; i++ {
		var wrong string
		cell, more, wrong = r.cell()
		switch {
		case wrong != "":
			return at, &SyntaxError{Form: CSV, Line: number, Found: string(line), Want: wrong}
		case i >= len(c.columns):
		case i == c.time:
			var ok bool
			if at, ok = decimalOf(cell, c.comma()); !ok {
				return at, c.wrongCell(line, cell, number, i, "a number, the time,")
			}
		default:
			one := &c.columns[i]
			to := levelIn(cell)
			_, ok := decimalOf(cell, c.comma())
			switch {
			case one.wrong != nil:
			case to != unknown && one.measure == unsaid && one.kind != numbers:
				one.kind = onlyLevels
			case ok:
				one.kind = numbers
			case one.kind == noKind:
				one.wrong = c.wrongCell(line, cell, number, i, "a level, 0 or 1, or a number")
			}
			if to == before[i] {
				repeats[i]++
			}
			before[i] = to
		}
	}
	return at, c.count(i, cell, line, number)
}

// measureTime finds how finely the times are written, and the interval between them, if that is always the same.
func (c *table) measureTime(times []decimal, finest int) {
	c.step, _ = decimal{digits: 1, exponent: finest}.duration(c.unit)
	if c.step == 1 {
		c.step = 0 // or less: no coarser than halves
	}
	var intervals []time.Duration
	var last time.Duration
	for i, written := range times {
		at, ok := written.duration(c.unit)
		if !ok {
			break
		}
		if i > 0 && at > last {
			intervals = append(intervals, at-last)
		}
		last = at
	}
	if len(intervals) == 0 {
		return
	}
	slices.Sort(intervals)
	few := len(intervals) / 20 // one in twenty may be anything, at either end
	c.interval = intervals[len(intervals)/2]
	rounded := max(1, c.step)
	c.even = intervals[few] >= c.interval-rounded && intervals[len(intervals)-1-few] <= c.interval+rounded
}

// levelIn gives the level that a cell is.
func levelIn(cell []byte) level {
	switch {
	case len(cell) == 1 && cell[0] == '0':
		return low
	case len(cell) == 1 && cell[0] == '1':
		return high
	case len(cell) == len("true") && bytes.EqualFold(cell, []byte("true")):
		return high
	case len(cell) == len("false") && bytes.EqualFold(cell, []byte("false")):
		return low
	}
	return unknown
}

// unlike is the error of the line that was taken last.
func (c *table) unlike(line []byte, want string) error {
	return &SyntaxError{Form: CSV, Line: c.lines.number, Found: string(line), Want: want}
}

// wrongCell is the error of a cell; where that is empty, it shows the line.
func (c *table) wrongCell(line, cell []byte, number, column int, want string) error {
	found := cell
	if len(found) == 0 {
		found = line
		want += " that is not left out"
	}
	return &SyntaxError{Form: CSV, Line: number, Found: string(found),
		Want: fmt.Sprintf("%s in column %d, %.40q", want, column+1, c.columns[column].name)}
}

// count holds the number of cells of a line against that of columns. Behind a separator at the end one may be empty.
func (c *table) count(cells int, last, line []byte, number int) error {
	if cells == len(c.columns) || cells == len(c.columns)+1 && len(last) == 0 {
		return nil
	}
	want := fmt.Sprintf("%d values with %s between them, as there are columns on line %d", len(c.columns), separatorName(c.separator), c.heading)
	if c.separator == ',' {
		want += " (where commas are decimal, they can't be that)"
	}
	return &SyntaxError{Form: CSV, Line: number, Found: string(line), Want: want}
}

// comma reports whether a comma can be that of a decimal number.
func (c *table) comma() bool { return c.separator != ',' }
