// Package report makes the page of evidence: what a folder of surveys, sets, journals, sheets, trials and captures says of one decoder, in one
// file that can be read on a telephone, printed, and sent to whoever sold it. Of several folders it makes one page that has them side
// by side.
//
// [Read] reads a [Folder]: it finds out what each file is, ties runs to their trials and judges them; the folder's methods draw from all of them
// together what the decoder is and holds, what changed and what failed. [Rank] puts several in order. [WriteHTML] writes the page, and
// [WritePDF] prints it. What is drawn on it comes from package chart, and package serve shows the same in a browser while the work is done.
package report

import (
	"fmt"
	"strings"
	"time"

	"fettle/nmra/wave/capture"
	"fettle/nmra/wave/conform"
	"fettle/prog/journal"
	"fettle/prog/regset"
	"fettle/prog/sheet"
	"fettle/trial"
)

// Folder is what the files of one folder say of one decoder. Where nothing else is said files are in the order of their names, as a person counts:
// run-2 before run-10.
type Folder struct {
	Path     string    // as it was asked for
	Name     string    // the last element of its absolute path; what the page calls it
	Surveys  []Survey  // the oldest first
	Sets     []Set     //
	Journals []Journal // by when they were begun, or taken up again last, the oldest first
	Sheets   []Sheet   //
	Probes   []Probe   // the oldest first
	Trials   []Trial   // of braking
	Speeds   []Trial   // of speed
	Captures []Capture //
	Unread   []Unread  // files that could not be read, or that say nothing to a report
}

// Survey is a file that says what was read.
type Survey struct {
	File string // its name within the folder, as every File here
	regset.Survey
}

// Set is a file of wanted values.
type Set struct {
	File string
	regset.Set
}

// Journal is a file that says what a batch did.
type Journal struct {
	File string
	journal.Record
}

// Sheet is a file that says what the registers of a type of decoder mean.
type Sheet struct {
	File string
	sheet.Sheet
}

// Probe is a file of what a probe found.
type Probe struct {
	File string
	sheet.Findings
}

// Trial is a trial file, with the files of runs that were made of it.
type Trial struct {
	File string
	trial.Trial
	Books []Book // the oldest first: the last one counts, those before it are how it was
}

// Book is a file of runs.
type Book struct {
	File    string
	Runs    []trial.Run
	Doubts  []trial.Doubt
	Made    []trial.Sitting // when and on what; none where the file does not say
	Verdict trial.Verdict   // of a trial of braking
}

// Capture is a recorded track signal, measured.
type Capture struct {
	File    string
	Info    capture.Info
	Result  conform.Result
	Voltage conform.Voltage // the zero Voltage where it has none
	Strips  []conform.Strip
	Stopped string // why it was not read to its end; "" where it was
}

// Unread is a file that has no part in the report.
type Unread struct {
	File string
	Why  string // in words: what was found, and what is wanted
	Runs bool   // it is a file of runs, which was refused: what it has to say of the vehicle is missing
}

// Refused are the files of runs that could not be read as such.
func (f Folder) Refused() (files []Unread) {
	for _, u := range f.Unread {
		if u.Runs {
			files = append(files, u)
		}
	}
	return files
}

// NoVerdict says, where no run decides, why there is none.
func (f Folder) NoVerdict() string {
	var names []string
	for _, u := range f.Refused() {
		names = append(names, u.File)
	}
	switch len(names) {
	case 0:
		return "there are no runs of a trial of braking"
	case 1:
		return "a file of runs is there, and was refused: " + names[0]
	}
	return fmt.Sprintf("%d files of runs are there, and were refused: %s", len(names), strings.Join(names, ", "))
}

// Empty says that nothing in the folder has a part in a report.
func (f Folder) Empty() bool {
	return len(f.Surveys)+len(f.Sets)+len(f.Journals)+len(f.Sheets)+len(f.Probes)+len(f.Trials)+len(f.Speeds)+len(f.Captures) == 0
}

// Deciding is the trial of braking, and the book of it, that the verdict rests on: the book that was made last. ok is false where no run was made.
func (f Folder) Deciding() (t Trial, b Book, ok bool) {
	for _, one := range f.Trials {
		for _, book := range one.Books {
			if book.made() > 0 && (!ok || book.compare(b) >= 0) {
				t, b, ok = one, book, true
			}
		}
	}
	return t, b, ok
}

// Reasons are those of the verdict that its sentence does not have already, word for word.
func (b Book) Reasons() (reasons []string) {
	for _, r := range b.Verdict.Reasons {
		if !strings.Contains(b.Verdict.Sentence, r) {
			reasons = append(reasons, r)
		}
	}
	return reasons
}

// made is how many of the book's runs are made.
func (b Book) made() int { return trial.Book{Runs: b.Runs}.Made() }

// compare puts books in the order in which they were made: by their last sitting, those of which none is known first, then by name.
func (b Book) compare(c Book) int {
	if order := b.when().Compare(c.when()); order != 0 {
		return order
	}
	return natural(b.File, c.File)
}

// when is when the last of its sittings began; the zero time where none is known.
func (b Book) when() (last time.Time) {
	for _, s := range b.Made {
		if s.When.After(last) {
			last = s.When
		}
	}
	return last
}
