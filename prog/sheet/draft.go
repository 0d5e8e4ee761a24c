package sheet

import (
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"fettle/nmra"
	"fettle/nmra/cv"
	"fettle/prog/regset"
)

// Evidence is a survey that a sheet is drawn from.
type Evidence struct {
	Name   string // what notes call it, as its file
	Survey regset.Survey
	Reset  bool // it was made after a factory reset, so that it has the defaults
}

// Probe is a probe that a sheet is drawn from.
type Probe struct {
	Name string
	Findings
}

// Draft begins a sheet: the registers of the surveys, with the names of the standard (S-9.2.2) where it has them, what a reset leaves
// and what else was held, and what a probe found. What the surveys do not agree in is in the notes. probe may be the zero Probe.
// Registers that have no name stand alone, to be given one, or with those that nothing tells from them. Errors: surveys or a
// probe of another maker or version than the first survey, and a survey that was stopped.
func Draft(surveys []Evidence, probe Probe) (Sheet, error) {
	if len(surveys) == 0 {
		return Sheet{}, errors.New("found no survey, want one or more")
	}
	d := draft{surveys: surveys, found: map[cv.Register]Finding{}}
	s := Sheet{Decoder: surveys[0].Survey.Decoder}
	if s.Decoder.Maker == nil || s.Decoder.Version == nil {
		return Sheet{}, fmt.Errorf("%s: found %v, want the maker and the version of the decoder", surveys[0].Name, s.Decoder)
	}
	s.Title = "Decoder of " + s.Decoder.String()
	for _, e := range surveys {
		if e.Survey.Decoder.String() != s.Decoder.String() {
			return Sheet{}, otherType(e.Name, e.Survey.Decoder, surveys[0])
		}
		if e.Survey.Unfinished() {
			return Sheet{}, fmt.Errorf("%s: found a survey that was stopped, want one that was finished", e.Name)
		}
		after := ""
		if e.Reset {
			after = ", after a reset"
		}
		s.From = append(s.From, fmt.Sprintf("%s: survey of %s%s", e.Name, e.Survey.When.UTC().Format("2006-01-02 15:04 MST"), after))
	}
	if probe.Found != nil {
		if probe.Decoder.String() != s.Decoder.String() {
			return Sheet{}, otherType(probe.Name, probe.Decoder, surveys[0])
		}
		s.From = append(s.From, fmt.Sprintf("%s: probe of %s", probe.Name, probe.When.UTC().Format("2006-01-02 15:04 MST")))
		for _, f := range probe.Found {
			d.found[f.Register] = f
		}
	}
	d.collect(&s)
	for _, run := range cv.Runs(d.present) {
		s.Entries = append(s.Entries, d.entries(run)...)
	}
	for _, c := range chapters {
		if !slices.Contains(s.Groups, c.group) && slices.ContainsFunc(s.Entries, func(e Entry) bool { return e.Group == c.group }) {
			s.Groups = append(s.Groups, c.group)
		}
	}
	s.sortEntries()
	return s, nil
}

func otherType(name string, found regset.Guard, first Evidence) error {
	return fmt.Errorf("%s: found %v, want %v, as in %s: a sheet is for one type of decoder", name, found, first.Survey.Decoder, first.Name)
}

// draft is what a sheet is being drawn from.
type draft struct {
	surveys []Evidence
	found   map[cv.Register]Finding
	present []cv.Register // ascending
}

// collect finds which registers there are, which there are not, and on which pages.
func (d *draft) collect(s *Sheet) {
	present, absent, changing := map[cv.Register]bool{}, map[cv.Register]bool{}, map[cv.Register]bool{}
	for _, e := range d.surveys {
		for r := range e.Survey.Registers {
			present[r] = true
		}
		for _, r := range e.Survey.Unsure {
			present[r] = true
		}
		for _, r := range e.Survey.Changing {
			present[r], changing[r] = true, true
		}
		for _, r := range e.Survey.Absent {
			absent[r] = true
		}
	}
	pages := map[cv.Page]bool{}
	for r := range present {
		d.present = append(d.present, r)
		if r.Page != (cv.Page{}) && !pages[r.Page] {
			pages[r.Page] = true
			s.Pages = append(s.Pages, r.Page)
		}
		if changing[r] {
			s.Changing = append(s.Changing, r)
		}
	}
	for r := range absent {
		if !present[r] && (pages[r.Page] || r.Page == cv.Page{}) {
			s.Absent = append(s.Absent, r)
		}
	}
	slices.SortFunc(d.present, cv.Register.Compare)
}

// leastAlike is how many registers without a name have to hold the same to stand together: fewer do so by chance.
const leastAlike = 4

// entries makes the entries of registers that follow each other: those of one name of the standard together, as far as the same is to
// be said of them.
func (d *draft) entries(run []cv.Register) (entries []Entry) {
	for len(run) > 0 {
		first, size := standardRange(run[0])
		var facts []fact
		for n, r := range run {
			f := d.fact(r)
			if n > 0 && !f.goesWith(facts[0]) {
				break
			}
			facts = append(facts, f)
		}
		c := chapterOf(run[0])
		switch {
		case c.named && (run[0] != first || len(facts) < size):
			facts = facts[:1] // a part of the standard's range: the registers one by one, each by its number in it
			facts[0].entry.Name += " " + strconv.Itoa(int(run[0].CV-first.CV)+1)
		case !c.named && len(facts) < leastAlike:
			facts = facts[:1]
		}
		entries = append(entries, together(facts))
		run = run[len(facts):]
	}
	return entries
}

// standardRange gives the first of the registers that the standard has one name for, and how many they are.
func standardRange(r cv.Register) (first cv.Register, size int) {
	name := cv.Explain(r).Name
	same := func(n nmra.CV) bool { return n.Valid() && cv.Explain(cv.Register{CV: n, Page: r.Page}).Name == name }
	first, last := r, r.CV
	for same(first.CV - 1) {
		first.CV--
	}
	for same(last + 1) {
		last++
	}
	return first, int(last-first.CV) + 1
}

// goesWith says whether the same is to be said of two registers. Those without a name have to hold the same, too.
func (f fact) goesWith(g fact) bool {
	a, b := f.entry, g.entry
	c := chapterOf(a.Registers[0])
	alike := a.Name == b.Name && a.Group == b.Group && a.ReadOnly == b.ReadOnly && a.Mask == b.Mask && a.Fixed == b.Fixed &&
		slices.Equal(a.Values, b.Values) && len(a.Default) == len(b.Default) && len(a.Held) == len(b.Held)
	if c.named {
		return alike
	}
	return alike && slices.Equal(a.Default, b.Default) && slices.Equal(a.Held, b.Held) && f.differs == g.differs && slices.Equal(f.remarks, g.remarks)
}

// together makes one entry of registers of which the same is to be said.
func together(facts []fact) Entry {
	e := facts[0].entry
	if len(facts) == 1 {
		words := facts[0].remarks
		if facts[0].differs != "" {
			words = append([]string{facts[0].differs}, words...)
		}
		e.Note = strings.Join(words, "; ")
		return e
	}
	at := map[string][]cv.Register{}
	var order []string
	say := func(words string, r cv.Register) {
		if at[words] == nil {
			order = append(order, words)
		}
		at[words] = append(at[words], r)
	}
	e.Registers, e.Default, e.Held = nil, nil, nil
	for _, f := range facts {
		r := f.entry.Registers[0]
		e.Registers = append(e.Registers, r)
		e.Default = append(e.Default, f.entry.Default...)
		e.Held = append(e.Held, f.entry.Held...)
		if f.differs != "" {
			say("the surveys differ", r)
		}
		for _, words := range f.remarks {
			say(words, r)
		}
	}
	var notes []string
	for _, words := range order {
		notes = append(notes, strings.Join(cv.Ranges(at[words]), ", ")+": "+words)
	}
	e.Note = strings.Join(notes, "; ")
	return e
}
