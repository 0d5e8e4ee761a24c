package trial

import (
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"os"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"fettle/nmra/cv/regtoml"
	"fettle/station"
)

const maxRuns = 100_000

// MaxRunBytes is the size of the largest file of runs that is read.
const MaxRunBytes = 32 << 20

// columns is what a file of runs has, in the order in which it is written.
var columns = []string{"run", "lead", "way", "step", "speed_mm_s", "outcome", "stop_mm", "stop_s", "gates", "note"}

// ReadRuns reads a file of runs of a trial. Errors: as [ParseRuns]; those of opening and reading it.
func ReadRuns(path string, t Trial) ([]Run, []Doubt, error) {
	data, err := load(path)
	if err != nil {
		return nil, nil, err
	}
	return ParseRuns(path, data, t)
}

// load reads a file of runs, and no more of it than shows that it is too large.
func load(path string) ([]byte, error) {
	info, err := os.Stat(path)
	if err != nil {
		return nil, fmt.Errorf("runs: %w", err)
	}
	// Looked at before it is opened: a named pipe would have to be waited for.
	if !info.Mode().IsRegular() {
		return nil, regtoml.Refuse(path, "found a folder, a pipe or a device, want a file")
	}
	f, err := os.Open(path)
	if err != nil {
		return nil, fmt.Errorf("runs: %w", err)
	}
	defer f.Close()
	data, err := io.ReadAll(io.LimitReader(f, MaxRunBytes+1))
	if err != nil {
		return nil, fmt.Errorf("runs: %w", err)
	}
	return data, nil
}

// ParseRuns reads the runs of a trial as CSV (RFC 4180), as a spreadsheet may write it: a byte-order mark; commas, semicolons or tabs
// between the cells; decimal commas; columns in any order, those left out that say nothing; empty columns and lines; lines that begin
// with #. An empty cell means that it is not known, and a run without outcome (in a trial of speed, without speed) that it is not made
// yet. Runs are given in the file's order.
//
// The doubts are of runs that may be right and seldom are: units mixed up, above all. Errors: *regtoml.Errors, all that is wrong, each with
// its line and column.
func ParseRuns(file string, data []byte, t Trial) ([]Run, []Doubt, error) {
	s := &sheet{file: file, trial: t, errors: &regtoml.Errors{}}
	if err := s.open(data); err != nil {
		return nil, nil, err
	}
	if !s.header() {
		return nil, nil, s.errors
	}
	s.rows()
	if s.errors.Total > 0 {
		return nil, nil, s.errors
	}
	return s.runs, doubts(t, s.runs, s.noTime), nil
}

// sheet is a file of runs while it is read.
type sheet struct {
	file   string
	data   []byte
	trial  Trial
	errors *regtoml.Errors
	reader *csv.Reader
	comma  bool // commas are between the cells

	names  []string       // of the columns; "" where one has none
	has    map[string]int // where each is
	row    []string
	points bool // a decimal point was seen
	commas bool // a decimal comma was seen

	runs   []Run
	noTime []bool      // its stop_s is 0
	seen   map[int]int // line of each run by its number
}

// open refuses what is no text, and finds out what is between the cells.
func (s *sheet) open(data []byte) error {
	if len(data) > MaxRunBytes {
		return regtoml.Refuse(s.file, "found more than %d bytes, want at most that", MaxRunBytes)
	}
	if bytes.HasPrefix(data, []byte("\xff\xfe")) || bytes.HasPrefix(data, []byte("\xfe\xff")) {
		return regtoml.Refuse(s.file, "found UTF-16, want UTF-8: save it as CSV in UTF-8")
	}
	data = bytes.TrimPrefix(data, []byte("\ufeff"))
	s.data = data
	for line, rest := 1, data; len(rest) > 0; line++ {
		text, after, _ := bytes.Cut(rest, []byte("\n"))
		if !utf8.Valid(text) {
			s.noteAt(line, 1, "found what is not UTF-8, want UTF-8: save it as CSV in UTF-8")
			return s.errors
		}
		if trimmed := bytes.TrimLeft(text, " \t\r\""); s.reader == nil && len(trimmed) > 0 && trimmed[0] != '#' {
			s.reader = csv.NewReader(bytes.NewReader(data))
			s.reader.Comment, s.reader.FieldsPerRecord, s.reader.ReuseRecord = '#', -1, true
			switch {
			case bytes.ContainsRune(text, '\t'):
				s.reader.Comma = '\t'
			case bytes.ContainsRune(text, ';'):
				s.reader.Comma = ';'
			default:
				s.comma = true
			}
		}
		rest = after
	}
	if s.reader == nil {
		return regtoml.Refuse(s.file, "found no runs, want a line of column names: %s", strings.Join(columns, ","))
	}
	return nil
}

// note notes an error at cell i of the row.
func (s *sheet) note(i int, format string, args ...any) {
	line, column := 1, 1
	if len(s.row) > 0 && len(s.errors.List) < regtoml.MaxErrors {
		line, column = s.reader.FieldPos(min(i, len(s.row)-1))
	}
	s.noteAt(line, column, format, args...)
}

// noteAt notes an error at a line and a column in bytes, both from 1.
func (s *sheet) noteAt(line, column int, format string, args ...any) {
	if s.errors.Total++; len(s.errors.List) < regtoml.MaxErrors {
		s.errors.List = append(s.errors.List, regtoml.Error{File: s.file, Line: line, Column: s.characters(line, column), Text: fmt.Sprintf(format, args...)})
	}
}

// characters turns a column in bytes into one in characters.
func (s *sheet) characters(line, column int) int {
	rest := s.data
	for range line - 1 {
		_, rest, _ = bytes.Cut(rest, []byte("\n"))
	}
	return 1 + utf8.RuneCount(rest[:max(0, min(column-1, len(rest)))])
}

// next reads a row that says something; false at the end, and where what follows can't be told.
func (s *sheet) next() bool {
	for {
		row, err := s.reader.Read()
		if err == io.EOF {
			return false
		}
		var parse *csv.ParseError
		switch {
		case errors.As(err, &parse):
			s.noteAt(parse.Line, parse.Column, "found a quotation mark where none can be, want a cell in quotation marks whole, those in it twice")
			return false
		case err != nil: // a reader of bytes does not fail otherwise
			s.noteAt(1, 1, "%v", err)
			return false
		}
		// A comment that a spreadsheet has put in quotation marks; a run may begin so where its note comes first.
		if strings.HasPrefix(row[0], "#") && (len(s.names) == 0 || s.names[0] != "note") {
			continue
		}
		s.row = row
		for i := range row {
			row[i] = strings.TrimSpace(row[i])
		}
		if slices.ContainsFunc(row, func(cell string) bool { return cell != "" }) {
			return true
		}
	}
}

// header reads the names of the columns.
func (s *sheet) header() bool {
	if !s.next() {
		if s.errors.Total == 0 {
			s.note(0, "found no runs, want a line of column names: %s", strings.Join(columns, ","))
		}
		return false
	}
	s.names, s.has = slices.Clone(s.row), map[string]int{}
	for i, name := range s.names {
		first, twice := s.has[name]
		switch {
		case name == "":
			continue
		case !slices.Contains(columns, name):
			s.note(i, "found column %s, want %s", quoted(name), closest(name, columns))
		case twice:
			s.note(i, "found column %s a second time, want it once; the first is column %d", name, first+1)
		}
		s.has[name] = i
	}
	need := []string{"run", "lead", "way", "outcome"}
	if s.trial.ofSpeed() {
		need = []string{"run", "lead", "step", "speed_mm_s"}
	}
	if s.errors.Total == 0 { // a name that is spelt wrong is no second error
		for _, name := range need {
			if _, ok := s.has[name]; !ok {
				s.note(0, "found no column %s, want one", name)
			}
		}
	}
	return s.errors.Total == 0
}

// rows reads the runs.
func (s *sheet) rows() {
	s.seen = map[int]int{}
	for s.next() {
		if len(s.runs) == maxRuns {
			s.note(0, "found more than %d runs, want at most that", maxRuns)
			return
		}
		for i, cell := range s.row {
			if cell != "" && (i >= len(s.names) || s.names[i] == "") {
				s.note(i, "found %s in a column without a name, want an empty cell (in a note with a %s in it, want quotation marks around it)",
					quoted(cell), s.between())
			}
		}
		line, _ := s.reader.FieldPos(0)
		r, zero := s.run(line)
		r.Line = line
		s.runs, s.noTime = append(s.runs, r), append(s.noTime, zero)
	}
	if s.errors.Total == 0 && len(s.runs) == 0 {
		s.note(0, "found column names and no run, want at least one")
	}
}

func (s *sheet) between() string {
	switch s.reader.Comma {
	case '\t':
		return "tab"
	case ';':
		return "semicolon"
	}
	return "comma"
}

// cell is what the row has in a column, "" where it has nothing, and where.
func (s *sheet) cell(name string) (string, int) {
	i, ok := s.has[name]
	if !ok || i >= len(s.row) {
		return "", i
	}
	return s.row[i], i
}

// bad notes an error in a cell.
func (s *sheet) bad(column, found, format string, args ...any) {
	_, i := s.cell(column)
	s.note(i, "%s: found %s, want %s", column, found, fmt.Sprintf(format, args...))
}

// AppendRuns appends runs as CSV, with every column, a line each. Numbers have as few digits as give the same value back. Of a run that
// is not made it writes no outcome, nor of one that stopped at 0: that is one of a trial of speed. What [ParseRuns] has read, it reads
// again the same, but for the lines.
func AppendRuns(b []byte, runs []Run) []byte {
	buffer := bytes.NewBuffer(b)
	w := csv.NewWriter(buffer)
	write := func(row []string) { _ = w.Write(row) } // a buffer takes everything
	write(columns)
	for _, r := range runs {
		row := []string{strconv.Itoa(r.Number), r.Lead.String(), r.Way.String(), "", decimal(float64(r.Speed)),
			"", "", decimal(inSeconds(r.Time)), "", r.Note}
		if r.Step != 0 {
			row[3] = strconv.Itoa(int(r.Step))
		}
		if r.Made && (r.Outcome != Stopped || r.Stop != 0) {
			row[5], row[6] = r.Outcome.String(), decimal(float64(r.Stop))
		}
		var gates []string
		for _, p := range r.Gates {
			gates = append(gates, number(float64(p.At))+":"+number(inSeconds(p.Time)))
		}
		row[8] = strings.Join(gates, " ")
		write(row)
	}
	w.Flush()
	return buffer.Bytes()
}

// inSeconds is a time in seconds, as near as there is a number: the standard library adds up whole ones and the rest, and is a little off.
func inSeconds(d time.Duration) float64 { return float64(d) / float64(time.Second) }

// number writes a number with as few digits as give it back.
func number(f float64) string { return strconv.FormatFloat(f, 'f', -1, 64) }

// decimal is as number, and "" for 0: not known.
func decimal(f float64) string {
	if f == 0 {
		return ""
	}
	return number(f)
}

// Resume gives the plan with the runs in it that were made so far, for a trial that was left. A step that the made one does not say is
// the plan's. Errors: a run that is not in the plan, or is another there, or is there twice.
func Resume(plan, made []Run) ([]Run, error) {
	at := make(map[int]int, len(plan))
	for i, r := range plan {
		at[r.Number] = i
	}
	out := slices.Clone(plan)
	taken := map[int]bool{}
	for _, r := range made {
		i, ok := at[r.Number]
		if !ok {
			return nil, fmt.Errorf("taking up the trial: found run %d, want one of the %d of the plan", r.Number, len(plan))
		}
		p := plan[i]
		if r.Step == 0 {
			r.Step = p.Step
		}
		if r.Lead != p.Lead || r.Way != p.Way || p.Step != 0 && r.Step != p.Step {
			return nil, fmt.Errorf("taking up the trial: found run %d as %s, want %s, as the plan has it; was the trial file changed since?",
				r.Number, r.asked(), p.asked())
		}
		if taken[r.Number] {
			return nil, fmt.Errorf("taking up the trial: found run %d a second time, want it once", r.Number)
		}
		taken[r.Number] = true
		if r.Made {
			out[i] = r
		}
	}
	return out, nil
}

// asked is what a run is, in words: "rear leading, with the section, step 12".
func (r Run) asked() string {
	s := fmt.Sprintf("%s leading, %s the section", r.Lead, r.Way)
	if r.Step != 0 {
		s += fmt.Sprintf(", step %d", r.Step)
	}
	return s
}

// quoted shows text from a file, cut where it is long.
func quoted(s string) string {
	const most = 40
	if len(s) > most {
		s = strings.ToValidUTF8(s[:most], "") + "…"
	}
	return strconv.Quote(s)
}

// printable says that text is one line of what can be seen.
func printable(s string) bool {
	return !strings.ContainsFunc(s, func(r rune) bool { return !unicode.IsPrint(r) })
}

// closest is what to write in place of a word that is none of ours: the one that it differs from least, where it is much like it, or any.
func closest(word string, words []string) string {
	best, least := "", 1+len(word)/2
	for _, w := range words {
		if d := edits(strings.ToLower(word), w); d < least {
			best, least = w, d
		}
	}
	if best == "" || len(word) > 40 {
		return "one of " + strings.Join(words, ", ")
	}
	return best + " (one of " + strings.Join(words, ", ") + ")"
}

// edits is how many letters must be put in, left out or changed to make b of a (Levenshtein's distance).
func edits(a, b string) int {
	if len(a) > 40 {
		return len(a)
	}
	row := make([]int, len(b)+1)
	for j := range row {
		row[j] = j
	}
	for i := range len(a) {
		corner := row[0]
		row[0] = i + 1
		for j := range len(b) {
			change := corner
			if a[i] != b[j] {
				change++
			}
			corner = row[j+1]
			row[j+1] = min(change, row[j]+1, row[j+1]+1)
		}
	}
	return row[len(b)]
}

// seconds is a duration of so many seconds, to the nanosecond.
func seconds(s float64) time.Duration {
	if s < 0 {
		return -seconds(-s)
	}
	return time.Duration(s*float64(time.Second) + 0.5)
}

// planned says which leads the trial has, in words.
func planned(leads []station.Lead) string {
	var words []string
	for _, l := range leads {
		words = append(words, l.String())
	}
	return strings.Join(words, " or ")
}
