package report

import (
	"fmt"
	"slices"
	"strings"

	"fettle/nmra/cv"
	"fettle/prog/sheet"
)

// holdsPage is what the decoder holds, register by register.
type holdsPage struct {
	ID       string
	File     string // of the survey
	When     string
	Station  string
	Left     int    // registers that the survey has not read: it was stopped
	Defaults string // where what a reset leaves is known from; "": it is not known
	Changed  int    // how many registers differ from that
	Since    int    // how many values are from journals, and not from the survey
	Groups   []registerGroup
	Absent   string // registers that the decoder does not have, in ranges

	survey Survey
	ids    map[cv.Register]string
}

type registerGroup struct {
	ID   string
	Name string
	Rows []registerRow
}

type registerRow struct {
	ID       string
	Register string // or several, which hold the same and of which the same is said
	Name     string
	Value    string
	Default  string // "changed from 3"; "" where it is what a reset leaves, or that is not known
	Words    []string
	From     string // the file that it is known from, where that is not the survey
	Doubt    string // why it may be otherwise by now
}

// row is the id of the row that has a register; "" where none has.
func (h *holdsPage) row(r cv.Register) string {
	if h == nil {
		return ""
	}
	return h.ids[r]
}

// unlink has nothing lead to it: it is not on the page.
func (h *holdsPage) unlink() {
	if h != nil {
		h.ID, h.ids = "", nil
	}
}

// holdsOf is what the last survey and the journals after it say; nil where there is no survey.
func holdsOf(f Folder, prefix string) *holdsPage {
	survey, whole := f.Holds()
	if !whole {
		if len(f.Surveys) == 0 {
			return nil
		}
		survey = f.Surveys[len(f.Surveys)-1]
	}
	h := &holdsPage{
		ID: prefix + "holds", File: survey.File, When: when(survey.When), Station: survey.Station, Left: len(survey.Left), survey: survey,
		Absent: strings.Join(cv.Ranges(survey.Absent), ", "), ids: map[cv.Register]string{},
	}
	defaults, from := f.Defaults()
	h.Defaults = from

	held := map[cv.Register]Held{}
	for _, r := range f.Now() {
		held[r.Register] = r
	}
	values, registers := cv.Values{}, cv.Values{}
	for r, v := range survey.Registers {
		values[r], registers[r] = v, 0
	}
	for r, now := range held {
		values[r], registers[r] = now.Value, 0
	}
	for _, r := range slices.Concat(survey.Unsure, survey.Changing) {
		registers[r] = 0
	}

	known := f.Sheet().Sheet
	var groups []registerGroup
	at := map[string]int{}
	for _, group := range groupNames(known) {
		at[group] = len(groups)
		groups = append(groups, registerGroup{ID: fmt.Sprintf("%sgroup%d", prefix, len(groups)+1), Name: group})
	}
	for _, r := range registers.Registers() {
		row := registerRow{ID: prefix + registerID(r), Register: r.String(), Name: known.Named(r).Name}
		value, proven := values[r]
		_, changing := slices.BinarySearchFunc(survey.Changing, r, cv.Register.Compare)
		switch {
		case changing:
			row.Value, row.Words = "-", []string{"It changes by itself, so that no value is told."}
		case !proven:
			row.Value = "not proven"
		default:
			row.Value = fmt.Sprint(value)
			row.Words = meanings(known, r, value, values)
			if preset, ok := defaults[r]; ok && preset != value {
				row.Default = fmt.Sprintf("changed from %d", preset)
				h.Changed++
			}
			if now, ok := held[r]; ok {
				row.Doubt = now.Doubt
				if now.File != survey.File {
					row.From = now.File
					h.Since++
				}
			}
		}
		group := &groups[at[groupOf(known, r)]]
		group.Rows = append(group.Rows, row)
		h.ids[r] = row.ID
	}
	for _, group := range groups {
		if len(group.Rows) > 0 {
			group.Rows = h.folded(group.Rows)
			h.Groups = append(h.Groups, group)
		}
	}
	return h
}

// folded makes one row of three or more that follow each other and say the same.
func (h *holdsPage) folded(rows []registerRow) (short []registerRow) {
	of := map[string]cv.Register{}
	for r, id := range h.ids {
		of[id] = r
	}
	for len(rows) > 0 {
		n := 1
		for n < len(rows) && next(of[rows[n-1].ID], of[rows[n].ID]) && rows[0].same(rows[n]) {
			n++
		}
		row := rows[0]
		if n < 3 {
			n = 1
		} else {
			var all []cv.Register
			for _, one := range rows[:n] {
				all = append(all, of[one.ID])
				h.ids[of[one.ID]] = row.ID
			}
			row.Register = strings.Join(cv.Ranges(all), ", ")
			row.Value += " each"
		}
		short, rows = append(short, row), rows[n:]
	}
	return short
}

// next says that b follows a on the same page.
func next(a, b cv.Register) bool { return a.Page == b.Page && b.CV == a.CV+1 }

func (row registerRow) same(other registerRow) bool {
	return row.Name == other.Name && row.Value == other.Value && row.Default == other.Default && row.From == other.From && row.Doubt == other.Doubt &&
		slices.Equal(row.Words, other.Words)
}

// registerID is the id of a register's row.
func registerID(r cv.Register) string {
	return "r" + strings.NewReplacer("@", "-", ".", "-").Replace(r.String())
}

// meanings is what a value means, in words: of the standard, and of the sheet.
func meanings(known sheet.Sheet, r cv.Register, value uint8, context cv.Values) (words []string) {
	said := cv.ExplainValue(r, value, context)
	if r.Page == (cv.Page{}) { // of one on a page the standard has only the page to say, and the notation has that
		words = append(words, said.Sentences[len(cv.Explain(r).Sentences):]...)
	}
	own, _ := known.ExplainValue(r, value)
	name := map[uint8]string{}
	for _, b := range own.Bits {
		name[b.Number] = b.Name
	}
	for _, b := range said.Bits {
		reserved := strings.HasPrefix(b.Meaning, "reserved") && b.Set != nil && !*b.Set
		if other, ok := name[b.Number]; ok && other != b.Name || b.Meaning == "" || reserved {
			continue
		}
		words = append(words, sentence(b.Name)+": "+b.Meaning+".")
		delete(name, b.Number)
	}
	for _, b := range own.Bits {
		if name[b.Number] == "" {
			continue
		}
		state := "off"
		if b.Set != nil && *b.Set {
			state = "on"
		}
		words = append(words, fmt.Sprintf("Bit %d, %s: %s.", b.Number, b.Name, state))
	}
	if own.Note != "" {
		words = append(words, own.Note)
	}
	return words
}

// sentence begins with a capital.
func sentence(text string) string {
	if text == "" {
		return ""
	}
	return strings.ToUpper(text[:1]) + text[1:]
}

// Groups of the registers where no sheet has any.
const (
	groupAddress   = "decoder and address"
	groupMotion    = "motion"
	groupStopping  = "stopping and other power"
	groupFunctions = "functions"
	groupMaker     = "maker's own"
	groupPages     = "index pages"
	groupReadings  = "readings"
	groupOthers    = "others"
)

// groupNames are the groups in the order in which they are read: those of the sheet, then those of the standard for what it leaves out.
func groupNames(known sheet.Sheet) []string {
	groups := slices.Clone(known.Groups)
	for _, group := range []string{groupAddress, groupMotion, groupStopping, groupFunctions, groupMaker, groupPages, groupReadings, groupOthers} {
		if !slices.Contains(groups, group) {
			groups = append(groups, group)
		}
	}
	return groups
}

// groupOf is the group of a register: the sheet's, or what S-9.2.2 (July 2012) has it for.
func groupOf(known sheet.Sheet, r cv.Register) string {
	if e, _, ok := known.Entry(r); ok && slices.Contains(known.Groups, e.Group) {
		return e.Group
	}
	n := r.CV
	switch {
	case r.Page != (cv.Page{}) || n >= cv.FirstIndexed && n <= cv.LastIndexed:
		return groupPages
	case n == 1 || n == 7 || n == 8 || n >= 15 && n <= 20 || n >= 28 && n <= 32 || n >= 105 && n <= 111:
		return groupAddress
	case n <= 6 || n == 9 || n == 10 || n >= 23 && n <= 25 || n >= 65 && n <= 95:
		return groupMotion
	case n == 11 || n == 12 || n == 27:
		return groupStopping
	case n == 13 || n == 14 || n == 21 || n == 22 || n >= 33 && n <= 46:
		return groupFunctions
	case n >= 47 && n <= 64 || n >= 112 && n <= 256 || n >= 513 && n <= 879:
		return groupMaker
	case n >= 880 && n <= 895:
		return groupReadings
	}
	return groupOthers
}
