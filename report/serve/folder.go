package serve

import (
	"errors"
	"fmt"
	"io"
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

// folder is where sets, trials, journals and runs are. Only regular files that lie right in it can be reached, and only by the names that it
// lists them by.
type folder string

// mostFiles is how many files of a folder are looked at.
const mostFiles = 10_000

// files are the names of the regular files with an ending that do not begin with a dot.
func (f folder) files(ending string) (names []string, err error) {
	d, err := os.Open(string(f))
	if err != nil {
		return nil, err
	}
	defer d.Close()
	entries, err := d.ReadDir(mostFiles)
	if err != nil && !errors.Is(err, io.EOF) {
		return nil, err
	}
	for _, e := range entries {
		if e.Type().IsRegular() && filepath.Ext(e.Name()) == ending && !strings.HasPrefix(e.Name(), ".") {
			names = append(names, e.Name())
		}
	}
	slices.Sort(names)
	return names, nil
}

// read reads a file of a name that files has given.
func (f folder) read(name string) ([]byte, error) {
	root, err := os.OpenRoot(string(f)) // by which nothing outside is reached, whatever the name has become meanwhile
	if err != nil {
		return nil, err
	}
	defer root.Close()
	info, err := root.Lstat(name)
	if err != nil {
		return nil, err
	}
	if !info.Mode().IsRegular() || info.Size() > regtoml.MaxBytes {
		return nil, fmt.Errorf("%s: found no file, or one of more than %d bytes, want one of ours", name, regtoml.MaxBytes)
	}
	file, err := root.Open(name)
	if err != nil {
		return nil, err
	}
	defer file.Close()
	return io.ReadAll(io.LimitReader(file, regtoml.MaxBytes+1))
}

// path is where a file of that name is.
func (f folder) path(name string) string { return filepath.Join(string(f), name) }

// sorted says which TOML files of the folder are register sets and which are trials. By what is in them: one with mistakes is one all the same,
// so that whoever chooses it is told of them.
func (f folder) sorted() (sets, trials []string, err error) {
	sets, trials = []string{}, []string{}
	names, err := f.files(".toml")
	for _, name := range names {
		data, err := f.read(name)
		if err != nil {
			continue
		}
		doc, err := regtoml.Parse(name, data)
		if err != nil {
			if _, err := regset.Parse(name, data); err == nil {
				sets = append(sets, name)
			}
			continue
		}
		root := doc.Root()
		has := func(keys ...string) bool { return slices.ContainsFunc(keys, root.Has) }
		switch {
		case has("vehicle") && has("runs"):
			trials = append(trials, name)
		case has("registers", "bits", "address") && !has("when", "modes"): // which a survey and a bench decoder have
			if _, err := sheet.Parse(name, data); err != nil {
				sets = append(sets, name)
			}
		}
	}
	return sets, trials, err
}

// sheets are the decoder sheets of the folder.
func (f folder) sheets() (sheets []sheet.Sheet) {
	names, _ := f.files(".toml")
	for _, name := range names {
		data, err := f.read(name)
		if err != nil {
			continue
		}
		if one, err := sheet.Parse(name, data); err == nil {
			sheets = append(sheets, one)
		}
	}
	return sheets
}

// look lists the folder anew.
func (s *Server) look() error {
	sets, trials, err := s.folder.sorted()
	if err != nil {
		return err
	}
	s.change(func(t *State) { t.Sets, t.Trials = sets, trials })
	return nil
}

// unfinished is the newest journal of a batch on a decoder that was stopped and can be gone on with; nil is any decoder. "" is none.
func (f folder) unfinished(of *journal.Decoder) (name string, rec journal.Record) {
	names, _ := f.files(".journal")
	for _, n := range names {
		r, err := journal.Read(f.path(n))
		if err != nil || r.Ended != "" || r.Batch != "apply" && r.Batch != "write" && r.Batch != "undo" {
			continue
		}
		if of != nil && (of.Maker != r.Decoder.Maker || of.Version != r.Decoder.Version) {
			continue
		}
		if name == "" || !r.When.Before(rec.When) {
			name, rec = n, r
		}
	}
	return name, rec
}

// runsFile is the name of the file of the runs of a trial.
func runsFile(trialFile string) string {
	return strings.TrimSuffix(trialFile, filepath.Ext(trialFile)) + ".runs.csv"
}

// speeds are the runs of a trial of speed of the folder with the same vehicle, which say what each step is: those that were made last, where a
// decoder was tuned between. nil: there are none.
func (f folder) speeds(trials []string, of trial.Vehicle) (measured []trial.Run, from string) {
	var last time.Time
	runs, _ := f.files(".csv")
	for _, name := range trials {
		data, err := f.read(name)
		if err != nil {
			continue
		}
		t, err := trial.Parse(name, data)
		if err != nil || len(t.Speed.Steps) == 0 || t.Vehicle != of {
			continue
		}
		for _, file := range runs {
			if !strings.HasPrefix(file, strings.TrimSuffix(name, ".toml")+".") {
				continue
			}
			b, err := trial.OpenBook(f.path(file), t)
			if err != nil || b.Made() == 0 {
				continue
			}
			var when time.Time
			if n := len(b.Sittings); n > 0 {
				when = b.Sittings[n-1].When
			}
			if measured == nil || when.After(last) {
				measured, from, last = b.Runs, file, when
			}
		}
	}
	return measured, from
}
