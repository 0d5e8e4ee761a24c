package capture

import (
	"io"
	"slices"
	"strconv"
	"strings"
	"unicode"
)

const (
	wantColumns = "a time and what one channel or more have then, with commas, semicolons or tabs between them"
	wantTime    = "a column that the header names time, with its unit: time_s, time_ms, time_us, time_ns or time_ps"
)

// header reads what comes before the first line of values: the names of the columns, if they have any.
func (c *table) header() error {
	var note []byte // the comment that came last: it may be the header, made a comment
	var noted int   // its line
	for {
		line, err := c.lines.next()
		switch {
		case err == io.EOF:
			return &SyntaxError{Form: CSV, Line: c.lines.number + 1, Want: wantColumns}
		case err != nil:
			return err
		case line[0] == '#' || line[0] == ';':
			note, noted = append(note[:0], line[1:]...), c.lines.number
			continue
		}
		if c.separator = separatorOf(line); c.separator == 0 {
			return c.unlike(line, wantColumns)
		}
		names, err := c.names(line)
		if err != nil {
			return err
		}
		c.heading, c.found = c.lines.number, names[0]
		if _, ok := decimalOf([]byte(names[0]), c.comma()); !ok || slices.ContainsFunc(names, namesTime) {
			return c.name(names)
		}
		c.lines.back()
		if instead, err := c.names(note); err == nil && len(instead) == len(names) && slices.ContainsFunc(instead, namesTime) {
			c.heading = noted
			return c.name(instead)
		}
		c.describe(make([]string, len(names)))
		return nil
	}
}

// names gives the cells of a line; behind a separator at its end there is none.
func (c *table) names(line []byte) (all []string, err error) {
	for r, more := (row{line, c.separator}), true; more; {
		var cell []byte
		var wrong string
		if cell, more, wrong = r.cell(); wrong != "" {
			return nil, c.unlike(line, wrong)
		}
		all = append(all, strings.ReplaceAll(string(cell), `""`, `"`))
	}
	if last := len(all) - 1; last > 0 && all[last] == "" {
		all = all[:last]
	}
	return all, nil
}

// name takes the names of the columns, one of which is the time.
func (c *table) name(names []string) error {
	if c.time = slices.IndexFunc(names, namesTime); c.time < 0 {
		return &SyntaxError{Form: CSV, Line: c.heading, Found: names[0],
			Want: wantTime + "; or lines that begin with a time; what is neither begins with # or ;"}
	}
	c.found = names[c.time]
	words := wordsOf(c.found)
	if unit, ok := timeUnits[words[len(words)-1]]; ok {
		c.unit, c.unitSaid = unit, true
	} else if len(words) > 1 {
		return &SyntaxError{Form: CSV, Line: c.heading, Found: c.found, Want: wantTime}
	}
	c.describe(names)
	return nil
}

// describe makes the columns. One without a name has its number, from 1.
func (c *table) describe(names []string) {
	c.columns = make([]column, len(names))
	for i, name := range names {
		if name == "" {
			name = strconv.Itoa(i + 1)
		}
		m, scale := measureOf(name)
		c.columns[i] = column{name: name, measure: m, scale: scale}
	}
}

// timeUnits are the units that a time can be in, as powers of ten of a nanosecond. Micro has two letters in Unicode.
var timeUnits = map[string]int{"s": 9, "ms": 6, "us": 3, "\u00B5s": 3, "\u03BCs": 3, "ns": 0, "ps": -3}

// namesTime reports whether a name is that of the time: time_us, Time (s), t/ns, or a unit alone.
func namesTime(name string) bool {
	words := wordsOf(name)
	if len(words) == 0 {
		return false
	}
	_, unit := timeUnits[words[0]]
	return words[0] == "time" || words[0] == "t" || words[0] == "timestamp" || unit && len(words) == 1
}

// measureOf finds the unit that a name ends with. Without one numbers are volts, or milliamps.
func measureOf(name string) (measure, float64) {
	words := wordsOf(name)
	if len(words) == 0 {
		return unsaid, 1
	}
	switch words[len(words)-1] {
	case "v", "volt", "volts":
		return volts, 1
	case "mv":
		return volts, 1e-3
	case "ma":
		return milliamps, 1
	case "a", "amp", "amps":
		if saysCurrent(name) { // else it may be the first of two channels
			return milliamps, 1e3
		}
	}
	return unsaid, 1
}

// wordsOf gives the words of a name, in small letters.
func wordsOf(name string) []string {
	return strings.FieldsFunc(strings.ToLower(name), func(r rune) bool { return !unicode.IsLetter(r) })
}
