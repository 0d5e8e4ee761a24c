package regtoml

import (
	"cmp"
	"fmt"
	"slices"
	"sort"
	"strings"
	"unicode/utf8"
)

// MaxErrors is how many errors of one file are listed; the others are counted.
const MaxErrors = 20

// Error is one thing that is wrong with a file.
type Error struct {
	File   string
	Line   int    // from 1
	Column int    // from 1, in characters
	Text   string // "found X, want Y"
}

func (e Error) Error() string { return fmt.Sprintf("%s:%d:%d: %s", e.File, e.Line, e.Column, e.Text) }

// Errors is all that is wrong with a file, in the order of its lines: the first [MaxErrors], and how many there are.
type Errors struct {
	List  []Error
	Total int
}

func (e *Errors) Error() string {
	var s strings.Builder
	for i, one := range e.List {
		if i > 0 {
			s.WriteByte('\n')
		}
		s.WriteString(one.Error())
	}
	if more := e.Total - len(e.List); more > 0 {
		fmt.Fprintf(&s, "\n%s: and %d more", e.List[0].File, more)
	}
	return s.String()
}

// Refuse is the error of a file that was not read at all: it stands at its first line and column.
func Refuse(file, format string, args ...any) *Errors {
	return &Errors{[]Error{{file, 1, 1, fmt.Sprintf(format, args...)}}, 1}
}

// fault is an error before its place has been counted out in lines and columns.
type fault struct {
	offset int
	text   string
}

// source is the text of a file, and what was found wrong with it.
type source struct {
	file     string
	text     []byte
	lines    []int // where each begins
	faults   []fault
	notation Notation
}

func newSource(file string, text []byte) *source {
	s := &source{file: file, text: text, lines: []int{0}}
	for i, c := range text {
		if c == '\n' {
			s.lines = append(s.lines, i+1)
		}
	}
	return s
}

func (s *source) note(offset int, format string, args ...any) {
	s.faults = append(s.faults, fault{offset, fmt.Sprintf(format, args...)})
}

// line is the number of the line that offset is in, from 1.
func (s *source) line(offset int) int {
	return sort.Search(len(s.lines), func(i int) bool { return s.lines[i] > offset })
}

// errors gives what was noted, in order, the same only once; nil where nothing was.
func (s *source) errors() error {
	if len(s.faults) == 0 {
		return nil
	}
	slices.SortStableFunc(s.faults, func(a, b fault) int { return cmp.Compare(a.offset, b.offset) })
	e := &Errors{}
	seen := map[fault]bool{}
	for _, f := range s.faults {
		if seen[f] {
			continue
		}
		seen[f] = true
		if e.Total++; e.Total <= MaxErrors {
			line := s.line(f.offset)
			column := 1 + utf8.RuneCount(s.text[s.lines[line-1]:f.offset])
			e.List = append(e.List, Error{s.file, line, column, f.text})
		}
	}
	return e
}

// quote shows text from a file, cut where it is long.
func quote(s string) string {
	const most = 40
	if len(s) > most {
		s = strings.ToValidUTF8(s[:most], "") + "…"
	}
	return fmt.Sprintf("%q", s)
}
