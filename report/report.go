// Package report makes the page of evidence: what a folder of surveys, sets, journals, sheets, trials and captures says of one decoder, in one
// file that can be read on a telephone, printed, and sent to whoever sold it. Of several folders it makes one page that has them side
// by side.
//
// [Read] reads a [Folder]: it finds out what each file is, ties runs to their trials and judges them. [WriteHTML] writes the page, and
// [WritePDF] prints it. What is drawn on it comes from package chart, and package serve shows the same in a browser while the work is done.
package report

import (
	"fettle/nmra/cv"
	"fettle/nmra/wave/capture"
	"fettle/nmra/wave/conform"
	"fettle/prog/journal"
	"fettle/prog/regset"
	"fettle/prog/sheet"
	"fettle/trial"
)

// Folder is what the files of one folder say of one decoder.
type Folder struct {
	Path     string    // as it was asked for
	Name     string    // the last element of its absolute path; what the page calls it
	Surveys  []Survey  // the oldest first
	Sets     []Set     // by name, as what follows where nothing else is said
	Journals []Journal // the oldest first
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
}

// Deciding is the trial of braking, and the book of it, that the verdict rests on: the book that was made last. ok is false where there is none.
func (f Folder) Deciding() (t Trial, b Book, ok bool) { panic("not built yet") }

// Holds is the last survey that came to its end. ok is false where there is none.
func (f Folder) Holds() (s Survey, ok bool) { panic("not built yet") }

// Sheet is the sheet that is for the decoder of the folder; the zero Sheet where there is none.
func (f Folder) Sheet() Sheet { panic("not built yet") }

// Defaults is what a reset leaves, and where that is known from, in words: the sheet, else a survey that followed a reset before anything
// else was written. It is nil where neither says.
func (f Folder) Defaults() (values cv.Values, from string) { panic("not built yet") }
