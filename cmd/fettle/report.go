package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"
	"unicode"

	"github.com/spf13/cobra"

	"fettle/prog/regset"
	"fettle/report"
	"fettle/trial"
)

// newReport makes the verb report.
func newReport() *cobra.Command {
	cmd := exits(&cobra.Command{
		Use:   "report FOLDER... [flags]",
		Short: "Put all that is known of a decoder on one page, or several decoders side by side.",
		Long: `FOLDER holds what there is of one decoder: surveys, register sets, journals, sheets, trials with their runs, captures. What each
file is comes from what is in it. Its page is FOLDER/report.html: the verdict, the plots that carry it, what the decoder is and
holds, what was written and proven, what failed, the figures, and the runs behind them.

Of several folders, a decoder each, one page has them side by side, in the order of what their trials ask for, with reasons. It is
comparison.html, here.

The page is one file that loads nothing and needs no script: send it, print it, read it on a telephone. An older page of fettle's
is replaced; any other file is not.`,
		Example:               "  fettle report engine-30\n  fettle report fettle-demo/* --pdf comparison.pdf",
		DisableFlagsInUseLine: true,
		Args: func(cmd *cobra.Command, args []string) error {
			if len(args) == 0 {
				return misuse(cmd, "no folder: want FOLDER, or several, a decoder each")
			}
			return nil
		},
	}, map[status]string{
		done:    "each that was tried is fit, and nothing else failed",
		saidNo:  "one is unfit, or not shown to be fit yet; or runs were refused, or a batch is not proven, or what was not tried shows a failure",
		badUse:  "bad use, no such folder, nothing of fettle's in it, or no program that prints a PDF",
		stopped: "stopped with Ctrl-C",
	})
	asJSON := jsonFlag(cmd)
	var to, pdf string
	cmd.Flags().StringVar(&to, "to", "", "the `FILE`.html to write in place of the usual one")
	cmd.Flags().StringVar(&pdf, "pdf", "", "print the page to `FILE`.pdf too, with Chromium")
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		page := to
		switch {
		case page == "" && len(args) == 1:
			page = filepath.Join(args[0], "report.html")
		case page == "":
			page = "comparison.html"
		case !strings.EqualFold(filepath.Ext(page), ".html"):
			return misuse(cmd, "--to %s: want a name that ends in .html", page)
		}
		if pdf != "" && !strings.EqualFold(filepath.Ext(pdf), ".pdf") {
			return misuse(cmd, "--pdf %s: want a name that ends in .pdf", pdf)
		}
		folders, err := readFolders(cmd, args)
		if err != nil {
			return err
		}
		if err := writePage(page, folders); err != nil {
			return err
		}
		if pdf != "" {
			if err := report.WritePDF(cmd.Context(), page, pdf); err != nil {
				return fmt.Errorf("%w\npage:  %s", err, page)
			}
		}
		d := reportDocument{Page: page, PDF: pdf}
		good := true
		for _, ranked := range report.Rank(folders) {
			d.Folders = append(d.Folders, describeFolder(ranked))
			good = good && holdsGood(ranked.Folder)
		}
		if *asJSON {
			err = printJSON(cmd.OutOrStdout(), d)
		} else {
			err = printText(cmd.OutOrStdout(), "%s", d.text())
		}
		if err != nil {
			return err
		}
		return verdict(good)
	}
	return cmd
}

// readFolders reads each folder, which must be another and have something in it.
func readFolders(cmd *cobra.Command, paths []string) ([]report.Folder, error) {
	progress := progress(cmd.ErrOrStderr())
	defer progress("", 0, 0)
	var folders []report.Folder
	var infos []os.FileInfo
	for _, path := range paths {
		const want = "want a folder that holds what there is of one decoder"
		info, err := os.Stat(path)
		switch {
		case errors.Is(err, fs.ErrNotExist):
			return nil, misuse(cmd, "%s: found no such folder, %s", path, want)
		case err != nil:
			return nil, err
		case !info.IsDir():
			return nil, misuse(cmd, "%s: found a file, %s", path, want)
		}
		for i, other := range infos {
			if os.SameFile(info, other) {
				return nil, misuse(cmd, "%s is the same folder as %s: want each once", path, paths[i])
			}
		}
		infos = append(infos, info)
		f, err := report.Read(cmd.Context(), path, progress)
		switch {
		case errors.Is(err, context.Canceled):
			return nil, failure{stopped, interruption(cmd.Context())}
		case err != nil:
			return nil, err
		case f.Empty():
			return nil, misuse(cmd, "%s: nothing to tell of: found %s, want surveys, register sets, journals, sheets, trials with their runs, captures",
				path, unreadWords(f.Unread))
		}
		folders = append(folders, f)
	}
	return folders, nil
}

// unreadWords says what was found where nothing is of use, with why of the first.
func unreadWords(unread []report.Unread) string {
	if len(unread) == 0 {
		return "no file"
	}
	return fmt.Sprintf("%s that can't be used (%s: %s)", count(len(unread), "file"), unread[0].File, unread[0].Why)
}

// pageMark is in each page of ours, near its beginning.
const pageMark = `<meta name="generator" content="fettle`

// writePage writes the page, but not over a file that is none.
func writePage(path string, folders []report.Folder) error {
	old, err := os.ReadFile(path)
	switch {
	case err == nil && !bytes.Contains(old[:min(len(old), 4096)], []byte(pageMark)):
		return fmt.Errorf("%s: found a file that is no page of fettle's, want another name with --to, or move it away", path)
	case err != nil && !errors.Is(err, fs.ErrNotExist):
		return err
	}
	var page bytes.Buffer
	if err := report.WriteHTML(&page, folders, report.Made{Version: version(), When: time.Now()}); err != nil {
		return err
	}
	return regset.WriteFile(path, page.Bytes())
}

// holdsGood says that a folder's verdict is fit, no runs were refused and no batch is left unproven; or, where there is no verdict, that nothing
// failed.
func holdsGood(f report.Folder) bool {
	if len(f.Refused()) > 0 {
		return false
	}
	if _, book, ok := f.Deciding(); !ok {
		return len(f.Failures()) == 0
	} else if book.Verdict.Fitness != trial.Fit {
		return false
	}
	for _, j := range f.Journals {
		if !j.Proven() {
			return false
		}
	}
	return true
}

// reportDocument is what --json says.
type reportDocument struct {
	Folders []folderDocument `json:"folders"` // the best first
	Page    string           `json:"page"`
	PDF     string           `json:"pdf,omitempty"`
}

type folderDocument struct {
	Folder       string            `json:"folder"`
	Name         string            `json:"name"`
	Place        int               `json:"place"`         // from 1; equal where nothing tells two apart
	PlaceReasons []string          `json:"place_reasons"` // why it is not the next or the one before
	Verdict      string            `json:"verdict"`       // fit, unfit, more_runs, or none where no runs of braking are there
	Sentence     string            `json:"sentence"`
	Reasons      []string          `json:"reasons"`
	Doubts       []string          `json:"doubts"` // what the verdict takes as it stands, and seldom is right
	MoreRuns     int               `json:"more_runs"`
	Trial        string            `json:"trial,omitempty"` // the files that the verdict rests on
	Runs         string            `json:"runs_file,omitempty"`
	Decoders     []decoderDocument `json:"decoders"` // more than one: the files are of several
	Files        []fileDocument    `json:"files"`
	Unread       []unreadDocument  `json:"unread"`
	Failures     []failedDocument  `json:"failures"`

	besides []string // the reasons that the sentence does not have
}

type fileDocument struct {
	File string `json:"file"`
	Kind string `json:"kind"` // survey, register set, journal, sheet, probe, trial, speed trial, runs or capture
}

type unreadDocument struct {
	File string `json:"file"`
	Why  string `json:"why"`

	refused bool // a file of runs
}

type failedDocument struct {
	File string `json:"file"`
	Line int    `json:"line,omitempty"` // of a file of runs
	What string `json:"what"`
}

func describeFolder(r report.Ranked) folderDocument {
	f := r.Folder
	d := folderDocument{
		Folder: f.Path, Name: f.Name, Place: r.Place, PlaceReasons: list(r.Reasons), Verdict: "none",
		Sentence: "No verdict: " + f.NoVerdict() + ".",
		Reasons:  []string{}, Doubts: []string{}, Decoders: []decoderDocument{}, Files: filesOf(f), Unread: []unreadDocument{}, Failures: []failedDocument{},
	}
	if t, book, ok := f.Deciding(); ok {
		v := book.Verdict
		d.Verdict, d.Sentence, d.Reasons, d.MoreRuns = v.Fitness.String(), v.Sentence, list(v.Reasons), v.MoreRuns
		d.Trial, d.Runs, d.besides = t.File, book.File, book.Reasons()
		for _, doubt := range book.Doubts {
			d.Doubts = append(d.Doubts, doubt.String())
		}
	}
	for _, g := range f.Decoders() {
		d.Decoders = append(d.Decoders, decoderDocument{g.Maker, g.Version})
	}
	for _, u := range f.Unread {
		d.Unread = append(d.Unread, unreadDocument{u.File, u.Why, u.Runs})
	}
	for _, failed := range f.Failures() {
		d.Failures = append(d.Failures, failedDocument{failed.File, failed.Line, failed.What})
	}
	return d
}

// filesOf lists the files that have a part in a report.
func filesOf(f report.Folder) []fileDocument {
	files := []fileDocument{}
	add := func(kind, file string) { files = append(files, fileDocument{file, kind}) }
	for _, s := range f.Surveys {
		add("survey", s.File)
	}
	for _, s := range f.Sets {
		add("register set", s.File)
	}
	for _, j := range f.Journals {
		add("journal", j.File)
	}
	for _, s := range f.Sheets {
		add("sheet", s.File)
	}
	for _, p := range f.Probes {
		add("probe", p.File)
	}
	for _, t := range f.Trials {
		add("trial", t.File)
		for _, b := range t.Books {
			add("runs", b.File)
		}
	}
	for _, t := range f.Speeds {
		add("speed trial", t.File)
		for _, b := range t.Books {
			add("runs", b.File)
		}
	}
	for _, c := range f.Captures {
		add("capture", c.File)
	}
	return files
}

// text is the same for people: what the page says first, what was read, and where it is. Of several folders it says why each stands behind
// the one before it.
func (d reportDocument) text() string {
	var b strings.Builder
	for i, f := range d.Folders {
		switch {
		case len(d.Folders) == 1:
			b.WriteString(f.text("", f.besides))
		case i == 0:
			b.WriteString(f.text(fmt.Sprintf("%d. ", f.Place), nil))
		default:
			said := func(reason string) bool { // by the sentence above it
				_, rests, ok := strings.Cut(reason, ": ")
				return ok && strings.Contains(f.Sentence, rests)
			}
			b.WriteString(f.text(fmt.Sprintf("%d. ", f.Place), slices.DeleteFunc(slices.Clone(f.PlaceReasons), said)))
		}
		b.WriteString("\n")
	}
	fmt.Fprintf(&b, "page:  %s\n", d.Page)
	if d.PDF != "" {
		fmt.Fprintf(&b, "PDF:   %s\n", d.PDF)
	}
	return b.String()
}

// mostNamed is how many failures, and files that have no part, a person is told of; the page has all.
const mostNamed = 3

func (d folderDocument) text(place string, reasons []string) string {
	var b strings.Builder
	fmt.Fprintf(&b, "%s%s: %s\n", place, oneLine(d.Folder), oneLine(d.Sentence))
	for _, r := range reasons {
		fmt.Fprintf(&b, "  - %s\n", oneLine(r))
	}
	for _, doubt := range d.Doubts {
		fmt.Fprintf(&b, "In doubt, and taken as it stands: %s\n", oneLine(doubt))
	}
	b.WriteString("\n")
	fmt.Fprintf(&b, "Read: %s.\n", kindWords(d.Files))
	var failed, unread []string
	for _, f := range d.Failures {
		failed = append(failed, fmt.Sprintf("Failed: %s: %s\n", oneLine(placeWords(f.File, f.Line)), oneLine(f.What)))
	}
	for _, u := range d.Unread {
		if u.refused {
			continue // it is among what failed
		}
		unread = append(unread, fmt.Sprintf("Left out: %s: %s\n", oneLine(u.File), oneLine(u.Why)))
	}
	for _, told := range [][]string{failed, unread} {
		b.WriteString(strings.Join(told[:min(len(told), mostNamed)], ""))
		if more := len(told) - mostNamed; more > 0 {
			fmt.Fprintf(&b, "And %d more, on the page.\n", more)
		}
	}
	return b.String()
}

// oneLine is text out of a file as it does nothing to a terminal.
func oneLine(text string) string {
	return strings.Map(func(r rune) rune {
		switch {
		case unicode.IsSpace(r):
			return ' '
		case unicode.IsPrint(r):
			return r
		}
		return '?'
	}, text)
}

// placeWords is a file, with the line where there is one.
func placeWords(file string, line int) string {
	if line == 0 {
		return file
	}
	return fmt.Sprintf("%s:%d", file, line)
}

// kindWords counts files by their kinds: "2 surveys, 1 trial, 3 files of runs".
func kindWords(files []fileDocument) string {
	var kinds, words []string
	counts := map[string]int{}
	for _, f := range files {
		noun := f.Kind
		if noun == "runs" {
			noun = "file"
		}
		if counts[noun] == 0 {
			kinds = append(kinds, noun)
		}
		counts[noun]++
	}
	for _, noun := range kinds {
		counted := count(counts[noun], noun)
		if noun == "file" {
			counted += " of runs"
		}
		words = append(words, counted)
	}
	return strings.Join(words, ", ")
}
