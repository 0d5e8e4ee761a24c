package report

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"fettle/nmra/cv"
)

// folderPage is what the page says of one folder.
type folderPage struct {
	Prefix   string // of all its ids, where the page has several folders
	Name     string
	Verdict  verdictPage
	Plots    []plot
	Decoder  []fact
	Several  []string // the types of decoder that its files speak of, where there are several
	Holds    *holdsPage
	Batches  []batchPage
	Signals  []signalPage
	Failures []failure
	Sound    string // where nothing failed: what was looked for
	Before   beforePage
	Figures  *figuresPage // of the deciding trial
	Speeds   []speedsPage
	Asked    []fact // what the trials ask for, and how it was found
	Stations []stationFact
	Files    []fileFact
	Unread   []Unread
	Books    []bookPage
	Moves    bool // something was moved
}

// fact is one fact of a list: what it is of, and what it says.
type fact struct {
	ID    string
	Label string
	Text  string
	To    string // the id of where it comes from; "": it is said there
}

// stationFact is a station, and what was made on it.
type stationFact struct {
	Station   string
	Said      bool // false: the files do not say on what they were made
	Simulated bool
	What      []string // files
}

// fileFact is a file of the folder.
type fileFact struct {
	ID   string
	File string
	Kind string
	Of   string // what it says of itself
}

// failure is a [Failure], with where it is told.
type failure struct {
	Failure
	To string
}

// folderPageOf is what the page says of a folder. Where it is not alone, nothing leads to registers, batches and runs one by one: these are not
// on the page then.
func folderPageOf(f Folder, prefix string, alone bool) (folderPage, error) {
	p := folderPage{Prefix: prefix, Name: f.Name, Unread: f.Unread}
	p.Files = fileFactsOf(f, prefix)
	p.Holds = holdsOf(f, prefix)
	p.Books = booksOf(f, prefix)
	if !alone {
		p.Holds.unlink()
		for i := range p.Books {
			p.Books[i].unlink()
		}
	}
	p.Batches = batchesOf(f, prefix, p.Holds)
	p.Decoder, p.Several = decoderOf(f, p.Holds)
	p.Verdict = verdictOf(f, p.Books, prefix)
	p.Figures = figuresOf(f, p.Books, prefix)
	p.Speeds = speedsOf(f, p.Books, prefix)
	p.Before = beforeOf(f, p.Books, p.Holds)
	p.Stations = stationsOf(f)
	p.Asked = askedOf(f)
	p.Moves = len(f.Trials)+len(f.Speeds) > 0

	if alone {
		var err error
		if p.Plots, err = plotsOf(f, p.Books, prefix); err != nil {
			return folderPage{}, err
		}
		if p.Signals, err = signalsOf(f, prefix); err != nil {
			return folderPage{}, err
		}
	}
	p.Sound = soundOf(f)
	for _, failed := range f.Failures() {
		to := ""
		if alone {
			to = p.place(failed)
		}
		p.Failures = append(p.Failures, failure{failed, to})
	}
	return p, nil
}

// soundOf says what was looked for where nothing failed.
func soundOf(f Folder) string {
	var looked []string
	for _, kind := range []struct {
		word string
		n    int
	}{{"batch", len(f.Journals)}, {"survey", len(f.Surveys)}, {"capture", len(f.Captures)}} {
		if kind.n > 0 {
			looked = append(looked, kind.word)
		}
	}
	var sentences []string
	switch n := len(looked); {
	case n == 1:
		sentences = append(sentences, "No "+looked[0]+" failed.")
	case n > 1:
		sentences = append(sentences, "No "+strings.Join(looked[:n-1], ", ")+" or "+looked[n-1]+" failed.")
	default:
		sentences = append(sentences, "No batch, survey or capture is in this folder that could have failed.")
	}
	if _, _, ok := f.Deciding(); ok {
		sentences = append(sentences, "No run by itself did what it should not; what the runs show together is in the verdict.")
	}
	return strings.Join(sentences, " ")
}

// place is the id of where the page tells of what failed.
func (p folderPage) place(failed Failure) (id string) {
	for _, b := range p.Books {
		if run, ok := b.lines[failed.Line]; ok && b.File == failed.File {
			return b.runID(run)
		}
	}
	for _, b := range p.Batches {
		if b.File == failed.File {
			return b.ID
		}
	}
	for _, s := range p.Signals {
		if s.File == failed.File {
			return s.ID
		}
	}
	for _, file := range p.Files {
		if file.File == failed.File {
			return file.ID
		}
	}
	return ""
}

// Simulated says what was made on the simulated bench: all of it, or in part.
func (p folderPage) Simulated() string {
	simulated, others := 0, 0
	for _, s := range p.Stations {
		if s.Simulated {
			simulated++
		} else {
			others++
		}
	}
	switch {
	case simulated == 0:
		return ""
	case others == 0:
		return "All of it was made on the simulated bench: nothing here was measured on a decoder that one can hold."
	}
	return "A part of it was made on the simulated bench, and says nothing of a decoder that one can hold: the table of stations tells which."
}

// isSimulated says whether a station is the simulated bench, by how it describes itself.
func isSimulated(station string) bool { return strings.HasPrefix(station, "simulated bench") }

// decoderOf is what the decoder is.
func decoderOf(f Folder, holds *holdsPage) (facts []fact, several []string) {
	for _, d := range f.Decoders() {
		several = append(several, d.String())
	}
	if len(several) == 1 {
		facts = append(facts, fact{Label: "type", Text: several[0], To: holds.row(cv.Register{CV: cv.Maker})})
		several = nil
	}
	if s := f.Sheet(); s.Title != "" {
		facts = append(facts, fact{Label: "sheet", Text: s.Title})
	}
	for _, t := range slices.Concat(f.Trials, f.Speeds) {
		vehicle := t.Vehicle.Name
		if t.Vehicle.Scale > 0 {
			vehicle += fmt.Sprintf(", 1:%g", t.Vehicle.Scale)
		}
		if vehicle != "" && !slices.ContainsFunc(facts, func(f fact) bool { return f.Text == vehicle }) {
			facts = append(facts, fact{Label: "vehicle", Text: vehicle})
		}
	}
	if holds == nil {
		return facts, several
	}
	survey := holds.survey
	use := cv.AddressInUse(survey.Registers)
	address := fact{Label: "address", Text: use.String(), To: holds.row(cv.Register{CV: cv.Configuration})}
	facts = append(facts, address)
	facts = append(facts,
		fact{Label: "registers", Text: fmt.Sprintf("%d proven, %d absent, %d not proven, %d that change by themselves",
			len(survey.Registers), len(survey.Absent), len(survey.Unsure), len(survey.Changing)), To: holds.ID})
	if len(survey.Pages) > 0 {
		pages := make([]string, len(survey.Pages))
		for i, page := range survey.Pages {
			pages[i] = page.String()
		}
		facts = append(facts, fact{Label: "index pages", Text: strings.Join(pages, ", ")})
	}
	return facts, several
}

// filesOf lists the files that were read, by kind.
func fileFactsOf(f Folder, prefix string) (files []fileFact) {
	add := func(file, kind, of string) {
		files = append(files, fileFact{fmt.Sprintf("%sfile%d", prefix, len(files)+1), file, kind, of})
	}
	for _, t := range f.Trials {
		add(t.File, "trial of braking", t.Title)
		for _, b := range t.Books {
			add(b.File, "runs", sittings(b))
		}
	}
	for _, t := range f.Speeds {
		add(t.File, "trial of speed", t.Title)
		for _, b := range t.Books {
			add(b.File, "runs", sittings(b))
		}
	}
	for _, s := range f.Surveys {
		add(s.File, "survey", when(s.When))
	}
	for _, s := range f.Sets {
		add(s.File, "register set", s.Title)
	}
	for _, j := range f.Journals {
		add(j.File, "journal", fmt.Sprintf("%s, %s", j.Batch, when(j.When)))
	}
	for _, s := range f.Sheets {
		add(s.File, "sheet", s.Title)
	}
	for _, s := range f.Probes {
		add(s.File, "probe", when(s.When))
	}
	for _, c := range f.Captures {
		add(c.File, "capture", fmt.Sprintf("%s, %d packets", c.Info.Form, c.Result.Traffic.Packets))
	}
	return files
}

// sittings says when and on what the runs of a book were made.
func sittings(b Book) string {
	if len(b.Made) == 0 {
		return "the file does not say when they were made, nor on what"
	}
	first, last := b.Made[0], b.Made[len(b.Made)-1]
	text := fmt.Sprintf("%s, on %s", when(first.When), first.Station)
	if len(b.Made) > 1 {
		text += fmt.Sprintf("; gone on with %s, the last time %s, on %s", times(len(b.Made)-1), when(last.When), last.Station)
	}
	return text
}

func times(n int) string {
	if n == 1 {
		return "once"
	}
	return fmt.Sprintf("%d times", n)
}

// stationsOf are the stations that the files name, and which files name them.
func stationsOf(f Folder) (stations []stationFact) {
	add := func(station, file string) {
		said := station != ""
		if !said {
			station = "not said"
		}
		at := slices.IndexFunc(stations, func(s stationFact) bool { return s.Station == station })
		if at < 0 {
			at = len(stations)
			stations = append(stations, stationFact{Station: station, Said: said, Simulated: isSimulated(station)})
		}
		if s := &stations[at]; !slices.Contains(s.What, file) {
			s.What = append(s.What, file)
		}
	}
	for _, t := range slices.Concat(f.Trials, f.Speeds) {
		for _, b := range t.Books {
			for _, m := range b.Made {
				add(m.Station, b.File)
			}
			if len(b.Made) == 0 {
				add("", b.File)
			}
		}
	}
	for _, s := range f.Surveys {
		add(s.Station, s.File)
	}
	for _, j := range f.Journals {
		add(j.Station, j.File)
	}
	for _, s := range f.Probes {
		add(s.Station, s.File)
	}
	slices.SortStableFunc(stations, func(a, b stationFact) int { return cmp.Compare(b.rank(), a.rank()) })
	return stations
}

// rank puts the simulated bench first.
func (s stationFact) rank() int {
	if s.Simulated {
		return 1
	}
	return 0
}
