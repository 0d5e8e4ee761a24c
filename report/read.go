package report

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"fettle/nmra/cv/regtoml"
	"fettle/prog/journal"
	"fettle/prog/regset"
	"fettle/prog/sheet"
	"fettle/trial"
)

// mostFiles is how many entries of a folder are looked at (our choice).
const mostFiles = 10_000

// Read reads what is in a folder, and not what is in folders below it. What each file is comes from what is in it; one that can't be read, or that
// says nothing to a report, is one of the Unread, but for what begins with a dot, and for pages and pictures (.html, .pdf, .svg, .png), which are
// left out without a word. progress hears of each file before it is read; it may be nil. Errors: a folder that is not there, is none, can't be
// read or has more than 10 000 files; that of the context.
func Read(ctx context.Context, path string, progress func(doing string, done, of int)) (Folder, error) {
	whole, err := filepath.Abs(path)
	if err != nil {
		return Folder{}, fmt.Errorf("folder %s: %w", path, err)
	}
	root, err := os.OpenRoot(path)
	if err != nil {
		return Folder{}, fmt.Errorf("folder: %w", err)
	}
	defer root.Close()
	r := reader{ctx: ctx, root: root, folder: Folder{Path: path, Name: filepath.Base(whole)}}
	names, err := r.names()
	if err != nil {
		return Folder{}, err
	}
	if progress == nil {
		progress = func(string, int, int) {}
	}
	for n, name := range names {
		progress("reading "+name, n, len(names))
		if err := r.file(name); err != nil {
			return Folder{}, err
		}
	}
	progress("reading runs", len(names), len(names))
	r.order()
	for _, read := range []struct {
		files []string
		one   func(file string, data []byte) error
	}{{r.sets, r.set}, {r.runs, r.book}} {
		for _, name := range read.files {
			if err := ctx.Err(); err != nil {
				return Folder{}, err
			}
			r.text(name, read.one)
		}
	}
	for i, u := range r.folder.Unread {
		r.folder.Unread[i].Runs = slices.Contains(r.runs, u.File)
	}
	r.orderRead()
	return r.folder, nil
}

// reader is a folder while it is read.
type reader struct {
	ctx    context.Context
	root   *os.Root
	folder Folder

	// Files that can be read only once others are: sets with the names of a sheet, and runs with their trial.
	sets, runs []string

	refused []*Trial // trial files that could not be read: nothing is known of them but the file
}

// ours are the endings of what is made from what a report reads.
var ours = []string{".html", ".pdf", ".svg", ".png"}

// names gives the files of the folder in order. What is there and no file is unread.
func (r *reader) names() (names []string, err error) {
	folder, err := r.root.Open(".")
	if err != nil {
		return nil, fmt.Errorf("folder: %w", err)
	}
	defer folder.Close()
	entries, err := folder.ReadDir(mostFiles + 1)
	switch {
	case err != nil && err != io.EOF:
		return nil, fmt.Errorf("folder: %w", err)
	case len(entries) > mostFiles:
		return nil, fmt.Errorf("folder %s: found more than %d files, want one decoder's, at most that many", r.folder.Path, mostFiles)
	}
	slices.SortFunc(entries, func(a, b fs.DirEntry) int { return natural(a.Name(), b.Name()) })
	for _, e := range entries {
		name := e.Name()
		switch {
		case e.IsDir(), strings.HasPrefix(name, "."), slices.Contains(ours, strings.ToLower(filepath.Ext(name))):
		case e.Type()&fs.ModeSymlink != 0:
			r.unread(name, errors.New("found a link, want a file"))
		case !e.Type().IsRegular():
			r.unread(name, errors.New("found a pipe, a socket or a device, want a file"))
		default:
			names = append(names, name)
		}
	}
	return names, nil
}

// unread notes a file that has no part in the report, with why.
func (r *reader) unread(name string, why error) {
	r.folder.Unread = append(r.folder.Unread, Unread{File: name, Why: wordsOf(name, why)})
}

// wordsOf gives an error of a file without the name of the file, which stands beside it: of several the first.
func wordsOf(name string, err error) string {
	var wrong *regtoml.Errors
	if errors.As(err, &wrong) && len(wrong.List) > 0 {
		words := fmt.Sprintf("line %d, column %d: %s", wrong.List[0].Line, wrong.List[0].Column, wrong.List[0].Text)
		if more := wrong.Total - 1; more > 0 {
			words += fmt.Sprintf("; and %d more", more)
		}
		return words
	}
	var path *fs.PathError
	if errors.As(err, &path) {
		return "it can't be read: " + path.Err.Error()
	}
	if rest, ok := strings.CutPrefix(err.Error(), name+": "); ok {
		return rest
	}
	if rest, ok := strings.CutPrefix(err.Error(), name+":"); ok {
		return "line " + rest
	}
	return err.Error()
}

// file reads one file, or puts it off. Only the context's errors come back.
func (r *reader) file(name string) error {
	if err := r.ctx.Err(); err != nil {
		return err
	}
	var what kind
	r.text(name, func(file string, data []byte) (err error) {
		if what, err = kindOf(file, data); err != nil {
			return err
		}
		return r.take(what, file, data)
	})
	if what != captureKind {
		return nil
	}
	return r.capture(name)
}

// mostText is the largest of our text files but for journals and runs, and one byte more, by which its parser sees that it is too large.
const mostText = regtoml.MaxBytes + 1

// text gives what is in a file to one that reads it, and notes the file as unread where that fails.
func (r *reader) text(name string, read func(file string, data []byte) error) {
	data, err := r.load(name, mostText)
	if err == nil {
		err = read(name, data)
	}
	if err != nil {
		r.unread(name, err)
	}
}

// load reads a file, and no more of it than so many bytes.
func (r *reader) load(name string, most int64) ([]byte, error) {
	f, _, err := r.open(name)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	return io.ReadAll(io.LimitReader(f, most))
}

// open opens a file, which may be another by now than when the folder was listed.
func (r *reader) open(name string) (*os.File, int64, error) {
	f, err := r.root.Open(name)
	if err != nil {
		return nil, 0, err
	}
	info, err := f.Stat()
	if err == nil && !info.Mode().IsRegular() {
		err = errors.New("found no file any more, want one")
	}
	if err != nil {
		f.Close()
		return nil, 0, err
	}
	return f, info.Size(), nil
}

// take reads the text of a file by what it is.
func (r *reader) take(what kind, name string, data []byte) (err error) {
	f := &r.folder
	switch what {
	case surveyKind:
		var s regset.Survey
		if s, err = regset.ParseSurvey(name, data); err == nil {
			f.Surveys = append(f.Surveys, Survey{name, s})
		}
	case sheetKind:
		var s sheet.Sheet
		if s, err = sheet.Parse(name, data); err == nil {
			f.Sheets = append(f.Sheets, Sheet{name, s})
		}
	case probeKind:
		var p sheet.Findings
		if p, err = sheet.ParseFindings(name, data); err == nil {
			f.Probes = append(f.Probes, Probe{name, p})
		}
	case trialKind:
		var t trial.Trial
		switch t, err = trial.Parse(name, data); {
		case err != nil:
			r.refused = append(r.refused, &Trial{File: name})
		case ofSpeed(t):
			f.Speeds = append(f.Speeds, Trial{File: name, Trial: t})
		default:
			f.Trials = append(f.Trials, Trial{File: name, Trial: t})
		}
	case journalKind:
		if data, err = r.load(name, journal.MaxBytes+1); err != nil {
			return err
		}
		var j journal.Record
		if j, err = journal.Parse(name, data); err == nil {
			f.Journals = append(f.Journals, Journal{name, j})
		}
	case setKind:
		r.sets = append(r.sets, name)
	case runsKind:
		r.runs = append(r.runs, name)
	}
	return err
}

// set reads a register set: with the names of the folder's sheets where it can't be read without.
func (r *reader) set(name string, data []byte) error {
	set, err := regset.Parse(name, data)
	for _, s := range r.folder.Sheets {
		if err == nil {
			break
		}
		set, err = regset.ParseFor(name, data, s)
	}
	if err == nil {
		r.folder.Sets = append(r.folder.Sets, Set{name, set})
	}
	return err
}

// order puts what is dated in the order of its dates. All is in the order of its names already.
func (r *reader) order() {
	dated(r.folder.Surveys, func(s Survey) time.Time { return s.When })
	dated(r.folder.Journals, Journal.last)
	dated(r.folder.Probes, func(p Probe) time.Time { return p.When })
}

func dated[T any](list []T, when func(T) time.Time) {
	slices.SortStableFunc(list, func(a, b T) int { return when(a).Compare(when(b)) })
}

// orderRead puts books in the order in which they were made, and unread files in that of their names.
func (r *reader) orderRead() {
	for _, trials := range [][]Trial{r.folder.Trials, r.folder.Speeds} {
		for _, t := range trials {
			slices.SortFunc(t.Books, Book.compare)
		}
	}
	slices.SortFunc(r.folder.Unread, func(a, b Unread) int { return natural(a.File, b.File) })
}

// natural compares names as a person does: run-2 before run-10.
func natural(a, b string) int {
	x, y := a, b
	for x != "" && y != "" {
		n, m := digits(x), digits(y)
		if n > 0 && m > 0 {
			p, q := strings.TrimLeft(x[:n], "0"), strings.TrimLeft(y[:m], "0")
			if order := cmp.Or(cmp.Compare(len(p), len(q)), strings.Compare(p, q)); order != 0 {
				return order
			}
			x, y = x[n:], y[m:]
			continue
		}
		if x[0] != y[0] {
			return cmp.Compare(x[0], y[0])
		}
		x, y = x[1:], y[1:]
	}
	return cmp.Or(cmp.Compare(len(x), len(y)), strings.Compare(a, b))
}

// digits is how many digits a text begins with.
func digits(s string) int { return len(s) - len(strings.TrimLeft(s, "0123456789")) }
