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
// probe of another maker or version than the first survey.
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

// fact is what was found out of one register.
type fact struct {
	entry   Entry    // of the register alone
	differs string   // what the surveys hold, where they hold different values
	remarks []string // what else is odd
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

// fact gathers what the surveys and the probe say of a register.
func (d *draft) fact(r cv.Register) fact {
	c, known := chapterOf(r), cv.Explain(r)
	f := fact{entry: Entry{Registers: []cv.Register{r}, Group: c.group}}
	e := &f.entry
	if c.named {
		e.Name = known.Name
	}
	held, all := d.held(r, &f)
	d.writing(r, all, &f)
	if e.Default != nil && !e.ReadOnly && !e.takes(255, e.Default[0]) {
		f.remarks = append(f.remarks, fmt.Sprintf("a reset leaves %d, which no write does", e.Default[0]))
		e.Held, e.Default = e.Default, nil
	}
	if e.Held == nil && held != nil && !slices.Equal(held, e.Default) {
		e.Held = held
	}
	for _, b := range known.Bits {
		if wrongName(b.Name) == "" && b.Name != "reserved" && (e.ReadOnly || (e.mask()|e.Fixed)>>b.Number&1 == 1) {
			if e.Bits == nil {
				e.Bits = map[uint8]string{}
			}
			e.Bits[b.Number] = b.Name
		}
	}
	return f
}

// What these hold is of the moment (S-9.2.2).
const firstVolatile, lastVolatile nmra.CV = 880, 895

// held gives what a register held most often, and every value that was proven in it. What a reset left becomes the default.
func (d *draft) held(r cv.Register, f *fact) (most, all []uint8) {
	var said []string
	count := map[uint8]int{}
	for _, e := range d.surveys {
		s := e.Survey
		switch v, proven := s.Registers[r]; {
		case slices.Contains(s.Changing, r), r.CV >= firstVolatile && r.CV <= lastVolatile:
		case proven && e.Reset:
			if d := f.entry.Default; d != nil && d[0] != v {
				f.remarks = append(f.remarks, fmt.Sprintf("a reset left %d in %s", v, e.Name))
			} else {
				f.entry.Default = []uint8{v}
			}
			all = append(all, v)
		case proven:
			count[v]++
			all = append(all, v)
			said = append(said, fmt.Sprintf("%d in %s", v, e.Name))
			if most == nil || count[v] > count[most[0]] {
				most = []uint8{v}
			}
		case slices.Contains(s.Absent, r):
			f.remarks = append(f.remarks, "absent in "+e.Name)
		case slices.Contains(s.Unsure, r):
			f.remarks = append(f.remarks, "not proven in "+e.Name)
		}
	}
	if len(count) > 1 {
		f.differs = strings.Join(said, ", ")
	}
	return most, all
}

// writing says of the entry what can be written, by the probe, else by the standard. all is every value that was found in the register.
func (d *draft) writing(r cv.Register, all []uint8, f *fact) {
	e, known := &f.entry, cv.Explain(r)
	found, probed := d.found[r]
	switch {
	case !probed:
		e.ReadOnly = known.ReadOnly
		if !e.ReadOnly && (known.Low != 0 || known.High != 255) {
			e.Values = []cv.ByteRange{{Low: known.Low, High: known.High}}
		}
		return
	case !found.Writable && found.LeftAlone == 0:
		e.ReadOnly = true
		return
	}
	e.Values = found.Values
	if len(all) == 0 {
		return // what the bits hold that don't change is not known
	}
	differ := uint8(0)
	for _, v := range all {
		differ |= v ^ all[0]
	}
	free := found.Mask | found.LeftAlone
	if odd := differ &^ free; odd != 0 {
		f.remarks = append(f.remarks, fmt.Sprintf("the probe could not change %s, though the surveys differ there", bitsOf(odd)))
	}
	if mask := free | differ; mask != 255 {
		e.Mask, e.Fixed = mask, all[0]&^mask
	}
}

// chapter is registers that are told of together. named: the standard's names are good ones for single registers.
type chapter struct {
	group       string
	first, last nmra.CV
	named       bool
}

// chapters are the groups of a draft, in the order in which they are read. Which registers go together is common practice, no source.
var chapters = [...]chapter{
	{"decoder", 7, 8, true},
	{"decoder", 105, 111, true},
	{"address", 1, 1, true},
	{"address", 17, 19, true},
	{"basics", 11, 16, true},
	{"basics", 28, 32, true},
	{"motion", 2, 6, true},
	{"motion", 9, 10, true},
	{"motion", 23, 25, true},
	{"motion", 65, 95, true},
	{"stopping", 27, 27, true},
	{"functions", 21, 22, true},
	{"functions", 33, 46, true},
	{"readings", 892, 895, true},
	{"readings", 880, 891, false},
	{"bus modules", 896, 1024, false},
	{"maker's own", 1, 1024, false}, // the rest
}

func chapterOf(r cv.Register) chapter {
	i := slices.IndexFunc(chapters[:], func(c chapter) bool { return r.CV >= c.first && r.CV <= c.last })
	return chapters[i]
}
